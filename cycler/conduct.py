"""Findings on how the test was run: what the log cannot show, and what to do next time."""

from __future__ import annotations

import numpy as np

from cycler import findings as f
from cycler.findings import Finding
from cycler.log import Log
from cycler.measures.capacity import Discharge, Flow
from cycler.measures.efficiency import Pairing
from cycler.measures.resistance import OHMIC_SAMPLING_MAX_S, Edge
from cycler.measures.thermal import Thermal
from cycler.pack import Pack
from cycler.signals import current_scale, resolution_of
from cycler.steps import Step, pack_voltage

INVALID_WORDS = {
    "charge_incomplete": "the pack was not charged full before the discharge",
    "start_unknown": "nothing in the log shows that the pack was full when the discharge began",
    "discharge_incomplete": "the discharge was stopped before the cut-off",
    "cutoff_unknown": "no cut-off voltage is known for this pack, so nothing shows that it was empty",
    "protection_trip": "the protection board ended the discharge before the pack's cut-off",
    "log_gap": "the log has a gap under load that no counter bridges",
    "counter_mismatch": "the integral of the current and the instrument's own counter differ by more than 5 %",
    "limits_do_not_fit": "the limits in the pack file do not fit the voltages in the log",
    "no_discharge": "the log holds no discharge",
}


def limits_fit(log: Log, pack: Pack, stated_series: int | None) -> bool:
    """False if the pack file's limits cannot be those of the pack in the log.

    The series count stated differs from the number of group columns although their sum is the pack voltage; or the pack rests
    at or below its stated cut-off.
    """
    voltage = log.voltage_v
    if stated_series and log.series and stated_series != log.series and np.any(np.isfinite(voltage)):
        total = np.sum(log.group_voltage_v, axis=1)
        both = np.isfinite(total) & np.isfinite(voltage) & (total > 0)
        if np.any(both) and abs(float(np.median(voltage[both] / total[both])) - 1.0) < 0.03:
            return False
    highest = pack_voltage(log)
    highest = highest[np.isfinite(highest)]
    if pack.cutoff_voltage_v is not None and highest.size:
        return float(np.quantile(highest, 0.999)) > 1.02 * pack.cutoff_voltage_v
    return True


def capacity_doubts(
    discharge: Discharge, pack: Pack, fits: bool = True, counter: tuple[float, Step, float, float] | None = None
) -> tuple[str, ...]:
    """Reason codes for which the charge taken may not be quoted as the pack's capacity; empty = valid.

    ``counter`` is the result of :func:`counter_mismatch`; it counts where it concerns a step of this discharge.
    """
    reasons = [] if fits else ["limits_do_not_fit"]
    if counter is not None and counter[0] > f.COUNTER_DOUBT_SHARE and counter[1].index == discharge.main_step:
        reasons.append("counter_mismatch")
    if discharge.started_full is False:
        reasons.append("charge_incomplete")
    elif discharge.started_full is None:
        reasons.append("start_unknown")
    if discharge.end_reason == "protection_trip":
        reasons.append("protection_trip")
    elif discharge.end_reason not in ("pack_cutoff", "group_cutoff"):
        known = pack.cutoff_voltage_v is not None or pack.group_cutoff_voltage_v is not None
        reasons.append("discharge_incomplete" if known else "cutoff_unknown")
    if discharge.unbridged_gap_s > 0:
        reasons.append("log_gap")
    return tuple(reasons)


BOUND_REASONS = {
    "charge_incomplete", "start_unknown", "discharge_incomplete", "cutoff_unknown", "protection_trip", "log_gap",
}


def is_lower_bound(discharge: Discharge, reasons: tuple[str, ...]) -> bool:
    """Whether a figure that may not be quoted is at least a lower bound: every reason leaves charge out, none may have let some
    in (a gap in which the pack could have been charged, limits of another pack, a counter that disagrees)."""
    return bool(reasons) and set(reasons) <= BOUND_REASONS and not discharge.gap_may_hide_charge


