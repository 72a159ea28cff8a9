"""Parts of one test to one log: by absolute time where the files know it, else in the order given."""

from __future__ import annotations

import itertools
import re
from datetime import datetime, timedelta

import numpy as np

from cycler.errors import InputError, Location
from cycler.log import Gap, Log, Reading, ReadingWarning
from cycler.readers import overall
from cycler.readers.assemble import COUNTERS, Draft, column_readings, delimiter_name
from cycler.readers.clock import find_gaps
from cycler.readers.exported import EXPORTED
from cycler.readers.sign import SignReading, headed_sign, settle_sign

JOINT = "joint between two files"
JOINT_STEP = 0.10
"""Parts of one test fit if the pack voltage steps by no more than this share from one to the next (rule of this program)."""
JOINT_STEP_LOAD = 0.30
"""The same where the current is switched between the two: a pack at its knee recovers by a fifth and more."""


@np.errstate(all="ignore")  # as for the parts: absurd readings overflow, and what comes of it is no figure
def finish(drafts: list[Draft]) -> Log:
    """One log from the drafts of its files.

    Raises
    ------
    InputError
        The same file twice, parts that overlap in time, different numbers of groups, no direction of the current.
    """
    _refuse_twice(drafts)
    drafts, starts, how = _place(drafts)
    base = starts[0]
    pieces, joints = [], []
    for index, (draft, start) in enumerate(zip(drafts, starts)):
        local = draft.time_s - draft.time_s[0]
        if draft.clock.absolute:
            local = np.round(local, 6)  # seconds since 1970 have a last place of 0.2 microseconds
        elif draft.stated_sign != EXPORTED:
            local = np.round(local, 9)  # 20.04 - 10.02 is 10.019999999999998
        pieces.append(local + (start - base))
        shift = start - base - float(draft.time_s[0])
        joints += [Gap(gap.start_s + shift, gap.duration_s, gap.why) for gap in draft.clock.joints]
        if index:
            end = float(pieces[index - 1][-1])
            begin = start - base
            if how == "given order" and all(part.no_pause for part in drafts):
                continue
            known = how == "absolute time"
            why = JOINT if known else f"{JOINT}; how long the pause lasted is not known"
            joints.append(Gap(end, max(begin - end, 0.0), why))
    time_s = _rising(_one_array(pieces), drafts)
    series = {draft.group_voltage_v.shape[1] for draft in drafts if draft.group_voltage_v.shape[1]}
    if len(series) > 1:
        raise InputError(
            "the parts have different numbers of groups", Location(drafts[1].file),
            ", ".join(f"{draft.file}: {draft.group_voltage_v.shape[1]}" for draft in drafts), "give the files of one test only",
        )
    gaps = find_gaps(time_s, joints)
    columns = {key: _stacked(drafts, key) for key in ("voltage_v", "current_a", "line_number")}
    part = _one_array([np.full(draft.time_s.size, index) if index else np.zeros(draft.time_s.size, np.int64) for index, draft in enumerate(drafts)])
    code, words = _joined_modes(drafts)
    counters = {key: _stacked_counter(drafts, key) for key in COUNTERS if any(key in draft.counters for draft in drafts)}
    groups = _stacked_2d(drafts, "group_voltage_v", max(series, default=0))
    names, thermistors = (_joined_names(drafts, key) for key in ("temperature_names", "thermistor_names"))
    sign = _sign(drafts, time_s, columns, groups, code, words, counters, gaps)
    warnings = _joined_warnings(drafts, sign, gaps, how)
    warnings += _misfits(drafts)
    steps = np.diff(time_s)
    moving = steps[steps > 0]
    first = drafts[0]
    reading = Reading(
        encoding=first.encoding, delimiter=delimiter_name(first.dialect), decimal=first.dialect.decimal,
        header_row=first.dialect.header_line, columns=_joined_columns(drafts),
        clock_kind=first.clock.kind, clock_wrapped=any(draft.clock.wrapped for draft in drafts), gaps=tuple(gaps),
        discharge_is=sign.discharge_is, sign_evidence=sign.evidence,
        sampling_median_s=overall.median(moving) if moving.size else None,
        sampling_max_s=float(moving.max()) if moving.size else None, warnings=tuple(warnings),
        columns_files=tuple(dict.fromkeys(draft.columns_file for draft in drafts if draft.columns_file)),
    )
    # What was read is not needed once more: the log takes these arrays over instead of copying them.
    _hand_over(time_s, *columns.values(), sign.current_a, groups, part, code, *counters.values())
    return Log(
        time_s=time_s, voltage_v=columns["voltage_v"], current_a=sign.current_a, group_voltage_v=groups,
        temperature_c=_stacked_sensors(drafts, "temperature", "_c", names), sources=tuple(draft.source for draft in drafts), reading=reading,
        temperature_names=names, mode_code=code, mode_words=words, step_number=_optional(drafts, "step_number"),
        cycle_number=_optional(drafts, "cycle_number"), counters=counters, step_time_s=_optional(drafts, "step_time_s"),
        started_at=first.clock.started_at(), line_number=columns["line_number"], part=part,
        thermistor_ohm=_stacked_sensors(drafts, "thermistor", "_ohm", thermistors), thermistor_names=thermistors,
    )


