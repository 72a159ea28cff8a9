"""The files that carry a record: JSON, an HTML page, a PDF. Each holds the same content and its seal.

The JSON file is the envelope in canonical form. The HTML page holds it in a ``script`` element of data; the PDF in
comment lines before ``startxref``, which readers pass over. Page and PDF carry a second seal, over all of their bytes
but the seal itself, so that what is printed on them is proven too and not only what lies in them. A file with two
contents or two seals is refused: two readers could take it for two records.
"""

from __future__ import annotations

import base64
import binascii
import os
import re
import stat
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cycler.errors import InputError, quote
from cycler.proof.canonical import canonical_bytes, digest, read_json
from cycler.proof.keys import SigningKey
from cycler.proof.seal import CONTENT_SCHEMA, envelope_bytes, seal_page

FILE_MAX = 64 * 2**20
"""Largest file that is taken for a record. [bytes]"""
CONTENT_MAX = 24 * 2**20
"""Largest content within it. [bytes]"""

_SCRIPT, _SCRIPT_END = b'<script type="application/json" id="record-content">', b"</script>"
_HTML_SEAL, _HTML_SEAL_END = b"<!--packreturn-seal ", b"-->"
_PDF_CONTENT, _PDF_SEAL, _PDF_MORE = b"%packreturn-record ", b"%packreturn-seal ", b"%packreturn-more "
_PDF_WIDTH = 200  # characters a line; PDF up to 1.7 allows 255 outside of streams (ISO 32000-1, annex C, from memory)


@dataclass(frozen=True, slots=True)
class Carried:
    """What a file carries.

    Attributes
    ----------
    kind : str
        "json", "html" or "pdf".
    envelope : dict
        ``record`` and, unless it was taken off, ``seal``.
    page_seal : dict or None
        The seal of the page's bytes; None for JSON, or if it was taken off.
    page_sha256 : str or None
        Digest of all bytes of the page but its seal; None for JSON.
    canonical : bool
        For JSON: whether the bytes are those of the canonical form. For page and PDF: whether their seal stands where it was
        put, and as it was written; it covers all bytes but itself, so elsewhere it could cut a tag in two, or a text.
    page : bytes
        HTML and PDF: the bytes without content and seal, that is what is shown.
    """

    kind: str
    envelope: dict[str, Any]
    page_seal: dict[str, Any] | None = None
    page_sha256: str | None = None
    canonical: bool = True
    page: bytes = b""

    @property
    def content(self) -> dict[str, Any]:
        """The record itself."""
        return self.envelope["record"]


def html_with_seal(html: str, envelope: dict[str, Any], key: SigningKey) -> str:
    """The page with the envelope in it and the seal of its bytes as its last line; the same for the same input.

    Raises
    ------
    ValueError
        The page carries a record or a seal already, or has no end of its body.
    """
    raw = html.encode("utf-8")
    if _SCRIPT in raw or _HTML_SEAL in raw:
        raise ValueError("the page carries a record already")
    place = raw.rfind(b"</body>")
    if place < 0:
        raise ValueError("the page has no </body>")
    inside = canonical_bytes(envelope).replace(b"<", b"\\u003c")
    raw = raw[:place] + _SCRIPT + inside + _SCRIPT_END + b"\n" + raw[place:]
    if not raw.endswith(b"\n"):
        raw += b"\n"
    return _html_sealed(raw, seal_page(envelope, digest(raw), key)).decode("utf-8")


def pdf_with_seal(pdf: bytes, envelope: dict[str, Any], key: SigningKey) -> bytes:
    """The PDF with the envelope and the seal of its bytes in comments before ``startxref``; the same for the same input.

    The table of offsets stays right, as nothing before it moves.

    Raises
    ------
    ValueError
        The PDF carries a record or a seal already, or does not end as a PDF does.
    """
    if _comments(pdf, _PDF_CONTENT) or _comments(pdf, _PDF_SEAL):
        raise ValueError("the PDF carries a record already")
    place = pdf.rfind(b"startxref")
    if place < 0 or not re.fullmatch(rb"startxref\s+\d+\s+%%EOF\s*", pdf[place:]):
        raise ValueError("the PDF does not end with startxref and %%EOF")
    carried = _comment(_PDF_CONTENT, base64.b64encode(zlib.compress(canonical_bytes(envelope), 9)))
    before, after = pdf[:place].rstrip(b"\r\n") + b"\n" + carried, pdf[place:]
    return _pdf_sealed(before + after, seal_page(envelope, digest(before + after), key))


