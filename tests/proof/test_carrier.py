"""The files that carry a record: whole, deterministic, still good for other programs, and refused where they are hostile."""

from __future__ import annotations

import base64
import io
import os
import re
import shutil
import subprocess
import zlib

import pytest
from reportlab.pdfgen.canvas import Canvas

from cycler.errors import InputError
from cycler.proof import carrier
from cycler.proof.canonical import canonical_bytes
from cycler.proof.carrier import html_with_seal, load_file, pdf_with_seal, read_record
from cycler.proof.keys import key_from_seed
from cycler.proof.seal import envelope_bytes, flaw, seal_content
from tests.proof.proof_example import KEY, made

AWKWARD = "</script><!-- --> <b>&amp;\u2028 \U0001f600 %packreturn-record <!--packreturn-seal"
SMALL = seal_content({"schema": "cycler.record/1", "serial": "A--1", "text": AWKWARD}, KEY)
PAGE = "<!doctype html>\n<html><head><title>x</title></head><body><p>hällo</p></body></html>"


def small_pdf() -> bytes:
    buffer = io.BytesIO()
    canvas = Canvas(buffer, invariant=1)
    canvas.drawString(100, 700, "Record A--1")
    canvas.save()
    return buffer.getvalue()


def test_html_carries_the_record_and_shows_what_it_showed():
    sealed = html_with_seal(PAGE, SMALL, KEY)
    carried = read_record(sealed.encode(), "x.html")
    assert carried.kind == "html" and carried.envelope == SMALL
    assert carried.page_sha256 == carried.page_seal["page_sha256"] and flaw(carried.page_seal, "page") is None
    script = re.search(r'<script type="application/json" id="record-content">.*?</script>\n', sealed, re.DOTALL)[0]
    comment = re.search(r"<!--packreturn-seal .*-->\n\Z", sealed)[0]
    assert sealed.replace(script, "").replace(comment, "") == PAGE + "\n"
    assert "--" not in comment.removeprefix("<!--packreturn-seal ").removesuffix("-->\n")  # a serial may hold two dashes
    assert "<" not in script.removeprefix('<script type="application/json" id="record-content">').removesuffix("</script>\n")


def test_pdf_carries_the_record():
    sealed = pdf_with_seal(small_pdf(), SMALL, KEY)
    carried = read_record(sealed, "x.pdf")
    assert carried.kind == "pdf" and carried.envelope == SMALL
    assert carried.page_sha256 == carried.page_seal["page_sha256"] and flaw(carried.page_seal, "page") is None
    assert carried.page == small_pdf()
    assert max(len(line) for line in sealed[small_pdf().rindex(b"trailer") :].splitlines()) < 255


def test_files_are_the_same_for_the_same_input():
    assert html_with_seal(PAGE, SMALL, KEY) == html_with_seal(PAGE, SMALL, key_from_seed(bytes(range(32))))
    assert pdf_with_seal(small_pdf(), SMALL, KEY) == pdf_with_seal(small_pdf(), SMALL, key_from_seed(bytes(range(32))))


def test_page_is_sealed_once():
    for call, page in ((html_with_seal, html_with_seal(PAGE, SMALL, KEY)), (pdf_with_seal, pdf_with_seal(small_pdf(), SMALL, KEY))):
        with pytest.raises(ValueError, match="carries a record already"):
            call(page, SMALL, KEY)
    with pytest.raises(ValueError, match="no </body>"):
        html_with_seal("<html>", SMALL, KEY)
    for broken in (b"%PDF-1.4\n", small_pdf() + b"more"):
        with pytest.raises(ValueError, match="startxref"):
            pdf_with_seal(broken, SMALL, KEY)


@pytest.mark.skipif(shutil.which("pdfinfo") is None, reason="poppler is not installed")
def test_sealed_pdf_opens_in_poppler_without_a_word(tmp_path):
    sealed = tmp_path / "sealed.pdf"
    sealed.write_bytes(made().pdf)
    for tool in ("pdfinfo", "pdftotext"):
        done = subprocess.run([tool, str(sealed), *(["-"] if tool == "pdftotext" else [])], capture_output=True, text=True, check=True)
        assert done.stderr == ""
    assert "2026-0002-1" in done.stdout


def test_table_of_offsets_of_the_sealed_pdf_is_where_it_says():
    place = int(re.search(rb"startxref\s+(\d+)\s+%%EOF\s*\Z", made().pdf)[1])
    assert made().pdf[place : place + 4] == b"xref"


def test_sealed_pdf_opens_in_another_library_without_repair():
    from pypdf import PdfReader

    assert len(PdfReader(io.BytesIO(made().pdf), strict=True).pages) >= 1


