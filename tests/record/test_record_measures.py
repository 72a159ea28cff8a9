"""The measures in the record's annex: figures with unit and uncertainty, reasons in words, nothing of it on the first page."""

import copy
import re
import shutil
import subprocess
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from record_example import canonical, example, hostile, make_log, nulled

from cycler.analysis import analyze
from cycler.log import Log
from cycler.pack import Pack, load_pack, pack_from_dict
from cycler.quantities import figure_text
from cycler.readers import read_log
from cycler.record import build_record, measuretext, text
from cycler.record.blocks import Bullets, Facts, Para, Picture, Table
from cycler.record.curves import temperature_chart
from cycler.record.measures import measures
from cycler.record.model import build_view
from cycler.record.values import without_unit

SAMPLES = Path(__file__).resolve().parents[2] / "sample_logs"
MADE = {"serial": "2026-0007", "made_at": "2026-11-25T10:14:00Z", "run_label": "after repair", "workshop": "Quayside Pack Workshop"}
KEYS = ("cutoffs", "charges", "power", "leaks", "temperature", "circuit")
poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext of poppler-utils is not installed")


def words_of(block) -> str:
    """All text of a block."""
    if isinstance(block, Table):
        return " | ".join([*block.head, *(cell for row in block.rows for cell in row), block.caption])
    if isinstance(block, Facts):
        return " | ".join(f"{name}: {value}" for name, value in block.rows)
    if isinstance(block, Bullets):
        return " | ".join(f"{lead} {line}" for lead, line in block.items)
    return block.text if isinstance(block, Para) else getattr(block, "caption", "")


def section_of(analysis, key):
    """Text of one section of the measures, None without it."""
    found = [item.section for item in measures(analysis) if item.section.key == key]
    return " | ".join(map(words_of, found[0].blocks)) if found else None


def cell_rows(analysis, key):
    """Rows of the first table of a section."""
    section = next(item.section for item in measures(analysis) if item.section.key == key)
    return next(block for block in section.blocks if isinstance(block, Table)).rows


@cache
def sample(name, pack):
    log, pack = read_log(SAMPLES / f"{name}.csv"), load_pack(SAMPLES / "packs" / f"{pack}.toml")
    return canonical(analyze(log, pack).to_dict()), pack, log


ALL = (
    ("ebike-10s4p-before-repair", "ebike-0412"), ("ebike-10s-leaks-at-rest", "ebike-0377"), ("scooter-8s-lfp-board-trips", "scooter-0140-lfp"),
    ("ebike-10s-no-group-taps", "ebike-0398"), ("ebike-10s-charge-not-finished", "ebike-0405"),
)


