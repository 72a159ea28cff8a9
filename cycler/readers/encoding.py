"""Raw bytes of a file to UTF-8 text, or one clear reason why they are no text."""

from __future__ import annotations

import codecs
import io
import re
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from cycler.errors import InputError, Location, quote
from cycler.readers.rows import bare_rows

MAX_UNPACKED_BYTES = 4 * 1024**3
"""A log of more than this, as it is or unpacked, is refused: it would not fit the memory of a workshop computer."""

Progress = Callable[[int, int | None], None]
"""Told the bytes read so far and, where it is known, the size of the file."""

_PIECE = 4 * 1024 * 1024
_STRETCH = 1024 * 1024

_MAGIC: tuple[tuple[bytes, str], ...] = (
    (b"PK\x03\x04", "a zip archive or a spreadsheet workbook"),
    (b"PK\x05\x06", "an empty zip archive"),
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"GIF8", "a GIF picture"),
    (b"II*\x00", "a TIFF picture"),
    (b"MM\x00*", "a TIFF picture"),
    (b"\x1f\x8b", "compressed twice"),
    (b"RIFF", "a RIFF media file"),
    (b"%PDF", "a PDF document"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an old spreadsheet or office document"),
    (b"SQLite format 3", "a database file"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"Rar!", "a rar archive"),
    (b"BZh", "a bzip2 archive"),
    (b"\xfd7zXZ", "an xz archive"),
    (b"\x28\xb5\x2f\xfd", "a zstd archive"),
    (b"\x7fELF", "a program"),
    (b"MZ\x90", "a program"),
    (b"PAR1", "a Parquet file"),
    (b"\x89HDF", "an HDF5 file"),
    (b"MATLAB 5.0", "a MAT file"),
)
_EXPORT = "export the log as CSV text from the program that recorded it"
# Letters and signs that headers of logs are written with; used to choose between single-byte encodings.
_USUAL = set("°µμΩω²³·×±–—…’‘“”„ÄÖÜäöüßÀÁÂÇÈÉÊËÌÍÎÏÑÒÓÔÙÚÛàáâçèéêëìíîïñòóôùúûºªΔδθϑ§€\u00a0")
_UNIT_SIGNS = re.compile(r"[°º][ ]?[CFK]\b|\bµ[VAsW]|[kmµ]?Ω\b")
# A spreadsheet that cannot place a character writes these instead; they never help a header.
_MULTIBYTE_USUAL = set("℃℉ΩΔ电压流容量时间温度能")


@dataclass(frozen=True, slots=True)
class Decoded:
    """Text as UTF-8 bytes without byte order mark; ``encoding`` is that of the file.

    ``labels`` are the names that every row carried with it ("t=0;U=12.3"); they are taken out of ``body``.
    """

    body: bytes
    encoding: str
    labels: tuple[str, ...] = ()


def read_bytes(path: str | Path, progress: Progress | None = None) -> bytes:
    """The bytes of a file, read piece by piece; ``progress`` hears of each piece.

    Raises
    ------
    InputError
        File missing, a folder, not readable, larger than ``MAX_UNPACKED_BYTES``.
    """
    where = Location(str(path))
    try:
        path = Path(path)
        if path.is_dir():
            raise IsADirectoryError
        size = path.stat().st_size or None  # a pipe has none
        with path.open("rb", buffering=0) as stream:
            return read_stream(stream, where, size, progress)
    except FileNotFoundError:
        raise InputError(
            "no such log", where, "the file does not exist", "check the name and the folder"
        ) from None
    except IsADirectoryError:
        raise InputError(
            "the log is a folder", where, "a file is needed", "name the CSV files in it, one after the other"
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error) or "read error"
        raise InputError("cannot read the log", where, reason, "check the name and its permissions") from None


