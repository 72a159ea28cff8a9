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
        self._bytes = self._line_feeds = self._returns = 0
        self._begun = False
        self._engine: zlib._Decompress | None = None

    def take(self, piece: bytes) -> None:
        """Count the next piece. InputError as soon as it is too much; damaged gzip is left to the reader to tell."""
        if not self._begun:
            self._begun = True
            if piece[:2] == _GZIP:
                self._engine = zlib.decompressobj(wbits=31)
        if self._engine is None:
            self._count(piece)
            return
        try:
            while piece:
                self._count(self._engine.decompress(piece, _PIECE))
                piece = self._engine.unconsumed_tail
                if self._engine.eof:  # another archive may follow in the same file
                    piece, self._engine = self._engine.unused_data.lstrip(b"\x00"), zlib.decompressobj(wbits=31)
        except zlib.error:
            self._engine = zlib.decompressobj(wbits=-15)  # what follows cannot be unpacked

    def _count(self, plain: bytes) -> None:
        self._bytes += len(plain)
        self._line_feeds += plain.count(b"\n")
        self._returns += plain.count(b"\r")
        if self._bytes > self._bytes_max:
            raise InputError(
                "the file is too large for the page when it is unpacked", self._name, f"it unpacks to more than {self._bytes_max / 1e6:.0f} MB",
                "export the test in parts, or add it with the command: cycler add",
            )
        if max(self._line_feeds, self._returns) > self._lines_max:
            raise InputError(
                "the file has too many lines for the page", self._name, f"more than {self._lines_max / 1e6:g} million",
                "export the test in parts, or add it with the command: cycler add",
            )