def invented():
    """The example with measures made up so that each printed figure can be worked out by hand: U = 2 u with two digits."""
    analysis = example()
    capacity = analysis["capacity"]
    cut = {"energy_wh": 320.0, "u_energy_wh": 0.65, "at_s": 23400.0, "group": None, "reached": True, "reasons": [], "budget": []}
    capacity |= {
        "to_pack_cutoff": dict.fromkeys(("value_ah", "u_value_ah", "energy_wh", "u_energy_wh", "at_s", "group"))
        | {"reached": False, "reasons": ["cutoff_not_reached"], "budget": []},
        "to_first_group_cutoff": cut | {"value_ah": 9.031, "u_value_ah": 0.0131, "group": 4, "reasons": ["group_cutoff_inferred"]},
        "corrected": {
            "value_ah": 9.4, "u_value_ah": 0.11, "factor": 1.0271, "from_rate_it": 0.5, "to_rate_it": 0.2, "from_temperature_c": 24.1,
            "to_temperature_c": 25.0, "corrected_for": ["rate"], "defaulted": ["u_peukert"], "reasons": [],
            "budget": [{"source": "measured capacity", "standard_uncertainty_ah": 0.0137}, {"source": "rate coefficient", "standard_uncertainty_ah": 0.109}],
        },
        "energy_budget": [{"source": "current gain", "standard_uncertainty_wh": 0.3}, {"source": "voltage gain", "standard_uncertainty_wh": 0.4}],
        "u_energy_wh": 0.5,
    }
    analysis["charges"] = [{
        "steps": [1, 2], "start_s": 600.0, "charge_ah": 9.912, "u_charge_ah": 0.0147, "energy_wh": 377.2, "u_energy_wh": 0.61, "cc_share": 0.874,
        "cv_share": 0.126, "u_cc_share": 0.0015, "u_cv_share": 0.0015, "cc_s": 12000.0, "cv_s": 3600.0, "pauses": 1, "pause_s": 90.0,
        "taper_time_constant_s": 702.3, "u_taper_time_constant_s": 3.3, "missing_ah": 0.1014, "u_missing_ah": 0.0293, "end_current_a": 0.52,
        "end_voltage_v": 42.0, "end_reason": "charge_taper", "mean_temperature_c": 23.0, "min_temperature_c": 22.1, "max_temperature_c": 24.4,
        "reasons": ["taper_not_exponential"], "budget": [],
    }]
    analysis["power"] = {
        "discharge_10s_w": 612.4, "u_discharge_10s_w": 3.1, "current_a": 17.2, "min_voltage_v": 35.6, "ocv_v": 41.8, "resistance_ohm": 0.2145,
        "limit_v": 2.8, "limited_by": "group_voltage", "group": 4, "state_of_charge": 0.99, "temperature_c": 23.2, "at_s": 19800.0,
        "weakest_group": {"group": 4, "discharge_10s_w": 48.2, "u_discharge_10s_w": 0.42, "min_voltage_v": 2.8},
        "procedure": "10 s discharge power by an invented formula; not the manual's whole procedure", "reasons": ["extrapolated_current"],
    }
    for group in analysis["groups"]:
        leaky = group["group"] == 2
        group |= {
            "self_discharge_ma": 3.14 if leaky else 0.05, "u_self_discharge_ma": 0.16, "smallest_leak_shown_ma": 0.287, "shortest_rest_h_for_1ma": 17.2,
            "self_discharge_reasons": ["slope_coarse"] if leaky else [], "self_discharge_step": 3,
            "budgets": {"capacity_ah": [{"source": "current gain", "standard_uncertainty": 0.006}, {"source": "lag at the start", "standard_uncertainty": 0.008}],
                        "sag_10s_v": [{"source": "voltage gain", "standard_uncertainty": 0.00031}]},
        }
    analysis["thermal"] |= {
        "sensors": [
            {"name": "Housing [°C]", "source": "degC", "evidence": "heading", "max_c": 46.2, "u_max_c": 0.58, "start_c": 22.8, "u_start_c": 0.58, "rise_c": 23.4,
             "u_rise_c": 0.29, "max_rate_c_per_min": 0.31, "u_max_rate_c_per_min": 0.021, "time_above_45c_s": 600.0, "u_time_above_45c_s": 30.0,
             "time_above_60c_s": 0.0, "u_time_above_60c_s": 0.0, "time_below_0c_charging_s": 0.0, "time_outside_charge_window_s": 0.0,
             "u_time_outside_charge_window_s": 0.0, "time_outside_discharge_window_s": None, "reasons": ["no_reading_while_discharging"], "excluded": False},
            {"name": "NTC 2 (kOhm)", "source": "ntc", "evidence": "invented curve", "max_c": None, "reasons": ["open_circuit"], "excluded": True},
        ],
        "charge_window_c": [0.0, 45.0], "discharge_window_c": [-20.0, 60.0], "windows_stated": False, "reasons": [],
    }
    row = {
        "order": 2, "r0_ohm": 0.1117, "u_r0_ohm": 0.0046, "r0_interval_ohm": [0.103, 0.1212], "r1_ohm": 0.0467, "u_r1_ohm": 0.0044,
        "r1_interval_ohm": [0.0389, 0.0562], "tau1_s": 3.07, "u_tau1_s": 0.05, "tau1_interval_s": [2.97, 3.17], "r2_ohm": 0.0645, "u_r2_ohm": 0.0023,
        "r2_interval_ohm": [0.0601, 0.0691], "tau2_s": 82.4, "u_tau2_s": 4.0, "tau2_interval_s": [74.8, 90.7], "at_s": 19800.0, "excitation": "load_on",
        "current_step_a": -2.08, "window_s": 298.0, "sampling_s": 1.0, "residual_v": 0.0019, "noise_v": 0.0022, "state_of_charge": 0.99,
        "temperature_c": 23.2, "reasons": [],
    }
    lost = dict.fromkeys(row) | {"group": 1, "order": None, "reasons": ["noise_too_high"]}
    analysis["resistance"]["circuit"] = {"pack": row, "groups": [lost], "reasons": [], "to_record": ["Use a larger current."]}
    cycle = {"capacity_ah": 9.2, "u_capacity_ah": 0.0135, "rate_it": 0.2, "mean_temperature_c": 24.0, "equivalent_full_cycles": 1.5, "u_equivalent_full_cycles": 0.01,
             "resistance_10s_ohm": None, "energy_efficiency": 0.951, "u_energy_efficiency": 0.002}
    analysis["trend"] = {
        "cycles": [cycle | {"x": n, "left_out": "other_rate" if n == 2 else None} for n in range(1, 5)], "x": "cycle",
        "capacity_fade_share_per_cycle": 0.0026, "u_capacity_fade_share_per_cycle": 0.00041, "capacity_fade_ah_per_cycle": 0.024,
        "u_capacity_fade_ah_per_cycle": 0.0038, "capacity_fit": {"points": 3}, "reasons": ["cycles_left_out"],
        "capacity_fade_share_per_equivalent_full_cycle": None, "equivalent_full_cycle_reasons": ["charges_not_logged"],
        "resistance_growth_share_per_cycle": None, "resistance_reasons": ["too_few_points"],
        "energy_efficiency_change_per_cycle": None, "energy_efficiency_reasons": ["too_few_points"],
    }
    return analysis


