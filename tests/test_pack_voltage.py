"""Over- and under-voltage of a pack whose groups were not logged: a veto where the mean of the groups leaves no doubt."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.grouptable import pack_voltage_findings
from cycler.pack import Pack
from tests.corelogs import PACK_10AH, make_log
from tests.verdict_cases import one_limit

PACK = replace(PACK_10AH, chemistry="nmc")


def log_at(volts, groups=None):
    """A minute of charge at 2 A at each voltage of the pack of three groups."""
    voltage = np.repeat(np.asarray(volts, dtype=float), 60)
    return make_log(np.arange(voltage.size), voltage, np.full(voltage.size, 2.0), groups)


@pytest.mark.parametrize(
    ("volts", "codes"),
    # Three nmc groups: 4.25 V and 2.50 V each, 12.75 V and 7.5 V in all; U = 2 sqrt((0.001 * 12.75)^2 + 0.01^2)/sqrt(3) = 18.7 mV.
    [([12.0, 12.6], []), ([12.0, 12.76], []), ([12.0, 12.78], ["group_overvoltage"]), ([7.49, 12.0], []), ([7.45, 12.0], ["group_undervoltage"]),
     ([7.0, 13.0], ["group_overvoltage", "group_undervoltage"])],
)
def test_pack_voltage_beyond_what_its_groups_may_have_is_a_danger_where_it_is_sure(volts, codes):
    assert [finding.code for finding in pack_voltage_findings(log_at(volts), PACK)] == codes


def test_pack_voltage_behind_stated_leads_is_given_their_drop():
    leads = replace(PACK, instrument=replace(PACK.instrument, sense="two-wire", lead_resistance_ohm=0.05))
    assert pack_voltage_findings(log_at([12.0, 12.80]), PACK) and not pack_voltage_findings(log_at([12.0, 12.80]), leads)


@pytest.mark.parametrize("pack", [replace(PACK, chemistry=None), replace(PACK, series=None), Pack()])
def test_pack_voltage_without_chemistry_or_series_is_not_judged(pack):
    assert pack_voltage_findings(log_at([12.0, 14.0]), pack) == []


def test_pack_voltage_is_left_to_the_groups_where_they_are_logged():
    groups = np.repeat([[4.3, 4.3, 4.3]], 120, axis=0)
    assert pack_voltage_findings(log_at([12.9, 12.9], groups), PACK) == []


def test_pack_voltage_one_spike_is_no_danger():
    log = log_at([12.0, 12.6])
    voltage = log.voltage_v.copy()
    voltage[70] = 14.0
    assert pack_voltage_findings(replace(log, voltage_v=voltage), PACK) == []


def test_overcharged_pack_without_taps_is_vetoed_by_a_set_that_only_names_its_resistance():
    found = analyze(log_at([12.0, 12.9]), PACK, one_limit("resistance_10s_ohm", 0.3, "at_most")).to_dict()
    assert found["verdict"]["vetoes"] == ["group_overvoltage"]
    assert "charged to 4.300 ± 0.006 V on average, above 4.25 V" in found["verdict"]["summary"]
