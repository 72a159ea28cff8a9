"""Tables and sentences on the terminal: figures are never cut, every one with its unit."""

from __future__ import annotations

import pytest

from cycler import tables
from cycler.compare import compare
from cycler.comparison_table import print_comparison
from cycler.criteria import load_criteria
from cycler.quantities import figure_text, significant_text
from cycler.verdict import decide
from tests.analysis_example import example_analysis
from tests.calls import sheet_of

# --- tables ------------------------------------------------------------------------------------------------------




@pytest.mark.parametrize("width", [20, 40, 80, 200])
@pytest.mark.parametrize("terminal", [False, True])
def test_tables_never_cut_a_figure_whatever_the_width(width, terminal):
    analysis = example_analysis({"groups.3.self_discharge_ma": 8.123, "groups.3.u_self_discharge_ma": 0.25})
    analysis["verdict"] = decide(analysis, load_criteria())
    sheet, stream = sheet_of(width, terminal)
    tables.print_analysis(sheet, analysis)
    print_comparison(sheet, compare([analysis, example_analysis()], ["before", "after"]))
    lines = stream.getvalue().splitlines()
    for group in analysis["groups"]:
        for value, u, unit, factor in (
            (group["resistance_10s_ohm"], group["u_resistance_10s_ohm"], "ohm", 1), (group["capacity_ah"], group["u_capacity_ah"], "Ah", 1),
            (group["sag_10s_v"], group["u_sag_10s_v"], "mV", 1000),
        ):
            figure = figure_text(value * factor, u * factor, unit).rsplit(" ", 1)[0]
            assert any(figure in line for line in lines)
    assert not [line for line in lines if "…" in line and "SHA" not in line and "0000" not in line]


def test_tables_fit_80_columns():
    analysis = example_analysis()
    analysis["verdict"] = decide(analysis, load_criteria())
    sheet, stream = sheet_of(80)
    tables.print_analysis(sheet, analysis)
    print_comparison(sheet, compare([analysis] * 3, ["before", "after", "sister"]))
    lines = stream.getvalue().splitlines()
    assert max(map(len, lines)) <= 80
    assert not [line for line in lines if line != line.rstrip()]


def test_text_from_a_file_cannot_steer_the_terminal():
    sheet, stream = sheet_of(80)
    sheet.pairs([("Label", "\x1b[2J[red]gone[/red]\x07")])
    assert "\x1b" not in stream.getvalue() and "\x07" not in stream.getvalue() and "[red]gone[/red]" in stream.getvalue()


def test_no_color_is_honoured(monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")
    sheet, stream = sheet_of(80, terminal=True)
    sheet.line(tables.result_text("fail"))
    assert "\x1b[31m" not in stream.getvalue() and "\x1b[1;31m" not in stream.getvalue() and "fail" in stream.getvalue()


def test_danger_is_told_in_words_and_comes_first():
    analysis = example_analysis()
    analysis["findings"] = [
        {"code": "unit_inferred", "severity": "info", "message": "A note."},
        {"code": "group_overvoltage", "severity": "danger", "message": "Group 2 was charged to 4.31 V."},
    ]
    sheet, stream = sheet_of(80)
    tables.print_findings(sheet, analysis["findings"])
    tables.print_caution(sheet, analysis)
    text = stream.getvalue()
    assert text.index("DANGER") < text.index("Note") and "do not charge, use or send" in text


def test_invalid_capacity_says_why_and_that_all_of_it_is_a_bound():
    analysis = example_analysis({
        "capacity.valid": False, "capacity.is_lower_bound": True, "capacity.reasons": ["discharge_incomplete"],
        "capacity.end_reason": "set_by_program",
    })
    listed = tables.capacity_rows(analysis)
    rows = dict(listed)
    assert rows["Capacity"].startswith("at least 9.36") and "discharge not complete" in rows["Capacity"]
    assert rows["Energy"].startswith("at least 337.9") and rows["State of health"].startswith("at least 90.")
    assert listed[1] == ("", "At 0.2 It, 23.4 °C, ended by the operator or the program before any cut-off.")


def test_matched_capacity_is_told_as_an_estimate_with_its_uncertainty_if_there_is_one():
    plain = dict(tables.capacity_rows(example_analysis()))["If matched"]
    assert plain.startswith("about 9.46 Ah") and "estimate" in plain and "uncertainty is not stated" in plain
    # u 0.12 Ah, k = 2: 0.24 Ah.
    known = dict(tables.capacity_rows(example_analysis() | {"u_capacity_if_limiting_group_matched_ah": 0.12}))["If matched"]
    assert known.startswith("9.46 ± 0.24 Ah") and "estimate" in known


def test_group_voltages_carry_their_uncertainty():
    # u 1.7 mV at rest, k = 2: 0.0034 V; the example gives the end voltages without one.
    sheet, stream = sheet_of(80)
    tables.print_groups(sheet, example_analysis({"groups.3.u_end_voltage_v": 0.002}))
    text = stream.getvalue()
    assert "4.1716 ± 0.0034" in text and "3.0000 ± 0.0040" in text
    assert "Leaks at rest are not known." in text and "* Limits the pack: group 4." in text


def test_passed_criteria_show_their_value():
    analysis = example_analysis()
    analysis["verdict"] = decide(analysis, load_criteria())
    sheet, stream = sheet_of(200)
    tables.print_verdict(sheet, analysis["verdict"])
    assert "State of health: 90.00 ± 0.33 %, at least 70 % wanted" in stream.getvalue()


def test_acceptance_limit_that_cannot_be_is_printed_as_none():
    # Leak 59 ± 30 % against 5 %: the limit less the guard band would be below zero.
    changes = {f"groups.{i}.self_discharge_ma": 0.0 for i in range(10)} | {f"groups.{i}.u_self_discharge_ma": 0.1 for i in range(10)}
    changes |= {"groups.5.self_discharge_ma": 8.5, "groups.5.u_self_discharge_ma": 2.2}
    sheet, stream = sheet_of(120)
    tables.print_verdict(sheet, decide(example_analysis(changes), load_criteria()), full=True)
    (line,) = [line for line in stream.getvalue().splitlines() if "59 ± 30 %" in line and "≤ 5 %" in line]
    assert line.split()[-2:] == ["none", "fail"]


def test_sentence_has_capital_full_stop_and_degrees():
    assert tables.sentence("one reading at 80 degC") == "One reading at 80 °C."
    assert tables.sentence("Done.") == "Done." and tables.sentence("") == ""


@pytest.mark.parametrize("value, digits, text", [
    (273.4, 2, "273"), (1234567.0, 2, "1234567"), (0.0312, 2, "0.031"), (70.0, 4, "70"), (0.9996, 3, "1"), (0.0, 3, "0"), (-0.25, 1, "-0.2"),
])
def test_significant_text_never_shows_a_power_of_ten(value, digits, text):
    assert significant_text(value, digits) == text


def test_figure_with_a_huge_uncertainty_is_plain_integers():
    # k = 2: twice 135 000; the value to the same place (JCGM 100:2008, 7.2.6, clause number from memory).
    assert figure_text(1234567.0, 135000.0, "mA") == "1230000 ± 270000 mA"
