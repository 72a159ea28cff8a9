"""The measures on a run's page: closed parts with their figures, old runs without them, curves of thermistors."""

from __future__ import annotations

import copy
import io

import numpy as np
import pytest

from cycler.pack import load_pack, pack_from_dict
from cycler.quantities import figure_text
from cycler.record import measuretext
from cycler.record import text as record_text
from cycler.register import Register
from dashboard import text
from dashboard.data import Door, Wish
from dashboard.pages import run, run_measures, run_tables
from tests.dashboard.conftest import SAMPLES
from tests.dashboard.test_words import words_of

TITLES = [
    measuretext.H_CUTOFFS, measuretext.H_CHARGES, measuretext.H_POWER, measuretext.H_LEAKS, measuretext.H_TEMPERATURE, measuretext.H_CIRCUIT,
]


def summary_of(fold):
    return words_of(fold.children[0])


def test_every_measure_is_a_closed_part_with_its_figure_beside_the_title(door):
    analysis = door.run(1).analysis
    folds = run_measures.folds(analysis)
    assert [summary_of(fold).split("  ")[0].startswith(title) for fold, title in zip(folds, TITLES, strict=True)] == [True] * len(TITLES)
    assert not any(fold.open for fold in folds)
    power = analysis["power"]
    assert figure_text(power["discharge_10s_w"], power["u_discharge_10s_w"], "W") in summary_of(folds[2])
    first = analysis["capacity"]["to_first_group_cutoff"]
    assert figure_text(first["value_ah"], first["u_value_ah"], "Ah") in words_of(folds[0])
    assert "not the manual's whole procedure" in words_of(folds[2]) and "would show a leak of 1 mA" in words_of(folds[3])


def test_budgets_hold_energy_and_every_group(door):
    analysis = door.run(1).analysis
    said = words_of(run_tables.all_tables(analysis))
    assert text.BUDGET_ENERGY in said and text.BUDGET_CORRECTED not in said
    tables = run_measures.group_budgets(analysis)
    said = words_of(tables)
    for key in ("capacity_ah", "resistance_10s_ohm", "ohmic_ohm", "sag_10s_v"):
        assert measuretext.GROUP_BUDGET_FIGURES[key].capitalize() in said
    assert said.count("group 10") == 4 and "standard uncertainties in mV" in said


def test_group_budget_cells_are_the_standard_uncertainties_in_the_unit_of_the_title():
    groups = [{"group": n, "name": "", "budgets": {"sag_10s_v": [{"source": "voltage gain", "standard_uncertainty": 0.000234 * n}]}} for n in (1, 2)]
    said = words_of(run_measures.group_budgets({"groups": groups}))
    # 0.000234 V = 0.23 mV, twice that 0.47 mV, two significant digits.
    assert "0.23" in said and "0.47" in said and "Gain of the voltage reading" in said


def stripped(analysis):
    """An analysis as it was stored before these measures were made."""
    old = copy.deepcopy(analysis)
    for key in ("charges", "trend", "power", "incremental", "counters"):
        old.pop(key, None)
    for key in ("to_pack_cutoff", "to_first_group_cutoff", "corrected", "energy_budget"):
        old["capacity"].pop(key, None)
    old["resistance"].pop("circuit", None)
    old["thermal"] = {key: old["thermal"].get(key) for key in ("max_c", "u_max_c", "rise_c", "u_rise_c", "max_rate_c_per_min", "ambient_c")}
    for group in old["groups"]:
        for key in list(group):
            if key == "budgets" or key.startswith(("self_discharge_r", "self_discharge_s", "smallest_", "shortest_", "slope_", "drift_")):
                del group[key]
    return old


@pytest.fixture
def old_door(door, tmp_path):
    """A door to a register whose one run was stored by an earlier version, and the same path."""
    path = tmp_path / "old.sqlite"
    name = "ebike-10s4p-before-repair.csv"
    with Register.open(path, create=True) as register:
        register.add_run(
            pack=load_pack(SAMPLES / "packs" / "ebike-0412.toml"), sources=[(name, (SAMPLES / name).read_bytes())],
            analysis=stripped(door.run(1).analysis),
        )
    opened = Door(path)
    yield opened
    opened.close()


