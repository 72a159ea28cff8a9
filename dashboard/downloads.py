"""Files that are handed out: always to be saved, never shown, under a name that every system takes."""

from __future__ import annotations

import re
import unicodedata
from urllib.parse import quote

from flask import Response

NAME_MAX = 120
"""Longest name of a file. [characters]"""
_DEVICES = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|com[0-9¹²³]|lpt[0-9¹²³])\s*(\..*)?", re.IGNORECASE | re.DOTALL)


def safe_name(name: str, otherwise: str = "file") -> str:
    """A file name without folders, control characters and what some system gives a meaning of its own.

    Slashes of both kinds end a folder; ``< > : " | ? *`` and what cannot be printed become ``_``; names of devices (from memory of what
    Windows reserves) get ``_`` before them; at most ``NAME_MAX`` characters, the ending being kept.
    """
    last = unicodedata.normalize("NFC", name).replace("\\", "/").rsplit("/", 1)[-1]
    kept = "".join("_" if ch in '<>:"|?*' or not ch.isprintable() else ch for ch in last).strip().rstrip(". ")
    if _DEVICES.fullmatch(kept):
        kept = f"_{kept}"
    stem, dot, ending = kept.rpartition(".")
    if len(kept) > NAME_MAX:
        kept = f"{stem[: NAME_MAX - 1 - len(ending)]}.{ending}" if dot and 0 < len(ending) < 12 else kept[:NAME_MAX]
    return kept if kept.strip("._ ") else otherwise


def disposition(name: str, kind: str = "attachment") -> str:
    """Content-Disposition for a file of that name (RFC 6266): in ASCII, and in full (RFC 8187) where that leaves letters out."""
    full = safe_name(name)
    plain = re.sub(r"[^A-Za-z0-9._-]+", "-", full)
    told = f'{kind}; filename="{plain}"'
    return told if plain == full else f"{told}; filename*=UTF-8''{quote(full, safe='')}"


def attachment(content: bytes | str, content_type: str, name: str) -> Response:
    """An answer that a browser saves under ``name``."""
    answer = Response(content, 200, mimetype=content_type) if ";" not in content_type else Response(content, 200, content_type=content_type)
    answer.headers["Content-Disposition"] = disposition(name)
    return answer