def _rising(time_s: np.ndarray, drafts: list[Draft]) -> np.ndarray:
    """The joined times; those of a part that starts centuries later fall by what a float cannot hold, which is put right."""
    falls = time_s[:-1] - time_s[1:]
    if not np.any(falls > 0):
        return time_s
    if float(np.max(falls)) > 4 * float(np.spacing(np.max(np.abs(time_s)))):
        at = int(np.argmax(falls > 0)) + 1
        lines = np.concatenate([draft.line_number for draft in drafts])
        file = next(draft.file for draft, end in zip(drafts, np.cumsum([draft.time_s.size for draft in drafts])) if at < end)
        raise InputError(
            "the time runs backwards", Location(file, int(lines[at])), "it is earlier than the row before it", "give the parts in order, or the right unit of the time in a columns file",
        )
    return np.maximum.accumulate(time_s)


def _hand_over(*arrays: np.ndarray | None) -> None:
    """Make arrays read-only for good."""
    for array in arrays:
        if array is not None:
            array.flags.writeable = False


def _refuse_twice(drafts: list[Draft]) -> None:
    seen: dict[str, str] = {}
    for draft in drafts:
        other = seen.get(draft.source.sha256)
        if other is not None:
            raise InputError(
                "the same log is given twice", Location(draft.file), f"its bytes are those of {other}", "give each part once"
            )
        seen[draft.source.sha256] = draft.file


def _misfits(drafts: list[Draft]) -> list[ReadingWarning]:
    """What speaks against the files being parts of one test, in one warning."""
    found = []
    if len(drafts) > 1:
        dated = [draft for draft in drafts if _start_of(draft) is not None]
        bare = [draft for draft in drafts if _start_of(draft) is None]
        if dated and bare:
            found.append(f"{_names(dated)} carr{_ies(dated)} a date, {_names(bare)} do{'es' if len(bare) == 1 else ''} not")
        counts = {draft.file: draft.group_voltage_v.shape[1] for draft in drafts}
        if len(set(counts.values())) > 1:
            found.append("the number of group voltages differs: " + ", ".join(f"{count} in {_short(file)}" for file, count in counts.items()))
    for before, after in itertools.pairwise(drafts):
        end, load_before = _at_joint(before, last=True)
        start, load_after = _at_joint(after, last=False)
        if not (end > 0 and start > 0):
            continue
        # A pack that is let go after a discharge, or loaded again, steps further than one that only waits.
        limit = JOINT_STEP_LOAD if load_before != load_after else JOINT_STEP
        difference = start / end - 1
        if abs(difference) > limit:
            found.append(
                f"the pack voltage is {end:.2f} V at the end of {_short(before.file)} and {start:.2f} V at the start of {_short(after.file)} "
                f"({100 * difference:+.0f} %)"
            )
    if not found:
        return []
    text = f"The files may not be parts of one test: {'; '.join(found)}. Analyse them one by one if they are not."
    return [ReadingWarning("parts_do_not_fit", text, drafts[1].file)]


def _names(drafts: list[Draft]) -> str:
    return ", ".join(_short(draft.file) for draft in drafts)


def _ies(drafts: list[Draft]) -> str:
    return "ies" if len(drafts) == 1 else "y"


def _short(file: str) -> str:
    return file.replace("\\", "/").rsplit("/", 1)[-1]


def _at_joint(draft: Draft, last: bool) -> tuple[float, bool]:
    """Pack voltage at the end or the start of a part, and whether it is under load or on charge there. [V]"""
    voltage = draft.sign_voltage_v
    known = np.flatnonzero(np.isfinite(voltage))
    if not known.size:
        return 0.0, False
    at = known[-1] if last else known[0]
    size = np.abs(draft.current_a[np.isfinite(draft.current_a)])
    current = draft.current_a[at]
    flows = bool(size.size and np.isfinite(current) and abs(current) > 0.2 * np.percentile(size, 99))
    return float(voltage[at]), flows


def _start_of(draft: Draft) -> float | None:
    """Wall clock of the first row in seconds since 1970, or None."""
    if draft.clock.absolute:
        return float(draft.time_s[0])
    if draft.clock.origin_s is not None:
        return float(draft.time_s[0]) + draft.clock.origin_s
    return None


