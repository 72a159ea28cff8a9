"""Whether a pack was full when its discharge began, and on which evidence."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from cycler.log import Log
from cycler.pack import Pack
from cycler.steps import Step, pack_voltage

REST_FULL_WINDOW_V = 0.05
"""How far below the charge voltage (per group) a rest may stand and still prove a full start. [V]
Common practice, no source; what it leaves open enters the budget as "full start"."""
REST_NOT_FULL_V = 0.10
"""Rest this far below the charge voltage (per group) disproves a full start. [V] Common practice, no source."""
HELD_WINDOW_V, HELD_WINDOW_LFP_V = 0.05, 0.15
"""How far below the stated charge voltage (per group) a charge may have been held and still count as full; the limit of error of the voltmeter comes on
top. An lfp curve is so steep there that 0.15 V hold next to nothing. [V] Common practice, no source."""
_LAST = 20


def started_full(log: Log, pack: Pack, steps: tuple[Step, ...], inside: Sequence[Step]) -> tuple[bool | None, str, float | None]:
    """Whether the pack was full when the discharge of the steps ``inside`` began, on which evidence, and how far it stood below full. [V]

    Proof is a charge in the log that ended at its taper current and was held at the charge voltage, or else a rest within
    ``REST_FULL_WINDOW_V`` of the charge voltage per group. What either window leaves open enters the budget as "full start".
    """
    begin = inside[0]
    previous = steps[begin.index - 1] if begin.index > 0 else None
    if previous is not None and previous.direction > 0 and not previous.kind.startswith("pulse"):
        if previous.end_reason != "charge_taper":
            return False, "charge_stopped_before_taper", None
        low = held_below_v(log, pack, previous)
        if low is None:
            return True, "cv_taper", None
        window = HELD_WINDOW_LFP_V if pack.chemistry == "lfp" else HELD_WINDOW_V
        if low > window * (pack.series or log.series):
            return False, "charge_held_too_low", low
        return True, "cv_taper", None if pack.chemistry == "lfp" else low
    full = pack.charge_voltage_v
    series = pack.series or log.series or 1
    if full is None:
        return None, "charge_voltage_unknown", None
    if begin.kind != "rest":
        return None, "no_rest_before_load", None
    voltage = pack_voltage(log)[begin.slice]
    if not np.any(np.isfinite(voltage)):
        return None, "no_pack_voltage", None
    rest_v = float(np.nanmedian(voltage[-3:]))
    short = (full - rest_v) / series
    if short <= REST_FULL_WINDOW_V:
        return True, "rest_voltage", max(short, 0.0) * series
    # A full lfp (or nimh) cell settles a quarter of a volt below its charge voltage: there a rest disproves nothing.
    if short > REST_NOT_FULL_V and pack.chemistry not in ("lfp", "nimh"):
        return False, "rest_voltage_below_full", short * series
    return None, "rest_voltage_inconclusive", short * series


def held_below_v(log: Log, pack: Pack, charge: Step) -> float | None:
    """By how much more than the limit of error of the voltmeter a charge that ended at its taper was held below the stated charge voltage, or None if it
    was not, or that cannot be told (no stated voltage; nimh, which has no voltage to be held at). [V]"""
    series = pack.series or log.series
    voltage = pack_voltage(log)[charge.slice]
    voltage = voltage[np.isfinite(voltage)][-_LAST:]
    if pack.charge_voltage_v is None or not series or not voltage.size or pack.chemistry == "nimh":
        return None
    held_v = float(np.median(voltage))
    gain, offset, _digit = pack.instrument.limits("voltage")
    low = pack.charge_voltage_v - held_v - (gain * abs(held_v) + offset)
    return low if low > 0.0 else None
