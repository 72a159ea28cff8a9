"""Files of one call that do not look like parts of one test."""

from __future__ import annotations

import numpy as np
import pytest

from cycler.errors import InputError
from cycler.readers import read_logs_bytes


def _part(volts, amps, groups: int = 0, dated: str = "", start: int = 0) -> bytes:
    """Rows 10 s apart; ``dated`` is an ISO date that takes the place of the elapsed time."""
    names = ["Timestamp" if dated else "Time (s)", "Voltage (V)", "Current (A)", *(f"Cell {k + 1} (V)" for k in range(groups))]
    rows = [",".join(names)]
    for k, (u, i) in enumerate(zip(volts, amps)):
        second = start + 10 * k
        time = f"{dated}T{second // 3600:02d}:{second % 3600 // 60:02d}:{second % 60:02d}" if dated else str(10 * k)
        rows.append(",".join([time, f"{u:.3f}", f"{i:.3f}", *[f"{u / max(groups, 1):.4f}"] * groups]))
    return ("\n".join(rows) + "\n").encode()


REST, LOAD = np.zeros(10), np.full(60, -2.0)
CHARGE = (np.concatenate([np.full(10, 36.0), np.linspace(37.0, 41.5, 60), np.full(10, 41.0)]), np.concatenate([REST, -LOAD, REST]))
DISCHARGE = (np.concatenate([np.full(10, 41.0), np.linspace(40.0, 31.0, 60), np.full(10, 34.0)]), np.concatenate([REST, LOAD, REST]))


def _misfit(*parts) -> str:
    log = read_logs_bytes([(f"folder/part-{k + 1}.csv", raw) for k, raw in enumerate(parts)])
    found = [item.message for item in log.reading.warnings if item.code == "parts_do_not_fit"]
    assert len(found) <= 1
    return found[0] if found else ""


def test_parts_that_fit_give_no_warning():
    assert _misfit(_part(*CHARGE, 10), _part(*DISCHARGE, 10)) == ""
    assert _misfit(_part(*CHARGE, dated="2026-03-09"), _part(*DISCHARGE, dated="2026-03-09", start=900)) == ""


def test_one_part_with_a_date_and_one_without_are_told():
    message = _misfit(_part(*CHARGE, dated="2026-03-09"), _part(*DISCHARGE))
    assert "part-1.csv carries a date, part-2.csv does not" in message
    assert "may not be parts of one test" in message and message.endswith(".")


def test_one_part_without_groups_is_told():
    assert "10 in part-1.csv, 0 in part-2.csv" in _misfit(_part(*CHARGE, 10), _part(*DISCHARGE))


def test_parts_with_different_groups_cannot_be_joined():
    with pytest.raises(InputError) as error:
        _misfit(_part(*CHARGE, 10), _part(*DISCHARGE, 9))
    assert error.value.what == "the parts have different numbers of groups"


def test_pack_voltage_that_jumps_at_the_joint_is_told_with_both_readings():
    volts, amps = DISCHARGE
    # 41.00 V at the end, 41 * 1.3 = 53.30 V at the start: another pack.
    message = _misfit(_part(*CHARGE), _part(volts * 1.3, amps))
    assert "41.00 V at the end of part-1.csv and 53.30 V at the start of part-2.csv (+30 %)" in message


@pytest.mark.parametrize(("factor", "told"), [(1.09, False), (1.11, True), (0.91, False), (0.89, True)])
def test_ten_percent_is_the_limit_where_no_current_is_switched(factor, told):
    volts, amps = DISCHARGE
    assert bool(_misfit(_part(*CHARGE), _part(volts * factor, amps))) is told


def test_recovery_after_a_discharge_is_no_misfit():
    # The first file ends under load at 31 V, the second begins at rest at 36 V: 16 %, as a pack at its knee recovers.
    volts, amps = DISCHARGE
    assert _misfit(_part(volts[:70], amps[:70]), _part(*CHARGE)) == ""
