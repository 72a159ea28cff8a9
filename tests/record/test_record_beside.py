"""What stands on a record beside its figures: proof, pack card, comparison, items of the regulation, earlier records."""

import copy
import io
import re
import shutil
import subprocess

import pytest
import zxingcpp
from PIL import Image, ImageDraw
from record_example import SHA256, example, make_log
from test_record_build import MADE, _pages, _pdf_text, _Text

from cycler.compare import compare
from cycler.criteria import load_criteria
from cycler.pack import Pack
from cycler.record import Beside, Proof, build_record
from cycler.record import measuretext as measure_words
from cycler.record import text as words
from cycler.record.chart import Tiles, to_svg
from cycler.record.content import build_content
from cycler.record.qr import QUIET, code_chart, record_text, squares

poppler = pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="pdftoppm of poppler-utils is not installed")
PROOF = Proof(SHA256, "3f2a 9c01 77de 0b4a")
CARD = {
    "workshop_number": "W-118", "status": "re-used", "customer_reference": "C-9",
    "entries": [
        {"kind": "fault", "text": "range fell to half", "who": "Jo Example", "at": "2026-11-18T08:00:00Z"},
        {"kind": "work", "text": "Gruppe 4 getauscht, Schweißpunkte geprüft", "who": "Mo Example", "at": "2026-11-19T08:00:00Z"},
        {"kind": "part", "text": "4 cells of lot 17", "who": "Mo Example", "at": "2026-11-19T09:00:00Z"},
        {"kind": "note", "text": "fetched on Friday", "who": "Jo Example", "at": "2026-11-20T09:00:00Z"},
    ],
    "photos": [{"file": "welds.jpg", "sha256": SHA256, "bytes": 181, "caption": "welds of group 4", "at": "2026-11-18T08:10:00Z"}],
}


def before_and_after():
    """The example before the repair and after it: 6.8 Ah then, all criteria met now."""
    then, now = example(), example(result="pass")
    then["capacity"].update(value_ah=6.8, u_value_ah=0.012, state_of_health=0.654)
    now["verdict"]["criteria"][1].update(result="pass", value=0.99, probability_of_conformity=0.9999)
    now["findings"] = now["findings"][:1]
    return then, now


def made(analysis, *, then=None, card=None, replaces=(), proof=PROOF, language="en"):
    compared = compare([then, analysis], ["EB-0412 before repair", "EB-0412 after repair"]) if then else None
    before = {"name": "EB-0412 before repair", "pack": {"id": "EB-0412"}, "analysis": then} if then else None
    content = build_content(analysis=analysis, pack=Pack(id="EB-0412"), criteria=load_criteria(), serial=MADE["serial"], made_at=MADE["made_at"], before=before,
                            compared=compared, card=card, replaces=replaces, register={"entries": 41, "head": "cd" * 32}, language=language)
    return build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE, beside=Beside.of(content), proof=proof, language=language)


def _page_png(pdf: bytes, resolution: int, page: int = 1) -> Image.Image:
    done = subprocess.run(["pdftoppm", "-r", str(resolution), "-png", "-f", str(page), "-l", str(page), "-"], input=pdf, capture_output=True, check=True, timeout=60)
    return Image.open(io.BytesIO(done.stdout)).convert("L")


def _painted(svg: str, scale: int) -> Image.Image:
    """The code of a page as a picture, from its own path data."""
    width, height = (float(v) for v in re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg).groups())
    image = Image.new("L", (round(width * scale), round(height * scale)), 128)
    draw = ImageDraw.Draw(image)
    for data, shade in re.findall(r'<path d="([^"]+)" fill="#(..)', svg):
        for x, y, w, h in re.findall(r"M([\d.]+) ([\d.]+)h([\d.]+)v([\d.]+)h-[\d.]+z", data):
            x, y, w, h = (float(v) * scale for v in (x, y, w, h))
            draw.rectangle((round(x), round(y), round(x + w) - 1, round(y + h) - 1), fill=int(shade, 16))
    return image


def _read(image: Image.Image) -> list[str]:
    return [found.text for found in zxingcpp.read_barcodes(image)]


# ---- code ------------------------------------------------------------------------------------------------
WANTED = f"packreturn record 2026-0007 sha256 {SHA256}"


@poppler
@pytest.mark.parametrize("resolution", [150, 300])
def test_code_is_read_back_from_the_printed_page_in_grey(resolution):
    assert _read(_page_png(made(example()).pdf, resolution)) == [WANTED]


