"""The contract's ``incremental``: which stretch is taken, what speaks against it, pack against groups; and the curves made again from a log.

The packs are made of logistic cells (closed form, see test_incremental.py) behind a resistance: the peak of a discharge lies at V0 - I R, that of a charge at V0 + I R.
"""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.incrementaltable import MEND_WORDS, REASON_WORDS, incremental_curves
from cycler.log import Gap
from cycler.measures.steady import steady_stretch
from cycler.pack import Instrument, Pack
from cycler.readers import read_log
from tests.corelogs import make_log

QT, S = 2.5, 0.03
CENTRES = (3.65, 3.62, 3.68)
OHM = 0.04
PACK = Pack(series=3, rated_capacity_ah=2.5, instrument=Instrument(0.0002, 0.0003, 0.0002, 0.0001, 0.0002, 0.0001, 1.0, 0.00001, declared=True))


def cell(below_ah, centre=3.65):
    """Rest voltage with that much charge below it."""
    return centre + S * np.log(below_ah / (QT - below_ah))


def logged(segments, dt=5.0, centres=CENTRES, resolution=0.001, start_ah=2.49, groups=True, **extra):
    """A log of (current, hours) segments; the charge below the cells' voltage starts at ``start_ah``."""
    current = np.concatenate([np.full(max(2, round(hours * 3600 / dt)), amps) for amps, hours in segments])
    time = dt * np.arange(current.size)
    below = start_ah + np.concatenate(([0.0], np.cumsum(0.5 * (current[1:] + current[:-1]) * dt / 3600)))
    volts = np.column_stack([cell(np.clip(below, 0.004, QT - 0.004), centre) + OHM * current for centre in centres])
    volts = np.round(volts / resolution) * resolution if resolution else volts
    return make_log(time, volts.sum(axis=1), current, volts if groups else None, **extra)


def both_ways(rate_it=0.1, **extra):
    amps, hours = rate_it * QT, 2.47 / (rate_it * QT)
    return logged([(0.0, 0.2), (-amps, hours), (0.0, 0.3), (amps, hours), (0.0, 0.2)], **extra)


def sheet(log, pack=PACK):
    found = analyze(log, pack).to_dict()
    json.dumps(found["incremental"], allow_nan=False)
    return found["incremental"]


def test_slow_discharge_and_charge_have_their_peaks_at_current_times_resistance_from_rest():
    found = sheet(both_ways())
    for way, sign in (("discharge", -1), ("charge", 1)):
        for row, centre in zip(found["groups"], CENTRES):
            own = row[way]
            assert own["reasons"] == [] and not own["withheld"]
            (peak,) = own["peaks"]
            assert peak["position_v"] == pytest.approx(centre + sign * 0.25 * OHM, abs=2 * peak["u_position_v"])
            assert peak["height_ah_per_v"] == pytest.approx(QT / (4 * S), abs=2 * peak["u_height_ah_per_v"])
            assert 0 < peak["u_position_noise_v"] <= peak["u_position_v"] < 0.003
        assert (found[way]["source"], found[way]["divided_by"]) == ("pack", 3)
        assert found[way]["rate_it"] == pytest.approx(0.1) and found[way]["rate_from"] == "rated_capacity"
        assert found[way]["order"] == 3 and found[way]["window_v"] == pytest.approx((found[way]["points"] - 1) * found[way]["grid_v"])


def test_pack_of_equal_groups_has_the_peak_of_one_group():
    found = sheet(both_ways(centres=(3.65, 3.65, 3.65)))
    (pack,), (group,) = found["discharge"]["peaks"], found["groups"][0]["discharge"]["peaks"]
    assert pack["position_v"] == pytest.approx(group["position_v"], abs=1e-3)
    assert pack["height_ah_per_v"] == pytest.approx(group["height_ah_per_v"], rel=0.02)
    assert pack["area_ah"] == pytest.approx(group["area_ah"], rel=0.01)


def test_gain_and_zero_of_the_bench_widen_the_peak_but_not_its_noise_part():
    poor = replace(PACK, instrument=Instrument(0.01, 0.03, 0.01, 0.02, 0.01, 0.001, declared=True))
    (good,), (bad,) = (sheet(both_ways(), pack)["groups"][0]["discharge"]["peaks"] for pack in (PACK, poor))
    assert good["u_position_noise_v"] == bad["u_position_noise_v"]
    # Rectangular limits: (0.01 x 3.64 V and 0.02 V) / sqrt 3.
    assert bad["u_position_v"] == pytest.approx(np.hypot(good["u_position_noise_v"], np.hypot(0.0364, 0.02) / np.sqrt(3)), rel=2e-3)
    share = np.hypot(0.01, np.hypot(0.01, 0.001 / 0.25)) / np.sqrt(3)
    assert bad["u_height_ah_per_v"] == pytest.approx(np.hypot(bad["u_height_noise_ah_per_v"], share * bad["height_ah_per_v"]), rel=5e-3)


