"""Counters of one direction: two energies in a file, and a charge counter that sees regeneration."""

import numpy as np

from cycler.analysis import analyze
from cycler.measures.capacity import charge_flow, find_switches
from cycler.pack import Pack
from cycler.readers import read_log_bytes
from cycler.readers.columnsfile import parse_columns
from cycler.steps import segment_steps

HEAD = "Time (s),Voltage (V),Current (A),Charge Energy (Wh),Discharge Energy (Wh)"


def two_energies(head=HEAD):
    lines, into, out = [head], 0.0, 0.0
    for row in range(200):
        amperes = 2.0 if row < 100 else -2.0
        volts = 40.0 + 0.01 * row if row < 100 else 40.0 - 0.01 * row
        lines.append(f"{10 * row},{volts:.3f},{amperes:.3f},{into:.4f},{out:.4f}")
        into += 2.0 * volts * 10.0 / 3600.0 * (amperes > 0)
        out += 2.0 * volts * 10.0 / 3600.0 * (amperes < 0)
    return "\n".join(lines).encode()


def test_two_energy_counters_are_both_read():
    log = read_log_bytes(two_energies(), "two-energies.csv")
    assert sorted(log.counters) == ["charge_energy", "discharge_energy"]
    assert log.counters["charge_energy"][-1] > 20.0 and log.counters["discharge_energy"][-1] > 20.0
    assert [c.role for c in log.reading.columns][-2:] == ["energy", "energy"]
    steps = segment_steps(log, Pack())
    flow = charge_flow(log, steps, find_switches(log, steps))
    assert [(c.name, c.sense) for c in flow.counters] == [("charge_energy", "charge"), ("discharge_energy", "discharge")]


def test_two_energy_counters_stay_apart_through_a_columns_file_that_calls_both_energy():
    text = "".join(f'[[column]]\nname = "{name}"\nrole = "energy"\nunit = "Wh"\n' for name in HEAD.split(",")[-2:])
    log = read_log_bytes(two_energies(), "two-energies.csv", parse_columns(text, "columns.toml"))
    assert sorted(log.counters) == ["charge_energy", "discharge_energy"]


def test_two_energy_counters_without_units_get_them_from_the_integral_of_the_power():
    with_units = read_log_bytes(two_energies(HEAD), "units.csv")
    log = read_log_bytes(two_energies(HEAD.replace(" (Wh)", "")), "no-units.csv")
    assert sorted(log.counters) == ["charge_energy", "discharge_energy"]
    for key, counter in log.counters.items():
        np.testing.assert_array_equal(counter, with_units.counters[key])


def test_two_energy_counters_of_one_direction_leave_one():
    raw = two_energies(HEAD + ",Discharge Energy 2 (Wh)").decode().splitlines()
    raw = [raw[0], *(f"{line},{line.split(',')[4]}" for line in raw[1:])]
    log = read_log_bytes("\n".join(raw).encode(), "twice.csv")
    assert sorted(log.counters) == ["charge_energy", "discharge_energy"]
    assert sorted(c.role for c in log.reading.columns)[:2] == ["current", "energy"]
    assert [c.role for c in log.reading.columns][-1] == "ignored"


def test_energies_beside_a_total_are_all_read():
    raw = two_energies(HEAD + ",Energy (Wh)").decode().splitlines()
    raw = [raw[0], *(f"{line},{float(line.split(',')[3]) - float(line.split(',')[4]):.4f}" for line in raw[1:])]
    log = read_log_bytes("\n".join(raw).encode(), "three-energies.csv")
    assert sorted(log.counters) == ["charge_energy", "discharge_energy", "energy"]


def test_charge_counter_that_sees_a_little_regeneration_in_a_discharge_is_no_mismatch():
    # 2 A for two hours in rows 10 s apart; the charge counter caught 0.5 mAh between every 16th pair of rows: 45 * 0.5 mAh.
    t = np.arange(0.0, 7200.0, 10.0)
    caught = np.cumsum(np.where((np.arange(t.size) % 16 == 8), 0.0005, 0.0))
    current = np.where(t < 100, 0.0, -2.0)
    given = np.clip(t - 95, 0, None) * 2.0 / 3600.0
    u = 40.0 - 1.2e-3 * t + 0.1 * current
    rows = ["Time (s),Voltage (V),Current (A),Charge capacity (Ah),Discharge capacity (Ah)"]
    rows += [f"{a:.0f},{b:.4f},{c:.3f},{d:.4f},{e:.6f}" for a, b, c, d, e in zip(t, u, current, caught, given)]
    result = analyze(read_log_bytes("\n".join(rows).encode(), "log.csv"), Pack()).to_dict()
    assert "counter_mismatch" not in {item["code"] for item in result["findings"]}
    assert "counter_mismatch" not in result["capacity"]["reasons"]
    assert [len(item["steps"]) for item in result["counters"]] == [0, 1]
