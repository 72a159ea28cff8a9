"""Where constant current passes into constant voltage: invented charges in closed form, with noise, in coarse rows and with a rounded corner."""

import numpy as np
import pytest

from cycler.measures.knee import ROWS_UNFITTED, knee_of

KNEE_S = 1500.0


def invented_charge(rng, dt, current_step=0.001, voltage_step=0.001, noise_a=0.0015, noise_v=0.001, rounded_s=0.0, quick=0.12):
    """Time, current, voltage and the rows on both sides: 5 A until 1500 s, then I = 5 A ((1 - q) exp(-t/1200 s) + q exp(-t/15 s)); the
    voltage rises to 29.4 V at 1.2 mV/s. A corner of half-width ``rounded_s`` runs as a parabola between both lines."""
    t = np.arange(rng.uniform(0.0, dt), 4500.0, dt)
    x = t - KNEE_S
    behind = np.maximum(x, 0.0)
    taper = 5.0 * ((1.0 - quick) * np.exp(-behind / 1200.0) + quick * np.exp(-behind / 15.0))
    rise = np.where(x < 0, 29.4 + 1.2e-3 * x + 2e-7 * x**2, 29.4)
    if rounded_s:
        near = np.abs(x) < rounded_s
        taper = np.where(near, taper - (rounded_s - np.abs(x)) ** 2 / (4.0 * rounded_s) * 5.0 * ((1.0 - quick) / 1200.0 + quick / 15.0), taper)
        rise = np.where(near, rise - (rounded_s - np.abs(x)) ** 2 / (4.0 * rounded_s) * 1.2e-3, rise)
    current = np.round((taper + noise_a * rng.standard_normal(t.size)) / current_step) * current_step
    voltage = np.round((rise + noise_v * rng.standard_normal(t.size)) / voltage_step) * voltage_step
    cut = int(np.searchsorted(t, KNEE_S)) + int(rng.integers(-2, 2))
    return t, current, voltage, (0, cut - 1), (cut, t.size - 1), 0.5 * (t[cut - 1] + t[cut])


@pytest.mark.parametrize(("dt", "kind", "u_most"), [
    (1.0, {}, 0.6), (1.0, {"quick": 0.0}, 0.6), (5.0, {"current_step": 0.01, "voltage_step": 0.01, "noise_v": 0.004}, 2.0), (10.0, {}, 4.0), (60.0, {}, 25.0),
])
def test_knee_intervals_cover_the_true_instant(dt, kind, u_most):
    # Monte Carlo with known truth; 95 % intended. The cut of the steps alone lies up to three rows off.
    rng = np.random.default_rng(5)
    hits, stated, trials = 0, [], 120
    for _ in range(trials):
        knee = knee_of(*invented_charge(rng, dt, **kind))
        hits += abs(knee.at_s - KNEE_S) <= 2.0 * knee.u_at_s
        stated.append(knee.u_at_s)
    assert hits / trials >= 0.93
    assert np.median(stated) <= u_most


def test_rounded_corner_widens_the_interval_and_is_still_covered():
    rng = np.random.default_rng(6)
    sharp = [knee_of(*invented_charge(rng, 1.0, quick=0.0)) for _ in range(30)]
    rounded = [knee_of(*invented_charge(rng, 1.0, rounded_s=60.0, quick=0.0)) for _ in range(60)]
    assert np.median([k.half_width_s for k in rounded]) > 5.0 > 10.0 * np.median([k.half_width_s for k in sharp])
    assert np.median([k.u_at_s for k in rounded]) > 5.0 * np.median([k.u_at_s for k in sharp])
    assert np.mean([abs(k.at_s - KNEE_S) <= 2.0 * k.u_at_s for k in rounded]) >= 0.93


def test_voltage_places_a_knee_that_the_current_is_too_short_for():
    t, current, voltage, cc, cv, usual = invented_charge(np.random.default_rng(7), 1.0)
    shown = current.copy()
    shown[cv[0] - 3 :] = np.nan
    knee = knee_of(t, shown, voltage, cc, cv, usual)
    assert abs(knee.at_s - KNEE_S) <= 2.0 * knee.u_at_s < 6.0


def test_knee_without_any_line_is_the_cut_within_three_rows():
    t = np.arange(0.0, 100.0, 10.0)
    knee = knee_of(t, np.full(t.size, 2.0), np.full(t.size, 4.2), (0, 4), (5, 9), 45.0)
    assert knee.at_s == 45.0
    assert knee.u_at_s == pytest.approx(ROWS_UNFITTED * 10.0 / 3.0**0.5, rel=1e-9)
