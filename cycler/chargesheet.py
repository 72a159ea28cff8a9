"""The contract's ``charges``: each charge of a log with its budget, its parts and its taper."""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import Any

from cycler.log import Log
from cycler.measures.capacity import ChargeRun, Flow
from cycler.measures.charging import Charging, charging_of
from cycler.pack import Pack
from cycler.steps import Step
from cycler.uncertainty import (
    COUNTER_SHARE,
    SECONDS_PER_HOUR,
    BudgetLine,
    combined,
    reading_u,
    rectangular,
    resolution_term,
    rounding_beyond,
    voltage_reading_u,
    zero_error_u_a,
)

READING_DOUBTS = ("unit_doubtful", "sign_doubtful")


def charge_sheets(
    log: Log, pack: Pack, steps: tuple[Step, ...], flow: Flow, runs: tuple[ChargeRun, ...], zero: tuple[float, float, float] | None,
    reading: Collection[str] = (),
) -> list[dict[str, Any]]:
    """One dict per charge, in time order.

    ``zero`` is what the ammeter showed at rest (``conduct.rest_current_zero``): mean and standard uncertainty [A]. Without one the stated limit of error is all that is known.
    ``reading`` holds the codes of the reader's warnings.
    """
    offset_u = rectangular(pack.instrument.current_offset_a)
    zero_a, u_zero_a = (zero[0], zero[1]) if zero else (0.0, offset_u)
    found = [charging_of(log, steps, flow, run, zero_a, u_zero_a) for run in runs]
    return [_sheet(charging, pack, steps, zero_a, reading) for charging in found]


def charge_budget(charging: Charging, pack: Pack, zero_seen_a: float = 0.0) -> tuple[BudgetLine, ...]:
    """Budget of the charge that went in. [Ah]

    Sources as in ``uncertainty.capacity_budget``: current gain Q g; current offset a T over the time under current, pauses left out, a the stated limit, or the zero seen at
    rest whole; clock Q g_t; sample instant: dI dt u(share) of each switch, the charger's stop included; current noise and
    resolution; gap: what counters that bridged one leave open, and 2 % of it (common practice, no source); missing current.
    """
    instrument = pack.instrument
    q, hours = abs(charging.charge_ah), charging.active_s / SECONDS_PER_HOUR
    count = max(1.0, charging.active_s / charging.sampling_s) if charging.sampling_s > 0 else 1.0
    random = charging.noise_a * charging.sampling_s * math.sqrt(count) / SECONDS_PER_HOUR
    dithered = charging.noise_a > 0.5 * charging.resolution_a
    steady = 0.0 if dithered else resolution_term(rounding_beyond(charging.resolution_a, instrument.limits("current")[2])) * hours
    lines = [
        BudgetLine("current gain", rectangular(instrument.current_gain * q)),
        BudgetLine("current offset", zero_error_u_a(instrument, zero_seen_a) * hours),
        BudgetLine("clock", rectangular(instrument.clock_gain * q)),
        BudgetLine("sample instant", math.hypot(*charging.switch_terms_as) / SECONDS_PER_HOUR),
        BudgetLine("current noise and resolution", math.hypot(random, steady)),
    ]
    if charging.bridged_ah:
        halves = [rectangular(half) for half in charging.bridge_half_widths_ah]
        lines.append(BudgetLine("gap", math.hypot(*halves, rectangular(COUNTER_SHARE * charging.bridged_ah))))
    if charging.missing_half_ah:
        lines.append(BudgetLine("missing current", rectangular(charging.missing_half_ah)))
    return tuple(lines)