def read_stream(stream: BinaryIO, where: Location, size: int | None = None, progress: Progress | None = None) -> bytes:
    """All bytes of an open stream; ``size`` is what is expected. InputError beyond ``MAX_UNPACKED_BYTES``."""
    if size is not None and size > MAX_UNPACKED_BYTES:
        raise _too_large(where, "it holds")
    if size is not None and progress is None:
        whole = stream.read(size)
        if not (more := stream.read(_PIECE)):
            return whole
        taken = io.BytesIO()
        taken.write(whole + more)
    else:
        taken = io.BytesIO()
    while piece := stream.read(_PIECE):
        if taken.tell() + len(piece) > MAX_UNPACKED_BYTES:
            raise _too_large(where, "it holds")
        taken.write(piece)
        if progress is not None:
            progress(taken.tell(), size)
    return taken.getvalue()


def _too_large(where: Location, how: str) -> InputError:
    return InputError(
        "the log is too large", where, f"{how} more than {MAX_UNPACKED_BYTES // 1024**3} GiB", "split it into parts",
    )


def decode(raw: bytes, name: str) -> Decoded:
    """Text of a log as UTF-8.

    Parameters
    ----------
    raw : bytes
        The file as stored; gzip is unpacked.
    name : str
        File name for messages.

    Raises
    ------
    InputError
        Empty, binary, an archive, a picture, damaged gzip.
    """
    where = Location(name)
    if not raw:
        raise InputError("the log is empty", where, "the file has 0 bytes", "export or copy it again")
    packed = ""
    if raw[:2] == b"\x1f\x8b":
        raw = _unpack(raw, where)
        packed = " (gzip)"
        if not raw:
            raise InputError("the log is empty", where, "the archive holds 0 bytes", "export it again")
    foreign = _foreign(raw)
    if foreign is not None:
        kind, begins = foreign
        raise InputError(f"the log is {kind}", where, f"it begins with {quote(begins.decode('latin-1'))}", _EXPORT)
    body, encoding = _to_utf8(raw, where)
    body, seen = _one_line_end(body)
    _refuse_control(body, seen, where)
    if not body[:4096].strip() and not body.strip():
        raise InputError("the log is empty", where, "it holds blanks only", "export or copy it again")
    body, labels = bare_rows(body)
    return Decoded(body, encoding + packed, labels)


def foreign_kind(head: bytes) -> str | None:
    """What a file is that is no log, by its first bytes as stored ("a JPEG picture"); None for a text, and for what gzip has packed."""
    foreign = None if head[:2] == b"\x1f\x8b" else _foreign(head)
    return foreign[0] if foreign is not None else None


def _foreign(raw: bytes) -> tuple[str, bytes] | None:
    for magic, kind in _MAGIC:
        if raw.startswith(magic):
            return kind, magic
    if raw[4:8] == b"ftyp":
        return "a picture or film of a camera", raw[:8]
    if raw[:2] == b"BM" and b"\x00\x00" in raw[:16]:
        return "a bitmap picture", raw[:8]
    return None


@dataclass(slots=True)
class _Seen:
    """What one pass over a text saw: stretches that hold more than ASCII, how many control characters, and of these the usual ones."""

    foreign: list[tuple[int, int]]
    control: int = 0
    feeds: int = 0
    returns: int = 0
    lone_return: bool = False


def _look_over(body: bytes) -> _Seen:
    import numpy as np

    seen = _Seen([])
    for first in range(0, len(body), _STRETCH):
        codes = np.frombuffer(body, np.uint8, min(_STRETCH, len(body) - first), first)
        if codes.max() >= 0x80:
            seen.foreign.append((first, first + codes.size))
        control, feeds = int(np.count_nonzero(codes < 0x20)), int(np.count_nonzero(codes == 10))
        seen.control, seen.feeds = seen.control + control, seen.feeds + feeds
        if control > feeds and (returns := int(np.count_nonzero(codes == 13))):
            seen.returns += returns
            inside = int(np.count_nonzero((codes[:-1] == 13) & (codes[1:] == 10)))
            across = codes[-1] == 13 and body[first + codes.size: first + codes.size + 1] == b"\n"
            seen.lone_return |= inside + across != returns
    return seen