def course_findings(
    log: Log, pack: Pack, steps: tuple[Step, ...], headline: Discharge | None, doubts: tuple[str, ...],
    numbers: tuple[int, ...],
) -> list[Finding]:
    """Findings on start, end, rest and gaps of the discharge that counts. ``numbers`` are the groups' own numbers."""
    out: list[Finding] = []
    if headline is None:
        out.append(
            Finding("discharge_incomplete", "caution", "The log holds no discharge: capacity was not measured.", "no discharge step")
        )
        return out
    main = headline.main_step
    if "charge_incomplete" in doubts:
        out.append(
            Finding(
                "charge_incomplete", "caution",
                "The discharge began from a pack that was not full: what it gave is a lower bound of its capacity.",
                headline.start_evidence.replace("_", " "), step=main,
            )
        )
    if "start_unknown" in doubts:
        out.append(
            Finding(
                "start_unknown", "caution",
                "Nothing in the log shows that the pack was full at the start: log the charge to its taper current too.",
                headline.start_evidence.replace("_", " "), step=main,
            )
        )
    last = steps[headline.steps[-1]]
    voltage = pack_voltage(log)[last.slice]
    finite = voltage[np.isfinite(voltage)]
    end_v = float(finite[-1]) if finite.size else float("nan")
    if "discharge_incomplete" in doubts:
        limit = pack.cutoff_voltage_v
        out.append(
            Finding(
                "discharge_incomplete", "caution",
                "The discharge was stopped early" + (f" at {end_v:.2f} V, cut-off is {limit:.2f} V" if limit else "")
                + ": what it gave is a lower bound of the capacity.",
                last.end_reason.replace("_", " "), step=last.index,
            )
        )
    if "protection_trip" in doubts:
        lowest, low = _lowest_group(log, last)
        group = numbers[lowest - 1] if lowest else None
        where = f", limited by group {group} at {low:.3f} V" if group else ""
        out.append(
            Finding(
                "protection_trip", "caution",
                f"The protection board ended the discharge with the pack at {end_v:.2f} V{where}.",
                "current stopped at once" + (f"; group {group} lowest at {low:.3f} V" if group else "; terminals fell away"),
                group=group, step=last.index,
            )
        )
    if headline.unbridged_gap_s > 0:
        out.append(
            Finding(
                "log_gap", "caution",
                f"{headline.unbridged_gap_s:.0f} s of the discharge are missing from the log and no counter bridges them: the capacity "
                "is a lower bound.", f"{headline.unbridged_gap_s:.0f} s without samples", step=main,
            )
        )
    if headline.bridged_ah:
        out.append(
            Finding(
                "log_gap", "info",
                f"A gap in the log was bridged with the instrument's own counter ({headline.bridged_ah:.3f} Ah).",
                f"{headline.bridged_ah:.4f} Ah by the counter", step=main,
            )
        )
    first = steps[headline.steps[0]]
    before = steps[first.index - 1] if first.index else None
    rest_s = float(log.time_s[before.last] - log.time_s[before.first]) if before is not None and before.kind == "rest" else 0.0
    if rest_s < f.REST_BEFORE_LOAD_MIN_S and before is not None and any(s.direction > 0 for s in steps[: first.index]):
        out.append(
            Finding(
                "rest_too_short", "info",
                f"The pack rested {rest_s / 60.0:.0f} min between charge and load; an hour lets voltages settle.",
                f"{rest_s:.0f} s", step=before.index,
            )
        )
    kind = steps[main].kind
    if kind == "discharge":
        part = log.current_a[steps[main].slice]
        low, high = np.nanquantile(part, [0.05, 0.95])
        out.append(
            Finding(
                "current_unsteady", "info", "The load held neither current nor power nor resistance constant.",
                f"current between {abs(high):.2f} A and {abs(low):.2f} A", step=main,
            )
        )
    return out


def _lowest_group(log: Log, step: Step) -> tuple[int | None, float]:
    if log.series < 2:
        return None, float("nan")
    rows = log.group_voltage_v[step.slice]
    rows = rows[np.all(np.isfinite(rows), axis=1)]
    if rows.size == 0:
        return None, float("nan")
    return int(np.argmin(rows[-1])) + 1, float(np.min(rows[-1]))


