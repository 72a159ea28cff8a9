"""Ways of altering a record or a log, and what the check says of each: ``python -m tests.proof.tamper_table`` prints them.

A way gives the file to check, the logs, and a piece of the message that must name what was changed. The insider's ways
re-seal with the workshop's own key: there only the logs tell.
"""

from __future__ import annotations

import base64
import copy
import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from cycler.errors import InputError
from cycler.proof import carrier, verify
from cycler.proof.canonical import canonical_bytes, digest, part_digests, sha256_hex
from cycler.proof.keys import PublicKey, SigningKey
from cycler.proof.seal import envelope_bytes, seal_content, seal_page, signed_bytes
from tests import small_log
from tests.proof.proof_example import KEY, STRANGER, Made, made, parts, sources


@dataclass(frozen=True)
class Case:
    """What is checked: a file, logs, perhaps a known key, perhaps the code of a print."""

    raw: bytes
    name: str = "record.json"
    logs: list[tuple[str, bytes]] | None = None
    key: PublicKey | None = None
    code: str | None = None


@dataclass(frozen=True)
class Way:
    """One way of altering. ``check`` is the check that finds it ("" where the file is refused); ``named`` what it says."""

    what: str
    check: str
    named: str
    case: Callable[[], Case]


WAYS: list[Way] = []


def way(what: str, check: str, named: str) -> Callable[[Callable[[], Case]], Callable[[], Case]]:
    """Enter a way into the table."""
    def keep(case: Callable[[], Case]) -> Callable[[], Case]:
        WAYS.append(Way(what, check, named, case))
        return case

    return keep


def outcome(item: Way) -> tuple[str, list[str]]:
    """("refused" or the checks that are not good, what was said)."""
    case = item.case()
    try:
        found = verify.verify_record(case.raw, case.name, case.logs, case.key, code=case.code)
    except InputError as error:
        return "refused", [error.one_line()]
    bad = [check for check in found.checks if check.result == verify.BAD]
    return ", ".join(check.id for check in bad), [text for check in bad for text in (f"[{check.id}] {check.text}", *check.details)]


# --- helpers ---------------------------------------------------------------------------------------------------------


def of() -> Made:
    return made()


def edited(change: Callable[[dict[str, Any]], None], of_envelope: dict[str, Any] | None = None) -> dict[str, Any]:
    envelope = copy.deepcopy(of_envelope or of().envelope)
    change(envelope)
    return envelope


def edited_json(change: Callable[[dict[str, Any]], None]) -> Case:
    return Case(envelope_bytes(edited(change)))


def replaced(raw: bytes, old: bytes, new: bytes) -> bytes:
    assert raw.count(old) >= 1 and old != new, old
    return raw.replace(old, new, 1)


def in_html(envelope: dict[str, Any], raw: bytes | None = None) -> bytes:
    """The page with another content in it, and nothing else changed."""
    raw = raw or of().html
    start = raw.index(b'id="record-content">') + len(b'id="record-content">')
    end = raw.index(b"</script>", start)
    return raw[:start] + canonical_bytes(envelope).replace(b"<", b"\\u003c") + raw[end:]


def bare_page(raw: bytes) -> str:
    """The page as it was before it was sealed."""
    text = raw.decode()
    text = re.sub(r'<script type="application/json" id="record-content">.*?</script>\n', "", text, flags=re.DOTALL)
    return re.sub(r"<!--packreturn-seal .*?-->\n", "", text)


def pdf_seal_at(place: Callable[[bytes], int]) -> Case:
    """The PDF with its own seal at another place."""
    raw = of().pdf
    seal = re.search(rb"(?m)^%packreturn-seal [^\n]*\n(?:%packreturn-more [^\n]*\n)*", raw)
    rest = raw[: seal.start()] + raw[seal.end() :]
    return Case(rest[: place(rest)] + seal[0] + rest[place(rest) :], "record.pdf")


def without_pdf_comments(raw: bytes) -> bytes:
    return re.sub(rb"(?m)^%packreturn-[a-z]+ [^\n]*\n", b"", raw)


