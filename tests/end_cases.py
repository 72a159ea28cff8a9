"""Seeded tests that end for a known reason: cut-offs, boards that open, operators who stop, chargers cut off on one full group.

Groups of their own capacity and resistance are discharged (or charged) row by row until what ends the test happens; then rest. All invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cycler.log import Log
from cycler.pack import Pack
from tests.corelogs import make_log, ocv

FULL_V, GROUP_CUT_V = 4.2, 2.8


@dataclass(frozen=True, slots=True)
class EndCase:
    """A log, its pack and why its main step ended."""

    name: str
    log: Log
    pack: Pack
    reason: str
    direction: int = -1


class Bank:
    """Groups in series under one current."""

    def __init__(self, rng: np.random.Generator, series: int, level_a: float, hours: float, weak: float | None) -> None:
        self.capacity = level_a * hours * rng.uniform(0.99, 1.01, series)
        self.weak = int(rng.integers(series))
        if weak is not None:
            self.capacity[self.weak] *= weak
        self.ohm = rng.uniform(0.04, 0.08) / level_a * rng.uniform(0.95, 1.05, series)
        self.taken = np.zeros(series)

    def volts(self, current_a: float) -> np.ndarray:
        return ocv(np.minimum(self.taken / self.capacity, 1.08)) + current_a * self.ohm


@dataclass
class Rows:
    """Rows of a log as they come about."""

    time: list[float]
    current: list[float]
    groups: list[np.ndarray]

    def put(self, bank: Bank, current: float, dt: float) -> np.ndarray:
        v = bank.volts(current)
        self.time.append(dt * len(self.time))
        self.current.append(current)
        self.groups.append(v)
        bank.taken = bank.taken - current * dt / 3600.0
        return v

    def rest(self, bank: Bank, dt: float, rows: int) -> None:
        for _ in range(rows):
            self.put(bank, 0.0, dt)


ENDS = (
    "pack cut-off", "group cut-off of the bench", "board on a weak group", "board on a weak group, none declared", "operator near the cut-off",
    "operator in the middle", "two-wire load", "board opens to 0 V", "board opens and floats", "board recloses", "overcurrent",
    "board on a full group", "board opens, no groups", "board floats, no groups", "operator, no groups", "charger cut off in its taper", "board on a full group in the taper", "pulse that ends as it should",
)


def end_case(seed: int, end: str | None = None) -> EndCase:
    """The test of this seed."""
    rng = np.random.default_rng(10_000 + seed)
    end = end or ENDS[seed % len(ENDS)]
    series = int(rng.choice([4, 7, 10, 13, 16]))
    level = float(np.exp(rng.uniform(np.log(1.0), np.log(40.0))))
    dt = float(rng.choice([0.5, 1.0, 5.0, 10.0]))
    hours = float(rng.uniform(400, 900)) * dt / 3600.0 + 0.25
    pack_cut = 3.0 * series
    bank = Bank(rng, series, level, hours, rng.uniform(0.7, 0.85) if "weak" in end or "group cut" in end or "near" in end or "reclose" in end else None)
    rows = Rows([], [], [])
    declared: float | None = GROUP_CUT_V
    keep_groups = "no groups" not in end
    terminals = 0.0
    open_rows: slice | None = None
    if end in ("board on a full group", "board on a full group in the taper", "charger cut off in its taper"):
        return _charge_case(rng, seed, end, bank, rows, series, level, dt)
    rows.rest(bank, dt, 60)
    if end == "overcurrent":
        # Three to six rows at more than the board allows, at full voltage.
        for _ in range(int(rng.integers(2, 6))):
            rows.put(bank, -level, dt)
        stop = len(rows.time)
        rows.rest(bank, dt, 400)
        reason = "protection_trip"
        # Half of them measured behind the board: its terminals fall away.
        open_rows = slice(stop, len(rows.time)) if seed // len(ENDS) % 2 else None
        pack = Pack(series=series, cutoff_voltage_v=pack_cut, group_cutoff_voltage_v=declared, max_discharge_current_a=0.9 * level)
        return _read(rng, seed, end, bank, rows, pack, reason, keep_groups, open_rows, 0.0)
    if end == "pulse that ends as it should":
        for _ in range(int(rng.integers(2, 6))):
            rows.put(bank, -level, dt)
        rows.rest(bank, dt, 400)
        pack = Pack(series=series, cutoff_voltage_v=pack_cut, group_cutoff_voltage_v=declared, max_discharge_current_a=1.5 * level)
        return _read(rng, seed, end, bank, rows, pack, "set_by_program", keep_groups, None, 0.0)
    board_v = float(rng.uniform(2.45, 2.7))
    if end == "board on a weak group, none declared":
        board_v, declared = float(rng.uniform(2.4, 2.95)), None
    above = float(rng.uniform(0.04, 0.3))
    middle = int(rng.uniform(0.3, 0.7) * hours * 3600.0 / dt)
    lead_ohm = rng.uniform(0.01, 0.04) * series / level if end == "two-wire load" else 0.0
    previous = None
    for count in range(100_000):
        v = bank.volts(-level)
        low, fall = float(v.min()), float((previous - v).max()) if previous is not None else 0.0
        previous = v
        over = {
            "group cut-off of the bench": low <= GROUP_CUT_V,
            "board on a weak group": low <= board_v, "board recloses": low <= board_v,
            "board on a weak group, none declared": low <= board_v,
            "operator near the cut-off": low - GROUP_CUT_V <= max(above, 4.0 * fall) and low > GROUP_CUT_V,
            "operator in the middle": count >= middle, "operator, no groups": count >= middle,
            "board opens to 0 V": count >= middle, "board opens and floats": count >= middle, "board opens, no groups": count >= middle,
            "board floats, no groups": count >= middle,
        }.get(end, False)
        if end in ("pack cut-off", "two-wire load"):
            over = float(v.sum()) - level * lead_ohm <= pack_cut
        rows.put(bank, -level, dt)
        if over:
            break
    stop = len(rows.time)
    if end == "board recloses":
        for _ in range(int(rng.integers(2, 4))):
            rows.rest(bank, dt, max(3, int(20.0 / dt)))
            rows.put(bank, -level, dt)
            rows.put(bank, -level, dt)
    rows.rest(bank, dt, 120)
    reason = {
        "pack cut-off": "pack_cutoff", "two-wire load": "pack_cutoff", "group cut-off of the bench": "group_cutoff",
        "operator near the cut-off": "set_by_program", "operator in the middle": "set_by_program", "operator, no groups": "set_by_program",
    }.get(end, "protection_trip")
    if end in ("board opens to 0 V", "board opens and floats", "board opens, no groups", "board floats, no groups"):
        open_rows = slice(stop, len(rows.time))
        terminals = float(rng.uniform(0.3, 0.9)) if "floats" in end else 0.0
    pack = Pack(series=series, chemistry="nmc", cutoff_voltage_v=pack_cut, group_cutoff_voltage_v=declared)
    return _read(rng, seed, end, bank, rows, pack, reason, keep_groups, open_rows, terminals, lead_ohm)


def _charge_case(rng: np.random.Generator, seed: int, end: str, bank: Bank, rows: Rows, series: int, level: float, dt: float) -> EndCase:
    if end == "charger cut off in its taper":
        # No group may stand at what a board would trip at.
        bank.capacity[:] = np.mean(bank.capacity)
    bank.taken = 0.9 * bank.capacity
    full = int(rng.integers(series))
    if end == "board on a full group":
        bank.taken[full] -= rng.uniform(0.1, 0.2) * bank.capacity[full]
    rows.rest(bank, dt, 60)
    charge = 0.5 * level
    board_v = FULL_V + float(rng.uniform(0.04, 0.09))
    stop_a = float(rng.uniform(0.3, 0.6)) * charge
    taper = 0.08 * charge
    for _ in range(100_000):
        hold = (FULL_V * series - float(bank.volts(0.0).sum())) / float(bank.ohm.sum())
        current = min(charge, hold)
        v = rows.put(bank, current, dt)
        if (end == "board on a full group" and v.max() >= board_v) or (end != "board on a full group" and current <= stop_a):
            break
    if end == "board on a full group in the taper":
        # One group ran ahead of the others by some tens of millivolts, which the charger does not see.
        ahead = np.array(rows.groups)
        ahead[:, full] += board_v - ahead[-1, full] + 0.002
        rest = np.delete(np.arange(series), full)
        ahead[:, rest] -= (ahead[:, full] - np.array(rows.groups)[:, full])[:, None] / rest.size
        rows.groups = list(ahead)
    stop = len(rows.time)
    rows.rest(bank, dt, 120)
    pack = Pack(series=series, charge_voltage_v=FULL_V * series, group_charge_voltage_v=FULL_V, taper_current_a=taper)
    reason = "set_by_program" if end == "charger cut off in its taper" else "protection_trip"
    # Half of them read at the charger's side of the board: its open voltage.
    behind = end == "board on a full group" and seed // len(ENDS) % 2 == 1
    return _read(rng, seed, end, bank, rows, pack, reason, True, slice(stop, len(rows.time)) if behind else None, 1.02 * FULL_V * series, direction=1)


def _read(
    rng: np.random.Generator, seed: int, end: str, bank: Bank, rows: Rows, pack: Pack, reason: str, keep_groups: bool,
    open_rows: slice | None, terminals: float, lead_ohm: float = 0.0, direction: int = -1,
) -> EndCase:
    """The rows as a bench writes them; ``terminals`` below 1 is the share at which an open terminal floats, else a voltage."""
    time, current, groups = np.array(rows.time), np.array(rows.current), np.array(rows.groups)
    volts = groups.sum(axis=1) + current * lead_ohm
    if open_rows is not None:
        since = time[open_rows] - time[open_rows][0]
        volts[open_rows] = terminals if terminals >= 1.0 else terminals * volts[open_rows.start - 1] * np.exp(-since / 600.0)
    step = float(rng.choice([0.0, 0.001, 0.01]))
    volts = volts + float(rng.choice([0.0, 0.002, 0.005])) * rng.standard_normal(time.size)
    groups = groups + float(rng.choice([0.0, 0.001])) * rng.standard_normal(groups.shape)
    current = current * (1.0 + 0.002 * rng.standard_normal(time.size)) + 0.0005 * np.max(np.abs(current)) * rng.standard_normal(time.size)
    if step:
        volts = np.round(volts / step) * step
    dt = time[1] - time[0]
    name = f"seed {seed}: {end}, {len(bank.ohm)}S, {np.max(np.abs(current)):.3g} A, every {dt:g} s"
    return EndCase(name, make_log(time, volts, current, groups if keep_groups else None), pack, reason, direction)


def found_reason(case: EndCase, steps) -> str:
    """End reason of the step that the case is about: the longest of its direction (the first that long)."""
    own = [s for s in steps if s.direction == case.direction]
    if not own:
        return "no step"
    if case.direction > 0:
        return own[-1].end_reason
    return max(own, key=lambda s: s.last - s.first).end_reason