def test_run_of_an_earlier_version_still_opens_without_the_measures(old_door, door):
    page, title = run.layout(old_door, 1, {})
    said = words_of(page)
    assert "EB-0412" in title and not any(name in said for name in TITLES)
    for kept in (text.TABLE_STEPS, text.TABLE_RESISTANCE, text.TABLE_BUDGET, text.BUDGET_CAPACITY):
        assert kept in said
    capacity = door.run(1).analysis["capacity"]
    assert figure_text(capacity["value_ah"], capacity["u_value_ah"], "Ah") in said
    assert old_door.curves(1).series and old_door.decide(1, Wish("return-to-owner"), None).serial
    assert old_door.record_file(old_door.records(1)[0].id, "pdf").startswith(b"%PDF")


def test_new_run_shows_the_parts_on_its_page(door):
    page, _ = run.layout(door, 2, {})
    said = words_of(page)
    assert all(title in said for title in TITLES)


# ---- thermistors ------------------------------------------------------------------------------------------------


def ntc_log():
    """An invented test of 3 groups over two hours with one NTC that falls from 10 kohm."""
    time = np.arange(0.0, 7200.0, 10.0)
    current = np.where((time > 600) & (time < 6600), -2.0, 0.0)
    volts = 4.15 - 0.0001 * np.clip(time - 600.0, 0.0, 6000.0) + 0.02 * current
    out = io.StringIO()
    out.write("Time (s),Voltage (V),Current (A),Cell 1 (V),Cell 2 (V),Cell 3 (V),NTC 1 (kOhm)\n")
    for t, v, i in zip(time, volts, current, strict=True):
        out.write(f"{t:.0f},{3 * v:.4f},{i:.3f},{v:.4f},{v:.4f},{v:.4f},{10.0 - t / 14400.0:.4f}\n")
    return out.getvalue().encode()


def test_curves_hold_the_temperatures_of_thermistors_by_each_pack_own_curve(tmp_path):
    from cycler.criteria import load_criteria
    from cycler.workflow import add_logs

    packs = [
        pack_from_dict({"id": f"NTC-{k}", "series": 3, "cutoff_voltage_v": 9.0, "charge_voltage_v": 12.6, **({"thermistor": curve} if curve else {})}, "pack")
        for k, curve in enumerate(({"r25_ohm": 10000.0, "b_k": 3435.0}, {"r25_ohm": 20000.0, "b_k": 3435.0}, None))
    ]
    path = tmp_path / "ntc.sqlite"
    with Register.open(path, create=True) as register:
        numbers = [add_logs(register, [("ntc.csv", ntc_log())], pack, "", load_criteria()) for pack in packs]
    door = Door(path)
    try:
        found = [[series for series in door.curves(number).series if series.panel == "temperature"] for number in numbers]
        assert [[series.name for series in each] for each in found] == [["NTC 1"], ["NTC 1"], []]
        # 10 kohm is R25 of the first curve: 25 °C. By the B equation 1/T = 1/298.15 + ln(0.5)/3435 for the second: 316.7 K.
        assert found[0][0].value[0] == pytest.approx(25.0, abs=1e-6)
        assert found[1][0].value[0] == pytest.approx(1.0 / (1.0 / 298.15 + np.log(0.5) / 3435.0) - 273.15, abs=1e-6)
        page, _ = run.layout(door, numbers[2], {})
        assert record_text.code_phrase("thermistor_curve_unknown") in words_of(page)
    finally:
        door.close()


# ---- in the browser ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [1280, 390])
def test_open_parts_do_not_widen_the_page(served, page, width):
    page.set_viewport_size({"width": width, "height": 844})
    page.goto(served.address + "/run/1")
    page.get_by_text(measuretext.H_CIRCUIT).wait_for()
    page.locator("#run-incremental-open").wait_for()
    closed = page.locator(".folds > details[open]").count()
    page.evaluate("document.querySelectorAll('.folds > details').forEach(part => { part.open = true })")
    page.get_by_text("no a.c. impedance").wait_for()
    assert closed == 0
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    # Sentences stand in the window; only tables may scroll sideways, inside themselves.
    wide = page.evaluate(
        "[...document.querySelectorAll('.folds p, .folds dd, .folds li')].filter(part => !part.closest('.table-scroll')"
        " && part.getBoundingClientRect().right > document.documentElement.clientWidth).length"
    )
    assert wide == 0
