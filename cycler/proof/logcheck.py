"""Whether logs are those that a record was made from: by digest, whatever they are called."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

from cycler.errors import quote
from cycler.proof.canonical import digest
from cycler.proof.check import BAD, GOOD, Check, count, some

_MARK = b"\xef\xbb\xbf"
_UNPACKED_MAX = 512 * 2**20


@dataclass(frozen=True, slots=True)
class LogsFound:
    """Logs by digest, as they were measured, and what was found of them. ``missing``: sources without a log."""

    by_sha256: Mapping[str, bytes]
    missing: tuple[Mapping[str, Any], ...]
    check: Check

    def has(self, sources: Sequence[Mapping[str, Any]]) -> bool:
        """Whether the bytes of all of these are there."""
        return bool(sources) and all(source.get("sha256") in self.by_sha256 for source in sources)


def find_logs(
    sources: Sequence[Mapping[str, Any]], beside: Sequence[Mapping[str, Any]], logs: Sequence[tuple[str, bytes]],
) -> LogsFound:
    """Hold logs against the sources of a record.

    Parameters
    ----------
    sources : sequence of mapping
        Logs of the run (file, sha256, bytes); each must be among those given.
    beside : sequence of mapping
        Logs of the earlier run, which may be left out.
    logs : sequence of (name, bytes)
        As given, in any order.

    Returns
    -------
    LogsFound
        A log that was only written anew (line ends, byte order mark, compression) is named as such and counts as not the
        same, but its bytes as measured are there for computing.
    """
    wanted = {source["sha256"]: source for source in [*sources, *beside]}
    given = [(name, raw, digest(raw)) for name, raw in logs]
    found = {sha256: raw for _name, raw, sha256 in given if sha256 in wanted}
    missing = {sha256: source for sha256, source in wanted.items() if sha256 not in found}
    wrong: list[str] = []
    strange = []
    for name, raw, sha256 in given:
        if sha256 in wanted:
            continue
        rewritten = next(((key, how, form) for how, form in _other_forms(raw) if (key := digest(form)) in missing), None)
        if rewritten is None:
            strange.append((name, raw, sha256))
            continue
        key, how, found[key] = rewritten
        wrong.append(f"{_short(name)} is {quote(missing.pop(key).get('file'))} with {how}: the readings are the same, the bytes are not")
    for name, raw, sha256 in strange:
        key = _meant(name, missing, len(strange))
        source = missing.pop(key, None) if key is not None else None
        wrong.append(_stranger(name, raw, sha256, source))
    lacking = tuple(source for source in sources if source["sha256"] not in found)
    for source in lacking:
        if source["sha256"] in missing:
            wrong.append(f"{quote(source.get('file'))} of the record (sha256 {_twelve(source['sha256'])}, {source.get('bytes')} bytes) was not given")
    if wrong:
        text = f"The logs are not those of the record: {count(len(wrong), 'thing is not as it', 'things are not as they')} should be."
        return LogsFound(found, lacking, Check("logs", BAD, text, some(wrong)))
    same = [f"{_short(name)} is {quote(wanted[sha256].get('file'))}, {len(raw)} bytes" for name, raw, sha256 in given]
    text = f"The {count(len(given), 'log is', 'logs are')} byte for byte what was measured."
    return LogsFound(found, lacking, Check("logs", GOOD, text, some(same)))


def _meant(name: str, missing: Mapping[str, Mapping[str, Any]], strangers: int) -> str | None:
    """Digest of the source that a log pretends to be: the one of its name, or the only one left; the run's own come first."""
    base = PurePath(name).name
    same = [key for key, source in missing.items() if source.get("file") == base]
    if same:
        return same[0]
    return next(iter(missing)) if len(missing) == 1 and strangers == 1 else None


def _stranger(name: str, raw: bytes, sha256: str, source: Mapping[str, Any] | None) -> str:
    """What to say of a log that is not one of the record's."""
    if source is None:
        return f"{_short(name)} (sha256 {_twelve(sha256)}) is not one of the record's logs"
    return (
        f"{_short(name)} is not {quote(source.get('file'))} as it was measured: sha256 {_twelve(sha256)} and {len(raw)} bytes, in the record "
        f"{_twelve(source['sha256'])} and {source.get('bytes')} bytes"
    )


def _other_forms(raw: bytes) -> Iterator[tuple[str, bytes]]:
    """The same text as other programs write it, each with what was done to it since."""
    if raw[:2] == b"\x1f\x8b":
        unpacked = _unpacked(raw)
        if unpacked is not None:
            yield "compression", unpacked
        return
    lines = raw.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    for ends, text in (("\n", lines), ("\r\n", lines.replace(b"\n", b"\r\n"))):
        bare = text.removeprefix(_MARK).rstrip(b"\r\n")
        for mark in (b"", _MARK):
            for end in (ends.encode(), b""):
                yield "other line ends or byte order mark", mark + bare + end


def _unpacked(raw: bytes) -> bytes | None:
    try:
        stream = zlib.decompressobj(wbits=31)
        unpacked = stream.decompress(raw, _UNPACKED_MAX)
        return unpacked if stream.eof else None
    except zlib.error:
        return None


def _short(name: str) -> str:
    return quote(PurePath(name).name, 80)


def _twelve(sha256: Any) -> str:
    return f"{str(sha256)[:12]}…"