@pytest.mark.parametrize(("rate", "withheld", "reasons"), [(0.3, False, []), (0.5, False, ["rate_too_high"]), (1.3, True, ["rate_too_high"])])
def test_rate_is_doubted_above_a_third_and_withheld_above_one(rate, withheld, reasons):
    own = sheet(both_ways(rate, dt=1.0))["discharge"]
    assert (own["withheld"], own["reasons"]) == (withheld, reasons)
    assert (own["peaks"] is None) == withheld
    if reasons:
        assert "0.25 A here" in own["record_next"][0]  # 0.1 It of 2.5 Ah


def test_unsteady_current_is_withheld():
    segments = [(0.0, 0.2)] + [(-amps, 0.25) for _ in range(12) for amps in (0.15, 0.21, 0.28)] + [(0.0, 0.2)]
    log = logged(segments)
    rng = np.random.default_rng(2)
    riding = np.where(log.current_a < 0, log.current_a * rng.uniform(0.2, 1.8, log.rows), 0.0)
    found = sheet(replace(log, current_a=riding))["discharge"]
    assert found["withheld"] and found["peaks"] is None
    assert set(found["reasons"]) & {"current_unsteady", "interrupted", "no_steady_current"}


def test_rows_too_far_apart_are_named_with_the_interval_to_log():
    own = sheet(both_ways(dt=1800.0))["groups"][0]["discharge"]
    assert own["reasons"][0] == "sampling_too_coarse"
    assert own["record_next"] == ["log a row every 1000 s or oftener"]  # 8 rows per 40 mV at about 18 Ah/V and 0.25 A: 1300 s


def test_coarse_resolution_is_named_and_withheld_where_the_range_holds_too_few_of_its_wide_windows():
    own = sheet(both_ways(resolution=0.010))["groups"][0]["discharge"]
    assert own["window_v"] == pytest.approx(0.080, rel=0.01)  # of 0.3 V
    assert own["reasons"] == ["voltage_resolution_too_coarse", "range_too_short"] and own["withheld"]
    assert own["record_next"][0] == "log the voltage of each group to 1 mV, or that of the pack to 1 mV"


def test_hopeless_resolution_withholds():
    own = sheet(both_ways(resolution=0.1))["groups"][0]["discharge"]
    assert own["withheld"] and own["peaks"] is None and own["reasons"]


def test_short_discharge_is_withheld_for_its_range():
    own = sheet(logged([(0.0, 0.2), (-0.25, 1.0), (0.0, 0.2)], start_ah=1.4), replace(PACK, chemistry="nmc"))["discharge"]
    assert "range_too_short" in own["reasons"]


def test_pulse_test_is_withheld_as_interrupted():
    segments = [(0.0, 0.2)] + [part for _ in range(9) for part in ((-0.25, 1.0), (0.0, 0.5))]
    own = sheet(logged(segments))["discharge"]
    assert own["withheld"] and own["reasons"] == ["interrupted"]


def test_one_pause_is_bridged_and_doubted_only():
    log = logged([(0.0, 0.2), (-0.25, 5.0), (0.0, 0.5), (-0.25, 4.87), (0.0, 0.2)])
    own = sheet(log)["groups"][0]["discharge"]
    assert (own["withheld"], own["reasons"]) == (False, ["interrupted"])
    assert own["peaks"][0]["height_ah_per_v"] == pytest.approx(QT / (4 * S), rel=0.03)


def test_gap_in_the_stretch_is_named():
    log = both_ways()
    keep = (log.time_s < 15000) | (log.time_s > 19000)
    short = make_log(
        log.time_s[keep], log.voltage_v[keep], log.current_a[keep], log.group_voltage_v[keep], gaps=(Gap(15000.0 - 5.0, 4000.0),)
    )
    own = sheet(short)["discharge"]
    assert "log_gap" in own["reasons"] and own["withheld"]


def test_pack_without_series_count_or_groups_is_withheld():
    log = both_ways(groups=False)
    found = sheet(log, Pack(rated_capacity_ah=2.5))
    assert found["discharge"]["reasons"] == ["series_unknown"] and found["discharge"]["divided_by"] is None and found["groups"] == []
    assert sheet(log, replace(PACK, series=3))["discharge"]["peaks"]


def test_voltage_of_no_cell_is_named_and_costs_no_memory():
    log = both_ways(groups=False)
    found = sheet(replace(log, voltage_v=1000.0 * log.voltage_v), PACK)["discharge"]
    assert found["reasons"] == ["voltage_implausible"] and found["withheld"] and "series" in found["record_next"][0]


