"""Seeded logs of invented packs, sound or with a weak, leaking or resistive group, and channels that go bad in them in known ways."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cycler.log import Log
from tests.corelogs import make_log, simple_test

KINDS = (
    "frozen from an instant", "frozen all through", "0 V for a time", "negative for a time", "too high for a time", "exchanged within",
    "exchanged at a joint", "tap off for a time", "tap off all through", "leap at rest", "leap under load", "reversed",
)


@dataclass(frozen=True, slots=True)
class BadChannel:
    """A log, the code that is due and the groups (1..) it is due for; "" and none for a sound bench."""

    name: str
    log: Log
    code: str
    groups: tuple[int, ...]


def base(seed: int, with_pack: bool = True) -> tuple[np.random.Generator, Log]:
    """A test of 5 to 12 groups of which one may be weak, one behind and one resistive; noise and display steps of a fair bench."""
    rng = np.random.default_rng(70_000 + seed)
    n = int(rng.integers(5, 13))
    capacity = 10.0 * rng.uniform(0.98, 1.02, n)
    deficit, ohm = rng.uniform(0.0, 0.05, n), 0.02 * rng.uniform(0.9, 1.1, n)
    capacity[rng.integers(n)] *= rng.choice([1.0, 0.7, 0.9])
    deficit[rng.integers(n)] += rng.choice([0.0, 0.5, 1.5])
    ohm[rng.integers(n)] *= rng.choice([1.0, 2.0, 4.0])
    cut = float(rng.choice([2.0, 2.5, 2.8]))
    log, _ = simple_test(tuple(capacity), deficit, ohm, dt=float(rng.choice([2.0, 5.0, 10.0])), group_cutoff_v=cut, cutoff_v=2.4)
    step = float(rng.choice([0.0, 0.001, 0.005]))
    groups = log.group_voltage_v + float(rng.choice([0.0, 0.0005, 0.002])) * rng.standard_normal(log.group_voltage_v.shape)
    # A leaking group: sinks by some millivolts an hour.
    groups[:, rng.integers(n)] -= float(rng.choice([0.0, 0.004])) * log.time_s / 3600.0
    volts = groups.sum(axis=1) + 0.01 * rng.standard_normal(log.rows) - 0.005 * log.current_a
    if step:
        groups = np.round(groups / step) * step
    volts = np.round(volts, 2) if with_pack else np.full(log.rows, np.nan)
    return rng, make_log(log.time_s, volts, log.current_a, groups, log.temperature_c, part=np.zeros(log.rows, dtype=int))


def sound(seed: int) -> BadChannel:
    """A bench without fault; every third log without a pack voltage of its own."""
    _, log = base(seed, seed % 3 != 0)
    return BadChannel(f"seed {seed}: sound", log, "", ())


def bad_channel(seed: int, kind: str) -> BadChannel:
    """The log of this seed with a channel gone bad."""
    rng, log = base(seed, seed % 3 != 0)
    n, rows = log.series, log.rows
    groups, volts, part = np.array(log.group_voltage_v), np.array(log.voltage_v), np.array(log.part)
    loaded = np.flatnonzero(log.current_a < -1.0)
    g = int(rng.integers(n - 1))
    h = int(rng.choice([k for k in range(n) if k != g]))
    if kind.startswith("frozen"):
        first = 0 if kind.endswith("through") else int(rng.integers(loaded[0] - 100, loaded[loaded.size // 2]))
        groups[first:, g] = groups[first, g]
        due, of = "group_reading_frozen", (g + 1,)
    elif kind.endswith("for a time") and not kind.startswith("tap"):
        first = int(rng.integers(50, loaded[loaded.size // 2]))
        last = first + int(rng.integers(5, 200))
        value = {"0 V": 0.0, "neg": -2.3, "too": 5.6}[kind[:3]]
        groups[first : last + 1, g] = value + 0.002 * rng.standard_normal(last + 1 - first)
        due, of = ("group_reading_dead" if kind[:3] == "0 V" else "group_reading_impossible"), (g + 1,)
    elif kind.startswith("exchanged"):
        # At a place where the two differ: 60 mV apart at least.
        groups[:, h] += 0.06 + 0.1 * rng.random() if np.median(groups[:, h]) >= np.median(groups[:, g]) else -0.06 - 0.1 * rng.random()
        at = int(rng.integers(20, loaded[0] - 20)) if kind.endswith("joint") else int(rng.integers(loaded[0] + 20, loaded[loaded.size // 2]))
        if np.ptp(log.current_a[at - 10 : at + 10]) > 0.1:
            at = 40
        groups[at:, [g, h]] = groups[at:, [h, g]]
        part[at:] = 1 if kind.endswith("joint") else 0
        due, of = "group_channels_exchanged", tuple(sorted((g + 1, h + 1)))
        if np.any(np.isfinite(volts)):
            volts = groups.sum(axis=1)
    elif kind.startswith("tap"):
        first = 0 if kind.endswith("through") else int(rng.integers(50, loaded[loaded.size // 2]))
        last = rows - 1 if kind.endswith("through") else first + int(rng.integers(20, 300))
        both = groups[first : last + 1, g] + groups[first : last + 1, g + 1]
        share = float(rng.choice([0.0, 0.02, 0.15]))
        groups[first : last + 1, g] = share * both
        groups[first : last + 1, g + 1] = (1.0 - share) * both
        due, of = "tap_missing", (g + 1, g + 2)
    elif kind.startswith("leap"):
        at = int(rng.integers(20, 45)) if kind.endswith("rest") else int(rng.integers(loaded[0] + 30, loaded[loaded.size // 2]))
        groups[at:, g] += float(rng.choice([-1.0, 1.0])) * rng.uniform(0.12, 0.4)
        # Under load only the pack's voltage tells it from a cell that came off its weld.
        told = kind.endswith("rest") or np.any(np.isfinite(volts))
        due, of = ("group_reading_jumped", (g + 1,)) if told else ("", ())
    else:
        # A group driven below zero by its siblings: it falls through every voltage, and the pack's voltage with it.
        tail = loaded[-int(rng.integers(12, 60)) :]
        fall = np.linspace(0.0, 1.0, tail.size) ** 2 * (float(groups[tail[0], g]) + rng.uniform(0.2, 0.9))
        groups[tail, g] -= fall
        groups[tail[-1] + 1 :, g] -= fall[-1] * np.exp(-np.arange(rows - tail[-1] - 1) / 5.0)
        volts[tail] -= fall
        volts[tail[-1] + 1 :] -= fall[-1] * np.exp(-np.arange(rows - tail[-1] - 1) / 5.0)
        due, of = "group_reversed", (g + 1,)
    name = f"seed {seed}: {kind}, {n} groups, {'with' if seed % 3 else 'no'} pack voltage"
    return BadChannel(name, make_log(log.time_s, volts, log.current_a, groups, log.temperature_c, part=part), due, of)
