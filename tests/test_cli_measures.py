"""What the command prints of the measures: each figure with its unit, reasons in words, and budgets that add up."""

from __future__ import annotations

import json
import math
import re
from functools import cache
from pathlib import Path

import pytest

from cycler import detail_tables, measure_tables, tables
from cycler.analysis import analyze
from cycler.circuittable import ADVICE
from cycler.pack import load_pack
from cycler.quantities import figure_text
from cycler.readers import read_logs
from cycler.record.text import CODES
from tests.analysis_example import example_analysis
from tests.calls import call, parsed, sheet_of

SAMPLES = Path(__file__).parent.parent / "sample_logs"
LOGS = {
    "weak group": ("ebike-10s4p-before-repair.csv", "ebike-0412.toml"),
    "leak": ("ebike-10s-leaks-at-rest.csv", "ebike-0377.toml"),
    "board": ("scooter-8s-lfp-board-trips.csv", "scooter-0140-lfp.toml"),
    "not full": ("ebike-10s-charge-not-finished.csv", "ebike-0405.toml"),
}
REASON_KEYS = ("reasons", "warnings", "findings", "end_reason", "limited_by", "excitation", "left_out", "kind", "start_evidence", "slope_at_rest_source")


@cache
def sample(name):
    log, pack = LOGS[name]
    return analyze(read_logs([SAMPLES / log]), load_pack(SAMPLES / "packs" / pack)).to_dict()


def printed(analysis, details=False, width=80):
    sheet, stream = sheet_of(width)
    tables.print_analysis(sheet, analysis, details)
    return stream.getvalue()


def flat(text):
    """Without line ends, as a reader sees it."""
    return " ".join(text.split())


def said(rows):
    return " | ".join(f"{name}: {text}" for name, text in rows)


def codes_of(value):
    """Every code of a reason in an analysis."""
    if isinstance(value, dict):
        for key, item in value.items():
            if key.endswith(REASON_KEYS):
                yield from (one for one in (item if isinstance(item, list) else [item]) if isinstance(one, str))
            yield from codes_of(item)
    elif isinstance(value, list):
        for item in value:
            yield from codes_of(item)


# --- by default --------------------------------------------------------------------------------------------------------


def test_analyze_prints_the_power_of_a_pack_without_defect(capfd):
    code, out, err = call(capfd, "analyze", SAMPLES / "ebike-10s4p-after-repair.csv", "--pack", SAMPLES / "packs/ebike-0412.toml", "--json")
    power = json.loads(out)["power"]
    code, out, err = call(capfd, "analyze", SAMPLES / "ebike-10s4p-after-repair.csv", "--pack", SAMPLES / "packs/ebike-0412.toml")
    assert (code, err) == (0, "")
    assert figure_text(power["discharge_10s_w"], power["u_discharge_10s_w"], "W") + " for 10 s" in flat(out)


def test_analyze_prints_charge_and_taper_with_their_uncertainties(capfd):
    log, pack = LOGS["weak group"]
    code, out, err = call(capfd, "analyze", SAMPLES / log, "--pack", SAMPLES / "packs" / pack)
    assert (code, err) == (0, "")
    found, text = sample("weak group"), flat(out)
    charge = found["charges"][0]
    # A pack with a defect gets no power figure to act on.
    assert found["power"]["discharge_10s_w"] and "for 10 s, at" not in text
    for figure in (
        figure_text(charge["charge_ah"], charge["u_charge_ah"], "Ah") + " put in",
        figure_text(charge["cc_share"], charge["u_cc_share"], "share") + " of it at constant current",
        figure_text(charge["cv_share"], charge["u_cv_share"], "share") + " of it at constant voltage",
        figure_text(charge["taper_time_constant_s"], charge["u_taper_time_constant_s"], "s"),
        figure_text(charge["missing_ah"], charge["u_missing_ah"], "Ah") + " were still missing",
    ):
        assert figure in text
    assert "Where the uncertainties come from" not in text and "Equivalent circuit" not in text


def test_rest_too_short_says_how_long_a_rest_would_show_a_leak():
    found = sample("weak group")
    hours = max(math.ceil(group["shortest_rest_h_for_1ma"]) for group in found["groups"])
    assert f"A rest of {hours} h with all taps logged would show 1 mA" in flat(printed(found))


