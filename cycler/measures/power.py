"""Discharge power that a pack can give for 10 s, from its resistance after 10 s.

P = V_min (OCV - V_min)/R: with the open-circuit voltage before a pulse and the resistance R after 10 s under load, the
current (OCV - V_min)/R brings the voltage down to V_min just after 10 s, and P is the power at that moment. From memory of the
battery test manual for electric vehicles of the US Department of Energy's laboratories (INL/EXT-15-34184), pulse power capability. Not
the manual's whole procedure: that repeats pulses at every tenth of the charge after an hour's rest, with a current near the one the pack is meant for.

R is taken to be the same at every current; what it may differ at a current it was not measured with has to be in its uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

MANUAL_VOLTAGE_RATIO = 0.55
"""The manual allows no V_min below this share of V_max (from memory)."""


def pulse_power_w(limit_v: float, ocv_v: float, resistance_ohm: float) -> float:
    """Power at the moment a pulse brings the voltage from ``ocv_v`` to ``limit_v``; magnitude. [W]

    V_min (OCV - V_min)/R for a discharge, V_max (V_max - OCV)/R for a charge. Below OCV/2 it is no longer the most the
    source could give, which is OCV^2/4R (maximum power transfer, textbook).
    """
    return limit_v * abs(ocv_v - limit_v) / resistance_ohm


@dataclass(frozen=True, slots=True)
class Channel:
    """Open-circuit voltage before the pulse, resistance after 10 s and lowest voltage of the pack or of one group, with standard
    uncertainties. ``gain_share`` is the part of the relative uncertainty of the resistance that all channels share (the
    ammeter's gain and step, and the current it was measured with). A lowest voltage of None is not known. [V], [ohm]"""

    ocv_v: float
    u_ocv_v: float
    ohm: float
    u_ohm: float
    min_voltage_v: float | None
    gain_share: float = 0.0

    @property
    def current_a(self) -> float:
        """Current that reaches the lowest voltage after 10 s; infinite without a limit. [A]"""
        return np.inf if self.min_voltage_v is None else max(self.ocv_v - self.min_voltage_v, 0.0) / self.ohm


@dataclass(frozen=True, slots=True)
class Capability:
    """Power for 10 s and what bounds it: ``pack_voltage``, ``group_voltage`` (``group`` counts the channels from 1) or
    ``max_discharge_current``. ``end_voltage_v`` is the pack voltage after 10 s at that power: P = end (OCV - end)/R."""

    power_w: float
    u_power_w: float
    current_a: float
    end_voltage_v: float
    limited_by: str
    group: int | None


def capability(pack: Channel, groups: tuple[Channel, ...] = (), max_current_a: float | None = None) -> Capability | None:
    """Pack power for 10 s, at the lowest current at which the pack, any group or the rated current reaches its limit.

    Parameters
    ----------
    pack : Channel
        Its resistance holds the connections between groups, at its own terminals.
    groups : tuple of Channel
        Those with a known resistance and lowest voltage count.
    max_current_a : float, optional
        Rated discharge current, magnitude. [A]

    Returns
    -------
    Capability or None
        None without any limit.

    Notes
    -----
    Current I = min((OCV - V_min)/R) over pack and groups and the rated current; P = I (OCV - I R) at the pack's terminals.
    Uncertainty by the law of propagation (JCGM 100:2008, 5.1.2 and F.1.2.3, from memory), derivatives by central differences in the case that
    binds; the gain shared by all resistances counts once. That a minimum over groups tends to pick one whose noise makes it look weak is not corrected.
    """
    limits: list[tuple[float, str, int | None]] = [(pack.current_a, "pack_voltage", None)]
    limits += [(channel.current_a, "group_voltage", g) for g, channel in enumerate(groups, start=1)]
    if max_current_a is not None:
        limits.append((max_current_a, "max_discharge_current", None))
    current, why, group = min(limits, key=lambda limit: limit[0])
    if not np.isfinite(current):
        return None
    binding = pack if why == "pack_voltage" else groups[group - 1] if group is not None else None

    def power(whole: Channel, bound: Channel | None) -> float:
        i = current if bound is None else bound.current_a
        return i * (whole.ocv_v - i * whole.ohm)

    same = binding is pack
    terms = [_effect(lambda w, b: power(w, w if same else b), pack, binding, name) for name in ("ocv_v", "ohm")]
    if binding is not None and not same:
        terms += [_effect(lambda w, b: power(b, w), binding, pack, name) for name in ("ocv_v", "ohm")]
    share = pack.gain_share

    def scaled(factor: float) -> float:
        whole = replace(pack, ohm=pack.ohm * factor)
        return power(whole, None if binding is None else whole if same else replace(binding, ohm=binding.ohm * factor))

    step = 1e-4
    terms.append((scaled(1.0 + step) - scaled(1.0 - step)) / (2.0 * step) * share)
    return Capability(
        power(pack, binding), float(np.sqrt(np.sum(np.square(terms)))), float(current), float(pack.ocv_v - current * pack.ohm), why, group
    )


def _effect(
    power: Callable[[Channel, Channel | None], float], channel: Channel, other: Channel | None, name: str
) -> float:
    """Standard uncertainty of the power from one quantity of one channel, without the part that all resistances share. [W]"""
    value = getattr(channel, name)
    u = channel.u_ocv_v if name == "ocv_v" else np.sqrt(max(channel.u_ohm**2 - (channel.gain_share * channel.ohm) ** 2, 0.0))
    step = 1e-4 * value
    high, low = replace(channel, **{name: value + step}), replace(channel, **{name: value - step})
    return float((power(high, other) - power(low, other)) / (2.0 * step) * u)