def _place(drafts: list[Draft]) -> tuple[list[Draft], list[float], str]:
    """Drafts in order of time, the start of each on one axis, and how they were placed."""
    if len(drafts) == 1:
        return drafts, [0.0], "one file"
    absolute = [_start_of(draft) for draft in drafts]
    if all(start is not None for start in absolute):
        order = sorted(range(len(drafts)), key=lambda index: absolute[index])
        placed, starts = [drafts[index] for index in order], [float(absolute[index]) for index in order]
        _refuse_overlap(placed, starts)
        return placed, starts, "absolute time"
    # An elapsed clock that runs on from file to file places them as well.
    if all(draft.clock.kind == "elapsed" for draft in drafts):
        order = sorted(range(len(drafts)), key=lambda index: float(drafts[index].time_s[0]))
        placed = [drafts[index] for index in order]
        starts = [float(draft.time_s[0]) for draft in placed]
        ends = [float(draft.time_s[-1]) for draft in placed]
        if all(starts[index + 1] >= ends[index] for index in range(len(placed) - 1)) and starts[1] > 0:
            return placed, starts, "absolute time"
    starts = [0.0]
    for before in drafts[:-1]:
        steps = np.diff(before.time_s)
        steps = steps[steps > 0]
        one_sample = float(np.median(steps[-20:])) if steps.size else 1.0
        starts.append(starts[-1] + float(before.time_s[-1] - before.time_s[0]) + one_sample)
    return drafts, starts, "given order"


def _refuse_overlap(drafts: list[Draft], starts: list[float]) -> None:
    for index in range(len(drafts) - 1):
        end = starts[index] + float(drafts[index].time_s[-1] - drafts[index].time_s[0])
        if starts[index + 1] < end - 1.0:
            raise InputError(
                "two parts cover the same time", Location(drafts[index + 1].file),
                f"it begins {_stamp(starts[index + 1])}, but {drafts[index].file} runs until {_stamp(end)}",
                "give the files of one test only",
            )


def _stamp(seconds: float) -> str:
    try:
        return (datetime(1970, 1, 1) + timedelta(seconds=seconds)).isoformat(" ", "seconds")
    except OverflowError:
        return f"at {seconds:g} s"


def _stacked(drafts: list[Draft], key: str) -> np.ndarray:
    return _one_array([getattr(draft, key) for draft in drafts])


def _one_array(parts: list[np.ndarray]) -> np.ndarray:
    """The parts one behind another; one alone is not copied."""
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def _stacked_counter(drafts: list[Draft], key: str) -> np.ndarray:
    return _one_array([draft.counters.get(key, np.full(draft.time_s.size, np.nan)) for draft in drafts])


def _stacked_2d(drafts: list[Draft], key: str, width: int) -> np.ndarray:
    parts = []
    for draft in drafts:
        values = getattr(draft, key)
        parts.append(values if values.shape[1] == width else np.full((values.shape[0], width), np.nan))
    return _one_array(parts)


def _joined_names(drafts: list[Draft], key: str) -> tuple[str, ...]:
    names: list[str] = []
    for draft in drafts:
        for name in _unique(getattr(draft, key)):
            if name not in names:
                names.append(name)
    return tuple(names)


def _unique(names: tuple[str, ...]) -> list[str]:
    """Sensor names, the second of two equal ones with a number behind it."""
    out: list[str] = []
    for name in names:
        candidate, count = name, 2
        while candidate in out:
            candidate, count = f"{name} ({count})", count + 1
        out.append(candidate)
    return out


def _stacked_sensors(drafts: list[Draft], kind: str, unit: str, names: tuple[str, ...]) -> np.ndarray:
    parts = []
    if len(drafts) == 1:
        return getattr(drafts[0], kind + unit)
    for draft in drafts:
        block = np.full((draft.time_s.size, len(names)), np.nan)
        for index, name in enumerate(_unique(getattr(draft, f"{kind}_names"))):
            block[:, names.index(name)] = getattr(draft, kind + unit)[:, index]
        parts.append(block)
    return np.concatenate(parts)


def _joined_modes(drafts: list[Draft]) -> tuple[np.ndarray | None, tuple[str, ...]]:
    if all(draft.mode_code is None for draft in drafts):
        return None, ()
    words: list[str] = []
    parts = []
    for draft in drafts:
        if draft.mode_code is None:
            parts.append(np.full(draft.time_s.size, -1))
            continue
        table = []
        for word in draft.mode_words:
            if word not in words:
                words.append(word)
            table.append(words.index(word))
        parts.append(np.array([*table, -1])[draft.mode_code])
    return _one_array(parts), tuple(words)


