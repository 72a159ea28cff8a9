"""Charges and their tapers: closed forms, an openly published table, and what a published taper did after it was cut."""

import math
import os
from pathlib import Path

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.chargesheet import charge_budget, charge_sheets
from cycler.measures import capacity as cap
from cycler.measures.charging import charging_of, taper_of
from cycler.pack import Instrument, Pack
from cycler.steps import segment_steps
from tests.corelogs import PACK_10AH, make_log, simple_test
from tests.coverage import COARSE
from tests.invented_tests import REALISTIC, label_of, model_of, run, usual_program

BENCH = Instrument(0.001, 0.01, 0.001, 0.002, 0.002, 0.005, 1.0, 0.0001, declared=True)


def charge_log(cc_s=3600.0, cc_a=2.0, tau_s=1200.0, cv_s=3600.0, dt=10.0, zero_a=0.0, pause_at_s=None):
    """Rest, constant current, exponential taper at 4.2 V, rest; one group. A pause of 300 s at ``pause_at_s`` into the constant current."""
    parts = [("rest", 600.0), ("cc", cc_s), ("cv", cv_s), ("rest", 900.0)]
    if pause_at_s:
        parts = [("rest", 600.0), ("cc", pause_at_s), ("rest", 300.0), ("cc", cc_s - pause_at_s), ("cv", cv_s), ("rest", 900.0)]
    times, currents, volts = [], [], []
    begin, charged = 0.0, 0.0
    for kind, span in parts:
        t = np.arange(0.0, span, dt)
        current = {"rest": np.zeros(t.size), "cc": np.full(t.size, cc_a), "cv": cc_a * np.exp(-t / tau_s)}[kind]
        level = 3.5 + 0.70 * (charged + (t if kind == "cc" else 0.0 * t)) / cc_s
        times.append(begin + t)
        currents.append(current + zero_a)
        volts.append(np.full(t.size, 4.2) if kind == "cv" else level + (0.0 if kind == "cc" else -0.005))
        begin += span
        charged += span if kind == "cc" else 0.0
    v = np.concatenate(volts)
    return make_log(np.concatenate(times), v, np.concatenate(currents), v[:, None], np.full(v.size, 22.0))


def only_charge(log, pack, zero=(0.0, 0.0, 600.0)):
    steps = segment_steps(log, pack)
    flow = cap.charge_flow(log, steps, cap.find_switches(log, steps))
    (sheet,) = charge_sheets(log, pack, steps, flow, cap.find_charges(log, steps, flow), zero)
    return sheet


CELL = Pack(series=1, rated_capacity_ah=4.0, charge_voltage_v=4.2, cutoff_voltage_v=3.0, taper_current_a=0.2, instrument=BENCH)


def test_taper_of_an_exponential_gives_its_time_constant_and_what_is_missing():
    # Closed form: tau = 20 min; from 0.5 It to 0.05 It in tau ln 10 = 46.052 min, to 0.02 It in tau ln 25 = 64.378 min; missing then I_end tau =
    # 1.6667 % and 0.6667 % of Cn (Cn = 1 Ah, so 0.5 It = 0.5 A).
    for minutes, share in ((20.0 * math.log(10.0), 0.016667), (20.0 * math.log(25.0), 0.006667)):
        t = np.linspace(0.0, 60.0 * minutes, 400)
        taper = taper_of(t, 0.5 * np.exp(-t / 1200.0))
        assert taper.time_constant_s == pytest.approx(1200.0, rel=1e-4)
        assert taper.missing_ah == pytest.approx(share, rel=1e-4)
        assert taper.reasons == ()
        # The charge that an endless taper would still give is what the table says, within what is said of the taper beyond the log.
        assert taper.u_missing_ah == pytest.approx(0.5 / math.sqrt(3.0) * taper.missing_ah, rel=0.02)


def test_zero_of_the_ammeter_is_taken_off_the_taper():
    t = np.arange(0.0, 4200.0, 10.0)
    current = 2.0 * np.exp(-t / 1200.0) + 0.03
    blind, told = taper_of(t, current), taper_of(t, current, 0.03, 0.001)
    assert blind.time_constant_s > 1300.0  # a zero left in makes the taper look slow
    assert told.time_constant_s == pytest.approx(1200.0, rel=1e-3)
    # Not known within 0.02 A, it stands in the uncertainty: the truth lies within k = 2.
    wide = taper_of(t, current, 0.0, 0.02)
    assert abs(wide.time_constant_s - 1200.0) <= 2.0 * wide.u_time_constant_s