# ---- figures, each worked out by hand from the invented values --------------------------------------------------


@pytest.mark.parametrize(
    ("key", "shown"),
    [
        ("cutoffs", ["9.031 ± 0.026 Ah", "320.0 ± 1.3 Wh", "until the first group is down to 2.80 V", "reached by group 4 after 1 h 0 min", "not reached",
                     "the discharge ended before this voltage was reached", "the cut-off voltage of a group is not stated"]),
        # 9.912 ± 0.029; 87.40 ± 0.30 %; 702.3 ± 6.6 s; 0.101 ± 0.059 Ah
        ("charges", ["9.912 ± 0.029", "377.2 ± 1.2", "87.40 ± 0.30", "12.60 ± 0.30", "702.3 ± 6.6", "0.101 ± 0.059", "0.52 A", "42.00 V", "one pause of 1 min 30 s",
                     "the taper slows down"]),
        ("power", ["612.4 ± 6.2 W", "the lowest voltage of group 4, 2.80 V", "about 99 % charged", "17.2 A at 35.60 V", "214.5 ± 2.4 mΩ", "48.20 ± 0.84 W",
                   "not the manual's whole procedure", "more than twice the one that was measured with"]),
        ("leaks", ["3.14 ± 0.32", "0.29", "18", "Rest of 1 h 0 min (step 3)", "curve under load only"]),
        # 600 s ± 2 x 30 s are 10.0 ± 1.0 min
        ("temperature", ["46.2 ± 1.2", "23.40 ± 0.58", "0.310 ± 0.042", "10.0 ± 1.0", "0 to 45 °C", "−20 to 60 °C", "usual ones assumed", "NTC 2",
                         "the sensor or its lead was open; left out of every figure"]),
        ("circuit", ["111.7 ± 9.2", "103.0 to 121.2", "82.4 ± 8.0", "74.8 to 90.7", "a.c. impedance", "step of the current 2.08 A", "Use a larger current.",
                     "the noise of the readings hides the response"]),
        ("trend", ["0.260 ± 0.082 %", "0.0240 ± 0.0076 Ah", "line through 3 cycles", "95.10 ± 0.40", "this discharge ran at another current",
                   "the charges between the discharges are not in the log"]),
    ],
)
def test_section_shows_figures_with_expanded_uncertainty_and_reasons_in_words(key, shown):
    said = section_of(invented(), key)
    for part in shown:
        assert part in said, (part, said)