def test_rest_long_enough_says_which_leak_would_have_shown():
    found = sample("leak")
    least = max(group["smallest_leak_shown_ma"] for group in found["groups"])
    assert f"one of {least:.2f} mA or more beyond the other groups would have shown" in flat(printed(found))
    assert "not known" not in " ".join(measure_tables.leak_sentences(found))


def test_charge_that_never_held_its_voltage_says_what_to_do():
    text = flat(printed(sample("not full")))
    assert "Taper Not known: the charge has no part at constant voltage. Charge on until the current has fallen to 0.52 A." in text
    assert "all of it at constant current" in text


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        ("not_rested", "Let the pack rest for half an hour before the load."), ("no_voltage_limit", "State cutoff_voltage_v"),
        ("no_load_step", "Log a load of 10 s from rest."), ("no_voltage_before", "Log the voltage from before the load comes on."),
        ("sampling_too_coarse", "Log a row every second"),
    ],
)
def test_power_that_is_missing_says_why_and_what_to_record(reason, words):
    rows = measure_tables.beside_resistance(example_analysis({"power": {"discharge_10s_w": None, "reasons": [reason]}}))
    assert rows[0][0] == "Power" and rows[0][1].startswith("Not known: ") and words in rows[0][1] and reason not in rows[0][1]


def test_power_without_a_resistance_is_left_to_the_line_of_the_resistance():
    analysis = example_analysis({"power": {"discharge_10s_w": None, "reasons": ["no_load_step"]}, "resistance.headline": None})
    assert measure_tables.beside_resistance(analysis) == []


@pytest.mark.parametrize(
    ("bound", "words"),
    [
        ("pack_voltage", "where the pack is down to 30 V"), ("group_voltage", "where group 4 is down to 30 V"),
        ("max_discharge_current", "the highest current stated for the pack"),
    ],
)
def test_power_says_what_bounds_it(bound, words):
    power = {
        "discharge_10s_w": 700.0, "u_discharge_10s_w": 10.0, "current_a": 23.3, "limited_by": bound, "limit_v": 30.0, "group": 4,
        "state_of_charge": 0.5, "temperature_c": 20.0, "reasons": ["short_rest"],
    }
    text = said(measure_tables.beside_resistance(example_analysis({"power": power})))
    assert f"700 ± 20 W for 10 s, at 23.3 A, {words}." in text and "a pack 50 % charged at 20 °C; doubts: short rest before." in text


def cutoff(value, at_s, group=None, reasons=()):
    return {"value_ah": value, "u_value_ah": 0.01, "energy_wh": 300.0, "u_energy_wh": 0.5, "at_s": at_s, "group": group, "reached": True, "reasons": list(reasons)}


def test_both_cutoffs_are_told_where_they_lie_apart_in_the_order_they_were_met():
    changes = {
        "capacity.to_pack_cutoff": cutoff(9.41, 32500.0), "capacity.to_first_group_cutoff": cutoff(9.36, 32400.0, 4, ["group_cutoff_inferred"]),
    }
    text = said(measure_tables.beside_capacity(example_analysis(changes)))
    assert "To cut-offs: 9.360 ± 0.020 Ah until group 4 is down to 2.8 V" in text and "; 9.410 ± 0.020 Ah until the pack is down to 30 V" in text
    assert "that of the pack over the number of groups was taken" in text and "group_cutoff" not in text


def test_one_cutoff_that_is_the_end_of_the_discharge_is_not_told_twice():
    changes = {"capacity.to_first_group_cutoff": cutoff(9.36, 32400.0, 4), "capacity.to_pack_cutoff": {"value_ah": None, "reached": False}}
    assert "To cut-offs" not in said(measure_tables.beside_capacity(example_analysis(changes)))


def test_capacity_at_the_rating_stands_beside_the_measured_one_or_says_why_not():
    corrected = {"value_ah": 9.5, "u_value_ah": 0.06, "to_rate_it": 0.2, "to_temperature_c": 25.0, "reasons": []}
    text = said(measure_tables.beside_capacity(example_analysis({"capacity.corrected": corrected})))
    assert "At the rating: 9.50 ± 0.12 Ah at 0.2 It and 25 °C" in text and "the verdict does not use this one" in text
    refused = corrected | {"value_ah": None, "u_value_ah": None, "reasons": ["no_temperature"]}
    text = said(measure_tables.beside_capacity(example_analysis({"capacity.corrected": refused})))
    assert "Not given for 0.2 It and 25 °C: no temperature was logged." in text