def rest_current_zero(log: Log, steps: tuple[Step, ...]) -> tuple[float, float, float] | None:
    """Mean current at rest, its standard uncertainty, and the span it was taken over. [A, A, s]

    The first tenth of each rest is left out. None without a rest of 5 samples.
    """
    parts, spans = [], 0.0
    for step in steps:
        if step.kind != "rest":
            continue
        current = log.current_a[step.slice]
        current = current[int(np.ceil(current.size / 10)) :]
        current = current[np.isfinite(current)]
        if current.size >= 5:
            parts.append(current)
            spans += float(log.time_s[step.last] - log.time_s[step.first])
    if not parts:
        return None
    values = np.concatenate(parts)
    u = np.hypot(np.std(values) / np.sqrt(values.size), resolution_of(values) / np.sqrt(12.0))
    return float(np.mean(values)), float(u), spans


def bench_findings(
    log: Log, pack: Pack, steps: tuple[Step, ...], flow: Flow, headline: Discharge | None, edges: tuple[Edge, ...]
) -> list[Finding]:
    """Findings on the instruments: zero error, counters, sums, sampling."""
    out: list[Finding] = []
    zero = rest_current_zero(log, steps)
    scale = current_scale(log.current_a, pack_voltage(log))
    if zero is not None:
        mean, u, _ = zero
        stated = pack.instrument.current_offset_a
        if abs(mean) > max(3.0 * u, 0.0005 * scale.largest_a) and abs(mean) > 1e-6:
            hours = headline.active_s / 3600.0 if headline else 0.0
            beyond = pack.instrument.declared and abs(mean) > stated
            out.append(
                Finding(
                    "current_offset", "caution" if beyond or abs(mean) > 0.003 * scale.largest_a else "info",
                    f"Current reads {1e3 * mean:+.1f} mA at rest; left uncorrected it shifts the capacity by {abs(mean) * hours:.3f} Ah"
                    + (f". That is more than the stated {1e3 * stated:.1f} mA allow; the budget counts with what was seen." if beyond else "."),
                    f"mean of the rests {1e3 * mean:+.2f} ± {2e3 * u:.2f} mA (k = 2)",
                )
            )
    if pack.instrument.declared and pack.instrument.defaulted:
        out.append(
            Finding(
                "instrument_defaults", "info",
                "The pack file leaves out some limits of error of the bench; the coarse defaults count for them.",
                ", ".join(pack.instrument.defaulted),
            )
        )
    out.extend(_counter_findings(log, steps, flow))
    out.extend(_sum_findings(log, pack))
    if log.series == 0:
        out.append(
            Finding(
                "no_group_voltages", "caution",
                "No group voltages were logged: nothing can be said about single groups. Log the balance taps next time.",
                "no group column in the log",
            )
        )
    spans = [float(np.median(np.diff(log.time_s[steps[e.after].slice][:12]))) for e in edges if steps[e.after].last - steps[e.after].first > 3]
    if not edges:
        out.append(
            Finding(
                "sampling_too_coarse", "caution",
                "The log holds no current edge that resistance could be taken from: log a load step from rest.", "no usable edge",
            )
        )
    elif not spans or min(spans) > OHMIC_SAMPLING_MAX_S:
        shortest = f"{min(spans):.1f} s" if spans else "unknown"
        out.append(
            Finding(
                "sampling_too_coarse", "caution",
                "Samples lie too far apart to tell the ohmic part from polarisation: log at 1 s or faster around load steps.",
                f"sampling after edges {shortest}",
            )
        )
    return out


def counter_mismatch(log: Log, steps: tuple[Step, ...], flow: Flow) -> tuple[float, Step, float, float] | None:
    """The largest relative difference between the integral of a step and the instrument's own counter over the same samples,
    with step, integral and counter [Ah]; None without a counter that ran through a step of 20 samples and 20 of its own steps."""
    worst: tuple[float, Step, float, float] | None = None
    for step in steps:
        if not step.direction or step.last - step.first < 20:
            continue
        own = abs(flow.running_ah[step.last] - flow.running_ah[step.first])
        names = ("charge_capacity", "capacity") if step.direction > 0 else ("discharge_capacity", "capacity")
        for name in names:
            counter = log.counters.get(name)
            if counter is None:
                continue
            part = counter[step.slice]
            good = np.flatnonzero(np.isfinite(part))
            if good.size < 10:
                continue
            monotone = np.diff(np.abs(part[good]))
            theirs = abs(part[good[-1]] - part[good[0]])
            if theirs <= 0 or np.any(monotone < -1e-6 - 0.01 * theirs):
                continue
            own_there = abs(flow.running_ah[step.first + good[-1]] - flow.running_ah[step.first + good[0]])
            step_size = max(resolution_of(part), 1e-9)
            if own < 20.0 * step_size:
                continue
            share = max(abs(own_there - theirs) - step_size, 0.0) / max(theirs, 1e-12)
            if worst is None or share > worst[0]:
                worst = (share, step, own_there, theirs)
            break
    return worst