def test_corrected_capacity_stands_beside_the_measured_one_and_is_marked_as_calculated():
    rows = cell_rows(invented(), "cutoffs")
    assert rows[0][:2] == ("as measured", figure_text(9.152, 0.0135, "Ah"))
    assert rows[-1][:2] == ("at the conditions of the rating (calculated)", "9.40 ± 0.22 Ah")
    assert "from 0.5 to 0.2 It: factor 1.0271" in rows[-1][3] and "not corrected for the temperature" in rows[-1][3]
    assert "not stated, so assumed: uncertainty of the rate exponent" in rows[-1][3]


def test_corrected_capacity_of_an_invalid_one_is_not_given():
    analysis = invented()
    analysis["capacity"]["corrected"] = {"value_ah": None, "reasons": ["capacity_not_valid"], "corrected_for": ["rate"]}
    row = cell_rows(analysis, "cutoffs")[-1]
    assert row[1] == "not given" and "the measured capacity is not valid" in row[3]


def test_capacity_budget_tells_what_the_state_of_health_counts_besides():
    """0.0164 Ah and 0.0105 Ah join to 0.01947 Ah; times 2 = 0.039 Ah."""
    def told(changes):
        analysis = invented()
        analysis["capacity"] |= changes
        view = build_view(analysis, Pack(), make_log(analysis), **MADE)
        return " | ".join(map(words_of, next(section for section in view.annex if section.key == "budget").blocks))
    assert "u = 0.011 Ah: capacity from true full ± 0.039 Ah, k = 2." in told({"u_charge_voltage_ah": 0.0105, "u_from_full_ah": 0.01947})
    assert "from true full" not in told({"u_charge_voltage_ah": 0.0, "u_from_full_ah": 0.0164})


def test_energy_budget_combines_to_the_uncertainty_of_the_energy():
    # sqrt(0.3^2 + 0.4^2) = 0.5; shares 0.09/0.25 and 0.16/0.25; U = 2 u.
    view = build_view(invented(), Pack(), make_log(invented()), **MADE)
    section = next(section for section in view.annex if section.key == "energy-budget")
    rows = section.blocks[0].rows
    assert [row[1:] for row in rows] == [("0.30 Wh", "36.0 %"), ("0.40 Wh", "64.0 %"), ("0.50 Wh", ""), ("1.0 Wh", "")]
    group = next(section for section in view.annex if section.key == "group-budget")
    # Group 4: sqrt(0.006^2 + 0.008^2) = 0.010 Ah, shares 36 and 64 %; its sag in mV.
    assert ("", text.BUDGET_EXPANDED, "0.020 Ah", "") in group.blocks[0].rows
    assert ("sag after 10 s", "gain of the voltage reading", "0.31 mV", "100.0 %") in group.blocks[0].rows