def test_taper_intervals_cover_the_true_time_constant_under_correlated_noise():
    # Monte Carlo: ripple of a charger with a memory of ten rows; 95.45 % intended. White-noise formulas cover some 60 % here.
    rng = np.random.default_rng(11)
    t = np.arange(0.0, 3600.0, 5.0)
    hits, trials = 0, 200
    for _ in range(trials):
        ripple = np.convolve(rng.standard_normal(t.size + 60), np.exp(-np.arange(60) / 10.0), "valid")[: t.size]
        current = 2.0 * np.exp(-t / 1200.0) * (1.0 + 0.004 * ripple)
        taper = taper_of(t, current)
        hits += abs(taper.time_constant_s - 1200.0) <= 2.0 * taper.u_time_constant_s
    assert hits / trials >= 0.90


def test_taper_in_coarse_steps_stays_within_its_interval():
    t = np.arange(0.0, 3000.0, 30.0)
    taper = taper_of(t, np.round(2.0 * np.exp(-t / 1200.0), 2), resolution_a=0.01)
    assert abs(taper.time_constant_s - 1200.0) <= 2.0 * taper.u_time_constant_s < 60.0


@pytest.mark.parametrize(("current", "zero", "why"), [
    (lambda t: 2.0 * np.exp(-t / 9000.0), 0.0, "taper_too_short"), (lambda t: np.full(t.size, 2.0), 0.0, "taper_too_short"),
    (lambda t: 0.01 * np.exp(-t / 1200.0), 0.01, "zero_hides_taper"), (lambda t: np.full(t.size, np.nan), 0.0, "taper_too_short"),
])
def test_taper_that_shows_no_time_constant_is_withheld_with_its_reason(current, zero, why):
    t = np.arange(0.0, 3600.0, 10.0)
    taper = taper_of(t, current(t), 0.0, zero)
    assert taper.reasons == (why,) and taper.time_constant_s is None and taper.missing_ah is None


def test_taper_that_slows_down_is_called_no_exponential():
    # Sum of two exponentials, 300 s and 3000 s: in the later half the slow one is left.
    t = np.arange(0.0, 6000.0, 10.0)
    taper = taper_of(t, 1.5 * np.exp(-t / 300.0) + 0.5 * np.exp(-t / 3000.0))
    assert taper.reasons == ("taper_not_exponential",)
    assert taper.early_time_constant_s < 0.5 * taper.time_constant_s
    # Closed form: missing is 0.5 A x 3000 s x exp(-2) / 3600 = 0.0564 Ah (the fast part is gone).
    assert abs(taper.missing_ah - 0.5 * 3000.0 * math.exp(-2.0) / 3600.0) <= 2.0 * taper.u_missing_ah


@pytest.mark.skipif(not os.environ.get("OPEN_LOGS"), reason="the published logs are not part of the project: set OPEN_LOGS to their folder")
@pytest.mark.parametrize("cut_a", [0.8, 0.5, 0.4, 0.2, 0.1, 0.05])
def test_published_taper_cut_early_foretells_what_then_went_in(cut_a):
    # Source: NASA Ames Prognostics Center of Excellence, 'Battery Data Set' (Saha and Goebel, 2007), cell 5, second charge: 1.5 A to 4.2 V, then to 20 mA.
    # What flowed after the cut is the trapezoid over its rows; what is still missing at its end is below I_end times the slowest time constant.
    from cycler.readers import read_log

    log = read_log(Path(os.environ["OPEN_LOGS"]) / "nasa_b0005_charge_second.csv")
    held = (log.voltage_v > 4.195) & (log.current_a > 0.005) & (log.current_a < 1.495)
    time, current = log.time_s[held], log.current_a[held]
    k = int(np.flatnonzero(current <= cut_a)[0])
    went_in = float(np.trapezoid(current[k:], time[k:])) / 3600.0
    taper = taper_of(time[: k + 1], current[: k + 1], 0.0, 0.0005)
    assert went_in - 2.0 * taper.u_missing_ah <= taper.missing_ah <= went_in + 0.012 + 2.0 * taper.u_missing_ah