def _optional(drafts: list[Draft], key: str) -> np.ndarray | None:
    if all(getattr(draft, key) is None for draft in drafts):
        return None
    return _one_array(
        [getattr(draft, key) if getattr(draft, key) is not None else np.full(draft.time_s.size, np.nan) for draft in drafts]
    )


def _joined_columns(drafts: list[Draft]):
    """Columns of the first file; further files add only what differs."""
    out = list(column_readings(drafts[0]))
    known = {(item.name, item.role, item.unit, item.group) for item in out}
    for draft in drafts[1:]:
        for item in column_readings(draft):
            if (item.name, item.role, item.unit, item.group) not in known:
                out.append(item)
                known.add((item.name, item.role, item.unit, item.group))
    return tuple(out)


def _sign(drafts, time_s, columns, groups, code, words, counters, gaps) -> SignReading:
    separate = [draft.separate_currents for draft in drafts]
    voltage = _one_array([draft.sign_voltage_v for draft in drafts])
    ends = np.array([gap.start_s for gap in gaps])
    breaks = np.isin(np.round(time_s[:-1] - time_s[0], 6), np.round(ends, 6)) & (np.diff(time_s) > 0) if ends.size else None
    first = drafts[0]
    item = next((item for role in ("current", "discharge_current", "charge_current") if (item := first.assignment.one(role))), None)
    where = Location(first.file, first.dialect.header_line, item.raw.position + 1 if item else None)
    if all(separate):
        return headed_sign(time_s, voltage, columns["current_a"], separate[0], breaks, where)
    if any(separate) and (logged := _one_heading(drafts)) is not None:
        columns["current_a"] = logged
    elif any(separate):
        odd = next(draft for draft in drafts if not draft.separate_currents)
        raise InputError(
            "the parts state the current in different ways", Location(odd.file),
            "one part has separate columns for charge and discharge, another has one signed column", "join them with one columns file (--columns)",
        )
    if all(draft.stated_sign == EXPORTED for draft in drafts):
        return SignReading(columns["current_a"], "negative", "an exported log has charge positive")
    stated = next((draft.stated_sign for draft in drafts if draft.stated_sign not in (None, EXPORTED)), None)
    return settle_sign(time_s, voltage, columns["current_a"], code, words, counters, where, stated, breaks)


def _one_heading(drafts: list[Draft]) -> np.ndarray | None:
    """Current as logged where one part shows that a heading of one direction stands for a signed current, which the others
    could not show; None if the parts differ in more than that. [A]"""
    labels, parts = set(), []
    for draft in drafts:
        found = [item for role in ("current", "charge_current", "discharge_current") if (item := draft.assignment.one(role))]
        labels |= {item.label for item in found}
        turned = -1.0 if draft.separate_currents and found[0].role == "discharge_current" else 1.0
        parts.append(turned * draft.current_a)
    return np.concatenate(parts) if len(labels) == 1 else None


def _given_order(drafts: list[Draft]) -> ReadingWarning:
    """That files were joined in the order given; says where their names speak for another."""
    if all(draft.no_pause for draft in drafts):
        return ReadingWarning(
            "parts_without_pause", "The files hold no common clock; as was stated, they follow one another in the order given without a pause.",
            drafts[1].file,
        )
    names = [_short(draft.file) for draft in drafts]
    by_number = sorted(names, key=lambda name: [int(part) if part.isdecimal() else part for part in re.split(r"(\d+)", name)])
    order = f" Their names would have them in another: {', '.join(by_number[:8])}." if by_number != names and sorted(names) == names else ""
    return ReadingWarning("parts_in_given_order", f"The files hold no common clock; they were joined in the order given.{order}", drafts[1].file)


def _joined_warnings(drafts: list[Draft], sign: SignReading, gaps: list[Gap], how: str) -> list[ReadingWarning]:
    warnings: list[ReadingWarning] = []
    seen = set()
    for draft in drafts:
        for item in draft.warnings:
            key = (item.code, item.message)
            if key not in seen:
                seen.add(key)
                warnings.append(item)
    warnings += sign.warnings
    if how == "given order":
        warnings.append(
            _given_order(drafts)
        )
    real = [gap for gap in gaps if gap.why == "no samples"]
    if real:
        longest = max(real, key=lambda gap: gap.duration_s)
        warnings.append(
            ReadingWarning(
                "log_gap", f"Samples are missing in {f'{len(real)} stretches, the longest' if len(real) > 1 else 'one stretch,'} {longest.duration_s:.0f} s from {longest.start_s:.0f} s on.",
                drafts[0].file if len(drafts) == 1 else "",
            )
        )
    return warnings