def _html_sealed(page: bytes, seal: dict[str, Any]) -> bytes:
    """The page with its seal as the last line."""
    # Two dashes would end the comment; within JSON text the escape says the same.
    return page + _HTML_SEAL + canonical_bytes(seal).replace(b"--", b"-\\u002d") + _HTML_SEAL_END + b"\n"


def _pdf_sealed(pdf: bytes, seal: dict[str, Any]) -> bytes:
    """The PDF with its seal before the last ``startxref``."""
    place = pdf.rfind(b"startxref")
    return pdf[:place] + _comment(_PDF_SEAL, canonical_bytes(seal)) + pdf[place:]


def load_file(path: str | Path) -> bytes:
    """The bytes of a file that may be a record, not more than one can have. InputError if it cannot be read."""
    try:
        if not stat.S_ISREG(mode := os.stat(path).st_mode) and not stat.S_ISDIR(mode):  # a pipe would be waited for
            raise InputError("the record is no file", str(path), "it is a device or a pipe", "name the file that was issued")
        with open(path, "rb") as stream:
            return stream.read(FILE_MAX + 1)
    except FileNotFoundError:
        raise InputError("no such record", str(path), "the file does not exist", "check the name and folder") from None
    except IsADirectoryError:
        raise InputError("the record is a folder", str(path), "a file is needed", "name the .pdf, .html or .json file in it") from None
    except OSError as error:
        raise InputError(
            "cannot read the record", str(path), error.strerror or "read error", "check the name and the permissions",
        ) from None
    except ValueError:
        raise InputError("no such record", quote(path), "no file can have this name", "check the name") from None


def read_record(raw: bytes, name: str) -> Carried:
    """What a file carries, whoever it comes from.

    Raises
    ------
    InputError
        No record; a page that another program wrote anew, so that nothing of the record is left in it; two contents or
        two seals; damaged; larger than a record can be; made by a newer version.
    """
    if len(raw) > FILE_MAX:
        raise InputError(
            "the file is too large for a record", name, f"it has more than {FILE_MAX // 2**20} MB", "name the file that was issued",
        )
    head = raw[:1024].removeprefix(b"\xef\xbb\xbf").lstrip()
    if not raw.strip():
        raise _no_record(name, "it is empty")
    if head.startswith(b"%PDF-"):
        carried = _from_pdf(raw, name)
    elif head.startswith(b"{"):
        value = read_json(_limited(raw, name), name)
        envelope = _envelope(value, name)
        carried = Carried("json", envelope, canonical=raw == envelope_bytes(envelope))
    elif re.match(rb"(?i)<(!doctype|html|!--)", head) or _SCRIPT in raw:
        carried = _from_html(raw, name)
    else:
        raise _no_record(name, "it is neither JSON nor a web page nor a PDF")
    schema = carried.content.get("schema")
    if schema != CONTENT_SCHEMA and isinstance(schema, str) and re.fullmatch(r"cycler\.record/\d+", schema):
        raise InputError(
            "the record is of a newer form", name, f"it says {schema}, and this program knows {CONTENT_SCHEMA}",
            "check it with a newer version of the program",
        )
    return carried


def _from_html(raw: bytes, name: str) -> Carried:
    found = [match.start() for match in re.finditer(re.escape(_SCRIPT), raw)]
    seals = [match.start() for match in re.finditer(re.escape(_HTML_SEAL), raw)]
    if not found:
        raise _written_anew(name, "web page")
    _one_only(found, seals, name)
    start = found[0] + len(_SCRIPT)
    end = raw.find(_SCRIPT_END, start)
    if end < 0:
        raise _cut(name)
    envelope = _envelope(read_json(_limited(raw[start:end], name), name), name)
    rest, seal = raw, None
    if seals:
        close = raw.find(_HTML_SEAL_END, seals[0])
        if close < 0:
            raise _cut(name)
        seal = _seal(raw[seals[0] + len(_HTML_SEAL) : close], name)
        after = close + len(_HTML_SEAL_END)
        rest = raw[: seals[0]] + raw[after:].removeprefix(b"\n")
    block = raw[found[0] : end + len(_SCRIPT_END)]
    shown = rest.replace(block + b"\n" if block + b"\n" in rest else block, b"", 1)
    return Carried("html", envelope, seal, digest(rest), seal is None or _html_sealed(rest, seal) == raw, shown)