def test_leaks_unmeasured_in_every_group_are_told_once_with_the_rest_that_would_show_them():
    analysis = invented()
    for group in analysis["groups"]:
        group |= {"self_discharge_ma": None, "smallest_leak_shown_ma": None, "self_discharge_reasons": ["rest_too_short"], "shortest_rest_h_for_1ma": 4.0 + group["group"]}
    said = section_of(analysis, "leaks")
    assert said.startswith("No rest was long enough; the longest in the log is 1 h 0 min.")
    assert "A rest of about 14 h with all groups logged would show a leak of 1 mA." in said and said.count("rest was too short") == 1
    analysis["groups"][0]["shortest_rest_h_for_1ma"] = None
    analysis["groups"][0]["self_discharge_reasons"] = ["plateau_flat"]
    assert "1 mA in 9 of the 10 groups." in section_of(analysis, "leaks") and measuretext.LEAK_FLAT in section_of(analysis, "leaks")


@pytest.mark.parametrize(
    ("bound", "said"),
    [
        ({"limited_by": "pack_voltage", "limit_v": 30.0}, "the pack's lowest voltage, 30.00 V"),
        ({"limited_by": "max_discharge_current", "limit_v": None}, "the highest discharge current stated for the pack, 17.2 A, not by a voltage"),
    ],
)
def test_power_says_what_bounds_it(bound, said):
    analysis = invented()
    analysis["power"] |= bound
    assert f"Bounded by: {said}" in section_of(analysis, "power")


def test_power_missing_gives_the_reason_and_no_figure():
    analysis = invented()
    analysis["power"] = dict.fromkeys(analysis["power"]) | {"reasons": ["no_load_step"], "procedure": "x"}
    said = section_of(analysis, "power")
    assert "not measured" in said and "the log holds no load that comes on and stays for 10 s" in said and not re.search(r"\d W\b", said)


def test_single_cell_has_no_line_for_a_first_group():
    analysis = invented()
    analysis["pack"]["series"] = 1
    assert "first group" not in section_of(analysis, "cutoffs")


# ---- the whole record -------------------------------------------------------------------------------------------


def _without_measures(analysis):
    """The analysis as an earlier version stored it."""
    old = copy.deepcopy(analysis)
    for key in ("charges", "trend", "power", "incremental"):
        old.pop(key, None)
    for key in ("to_pack_cutoff", "to_first_group_cutoff", "corrected", "energy_budget"):
        old["capacity"].pop(key, None)
    old["resistance"].pop("circuit", None)
    for key in ("sensors", "reasons", "charge_window_c", "discharge_window_c", "windows_stated", "hottest_sensor", "rose_most_sensor"):
        old["thermal"].pop(key, None)
    for group in old["groups"]:
        for key in [key for key in group if key.startswith(("self_discharge_", "smallest_", "shortest_", "slope_at", "drift_to"))] + ["budgets"]:
            if key != "self_discharge_ma":
                group.pop(key, None)
    return old


def _pdf_text(pdf, *options):
    done = subprocess.run(["pdftotext", *options, "-", "-"], input=pdf, capture_output=True, check=True, timeout=60)
    return " ".join(done.stdout.decode().split())


@poppler
@pytest.mark.parametrize(("name", "pack"), ALL[:3])
def test_first_page_is_the_same_with_and_without_the_measures(name, pack):
    analysis, pack, log = sample(name, pack)
    now, before = (build_record(each, pack, log, **MADE).pdf for each in (analysis, _without_measures(analysis)))
    # Only the number of pages differs.
    first, old = (re.sub(r"page 1 of \d+", "", _pdf_text(pdf, "-l", "1")) for pdf in (now, before))
    assert first == old
    for heading in (measuretext.H_CUTOFFS, measuretext.H_POWER, measuretext.H_CIRCUIT):
        assert heading not in first and heading in _pdf_text(now, "-f", "2")


def test_record_of_an_analysis_from_before_the_measures_holds_none_of_their_sections():
    analysis, pack, log = sample(*ALL[0])
    old = _without_measures(analysis)
    assert measures(old) == ()
    page = build_record(old, pack, log, **MADE).html
    assert not [key for key in (*KEYS, "trend", "energy-budget", "group-budget") if f'<section id="{key}"' in page]
    assert figure_text(old["capacity"]["value_ah"], old["capacity"]["u_value_ah"], "Ah") in page


