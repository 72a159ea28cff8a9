"""A small log made by arithmetic, for tests that need a file which every part of the program can use.

Invented: three groups in series, each with an open-circuit voltage that rises by 1.2 V over 1 Ah and a resistance of
50 mOhm (group 2: 55 mOhm); charge at 1 A to 4.2 V a group and on to 0.05 A, rest, discharge at 1 A.
"""

from __future__ import annotations

from pathlib import Path

PACK_TOML = """\
id = "T-3"
chemistry = "nmc"
series = 3
rated_capacity_ah = 1.0
charge_voltage_v = 12.6
cutoff_voltage_v = 9.0
group_charge_voltage_v = 4.25
group_cutoff_voltage_v = 2.9
taper_current_a = 0.06

[instrument]
voltage_gain = 0.0005
group_voltage_gain = 0.0005
group_voltage_offset_v = 0.001
current_gain = 0.001
current_offset_a = 0.001
"""
RESISTANCE_OHM = (0.050, 0.055, 0.050)
CHARGE_FULL_V, CUTOFF_V, TAPER_A = 12.6, 9.0, 0.05


def rows(stop_at_v: float = CUTOFF_V):
    """(time_s, pack V, current A, group V ...) once a second; the discharge ends at ``stop_at_v``."""
    charge_ah, time_s = 0.5, 0

    def sample(current_a: float):
        groups = [3.0 + 1.2 * charge_ah + current_a * ohm for ohm in RESISTANCE_OHM]
        return (time_s, sum(groups), current_a, *groups)

    def ocv() -> float:
        return 3 * (3.0 + 1.2 * charge_ah)

    for _ in range(60):
        yield sample(0.0)
        time_s += 1
    while True:
        current = min(1.0, (CHARGE_FULL_V - ocv()) / sum(RESISTANCE_OHM))
        if current < TAPER_A:
            break
        yield sample(current)
        charge_ah += current / 3600
        time_s += 1
    for _ in range(3600):
        yield sample(0.0)
        time_s += 1
    while True:
        row = sample(-1.0)
        yield row
        if row[1] <= stop_at_v:
            break
        charge_ah -= 1 / 3600
        time_s += 1
    for _ in range(60):
        time_s += 1
        yield sample(0.0)


def log_text(stop_at_v: float = CUTOFF_V) -> str:
    """The log as CSV."""
    head = "Time (s),Voltage (V),Current (A),Group 1 (V),Group 2 (V),Group 3 (V)\n"
    return head + "".join(
        f"{row[0]},{row[1]:.4f},{row[2]:.4f}," + ",".join(f"{value:.4f}" for value in row[3:]) + "\n"
        for row in rows(stop_at_v)
    )


def write(folder: Path, name: str = "small.csv", stop_at_v: float = CUTOFF_V) -> tuple[Path, Path]:
    """Write log and pack file; returns both paths."""
    log, pack = folder / name, folder / "pack.toml"
    log.write_text(log_text(stop_at_v))
    pack.write_text(PACK_TOML)
    return log, pack
