"""Logs made in memory for tests of the core: closed-form packs, no files, no simulator."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from cycler.log import Gap, Log, Reading, Source
from cycler.pack import Instrument, Pack


def make_log(time_s, voltage_v=None, current_a=None, groups=None, temperature=None, gaps: Sequence[Gap] = (), **extra) -> Log:
    """A Log from plain arrays; pack voltage defaults to the sum of the groups."""
    time = np.asarray(time_s, dtype=float)
    n = time.size
    group = np.empty((n, 0)) if groups is None else np.asarray(groups, dtype=float)
    volts = group.sum(axis=1) if voltage_v is None else np.asarray(voltage_v, dtype=float)
    heat = np.empty((n, 0)) if temperature is None else np.asarray(temperature, dtype=float).reshape(n, -1)
    return Log(
        time, volts, np.asarray(current_a, dtype=float), group, heat,
        (Source("made-in-memory.csv", "0" * 64, 1, n, 0),),
        Reading("utf-8", ",", ".", 1, (), "elapsed", gaps=tuple(gaps)), **extra,
    )


def ocv(depth):
    """Open-circuit voltage of an invented cell against depth of discharge 0..1: 4.2 V full, a knee below 3.4 V."""
    x = np.asarray(depth, dtype=float)
    return 4.15 - 0.75 * x - 0.10 * x**2 + 0.05 * np.exp(-x / 0.02) - 0.12 * np.exp((x - 1.0) / 0.03)


def simple_test(
    capacities_ah=(10.0,), deficits_ah=None, resistances_ohm=None, current_a=5.0, dt=2.0, rest_s=600.0, cutoff_v=3.0,
    group_cutoff_v=None, taper=True, noise_v=0.0, seed=1, temperature_c=22.0,
):
    """Rest, (taper charge), rest, constant-current discharge to the first cut-off, rest; groups purely ohmic.

    Returns (log, delivered_ah). ``cutoff_v`` is per group on average (pack cut-off / series).
    """
    caps = np.asarray(capacities_ah, dtype=float)
    n = caps.size
    lag = np.zeros(n) if deficits_ah is None else np.asarray(deficits_ah, dtype=float)
    ohm = np.full(n, 0.02) if resistances_ohm is None else np.asarray(resistances_ohm, dtype=float)
    rng = np.random.default_rng(seed)
    times, currents, removed = [], [], []

    def put(t, i, q):
        times.append(t)
        currents.append(i)
        removed.append(q)

    t = 0.0
    while t <= rest_s:
        put(t, 0.0, 0.05 if taper else 0.0)
        t += dt
    if taper:
        # Constant voltage from 0.05 Ah below full: current falls exponentially to 0.25 A.
        start, tau, begin = 2.5, 0.05 * 3600.0 / (2.5 - 0.25), t
        while True:
            since = t - begin
            i = start * np.exp(-since / tau)
            if i < 0.25:
                break
            put(t, i, 0.05 - start * tau * (1 - np.exp(-since / tau)) / 3600.0)
            t += dt
        begin = t
        while t <= begin + rest_s:
            put(t, 0.0, 0.0)
            t += dt
    begin, q = t, 0.0
    stop_q = None
    while True:
        q = current_a * (t - begin) / 3600.0
        depth = (lag + q) / caps
        volts = ocv(depth) - current_a * ohm
        put(t, -current_a, q)
        low = group_cutoff_v is not None and volts.min() <= group_cutoff_v
        if volts.sum() <= cutoff_v * n or low or depth.max() > 1.2:
            stop_q = q
            break
        t += dt
    t += dt
    begin = t
    while t <= begin + 300.0:
        put(t, 0.0, stop_q)
        t += dt
    time, current, taken = np.array(times), np.array(currents), np.array(removed)
    depth = (lag[None, :] + taken[:, None]) / caps[None, :]
    groups = ocv(np.maximum(depth, 0.0)) + current[:, None] * ohm[None, :]
    if taper:
        charging = current > 0
        groups[charging] = 4.2
    groups += noise_v * rng.standard_normal(groups.shape)
    return make_log(time, None, current, groups, np.full(time.size, temperature_c)), stop_q


PACK_10AH = Pack(
    series=3, rated_capacity_ah=10.0, charge_voltage_v=12.6, cutoff_voltage_v=9.0, taper_current_a=0.25,
    instrument=Instrument(0.001, 0.01, 0.001, 0.002, 0.002, 0.005, 1.0, 0.0001, declared=True),
)
"""The pack of :func:`simple_test`, on a bench whose limits of error are declared."""