def test_efficiency_and_temperature_that_are_missing_say_what_to_record():
    changes = {"efficiency": None, "thermal.max_c": None, "thermal.reasons": ["no_temperature"]}
    text = said(measure_tables.beside_capacity(example_analysis(changes)))
    assert "Efficiency: Not known" in text and "Discharge, charge, rest and discharge once more" in text
    assert "Temperature: Not known: no temperature was logged. Fix a sensor to the cells" in text
    assert measure_tables.beside_capacity(example_analysis()) == []


def trend(**changes):
    cycle = {"x": 1, "capacity_ah": 9.4, "u_capacity_ah": 0.02, "left_out": None}
    return {
        "cycles": [cycle | {"x": place} for place in (1, 2, 3)], "x": "place_in_log", "capacity_fade_share_per_cycle": 0.004,
        "u_capacity_fade_share_per_cycle": 0.0005, "resistance_growth_share_per_cycle": 0.001, "u_resistance_growth_share_per_cycle": 0.002,
        "capacity_fit": {"points": 3, "inflation": 1.0}, "reasons": [],
    } | changes


def test_cycles_tell_fade_with_its_uncertainty_and_what_is_not_shown():
    text = said(measure_tables.beside_resistance(example_analysis({"trend": trend()})))
    assert "0.40 ± 0.10 % of the capacity lost per cycle; 10 s resistance grows by 0.10 ± 0.40 % per cycle (no change shown); line through 3 cycles." in text


def test_cycles_without_a_line_say_why_and_one_cycle_is_silent():
    two = trend(capacity_fade_share_per_cycle=None, reasons=["too_few_points"])
    two["cycles"] = two["cycles"][:2]
    text = said(measure_tables.beside_resistance(example_analysis({"trend": two})))
    assert "No line through the 2 cycles: it takes three cycles that can be compared. Log three cycles or more" in text
    two["cycles"][0]["left_out"] = "other_rate"
    assert "1 left out: this discharge ran at another current" in said(measure_tables.beside_resistance(example_analysis({"trend": two})))
    two["cycles"] = two["cycles"][:1]
    assert measure_tables.beside_resistance(example_analysis({"trend": two})) == []


def test_leaks_that_no_rest_shows_are_told_by_group_and_reason():
    analysis = example_analysis()
    for group in analysis["groups"]:
        group |= {"self_discharge_reasons": ["plateau_flat"] if group["group"] <= 3 else [], "smallest_leak_shown_ma": 0.4, "self_discharge_step": 2}
        group |= {"self_discharge_ma": None if group["group"] <= 3 else 0.1, "u_self_discharge_ma": 0.2}
    text = " ".join(measure_tables.leak_sentences(analysis))
    assert "Leaks over a rest of 1 h 0 min: one of 0.4 mA or more" in text
    assert "Leaks at rest of groups 1 to 3 are not known." in text and "Groups 1 to 3: the voltage hardly changes with charge there" in text


@pytest.mark.parametrize(("numbers", "words"), [([3], "Group 3"), ([1, 2], "Groups 1, 2"), ([9, 1, 2, 3, 5], "Groups 1 to 3, 5, 9")])
def test_of_groups_names_runs(numbers, words):
    assert measure_tables.of_groups(numbers) == words


def test_every_reason_that_is_looked_for_has_its_words():
    known = {*ADVICE, *measure_tables.NEXT_POWER, *measure_tables.NEXT_TAPER, *measure_tables.NEXT_CYCLES, *measure_tables.LEAK_REASONS}
    assert known <= set(CODES)


# --- with --details ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", LOGS)
def test_no_code_reaches_the_text_and_80_columns_hold_it(name):
    found = sample(name)
    codes = {code for code in codes_of(found) if "_" in code}
    assert len(codes) > 5
    for details in (False, True):
        text = printed(found, details)
        assert not [code for code in codes if re.search(rf"\b{code}\b", text)]
        assert max(map(len, text.splitlines())) <= 80 and not [line for line in text.splitlines() if line != line.rstrip()]
        assert "None" not in re.findall(r"\w+", text.replace("None. That nothing", "")) and "nan" not in text.split()


