"""Stamps of two parts, "12:30": hours and minutes, or minutes and seconds.

The wrong choice makes every duration, capacity and energy wrong by a factor of 60, so it is made by evidence: what the
log states, how the stamps run, other clocks, the instrument's counters, and how long a swing of the voltage lasts. The
choice is always told; without evidence the log is refused with the line that settles it.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from cycler.errors import InputError, Location, quote
from cycler.log import ReadingWarning
from cycler.readers.columns import Assigned, Assignment
from cycler.readers.columnsfile import ColumnsFile
from cycler.readers.names import vocabulary
from cycler.readers.parttime import join_parts, mark_compact
from cycler.readers.sniff import normal
from cycler.readers.stamps import Stamps, parse_stamps
from cycler.readers.table import Table
from cycler.units import COULOMB_PER_AH, SECONDS_PER_DAY, SECONDS_PER_HOUR, UNITS

HM, MS = "hh:mm", "mm:ss"
FASTEST_SWING_S = 600.0
"""No repair bench swings a pack's voltage by 8 % under load in less: 6 It, 10 min (common practice, no source). [s]"""
SLOWEST_SWING_S = 24 * SECONDS_PER_HOUR
"""Nor does it take longer than 1/24 It (common practice, no source). [s]"""
LEAST_SWING = 0.08
"""A smaller swing under load may be a small part of the charge. Share of the middle voltage."""
LONGEST_LOG_S = 10 * SECONDS_PER_DAY
LONGEST_STEP_S = 1800.0
"""Loggers write more often than every half hour (common practice, no source). [s]"""
_STATED = {"hh:mm": HM, "mm:ss": MS, "h": HM, "min": MS}


class TwoWays(InputError):
    """Two-part stamps that the log itself does not settle."""


@dataclass(frozen=True, slots=True)
class Vote:
    """One piece of evidence. ``firm``: it settles the matter alone."""

    form: str
    why: str
    firm: bool = False


def stamp_seconds(item: Assigned, order: str | None = None) -> Stamps:
    """Parsed stamps of a column; those of two parts as it was settled. [s]"""
    stamps = parse_stamps(item.raw.texts, order)
    if stamps.minute_second and item.unit is not None and item.unit.symbol == MS:
        return Stamps(stamps.seconds / 60.0, False, minute_second=True)
    return stamps


def settle_two_part(
    table: Table, assignment: Assignment, columns: ColumnsFile | None = None, siblings: dict[str, str] | None = None
) -> None:
    """Give every column of two-part stamps the unit "hh:mm" or "mm:ss"; times in parts or without marks are put together first.

    ``siblings`` says by heading how the same column was read in another part of the test.

    Raises
    ------
    TwoWays
        The evidence is missing or contradicts itself and the log has no other clock; names both readings and the
        line for a columns file.
    """
    join_parts(assignment)
    mark_compact(assignment)
    stamped = [item for item in assignment.columns if item.raw.kind == "time" and item.role in ("time", "clock", "date", "step")]
    parsed = {id(item): parse_stamps(item.raw.texts) for item in stamped}
    dated = any(stamps.has_date for stamps in parsed.values())
    open_items = [item for item in stamped if parsed[id(item)].minute_second and item.role != "date"]
    for item in open_items:
        if siblings and item.unit is None and item.label in siblings:
            item.unit = UNITS[siblings[item.label]]
            item.evidence += f"; {siblings[item.label]}: as in the other part"
        _settle(table, assignment, item, parsed, dated, columns)


def _settle(table, assignment, item: Assigned, parsed: dict[int, Stamps], dated: bool, columns: ColumnsFile | None) -> None:
    raw = parsed[id(item)].seconds
    seconds = raw[np.isfinite(raw)]
    stated = _STATED.get(item.unit.symbol) if item.unit is not None else None
    if stated is None and columns is not None and columns.clock == "wall":
        stated = HM
    if stated is not None:
        item.unit = UNITS[stated]
        return
    if dated and item.role != "step" and seconds.size and seconds.max() < SECONDS_PER_DAY:
        item.unit = UNITS[HM]
        item.evidence += "; hh:mm: a time of day beside a date"
        return
    votes = _votes(assignment, item, raw, parsed)
    chosen = _decide(votes)
    span = float(np.clip(np.diff(seconds), 0, None).sum()) if seconds.size > 1 else 0.0
    first = next((str(text).strip() for text in item.raw.texts if str(text).strip()), "")
    both = f"hh:mm ({_duration(span)} in all) or mm:ss ({_duration(span / 60.0)} in all)"
    name = f"name = {quote(item.raw.name)}" if item.raw.name else f"position = {item.raw.position + 1}"
    line = f'[[column]] {name}, role = "{item.role}", unit = '
    if chosen is None:
        if _has_other_clock(assignment, item):
            item.role, item.evidence = "ignored", "hh:mm or mm:ss cannot be told, and another column holds the time"
            return
        against = "; ".join(f"for {vote.form}: {vote.why}" for vote in votes)
        raise TwoWays(
            f"the times in {quote(item.label)} can be read in two ways",
            Location(table.file, table.dialect.header_line or table.dialect.first_line, item.raw.position + 1),
            f"{quote(first)} and the rest are {both}; "
            + (f"the log speaks for both: {against}" if against else "nothing in the log tells which"),
            f"write which in a columns file (--columns): {line}\"{HM}\", or unit = \"{MS}\" there",
        )
    reasons = "; ".join(vote.why for vote in votes if vote.form == chosen)
    item.unit = UNITS[chosen]
    item.evidence += f"; {chosen}: {reasons}"
    other = MS if chosen == HM else HM
    lasts = {HM: _duration(span), MS: _duration(span / 60.0)}
    assignment.warnings.append(
        ReadingWarning(
            "unit_inferred",
            f"The times in {quote(item.label)} were read as {chosen}, so they span {lasts[chosen]}; as {other} it would be "
            f"{lasts[other]}: {reasons}. If that is wrong, state it in a columns file: {line}\"{other}\".",
            item.label,
        )
    )