def test_code_is_read_back_from_the_html_page():
    html = made(example()).html
    svg = re.search(r'<svg class="code".*?</svg>', html, re.DOTALL).group()
    image = _painted(svg, 4)
    assert image.getpixel((0, 0)) == 255  # its own white ground, whatever the page's
    assert _read(image) == [WANTED]
    [found] = zxingcpp.read_barcodes(image)
    assert found.ec_level == "M"


# ISO/IEC 18004, from memory: four empty squares on every side; level M.
def test_code_keeps_its_empty_border_and_whole_squares():
    rows = squares(WANTED)
    chart = code_chart(WANTED, 64.0)
    ground, dark = chart.items
    assert isinstance(dark, Tiles) and ground.boxes == ((0.0, 0.0, chart.width, chart.height),)
    module = chart.width / (len(rows) + 2 * QUIET)
    assert QUIET == 4 and round(module * 10) == pytest.approx(module * 10)
    assert min(x for x, *_ in dark.boxes) == pytest.approx(QUIET * module) == pytest.approx(min(y for _, y, *_ in dark.boxes))
    assert max(x + w for x, _, w, _ in dark.boxes) == pytest.approx(chart.width - QUIET * module)
    assert sum(w / module for _, _, w, _ in dark.boxes) == pytest.approx(sum(map(sum, rows)))
    assert chart.width <= 64.0 and to_svg(chart).count("<path") == 2


def test_code_text_is_cut_to_a_serial_that_still_fits():
    assert record_text("2026-0007", SHA256) == WANTED
    assert len(record_text("W" * 300, SHA256)) < 160


# ---- proof -----------------------------------------------------------------------------------------------
def test_front_page_shows_short_hash_key_and_how_to_check_and_the_annex_the_whole_hash():
    front, annex = _Text(made(example()).html).text.split(words.LIMITS_FRONT)
    for shown in ("3f1c 9a01 2345 6789 …", "3f2a 9c01 77de 0b4a", words.CHECK_FRONT):
        assert shown in front
    for shown in (SHA256, WANTED, *words.SEAL_NOTES, "41 entries", "cd" * 32):
        assert shown in annex


def test_record_without_proof_and_beside_is_as_it_was():
    analysis = example()
    plain = build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE)
    assert plain == build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE, beside=Beside(), proof=None)
    assert 'class="code"' not in plain.html and words.H_SEAL not in plain.html


@poppler
def test_pdf_title_subject_and_language_are_stated():
    pdf = made(example()).pdf
    told = subprocess.run(["pdfinfo", "-"], input=pdf, capture_output=True, check=True, timeout=60).stdout.decode()
    assert re.search(r"Title:\s+Pack test record 2026-0007", told) and re.search(rf"Subject:\s+{words.SUBJECT}", told)
    assert b"/DisplayDocTitle true" in pdf and b"/Lang (en)" in pdf


def test_same_input_gives_the_same_bytes_with_everything_beside():
    then, now = before_and_after()
    first, second = (made(copy.deepcopy(now), then=copy.deepcopy(then), card=copy.deepcopy(CARD)) for _ in range(2))
    assert first == second


# ---- card ------------------------------------------------------------------------------------------------
@poppler
def test_card_stands_short_on_the_front_page_and_whole_in_the_annex():
    record = made(example(), card=CARD)
    front, annex = _Text(record.html).text.split(words.LIMITS_FRONT)
    for shown in ("re-used", "W-118", "C-9", "range fell to half", "Gruppe 4 getauscht, Schweißpunkte geprüft", "4 cells of lot 17"):
        assert shown in front
    assert "fetched on Friday" in annex and "fetched on Friday" not in front
    assert "Mo Example" in annex and "19 November 2026, 08:00 UTC" in annex and "welds.jpg" in annex
    assert "Schweißpunkte geprüft" in _pdf_text(record.pdf, "-l", "1")  # umlauts come out as text


def test_card_without_customer_does_not_name_one():
    record = made(example(), card={**CARD, "customer_reference": None})
    assert words.L_CUSTOMER not in record.html


def test_card_long_entry_is_cut_on_the_front_page_only():
    card = {**CARD, "entries": [{"kind": "work", "text": "word " * 100 + "end", "who": "Jo Example", "at": None}]}
    front, annex = _Text(made(example(), card=card).html).text.split(words.LIMITS_FRONT)
    assert "All entries stand in the annex." in front and "word end" not in front and "word end" in annex


