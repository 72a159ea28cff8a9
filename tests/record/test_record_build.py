"""The finished record: HTML and PDF of complete, empty and hostile analyses."""

import copy
import hashlib
import os
import re
import shutil
import subprocess
import sys
from html.parser import HTMLParser

import pytest
from record_example import SHA256, canonical, example, hostile, make_log, nulled

from cycler.pack import Instrument, Pack
from cycler.quantities import figure_text
from cycler.record import Record, build_record
from cycler.record import text as words

MADE = {"serial": "2026-0007", "made_at": "2026-11-25T10:14:00Z", "run_label": "after repair", "workshop": "Quayside Pack Workshop"}
HOSTILE = '<script>alert("x")</script>&amp;{{7*7}}\U0001f50b\u202e ' + "W" * 260
poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext of poppler-utils is not installed")


class _Text(HTMLParser):
    """Visible text and the names of all elements, by the standard library's own parser."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.parts: list[str] = []
        self.elements: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self._hidden = 0
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.elements.append(tag)
        self.attributes += attrs
        self._hidden += tag == "style"

    def handle_endtag(self, tag):
        self._hidden -= tag == "style"

    def handle_data(self, data):
        if not self._hidden:
            self.parts.append(data)

    @property
    def text(self) -> str:
        return " ".join("".join(self.parts).split())


def _pdf_text(pdf: bytes, *options: str) -> str:
    done = subprocess.run(["pdftotext", *options, "-", "-"], input=pdf, capture_output=True, check=True, timeout=60)
    return " ".join(done.stdout.decode().split())


def _pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type /Page\b", pdf))


@pytest.fixture(scope="module")
def complete() -> Record:
    analysis = example()
    return build_record(analysis, Pack(), make_log(analysis), **MADE)


def _shown_figures() -> list[str]:
    return [
        figure_text(9.152, 0.0135, "Ah"), figure_text(331.4, 0.71, "Wh"), figure_text(0.88, 0.0013, "share"), figure_text(0.2145, 0.0012, "ohm"),
        figure_text(0.1502, 0.0014, "ohm"), figure_text(0.9951, 0.0031, "share"), figure_text(0.948, 0.0044, "share"),
        figure_text(4.1, 0.82, "K"), figure_text(27.2, 0.58, "degC"), "10.4 Ah", "374.4 Wh", "0.20 It", "2.08 A", "at least 80 %", "0.26 %",
        "80.26 %", "2418304 bytes",
    ]


# Written out once by hand so that a change of the rounding rule would be seen: U = 2u with two digits.
def test_figures_of_the_example_have_the_expected_text():
    assert _shown_figures()[:4] == ["9.152 ± 0.027 Ah", "331.4 ± 1.4 Wh", "88.00 ± 0.26 %", "214.5 ± 2.4 mΩ"]


def test_html_shows_every_figure_with_unit_verdict_and_full_hash(complete):
    page = _Text(complete.html).text
    for shown in [*_shown_figures(), "FAIL", SHA256, "2026-0007", "25 November 2026, 10:14 UTC", "EB-0412", "Return to owner", "group 4, limiting"]:
        assert shown in page, shown
    # Second method: the hash is there in full, 64 hexadecimal digits.
    assert re.search(r"\b[0-9a-f]{64}\b", page)


@poppler
def test_pdf_shows_every_figure_with_unit_verdict_and_full_hash(complete):
    page = _pdf_text(complete.pdf)
    for shown in [*_shown_figures(), "FAIL", SHA256, "2026-0007", "25 November 2026, 10:14 UTC", "EB-0412", "Return to owner", "group 4, limiting"]:
        assert shown in page, shown
    assert f"page 1 of {_pages(complete.pdf)}" in page


@poppler
def test_pdf_front_page_holds_verdict_figures_criteria_findings_and_signature(complete):
    front = _pdf_text(complete.pdf, "-l", "1")
    for heading in ("FAIL", words.H_PACK, words.H_TEST, words.H_FIGURES, words.H_CRITERIA, words.H_FINDINGS, *words.SIGN_LINES):
        assert heading in front
    assert words.H_CAUTIONS not in front.split()


@poppler
@pytest.mark.skipif(shutil.which("pdfinfo") is None, reason="pdfinfo of poppler-utils is not installed")
def test_pdf_title_size_and_date_come_from_the_input(complete):
    environment = dict(os.environ, TZ="UTC")
    told = subprocess.run(["pdfinfo", "-"], input=complete.pdf, capture_output=True, check=True, env=environment, timeout=60).stdout.decode()
    assert re.search(r"Title:\s+Pack test record 2026-0007", told)
    assert "(A4)" in told and "Nov 25 10:14:00 2026" in told
    assert b"/Lang" in complete.pdf


def test_html_and_pdf_say_the_same_limits_and_cautions(complete):
    page = _Text(complete.html).text
    for sentence in (*words.LIMITS, words.CAUTION_LEAD, words.CAUTION_FAILED, *(line for _, line in words.CAUTIONS)):
        assert sentence in page


@pytest.mark.parametrize(("result", "word", "shape"), [
    ("pass", "PASS", words.SHAPE_MEANS["pass"]), ("fail", "FAIL", words.SHAPE_MEANS["fail"]), ("not_proven", "NOT PROVEN", words.SHAPE_MEANS["not_proven"]),
    (None, "NO VERDICT", words.SHAPE_MEANS["none"]), ("PASSED", "NO VERDICT", words.SHAPE_MEANS["none"]),
])
def test_verdict_word_and_shape_follow_the_result_and_only_the_exact_word_passes(result, word, shape):
    analysis = example()
    analysis["verdict"]["result"] = result
    html = build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).html
    assert f"</span>{word}</h2>" in html
    assert shape in html
    assert [w for w in ("PASS", "FAIL", "NOT PROVEN", "NO VERDICT") if f"</span>{w}</h2>" in html] == [word]


def test_not_proven_tells_what_would_settle_it():
    analysis = example(result="not_proven")
    page = _Text(build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).html).text
    assert "Leave the pack at rest for 24 h" in page
    analysis["verdict"]["to_settle"] = []
    assert words.SETTLE_NONE in _Text(build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).html).text


def test_capacity_not_valid_is_said_beside_the_figure():
    analysis = example(result="not_proven")
    analysis["capacity"].update(valid=False, is_lower_bound=True, reasons=["discharge_incomplete", "odd_new_reason"])
    page = _Text(build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).html).text
    assert "at least 9.152 ± 0.027 Ah" in page
    assert "at least 88.00 ± 0.26 %" in page
    assert "the discharge ended before the pack was empty; odd new reason" in page
    analysis["capacity"]["is_lower_bound"] = False
    page = _Text(build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).html).text
    assert "at least 9.152" not in page and "not valid as the pack's capacity: the discharge ended" in page


def test_raw_log_is_named_without_the_folders_it_lay_in():
    analysis = example()
    for path in ("/home/someone/logs/a b.csv", "C:\\Users\\someone\\a b.csv"):
        analysis["sources"][0]["file"] = path
        page = _Text(build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).html).text
        assert "a b.csv" in page and "someone" not in page


def test_findings_front_page_shows_every_defect_and_leaves_notes_to_the_annex():
    analysis = example()
    analysis["findings"] = [{"code": "weak_group", "severity": "defect", "group": n, "message": f"defect no. {n}"} for n in range(1, 8)]
    analysis["findings"].insert(0, {"code": "log_gap", "severity": "info", "message": "small gap"})
    page = _Text(build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).html).text
    front, annex = page.split(words.LIMITS_FRONT)
    assert all(f"Defect no. {n}." in front for n in range(1, 8))
    assert "Small gap." in annex and "Small gap." not in front
    analysis["findings"] = analysis["findings"][:1]
    page = _Text(build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).html).text
    assert words.FINDINGS_ONLY_NOTES in page and words.FINDINGS_NONE not in page


def test_criteria_advisory_ones_stand_in_the_annex_with_their_reason():
    analysis = example()
    page = _Text(build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).html).text
    front, annex = page.split(words.LIMITS_FRONT)
    assert "Self-discharge of the worst group" in annex and "Self-discharge of the worst group" not in front
    assert "the pack was not logged at rest long enough" in annex
    assert front.count("● pass") == 4 and front.count("■ fail") == 2  # three passes and a fail, each mark also in the key


# Rounding must never print certainty: probabilities from the normal distribution reach neither 0 nor 1.
@pytest.mark.parametrize(("probability", "shown"), [(0.9999999, "> 99.9 %"), (0.00001, "< 0.1 %"), (0.5, "50.0 %"), (0.9772499, "97.7 %")])
def test_probability_is_never_rounded_to_certainty(probability, shown):
    analysis = example()
    analysis["verdict"]["criteria"][0]["probability_of_conformity"] = probability
    assert shown in _Text(build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).html).text


def test_missing_figures_are_not_measured_with_a_reason():
    analysis = example()
    analysis["efficiency"] = analysis["thermal"] = None
    analysis["resistance"].update(headline=None, pack=[], warnings=["sampling_too_coarse"])
    page = _Text(build_record(analysis, Pack(), make_log(analysis, rows=500, temperature=False), **MADE).html).text
    assert f"{words.F_EFFICIENCIES}{words.NOT_MEASURED}{words.W_EFFICIENCY}".replace(" ", "") in page.replace(" ", "")
    assert f"Ohmic resistance{words.NOT_MEASURED}the samples lie too far apart".replace(" ", "") in page.replace(" ", "")
    assert f"Temperature rise{words.NOT_MEASURED}{words.W_TEMPERATURE}".replace(" ", "") in page.replace(" ", "")


def test_pack_file_fills_what_the_analysis_leaves_out():
    analysis = example()
    analysis["pack"], analysis["instrument"] = {}, None
    pack = Pack(id="CB-7", series=10, rated_capacity_ah=12.5, instrument=Instrument(current_gain=0.005, declared=True))
    page = _Text(build_record(analysis, pack, make_log(analysis, rows=500), **MADE).html).text
    assert "CB-7" in page and "12.5 Ah" in page and "0.5 % of reading" in page


def test_instrument_not_declared_is_said():
    analysis = example()
    analysis["instrument"]["declared"] = False
    assert "were not declared" in _Text(build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).html).text


# Above 60 V d.c.: the limit of touchable safety extra-low voltage, IEC 60598-1:2008, 8.2.3.
@pytest.mark.parametrize(("voltage", "warned"), [(58.4, False), (63.0, True)])
def test_touch_caution_stands_above_60_v_only(voltage, warned):
    analysis = example()
    analysis["pack"]["charge_voltage_v"] = voltage
    page = _Text(build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).html).text
    assert (words.CAUTION_HIGH_VOLTAGE in page) == warned


def test_danger_finding_brings_its_caution():
    analysis = example()
    assert words.CAUTION_DANGER not in build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).html
    analysis["findings"].append({"code": "group_undervoltage", "severity": "danger", "group": 2, "message": None})
    page = _Text(build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).html).text
    assert words.CAUTION_DANGER in page
    assert "DANGER: group driven too low, group 2. A group was driven below" in page


def test_same_input_gives_the_same_bytes(complete):
    analysis = canonical(example())
    again = build_record(analysis, Pack(), make_log(analysis), **MADE)
    assert again.html == complete.html
    assert again.pdf == complete.pdf


def test_same_bytes_in_another_process_with_other_hash_seed_clock_and_zone(complete):
    code = (
        "import hashlib, sys; sys.path[:0] = sys.argv[1:]\n"
        "from cycler.pack import Pack; from cycler.record import build_record; from record_example import example, make_log\n"
        f"a = example(); r = build_record(a, Pack(), make_log(a), **{MADE!r})\n"
        "print(hashlib.sha256(r.pdf).hexdigest(), hashlib.sha256(r.html.encode()).hexdigest())"
    )
    here = os.path.dirname(os.path.abspath(__file__))
    root = os.path.dirname(os.path.dirname(here))
    environment = dict(os.environ, PYTHONHASHSEED="4711", TZ="Pacific/Auckland", SOURCE_DATE_EPOCH="1000000000")
    done = subprocess.run([sys.executable, "-c", code, root, here], capture_output=True, text=True, check=True, env=environment, timeout=120)
    assert done.stdout.split() == [hashlib.sha256(complete.pdf).hexdigest(), hashlib.sha256(complete.html.encode()).hexdigest()]


def test_input_is_left_as_it_was():
    analysis = example()
    before = copy.deepcopy(analysis)
    build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE)
    assert analysis == before


def test_html_loads_nothing_and_runs_nothing(complete):
    parsed = _Text(complete.html)
    assert not re.search(r"https?://|//[a-z]|url\(|@import", complete.html)
    assert not {"script", "link", "img", "iframe", "object", "embed", "form", "base"} & set(parsed.elements)
    names = {name for name, _ in parsed.attributes}
    assert not {"src", "href", "srcset"} & names
    assert not [name for name in names if name.startswith("on")]
    assert {"h1", "h2", "th", "caption", "title"} <= set(parsed.elements)
    assert ("lang", "en") in parsed.attributes


@pytest.mark.parametrize("result", ["pass", "fail"])
def test_hostile_texts_are_escaped_everywhere(result):
    analysis = hostile(example(result=result), HOSTILE)
    record = build_record(analysis, Pack(), make_log(example(), rows=500), serial=HOSTILE, made_at=HOSTILE, run_label=HOSTILE, workshop=HOSTILE)
    parsed = _Text(record.html)
    assert "script" not in parsed.elements
    assert '<script>alert("x")</script>&amp;{{7*7}}' in parsed.text  # shown as text, not run, not evaluated
    assert "\u202e" not in record.html
    assert record.pdf.startswith(b"%PDF")


@poppler
def test_hostile_pack_id_reads_in_the_pdf_with_its_code_points():
    analysis = example()
    analysis["pack"]["id"] = "pack \U0001f50b <b>7</b> & co"
    page = _pdf_text(build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).pdf)
    assert "pack [U+1F50B] <b>7</b> & co" in page


@poppler
def test_long_texts_are_wrapped_inside_the_page():
    analysis = hostile(example(), "W" * 300)
    pdf = build_record(analysis, Pack(), make_log(example(), rows=500), serial="W" * 300, made_at="W" * 300, workshop="W" * 300).pdf
    boxes = subprocess.run(["pdftotext", "-bbox", "-", "-"], input=pdf, capture_output=True, check=True, timeout=60).stdout.decode()
    right = [float(value) for value in re.findall(r'xMax="([\d.]+)"', boxes)]
    left = [float(value) for value in re.findall(r'xMin="([\d.]+)"', boxes)]
    assert len(right) > 500
    assert max(right) <= 595.28 - 36 and min(left) >= 36  # A4 is 595.28 pt wide; half an inch stays free


@pytest.mark.parametrize("empty", [{}, None, "nulled"])
def test_nothing_known_is_still_a_record_that_says_so(empty):
    analysis = nulled(example()) if empty == "nulled" else empty
    record = build_record(analysis, Pack(), make_log({}, 0, rows=2, temperature=False), serial="", made_at="")
    page = _Text(record.html).text
    assert "NO VERDICT" in page and page.count(words.NOT_MEASURED) >= 7 and words.NOT_STATED in page
    assert "None" not in page and "nan" not in page.lower().split()
    assert record.pdf.startswith(b"%PDF") and _pages(record.pdf) >= 2


@pytest.mark.parametrize("path", sorted({key for key in example()}))
@pytest.mark.parametrize("junk", [None, [], {}, "text", 3, [None], [3], True])
def test_odd_shape_under_any_key_does_not_break_the_record(path, junk):
    from cycler.record.html import render_html
    from cycler.record.model import build_view

    analysis = example()
    analysis[path] = junk
    assert "</html>" in render_html(build_view(analysis, Pack(), make_log(example(), rows=50), **MADE))


@pytest.mark.parametrize("groups", [0, 1, 7, 20])
def test_any_number_of_groups_gives_a_row_each(groups):
    analysis = example(groups)
    record = build_record(analysis, Pack(), make_log(analysis, groups, rows=3000), **MADE)
    assert (words.GROUP_NONE in _Text(record.html).text) == (groups == 0)
    assert record.html.count("± 0.24</td>") == max(0, groups - (groups >= 4))
    assert record.pdf.startswith(b"%PDF")


def test_html_stays_below_300_kb_for_a_long_noisy_log_of_20_groups():
    analysis = example(20)
    record = build_record(analysis, Pack(), make_log(analysis, 20, rows=400_000, noise=0.4), **MADE)
    assert len(record.html.encode()) <= 300_000


@poppler
def test_repeated_and_countless_findings_are_cut_with_a_count():
    analysis = example()
    analysis["findings"] = [{"code": "log_gap", "severity": "caution", "group": None, "message": f"gap {k}"} for k in range(200)]
    analysis["steps"] = [dict(analysis["steps"][4], index=k, start_s=float(k), end_s=float(k + 1), duration_s=1.0) for k in range(2000)]
    record = build_record(analysis, Pack(), make_log(example(), rows=500), **MADE)
    page = _Text(record.html).text
    assert words.NOTES_IN_ANNEX.format(n=197) in page and words.MORE.format(n=197 - 60) in page and words.MORE.format(n=2000 - 36) in page
    assert _pages(record.pdf) <= 9


def _page(analysis, log=None, **more) -> str:
    made = {**MADE, **more}
    return _Text(build_record(analysis, Pack(), make_log(example(), rows=500) if log is None else log, **made).html).text


def test_rating_names_the_part_that_is_not_stated_and_leaves_unknown_currents_out():
    analysis = example()
    analysis["pack"].update(rated_energy_wh=None, max_charge_current_a=None, max_discharge_current_a=None)
    page = _page(analysis)
    assert "10.4 Ah, energy not stated" in page and words.L_CURRENTS not in page
    analysis["pack"].update(rated_energy_wh=374.4, rated_capacity_ah=None, max_discharge_current_a=20.0, cutoff_voltage_v=None)
    page = _page(analysis)
    assert "capacity not stated, 374.4 Wh" in page and "charge not stated, discharge 20 A" in page and "42 V full, empty not stated" in page


def test_lower_bound_puts_at_least_before_capacity_energy_and_health():
    analysis = example(result="not_proven")
    analysis["capacity"].update(valid=False, is_lower_bound=True, reasons=["discharge_incomplete"])
    page = _page(analysis)
    for shown in ("at least 9.152 ± 0.027 Ah", "at least 331.4 ± 1.4 Wh", "at least 88.00 ± 0.26 %"):
        assert shown in page


def test_capacity_if_matched_is_marked_as_an_estimate():
    analysis = example()
    assert "estimate: about 10.1 Ah if it matched its siblings (uncertainty not stated)" in _page(analysis)
    analysis["u_capacity_if_limiting_group_matched_ah"] = 0.12
    assert "estimate: 10.12 ± 0.24 Ah if it matched its siblings" in _page(analysis)


def test_ambient_is_called_the_first_reading_of_the_sensor():
    page = _page(example())
    assert "First reading of the temperature sensor 22.8 ± 1.2 °C." in page and "Surroundings" not in page


def test_workshop_stands_in_the_head_or_leaves_a_line_to_write_on():
    analysis = example()
    log = make_log(analysis, rows=500)
    assert '<dt>Workshop</dt><dd>Quayside Pack Workshop</dd>' in build_record(analysis, Pack(), log, **MADE).html
    for missing in (None, "", "  "):
        html = build_record(analysis, Pack(), log, **{**MADE, "workshop": missing}).html
        assert '<dt>Workshop</dt><dd class="blank"></dd>' in html


# U = 2u by hand: rest 4.1766 ± 0.0032 V, end 2.80 V by the same channel, sag 71.2 ± 1.6 mV, 34.21 ± 0.82 mOhm, 9.152 ± 0.028 Ah.
def test_group_row_has_units_in_the_heading_and_an_uncertainty_on_every_figure():
    html = build_record(example(), Pack(), make_log(example(), rows=500), **MADE).html
    row = re.search(r'<tr class="strong">\s*<th scope="row" class="">★ 4.*?</tr>', html).group()
    cells = re.findall(r"<td[^>]*>(.*?)</td>", row)
    assert cells[:6] == ["4.1766 ± 0.0032", "2.8000 ± 0.0032", "71.2 ± 1.6", "34.21 ± 0.82", "9.152 ± 0.028", "0.031 ± 0.036"]
    assert cells[6] == words.DASH
    for head in ("At rest / V", "Sag after 10 s / mV", "Resistance after 10 s / mΩ", "Capacity / Ah", "Leak at rest / mA"):
        assert head in html


@poppler
def test_group_figures_of_a_wide_pack_are_not_broken_in_the_pdf():
    analysis = example(20)
    for group in analysis["groups"]:
        group.update(capacity_ah=110.04, u_capacity_ah=0.0123, self_discharge_ma=12.34, u_self_discharge_ma=0.456, name=f"block {group['group']} voltage (V)")
    pdf = build_record(analysis, Pack(), make_log(example(), rows=500), **MADE).pdf
    lines = subprocess.run(["pdftotext", "-layout", "-", "-"], input=pdf, capture_output=True, check=True, timeout=60).stdout.decode().splitlines()
    for n in range(1, 21):
        capacity = "110.040 ± 0.025"
        assert any(re.match(rf"\s*(★ ?)?{n} .*{capacity}.*12\.34 ± 0\.91", line) for line in lines), n


def test_group_without_readings_is_not_logged():
    analysis = example()
    analysis["groups"][6] = dict.fromkeys(analysis["groups"][6], None) | {"group": 7, "findings": []}
    html = build_record(analysis, Pack(), make_log(example(), rows=500), **MADE).html
    assert re.search(rf'<th scope="row" class="">7</th><td colspan="7"[^>]*>{words.GROUP_NOT_LOGGED}</td>', html)
    assert html.count(f">{words.GROUP_NOT_LOGGED}<") == 1


def test_danger_stands_directly_under_the_verdict_with_group_voltage_and_what_to_do():
    analysis = example()
    analysis["findings"].append({"code": "group_overvoltage", "severity": "danger", "group": 5,
                                 "message": "Group 5 was charged to 4.330 V, above 4.25 V: stop charging this pack, fire hazard."})
    html = build_record(analysis, Pack(), make_log(example(), rows=500), **MADE).html
    verdict = html[html.index('<section id="verdict"'):html.index('<section id="pack"')]
    # The reading's expanded uncertainty is twice the 0.0016 V of the group channel.
    assert "Group 5 was charged to 4.330 V" in verdict and "good to ± 0.0032 V" in verdict and words.CAUTION_DANGER in verdict
    assert words.FINDINGS_DANGER in html and words.H_SETTLE_OPEN not in html


@poppler
def test_danger_in_every_group_is_told_once_and_leaves_the_signature_on_page_1():
    analysis = example()
    analysis["findings"] += [{"code": "group_overvoltage", "severity": "danger", "group": n, "message": f"Group {n} was charged to 4.330 V."}
                             for n in range(1, 11)]
    record = build_record(analysis, Pack(), make_log(example(), rows=500), **MADE)
    front, annex = _Text(record.html).text.split(words.LIMITS_FRONT)
    assert words.FINDING_SAME.format(groups="groups 2, 3, 4, 5, 6, 7, 8, 9, 10") in front
    assert "Group 10 was charged to 4.330 V." in annex and "Group 10 was charged" not in front
    assert all(label in _pdf_text(record.pdf, "-l", "1") for label in (*words.SIGN_LINES, words.H_CRITERIA))


@poppler
def test_signature_stands_on_page_1_even_if_the_findings_run_over():
    analysis = example()
    analysis["findings"] = [{"code": "weak_group", "severity": "defect", "group": n, "message": "long " * 60} for n in range(1, 16)]
    record = build_record(analysis, Pack(), make_log(example(), rows=500), **MADE)
    assert all(label in _pdf_text(record.pdf, "-l", "1") for label in words.SIGN_LINES)
    assert words.SIGN_LINES[2] not in _pdf_text(record.pdf, "-f", "2")


def test_finding_that_its_criterion_does_not_bear_out_shows_its_evidence_and_the_reason():
    analysis = example(result="not_proven")
    analysis["findings"][1]["evidence"] = "ratio 0.900 ± 0.024 (k = 2)"
    analysis["verdict"]["criteria"][1].update(group=4, reason="Group 4: 90.0 ± 2.4 % misses the limit by less than the guard band.")
    page = _page(analysis)
    assert ("Measured: ratio 0.900 ± 0.024 (k = 2). The criterion “Capacity of group 4 over the median of its siblings” is not proven "
            "all the same: 90.0 ± 2.4 % misses the limit by less than the guard band.") in page
    analysis["verdict"]["criteria"][1]["result"] = "fail"
    page = _page(analysis)
    assert "all the same" not in page and "Measured: ratio 0.900" in page


def test_criterion_without_a_value_or_acceptance_limit_says_why_in_its_row():
    analysis = example(result="not_proven")
    criteria = analysis["verdict"]["criteria"]
    criteria[1].update(value=None, u_value=None, guard_band=None, acceptance_limit=None, probability_of_conformity=None,
                       reason="Not measured: the log holds no group voltages.")
    criteria[2].update(acceptance_limit=None)
    criteria[4].update(u_value=None, guard_band=None, acceptance_limit=None, probability_of_conformity=None, reason="its uncertainty is not known.")
    html = build_record(analysis, Pack(), make_log(example(), rows=500), **MADE).html
    assert re.search(r'not measured</td><td class="[^"]*">at least 95 %</td><td colspan="3"[^>]*>the log holds no group voltages</td>', html)
    assert words.ACCEPTANCE_NO_ROOM.format(probability="&gt; 99.9 %") in html
    assert words.ACCEPTANCE_NO_U in html


@pytest.mark.parametrize(("label", "shown"), [
    ("Self-discharge of the worst group", "Self-discharge of group 3"), ("Worst group, 10 s resistance", "Group 3, 10 s resistance"),
    ("Capacity", "Capacity, group 3"), ("Spread of groups at rest", "Spread of groups at rest, group 3"),
])
def test_criterion_label_comes_from_the_verdict_and_names_the_group(label, shown):
    analysis = example()
    analysis["verdict"]["criteria"][0].update(label=label, group=3)
    assert f">{shown}</th>" in build_record(analysis, Pack(), make_log(example(), rows=500), **MADE).html


def test_annex_names_the_columns_file_a_log_was_read_with():
    analysis = example()
    plain = build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).html
    analysis["reading"]["columns_files"] = ["columns file of run 3 (<odd>.toml)"]
    page = _Text(build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).html).text
    assert f"{words.L_COLUMNS_FILES}columns file of run 3 (<odd>.toml)" in " ".join(page.split())
    assert words.L_COLUMNS_FILES not in plain


@pytest.mark.parametrize(("end", "last_v", "told"), [("pack_cutoff", 30.071, True), ("pack_cutoff", 30.0, False), ("pack_cutoff", 29.94, False), ("group_cutoff", 30.071, False)])
def test_last_reading_above_the_cut_off_that_was_reached_after_it_is_explained(end, last_v, told):
    """Rows lie some seconds apart; a buyer who looks into the log finds no row at the cut-off."""
    analysis = example()
    analysis["pack"]["cutoff_voltage_v"] = 30.0
    analysis["capacity"]["end_reason"] = end
    analysis["steps"][4]["end_voltage_v"] = last_v
    page = _Text(build_record(analysis, Pack(), make_log(analysis, rows=500), **MADE).html).text
    assert ("The last reading was taken shortly before the cut-off of 30.00 V was reached." in page) == told
