"""Capacity and energy of measured discharge curves against current times time and against scipy.

Source of the curves: two commercial pouch cells, measured by others, carried by the wheel of PyBaMM 24.1
(BSD-3-Clause): papers, licence and what was left out in tests/data/published/README.md. The current was
constant and is stated as a rate, so the charge to a voltage is current times time by hand; the published
nominal capacity says whether that is plausible.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import simpson, trapezoid
from synthetic_logs import make_log, perfect_pack

from cycler.analysis import analyze

DATA = Path(__file__).resolve().parent.parent / "data" / "published"

# file, rate, nominal capacity [Ah], cut-off [V], the two rows of the file around the cut-off as printed there:
# (s, V), (s, V).
CURVES = [
    ("pouch_2ah28_discharge_0c1.csv", 0.1, 2.28, 3.0, (36875.0, 3.000617293), (36876.0, 2.999472674)),
    ("pouch_2ah28_discharge_0c5.csv", 0.5, 2.28, 3.0, (7305.0, 3.000998832), (7306.0, 2.997755746)),
    ("pouch_2ah28_discharge_1c.csv", 1.0, 2.28, 3.0, (3610.0, 3.002906529), (3611.0, 2.998709595)),
    ("pouch_2ah28_discharge_2c.csv", 2.0, 2.28, 3.0, (1768.0, 3.001571141), (1769.0, 2.996420358)),
    ("pouch_7ah5_discharge_1c.csv", 1.0, 7.5, 2.8, (3688.3864933715, 2.89910936344693), (3715.37419223154, 2.76636577341609)),
    ("pouch_7ah5_discharge_5c.csv", 5.0, 7.5, 2.8, (693.846136049062, 2.87660733300644), (701.213653074063, 2.79787632742773)),
]
LINE_SHARE = 0.05
"""Share of the last interval by which a curved interpolation of the cut-off may differ from the straight line."""
NAMES = [row[0].removesuffix(".csv") for row in CURVES]


def curve(file: str) -> tuple[np.ndarray, np.ndarray]:
    """Time [s] and voltage [V] of one file."""
    table = np.loadtxt(DATA / file, delimiter=",", skiprows=1)
    return table[:, 0], table[:, 1]


def analysed(file: str, rate: float, nominal_ah: float, cutoff_v: float) -> dict:
    """Our analysis of one curve; time from the first sample, discharge current negative."""
    time, voltage = curve(file)
    log = make_log(time - time[0], voltage, np.full(time.size, -rate * nominal_ah))
    pack = perfect_pack(series=1, rated_capacity_ah=nominal_ah, charge_voltage_v=4.2, cutoff_voltage_v=cutoff_v)
    return analyze(log, pack).to_dict()


@pytest.mark.parametrize(("file", "rate", "nominal_ah", "cutoff_v", "above", "below"), CURVES, ids=NAMES)
def test_capacity_of_measured_curve_is_current_times_time_to_cutoff(file, rate, nominal_ah, cutoff_v, above, below):
    # By hand: t_cut = t1 + (V1 - Vc)/(V1 - V2) (t2 - t1) on the straight line; Q = rate * nominal * (t_cut -
    # t_first) / 3600. Tolerance: a curve through the neighbours may meet the cut-off a little beside the
    # straight line: 5 % of that one interval (1 s in the 2.28 Ah curves: 1e-5 relative and less), and the
    # charge to that instant is exact, 1e-9.
    t_cut = above[0] + (above[1] - cutoff_v) / (above[1] - below[1]) * (below[0] - above[0])
    time, _ = curve(file)
    current = rate * nominal_ah
    capacity = analysed(file, rate, nominal_ah, cutoff_v)["capacity"]
    assert capacity["value_ah"] == pytest.approx(
        current * (t_cut - time[0]) / 3600.0, abs=current * LINE_SHARE * (below[0] - above[0]) / 3600.0
    )
    span = capacity["at_s"]["end_s"] - capacity["at_s"]["start_s"]
    assert capacity["value_ah"] == pytest.approx(current * span / 3600.0, rel=1e-9)
    assert capacity["end_reason"] == "pack_cutoff"
    assert capacity["rate_it"] == pytest.approx(rate, rel=1e-9)
    assert capacity["state_of_health"] == pytest.approx(capacity["value_ah"] / nominal_ah, rel=1e-9)


@pytest.mark.parametrize(
    ("file", "printed_ah"),
    # Worked on paper from the rows above: 36875.5393 s x 0.228 A; 7305.3080 s x 1.14 A; 3610.6925 s x 2.28 A;
    # 1768.3050 s x 4.56 A. Tolerance: 5 % of the last second, 4.56 A x 0.05 s / 3600 = 6.3e-5 Ah at most, less
    # at the lower rates; half the last digit on top.
    [
        ("pouch_2ah28_discharge_0c1.csv", 2.33545), ("pouch_2ah28_discharge_0c5.csv", 2.31335),
        ("pouch_2ah28_discharge_1c.csv", 2.28677), ("pouch_2ah28_discharge_2c.csv", 2.23985),
    ],
)
def test_capacity_of_measured_curve_matches_hand_figure(file, printed_ah):
    row = next(row for row in CURVES if row[0] == file)
    assert analysed(*row[:4])["capacity"]["value_ah"] == pytest.approx(
        printed_ah, abs=row[1] * row[2] * LINE_SHARE / 3600.0 + 5e-6
    )


def test_capacity_of_measured_curves_is_close_to_nominal_and_falls_with_rate():
    # The data's own nominal capacity is 2.28 Ah; at 1 It the published curve is meant to give it (parameter set
    # Ai2020): 1 %.
    values = [analysed(*row[:4])["capacity"]["value_ah"] for row in CURVES[:4]]
    assert values == sorted(values, reverse=True)
    assert values[2] == pytest.approx(2.28, rel=0.01)


@pytest.mark.parametrize(("file", "rate", "nominal_ah", "cutoff_v", "above", "below"), CURVES, ids=NAMES)
def test_energy_of_measured_curve_matches_scipy_to_the_cutoff(file, rate, nominal_ah, cutoff_v, above, below):
    # Second method: scipy.integrate.trapezoid of V x I over the same samples plus the part of the last interval
    # (to the 5 % of it that are left to the interpolation of the cut-off), and scipy.integrate.simpson, a rule
    # of higher order. The two differ by the curvature of V between samples: under 5e-5 of the energy for the 1
    # s to 120 s rows, under 5e-4 for the coarse points read off a figure.
    time, voltage = curve(file)
    current = rate * nominal_ah
    t_cut = above[0] + (above[1] - cutoff_v) / (above[1] - below[1]) * (below[0] - above[0])
    before = time < t_cut
    t = np.append(time[before], t_cut)
    v = np.append(voltage[before], cutoff_v)
    by_trapezoid = trapezoid(v * current, t) / 3600.0
    by_simpson = simpson(v * current, x=t) / 3600.0
    capacity = analysed(file, rate, nominal_ah, cutoff_v)["capacity"]
    last_interval_wh = current * above[1] * LINE_SHARE * (below[0] - above[0]) / 3600.0
    assert capacity["energy_wh"] == pytest.approx(by_trapezoid, abs=last_interval_wh + 1e-6 * by_trapezoid)
    assert capacity["energy_wh"] == pytest.approx(by_simpson, rel=5e-5 if "2ah28" in file else 5e-4)
    by_hand_ah = current * (t_cut - time[0]) / 3600.0
    assert capacity["mean_voltage_v"] == pytest.approx(by_trapezoid / by_hand_ah, rel=5e-5 if "2ah28" in file else 5e-4)


def test_capacity_of_measured_curve_without_rest_or_charge_is_not_quoted_as_the_packs():
    # Nothing in these files shows that the cells were full at the start.
    capacity = analysed(*CURVES[2][:4])["capacity"]
    assert capacity["valid"] is False
    assert capacity["reasons"] == ["start_unknown"]