def test_charge_in_closed_form_and_its_parts():
    # Closed form: 2 A x 3600 s = 2 Ah, then 2 A x 1200 s x (1 - exp(-3)) / 3600 = 0.633475 Ah (twice the table value 0.3167376 Ah). The
    # edges hold half an interval each: 10 s, so 2 A x 5 s = 0.003 Ah more before, the taper's end less.
    sheet = only_charge(charge_log(), CELL)
    taper_ah = 2.0 * 0.3167376
    assert sheet["charge_ah"] == pytest.approx(2.0 + taper_ah, abs=0.003)
    assert sheet["cv_share"] == pytest.approx(taper_ah / (2.0 + taper_ah), abs=3.0 * sheet["u_cv_share"])
    assert sheet["cc_share"] + sheet["cv_share"] == pytest.approx(1.0, abs=1e-9)
    assert sheet["cc_s"] == pytest.approx(3600.0, abs=10.0) and sheet["cv_s"] == pytest.approx(3600.0, abs=10.0)
    assert sheet["cc_share_of_time"] + sheet["cv_share_of_time"] == pytest.approx(1.0, abs=1e-9)
    assert sheet["taper_time_constant_s"] == pytest.approx(1200.0, rel=1e-3)
    assert sheet["missing_ah"] == pytest.approx(2.0 * math.exp(-3.0) * 1200.0 / 3600.0, rel=0.01)
    assert sheet["taper_end_proved"] and sheet["reasons"] == []
    assert (sheet["mean_temperature_c"], sheet["min_temperature_c"], sheet["max_temperature_c"]) == (22.0, 22.0, 22.0)
    assert sheet["u_charge_ah"] == pytest.approx(math.sqrt(sum(line["standard_uncertainty_ah"] ** 2 for line in sheet["budget"])), rel=1e-9)


def test_charge_budget_in_closed_form():
    # GUM, half-widths rectangular: gain 0.002 x Q/sqrt(3); offset 0.005 A x T/sqrt(3) with T = 2 h; clock 1e-4 x Q/sqrt(3).
    log = charge_log()
    steps = segment_steps(log, CELL)
    flow = cap.charge_flow(log, steps, cap.find_switches(log, steps))
    charging = charging_of(log, steps, flow, cap.find_charges(log, steps, flow)[0], 0.0, 0.0)
    lines = {line.source: line.standard_uncertainty for line in charge_budget(charging, CELL)}
    q = charging.charge_ah
    assert lines["current gain"] == pytest.approx(0.002 * q / math.sqrt(3.0), rel=1e-9)
    assert lines["current offset"] == pytest.approx(0.005 * 2.0 / math.sqrt(3.0), rel=2e-3)
    assert lines["clock"] == pytest.approx(1e-4 * q / math.sqrt(3.0), rel=1e-9)
    # A step of 2 A anywhere in 10 s: 2 x 10/sqrt(12)/3600 Ah; the charger's stop from 0.1 A adds little.
    assert lines["sample instant"] == pytest.approx(20.0 / math.sqrt(12.0) / 3600.0, rel=0.01)
    # An ammeter seen to show 20 mA at rest counts with that whole: it is an error that is known, not a limit.
    seen = {line.source: line.standard_uncertainty for line in charge_budget(charging, CELL, 0.02)}
    assert seen["current offset"] == pytest.approx(4.0 * math.sqrt(3.0) * lines["current offset"], rel=1e-9)


def test_charger_pause_belongs_to_the_charge_and_counts_no_time():
    plain, paused = only_charge(charge_log(), CELL), only_charge(charge_log(pause_at_s=1800.0), CELL)
    assert paused["pauses"] == 1 and plain["pauses"] == 0 and plain["pause_s"] == 0.0
    assert paused["pause_s"] == pytest.approx(300.0, abs=20.0)
    assert paused["cc_s"] == pytest.approx(plain["cc_s"], abs=20.0)
    assert paused["charge_ah"] == pytest.approx(plain["charge_ah"], rel=2e-3)


def test_charge_that_stopped_before_its_taper_says_so():
    sheet = only_charge(charge_log(cv_s=0.0), CELL)
    assert sheet["missing_ah"] is None and sheet["taper_time_constant_s"] is None and not sheet["taper_end_proved"]
    assert sheet["reasons"] == ["no_constant_voltage", "taper_current_not_reached"]
    assert (sheet["cc_share"], sheet["cv_share"]) == (pytest.approx(1.0), 0.0)
    early = only_charge(charge_log(cv_s=1500.0), CELL)
    assert early["reasons"] == ["taper_current_not_reached"]
    # Closed form: stopped at 2 A x exp(-1.25) = 0.573 A, 0.573 A x 1200 s = 0.191 Ah are missing.
    assert early["missing_ah"] == pytest.approx(2.0 * math.exp(-1.25) * 1200.0 / 3600.0, rel=0.02)