def _counter_findings(log: Log, steps: tuple[Step, ...], flow: Flow) -> list[Finding]:
    """Integral and counter apart by more than ``COUNTER_SHARE``."""
    worst = counter_mismatch(log, steps, flow)
    if worst is None or worst[0] <= f.COUNTER_SHARE:
        return []
    share, step, own, theirs = worst
    return [
        Finding(
            "counter_mismatch", "caution",
            f"The integral of the current and the instrument's own counter differ by {100 * share:.1f} % in step {step.index}: one of them is wrong.",
            f"integral {own:.4f} Ah, counter {theirs:.4f} Ah", step=step.index,
        )
    ]


def _sum_findings(log: Log, pack: Pack) -> list[Finding]:
    """Pack voltage against the sum of the groups where both are known and no current flows."""
    if log.series == 0 or not np.any(np.isfinite(log.voltage_v)) or (pack.series and pack.series != log.series):
        return []
    scale = current_scale(log.current_a, pack_voltage(log))
    resting = np.abs(log.current_a - scale.zero_a) <= scale.rest_threshold_a
    difference = log.voltage_v - np.sum(log.group_voltage_v, axis=1)
    values = difference[resting & np.isfinite(difference) & (log.voltage_v > 0.5 * np.nanmedian(log.voltage_v))]
    if values.size < 3:
        return []
    middle = float(np.median(values))
    level = float(np.nanmedian(log.voltage_v))
    i = pack.instrument
    bounds = i.voltage_gain * level + i.voltage_offset_v + i.group_voltage_gain * level + i.group_voltage_offset_v * log.series
    allowed = max(0.020, 0.002 * level, bounds if i.declared else 0.0)
    if abs(middle) <= allowed:
        return []
    return [
        Finding(
            "voltage_sum_mismatch", "caution",
            f"Pack voltage and the sum of the groups differ by {1e3 * middle:+.0f} mV at rest: a tap, a lead or a meter is off.",
            f"allowed {1e3 * allowed:.0f} mV",
        )
    ]


def temperature_findings(log: Log, steps: tuple[Step, ...], thermal: Thermal | None, headline: Discharge | None) -> list[Finding]:
    """Findings on test and pack temperature."""
    if thermal is None:
        return []
    out: list[Finding] = []
    if thermal.max_c >= f.DANGER_TEMPERATURE_C:
        out.append(
            Finding(
                "temperature_high", "danger",
                f"The pack reached {thermal.max_c:.1f} °C: above {f.DANGER_TEMPERATURE_C:.0f} °C stop, isolate it and do not use it.",
                f"highest reading {thermal.max_c:.1f} °C",
            )
        )
    low, high = f.CHARGE_TEMPERATURE_C
    for step in steps:
        if step.direction > 0 and not step.kind.startswith("pulse"):
            values = log.temperature_c[step.slice]
            if not np.any(np.isfinite(values)):
                continue
            coldest, hottest = float(np.nanmin(values)), float(np.nanmax(values))
            if coldest < low or hottest > high:
                out.append(
                    Finding(
                        "temperature_out_of_range", "defect" if coldest < low else "caution",
                        f"The pack was charged at {coldest if coldest < low else hottest:.1f} °C; cells are usually charged between "
                        f"{low:.0f} and {high:.0f} °C.", f"{coldest:.1f} to {hottest:.1f} °C while charging", step=step.index,
                    )
                )
                break
    if headline is not None and headline.mean_temperature_c is not None:
        mean, (low, high) = headline.mean_temperature_c, f.TEST_TEMPERATURE_C
        if mean < low:
            out.append(
                Finding(
                    "temperature_out_of_range", "caution",
                    f"The discharge ran at {mean:.1f} °C on average: in the cold a pack gives less and shows more resistance. "
                    f"Repeat it between {low:.0f} and {high:.0f} °C.", f"mean {mean:.1f} °C", step=headline.main_step,
                )
            )
        elif mean > high:
            out.append(
                Finding(
                    "temperature_out_of_range", "caution",
                    f"The discharge ran at {mean:.1f} °C on average: a warm pack gives more and shows less resistance. Repeat it between "
                    f"{low:.0f} and {high:.0f} °C.", f"mean {mean:.1f} °C", step=headline.main_step,
                )
            )
    return out


