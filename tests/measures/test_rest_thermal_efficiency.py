"""Rest drift, temperature and efficiency: small measures, each against a closed form."""

import numpy as np
import pytest

from cycler.measures.capacity import ChargeRun, Discharge
from cycler.measures.efficiency import pair_charge_discharge
from cycler.measures.rest import group_drifts, leak_current_ma, straight_line
from cycler.measures.thermal import thermal


def test_leak_current_from_drift_and_slope():
    # Source: closed form. -0.50 mV/day at 8 mV per % of 3.5 Ah (0.8 V over 3.5 Ah, 0.228571 V/Ah) is 91.146 microampere.
    slope = 0.8 / 3.5
    assert leak_current_ma(-0.5e-3 / 86400.0, slope) == pytest.approx(0.091146, rel=1e-4)


def test_group_drifts_common_relaxation_and_temperature_cancel():
    time = np.arange(0.0, 36 * 3600.0, 300.0)
    common = 3.9 + 0.02 * np.exp(-time / 5000.0) + 0.002 * np.sin(time / 9000.0)
    volts = np.repeat(common[:, None], 6, axis=1)
    volts[:, 4] -= 2.3e-3 / 86400.0 * time
    volts = np.round(volts, 3)
    lines = group_drifts(time, volts, 0.001)
    per_day = np.array([line.slope * 86400.0 * 1e3 for line in lines])
    u_per_day = np.array([line.u_slope * 86400.0 * 1e3 for line in lines])
    assert abs(per_day[4] + 2.3) <= 2.0 * u_per_day[4]
    assert per_day[4] < -2.0 * u_per_day[4]
    assert np.all(np.abs(np.delete(per_day, 4)) <= 2.0 * np.delete(u_per_day, 4) + 1e-12)


def test_straight_line_of_a_frozen_value_keeps_the_resolution_as_doubt():
    line = straight_line(np.arange(0.0, 1000.0, 10.0), np.full(100, 3.7), 0.001)
    # Resolution of one reading over the span: 1 mV/sqrt(12)/990 s (rectangular).
    assert line.slope == pytest.approx(0.0, abs=1e-12)
    assert line.u_slope == pytest.approx(0.001 / 990.0 / 12**0.5, rel=1e-6)


def test_straight_line_uncertainty_covers_the_scatter_of_repeated_lines():
    # Second method, Monte Carlo: 300 lines of 60 readings with white noise of 1 mV and no resolution; the standard deviation of
    # their slopes is s*sqrt(12/n)/T (textbook). Tolerance: 300 draws give 4 %, n against n - 2 and the end points another 5 %.
    rng = np.random.default_rng(11)
    time = np.arange(0.0, 600.0, 10.0)
    lines = [straight_line(time, 3.7 + 1e-3 * rng.standard_normal(60), 0.0) for _ in range(300)]
    spread = np.std([line.slope for line in lines])
    stated = np.median([line.u_slope for line in lines])
    assert stated == pytest.approx(spread, rel=0.15)


def test_thermal_rise_from_the_first_readings():
    time = np.arange(0.0, 3600.0, 10.0)
    heat = thermal(time, np.column_stack([22.0 + 8.0 * time / 3600.0, np.full(time.size, 23.0)]))
    # The first readings and the median of three each cost a sample or two of 0.022 K.
    assert heat.rise_c == pytest.approx(8.0, abs=0.09)
    assert heat.max_rate_c_per_min == pytest.approx(8.0 / 60.0, rel=0.01)
    assert thermal(time, np.full((time.size, 1), np.nan)) is None


def discharge(start, end, net, full=True, reason="pack_cutoff"):
    return Discharge(
        (0,), 0, None, start, start, end, net, net, 0.0, 36.0 * net, end - start, reason, full, "cv_taper", None, None, 1.0,
        None, (), 0.0, 0.0, 1.0, 22.0, 0.0, 0.0, -2.0,
    )


def charge(start, end, q, reason="charge_taper"):
    return ChargeRun((1,), start, end, q, 39.0 * q, reason)


def test_efficiency_full_to_full_is_a_pair():
    # Source: check example 2.500/2.515 Ah -> 0.994036 (closed form).
    pair, _ = pair_charge_discharge((discharge(0, 10, 2.5),), (charge(20, 30, 2.515),))
    assert pair.coulombic == pytest.approx(0.994036, abs=1e-6)


def test_efficiency_of_a_pack_that_arrived_part_charged_is_refused():
    # Ratio 1.5499 as in the first cycle of a published cell data set (XJTU, 2024): charge 1.28478 Ah, discharge 1.99128 Ah.
    pair, why = pair_charge_discharge((discharge(20, 30, 1.99128),), (charge(0, 10, 1.28478),))
    assert pair is None
    assert why == "end_states_differ"


def test_efficiency_after_a_charge_without_taper_is_refused():
    pair, _ = pair_charge_discharge((discharge(0, 10, 2.5),), (charge(20, 30, 2.4, "set_by_program"),))
    assert pair is None