def test_charge_with_a_gap_that_nothing_bridges_gives_no_charge():
    from cycler.log import Gap

    log = charge_log()
    keep = (log.time_s < 1500.0) | (log.time_s > 2700.0)
    cut = make_log(
        log.time_s[keep], log.voltage_v[keep], log.current_a[keep], log.group_voltage_v[keep], log.temperature_c[keep],
        gaps=[Gap(1490.0, 1220.0, "no samples")],
    )
    sheet = only_charge(cut, CELL)
    assert sheet["charge_ah"] is None and sheet["energy_wh"] is None and sheet["cc_share"] is None and "log_gap" in sheet["reasons"]


# Source: XJTU open battery data set (2024), 2.0 Ah cell "2C battery-1": charge and discharge in Ah of cycles 1, 2 and 3; the ratio of
# cycle 1 (1.54990) is no efficiency, since the cell arrived part-charged.
XJTU = ((1.28478, 1.99128), (1.97587, 1.86365), (1.86633, 1.87135))


def xjtu_log(dt=5.0):
    """Cycles that hold the published charges to the digit: 2 A constant current and a taper of 600 s to 0.1 A, rests, 1 A discharges to 2.7 V."""
    rows = []
    now = 0.0

    def put(span, current, volts, cycle):
        nonlocal now
        t = np.arange(0.0, span, dt)
        amps, level = (f(t) if callable(f) else np.full(t.size, f) for f in (current, volts))
        rows.append(np.stack((now + t, amps, level, np.full(t.size, cycle)), axis=1))
        now += span

    taper_s = math.ceil(600.0 * math.log(20.0) / dt) * dt
    taper_ah = 2.0 * 600.0 * (1.0 - math.exp(-taper_s / 600.0)) / 3600.0
    for cycle, (charged, given) in enumerate(XJTU, 1):
        cc_s, out_s = round((charged - taper_ah) * 1800.0 / dt) * dt, round(given * 3600.0 / dt) * dt
        put(600.0, 0.0, 3.4, cycle)
        put(cc_s, (charged - taper_ah) * 3600.0 / cc_s, lambda t: 3.6 + 0.59 * t / t[-1], cycle)
        put(taper_s, lambda t: 2.0 * np.exp(-t / 600.0), 4.2, cycle)
        put(1800.0, 0.0, 4.18, cycle)
        put(out_s, -given * 3600.0 / out_s, lambda t: 4.05 - 1.355 * (t / t[-1]) ** 3, cycle)
    put(600.0, 0.0, 3.2, 3)
    table = np.concatenate(rows)
    return make_log(table[:, 0], table[:, 2], table[:, 1], table[:, 2][:, None], np.full(table.shape[0], 25.0), cycle_number=table[:, 3])


def test_published_cycle_table_is_given_back_and_its_first_ratio_is_no_efficiency():
    pack = Pack(series=1, rated_capacity_ah=2.0, charge_voltage_v=4.2, cutoff_voltage_v=2.7, taper_current_a=0.105, instrument=BENCH)
    found = analyze(xjtu_log(), pack).to_dict()
    assert [c["charge_ah"] for c in found["charges"]] == pytest.approx([q for q, _ in XJTU], rel=2e-3)
    assert [c["value_ah"] for c in found["capacities"]] == pytest.approx([q for _, q in XJTU], rel=5e-3)
    for sheet, (charged, _) in zip(found["charges"], XJTU, strict=True):
        assert abs(sheet["charge_ah"] - charged) <= 2.0 * sheet["u_charge_ah"]
    trend = found["trend"]
    assert [row["cycle"] for row in trend["cycles"]] == [1, 2, 3]
    # Full to full: the discharge of a cycle with the charge after it, the last with the charge before, both ends of which were empty.
    ratios = [1.99128 / 1.97587, 1.86365 / 1.86633, 1.87135 / 1.86633]
    assert [row["coulombic_efficiency"] for row in trend["cycles"]] == pytest.approx(ratios, rel=3e-3)
    # Equivalent full cycles: (charge in + out) / (2 x 2.0 Ah), to the end of cycle 3: 10.84334 Ah / 4 = 2.71084.
    assert trend["cycles"][2]["equivalent_full_cycles"] == pytest.approx(sum(map(sum, XJTU)) / 4.0, rel=3e-3)