def rate_findings(headline: Discharge | None, pack: Pack) -> list[Finding]:
    """A discharge much faster than the rate at which capacities are rated."""
    if headline is None or not pack.rated_capacity_ah:
        return []
    rate = abs(headline.mean_current_a) / pack.rated_capacity_ah
    if rate <= f.RATE_NEAR_RATING_IT:
        return []
    return [
        Finding(
            "high_rate", "info",
            f"The discharge ran at {rate:.2f} It. Capacities are usually rated at 0.2 It; a faster discharge gives less.",
            f"{abs(headline.mean_current_a):.2f} A", step=headline.main_step,
        )
    ]


def pack_file_findings(log: Log, pack: Pack, fits: bool, missing: int) -> list[Finding]:
    """Findings on a pack file that does not go with the log. ``missing`` group columns are known to be without readings."""
    out: list[Finding] = []
    if not fits:
        out.append(
            Finding(
                "limits_do_not_fit", "caution",
                "The pack file does not fit this log: correct series and voltages in it, or take the right file. Until then no figure that "
                "rests on its limits counts.",
                f"pack file: {pack.series or 'unknown'} groups in series, cut-off {pack.cutoff_voltage_v or float('nan'):g} V; log: {log.series + missing} "
                f"group columns, pack up to {float(np.nanmax(pack_voltage(log))):.2f} V",
            )
        )
    elif pack.series and log.series and pack.series > log.series + missing:
        out.append(
            Finding(
                "group_count_mismatch", "caution",
                f"The pack file says {pack.series} groups in series, the log has only {log.series + missing} group columns: what is missing "
                "cannot be judged.", f"{pack.series} against {log.series + missing}",
            )
        )
    elif pack.series and log.series and pack.series < log.series + missing:
        out.append(
            Finding(
                "group_count_mismatch", "caution",
                f"The pack file says {pack.series} groups in series, the log has {log.series + missing} group columns.",
                f"{pack.series} against {log.series + missing}",
            )
        )
    return out


def efficiency_findings(pairing: Pairing | None, u_coulombic: float | None) -> list[Finding]:
    """Low efficiency of a matched pair."""
    if pairing is None or u_coulombic is None:
        return []
    if implausible_efficiency(pairing, u_coulombic):
        return [
            Finding(
                "efficiency_implausible", "caution",
                f"More charge came out than went in ({100 * pairing.coulombic:.1f} %): the charge and the discharge do not belong together, or a "
                "meter is wrong. No efficiency is given.", f"{pairing.coulombic:.4f} ± {f.SIGNIFICANT * u_coulombic:.4f} (k = 2)",
            )
        ]
    if pairing.coulombic + f.SIGNIFICANT * u_coulombic < f.EFFICIENCY_MIN:
        return [
            Finding(
                "low_efficiency", "caution",
                f"Only {100 * pairing.coulombic:.1f} % of the charge put in came out again: a leak, a balancer at work or a meter error.",
                f"{pairing.coulombic:.4f} ± {f.SIGNIFICANT * u_coulombic:.4f} (k = 2)",
            )
        ]
    return []


def implausible_efficiency(pairing: Pairing, u_coulombic: float) -> bool:
    """True if the coulombic efficiency lies above 1.005 by more than its expanded uncertainty (window for lithium cells: common
    practice, no source)."""
    return pairing.coulombic - f.SIGNIFICANT * u_coulombic > 1.005


def reading_findings(log: Log) -> list[Finding]:
    """The reader's own warnings, carried into the findings so that they reach the record."""
    cautious = {
        "truncated_row", "rows_dropped", "clock_jump", "log_gap", "counter_mismatch", "parts_in_given_order",
        "parts_do_not_fit",
    }
    seen: dict[str, Finding] = {}
    for warning in log.reading.warnings:
        if warning.code not in seen:
            seen[warning.code] = Finding(
                warning.code, "caution" if warning.code in cautious else "info", warning.message, warning.where
            )
    return list(seen.values())