@poppler
def test_html_and_pdf_show_the_same_figures_of_a_sample():
    analysis, pack, log = sample(*ALL[1])
    record = build_record(analysis, pack, log, **MADE)
    power, charge, group = analysis["power"], analysis["charges"][1], analysis["groups"][5]
    circuit = analysis["resistance"]["circuit"]["pack"]
    for page in (" ".join(re.sub(r"<[^>]*>", " ", record.html).split()), _pdf_text(record.pdf)):
        for shown in (
            figure_text(power["discharge_10s_w"], power["u_discharge_10s_w"], "W"),
            figure_text(charge["missing_ah"], charge["u_missing_ah"], "Ah").removesuffix(" Ah"),
            figure_text(group["self_discharge_ma"], group["u_self_discharge_ma"], "mA").removesuffix(" mA"),
            figure_text(circuit["tau2_s"], circuit["u_tau2_s"], "s").removesuffix(" s"),
            "not the manual's whole procedure", "no a.c. impedance",
        ):
            assert shown.replace("'", "&#39;") in page or shown in page, shown


@pytest.mark.parametrize(("name", "pack"), ALL)
def test_every_reason_of_a_sample_has_words_and_no_code_reaches_the_page(name, pack):
    analysis, _, _ = sample(name, pack)
    found = set()

    def collect(value, key=""):
        if isinstance(value, dict):
            for name, item in value.items():
                collect(item, name)
        elif isinstance(value, list):
            if key.endswith("reasons"):
                found.update(code for code in value if isinstance(code, str))
            for item in value:
                collect(item, key)
        elif key == "left_out" and value:
            found.add(value)

    collect({key: value for key, value in analysis.items() if key != "incremental"})
    assert found <= set(text.CODES) | set(text.END_WORDS)
    said = " ".join(words_of(block) for item in measures(analysis) for block in item.section.blocks)
    assert not re.findall(r"\b[a-z]+(?:_[a-z0-9]+)+\b", said.replace("Temperature_", ""))


# Codes that the modules of the measures name in their docstrings and that the samples do not show.
@pytest.mark.parametrize(
    "code",
    ["plateau_flat", "slope_vague", "slope_coarse", "balancer_possible", "balancer_stopped", "outside_curve", "no_discharge_curve", "too_few_siblings",
     "readings_too_few", "rate_unknown", "too_far_from_rated_rate", "too_far_from_rated_temperature", "taper_too_short", "zero_hides_taper",
     "taper_not_exponential", "held_neither_constant", "no_constant_voltage", "taper_current_not_reached", "taper_current_unknown", "min_voltage_below_manual",
     "without_interconnect", "no_voltage_before", "no_voltage_limit", "not_rested", "response_too_short", "not_identifiable", "poor_fit", "noise_too_high",
     "no_reading", "no_current_step", "resistance_not_positive", "short_circuit", "impossible_value", "power_on_value", "frozen", "too_few_readings",
     "no_reading_while_charging", "no_spread", "scatter_exceeds_uncertainty", "temperatures_differ", "rated_capacity_unknown", "not_valid", "other_end",
     "pack_cutoff_unknown", "group_cutoff_unknown", "limits_do_not_fit", "group_without_readings"],
)
def test_reason_is_a_written_sentence(code):
    sentence = text.code_sentence(code)
    assert code in text.CODES and sentence[0].isupper() and sentence.endswith(".") and "_" not in sentence and len(sentence.split()) >= 5


@pytest.mark.parametrize("change", [nulled, lambda value: hostile(value, "<script>&amp;{{7*7}}\u202e" + "W" * 300), lambda value: {}, dict])
def test_record_survives_anything_in_the_measures(change):
    analysis = invented() | {key: change(invented()[key]) for key in ("charges", "trend", "power", "thermal", "resistance", "capacity") if key != "charges"}
    analysis["charges"] = [change(invented()["charges"][0])]
    analysis["groups"] = [change(group) for group in invented()["groups"]]
    record = build_record(analysis, Pack(), make_log(invented()), **MADE)
    assert record.pdf.startswith(b"%PDF") and "<script>" not in record.html