def resealed(change: Callable[[dict[str, Any]], None], key: SigningKey) -> Case:
    """Content changed and sealed anew: what an owner of a key can do."""
    content = copy.deepcopy(of().content)
    change(content)
    return Case(envelope_bytes(seal_content(content, key)), logs=list(of().logs) if key is KEY else None)


def one_cell(logs: tuple[tuple[str, bytes], ...], place: int = 1) -> list[tuple[str, bytes]]:
    """A digit of one reading changed."""
    name, raw = logs[place]
    lines = raw.split(b"\n")
    cells = lines[200].split(b",")
    cells[1] = cells[1][:-1] + (b"1" if cells[1][-1:] != b"1" else b"2")
    lines[200] = b",".join(cells)
    return [*logs[:place], (name, b"\n".join(lines)), *logs[place + 1 :]]


# --- the record's content -------------------------------------------------------------------------------------------


@way("one digit of the capacity, in the JSON", "content", "analysis.capacity was changed")
def _capacity_digit() -> Case:
    def change(e):
        capacity = e["record"]["analysis"]["capacity"]
        digits = repr(capacity["value_ah"])
        capacity["value_ah"] = float(digits[:4] + str((int(digits[4]) + 1) % 10) + digits[5:])
    return Case(envelope_bytes(edited(change)), logs=list(of().logs))


@way("the word of the verdict, in the JSON", "content", "verdict.result was changed")
def _verdict_word() -> Case:
    return edited_json(lambda e: e["record"]["verdict"].update(result="pass"))


@way("who decided", "content", "verdict.decided was changed")
def _decided_by() -> Case:
    return edited_json(lambda e: e["record"]["verdict"]["decided"].update(by="Somebody Else"))


@way("the remark of who decided, in the page's content", "content", "verdict.decided was changed")
def _remark() -> Case:
    envelope = edited(lambda e: e["record"]["verdict"]["decided"].update(remark="Checked by the maker."))
    return Case(in_html(envelope), "record.html")


@way("name and remark taken out", "content", "verdict.decided was taken out")
def _decided_out() -> Case:
    return edited_json(lambda e: e["record"]["verdict"].pop("decided"))


@way("the remark printed on the page", "page", "page is not byte for byte as issued")
def _remark_shown() -> Case:
    return Case(replaced(of().html, b"none gave way", b"all are sound"), "record.html")


@way("another remark printed on the page than its content has, sealed by the workshop's key", "shown", "says something else than its content")
def _remark_shown_and_sealed() -> Case:
    page = bare_page(of().html).replace("none gave way", "all are sound")
    return Case(carrier.html_with_seal(page, of().envelope, KEY).encode(), "record.html", logs=of().all_logs)


@way("a name and a remark added to a record that had none", "content", "verdict.decided was added")
def _decided_added() -> Case:
    content = copy.deepcopy(of().content)
    del content["verdict"]["decided"]
    return Case(envelope_bytes(edited(lambda e: e["record"]["verdict"].update(decided=of().content["verdict"]["decided"]), seal_content(content, KEY))))


@way("a limit of the criteria's text", "criteria", "limits or hash were changed")
def _criteria_limit() -> Case:
    def change(e):
        text = e["record"]["criteria"]["text"]
        e["record"]["criteria"]["text"] = re.sub(r"(?m)^limit = .*$", "limit = 0.01", text, count=1)
    return edited_json(change)


@way("a limit in text and verdict, and every hash made to fit", "content", "criteria was changed")
def _criteria_limit_and_text() -> Case:
    def change(e):
        part = e["record"]["criteria"]
        part["text"] = re.sub(r"(?m)^limit = .*$", "limit = 0.01", part["text"], count=1)
        part["sha256"] = digest(part["text"].encode())
        e["record"]["verdict"]["criteria_sha256"] = part["sha256"]
        e["record"]["verdict"]["criteria"][0]["limit"] = 0.01
    return edited_json(change)


@way("the serial", "content", "serial was changed")
def _serial() -> Case:
    return edited_json(lambda e: e["record"].update(serial="2026-0009-1"))


@way("the serial in content and seal", "signature", "signature does not belong")
def _serial_twice() -> Case:
    def change(e):
        e["record"]["serial"] = e["seal"]["serial"] = "2026-0009-1"
    return edited_json(change)