def test_page_that_a_browser_saved_keeps_its_content_but_not_its_bytes():
    # As a browser writes it: what follows the body is put into it, quotes and line ends its own.
    sealed = html_with_seal(PAGE, SMALL, KEY)
    body_end = sealed.index("</body>")
    comment = sealed[sealed.index("<!--packreturn-seal") :].rstrip()
    saved = sealed[:body_end] + comment + "</body></html>"
    carried = read_record(saved.encode(), "saved.html")
    assert carried.envelope == SMALL and flaw(carried.page_seal, "page") is None
    assert carried.page_sha256 != carried.page_seal["page_sha256"]


def pdf_with(content: bytes) -> bytes:
    """A PDF that carries bytes as if they were a record."""
    return b"%PDF-1.4\n%packreturn-record " + base64.b64encode(content) + b"\nstartxref\n0\n%%EOF\n"


def test_small_file_that_unpacks_to_a_huge_one_is_refused():
    bomb = zlib.compress(b" " * (carrier.CONTENT_MAX + 2), 9)
    assert len(bomb) < 50_000
    with pytest.raises(InputError, match="content is too large"):
        read_record(pdf_with(bomb), "bomb.pdf")
    with pytest.raises(InputError, match="carries 2 contents"):
        packed = zlib.compress(canonical_bytes(SMALL))
        read_record(pdf_with(packed + packed), "two.pdf")


@pytest.mark.parametrize(("raw", "why"), [
    (b"", "it is empty"), (b" \n", "it is empty"), (b"hello", "neither JSON nor a web page nor a PDF"),
    (b"\x00\xff" * 50, "neither JSON"), (b"{", "not JSON"), (b"[1]", "neither JSON"), (b"{}", "not that of a record"),
    (b'{"record": 1}', "not that of a record"), (b'{"record": {}, "seal": {}, "extra": 1}', "beside record and seal it holds extra"),
    (b'{"record": {"schema": "cycler.record/2"}}', "newer form.*cycler.record/2"),
    (b"<!doctype html><html></html>", "web page carries no record"), (b"%PDF-1.7\n", "PDF carries no record"),
    (b'<html><script type="application/json" id="record-content">{"a', "damaged"),
    (b'<html><script type="application/json" id="record-content">{"a":\xff}</script>', "not UTF-8"),
    (b'<html><script type="application/json" id="record-content">{"record":{}}</script><!--packreturn-seal {', "damaged"),
    (b'<html><script type="application/json" id="record-content">{"record":{}}</script><!--packreturn-seal [1]-->', "no JSON object"),
    (pdf_with(b"no zlib"), "damaged"), (b"%PDF-1.4\n%packreturn-record ###\n", "damaged"),
    (pdf_with(zlib.compress(b'{"record": {}}')[:-3]), "damaged"),
    (pdf_with(zlib.compress(b"[" * 5000)), "deep|not JSON"), (pdf_with(zlib.compress(b'{"record":{},"record":{}}')), "stands twice"),
    (b'{"record":' + b"[" * 50_000, "deep|not JSON"),
], ids=lambda value: repr(value[:40]) if isinstance(value, bytes) else None)
def test_what_is_no_record_gives_one_message(raw, why):
    with pytest.raises(InputError, match=why) as found:
        read_record(raw, "odd.file")
    assert "odd.file" in str(found.value)


def test_large_file_is_refused_without_being_read_whole(tmp_path):
    file = tmp_path / "large.pdf"
    with open(file, "wb") as stream:
        stream.write(b"%PDF-1.4\n")
        stream.truncate(100 * 2**20)
    raw = load_file(file)
    assert len(raw) == carrier.FILE_MAX + 1
    with pytest.raises(InputError, match="too large for a record"):
        read_record(raw, "large.pdf")


def test_file_that_cannot_be_read_is_told(tmp_path):
    for path, why in ((tmp_path, "is a folder"), (tmp_path / "none", "no such record"), (f"{tmp_path}/a\0b", "no such record")):
        with pytest.raises(InputError, match=why):
            load_file(path)


def test_content_without_its_envelope_is_a_record_without_a_seal():
    carried = read_record(canonical_bytes(SMALL["record"]), "x.json")
    assert carried.content == SMALL["record"] and "seal" not in carried.envelope
    assert read_record(envelope_bytes({"record": SMALL["record"], "seal": 7}), "x.json").envelope == {"record": SMALL["record"]}
    with_mark = read_record(b"\xef\xbb\xbf" + envelope_bytes(SMALL), "x.json")
    assert with_mark.envelope == SMALL and not with_mark.canonical


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_pipe_is_refused_and_not_waited_for(tmp_path):
    pipe = tmp_path / "r.pdf"
    os.mkfifo(pipe)
    with pytest.raises(InputError, match="device or a pipe"):
        load_file(pipe)