def test_details_show_every_measure_and_keep_the_caution_last():
    text = printed(sample("weak group"), details=True)
    places = [text.index(f"\n{title}") for title in (
        "Steps\n", "Capacity to each cut-off\n", "Charges\n", "Resistance of the pack at steps", "Equivalent circuit", "Discharge power over 10 s\n", "Rests\n",
        "Leaks at rest\n", "Peaks of charge per volt", "Temperature sensors\n", "Groups, further figures\n", "Where the uncertainties come from\n",
        "A numeric result is no safety certificate.",
    )]
    assert places == sorted(places)
    circuit = sample("weak group")["resistance"]["circuit"]
    for row in (circuit["pack"], circuit["groups"][3]):
        assert figure_text(row["r0_ohm"], row["u_r0_ohm"], "ohm").removesuffix(" mΩ") in text
        assert figure_text(row["tau2_s"], row["u_tau2_s"], "s").removesuffix(" s") in text


def as_number(text):
    return float(re.match(r"[-\d.]+", text)[0])


def half_digit(text):
    """Half of the last place of a printed number."""
    digits = re.match(r"[-\d.]+", text)[0]
    return 0.5 * 10.0 ** -len(digits.partition(".")[2])


def budgets_in(text):
    """(head, terms, combined, expanded) of every budget of one figure, as printed."""
    part = text[text.index("Where the uncertainties come from"):]
    for head, table in re.findall(r"\n\n(\S[^\n]*: [^\n]* ± [^\n]*)\nSource[^\n]*\n─+\n(.*?)(?=\n\n)", part, re.DOTALL):
        rows = [re.fullmatch(r"(.*?)  +([\d.]+) \S+(?:  +[\d.]+ %)?", line) for line in table.splitlines()]
        values = [(row[1], row[2]) for row in rows if row]
        yield head, [value for _, value in values[:-2]], values[-2][1], values[-1][1]


@pytest.mark.parametrize("name", ["weak group", "leak"])
def test_budgets_are_listed_and_their_sums_match(name):
    found = sample(name)
    listed = {head.partition(":")[0]: (head, terms, total, expanded) for head, terms, total, expanded in budgets_in(printed(found, details=True))}
    assert {"Capacity", "Energy", "Resistance after 10 s", "Charge 1"} <= set(listed)
    expected = {
        "Capacity": (found["capacity"]["u_value_ah"], found["capacity"]["budget"]), "Energy": (found["capacity"]["u_energy_wh"], found["capacity"]["energy_budget"]),
        "Resistance after 10 s": (1e3 * found["resistance"]["headline"]["u_ohm_10s"], found["resistance"]["budget"]),
    }
    for head, terms, total, expanded in listed.values():
        # JCGM 100:2008, 5.1.2: independent terms join as the root of the sum of squares (clause from memory).
        slack = math.hypot(*map(half_digit, terms)) + half_digit(total)
        assert math.hypot(*map(as_number, terms)) == pytest.approx(as_number(total), abs=slack)
        assert as_number(expanded) == pytest.approx(2.0 * as_number(total), abs=2.0 * half_digit(total) + half_digit(expanded))
        assert f"± {expanded}" in head
    for key, (u, lines) in expected.items():
        _head, terms, total, _expanded = listed[key]
        assert as_number(total) == pytest.approx(u, abs=1.01 * half_digit(total)) and len(terms) == len(lines)


@pytest.mark.parametrize(
    ("title", "key", "factor"),
    [
        ("Capacity of each group, Ah", "u_capacity_ah", 1.0), ("Resistance after 10 s of each group, mΩ", "u_resistance_10s_ohm", 1e3),
        ("Ohmic resistance of each group, mΩ", "u_ohmic_ohm", 1e3), ("Sag in 10 s of each group, mV", "u_sag_10s_v", 1e3),
        ("Leak of each group, mA", "u_self_discharge_ma", 1.0),
    ],
)
def test_budgets_of_every_group_are_listed_and_their_sums_match(title, key, factor):
    found = sample("leak")
    table = printed(found, details=True).partition(f"\n{title}\n")[2].partition("\n\n")[0]
    head, _rule, *rows = table.splitlines()
    rows = [line.split() for line in rows if line.split()[0].isdecimal()]
    assert len(rows) == len(found["groups"]) and head.split()[-1] == "Combined"
    for group, (_number, *terms, total) in zip(found["groups"], rows, strict=True):
        terms = [term for term in terms if term != "–"]
        slack = math.hypot(*map(half_digit, terms)) + half_digit(total)
        assert math.hypot(*map(as_number, terms)) == pytest.approx(as_number(total), abs=slack)
        assert as_number(total) == pytest.approx(factor * group[key], abs=1.01 * half_digit(total))
    assert all(f"{letter} = " in flat(table) for letter in head.split()[1:-1])


