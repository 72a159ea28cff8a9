"""A failing input made small: ``python -m tests.fuzz.minimise TARGET FILE...`` writes FILE.small beside each, which fails in the same way."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

from tests.fuzz import engine
from tests.fuzz.targets import packed, unpacked


def smaller(data: bytes, fails: Callable[[bytes], bool], marks: tuple[bytes, ...] = (b"\n", b",", b";", b"\t", b" ", b"")) -> bytes:
    """The input with lines, then fields, then bytes left out as long as it fails (delta debugging, from memory of Zeller and Hildebrandt, 2002)."""
    for mark in marks:
        parts = data.split(mark) if mark else [data[place: place + 1] for place in range(len(data))]
        if len(parts) > 3000:
            continue
        size = max(1, len(parts) // 2)
        while True:
            at = 0
            while at < len(parts):
                less = parts[:at] + parts[at + size:]
                if less and fails(mark.join(less)):
                    parts = less
                else:
                    at += size
            if size == 1:
                break
            size //= 2
        data = mark.join(parts)
    return data


def kind(target: str, data: bytes) -> str | None:
    """In which way an input fails; None if it does not."""
    result = engine.execute(target, data)
    return engine.kind_of(result) if isinstance(result, BaseException) else None


def minimised(target: str, data: bytes) -> bytes:
    """The same failure from fewer bytes; of a log of several parts each part by itself."""
    wanted = kind(target, data)
    if target not in ("reader", "analysis"):
        return smaller(data, lambda candidate: kind(target, candidate) == wanted)
    parts, columns = unpacked(data)
    if columns is not None and kind(target, packed(parts, None)) == wanted:
        columns = None
    if kind(target, packed([("log.csv", parts[0][1]), *parts[1:]], columns)) == wanted:
        parts = [("log.csv", parts[0][1]), *parts[1:]]
    for place in range(len(parts)):
        def put(candidate: bytes, place: int = place) -> bytes:
            return packed([*parts[:place], (parts[place][0], candidate), *parts[place + 1:]], columns)

        parts[place] = (parts[place][0], smaller(parts[place][1], lambda candidate, put=put: kind(target, put(candidate)) == wanted))
    return packed(parts, columns)


def main(arguments: list[str]) -> int:
    target, *files = arguments
    engine.watch_warnings()
    for name in files:
        data = Path(name).read_bytes()
        wanted = kind(target, data)
        if wanted is None:
            print(f"{name} does not fail")
            continue
        small = minimised(target, data)
        Path(f"{name}.small").write_bytes(small)
        print(f"{name}: {len(data)} to {len(small)} bytes, {wanted}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
