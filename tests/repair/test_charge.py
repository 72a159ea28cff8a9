"""State of charge from a rested voltage.

Table of nmc: the equilibrium curve of the published parameter set Chen2020 (electrode functions read, full cell computed by lithium balance); by it
3.700 V is 44.34 % and the mean voltage 3.723 V. Rest points of lfp: common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from cycler.pack import CHEMISTRIES, CHEMISTRY_LIMITS
from cycler.repair.charge import TABLES, share_at, state_of_charge
from cycler.simulator.ocv import CURVES

# The same curve by its table: state of charge in % and open-circuit voltage.
CHEN_2020 = {5: 3.1094, 10: 3.2959, 20: 3.4852, 30: 3.5814, 40: 3.6670, 50: 3.7509, 60: 3.8406, 70: 3.9479, 80: 4.0421, 90: 4.0967, 100: 4.2000}


def test_points_of_the_published_curve_come_back():
    for percent, volts in CHEN_2020.items():
        assert 100.0 * share_at("nmc", volts) == pytest.approx(percent, abs=0.1)


def test_published_value_between_the_points_lies_in_the_interval():
    found = state_of_charge("nmc", 3.700, 0.0119, rested_h=12)
    # Between the points the published 44.34 % is met to half a percent, and the interval holds it with room for other makes.
    assert 100.0 * found.share == pytest.approx(44.34, abs=0.5)
    assert found.low_share < 0.4434 < found.high_share and 0.08 < found.high_share - found.low_share < 0.25 and found.reason == ""
    # Mean voltage over the charge: 3.723 V.
    volts = np.linspace(2.5, 4.2, 5000)
    even = np.interp(np.linspace(0.0, 1.0, 2001), share_at("nmc", volts), volts)
    assert even.mean() == pytest.approx(3.723, abs=0.003)


@pytest.mark.parametrize("chemistry", TABLES)
def test_curve_rises_and_ends_at_the_limits(chemistry):
    volts = np.linspace(2.0, 4.4, 500)
    share = share_at(chemistry, volts)
    assert np.all(np.diff(share) >= 0.0) and share[0] == 0.0 and share[-1] == 1.0
    assert share_at(chemistry, CHEMISTRY_LIMITS[chemistry].full_v) == 1.0


def test_flat_curve_says_little():
    # Rest points of lfp: 70 % 3.32, 50 % 3.29 to 3.30, 30 % 3.26 to 3.28 V: a meter of 5 mV cannot tell them apart.
    found = state_of_charge("lfp", 3.30, 0.005, rested_h=12)
    assert found.high_share - found.low_share > 0.4 and found.low_share <= 0.35 and found.high_share >= 0.7
    assert state_of_charge("lfp", 3.0, 0.005, rested_h=12).high_share < 0.1


def test_other_makes_unrested_packs_and_poor_meters_widen_the_interval():
    def width(*arguments):
        found = state_of_charge(*arguments)
        return found.high_share - found.low_share

    narrow = width("nmc", 3.7, 0.005, 12.0)
    assert narrow < width("nca", 3.7, 0.005, 12.0) < width("lco", 3.7, 0.005, 12.0) < width("lmo", 3.7, 0.005, 12.0)
    assert narrow < width("nmc", 3.7, 0.005, 0.5) == width("nmc", 3.7, 0.005, None) and narrow < width("nmc", 3.7, 0.03, 12.0)
    assert "not stated" in state_of_charge("nmc", 3.7, 0.005, None).reason and "0.5 h" in state_of_charge("nmc", 3.7, 0.005, 0.5).reason


@pytest.mark.parametrize(("volts", "share", "says"), [(2.1, 0.0, "below the table"), (0.0, 0.0, "below the table"), (4.3, 1.0, "above the table")])
def test_beyond_the_table_is_empty_or_full_and_says_so(volts, share, says):
    found = state_of_charge("nmc", volts, 0.01, 12.0)
    assert found.share == share and says in found.reason and found.u_share > 0.0 and 0.0 <= found.low_share <= found.high_share <= 1.0


def test_no_figure_without_a_voltage_a_chemistry_or_a_table():
    for arguments in ((None, 3.7), ("lto", 2.3), ("nimh", 1.25), ("nmc", None)):
        found = state_of_charge(*arguments)
        assert (found.share, found.u_share, found.low_share) == (None, None, None) and found.reason
    assert set(TABLES) < set(CHEMISTRIES)


@pytest.mark.parametrize("chemistry", ["nmc", "lfp"])
def test_interval_holds_the_charge_of_another_make(chemistry):
    # The curves of the simulated packs are another make than the tables: 3.0 V is empty there, and more voltage goes with the last tenths of the charge.
    for share in np.linspace(0.0, 1.0, 101):
        found = state_of_charge(chemistry, float(CURVES[chemistry].voltage(share)), 0.005, 12.0)
        assert found.low_share - 0.005 <= share <= found.high_share + 0.005, (share, found)


def test_published_curve_lies_in_the_interval_all_along():
    for percent, volts in CHEN_2020.items():
        found = state_of_charge("nmc", volts, 0.005, 12.0)
        assert found.low_share <= percent / 100.0 <= found.high_share and found.high_share - found.low_share < 0.25