def test_charge_of_the_simple_pack_is_the_closed_form():
    # 0.05 Ah at an exponential taper, as the log was made.
    log, _ = simple_test((10.0, 10.2, 9.9))
    found = analyze(log, PACK_10AH).to_dict()
    assert found["charges"][0]["charge_ah"] == pytest.approx(0.05, rel=0.03)
    assert found["charges"][0]["energy_wh"] == pytest.approx(0.05 * 12.6, rel=0.03)


@pytest.mark.parametrize(("limits", "period_s", "first_seed"), [(REALISTIC, 1.0, 20001), (COARSE, 5.0, 20101)])
def test_parts_of_invented_charges_lie_within_their_intervals(limits, period_s, first_seed):
    # Monte Carlo with the simulator's truth; 95 % intended: of 25 tests three misses or more have a chance of 0.13. A cut at the nearest row, without
    # the crossing of the lines, covers 2 in 25 at 1 s.
    inside = {"cv_s": 0, "cv_share": 0, "cc_s": 0}
    for seed in range(first_seed, first_seed + 25):
        draw = np.random.default_rng((seed, 4))
        label = label_of(int(draw.integers(3, 11)), float(draw.choice([5.0, 10.0, 17.0])), limits)
        test = run(model_of(label, seed), label, usual_program(label, 0.5, period_s), seed)
        parts = {step["kind"]: step for step in test.truth["steps"] if step["kind"].startswith("charge")}
        sheet = only_charge(test.log, test.pack, None)
        whole = sum(step["charge_ah"] for step in parts.values())
        truth = {f"{kind}_s": parts[f"charge_{kind}"]["end_s"] - parts[f"charge_{kind}"]["start_s"] for kind in ("cc", "cv")}
        truth["cv_share"] = parts["charge_cv"]["charge_ah"] / whole
        for key in inside:
            inside[key] += abs(sheet[key] - truth[key]) <= 2.0 * sheet["u_" + key]
        if period_s == 1.0:
            assert sheet["u_cv_s"] < 1.0 and sheet["u_cv_share"] < 0.002
    assert min(inside.values()) >= 23


def test_charge_whose_first_row_holds_the_voltage_leaves_the_interval_before_open():
    # 60 s rows, 30 s at constant current before the first of them that shows current: up to 60 s of it may hide there.
    log = charge_log(cc_s=30.0)
    seen = np.isclose(log.time_s % 60.0, 50.0)
    log = make_log(log.time_s[seen], log.voltage_v[seen], log.current_a[seen], log.group_voltage_v[seen], log.temperature_c[seen])
    sheet = only_charge(log, CELL)
    assert sheet["cc_s"] == 0.0 and 2.0 * sheet["u_cc_s"] >= 30.0 and abs(sheet["cv_s"] - 3600.0) <= 2.0 * sheet["u_cv_s"]
    assert sheet["u_cc_s"] >= 60.0 / math.sqrt(3.0)


def test_readings_at_the_end_of_a_charge_have_their_uncertainties():
    # Closed form, no noise: 2 mV/sqrt(3) and 0.001 x 4.2 V/sqrt(3) joined with the offset 0.01 V/sqrt(3); the current with 0.002 I and 0.005 A.
    sheet = only_charge(charge_log(), CELL)
    bench, volts, amps = BENCH, sheet["end_voltage_v"], sheet["end_current_a"]
    expected_v = math.hypot(bench.voltage_gain * volts, bench.voltage_offset_v) / math.sqrt(3.0)
    expected_a = math.hypot(bench.current_gain * amps, bench.current_offset_a) / math.sqrt(3.0)
    assert sheet["u_end_voltage_v"] == pytest.approx(expected_v, rel=0.05)
    assert sheet["u_end_current_a"] == pytest.approx(expected_a, rel=0.05)
    # A zero of 30 mA that the rests show and nobody took off.
    off = only_charge(charge_log(zero_a=0.03), CELL, (0.03, 0.0005, 600.0))
    assert abs(off["end_current_a"] - amps) <= 2.0 * off["u_end_current_a"] < 0.08