def _decide(votes: list[Vote]) -> str | None:
    firm = {vote.form for vote in votes if vote.firm}
    forms = firm or {vote.form for vote in votes}
    return next(iter(forms)) if len(forms) == 1 else None


def _duration(seconds: float) -> str:
    for limit, size, unit in ((120.0, 1.0, "s"), (7200.0, 60.0, "min"), (np.inf, SECONDS_PER_HOUR, "h")):
        if seconds < limit:
            return f"{seconds / size:.4g} {unit}"
    return ""


def _has_other_clock(assignment: Assignment, item: Assigned) -> bool:
    """True if a column that is read before this one, or alike, holds the time as well."""
    usable = [other for other in assignment.columns if other is not item and other.role in ("time", "clock")]
    return any(other.raw.kind == "number" or (other.raw.kind == "time" and other.role != "date") for other in usable)


def _votes(assignment: Assignment, item: Assigned, raw: np.ndarray, parsed: dict[int, Stamps]) -> list[Vote]:
    seconds = raw[np.isfinite(raw)]
    if seconds.size < 2:
        return []
    found = [_by_wrap(seconds), _by_other_clock(assignment, item, raw, parsed), _by_counter(assignment, raw), *_by_run(item, seconds)]
    return [vote for vote in [*found, _by_swing(assignment, raw)] if vote is not None]


def _by_wrap(seconds: np.ndarray) -> Vote | None:
    """A fall from just before 23:59 or 59:59 to just after 00:00, in a column that never passes it."""
    steps = np.diff(seconds)
    usual = steps[steps > 0]
    near = 3 * float(np.median(usual)) + 60.0 if usual.size else 60.0
    at = np.flatnonzero(steps < 0)
    for full, form, text in ((SECONDS_PER_DAY, HM, "23:59"), (60 * SECONDS_PER_HOUR, MS, "59:59")):
        if at.size and seconds.max() < full and np.any((seconds[at] >= full - near) & (seconds[at + 1] <= near)):
            return Vote(form, f"the times start again at 00:00 after {text}", True)
    return None


def _by_other_clock(assignment: Assignment, item: Assigned, raw: np.ndarray, parsed: dict[int, Stamps]) -> Vote | None:
    """Another column of time advances by the same amount in one of the two readings."""
    for other in assignment.columns:
        if other is item or other.role not in ("time", "clock", "step"):
            continue
        if other.raw.kind == "number" and other.unit is not None and other.unit.dimension == "time":
            theirs = other.values()
        elif id(other) in parsed and not parsed[id(other)].minute_second and not parsed[id(other)].date_only:
            theirs = parsed[id(other)].seconds
        else:
            continue
        a, b = np.diff(raw), np.diff(theirs)
        both = np.isfinite(a) & np.isfinite(b) & (a >= 0) & (b >= 0)
        if a[both].sum() <= 0 or b[both].sum() <= 0:
            continue
        ratio = float(a[both].sum() / b[both].sum())
        for form, expected in ((HM, 1.0), (MS, 60.0)):
            if abs(ratio / expected - 1) < 0.3:
                return Vote(form, f"{quote(other.label)} advances by as much", True)
    return None


def _current_of(assignment: Assignment) -> tuple[np.ndarray, bool] | None:
    """Magnitude of the current and whether its unit is stated. [A if stated]"""
    items = [found for role in ("current", "charge_current", "discharge_current") for found in assignment.role(role)]
    items = [found for found in items if found.raw.values is not None]
    if any(found.role == "current" for found in items):
        items = [found for found in items if found.role == "current"]
    if not items:
        return None
    return sum(np.abs(np.nan_to_num(found.values())) for found in items), all(found.unit is not None for found in items)


