"""What a file may hold that comes in over the pages: bytes, bytes when it is unpacked, lines; counted while it comes.

The list of what to limit follows the OWASP Cheat Sheet "File Upload" (from memory): size, size after decompression, number of files, names.
"""

from __future__ import annotations

import zlib

from cycler.errors import InputError

UPLOAD_BYTES_MAX = 512_000_000
"""Largest file taken by default; a log of a million rows and 14 columns is about 100 MB."""
UNPACKED_TIMES = 4
"""A file may unpack to this many times the largest file."""
WAITING_TIMES = 8
"""All files that wait may take this many times the largest file on disk."""
LINES_MAX = 20_000_000
"""Most lines of a file: three weeks at 10 Hz; their numbers take about 2 GB of memory with 14 columns."""
_PIECE = 1 << 20
_GZIP = b"\x1f\x8b"
_FURTHER_ENDS = (b"\xc2\x85", b"\xe2\x80\xa8", b"\xe2\x80\xa9")
"""What else the reader takes for the end of a line: U+0085, U+2028 and U+2029 in UTF-8."""


class Gauge:
    """Counts what a file holds, piece by piece.

    Parameters
    ----------
    name : str
        Of the file, for messages.
    bytes_max, lines_max : int
        What it may hold, unpacked if it is gzip.
    """

    def __init__(self, name: str, bytes_max: int, lines_max: int = LINES_MAX) -> None:
        self._name, self._bytes_max, self._lines_max = name, bytes_max, lines_max
        self._bytes = self._line_feeds = self._returns = self._further = 0
        self._packed: bool | None = None
        self._between = b""
        self._engine: zlib._Decompress | None = None

    def take(self, piece: bytes) -> None:
        """Count the next piece. InputError as soon as it is too much; damaged gzip is left to the reader to tell."""
        if self._packed is None:
            self._packed = piece[:2] == _GZIP
        if not self._packed:
            self._count(piece)
            return
        piece, self._between = self._between + piece, b""
        while piece:
            if self._engine is None:  # an archive begins, or another one behind it in the same file; zeros may stand between them
                piece = piece.lstrip(b"\x00")
                if len(piece) < len(_GZIP):
                    self._between = piece
                    return
                self._engine = zlib.decompressobj(wbits=31)
            try:
                self._count(self._engine.decompress(piece, _PIECE))
            except zlib.error:
                self._packed = False  # nothing behind it can be unpacked
                return
            piece = self._engine.unconsumed_tail
            if self._engine.eof:
                piece, self._engine = self._engine.unused_data, None

    def _count(self, plain: bytes) -> None:
        self._bytes += len(plain)
        self._line_feeds += plain.count(b"\n")
        self._returns += plain.count(b"\r")
        if not plain.isascii():
            self._further += sum(map(plain.count, _FURTHER_ENDS))
        if self._bytes > self._bytes_max:
            raise InputError(
                "the file is too large for the page when it is unpacked", self._name, f"it unpacks to more than {self._bytes_max / 1e6:.0f} MB",
                "export the test in parts, or add it with the command: cycler add",
            )
        if max(self._line_feeds, self._returns) + self._further > self._lines_max:
            raise InputError(
                "the file has too many lines for the page", self._name, f"more than {self._lines_max / 1e6:g} million",
                "export the test in parts, or add it with the command: cycler add",
            )