def _one_line_end(body: bytes) -> tuple[bytes, _Seen]:
    """Text with every line ended by a line feed (CR LF stays), and without the byte order marks that joining files leaves.

    A lone carriage return, the line separators of Unicode (U+0085, U+2028, U+2029) and LF CR all end a line.
    """
    seen = _look_over(body)
    marks = {b"\xef\xbb\xbf": b"", b"\xe2\x80\xa8": b"\n", b"\xe2\x80\xa9": b"\n", b"\xc2\x85": b"\n"}
    for mark, instead in marks.items():
        if any(body.find(mark, max(0, first - 2), last + 2) >= 0 for first, last in seen.foreign):
            body = body.replace(mark, instead)
            seen = _look_over(body)
    if seen.lone_return:
        body = re.sub(rb"\r+\n", b"\n", body).replace(b"\n\r", b"\n").replace(b"\r", b"\n")
        seen = _look_over(body)
    return body, seen


def _unpack(raw: bytes, where: Location) -> bytes:
    parts: list[bytes] = []
    total = 0
    rest = raw
    try:
        while rest:
            engine = zlib.decompressobj(wbits=31)
            while True:
                piece = engine.decompress(rest, 16 * 1024 * 1024)
                parts.append(piece)
                total += len(piece)
                if total > MAX_UNPACKED_BYTES:
                    raise _too_large(where, "it unpacks to")
                rest = engine.unconsumed_tail
                if engine.eof or (not rest and not piece):
                    break
            if not engine.eof:
                raise InputError(
                    "the compressed log is cut off", where, "the gzip data ends before its own end mark",
                    "copy the file again",
                )
            rest = engine.unused_data.lstrip(b"\x00")
            if rest and rest[:2] != b"\x1f\x8b":
                break
    except zlib.error as error:
        raise InputError(
            "the compressed log is damaged", where, f"gzip reports: {quote(error, 80)}", "copy the file again"
        ) from None
    return b"".join(parts)