def test_log_without_a_charge_says_so():
    own = sheet(logged([(0.0, 0.2), (-0.25, 9.8), (0.0, 0.2)]))["charge"]
    assert own["reasons"] == ["no_steady_current"] and own["withheld"] and own["step"] is None
    assert "charge" in own["reason_words"][0]


def test_constant_voltage_phase_is_cut_out():
    """At the top the charger holds the voltage; a curve that kept these rows would show a false peak there."""
    taper = 0.25 * np.exp(-np.arange(0, 3.0, 5 / 3600) / 0.8)
    time = 5.0 * np.arange(7000 + taper.size)
    current = np.concatenate((np.full(7000, 0.25), taper))
    below = 0.01 + 0.25 * np.minimum(time, 35000.0) / 3600
    volts = cell(np.clip(below, 0.01, QT - 0.01)) + OHM * 0.25
    volts[7000:] = volts[6999]
    log = make_log(np.concatenate((time, time[-1] + 5.0 * np.arange(1, 200))), None, np.concatenate((current, np.zeros(199))),
                   np.round(np.concatenate((volts, np.full(199, volts[-1])))[:, None], 3))
    found = sheet(log, replace(PACK, series=1))["charge"]
    assert found["end_s"] <= 35100.0
    assert len(found["peaks"]) == 1


def test_steady_stretch_counts_the_charge_of_a_pulse_but_not_its_samples():
    time = np.arange(0, 3600.0, 10.0)
    current = np.full(time.size, -1.0)
    current[100:103] = -5.0
    volts = 4.0 - 0.2 * time / 3600 + np.where(current < -2, -0.2, 0.0)
    found = steady_stretch(time, volts, current, ((0, 99), (103, time.size - 1)))
    assert found.pauses == 1 and not set(found.rows) & {100, 101, 102}
    begin = found.rows[0]
    # 1 A all the time; trapezoids over 98..99..103 add 4 A x 3 x 10 s.
    assert found.charge_ah[-1] == pytest.approx((time[-1] - time[begin] + 4 * 30) / 3600, rel=1e-6)


def test_curves_made_again_from_log_and_analysis_are_those_of_the_peaks():
    log = both_ways()
    found = analyze(log, PACK).to_dict()
    curves = incremental_curves(log, json.loads(json.dumps(found)))
    for way in ("discharge", "charge"):
        assert set(curves[way].groups) == {1, 2, 3}
        peak = found["incremental"][way]["peaks"][0]
        top = curves[way].pack.voltage_v[np.argmax(curves[way].pack.dq_dv)]
        assert top == pytest.approx(peak["position_v"], abs=0.006)
        assert curves[way].pack.filter.window_v == pytest.approx(found["incremental"][way]["window_v"])
    wide = incremental_curves(log, found, window_v=0.040)["discharge"].pack
    assert wide.filter.window_v == pytest.approx(0.040, rel=0.02)
    assert incremental_curves(log, {"steps": found["steps"]}) == {}


def test_frozen_group_has_no_rows_and_the_others_keep_their_numbers():
    log = both_ways()
    volts = log.group_voltage_v.copy()
    volts[:, 0] = 0.0
    found = sheet(replace(log, group_voltage_v=volts))
    assert [row["group"] for row in found["groups"]] == [2, 3]
    assert found["groups"][0]["discharge"]["peaks"][0]["position_v"] == pytest.approx(3.62 - 0.25 * OHM, abs=0.003)


def test_every_reason_has_words_and_what_to_record():
    assert set(REASON_WORDS) == set(MEND_WORDS)


OPEN_LOGS = os.environ.get("OPEN_LOGS")


@pytest.mark.skipif(not OPEN_LOGS, reason="OPEN_LOGS names no folder of openly published logs")
@pytest.mark.parametrize(
    ("name", "way", "withheld", "reason"),
    [
        ("nasa_b0005_discharge_first.csv", "discharge", True, "rate_too_high"),  # 2 A on 1.86 Ah
        ("ornl_6s_module_discharge_1c.csv", "discharge", True, "rate_too_high"),  # 65 A on 55 Ah
        ("ornl_cell_hppc_25c.csv", "discharge", True, "interrupted"),  # ten blocks with an hour of rest
        ("ornl_cell_hppc_25c.csv", "charge", False, None),  # one charge at C/3
    ],
)
def test_open_log_gives_a_curve_or_says_why_not(name, way, withheld, reason):
    own = sheet(read_log(Path(OPEN_LOGS) / name), Pack())[way]
    assert own["withheld"] is withheld
    assert own["reasons"] == [] if reason is None else reason in own["reasons"]
    if not withheld:  # NMC against graphite on charge: about 3.7-3.75 V and 4.0-4.1 V (common practice, no source)
        assert any(3.70 <= peak["position_v"] <= 3.80 for peak in own["peaks"])
        assert any(4.0 <= peak["position_v"] <= 4.15 for peak in own["peaks"])