def _by_counter(assignment: Assignment, raw: np.ndarray) -> Vote | None:
    """The current integrated over time meets the instrument's counter in one of the two readings."""
    current = _current_of(assignment)
    counters = [found for role in ("capacity", "discharge_capacity", "charge_capacity") for found in assignment.role(role)]
    if current is None:
        return None
    magnitude, known = current
    steps = np.diff(raw)
    steps = np.where(np.isfinite(steps) & (steps > 0), steps, 0.0)
    charge = (magnitude[1:] + magnitude[:-1]) / 2 * steps / COULOMB_PER_AH
    for counter in counters:
        values = counter.values()
        change = np.diff(values)
        # Counters start again at zero at a step; those falls are no charge.
        fresh = np.isfinite(change) & (change != 0) & (np.abs(change) <= 0.5 * float(np.nanmax(np.abs(values), initial=0.0)))
        if counter.role != "capacity":
            fresh &= change > 0
        if np.count_nonzero(fresh) < 5:
            continue
        inside = np.ones(change.size, bool)
        if counter.role != "capacity":
            at = np.flatnonzero(fresh)
            inside[: at[0]], inside[at[-1] + 1:] = False, False
        turnover, integral = float(np.abs(change[fresh]).sum()), float(charge[inside].sum())
        if turnover <= 0 or integral <= 0:
            continue
        scales = (1.0,) if known and counter.unit is not None else (1.0, 1e3, 1e-3)
        for scale, (form, expected) in itertools.product(scales, ((HM, 1.0), (MS, 60.0))):
            ratio = integral / turnover / expected / scale
            # The other reading is 60 times off, so a coarse counter decides as well.
            if 0.5 < ratio < 1.5:
                return Vote(form, f"the current integrated over time then is {ratio:.2f} of the change of {quote(counter.label)}", True)
    return None


def _by_run(item: Assigned, seconds: np.ndarray) -> list[Vote]:
    """How the stamps begin, how many rows share one, how far they lie apart."""
    votes = []
    first = float(seconds[0])
    words = set(normal(item.raw.name).split())
    clock_word = item.role == "clock" and bool(words & vocabulary()["quantity"]["clock"]["words"])
    if first < SECONDS_PER_DAY and seconds.max() < SECONDS_PER_DAY and (first > 3 * SECONDS_PER_HOUR or (clock_word and first > 120.0)):
        text = next((str(cell).strip() for cell in item.raw.texts if str(cell).strip()), "")
        votes.append(Vote(HM, f"the log begins at {text}, as a time of day does"))
    ticks = np.diff(seconds)
    moving = ticks[ticks > 0]
    if moving.size:
        shared = seconds.size / (np.count_nonzero(ticks) + 1)
        if shared >= 2.0 and moving.size >= 3:
            votes.append(Vote(HM, f"about {shared:.0f} rows share each time, which seconds would not do"))
        if float(np.median(moving)) >= LONGEST_STEP_S:
            votes.append(Vote(MS, f"the rows would lie {float(np.median(moving)) / 60.0:.0f} min apart as hh:mm"))
        if float(moving.sum()) > LONGEST_LOG_S:
            votes.append(Vote(MS, f"the log would last {float(moving.sum()) / SECONDS_PER_DAY:.0f} days as hh:mm"))
    return votes


def _by_swing(assignment: Assignment, raw: np.ndarray) -> Vote | None:
    """The longest stretch of current that swings the voltage lasts as long as a pack can make it last in one reading only."""
    voltage = next((found for role in ("voltage", "tap_voltage", "group_voltage") for found in assignment.role(role)), None)
    current = _current_of(assignment)
    if voltage is None or current is None or voltage.raw.values is None:
        return None
    size = current[0]
    moving = size > 0.2 * float(np.percentile(size, 99))
    edges = np.concatenate([[0], np.flatnonzero(np.diff(moving.astype(int)) != 0) + 1, [moving.size]])
    best, lasted = 0.0, 0.0
    for a, b in itertools.pairwise(edges):
        if not moving[a] or b - a < 10:
            continue
        # The first rows hold the step at the edge, which says nothing about the time.
        inner = slice(a + 1 + (b - a) // 20, b)
        values, times = voltage.raw.values[inner], raw[inner]
        both = np.isfinite(values) & np.isfinite(times)
        values, times = values[both], times[both]
        if values.size < 8 or times[-1] <= times[0]:
            continue
        swing = float(values.max() - values.min()) / max(abs(float(np.median(values))), 1e-9)
        if swing > max(best, LEAST_SWING):
            best, lasted = swing, float(times[-1] - times[0])
    if not lasted:
        return None
    fits = {form: FASTEST_SWING_S <= duration <= SLOWEST_SWING_S for form, duration in ((HM, lasted), (MS, lasted / 60.0))}
    if fits[HM] == fits[MS]:
        return None
    form = HM if fits[HM] else MS
    duration, other = (lasted, lasted / 60.0) if form == HM else (lasted / 60.0, lasted)
    return Vote(
        form, f"the voltage swings by {100 * best:.0f} % under load within {_duration(duration)}, as a pack can; {_duration(other)} is no time for that"
    )