def _to_utf8(raw: bytes, where: Location) -> tuple[bytes, str]:
    if raw.startswith(b"\xef\xbb\xbf"):
        body = raw[3:]
        if _is_utf8(body):
            return body, "UTF-8 with byte order mark"
        raw = body
    for mark, codec, label in (
        (b"\xff\xfe\x00\x00", "utf-32-le", "UTF-32 (little-endian)"),
        (b"\x00\x00\xfe\xff", "utf-32-be", "UTF-32 (big-endian)"),
        (b"\xff\xfe", "utf-16-le", "UTF-16 (little-endian)"),
        (b"\xfe\xff", "utf-16-be", "UTF-16 (big-endian)"),
    ):
        if raw.startswith(mark):
            return _recode(raw[len(mark):], codec, label, where)
    head = raw[:4096]
    if b"\x00" in head:
        even, odd = head[0::2].count(0), head[1::2].count(0)
        half = max(1, len(head) // 2)
        if odd > 0.7 * half and even < 0.05 * half:
            return _recode(raw, "utf-16-le", "UTF-16 (little-endian)", where)
        if even > 0.7 * half and odd < 0.05 * half:
            return _recode(raw, "utf-16-be", "UTF-16 (big-endian)", where)
    if b"\x00" in raw:
        at = raw.index(b"\x00")
        line = raw.count(b"\n", 0, at) + 1
        raise InputError(
            "the log is not text", Location(where.file, line), f"byte {at + 1} of the file is NUL",
            "if the recorder lost power while writing, cut the file before that line; otherwise " + _EXPORT,
        )
    if _is_utf8(raw):
        return raw, "UTF-8"
    return _single_byte(raw, where)


def _is_utf8(raw: bytes) -> bool:
    decoder = codecs.getincrementaldecoder("utf-8")()
    pending = False
    try:
        for first in range(0, len(raw), _STRETCH):
            piece = raw[first: first + _STRETCH]
            if pending or not piece.isascii():
                decoder.decode(piece)
                pending = bool(decoder.getstate()[0])
        decoder.decode(b"", True)
    except UnicodeDecodeError:
        return False
    return True


def _recode(raw: bytes, codec: str, label: str, where: Location) -> tuple[bytes, str]:
    # A file cut in the middle of a two-byte character must not be lost for that: the half character goes.
    width = 4 if codec.startswith("utf-32") else 2
    usable = raw[: len(raw) - len(raw) % width]
    try:
        text = usable.decode(codec)
    except UnicodeDecodeError as error:
        raise InputError(
            f"the log is not valid {label}", where, f"byte {error.start} cannot be read", "save it as UTF-8 text"
        ) from None
    if "\x00" in text:
        raise InputError(
            "the log is not text", Location(where.file, text.count("\n", 0, text.index("\x00")) + 1),
            "it holds NUL characters", _EXPORT,
        )
    return text.encode("utf-8", "replace"), label


def _single_byte(raw: bytes, where: Location) -> tuple[bytes, str]:
    """Choose among the encodings of old spreadsheets by the signs and letters they would give."""
    sample = raw[:200_000]
    special = bytes(sorted({byte for byte in sample if byte >= 0x80})) or b""
    if not special:
        at = next(index for index, byte in enumerate(raw) if byte >= 0x80)
        sample = raw[max(0, at - 2000): at + 2000]
    control = sum(1 for byte in sample if byte < 0x20 and byte not in (9, 10, 12, 13))
    high = sum(1 for byte in sample if byte >= 0x80)
    if control > 0 or high > 0.3 * len(sample):
        raise InputError(
            "the log is not text", where, f"{high} of its first {len(sample)} bytes are no readable characters", _EXPORT
        )
    candidates = ["cp1252"]
    try:
        from charset_normalizer import from_bytes

        found = from_bytes(
            sample, cp_isolation=["cp1252", "latin_1", "iso8859_15", "mac_roman", "cp850", "cp437", "gb18030", "shift_jis"]
        ).best()
        if found is not None and found.encoding not in candidates:
            candidates.append(found.encoding)
    except ImportError:
        pass
    candidates += [codec for codec in ("cp850", "gb18030", "mac_roman", "shift_jis", "latin_1") if codec not in candidates]
    best: tuple[float, str] | None = None
    for codec in candidates:
        try:
            text = sample.decode(codec)
        except (UnicodeDecodeError, LookupError):
            # The sample may end within a character of two bytes.
            try:
                text = sample[:-1].decode(codec)
            except (UnicodeDecodeError, LookupError):
                continue
        foreign = [ch for ch in text if ord(ch) >= 0x80]
        usual = _USUAL | _MULTIBYTE_USUAL if codec in ("gb18030", "shift_jis") else _USUAL
        score = sum(ch in usual for ch in foreign) / max(1, len(foreign))
        # A degree sign before C or F, a micro or an omega in a unit: no other encoding gives that by chance.
        score += 0.05 * bool(_UNIT_SIGNS.search(text))
        if codec not in ("gb18030", "shift_jis", "cp1252"):
            score -= 0.01
        if best is None or score > best[0] + 1e-9:
            best = (score, codec)
    codec = best[1] if best else "latin_1"
    try:
        text = raw.decode(codec)
    except UnicodeDecodeError:
        text = raw.decode("cp1252", "replace") if codec == "cp1252" else raw.decode("latin_1")
    names = {
        "cp1252": "Windows-1252", "latin_1": "ISO 8859-1", "cp850": "CP850", "gb18030": "GB 18030", "mac_roman": "Mac Roman",
    }
    return text.encode("utf-8"), names.get(codec, codec)


_CONTROL = bytes(code for code in range(0x20) if code not in (9, 10, 11, 12, 13, 0x1A))


def _refuse_control(body: bytes, seen: _Seen, where: Location) -> None:
    count = seen.control - seen.feeds - seen.returns
    if count:
        count -= sum(body.count(bytes([code])) for code in (9, 11, 12, 0x1A))
    if count > max(2, len(body) // 10_000):
        at = next(index for index, byte in enumerate(body) if byte in _CONTROL)
        raise InputError(
            "the log is not text", Location(where.file, body.count(b"\n", 0, at) + 1),
            f"it holds {count} control characters", _EXPORT,
        )