def _sheet(charging: Charging, pack: Pack, steps: tuple[Step, ...], zero_a: float, reading: Collection[str]) -> dict[str, Any]:
    run, taper = charging.run, charging.taper
    known = not charging.open_gap
    q = charging.charge_ah if known else None
    budget = charge_budget(charging, pack, zero_a) if known else ()
    mean_v = charging.energy_wh / charging.charge_ah if known and charging.charge_ah > 0 and math.isfinite(charging.energy_wh) else None
    proved = run.end_reason == "charge_taper"
    reasons = [code for code in READING_DOUBTS if code in reading]
    reasons += [] if known else ["log_gap"]
    if taper is None:
        reasons.append("no_constant_voltage")
    else:
        reasons += taper.reasons
    if not proved:
        reasons.append("taper_current_not_reached")
    elif pack.taper_current_a is None and pack.rated_capacity_ah is None:
        # The end was told by the fall of the current alone.
        reasons.append("taper_current_unknown")
    share = known and charging.charge_ah > 0
    in_parts = charging.cc_s + charging.cv_s
    if in_parts < 0.98 * charging.active_s:
        reasons.append("held_neither_constant")
    i = pack.instrument
    u_cv_share = _u_share(charging, pack, zero_a) if share else None
    end_a, end_v = charging.end_current_a, charging.end_voltage_v
    u_end_a = None if end_a is None else math.hypot(
        max(reading_u(i, "current", end_a, charging.resolution_a), abs(zero_a)), charging.noise_a
    )
    u_end_v = None if end_v is None else math.hypot(voltage_reading_u(i, end_v, charging.voltage_resolution_v, False), charging.voltage_noise_v)
    return {
        "steps": list(run.steps), "cycle": steps[run.steps[-1]].cycle, "start_s": charging.start_s, "end_s": charging.end_s,
        "charge_ah": q, "u_charge_ah": combined(budget) if known else None,
        "energy_wh": charging.energy_wh if mean_v is not None else None,
        "u_energy_wh": math.hypot(
            combined(budget) * mean_v, rectangular(i.voltage_gain * charging.energy_wh), rectangular(i.voltage_offset_v * charging.charge_ah)
        ) if mean_v is not None else None,
        "mean_voltage_v": mean_v,
        "cc_share": charging.cc_ah / charging.charge_ah if share else None,
        "cv_share": charging.cv_ah / charging.charge_ah if share else None,
        "u_cc_share": u_cv_share,
        "u_cv_share": u_cv_share,
        "cc_s": charging.cc_s, "cv_s": charging.cv_s,
        "u_cc_s": math.hypot(charging.u_cc_cv_s, charging.u_start_s), "u_cv_s": math.hypot(charging.u_cc_cv_s, charging.u_stop_s),
        "cc_share_of_time": charging.cc_s / charging.active_s if charging.active_s > 0 else None,
        "cv_share_of_time": charging.cv_s / charging.active_s if charging.active_s > 0 else None,
        "pauses": charging.pauses, "pause_s": charging.pause_s,
        "taper_time_constant_s": taper.time_constant_s if taper else None,
        "u_taper_time_constant_s": taper.u_time_constant_s if taper else None,
        "early_taper_time_constant_s": taper.early_time_constant_s if taper else None,
        "missing_ah": taper.missing_ah if taper else None, "u_missing_ah": taper.u_missing_ah if taper else None,
        "taper_end_proved": proved,
        "end_current_a": end_a, "u_end_current_a": u_end_a, "end_voltage_v": end_v, "u_end_voltage_v": u_end_v,
        "end_reason": run.end_reason,
        "mean_temperature_c": charging.mean_temperature_c, "min_temperature_c": charging.min_temperature_c,
        "max_temperature_c": charging.max_temperature_c,
        "reasons": reasons,
        "budget": [{"source": line.source, "standard_uncertainty_ah": line.standard_uncertainty} for line in budget],
    }


def _u_share(charging: Charging, pack: Pack, zero_a: float) -> float:
    """Standard uncertainty of the shares of the charge at constant current and at constant voltage; the gain of the ammeter and its clock cancel in them.

    Where one passes into the other, what it moves; the charger's start and other switches at the share of the rest, its stop likewise; the ammeter's zero as far as the
    two parts differ in their mean current.
    """
    q, cc, cv = charging.charge_ah, charging.cc_ah, charging.cv_ah
    *switches, stop = charging.switch_terms_as
    zero = zero_error_u_a(pack.instrument, zero_a)
    return math.hypot(
        charging.u_cc_cv_ah / q,
        math.hypot(*switches) / SECONDS_PER_HOUR * cv / q**2, stop / SECONDS_PER_HOUR * cc / q**2,
        zero * abs(charging.cc_s * cv - charging.cv_s * cc) / q**2 / SECONDS_PER_HOUR,
    )