@way("the digests of the parts made to fit a changed verdict", "signature", "signature does not belong")
def _parts() -> Case:
    def change(e):
        e["record"]["verdict"]["result"] = "pass"
        e["seal"]["parts"] = part_digests(e["record"])
    return edited_json(change)


@way("hash and digests of the seal made to fit a changed verdict", "signature", "signature does not belong")
def _all_digests() -> Case:
    def change(e):
        e["record"]["verdict"]["result"] = "pass"
        e["seal"] |= {"parts": part_digests(e["record"]), "record_sha256": sha256_hex(e["record"])}
    return edited_json(change)


@way("a part taken out (the card)", "content", "card was taken out")
def _part_out() -> Case:
    return edited_json(lambda e: e["record"].pop("card"))


@way("a part added", "content", "certificate was added")
def _part_added() -> Case:
    return edited_json(lambda e: e["record"].update(certificate="safe"))


@way("a key written twice, the false one first", "", '"serial" stands twice')
def _twice() -> Case:
    return Case(replaced(of().json, b'"serial":"2026-0002-1"', b'"serial":"2026-0009-1","serial":"2026-0002-1"'))


# --- the seal -----------------------------------------------------------------------------------------------------------


@way("the seal taken off", "signature", "seal was taken off")
def _no_seal() -> Case:
    return edited_json(lambda e: e.pop("seal"))


@way("one bit of the signature", "signature", "signature does not belong")
def _bit() -> Case:
    def change(e):
        raw = bytearray(base64.b64decode(e["seal"]["signature"]))
        raw[5] ^= 1
        e["seal"]["signature"] = base64.b64encode(bytes(raw)).decode()
    return edited_json(change)


@way("the key in the seal exchanged, nothing else", "signature", "signature does not belong")
def _key_name() -> Case:
    return edited_json(lambda e: e["seal"].update(public_key=STRANGER.public_b64, fingerprint=STRANGER.fingerprint))


@way("changed and sealed anew with another key", "key", "not the one that was given")
def _other_key() -> Case:
    case = resealed(lambda content: content["verdict"].update(result="pass", summary="Pass."), STRANGER)
    return Case(case.raw, logs=None, key=KEY.public)


@way("the seal of another record of the workshop", "content", "analysis.capacity was changed")
def _seal_of_another() -> Case:
    other = made("2026-0003-1", 11.0)
    return edited_json(lambda e: e.update(seal=other.envelope["seal"]))


# --- page and PDF ---------------------------------------------------------------------------------------------------------


@way("a word on the page", "page", "page is not byte for byte as issued")
def _word() -> Case:
    return Case(replaced(of().html, b"after repair", b"after rework"), "record.html")