@pytest.mark.parametrize("by", ["card", "verdict"])
def test_card_danger_stands_under_the_verdict_with_what_to_do(by):
    analysis, card = example(), copy.deepcopy(CARD)
    danger = {"kind": "danger", "text": "smell of solvent at the seam", "who": "Jo Example", "at": "2026-11-20T09:30:00Z"}
    if by == "card":
        card["entries"].append(danger)
    else:
        analysis["verdict"]["veto_findings"] = [{"code": "card_danger", "message": danger["text"], "who": danger["who"], "at": danger["at"]}]
    html = made(analysis, card=card).html
    verdict = _Text(html[html.index('<section id="verdict"'):html.index('<section id="pack"')]).text
    assert verdict.count("smell of solvent at the seam (Jo Example)") == 1 and words.CAUTION_CARD_DANGER in verdict
    assert words.FINDINGS_DANGER in html and words.CAUTION_DANGER not in html


# ---- comparison ------------------------------------------------------------------------------------------
def test_comparison_front_page_tells_the_difference_with_its_uncertainty():
    then, now = before_and_after()
    front, annex = _Text(made(now, then=then).html).text.split(words.LIMITS_FRONT)
    # 9.152 - 6.8 = 2.352 Ah; no common instrument (no id): U = 2 sqrt(0.0135^2 + 0.012^2) = 0.0361 Ah.
    assert "Compared with EB-0412 before repair" in front
    assert "higher by 2.352 ± 0.036 Ah, better; it was 6.800 ± 0.024 Ah there." in front
    assert "no difference shown: 0.0 ± 3.4 mΩ; it was 214.5 ± 2.4 mΩ there." in front
    for shown in ("+2.352 ± 0.036 Ah", "Groups of both tests".lower().replace("groups", "groups"), words.COMPARED_MEANING["same"]):
        assert shown.lower() in annex.lower()


def test_comparison_claims_no_difference_from_a_test_that_was_not_valid():
    then, now = before_and_after()
    then["capacity"].update(valid=False, is_lower_bound=True, reasons=["discharge_incomplete"])
    page = _Text(made(now, then=then).html).text
    assert words.COMPARED_INVALID.format(there="≥ 6.800 ± 0.024 Ah") in page and words.COMPARED_MEANING["invalid"] in page
    assert "higher by 2.352" not in page


def test_comparison_names_a_lower_value_worse():
    then, now = before_and_after()
    page = _Text(made(then, then=now).html).text
    assert "lower by 2.352 ± 0.036 Ah, worse; it was 9.152 ± 0.027 Ah there." in page and "−2.352 ± 0.036 Ah" in page


# ---- regulation, earlier records -------------------------------------------------------------------------
def test_every_item_of_the_regulation_stands_in_the_annex_and_no_conformity_is_claimed():
    page = _Text(made(example(), card=CARD).html).text
    annex = page.split(words.LIMITS_FRONT)[1]
    for label in measure_words.HEALTH_ITEMS.values():
        assert label in annex
    assert measure_words.HEALTH_CAPTION in annex and "No conformity with the regulation is claimed" in annex
    html = made(example(), card=CARD).html
    section = _Text(html[html.index('<section id="health"'):html.index('<section id="curve"')]).text
    assert "not measured" in section and "9.152 ± 0.027 Ah" in section and "re-used" in section


def test_record_that_replaces_another_says_so_on_the_front_page_and_why():
    replaced = [{"serial": "2026-0006", "who": "Jo Example", "why": "wrong shunt stated.", "at": "2026-11-24T10:00:00Z"}]
    front, annex = _Text(made(example(), replaces=replaced).html).text.split(words.LIMITS_FRONT)
    assert "This record replaces 2026-0006: wrong shunt stated." in front
    assert "24 November 2026, 10:00 UTC" in annex and "Jo Example" in annex
    two = [{"serial": "2026-0005", "who": None, "why": None, "at": None}, *replaced]
    front = _Text(made(example(), replaces=two).html).text.split(words.LIMITS_FRONT)[0]
    assert words.REPLACES_MANY.format(n=2, serial="2026-0006", why="wrong shunt stated") in front


# ---- layout ----------------------------------------------------------------------------------------------
@poppler
def test_front_page_of_a_pass_holds_everything_on_one_page():
    then, now = before_and_after()
    front = _pdf_text(made(now, then=then, card=CARD).pdf, "-l", "1")
    for shown in ("PASS", "2026-0007", words.H_PACK, "Work done", words.H_TEST, words.H_FIGURES, "Compared with", words.H_CRITERIA, words.H_FINDINGS,
                  *words.SIGN_LINES, "cycler verify FILE --log LOG"):
        assert shown in front, shown
    assert words.H_ADVISORY not in front


