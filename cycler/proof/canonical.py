"""One form of bytes for a JSON value, its digest, and strict reading of JSON that may come from anybody.

The form is that of RFC 8785 (JSON Canonicalization Scheme): keys sorted, no blanks, numbers as the shortest text of an
IEEE 754 double. So the digest of a record does not depend on who wrote its JSON, only on what it says.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Iterator
from typing import Any

from cycler.errors import InputError, quote

DEPTH_MAX = 60
"""How deep lists and objects may lie in one another; a record needs about ten."""
PARTS_OF_PARTS = ("analysis", "verdict")
"""Parts of a record that get a digest for each of their own parts."""

_EXACT_INT = 2**53 - 1  # beyond it a double cannot tell integers apart (RFC 8785, 3.2.2.3 and appendix D)


def canonical_bytes(value: Any) -> bytes:
    """The bytes of a JSON value by RFC 8785.

    Raises
    ------
    ValueError
        It holds what canonical JSON cannot hold: NaN, infinity, an integer beyond 2**53, a lone surrogate, a key that is no text.
    """
    import rfc8785

    return rfc8785.dumps(value)


def digest(raw: bytes) -> str:
    """SHA-256 of bytes, 64 hexadecimal digits."""
    return hashlib.sha256(raw).hexdigest()


def sha256_hex(value: Any) -> str:
    """SHA-256 of the canonical bytes of a JSON value, 64 hexadecimal digits."""
    return digest(canonical_bytes(value))


def part_digests(content: dict[str, Any]) -> dict[str, str]:
    """A digest for each part of a record's content: "pack", "sources", "analysis.capacity" ...

    Only to name what changed; whether anything changed is told by the digest of the whole.
    """
    parts: dict[str, str] = {}
    for key, value in content.items():
        if key in PARTS_OF_PARTS and isinstance(value, dict):
            parts |= {f"{key}.{name}": sha256_hex(part) for name, part in value.items()}
        else:
            parts[key] = sha256_hex(value)
    return parts


def read_json(raw: bytes, name: str, what: str = "record") -> Any:
    """A JSON value from bytes that may come from anybody.

    Parameters
    ----------
    raw : bytes
        UTF-8, with or without byte order mark.
    name, what : str
        File and kind of content, for messages.

    Raises
    ------
    InputError
        Not UTF-8, not JSON, a key twice in one object (two readers could see two records), NaN or a number beyond all
        bounds, nested deeper than ``DEPTH_MAX``, text that is no Unicode.
    """
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise _unusable(what, name, f"byte {error.start + 1} is not UTF-8 text") from None
    try:
        value = json.loads(text, object_pairs_hook=_object, parse_constant=_no_constant, parse_float=_float, parse_int=_int)
    except _Refused as error:
        raise _unusable(what, name, str(error)) from None
    except RecursionError:
        raise _unusable(what, name, _TOO_DEEP) from None
    except ValueError as error:
        told = f"line {error.lineno}: {error.msg}" if isinstance(error, json.JSONDecodeError) else quote(error)
        raise _unusable(what, name, f"it is not JSON ({told})") from None
    if _depth(value) > DEPTH_MAX:
        raise _unusable(what, name, _TOO_DEEP)
    if re.search(r"\\u[dD][89a-fA-F]", text) and any(re.search("[\ud800-\udfff]", item) for item in _texts(value)):
        raise _unusable(what, name, "it holds text that is no Unicode")
    return value


_TOO_DEEP = f"lists and objects lie in one another more than {DEPTH_MAX} deep"


class _Refused(Exception):
    """Something that JSON readers do not agree on."""


def _unusable(what: str, name: str, why: str) -> InputError:
    return InputError(f"the {what} cannot be read", name, why, "ask for the file again, byte for byte as it was issued")


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for at, key in enumerate(keys) if key in keys[:at])
        raise _Refused(f"the key {quote(twice)} stands twice in one object")
    return found


def _no_constant(text: str) -> float:
    raise _Refused(f"{text} is no number of JSON")


def _float(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise _Refused(f"the number {quote(text, 24)} is beyond all bounds")
    return value


def _int(text: str) -> int | float:
    """Canonical JSON writes large doubles without a point: they come back as doubles."""
    if len(text) > 400:
        raise _Refused(f"the number {quote(text, 24)} is beyond all bounds")
    value = int(text)
    return value if abs(value) <= _EXACT_INT else _float(text)


def _depth(value: Any) -> int:
    """How deep lists and objects lie in one another, without recursion."""
    depth, level = 0, [value]
    while level:
        level = [
            item for outer in level if isinstance(outer, (dict, list))
            for item in (outer.values() if isinstance(outer, dict) else outer)
        ]
        depth += 1
        if depth > DEPTH_MAX:
            break
    return depth


def _texts(value: Any) -> Iterator[str]:
    """Every text and key in a JSON value, without recursion."""
    stack = [value]
    while stack:
        item = stack.pop()
        if isinstance(item, str):
            yield item
        elif isinstance(item, dict):
            stack += [*item.keys(), *item.values()]
        elif isinstance(item, list):
            stack += item
