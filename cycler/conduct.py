"""Findings on how the test was run: what the log cannot show, and what to do next time."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from typing import Any

import numpy as np

from cycler import findings as f
from cycler.endreasons import board_shown
from cycler.findings import Finding
from cycler.log import Log
from cycler.measures.capacity import Discharge, Flow
from cycler.measures.counters import DIRECTION, Counter, StepCheck, check_step
from cycler.measures.efficiency import Pairing
from cycler.measures.integrate import missing_readings
from cycler.measures.resistance import OHMIC_SAMPLING_MAX_S, Edge
from cycler.measures.thermal import Thermal
from cycler.pack import Pack
from cycler.signals import current_scale, noise_of, resolution_of
from cycler.steps import Step, pack_voltage

INVALID_WORDS = {
    "charge_incomplete": "the pack was not charged full before the discharge",
    "start_unknown": "nothing in the log shows that the pack was full when the discharge began",
    "discharge_incomplete": "the discharge was stopped before the cut-off",
    "cutoff_unknown": "no cut-off voltage is known for this pack, so nothing shows that it was empty",
    "protection_trip": "the protection board ended the discharge before the pack's cut-off",
    "log_gap": "the log has a gap under load that no counter bridges",
    "counter_mismatch": "the integral of the current and the instrument's own counter differ by more than 5 %",
    "capacity_above_rating": "it is more than twice the rated capacity, which no pack gives: a unit or the rating is wrong",
    "unit_doubtful": "a unit that the log or the columns file states gives readings that no pack has",
    "sign_doubtful": "the voltage speaks against the stated direction of the current",
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
    discharge: Discharge, pack: Pack, fits: bool = True, checks: Sequence[StepCheck] = (), reading: Collection[str] = (),
) -> tuple[str, ...]:
    """Reason codes for which the charge taken may not be quoted as the pack's capacity; empty = valid.

    ``checks`` of :func:`counter_checks` count where they concern a tenth or more of this discharge; ``reading`` holds the
    codes of the reader's warnings.
    """
    reasons = [] if fits else ["limits_do_not_fit"]
    reasons += [code for code in ("unit_doubtful", "sign_doubtful") if code in reading]
    if any(
        check.unit == "Ah" and check.step in discharge.steps and check.by_integral >= 0.1 * discharge.discharged_ah
        and check.beyond(f.COUNTER_DOUBT_SHARE) for check in checks
    ):
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


def beyond_rating(value_ah: float, u_ah: float, rated_ah: float | None) -> bool:
    """Whether a capacity lies above ``IMPOSSIBLE_RATING_SHARE`` of the rated one by more than its expanded uncertainty. Far below proves
    nothing: a dead pack gives 1 %."""
    return rated_ah is not None and rated_ah != 0.0 and value_ah - f.SIGNIFICANT * u_ah > f.IMPOSSIBLE_RATING_SHARE * rated_ah


BOUND_REASONS = {
    "charge_incomplete", "start_unknown", "discharge_incomplete", "cutoff_unknown", "protection_trip", "log_gap",
}


def is_lower_bound(discharge: Discharge, reasons: tuple[str, ...]) -> bool:
    """Whether a figure that may not be quoted is at least a lower bound: every reason leaves charge out, none may have let some
    in (a gap in which the pack could have been charged, limits of another pack, a counter that disagrees, a load that may be the ammeter's
    zero, a clock that jitters)."""
    certain = not (discharge.gap_may_hide_charge or discharge.zero_doubt_a or discharge.clock_in_doubt)
    return bool(reasons) and set(reasons) <= BOUND_REASONS and certain


def course_findings(
    log: Log, pack: Pack, steps: tuple[Step, ...], headline: Discharge | None, doubts: tuple[str, ...],
    numbers: tuple[int, ...],
) -> list[Finding]:
    """Findings on start, end, rest and gaps of the discharge that counts. ``numbers`` are the groups' own numbers."""
    out: list[Finding] = []
    if headline is None:
        out.append(
            Finding(
                "discharge_incomplete", "caution",
                "The log holds single load pulses with rests between them, but no discharge: capacity was not measured. Let the load run from full to the cut-off "
                "with no pause longer than a minute." if any(s.kind == "pulse_discharge" for s in steps)
                else "The log holds no discharge: capacity was not measured.",
                "no discharge step",
            )
        )
        return out
    main, bound = headline.main_step, is_lower_bound(headline, doubts)
    as_bound = ": what it gave is a lower bound of the capacity." if bound else "."
    if "charge_incomplete" in doubts:
        out.append(
            Finding(
                "charge_incomplete", "caution",
                (f"The discharge began from a pack that was not full{as_bound}" if pack.taper_current_a or pack.rated_capacity_ah or headline.start_evidence == "charge_held_too_low"
                 else "Whether the pack was full when the discharge began is not known: neither a taper current (taper_current_a) nor a rated "
                 "capacity is stated, against which the end of its charge could be held."),
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
                + as_bound,
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
                f"The protection board ended the discharge with the pack at {end_v:.2f} V{where}."
                if pack.group_cutoff_voltage_v is not None or board_shown(log, last, steps) else
                f"The discharge stopped at once with the pack at {end_v:.2f} V{where}: the protection board cut off, or the load did at a group cut-off "
                "that is not stated (group_cutoff_voltage_v).",
                "current stopped at once" + (f"; group {group} lowest at {low:.3f} V" if group else "; terminals fell away"),
                group=group, step=last.index,
            )
        )
    if headline.unbridged_gap_s > 0:
        known = headline.gap_length_known
        long = f"{headline.unbridged_gap_s:.0f} s"
        out.append(
            Finding(
                "log_gap", "caution",
                (f"For {long} of the discharge the log holds no current" if known else "A part of the discharge is missing from the log; how long it lasted is not known")
                + ", and no counter bridges it: the capacity " + ("is a lower bound." if bound else "cannot be told from this log.")
                + (" Capacities and start deficits of the groups rest on the same charge and are not given." if log.series > 1 else ""),
                f"{long + ' without samples' if known else 'a joint of unknown length'}; {headline.unbridged_why}", step=main,
            )
        )
    out.extend(f.doubt_findings(headline.zero_doubt_a, headline.clock_in_doubt, main))
    if headline.bridged_ah:
        edge = headline.edge_load_ah
        odd = edge is not None and abs(headline.bridged_ah - edge) > f.COUNTER_DOUBT_SHARE * edge
        out.append(
            Finding(
                "log_gap", "caution" if odd else "info",
                f"A gap in the log was bridged with the instrument's own counter ({headline.bridged_ah:.3f} Ah)."
                + (f" The load before and after it would have taken {edge:.3f} Ah: it was interrupted, or the counter was." if odd else ""),
                f"{headline.bridged_ah:.4f} Ah by the counter" + (f", {edge:.4f} Ah by the load at both edges" if edge is not None else ""),
                step=main,
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
    profile = steps[main].kind.startswith("pulse")
    if profile or steps[main].kind == "discharge":
        part = log.current_a[slice(first.first, last.last + 1) if profile else steps[main].slice]
        low, high = np.nanquantile(part, [0.05, 0.95])
        out.append(
            Finding(
                "current_unsteady", "info",
                "The load held neither current nor power nor resistance constant."
                + (" What a pack gives under a changing load is not what it gives under a constant one." if profile else ""),
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
    log: Log, pack: Pack, steps: tuple[Step, ...], checks: Sequence[StepCheck], headline: Discharge | None, edges: tuple[Edge, ...]
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
    missing = (missing_readings(log.time_s, values) for values in (log.current_a, pack_voltage(log)))
    out.extend(f.missing_findings(log.rows, *missing))
    if pack.instrument.declared and pack.instrument.defaulted:
        out.append(
            Finding(
                "instrument_defaults", "info",
                "The pack file leaves out some limits of error of the bench; the coarse defaults count for them.",
                ", ".join(pack.instrument.defaulted),
            )
        )
    out.extend(_counter_findings(checks))
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


def counter_checks(log: Log, steps: tuple[Step, ...], flow: Flow) -> tuple[StepCheck, ...]:
    """Integral against counter for every counter and every step that is long enough to tell (pulses left out: a counter that lags by
    a second is off by percents there)."""
    if not flow.counters or flow.course is None:
        return ()
    voltage = pack_voltage(log)
    grid_a, grid_v = resolution_of(log.current_a), resolution_of(voltage)
    flows = {"Ah": flow.charge_coulomb / 3600.0, "Wh": flow.energy_joule / 3600.0}
    found = []
    for step in steps:
        if not step.direction or step.kind.startswith("pulse"):
            continue
        current = log.current_a[step.slice]
        # Noise of half a step and more dithers the quantisation away.
        noise_a = noise_of(current)
        u_a = 0.0 if noise_a > 0.5 * grid_a else grid_a / math.sqrt(12.0)
        volts = voltage[step.slice]
        level_v = float(np.nanmean(volts)) if np.any(np.isfinite(volts)) else 0.0
        u_w = math.hypot(u_a * level_v, grid_v / math.sqrt(12.0) * abs(step.level_a))
        noise_w = math.hypot(noise_a * level_v, noise_of(volts) * abs(step.level_a))
        for counter in flow.counters:
            u, noise = (u_a, noise_a) if counter.unit == "Ah" else (u_w, noise_w)
            found.append(check_step(counter, step.index, step.first, step.last, flows[counter.unit], flow.course, u, noise))
    return tuple(check for check in found if check is not None)


_KIND_WORDS = {
    "cumulative": "cumulative", "per_step": "per step", "per_direction": "per direction of the current", "per_cycle": "per cycle",
    "one_stretch": "counted in one stretch only", "irregular": "restarts irregularly", "astray": "does not follow the current",
    "still": "does not move",
}


def counter_words(name: str, unit: str) -> str:
    """"Ah counter", "Wh counter of the discharge"."""
    of = {1: " of the charge", -1: " of the discharge"}.get(DIRECTION.get(name, 0), "")
    return f"{unit} counter{of}"


def counter_sheet(counters: Sequence[Counter], checks: Sequence[StepCheck]) -> list[dict[str, Any]]:
    """The contract's ``counters``: kind and evidence of each, and each step compared; ``summary`` says it in one line."""
    rows = []
    for counter in counters:
        own = [check for check in checks if check.name == counter.name]
        worst = max((abs(check.difference_share) for check in own), default=None)
        words = f"{counter_words(counter.name, counter.unit)}, {_KIND_WORDS[counter.kind]}"
        if worst is not None:
            last = next(check for check in own if abs(check.difference_share) == worst)
            places = f"{len(own)} steps" if len(own) > 1 else f"step {last.step}"
            words += (
                f": differs by {100 * worst:.1f} % in step {last.step}" if last.beyond(f.COUNTER_SHARE)
                else f": agrees within {_rounded_up(100 * worst):g} % in {places}"
            )
        rows.append({
            "name": counter.name, "kind": counter.kind, "sense": counter.sense, "unit": counter.unit, "resolution": counter.resolution or None,
            "evidence": counter.evidence, "summary": words,
            "steps": [
                {
                    "step": check.step, "by_integral": check.by_integral, "by_counter": check.by_counter,
                    "difference_share": check.difference_share, "u_difference_share": check.u_difference / check.by_counter,
                }
                for check in own
            ],
        })
    return rows


def _rounded_up(percent: float) -> float:
    """To one digit, never down, and to no less than 0.01 %."""
    if percent <= 0.01:
        return 0.01
    size = 10.0 ** math.floor(math.log10(percent))
    return math.ceil(percent / size - 1e-9) * size


def _counter_findings(checks: Sequence[StepCheck]) -> list[Finding]:
    """Integral and counter apart by more than ``COUNTER_SHARE`` and by more than their uncertainty; the worst step of each counter."""
    out = []
    for name in dict.fromkeys(check.name for check in checks):
        apart = [check for check in checks if check.name == name and check.beyond(f.COUNTER_SHARE)]
        if not apart:
            continue
        worst = max(apart, key=lambda check: abs(check.difference_share))
        integral, theirs, unit = worst.by_integral, worst.by_counter, worst.unit
        others = [str(check.step) for check in apart if check is not worst]
        out.append(
            Finding(
                "counter_mismatch", "caution",
                f"In step {worst.step} the integral of the {'current' if unit == 'Ah' else 'power'} gives {integral:.3f} {unit} and the instrument's own "
                f"{counter_words(name, unit)} ({_KIND_WORDS[worst.kind]}) {theirs:.3f} {unit}, {100 * abs(worst.difference_share):.1f} % apart: one of them is wrong"
                + ("." if unit == "Ah" else ", or the counter sees the voltage at another point of the leads."),
                f"integral {integral:.4f} {unit}, counter {theirs:.4f} {unit}, difference {100 * worst.difference_share:+.2f} ± "
                f"{200 * worst.u_difference / theirs:.2f} % of the counter (k = 2)" + (f"; also apart in step {', '.join(others)}" if others else ""),
                step=worst.step,
            )
        )
    return out


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
    low, high = thermal.charge_window_c
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
        "truncated_row", "rows_dropped", "rows_above", "clock_jump", "log_gap", "counter_mismatch", "parts_in_given_order",
        "parts_do_not_fit", "unit_doubtful", "unit_unusual", "sign_doubtful", "voltage_reversed", "group_name_repeated",
        "taps_end_open",
    }
    seen: dict[str, Finding] = {}
    for warning in log.reading.warnings:
        if warning.code not in seen:
            seen[warning.code] = Finding(
                warning.code, "caution" if warning.code in cautious else "info", warning.message, warning.where
            )
    return list(seen.values())


