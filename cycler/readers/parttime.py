"""Times spread over columns (hour, minute, second) and times written without marks (20260309, 081530).

Read as plain numbers they would make a clock that is wrong without a sign of it: hours that stand still, or "seconds"
that jump from 59 to 100.
"""

from __future__ import annotations

import re

import numpy as np

from cycler.log import ReadingWarning
from cycler.readers.columns import Assigned, Assignment
from cycler.readers.names import vocabulary
from cycler.readers.sniff import normal
from cycler.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, SECONDS_PER_MINUTE, UNITS

_LIMITS = {"year": (1970, 2200), "month": (1, 12), "day": (1, 31), "hour": (0, 1e6), "minute": (0, 59), "second": (0, 60)}
_AROUND = {"time", "zeit", "temps", "tiempo", "tempo", "tijd", "elapsed", "in"}
_IN_SECONDS = {"hour": SECONDS_PER_HOUR, "minute": SECONDS_PER_MINUTE, "second": 1.0}


def join_parts(assignment: Assignment) -> None:
    """Hour, minute and second in columns of their own, with year, month and day or without, become one time.

    Done only if every part stays within its range, the smaller ones start again, and the whole hardly runs back.
    """
    parts = _parts(assignment)
    clock = [part for part in _IN_SECONDS if part in parts]
    if clock not in (["hour", "minute"], ["minute", "second"], ["hour", "minute", "second"]):
        return
    if all(np.ptp(parts[part].raw.values) == 0 for part in clock[:-1]) or not (np.diff(parts[clock[-1]].raw.values) < 0).any():
        return
    seconds = np.sum([parts[part].raw.values * _IN_SECONDS[part] for part in clock], axis=0)
    dated = all(part in parts for part in ("year", "month", "day")) and seconds.max() < SECONDS_PER_DAY
    days = _dates(parts) if dated else [""] * seconds.size
    if not dated and (np.diff(seconds) < 0).sum() > 0.02 * seconds.size:
        return
    used = [parts[part] for part in (*(("year", "month", "day") if dated else ()), *clock)]
    main = parts[clock[0]]
    others = [item for item in assignment.columns if item.role in ("time", "clock") and item not in used]
    for item in used:
        item.composed = True
        item.role, item.evidence = "ignored", f"a part of the time; {others[0].label} holds all of it" if others else f"a part of the time in {main.label}"
    if others:
        return
    main.evidence = "put together from " + ", ".join(item.label for item in used)
    if dated or (any(item.role == "date" for item in assignment.columns) and seconds.max() < SECONDS_PER_DAY):
        # As a text, so that it stays the wall clock that was written and does not turn into seconds since 1970 in UTC.
        main.role, main.unit, main.raw.kind = "clock", None, "time"
        main.raw.texts = np.array([f"{day}{_hms(moment)}" for day, moment in zip(days, seconds)], dtype=object)
    else:
        main.role, main.unit, main.raw.values = "time", UNITS["s"], seconds
    assignment.warnings.append(
        ReadingWarning("time_in_parts", f"The time was put together from the columns {', '.join(item.label for item in used)}.", main.label)
    )


def _parts(assignment: Assignment) -> dict[str, Assigned]:
    """Columns whose headings say a part of a time and whose readings stay within its range."""
    parts: dict[str, Assigned] = {}
    for item in assignment.columns:
        words = re.findall(r"[^\W\d_]+", normal(item.raw.name))
        words = [word for word in words if word not in _AROUND] or words
        part = next((part for part, entry in vocabulary()["part"].items() if words and set(words) <= entry["words"]), None)
        values = item.raw.values
        if part is None or part in parts or item.stated or item.raw.kind != "number" or not np.isfinite(values).all():
            continue
        low, high = _LIMITS[part]
        if (part == "second" or np.array_equal(values, np.round(values))) and values.min() >= low and values.max() <= high:
            parts[part] = item
    return parts


def _dates(parts: dict[str, Assigned]) -> list[str]:
    columns = [parts[part].raw.values.astype(int) for part in ("year", "month", "day")]
    return [f"{year:04d}-{month:02d}-{day:02d} " for year, month, day in zip(*columns)]


def _hms(seconds: float) -> str:
    return f"{int(seconds // 3600):02d}:{int(seconds % 3600 // 60):02d}:{seconds % 60:06.3f}"


def mark_compact(assignment: Assignment) -> None:
    """Numbers such as 20260309, 081530 or 20260309081530 become texts with marks, where they can be nothing else."""
    for item in assignment.columns:
        values = item.raw.values
        role = item.role if item.stated else item.name.role
        if item.unit is not None or item.raw.kind != "number" or values is None or values.size < 3 or (item.stated and role == "time"):
            continue
        if role not in ("time", "clock", "date") or not np.isfinite(values).all() or np.any(values != np.round(values)) or values.min() < 0:
            continue
        whole = values.astype(np.int64) if values.max() < 9e15 else None
        if whole is None:
            continue
        texts = None
        if whole.min() >= 19_700_101_000_000:
            days, clock = whole // 1_000_000, whole % 1_000_000
            if _is_date(days) and _is_clock(clock):
                texts = [f"{_dashed(day)} {_colons(time)}" for day, time in zip(days, clock)]
        elif whole.min() >= 19_700_101 and whole.max() <= 22_001_231:
            if _is_date(whole) and role != "time":
                texts = [_dashed(day) for day in whole]
        elif whole.max() < 240_000 and role != "date" and _is_clock(whole) and _runs_as_clock(whole):
            texts = [_colons(time) for time in whole]
        if texts is None:
            continue
        item.raw.kind, item.raw.texts = "time", np.array(texts, dtype=object)
        dated = whole.min() >= 19_700_101
        item.role = "date" if dated and whole.max() <= 22_001_231 else "clock"
        item.evidence = f"{item.evidence if item.stated else item.name.evidence}; written without marks, first {texts[0]}"


def _is_date(days: np.ndarray) -> bool:
    month, day = days // 100 % 100, days % 100
    return bool(month.min() >= 1 and month.max() <= 12 and day.min() >= 1 and day.max() <= 31)


def _is_clock(times: np.ndarray) -> bool:
    return bool((times % 100).max() < 60 and (times // 100 % 100).max() < 60 and times.max() < 240_000)


def _runs_as_clock(times: np.ndarray) -> bool:
    """True if the steps are even only when the numbers are read as hhmmss."""
    seconds = times // 10_000 * 3600 + times // 100 % 100 * 60 + times % 100
    as_number, as_clock = np.diff(times), np.diff(seconds)
    usual = float(np.median(as_clock))
    if usual <= 0:
        return False
    uneven = lambda steps: float(np.mean(np.abs(steps - usual) > 0.5 * usual + 1))  # noqa: E731
    return bool(uneven(as_number) > uneven(as_clock) and (as_number > as_clock).any())


def _dashed(day: int) -> str:
    return f"{day // 10_000:04d}-{day // 100 % 100:02d}-{day % 100:02d}"


def _colons(time: int) -> str:
    return f"{time // 10_000:02d}:{time // 100 % 100:02d}:{time % 100:02d}"