@poppler
def test_front_page_a_little_too_full_is_set_smaller_and_a_far_too_full_one_runs_over():
    then, now = before_and_after()
    now["verdict"].update(result="not_proven", to_settle=["Rest it. " + "word " * 18] * 3)
    lines = {}
    for more in (0, 12):
        now["findings"] = [{"code": "weak_group", "severity": "defect", "group": n, "message": "long " * 18} for n in range(1, 2 + more)]
        pdf = made(now, then=then, card=CARD).pdf
        front = _pdf_text(pdf, "-l", "1")
        assert all(label in front for label in words.SIGN_LINES)
        assert (words.H_SETTLE in front) == (more == 0)
        boxes = subprocess.run(["pdftotext", "-bbox", "-l", "1", "-", "-"], input=pdf, capture_output=True, check=True, timeout=60).stdout.decode()
        [title] = re.findall(r'yMin="([\d.]+)" xMax="[\d.]+" yMax="([\d.]+)">test</word>', boxes)[:1]
        lines[more] = float(title[1]) - float(title[0])
    assert 0.9 < lines[0] / lines[12] < 0.995


@poppler
def test_nothing_lies_on_the_code_and_all_words_stay_inside_the_page():
    hard = copy.deepcopy(CARD)
    hard["workshop_number"] = "W" * 80
    hard["entries"] = [{"kind": kind, "text": "W" * 300, "who": "W" * 90, "at": "W" * 40} for kind in ("fault", "work", "part", "danger", "odd")]
    hard["photos"][0].update(file="W" * 120, caption="W" * 200)
    then, now = before_and_after()
    record = made(now, then=then, card=hard, replaces=[{"serial": "W" * 60, "who": "W" * 90, "why": "W" * 200, "at": None}])
    done = subprocess.run(["pdftotext", "-bbox", "-", "-"], input=record.pdf, capture_output=True, check=True, timeout=60).stdout.decode()
    first = done.split("</page>")[0]
    words_on = [tuple(map(float, found)) for found in re.findall(r'xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)"', first)]
    assert max(float(v) for v in re.findall(r'xMax="([\d.]+)"', done)) <= 595.28 - 36
    side = code_chart(WANTED, 64.0).width
    left, bottom = 595.28 - 42.5 - side, 28 + side
    assert not [box for box in words_on if box[2] > left and box[1] < bottom]
    assert _read(_page_png(record.pdf, 200)) == [WANTED]
    assert _pages(record.pdf) <= 9


# ---- structure of the PDF --------------------------------------------------------------------------------
@poppler
def test_pdf_structure_names_title_headings_and_tables_in_reading_order():
    then, now = before_and_after()
    pdf = made(now, then=then, card=CARD).pdf
    told = subprocess.run(["pdfinfo", "-struct-text", "-"], input=pdf, capture_output=True, check=True, timeout=60)
    assert not told.stderr
    roles = re.findall(r"^\s+(H1|H2|Table|TR|TH|TD|P|Figure)\b", told.stdout.decode(), re.MULTILINE)
    assert roles[0] == "H1" and roles.count("H1") == 1 and roles.count("Figure") == 4  # code, shape, two charts
    headings = re.findall(r'H2 \(block\)\s+"(.*)"', told.stdout.decode())
    assert headings[:4] == ["PASS", words.H_PACK, words.H_TEST, words.H_FIGURES] and headings[-1] == words.H_CAUTIONS
    assert re.findall(r'TH:\s+/Scope /Column\s+"(.*)"', told.stdout.decode())[:3] == list(words.FIGURE_HEAD)
    row = re.search(r'TD.*\s+"Capacity"\s+TD.*\s+"(.*)"', told.stdout.decode()).group(1)
    assert row == "9.152 ± 0.027 Ah"


def test_pdf_structure_is_whole_for_a_reader_of_its_own():
    """Every mark on a page leads to one element and back (checked with pypdf, which shares no code with the writer)."""
    import pypdf

    reader = pypdf.PdfReader(io.BytesIO(made(example(), card=CARD).pdf), strict=True)
    root = reader.trailer["/Root"]["/StructTreeRoot"]
    numbers = root["/ParentTree"]["/Nums"]
    for index, page in enumerate(reader.pages):
        content = page.get_contents().get_data().decode("latin-1")
        marks = [int(found) for found in re.findall(r"/MCID (\d+)>> BDC", content)]
        assert page["/StructParents"] == index == numbers[2 * index] and marks == list(range(len(marks)))
        assert content.count(" BDC") + content.count(" BMC") == len(re.findall(r"^EMC$", content, re.MULTILINE))
        elements = numbers[2 * index + 1]
        assert len(elements) == len(marks)
        for mark, element in zip(marks, elements):
            assert element["/K"] == mark and element["/Pg"] == page
