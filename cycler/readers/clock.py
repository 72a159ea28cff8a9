"""The time of every row: elapsed or wall clock, wraps, restarts, duplicates, disorder, gaps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

from cycler.errors import InputError, Location, quote
from cycler.log import Gap, ReadingWarning
from cycler.readers.columns import MEND, Assigned, Assignment, refuse_mixed_marks
from cycler.readers.columnsfile import ColumnsFile
from cycler.readers.evidence import SPREADSHEET_DAYS
from cycler.readers.order import runs_on, stands_as_written, witnesses
from cycler.readers.stamps import Stamps
from cycler.readers.table import Table, list_lines
from cycler.readers.ticks import pace_of, spread_ticks
from cycler.readers.twopart import MS, stamp_seconds
from cycler.signals import GAP_MIN_S, GAP_RATIO
from cycler.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, UNITS

_LOOK_AHEAD = 100
LEAST_EPOCH_S = 631_152_000.0
"""1990-01-01 in seconds since 1970; smaller numbers are elapsed times. [s]"""
# Counters of clocks that start again at zero when full: 16-bit seconds, 32-bit and signed 32-bit milliseconds,
# a day, an hour (mm:ss). Arithmetic of the word lengths.
_FULL_S = (65536.0, 4294967.296, 2147483.648, SECONDS_PER_DAY, SECONDS_PER_HOUR, 65.536, 4294.967296)


@dataclass(slots=True)
class Clock:
    """Time of each row that is kept.

    ``rows`` indexes the table; ``time_s`` belongs to those rows, not yet shifted to zero. ``absolute`` is true
    if ``time_s`` is the wall clock in seconds since 1970; ``origin_s`` is the wall clock of ``time_s`` = 0
    where only another column knows it, and ``pace`` how much faster than that ``time_s`` goes (see ``pace_of``).
    """

    rows: np.ndarray
    time_s: np.ndarray
    kind: str
    absolute: bool = False
    utc: bool = False
    label: str = ""
    origin_s: float | None = None
    pace: float | None = None
    wrapped: bool = False
    joints: list[Gap] = field(default_factory=list)
    bad_rows: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    duplicates: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    warnings: list[ReadingWarning] = field(default_factory=list)

    def started_at(self) -> datetime | None:
        """Wall clock of the first row."""
        first = float(self.time_s[0]) + (self.origin_s or 0.0)
        if not self.absolute and self.origin_s is None:
            return None
        try:
            moment = datetime(1970, 1, 1) + timedelta(seconds=first)
        except OverflowError:
            return None
        return moment.replace(tzinfo=UTC) if self.utc else moment


@dataclass(slots=True)
class _Source:
    seconds: np.ndarray
    kind: str
    absolute: bool
    utc: bool = False
    of_day: bool = False
    label: str = ""
    numeric: bool = False
    minute_second: bool = False


def read_clock(table: Table, assignment: Assignment, columns: ColumnsFile | None, same: Callable[[], np.ndarray] | None = None) -> Clock:
    """Time of each row.

    Parameters
    ----------
    table, assignment
        Rows and what their columns mean; time columns must have their unit.
    columns : ColumnsFile, optional
        May state ``clock`` and ``date_order``.
    same : callable, optional
        Gives an ndarray of bool, shape (n,): True where a row repeats the row before in everything but time.

    Raises
    ------
    InputError
        No time column, or its cells cannot be read.
    """
    order = columns.date_order if columns else None
    want = columns.clock if columns else None
    warnings: list[ReadingWarning] = []
    elapsed = _elapsed(assignment, order) if want in (None, "elapsed") else None
    wall = _wall(table, assignment, order, warnings) if want in (None, "wall") else None
    step = _step(assignment, order) if want in (None, "step") else None
    if want == "step" and step is None and (step := _elapsed(assignment, order)) is not None and not step.absolute:
        step.kind, step.of_day = "step", False
    if elapsed is not None and elapsed.absolute:
        wall, elapsed = (wall or elapsed), None
    source = elapsed or wall or step
    if source is None:
        refuse_mixed_marks(table, assignment, {"time", "clock"})
        headings = ", ".join(quote(item.label) for item in assignment.columns[:16])
        if want is not None:
            raise InputError(
                f'the log has no time that fits clock = "{want}"', columns.file, f"columns of {table.file}: {headings}",
                "leave clock out, or correct the roles of the time columns",
            )
        raise InputError(
            "the log has no time column", Location(table.file, table.dialect.header_line), f"columns found: {headings}",
            MEND.format(role="time", unit="s"),
        )
    if source is step and wall is not None and not wall.of_day:
        source = wall
    clock = _straighten(table, assignment, source, wall if source is not wall else None, same)
    clock.warnings[:0] = warnings
    return clock


def _elapsed(assignment: Assignment, order: str | None) -> _Source | None:
    item = assignment.one("time")
    if item is None:
        return None
    if item.raw.kind == "time":
        return _from_stamps(item, stamp_seconds(item, order), "elapsed")
    values = item.values()
    finite = values[np.isfinite(values)]
    if not finite.size:
        return None
    if item.extent().high > LEAST_EPOCH_S and np.median(finite) > LEAST_EPOCH_S:
        return _Source(values, "wall", True, True, label=item.label, numeric=True)
    return _Source(values, "elapsed", False, label=item.label, numeric=True)


def _from_stamps(item: Assigned, stamps: Stamps, kind: str) -> _Source | None:
    if not np.isfinite(stamps.seconds).any():
        return None
    if stamps.has_date:
        return _Source(stamps.seconds, "wall", True, stamps.utc, label=item.label)
    seconds = stamps.seconds
    minute_second = stamps.minute_second and item.unit is not None and item.unit.symbol == MS
    finite = seconds[np.isfinite(seconds)]
    within_day = finite.max() < SECONDS_PER_DAY
    if stamps.minute_second:
        of_day = not minute_second and within_day and (kind == "wall" or finite[0] > 3 * SECONDS_PER_HOUR)
    else:
        of_day = kind == "wall" or (within_day and finite[0] > 3 * SECONDS_PER_HOUR)
    return _Source(seconds, "wall" if of_day else "elapsed", False, of_day=of_day, label=item.label, minute_second=minute_second)


def _wall(table: Table, assignment: Assignment, order: str | None, warnings: list[ReadingWarning]) -> _Source | None:
    clock, date = assignment.one("clock"), assignment.one("date")
    moments: list[tuple[Assigned, Stamps]] = []
    for item in (clock, date):
        if item is not None and item.raw.kind == "time":
            moments.append((item, stamp_seconds(item, order)))
    if clock is not None and clock.raw.kind == "number":
        values = clock.values()
        finite = values[np.isfinite(values)]
        if finite.size and clock.unit is None:
            scale = np.median(finite)
            for limit, factor, symbol in ((1e17, 1e-9, None), (1e14, 1e-6, "µs"), (1e11, 1e-3, "ms")):
                if scale > limit:
                    values = values * factor
                    clock.unit = UNITS[symbol] if symbol else None
                    break
        finite = values[np.isfinite(values)]
        if finite.size and np.median(finite) > LEAST_EPOCH_S:
            return _Source(values, "wall", True, True, label=clock.label, numeric=True)
        if finite.size and clock.unit is None and SPREADSHEET_DAYS[0] < np.median(finite) < SPREADSHEET_DAYS[1]:
            return _Source((values - 25_569.0) * SECONDS_PER_DAY, "wall", True, label=clock.label, numeric=True)
        if finite.size:
            return _Source(values, "elapsed", False, label=clock.label, numeric=True)
    for item, stamps in moments:
        if stamps.ambiguous:
            first = next((str(text) for text in item.raw.texts if str(text)), "")
            warnings.append(
                ReadingWarning(
                    "date_order_inferred",
                    f"The date {quote(first)} was read {stamps.order.replace('_', ' ')}; it could also be read the other way "
                    "(only the date of the test depends on it).",
                    item.label,
                )
            )
    full = [(item, stamps) for item, stamps in moments if stamps.has_date and not stamps.date_only]
    if full:
        return _from_stamps(full[0][0], full[0][1], "wall")
    day = next(((item, stamps) for item, stamps in moments if stamps.date_only), None)
    of_day = next(((item, stamps) for item, stamps in moments if not stamps.has_date), None)
    if day is not None and of_day is None:
        timed = assignment.one("time")
        if timed is not None and timed.raw.kind == "time":
            stamps = stamp_seconds(timed, order)
            finite = stamps.seconds[np.isfinite(stamps.seconds)]
            if not stamps.has_date and finite.size and finite.max() < SECONDS_PER_DAY and finite[0] > 60:
                of_day = (timed, stamps)
                timed.role, timed.evidence = "clock", "time of day beside a date"
    if day is not None and of_day is not None:
        # Beside a date, "108:15:40" is no time of day.
        clock_s = np.where(of_day[1].seconds <= SECONDS_PER_DAY, of_day[1].seconds, np.nan)
        return _Source(
            day[1].seconds + clock_s, "wall", True, day[1].utc or of_day[1].utc, label=of_day[0].label
        )
    if of_day is not None:
        return _from_stamps(of_day[0], of_day[1], "wall")
    return None


def _step(assignment: Assignment, order: str | None) -> _Source | None:
    item = assignment.step_time()
    if item is None:
        return None
    if item.raw.kind == "time":
        source = _from_stamps(item, stamp_seconds(item, order), "elapsed")
        if source is not None:
            source.kind, source.of_day = "step", False
        return source
    return _Source(item.values(), "step", False, label=item.label, numeric=True)


def _straighten(
    table: Table, assignment: Assignment, source: _Source, wall: _Source | None, same: Callable[[], np.ndarray] | None
) -> Clock:
    """One time axis that never runs back."""
    t = np.array(source.seconds, dtype=float)
    good = np.isfinite(t)
    bad_rows = np.flatnonzero(~good)
    rows = np.flatnonzero(good)
    if rows.size < 2:
        raise InputError(
            "the log has fewer than two rows with a time", Location(table.file, int(table.line_number[0])),
            f"column {quote(source.label)} holds {rows.size} readable time{'s' if rows.size != 1 else ''}",
            "export the log again, or name the time column in a columns file (--columns)",
        )
    t = t[rows]
    if source.numeric and not source.absolute and t[0] >= 0 and 0 < (t < 0).sum() <= 0.01 * t.size:
        # A clock that begins at or above zero never falls below it.
        bad_rows = np.sort(np.concatenate([bad_rows, rows[t < 0]]))
        rows, t = rows[t >= 0], t[t >= 0]
    if rows.size > 2 and t.min() == t.max():
        raise InputError(
            "the clock stands still", Location(table.file, int(table.line_number[rows[0]])),
            f"column {quote(source.label)} shows the same time in all {rows.size} rows",
            "name another time column in a columns file (--columns), or export the log with its times",
        )
    clock = Clock(rows, t, source.kind, source.absolute, source.utc, source.label, bad_rows=bad_rows)
    where = lambda index: f"{table.file}:{int(table.line_number[clock.rows[index]])}"  # noqa: E731
    steps = np.diff(t)
    falls = np.flatnonzero(steps < 0)
    if falls.size > 0.9 * steps.size and falls.size > 2:
        clock.rows, t = clock.rows[::-1], t[::-1]
        clock.warnings.append(ReadingWarning("clock_disorder", "The rows run from last to first; they were turned round.", table.file))
        steps, falls = np.diff(t), np.flatnonzero(np.diff(t) < 0)
    if falls.size > 1 and (full := _full_again_and_again(t, falls, source)):
        clock.time_s = t + full * np.concatenate([[0], np.cumsum(steps < 0)])
        clock.wrapped = True
        text = f"The clock starts again at zero when full ({falls.size} times, every {full:g} s); it was unrolled."
        clock.warnings.append(ReadingWarning("clock_wrapped", text, where(int(falls[0]) + 1)))
        falls, t = falls[:0], clock.time_s
    if falls.size > max(20, 0.3 * t.size):
        index = int(falls[0])
        raise InputError(
            "the clock runs back again and again", Location(table.file, int(table.line_number[clock.rows[index + 1]])),
            f"column {quote(source.label)} falls in {falls.size} of {t.size} rows, first from {t[index]:g} s to {t[index + 1]:g} s",
            "sort the rows by time, or name another time column in a columns file (--columns)",
        )
    if falls.size:
        t = _mend_falls(t, falls, table, assignment, source, wall, clock, where)
        left = np.flatnonzero(np.diff(t) < 0)
        if left.size:
            index = int(left[0])
            raise InputError(
                "the clock runs back", Location(table.file, int(table.line_number[clock.rows[index + 1]])),
                f"column {quote(source.label)} falls from {t[index]:g} s to {t[index + 1]:g} s, and nothing in the log says why",
                "correct that row, or name another time column in a columns file (--columns)",
            )
    clock.time_s = t
    _drop_duplicates(clock, same, where)
    _spread_coarse(clock)
    if wall is not None and wall.absolute and not source.absolute:
        first = wall.seconds[clock.rows]
        known = np.flatnonzero(np.isfinite(first))
        if known.size:
            clock.origin_s, clock.utc = float(first[known[0]] - clock.time_s[known[0]]), wall.utc
            clock.pace = pace_of(clock.time_s[known], first[known])
    return clock


def _typical(t: np.ndarray) -> float:
    steps = np.diff(t)
    steps = steps[steps > 0]
    return float(np.median(steps)) if steps.size else 1.0


def _mend_falls(t, falls, table, assignment, source, wall, clock, where) -> np.ndarray:
    """Wraps are unrolled, misplaced rows sorted in, restarts joined."""
    t, clock.rows = t.copy(), clock.rows.copy()
    typical = _typical(t)
    wraps: list[int] = []
    joined: list[int] = []
    jumps: list[int] = []
    backs: list[tuple[int, float]] = []
    moved: list[int] = []
    step = assignment.one("step")
    step_number = step.raw.values[clock.rows].copy() if step is not None and step.raw.kind == "number" else None
    # Adding a shift to all later rows, or sorting a block, leaves the other falls where they are. Rows from ``reach`` on
    # get the shifts so far when they are looked at, so that many restarts do not take time with their square.
    total, reach = 0.0, 0
    shown = t.copy()  # what the clock itself says, whose full scale it is
    columns = witnesses(assignment)

    def shift_rest(amount: float) -> None:
        nonlocal total
        t[index + 1: reach] += amount
        total += amount

    for index in map(int, falls):
        ahead = min(t.size, index + _LOOK_AHEAD)
        t[reach:ahead] += total
        reach = max(reach, ahead)
        before, after = t[index], t[index + 1]
        if after >= before:
            continue
        local = _typical(t[max(0, index - 20): index + 1])
        full = _full_scale(shown[index], shown[index + 1], source, local)
        block = None if source.of_day and full else _misplaced(t, index, local)
        set_back = False
        if block is not None:
            start, stop = block
            order = start + np.argsort(t[start:stop], kind="stable")
            set_back = stands_as_written(columns, clock.rows, start, stop, order)
        if block is not None and not set_back:
            moved += [int(clock.rows[item]) for item in range(index + 1, stop) if t[item] < before]
            t[start:stop], shown[start:stop] = t[order], shown[order]
            clock.rows[start:stop] = clock.rows[order]
            if step_number is not None:
                step_number[start:stop] = step_number[order]
        elif full:
            shift_rest(full)
            wraps.append(index)
        elif source.kind == "wall" and 0 <= SECONDS_PER_HOUR - (before - after) < 3 * min(local, 10 * typical) + 2:
            shift_rest(SECONDS_PER_HOUR)
            jumps.append(index)
        elif set_back and runs_on(assignment, clock.rows, index):
            backs.append((index, before - after + local))
            shift_rest(before - after + local)
        else:
            shift_rest(_joint(t, index, step_number, source, wall, clock, joined, local, typical))
    t[reach:] += total
    if wraps:
        clock.wrapped = True
        clock.warnings.append(
            ReadingWarning("clock_wrapped", f"The clock starts again at zero when full ({len(wraps)} time{'s' if len(wraps) > 1 else ''}); it was unrolled.", where(wraps[0] + 1))
        )
    if jumps:
        clock.warnings.append(
            ReadingWarning("clock_jump", "The clock jumps back one hour (summer time); the rows after it were moved on.", where(jumps[0] + 1))
        )
    if backs:
        text = ", ".join(f"by {amount:.4g} s at {where(index + 1).rsplit(':', 1)[-1]}" for index, amount in backs[:3])
        clock.warnings.append(
            ReadingWarning(
                "clock_jump", f"The clock was set back, as the readings run on in the order of the file ({text.replace(' at ', ' at line ')}); the rows after it were moved on.",
                where(backs[0][0] + 1),
            )
        )
    if moved:
        lines = sorted(int(table.line_number[item]) for item in moved)
        clock.warnings.append(
            ReadingWarning("clock_disorder", f"Rows out of order by time were put in their place: {list_lines(lines)}.", f"{table.file}:{lines[0]}")
        )
    if joined:
        lines = [int(table.line_number[clock.rows[item + 1]]) for item in joined]
        unknown = sum(gap.why.startswith("the clock starts again") for gap in clock.joints)
        text = f"The clock starts again at {list_lines(lines)}; the stretches were joined in the order of the file"
        text += f"; how long {'the pause' if unknown == 1 else 'each pause'} lasted is not known" if unknown else ""
        clock.warnings.append(ReadingWarning("step_clock_joined", text + ".", f"{table.file}:{lines[0]}"))
    return t


def _full_again_and_again(t: np.ndarray, falls: np.ndarray, source: _Source) -> float:
    """The full scale with which every fall is one even step on, or 0: a short counter that runs over all the time."""
    if source.absolute or source.of_day or not source.numeric:
        return 0.0
    usual = _typical(t)
    for full in sorted(_FULL_S):
        if t.max() >= full or t.max() < full - 2 * usual or t.min() < 0:
            continue
        onward = full + t[falls + 1] - t[falls]
        if np.all(np.abs(onward - usual) < 0.2 * usual):
            return full
    return 0.0


def _full_scale(before: float, after: float, source: _Source, local: float) -> float:
    """What to add where a clock that was full starts at zero, or 0."""
    near = max(5 * local, 5.0)
    if source.absolute:
        return 0.0
    if source.of_day:
        return SECONDS_PER_DAY if before - after > SECONDS_PER_DAY / 2 else 0.0
    for full in _FULL_S:
        if full < SECONDS_PER_DAY and full != 65536.0 and not (full == SECONDS_PER_HOUR and source.minute_second):
            # Short scales are common step lengths as well, so only an exact continuation counts.
            slack = min(near, full * 0.02)
            if full in (65.536, 4294.967296) and full - slack < before < full and 0 <= after < slack and abs(full - before + after - local) < 0.5 * local:
                return full
            continue
        if full == SECONDS_PER_DAY and source.numeric and abs(full - before + after - local) > local:
            continue
        if full - near <= before <= full and 0 <= after <= near:
            return full
    return 0.0


def _misplaced(t: np.ndarray, index: int, local: float) -> tuple[int, int] | None:
    """(start, stop) of a stretch that is right once sorted, because a block of rows belongs further up, or None.

    Proven only if the block is short, the clock then runs on past where it was, and its times fit between
    those of the other rows without crowding them.
    """
    before = t[index]
    later = t[index + 1: index + 60]
    beyond = np.flatnonzero(later > before)
    if not beyond.size:
        # At the very end of the file nothing follows; one late row is enough proof only if it fits a hole.
        stop = t.size
        if stop - index - 1 > 3:
            return None
    else:
        stop = index + 1 + int(beyond[0])
    low = float(t[index + 1: stop].min())
    first = max(0, index - 600)
    start = first + int(np.searchsorted(np.maximum.accumulate(t[first: index + 1]), low, side="right")) - 1
    if start < first and first > 0:
        return None
    if start < 0 and low < t[0] - 5 * local:
        return None
    start = max(0, start)
    if index - start > 500:
        return None
    merged = np.sort(t[start: stop + 1])
    gaps = np.diff(merged)
    around = np.diff(np.concatenate([t[max(0, start - 10): start + 1], t[stop: stop + 10]]))
    around = around[around > 0]
    usual = min(local, float(np.median(around))) if around.size else local
    if np.any(gaps < 0.2 * usual):
        return None
    # The hole that the rows left behind closes: sorted steps stay near the usual one.
    return (start, stop) if gaps.max() <= 3 * max(usual, local) else None


def _joint(t, index, step_number, source, wall, clock, joined, local, typical) -> float:
    """Shift for the rows after a restart, and the gap to note."""
    before, after = float(t[index]), float(t[index + 1])
    ahead = t[index + 1: index + 7]
    following = np.diff(ahead)
    following = following[following > 0]
    own = float(np.median(following)) if following.size else typical
    nominal = min(local, own) if following.size else local
    joined.append(index)
    if wall is not None:
        stamps = wall.seconds[clock.rows[[index, index + 1]]]
        pause = float(stamps[1] - stamps[0])
        if wall.of_day and pause < -SECONDS_PER_DAY / 2:
            pause += SECONDS_PER_DAY
        if np.isfinite(pause) and pause >= 0:
            return before - after + max(pause, 0.0)
    same_step = step_number is not None and step_number[index] != step_number[index + 1]
    if source.kind == "step" or (same_step and after <= 3 * own):
        # Steps of one program follow each other: the first row says how long after the start of its step it was taken.
        return before - after + (after if 0 < after <= 5 * own else nominal)
    clock.joints.append(Gap(before, nominal, "the clock starts again here; how long the pause lasted is not known"))
    return before - after + nominal


def _drop_duplicates(clock: Clock, same: Callable[[], np.ndarray] | None, where) -> None:
    """Rows that repeat the row before in everything, time included."""
    if same is None or clock.time_s.size < 2:
        return
    equal = np.diff(clock.time_s) == 0
    if not equal.any():
        return
    neighbours = np.diff(clock.rows) == 1
    exact = equal & same()[clock.rows[1:]] & neighbours
    # A clock coarser than the sampling repeats itself too; there, equal readings are no copies.
    if equal.sum() > 0.2 * clock.time_s.size and exact.sum() < 0.95 * equal.sum():
        return
    if not exact.any():
        return
    twice = np.flatnonzero(exact) + 1
    keep = np.ones(clock.time_s.size, bool)
    keep[twice] = False
    text = f"Left out {twice.size} row{'s' if twice.size > 1 else ''} that repeated the row before exactly."
    clock.warnings.append(ReadingWarning("duplicate_time", text, where(int(twice[0]))))
    clock.duplicates = clock.rows[twice]
    clock.rows, clock.time_s = clock.rows[keep], clock.time_s[keep]


def _spread_coarse(clock: Clock) -> None:
    """Spread runs of equal stamps evenly where the clock is coarser than the sampling."""
    t = clock.time_s
    n = t.size
    if n < 4 or (np.diff(t) == 0).sum() <= 0.2 * n or t[0] == t[-1]:
        return
    clock.time_s, longest = spread_ticks(t)
    clock.warnings.append(
        ReadingWarning("clock_coarse", f"The clock shows the same time for up to {longest} rows; they were spread evenly.", "")
    )


def find_gaps(time_s: np.ndarray, joints: list[Gap]) -> list[Gap]:
    """Stretches without samples: longer than 30 s and five times the sampling on both sides.

    A slow but steady sampling (rests), and logs that write on events, have no gaps by this rule.
    """
    steps = np.diff(time_s)
    gaps = [Gap(gap.start_s - float(time_s[0]), gap.duration_s, gap.why) for gap in joints]
    held = {round(gap.start_s, 6) for gap in gaps}
    candidates = np.flatnonzero(steps > GAP_MIN_S)
    if not candidates.size:
        return sorted(gaps, key=lambda gap: gap.start_s)
    found = []
    for index in candidates if candidates.size < 20_000 else candidates[:20_000]:
        before, after = steps[max(0, index - 5): index], steps[index + 1: index + 6]
        before, after = before[before > 0], after[after > 0]
        medians = [float(np.median(part)) for part in (before, after) if part.size]
        if medians and steps[index] > GAP_RATIO * max(medians):
            found.append(int(index))
    if len(found) > max(3, 0.01 * steps.size):
        # Written on events: long quiet intervals belong to the way it logs.
        limit = GAP_RATIO * float(np.percentile(steps[found], 75))
        found = [index for index in found if steps[index] > limit]
    for index in found:
        start = float(time_s[index] - time_s[0])
        if round(start, 6) not in held:
            gaps.append(Gap(start, float(steps[index])))
    return sorted(gaps, key=lambda gap: gap.start_s)