def _from_pdf(raw: bytes, name: str) -> Carried:
    content, seals = _comments(raw, _PDF_CONTENT), _comments(raw, _PDF_SEAL)
    if not content:
        raise _written_anew(name, "PDF")
    _one_only(content, seals, name)
    envelope = _envelope(read_json(_unpacked(_text_of(content[0]), name), name), name)
    rest, seal = raw, None
    if seals:
        seal = _seal(_text_of(seals[0]), name)
        rest = raw[: seals[0].start()] + raw[seals[0].end() :]
    shown = rest.replace(content[0][0], b"", 1)
    return Carried("pdf", envelope, seal, digest(rest), seal is None or _pdf_sealed(rest, seal) == raw, shown)


def _comment(mark: bytes, text: bytes) -> bytes:
    """``text`` (no line ends in it) as comment lines of a PDF."""
    lines = [text[k : k + _PDF_WIDTH] for k in range(0, len(text), _PDF_WIDTH)]
    return b"".join((mark if k == 0 else _PDF_MORE) + line + b"\n" for k, line in enumerate(lines))


def _comments(raw: bytes, mark: bytes) -> list[re.Match[bytes]]:
    """What :func:`_comment` wrote, wherever it stands in a PDF."""
    end = rb"[^\r\n]*(?:\r\n|\r|\n|\Z)"
    return list(re.finditer(rb"^" + re.escape(mark) + end + rb"(?:" + re.escape(_PDF_MORE) + end + rb")*", raw, re.MULTILINE))


def _text_of(comment: re.Match[bytes]) -> bytes:
    return b"".join(line.partition(b" ")[2] for line in comment[0].splitlines())


def _one_only(contents: list[Any], seals: list[Any], name: str) -> None:
    for what, found in (("contents", contents), ("seals", seals)):
        if len(found) > 1:
            raise InputError(
                f"the file carries {len(found)} {what}", name, "a record has one, and nothing tells which of them counts",
                "ask for the file again, byte for byte as it was issued",
            )


def _limited(raw: bytes, name: str) -> bytes:
    if len(raw) > CONTENT_MAX:
        raise InputError(
            "the content is too large for a record", name, f"it has more than {CONTENT_MAX // 2**20} MB",
            "name the file that was issued",
        )
    return raw


def _unpacked(packed: bytes, name: str) -> bytes:
    """The content of a PDF. A small file that unpacks to a huge one is refused."""
    try:
        stream = zlib.decompressobj()
        content = stream.decompress(base64.b64decode(packed, validate=True), CONTENT_MAX + 1)
    except (binascii.Error, ValueError, zlib.error):
        raise _cut(name) from None
    _limited(content, name)
    if not stream.eof:
        raise _cut(name)
    if stream.unused_data:
        _one_only([1, 2], [], name)
    return content


def _envelope(value: Any, name: str) -> dict[str, Any]:
    """``{"record", "seal"}``; the seal may have been taken off, which the check tells."""
    if isinstance(value, dict) and value.get("schema") == CONTENT_SCHEMA and "record" not in value:
        return {"record": value}  # the content without its envelope
    if not isinstance(value, dict) or not isinstance(value.get("record"), dict):
        raise _no_record(name, "its JSON is not that of a record")
    if set(value) - {"record", "seal"}:
        odd = sorted(set(value) - {"record", "seal"})
        raise _no_record(name, f"beside record and seal it holds {', '.join(odd[:3])}")
    if "seal" in value and not isinstance(value["seal"], dict):
        return {"record": value["record"]}
    return value


def _seal(raw: bytes, name: str) -> dict[str, Any]:
    value = read_json(raw, name, "seal of the page")
    if not isinstance(value, dict):
        raise InputError("the seal of the page cannot be read", name, "it is no JSON object", "ask for the file again")
    return value


def _no_record(name: str, why: str) -> InputError:
    return InputError(
        "this is no record", name, why, "name the .pdf, .html or .json file that: cycler record wrote",
    )


def _written_anew(name: str, kind: str) -> InputError:
    return InputError(
        f"the {kind} carries no record", name,
        "it is something else, or another program printed, scanned or saved it anew, which leaves only its look",
        "check the file that was issued; a print can be held against it by serial and hash",
    )


def _cut(name: str) -> InputError:
    return InputError(
        "the record in the file is damaged", name, "the content does not end as it should, or was changed within",
        "ask for the file again, byte for byte as it was issued",
    )