def test_many_charges_and_cycles_are_cut_and_said_to_be():
    analysis = invented()
    analysis["charges"] = [analysis["charges"][0] | {"charge_ah": float(n)} for n in range(40)]
    analysis["trend"]["cycles"] = [analysis["trend"]["cycles"][0] | {"x": n} for n in range(200)]
    assert "and 34 more" in section_of(analysis, "charges") and "and 176 more" in section_of(analysis, "trend")
    assert [row[0] for row in cell_rows(analysis, "charges")] == ["35", "36", "37", "38", "39", "40"]


# ---- temperatures from thermistors ------------------------------------------------------------------------------


def ntc_log(ohm) -> Log:
    """The example's log with one thermistor of so many ohms and no logged temperature."""
    plain = make_log(example(), temperature=False, rows=3745)
    return replace(plain, thermistor_ohm=np.full((plain.rows, 1), ohm) + np.linspace(0.0, 50.0, plain.rows)[:, None], thermistor_names=("NTC 1 (kOhm)",))


NTC_PACK = pack_from_dict({"id": "x", "thermistor": {"r25_ohm": 10000.0, "b_k": 3435.0}}, "pack")


def test_curves_of_the_record_hold_what_thermistors_show():
    view = build_view(invented(), NTC_PACK, ntc_log(10_000.0), **MADE)
    section = next(section for section in view.annex if section.key == "temperature")
    assert isinstance(section.blocks[0], Picture)
    labels = [item.text for item in section.blocks[0].chart.items if hasattr(item, "text")]
    # By definition of R25 the sensor is at 25 °C; 50 ohm more are 50/10 000 x T^2/B = 0.13 K less.
    assert "NTC 1" in labels and {"24.90", "25.00"} <= set(labels) and not {"24.80", "24.85", "25.05"} & set(labels)
    front = " ".join(words_of(block) for section in view.front for block in section.blocks)
    assert text.TEST_NO_TEMPERATURE not in front
    without = build_view(invented(), Pack(), ntc_log(10_000.0), **MADE)
    assert not any(isinstance(block, Picture) for section in without.annex if section.key == "temperature" for block in section.blocks)


def test_thermistor_without_a_curve_is_named_where_a_temperature_is_missing():
    analysis = invented()
    analysis["capacity"]["mean_temperature_c"] = None
    analysis["thermal"] = dict.fromkeys(("max_c", "rise_c", "ambient_c")) | {"reasons": ["thermistor_curve_unknown"], "sensors": []}
    view = build_view(analysis, Pack(), ntc_log(10_000.0), **MADE)
    front = " ".join(words_of(block) for section in view.front for block in section.blocks)
    assert front.count("no curve was stated to turn them into temperatures") == 2 and text.TEST_NO_TEMPERATURE not in front


def test_temperature_chart_of_many_sensors_is_a_band_and_of_none_nothing():
    log = make_log(example(), rows=2000)
    many = replace(log, temperature_c=np.hstack([log.temperature_c + k for k in range(9)]), temperature_names=tuple(f"T{k}" for k in range(9)))
    assert "9 sensors" in [item.text for item in temperature_chart(many).items if hasattr(item, "text")]
    assert temperature_chart(replace(log, temperature_c=np.full((2000, 1), np.nan))) is None


@pytest.mark.parametrize(
    ("heading", "shown"),
    [("Housing [°C]", "Housing"), ("T pack °C", "T pack"), ("Temp_C", "Temp"), ("NTC 1 (kOhm)", "NTC 1"), ("NTC", "NTC"), ("BMC", "BMC"), ("°C", "°C")],
)
def test_heading_loses_its_unit_and_no_letter_of_its_name(heading, shown):
    assert without_unit(heading) == shown
