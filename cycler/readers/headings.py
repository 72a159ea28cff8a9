"""The headings of a log as a key, so that a columns file can be found again for the next log with the same headings."""

from __future__ import annotations

import hashlib
import zlib
from dataclasses import dataclass

from cycler.errors import InputError
from cycler.readers.columnsfile import ColumnsFile
from cycler.readers.encoding import decode
from cycler.readers.sniff import find_dialect, head_lines, is_blank, normal

_HEAD_BYTES = 256 * 1024
_LINES = 400
_SHOWN = 400
_MARKS = ",;\t| \""


@dataclass(frozen=True, slots=True)
class Headings:
    """The line of headings (and of units below it, if any) of one log. ``line`` counts from 1."""

    key: str
    text: str
    line: int


def headings_of(raw: bytes, name: str, columns: ColumnsFile | None = None) -> Headings | None:
    """The headings of a log as it is read with ``columns``; None for one without headings, or that cannot be read."""
    try:
        lines, labels = _first_lines(raw, name)
        if labels:
            return _of_labels(labels)
        dialect = find_dialect(
            "\n".join(lines).encode("utf-8"), name, columns.delimiter if columns else None,
            columns.decimal if columns else None, columns.header_row if columns else None,
        )
    except InputError:
        return None
    if dialect.header_line is None:
        return None
    text = lines[dialect.header_line - 1]
    units = lines[dialect.unit_line - 1] if dialect.unit_line is not None else ""
    return Headings(_key(text, units), text.strip()[:_SHOWN], dialect.header_line)


def find_headings(raw: bytes, name: str, known: set[str]) -> Headings | None:
    """The first line of a log whose key is ``known``; the log need not be readable otherwise.

    Headings without a row of units are not taken for the same headings with one.
    """
    if not known:
        return None
    try:
        lines, labels = _first_lines(raw, name)
    except InputError:
        return None
    if labels:
        found = _of_labels(labels)
        return found if found.key in known else None
    for index, text in enumerate(lines[:_LINES]):
        if is_blank(text):
            continue
        below = next((line for line in lines[index + 1: index + 6] if not is_blank(line)), "")
        units = "" if any(ch.isdecimal() for ch in below) else below
        key = _key(text, units)
        if key in known:
            return Headings(key, text.strip()[:_SHOWN], index + 1)
    return None


def _key(line: str, units: str) -> str:
    plain = "\n".join(normal(part).strip(_MARKS) for part in (line, units))
    return hashlib.sha256(plain.encode("utf-8", "replace")).hexdigest()


def _of_labels(labels: tuple[str, ...]) -> Headings:
    """Names that every row carries with it stand in for a line of headings."""
    text = ", ".join(labels)
    return Headings(_key(text, ""), text[:_SHOWN], 1)


def _first_lines(raw: bytes, name: str) -> tuple[list[str], tuple[str, ...]]:
    """The first lines of a log and the labels of its rows, if any, without unpacking or decoding the rest of it."""
    head = raw[:_HEAD_BYTES]
    if head[:2] == b"\x1f\x8b":
        try:
            head = zlib.decompressobj(wbits=31).decompress(head, _HEAD_BYTES)
        except zlib.error:
            return [], ()
    if len(head) == _HEAD_BYTES and (cut := head.rfind(b"\n")) > 0:
        head = head[: cut + 1]
    decoded = decode(head, name)
    return head_lines(decoded.body), decoded.labels