def test_step_at_which_the_board_opened_gives_no_resistance():
    found = sample("board")
    tripped = next(step["index"] for step in found["steps"] if step["end_reason"] == "protection_trip")
    away = [row for row in found["resistance"]["pack"] if row["step_index"] == tripped + 1]
    text = printed(found, details=True)
    assert not [row for row in away if figure_text(row["ohm"], row["u_ohm"], "ohm").removesuffix(" mΩ") in text]


def test_circuit_that_is_missing_says_what_to_record():
    text = flat(printed(sample("board"), details=True))
    assert "Not given for groups 1 to 8: the samples lie too far apart" in text and "Log 10 samples a second" in text


def sensor(name, **changes):
    return {
        "name": name, "max_c": 50.0, "u_max_c": 0.6, "start_c": 22.0, "u_start_c": 0.6, "rise_c": 28.0, "u_rise_c": 0.3, "time_above_45c_s": 0.0,
        "u_time_above_45c_s": 0.0, "time_above_60c_s": 0.0, "time_below_0c_charging_s": 0.0, "reasons": [], "excluded": False, "budget": [],
    } | changes


def test_sensors_tell_times_above_limits_and_why_one_was_left_out():
    thermal = {
        "sensors": [
            sensor("T mid", time_above_45c_s=600.0, u_time_above_45c_s=20.0), sensor("T end", max_c=30.0),
            sensor("T wire", max_c=None, reasons=["frozen"], excluded=True),
        ], "charge_window_c": [0.0, 45.0], "discharge_window_c": [-20.0, 60.0], "windows_stated": True,
    }
    sheet, stream = sheet_of(80)
    detail_tables.print_sensors(sheet, {"thermal": thermal})
    text = flat(stream.getvalue())
    assert "T mid: above 45 °C for 600 ± 40 s." in text and "T wire: the sensor stood still while the pack worked; it was left out; nothing of it was used." in text
    assert "None of the others was seen above 45 °C or outside the windows of 0 to 45 °C while charging" in text and "(stated)" in text


def test_peaks_that_are_withheld_say_why_and_what_to_record():
    own = {"step": 4, "steps": [4], "rate_it": 1.2, "divided_by": 10, "window_v": 0.02, "withheld": True, "peaks": None,
           "reason_words": ["the current was above 1 It"], "record_next": ["discharge with 0.1 It or less"]}
    peak = {"position_v": 3.61, "u_position_v": 0.002, "height_ah_per_v": 14.0, "u_height_ah_per_v": 0.2, "width_v": 0.05, "area_ah": 6.0, "u_area_ah": 0.02, "filter_limited": True}
    group = {"group": 1, "discharge": own | {"withheld": False, "peaks": [peak], "reason_words": [], "record_next": []}}
    sheet, stream = sheet_of(80)
    detail_tables.print_peaks(sheet, {"incremental": {"discharge": own, "charge": {}, "groups": [group]}})
    text = flat(stream.getvalue())
    assert "Discharge, the pack, withheld: the current was above 1 It. Next time discharge with 0.1 It or less." in text
    assert "1 3.6100 ± 0.0040 14.00 ± 0.40 50 6.000 ± 0.040 at least" in text


def test_analysis_of_an_earlier_version_prints_with_what_it_has():
    text = printed(example_analysis(), details=True)
    assert "Where the uncertainties come from" in text and "Equivalent circuit" not in text and "Charges" not in text
    assert text.endswith("first.\n")


def test_details_of_a_kept_run_are_those_of_its_log(capfd, kept, made):
    code, shown, _err = call(capfd, "--register", kept, "show", 1, "--details")
    again = call(capfd, "analyze", made.log, "--pack", made.pack, "--details")[1]
    assert code == 0 and "Where the uncertainties come from" in shown
    assert shown[shown.index("\nSteps\n"):] == again[again.index("\nSteps\n"):]
    assert "Where the uncertainties" not in call(capfd, "--register", kept, "show", 1)[1]


def test_details_beside_json_print_json_alone(capfd, made):
    code, out, err = call(capfd, "analyze", made.log, "--pack", made.pack, "--json", "--details")
    assert (code, err) == (0, "") and parsed(out)["schema"] == "cycler.analysis/1"