@way("one byte of the PDF", "page", "PDF is not byte for byte as issued")
def _byte() -> Case:
    raw = bytearray(of().pdf)
    raw[len(raw) // 3] ^= 1
    return Case(bytes(raw), "record.pdf")


@way("something appended to the page", "page", "something was added")
def _appended() -> Case:
    return Case(of().html + b"<!-- checked and found safe -->\n", "record.html")


@way("something appended to the PDF (a later version of it)", "page", "something was added")
def _appended_pdf() -> Case:
    return Case(of().pdf + b"\n1 0 obj\n<<>>\nendobj\nstartxref\n0\n%%EOF\n", "record.pdf")


@way("the content of another record put into the page", "page", "do not belong together")
def _content_swapped() -> Case:
    return Case(in_html(made("2026-0003-1", 11.0).envelope), "record.html")


@way("another content of the same serial put into the page", "page", "content in the page is not the one")
def _content_same_serial() -> Case:
    return Case(in_html(made("2026-0002-1", 11.0).envelope), "record.html")


@way("the page of one record sealed with the content of another, by the workshop's key", "page", "shows the code of another record")
def _page_with_other_content() -> Case:
    other = made("2026-0003-1", 11.0).envelope
    return Case(carrier.html_with_seal(bare_page(of().html), other, KEY).encode(), "record.html")


@way("the seal of the page taken off", "page", "own seal was taken off")
def _page_seal_off() -> Case:
    return Case(re.sub(rb"<!--packreturn-seal .*?-->\n", b"", of().html), "record.html")


@way("the page's seal made by another key", "page", "with another key")
def _page_other_key() -> Case:
    page = bare_page(of().html).replace("after repair", "after rework")
    return Case(carrier.html_with_seal(page, of().envelope, STRANGER).encode(), "record.html")


@way("the serial in the page's seal", "page", "signature does not belong")
def _page_serial() -> Case:
    place = of().html.rindex(b"<!--packreturn-seal")
    return Case(of().html[:place] + replaced(of().html[place:], b"2026-0002-1", b"2026-0009-1"), "record.html")


@way("the seal of the page moved into an end tag, which hides the word of the verdict", "page", "was moved or written anew")
def _page_seal_moved() -> Case:
    page, seal = of().html[: of().html.rindex(b"<!--packreturn-seal")], of().html[of().html.rindex(b"<!--packreturn-seal") :].rstrip()
    place = page.index(b"</span", page.index(b'<span class="unseen">')) + len(b"</span")
    return Case(page[:place] + seal + page[place:], "record.html")


@way("blanks within the seal of the page", "page", "was moved or written anew")
def _page_seal_blanks() -> Case:
    return Case(replaced(of().html, b"<!--packreturn-seal {", b"<!--packreturn-seal {   "), "record.html")


@way("the seal of the PDF moved up, so that the table of offsets misses", "page", "was moved or written anew")
def _pdf_seal_moved_up() -> Case:
    return pdf_seal_at(lambda rest: rest.index(b"\n", 20) + 1)


@way("the seal of the PDF moved behind its end", "page", "was moved or written anew")
def _pdf_seal_moved_down() -> Case:
    return pdf_seal_at(len)


@way("two seals on the page", "", "carries 2 seals")
def _two_seals() -> Case:
    place = of().html.rindex(b"<!--packreturn-seal")
    return Case(of().html + of().html[place:], "record.html")


@way("two contents in the page", "", "carries 2 contents")
def _two_contents() -> Case:
    start = of().html.index(b"<script type=\"application/json\" id=")
    end = of().html.index(b"</script>", start) + len(b"</script>")
    return Case(of().html[:end] + of().html[start:end] + of().html[end:], "record.html")


@way("two contents in the PDF", "", "carries 2 contents")
def _two_contents_pdf() -> Case:
    block = re.search(rb"(?m)^%packreturn-record .*\n(?:%packreturn-more .*\n)*", of().pdf)[0]
    return Case(replaced(of().pdf, block, block + block), "record.pdf")


@way("the PDF printed to a new PDF", "", "carries no record")
def _printed() -> Case:
    return Case(without_pdf_comments(of().pdf), "record.pdf")


@way("the content of the PDF cut", "", "damaged")
def _cut_pdf() -> Case:
    return Case(replaced(of().pdf, b"%packreturn-record ", b"%packreturn-record AAAA"), "record.pdf")


@way("the JSON written anew with other spacing", "page", "written anew")
def _spacing() -> Case:
    return Case(json.dumps(of().envelope, indent=1).encode())


@way("a print whose QR code is that of another record", "code", "do not belong together")
def _code() -> Case:
    return Case(of().pdf, "record.pdf", code=made("2026-0002-1", 11.0).envelope["seal"]["record_sha256"])


# --- the logs ---------------------------------------------------------------------------------------------------------


def with_logs(logs: list[tuple[str, bytes]]) -> Case:
    return Case(of().json, logs=logs)


@way("one cell of the log", "logs", '"part-2.csv" is not "part-2.csv" as it was measured')
def _cell() -> Case:
    return with_logs(one_cell(of().logs))


@way("the log swapped for another test of the pack", "logs", '"part-1.csv" is not "part-1.csv" as it was measured')
def _swapped() -> Case:
    return with_logs(list(parts(small_log.log_text(11.5))))


@way("one of the log's files left out", "logs", '"part-1.csv" of the record')
def _left_out() -> Case:
    return with_logs([of().logs[1]])


@way("the log cut short", "logs", "is not \"part-2.csv\" as it was measured")
def _cut_log() -> Case:
    name, raw = of().logs[1]
    return with_logs([of().logs[0], (name, raw[:-2000])])


@way("the log saved with other line ends", "logs", "other line ends")
def _line_ends() -> Case:
    name, raw = of().logs[1]
    return with_logs([of().logs[0], (name, raw.replace(b"\n", b"\r\n"))])


@way("a swapped log, its digest in the record made to fit", "figures", "capacity.value_ah")
def _digest_fits() -> Case:
    other = of().before_logs
    return Case(envelope_bytes(edited(lambda e: e["record"].update(sources=sources(other), before=None, compared=None))), logs=list(other))


# --- by the workshop itself, with its own key: the seal is good, the logs tell ------------------------------------------


@way("by the workshop: another capacity, sealed anew", "figures", "capacity.value_ah: 1.25 in the record")
def _insider_capacity() -> Case:
    return resealed(lambda content: content["analysis"]["capacity"].update(value_ah=1.25), KEY)


@way("by the workshop: a pass instead of the verdict, sealed anew", "verdict", "verdict.result")
def _insider_verdict() -> Case:
    return resealed(lambda content: content["verdict"].update(result="pass" if content["verdict"]["result"] != "pass" else "fail"), KEY)


@way("by the workshop: a finding left out, sealed anew", "figures", "findings[sign_inferred]: not in the record")
def _insider_finding() -> Case:
    return resealed(lambda content: content["analysis"]["findings"].pop(), KEY)


@way("by the workshop: a danger left on the card but not judged, sealed anew", "verdict", "verdict.vetoes")
def _insider_danger() -> Case:
    danger = {"kind": "danger", "text": "Smells of solvent", "who": "Ada", "at": "2026-02-27T09:05:00Z"}
    return resealed(lambda content: content["card"]["entries"].append(danger), KEY)


@way("by the workshop: a better comparison, sealed anew", "compared", "compared.rows[capacity_ah]")
def _insider_compared() -> Case:
    return resealed(lambda content: content["compared"]["rows"][0]["values"].__setitem__(0, 0.1), KEY)


@way("by the workshop: a seal of the page with a wrong hash of the content", "page", "content in the page is not the one")
def _insider_page_seal() -> Case:
    page = of().html
    place = page.rindex(b"<!--packreturn-seal")
    seal = seal_page({"seal": of().envelope["seal"] | {"record_sha256": "0" * 64}}, digest(page[:place]), KEY)
    assert signed_bytes(seal)
    return Case(page[:place] + b"<!--packreturn-seal " + canonical_bytes(seal) + b"-->\n", "record.html")


@way("by the workshop: another figure on the page than in its content, sealed as one", "shown", "on the page")
def _insider_page() -> Case:
    page = bare_page(of().html)
    capacity = re.search(r"0\.95\d* ± 0\.0\d+", page)[0]
    return Case(carrier.html_with_seal(page.replace(capacity, "1.250 ± 0.007"), of().envelope, KEY).encode(), "record.html", list(of().logs))


def _insider_shows(old: str, new: str) -> Case:
    page = bare_page(of().html)
    assert old in page
    return Case(carrier.html_with_seal(page.replace(old, new, 1), of().envelope, KEY).encode(), "record.html", list(of().logs))


@way("by the workshop: a style that shows another word than the page's text, sealed as one", "shown", "on the page")
def _insider_style() -> Case:
    return _insider_shows("</style>", '.word{visibility:hidden}.word::after{content:"PASS";visibility:visible}</style>')


@way("by the workshop: a script that writes another word, sealed as one", "shown", "on the page")
def _insider_script() -> Case:
    return _insider_shows("</body>", '<script>document.querySelector(".word").textContent = "PASS"</script></body>')


@way("by the workshop: a picture laid over the page, sealed as one", "shown", "on the page")
def _insider_picture() -> Case:
    return _insider_shows("<main>", '<main><img src="data:image/png;base64,AAAA" style="position:absolute">')


def main() -> None:
    """The table, one way a paragraph."""
    found = 0
    for number, item in enumerate(WAYS, 1):
        where, said = outcome(item)
        told = next((line for line in said if item.named in line), None)
        found += told is not None
        print(f"{number:2d}. {item.what}\n    {'FOUND' if told else 'NOT FOUND'} ({where or 'nothing'}): {(told or ' / '.join(said))[:300]}")
    print(f"{found} of {len(WAYS)} found and named")


if __name__ == "__main__":
    main()
