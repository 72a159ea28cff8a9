"""Measured logs of two open datasets, read from the folder in OPEN_LOGS (not kept in this project).

Sources: NASA Ames Prognostics Center of Excellence, 'Battery Data Set' (Saha and Goebel, 2007), cell 5; Oak Ridge
National Laboratory, measurements on an automotive cell and module, published 2020 under the MIT licence. Figures
'computed' are plain trapezoids over the rows as stated by the README beside the files.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from cycler.readers import read_log

FOLDER = os.environ.get("OPEN_LOGS")
pytestmark = pytest.mark.skipif(
    not FOLDER, reason="OPEN_LOGS is not set: it names the folder with the open measured logs, which are not part of this project"
)


def _log(name: str):
    return read_log(Path(FOLDER) / f"{name}.csv")


def _roles(log) -> dict[str, str]:
    return {item.name: item.role for item in log.reading.columns}


def _charge_ah(time_s, current_a) -> float:
    from scipy.integrate import trapezoid

    return float(trapezoid(current_a, time_s)) / 3600.0


def _to_cutoff(log, rows, cutoff_v: float) -> float:
    """Ah of the load up to the first row below the cut-off (magnitude)."""
    time, current, voltage = log.time_s[rows], log.current_a[rows], log.voltage_v[rows]
    loaded = np.flatnonzero(current < -0.5)
    below = loaded[voltage[loaded] < cutoff_v]
    end = int(below[0]) if below.size else int(loaded[-1])
    return -_charge_ah(time[: end + 1], current[: end + 1])


@pytest.mark.parametrize(("name", "capacity_ah"), [("first", 1.85649), ("middle", 1.53824), ("last", 1.32508)])
def test_nasa_discharge_gives_the_dataset_capacity(name, capacity_ah):
    # Source: Capacity field of the dataset, Ah to 2.7 V. Tolerance 0.3 %: the end is taken at a whole row (9 to 20 s of 50 min).
    log = _log(f"nasa_b0005_discharge_{name}")
    assert _to_cutoff(log, slice(None), 2.7) == pytest.approx(capacity_ah, rel=3e-3)
    roles = _roles(log)
    assert roles["Voltage_measured"] == "voltage" and roles["Current_measured"] == "current"
    assert roles["Current_load"] == roles["Voltage_load"] == "ignored"
    assert log.reading.discharge_is == "negative" and log.temperature_c.shape[1] == 1


def test_nasa_six_discharges_are_joined_with_gaps():
    log = _log("nasa_b0005_discharges_1_to_6")
    assert len(log.reading.gaps) == 5
    assert "step_clock_joined" in {item.code for item in log.reading.warnings}
    # Source: Capacity fields of cycles 1 to 6.
    for cycle, capacity_ah in enumerate([1.85649, 1.84633, 1.83535, 1.83526, 1.83465, 1.83566], 1):
        assert _to_cutoff(log, log.cycle_number == cycle, 2.7) == pytest.approx(capacity_ah, rel=3e-3)


def test_nasa_charge_with_a_leftover_row_is_a_charge():
    log = _log("nasa_b0005_charge_second")
    assert log.reading.discharge_is == "negative"
    # Source: README of the open logs, integral of the charge (computed): 1.8828 Ah.
    assert _charge_ah(log.time_s, np.clip(log.current_a, 0, None)) == pytest.approx(1.8828, rel=2e-3)


def test_ornl_pulse_log_with_a_name_three_times_and_one_comma_too_many():
    log = _log("ornl_cell_hppc_25c")
    roles = _roles(log)
    assert {"time", "voltage", "current", "power", "capacity", "energy", "mode", "cycle"} <= set(roles.values())
    assert log.step_time_s is not None and log.step_number is not None
    # Source: README of the open logs, 31.93 Ah discharged in total (computed).
    assert -_charge_ah(log.time_s, np.clip(log.current_a, None, 0)) == pytest.approx(31.93, rel=1e-3)
    assert not log.reading.gaps, "rests are sampled at 60 s, pulses at 1 s or less: no gap"


def test_ornl_cycles_give_the_computed_discharges():
    log = _log("ornl_cell_cycles_1c")
    assert not log.reading.gaps
    # Source: README of the open logs (computed): 30.326, 30.336, 30.299 Ah.
    state = log.current_a < -1
    edges = np.flatnonzero(np.diff(state.astype(int)) != 0) + 1
    found = [
        -_charge_ah(log.time_s[a:b], log.current_a[a:b])
        for a, b in zip(np.r_[0, edges], np.r_[edges, log.rows]) if state[a] and b - a > 10
    ]
    assert found[:3] == pytest.approx([30.326, 30.336, 30.299], rel=2e-3)


def test_ornl_module_has_six_groups_and_meets_its_own_counters():
    log = _log("ornl_6s_module_discharge_1c")
    assert log.series == 6 and log.temperature_c.shape[1] == 3
    # Source: the instrument's counters, last row: -55.30 Ah and -1253.75 Wh.
    assert log.counters["capacity"][-1] == pytest.approx(-55.30)
    assert log.counters["energy"][-1] == pytest.approx(-1253.75)
    assert _charge_ah(log.time_s, log.current_a) == pytest.approx(-55.30, rel=5e-4)
    np.testing.assert_allclose(log.group_voltage_v[-1], [3.0, 3.474, 3.478, 3.206, 3.435, 3.429])
    units = {item.name: item.evidence for item in log.reading.columns}
    assert "change of Amp-Hours" in units["Current"] and "groups add up" in units["Voltage"]
