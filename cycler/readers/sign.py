"""Direction of the current: charge positive, and the evidence for it.

Order of evidence: separate columns, mode words, the instrument's directional counters, the voltage's response to
steps of current (it falls at once when a discharge begins), and its slope. Physics: dU/dI > 0 for a cell under the
load (passive-sign) reference, IEC 60375 (read in a summary, the standard's text not seen).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import numpy as np

from cycler.errors import InputError, Location, quote
from cycler.log import ReadingWarning
from cycler.readers import overall
from cycler.readers.names import mode_of
from cycler.units import SECONDS_PER_HOUR

LEAST_COUNTED = 0.1
"""A counter that moves by less than this share of what flowed does not count that flow (rule of this program)."""
MEND = 'state it in a columns file (--columns): sign = "charge_positive", "discharge_positive" or "unsigned" for the current'


@dataclass(frozen=True, slots=True)
class SignEvidence:
    """What one kind of evidence says. ``vote`` in -1..1: 1 = positive readings are charge; ``weight`` = how many."""

    vote: float
    weight: int
    text: str


@dataclass(slots=True)
class SignReading:
    """Current with charge positive, and what the file called discharge."""

    current_a: np.ndarray
    discharge_is: str
    evidence: str
    warnings: list[ReadingWarning] = field(default_factory=list)


def settle_sign(
    time_s: np.ndarray, voltage_v: np.ndarray, current_a: np.ndarray, mode_code: np.ndarray | None,
    mode_words: tuple[str, ...], counters: dict[str, np.ndarray], where: Location, stated: str | None = None,
    breaks: np.ndarray | None = None,
) -> SignReading:
    """Turn a current as logged into one with charge positive.

    Parameters
    ----------
    time_s, voltage_v, current_a : ndarray, shape (n,)
        Voltage of the pack, or of the sum of its groups. [s, V, A]
    mode_code, mode_words
        Words of the mode column.
    counters : dict
        Directional counters (``charge_capacity``, ``discharge_capacity``) are used. [Ah]
    where : Location
        For messages.
    stated : str, optional
        "charge_positive", "discharge_positive" or "unsigned" from a columns file.
    breaks : ndarray of bool, shape (n - 1,), optional
        True where two neighbouring rows do not follow each other (gap, joint).

    Raises
    ------
    InputError
        Mode words and voltage contradict each other, or the direction of an unsigned current cannot be told.
    """
    finite = np.abs(current_a[np.isfinite(current_a)])
    peak = overall.percentile(finite, 99.9) if finite.size else 0.0
    threshold = max(0.05 * peak, 1e-6)
    if breaks is None:
        breaks = np.zeros(max(0, current_a.size - 1), bool)
    if stated in ("charge_positive", "discharge_positive"):
        return _stated(time_s, voltage_v, current_a, stated == "discharge_positive", peak, threshold, breaks, where)
    if peak == 0.0:
        text = "the current is zero throughout: no direction to tell"
        none = "" if np.isfinite(current_a).any() else " (or not read)"
        warning = ReadingWarning("current_zero", f"The current is zero{none} in every row: the log shows a rest, or its current was not recorded.", "")
        return SignReading(current_a, "negative", text, [warning])
    modes = _mode_of_rows(mode_code, mode_words)
    # A real load shows more than one odd row of the other sign.
    moving = np.abs(current_a) > threshold
    negative = int((current_a < -threshold).sum())
    positive = int((current_a > threshold).sum())
    one_signed = min(negative, positive) <= max(1, 0.002 * (negative + positive)) or stated == "unsigned"
    by_mode = _by_modes(current_a, moving, modes)
    if stated == "unsigned" or (one_signed and _both_modes(modes, moving)):
        return _unsigned(time_s, voltage_v, np.abs(current_a), moving, modes, mode_words, mode_code, breaks, where)
    physics = [item for item in (_by_edges(voltage_v, current_a, peak, breaks), _by_slope(time_s, voltage_v, current_a, moving, breaks)) if item]
    by_counter = _by_counters(time_s, current_a, counters, moving)
    if by_mode is not None:
        against = [item for item in physics if item.vote * by_mode.vote < 0 and abs(item.vote) > 0.6 and item.weight >= 1]
        strong = (len(against) == len(physics) and len(physics) == 2) or any(item.weight >= 3 and abs(item.vote) > 0.9 for item in against)
        if against and strong and sum(item.vote * item.weight for item in physics) * by_mode.vote < 0:
            raise InputError(
                "the mode words and the voltage contradict each other about the direction of the current", where,
                f"{by_mode.text}; but {'; '.join(item.text for item in against)}", MEND,
            )
        return _signed(current_a, by_mode, [by_mode, *[item for item in physics if item not in against]], stated=True)
    if negative == 0:
        # One reading of the other sign proves that the log has signs; without any, each stretch is asked.
        stretches = [(a, b) for a, b in segments(moving, current_a, breaks) if b > a]
        quiet = _quiet_step(voltage_v, current_a, peak)
        votes = [
            _segment_vote(voltage_v, np.abs(current_a), first, last, breaks, quiet)
            for a, b in stretches for first, last in _split_by_reversal(voltage_v, np.abs(current_a), a, b, breaks)
            if last > first
        ]
        if max(votes, default=0) >= 2 and min(votes, default=0) <= -2:
            return _unsigned(time_s, voltage_v, np.abs(current_a), moving, None, (), None, breaks, where)
    evidence = [item for item in (by_counter, *physics) if item is not None and item.vote]
    if not evidence and negative:
        return _as_written(current_a, positive)
    if not evidence:
        raise InputError(
            "the direction of the current cannot be told: is the pack charged or discharged in this log?", where,
            "the current is never negative, there are no mode words, and the voltage does not respond to the current", MEND,
        )
    total = sum(item.vote * item.weight for item in physics) if physics else 0.0
    decisive = by_counter or max(physics, key=lambda item: abs(item.vote) * min(item.weight, 20))
    disagree = len(physics) == 2 and physics[0].vote * physics[1].vote < 0
    if by_counter is None and disagree and physics[0].weight >= 2 and abs(physics[0].vote) > 0.6:
        # The response at an edge is immediate; a slope may be relaxation.
        decisive = physics[0]
    if by_counter is not None and physics and total * by_counter.vote < 0 and all(item.vote * by_counter.vote < -0.6 for item in physics):
        raise InputError(
            "the instrument's counter and the voltage contradict each other about the direction of the current", where,
            f"{by_counter.text}; but {'; '.join(item.text for item in physics)}", MEND,
        )
    return _signed(current_a, decisive, [item for item in evidence if item.vote * decisive.vote > 0], stated=False)


def _stated(time_s, voltage_v, current_a, flip: bool, peak: float, threshold: float, breaks, where: Location) -> SignReading:
    """The direction that a columns file states, unless the voltage proves the other."""
    reading = SignReading(0.0 - current_a if flip else current_a, "positive" if flip else "negative", "stated in the columns file")
    if peak == 0.0:
        return reading
    clear, against = dissent(time_s, voltage_v, current_a, peak, threshold, breaks, -1.0 if flip else 1.0)
    if clear:
        raise InputError(
            "the stated direction of the current and the voltage contradict each other", where,
            f"stated in the columns file: discharge is {reading.discharge_is}; but {against}",
            "correct sign in the columns file (--columns)",
        )
    if against:
        reading.warnings.append(
            ReadingWarning(
                "sign_doubtful", f"The columns file states that discharge is {reading.discharge_is}; the voltage speaks against it: {against}.", ""
            )
        )
    return reading


def headed_sign(time_s, voltage_v, current_a, evidence: str, breaks, where: Location) -> SignReading:
    """The direction that headings state (``current_a`` has charge positive by them), unless the voltage proves the other.

    Raises
    ------
    InputError
        The voltage contradicts the headings clearly.
    """
    reading = SignReading(current_a, "unsigned", evidence)
    finite = np.abs(current_a[np.isfinite(current_a)])
    peak = overall.percentile(finite, 99.9) if finite.size else 0.0
    if peak == 0.0:
        return reading
    breaks = np.zeros(max(0, current_a.size - 1), bool) if breaks is None else breaks
    clear, against = dissent(time_s, voltage_v, current_a, peak, max(0.05 * peak, 1e-6), breaks)
    if clear:
        raise InputError(
            "the headings and the voltage contradict each other about the direction of the current", where,
            f"{evidence}; but with these signs {against}",
            'state the role in a columns file (--columns): role = "charge_current", "discharge_current", or role = "current" with a sign',
        )
    if against:
        reading.warnings.append(
            ReadingWarning("sign_doubtful", f"The voltage speaks against the headings of the current ({evidence}): with these signs {against}.", "")
        )
    return reading


SURE_EDGES = 6
"""So many steps of the current, all answered the wrong way, prove a direction wrong where no slope speaks (rule of this program)."""
SURE_ROWS = 50
SURE_SWING = 0.04
"""A stretch of ``SURE_ROWS`` along which the voltage moves steadily by this share is no relaxation and no wander of a flat
curve (rule of this program)."""


def dissent(time_s, voltage_v, current_a, peak: float, threshold: float, breaks, charge: float = 1.0) -> tuple[bool, str]:
    """Whether the voltage clearly contradicts that readings of the sign ``charge`` are charge, and what speaks against it.

    Nothing speaks against it where edges or slope agree. Clear are edges and slope together, a long steady slope, or
    many edges; one edge or a short slope alone is only told.
    """
    moving = np.abs(current_a) > threshold
    edges = _by_edges(voltage_v, current_a, peak, breaks)
    slope = _by_slope(time_s, voltage_v, current_a, moving, breaks)
    found = [item for item in (edges, slope) if item is not None and item.vote]
    if not found or any(item.vote * charge > -0.9 for item in found):
        return False, ""
    text = "; ".join(item.text for item in found)
    if edges is not None and slope is not None and edges.weight >= 2:
        return True, text
    if slope is None:
        return edges.weight >= SURE_EDGES, text
    return _steady_against(voltage_v, charge * current_a, moving, breaks), text


def _steady_against(voltage_v, current_a, moving, breaks) -> bool:
    """True if there are long stretches along which the voltage moves steadily, and all of them against the current."""
    votes = []
    for a, b in segments(moving, current_a, breaks):
        values = voltage_v[a: b + 1]
        values = values[np.isfinite(values)]
        if values.size < SURE_ROWS:
            continue
        middles = np.array([np.median(part) for part in np.array_split(values, 5)])
        steps = np.diff(middles)
        if abs(middles[-1] - middles[0]) > SURE_SWING * abs(middles).mean() and (np.all(steps >= 0) or np.all(steps <= 0)):
            votes.append(np.sign((middles[-1] - middles[0]) * overall.mean(current_a[a: b + 1])))
    return bool(votes) and max(votes) < 0


def _as_written(current_a: np.ndarray, positive: int) -> SignReading:
    """A signed current that nothing contradicts: negative is discharge, as most logs write it (common practice, no source)."""
    both = "both signs occur" if positive else "the current is only negative"
    text = f"as written, negative is discharge ({both}; the voltage is too flat to tell, and there are no mode words)"
    warning = ReadingWarning("sign_inferred", f"The log does not state the sign of the current; it was taken {text}.", "")
    return SignReading(current_a, "negative", text, [warning])


def _quiet_step(voltage_v: np.ndarray, current_a: np.ndarray, peak: float) -> float:
    """What the voltage changes by from row to row without a step of the current: an answer must stand out of that. [V]"""
    quiet = np.abs(np.diff(voltage_v)[np.abs(np.diff(current_a)) < 0.1 * peak])
    quiet = quiet[np.isfinite(quiet)]
    return 2.5 * overall.percentile(quiet, 75) if quiet.size >= 10 else 0.0


def _least_swing(values: np.ndarray, noise: float, rows: int) -> float:
    """A smaller change along a stretch says nothing: noise of its two medians, wander of a flat voltage (0.2 %). [V]"""
    level = abs(overall.median(values))
    return max(4 * noise / np.sqrt(max(rows, 1)), 2e-3 * level)


def _signed(current_a: np.ndarray, decisive: SignEvidence, evidence: list[SignEvidence], stated: bool) -> SignReading:
    flip = decisive.vote < 0
    text = "; ".join(item.text for item in evidence)
    warnings = []
    discharge_is = "positive" if flip else "negative"
    if not stated:
        warnings.append(
            ReadingWarning("sign_inferred", f"The log does not state the sign of the current; discharge is {discharge_is} in it: {text}.", "")
        )
    return SignReading(0.0 - current_a if flip else current_a, discharge_is, text, warnings)


def _mode_of_rows(mode_code: np.ndarray | None, mode_words: tuple[str, ...]) -> np.ndarray | None:
    """1 charge, -1 discharge, 0 rest, 9 not known, for every row."""
    if mode_code is None or not mode_words:
        return None
    meaning = {"charge": 1, "discharge": -1, "rest": 0, None: 9}
    table = np.array([meaning[mode_of(word)] for word in mode_words] + [9])
    return table[mode_code]


def _both_modes(modes: np.ndarray | None, moving: np.ndarray) -> bool:
    if modes is None:
        return False
    return bool((modes[moving] == 1).any() and (modes[moving] == -1).any())


def _by_modes(current_a: np.ndarray, moving: np.ndarray, modes: np.ndarray | None) -> SignEvidence | None:
    if modes is None:
        return None
    charge = current_a[moving & (modes == 1)]
    discharge = current_a[moving & (modes == -1)]
    if charge.size + discharge.size < 2:
        return None
    # Rows, not amperes, so that a single odd row decides nothing.
    score = float(np.sign(charge).sum() - np.sign(discharge).sum()) / (charge.size + discharge.size)
    if abs(score) < 0.5:
        return None
    parts = []
    for name, values in (("charge", charge), ("discharge", discharge)):
        if values.size:
            share = max((values > 0).mean(), (values < 0).mean())
            parts.append(f"{'positive' if np.median(values) > 0 else 'negative'} in {100 * share:.0f} % of {values.size} rows of {name}")
    return SignEvidence(score, charge.size + discharge.size, "mode words: the current is " + " and ".join(parts))


def _by_counters(time_s, current_a: np.ndarray, counters: dict[str, np.ndarray], moving: np.ndarray) -> SignEvidence | None:
    votes, texts = 0.0, []
    count = 0
    if not {"charge_capacity", "discharge_capacity"} & set(counters):
        return None
    flow = np.nan_to_num((current_a[1:] + current_a[:-1]) / 2 * np.diff(time_s)) / SECONDS_PER_HOUR
    for key, direction, name in (("charge_capacity", 1, "charge"), ("discharge_capacity", -1, "discharge")):
        counter = counters.get(key)
        if counter is None or counter.size < 3:
            continue
        steps = np.diff(counter)
        rising = np.isfinite(steps) & (steps > 0) & moving[1:]
        if rising.sum() < 3:
            continue
        signs = np.sign(current_a[1:][rising])
        # The little that flowed back between the rows of a discharge moves a charge counter as well.
        if steps[rising].sum() < LEAST_COUNTED * np.abs(flow[flow * np.sign(signs.sum()) > 0]).sum():
            continue
        votes += direction * float(signs.sum())
        count += int(rising.sum())
        texts.append(f"the {name} counter rises while the current is {'positive' if signs.sum() > 0 else 'negative'}")
    if not count or abs(votes) < 0.6 * count:
        return None
    return SignEvidence(votes / count, count, "; ".join(texts))


def _by_edges(voltage_v: np.ndarray, current_a: np.ndarray, peak: float, breaks: np.ndarray) -> SignEvidence | None:
    """Sign of the voltage's change at every large step of the current; each step has one vote."""
    steps = np.diff(current_a)
    at = np.flatnonzero((np.abs(steps) > 0.3 * peak) & ~breaks)
    di, dv = steps[at], voltage_v[at + 1] - voltage_v[at]
    edge = np.isfinite(di) & np.isfinite(dv) & (dv != 0)
    if not edge.any():
        return None
    # A protection board that cuts off takes the voltage with it: no answer of the cells.
    calm = edge & (np.abs(dv) < 0.3 * overall.median(np.abs(voltage_v)))
    edge = calm if calm.any() else edge
    edge &= np.abs(dv) > _quiet_step(voltage_v, current_a, peak)
    if not edge.any():
        return None
    at, di, dv = at[edge], di[edge], dv[edge]
    votes = np.sign(di * dv)
    # A single odd row makes two edges of its own; edges that hold count fully.
    held = np.array([_holds(current_a, int(index), float(step)) for index, step in zip(at, di, strict=True)])
    votes = votes[held] if held.any() else votes * 0.5
    mean = float(votes.mean())
    if abs(mean) < 0.34:
        return None
    agree = int((np.sign(votes) == np.sign(mean)).sum())
    way = "with" if mean > 0 else "against"
    weight = votes.size if held.any() else 0
    return SignEvidence(mean, weight, f"the voltage steps {way} the current at {agree} of {votes.size} edges")


def _holds(current_a: np.ndarray, index: int, step: float) -> bool:
    """True if the level after an edge lasts at least two rows and the level before did as well."""
    after = current_a[index + 1: index + 3]
    before = current_a[max(0, index - 1): index + 1]
    steady_after = after.size < 2 or abs(after[-1] - after[0]) < 0.5 * abs(step)
    steady_before = before.size < 2 or abs(before[-1] - before[0]) < 0.5 * abs(step)
    return bool(steady_after and steady_before)


def segments(moving: np.ndarray, current_a: np.ndarray, breaks: np.ndarray) -> list[tuple[int, int]]:
    """(first, last) index of stretches of current in one direction."""
    state = np.where(moving, np.sign(np.nan_to_num(current_a)), 0).astype(int)
    change = (np.diff(state) != 0) | breaks
    edges = np.concatenate([[0], np.flatnonzero(change) + 1, [state.size]])
    return [(int(a), int(b) - 1) for a, b in itertools.pairwise(edges) if state[a] != 0]


def _by_slope(time_s, voltage_v, current_a, moving, breaks) -> SignEvidence | None:
    """The voltage falls along a discharge and rises along a charge; stretches weigh by their charge."""
    score = total = 0.0
    used = 0
    for a, b in segments(moving, current_a, breaks):
        values = voltage_v[a: b + 1]
        values = values[np.isfinite(values)]
        if b - a < 4 or values.size < 5:
            continue
        tenth = max(1, values.size // 10)
        change = overall.median(values[-tenth:]) - overall.median(values[:tenth])
        if abs(change) < _least_swing(values, overall.median(np.abs(np.diff(values))), tenth):
            continue
        weight = abs(float(overall.mean(current_a[a: b + 1])) * (time_s[b] - time_s[a]))
        score += np.sign(change * overall.mean(current_a[a: b + 1])) * weight
        total += weight
        used += 1
    if not used or total == 0 or abs(score) < 0.5 * total:
        return None
    vote = score / total
    word = "rises along positive and falls along negative" if vote > 0 else "falls along positive and rises along negative"
    return SignEvidence(float(vote), used, f"the voltage {word} current ({used} stretch{'es' if used > 1 else ''})")


def _segment_vote(voltage_v, magnitude, a: int, b: int, breaks, quiet: float) -> float:
    """Direction of one stretch of unsigned current: 1 charge, -1 discharge, 0 not told. ``quiet``: of ``_quiet_step``. [V]"""
    n = voltage_v.size
    score = 0.0
    if a > 0 and not breaks[a - 1] and magnitude[a - 1] < 0.5 * magnitude[a]:
        step = voltage_v[a] - voltage_v[a - 1]
        score += 2 * np.sign(step) if abs(step) > quiet else 0
    if b < n - 1 and not breaks[b] and magnitude[b + 1] < 0.5 * max(magnitude[b], 1e-12):
        step = voltage_v[b + 1] - voltage_v[b]
        score -= np.sign(step) if abs(step) > quiet else 0
    values = voltage_v[a: b + 1]
    values = values[np.isfinite(values)]
    if values.size >= 5:
        tenth = max(1, values.size // 10)
        change = overall.median(values[-tenth:]) - overall.median(values[:tenth])
        score += 1.5 * np.sign(change) if abs(change) > _least_swing(values, overall.median(np.abs(np.diff(values))), tenth) else 0
    return float(score)


def _unsigned(time_s, voltage_v, magnitude, moving, modes, mode_words, mode_code, breaks, where) -> SignReading:
    """Direction of an unsigned current, by mode words first, stretch by stretch by the voltage where there are none."""
    signed = magnitude.copy()
    direction = np.zeros(magnitude.size)
    texts, warnings = [], []
    peak = float(overall.highest(magnitude))
    if modes is not None:
        direction = np.where(modes == -1, -1.0, np.where((modes == 1) | (modes == 0), 1.0, 0.0))
        words = {key: sorted({mode_words[code] for code in np.unique(mode_code) if code >= 0 and mode_of(mode_words[code]) == key})
                 for key in ("charge", "discharge")}
        texts.append(
            "unsigned; mode words give the direction: "
            + ", ".join(f"{' '.join(map(quote, found))} = {key}" for key, found in words.items() if found)
        )
        _check_modes(time_s, voltage_v, signed * np.where(direction == 0, 1, direction), moving, modes, breaks, peak, texts[0], where)
    open_rows = moving & (direction == 0)
    if open_rows.any():
        votes = []
        quiet = _quiet_step(voltage_v, magnitude, peak)
        for a, b in segments(open_rows | (moving if modes is None else open_rows), magnitude, breaks):
            parts = _split_by_reversal(voltage_v, magnitude, a, b, breaks)
            for first, last in parts:
                vote = _segment_vote(voltage_v, magnitude, first, last, breaks, quiet)
                if abs(vote) < 1 and last - first > 2:
                    raise InputError(
                        "the direction of an unsigned current cannot be told", where,
                        f"from {time_s[first] - time_s[0]:.0f} s to {time_s[last] - time_s[0]:.0f} s no word says it and the voltage does not either",
                        MEND,
                    )
                direction[first: last + 1] = 1.0 if vote >= 0 else -1.0
                votes.append(vote)
        charging, discharging = sum(v > 0 for v in votes), sum(v < 0 for v in votes)
        text = f"unsigned; by the voltage's response {charging} stretch{'es' if charging != 1 else ''} of charge and {discharging} of discharge"
        texts.append(text)
        warnings.append(ReadingWarning("sign_inferred", f"The log does not state the direction of the current: {text}.", ""))
    signed = signed * np.where(direction == 0, 1.0, direction)
    return SignReading(signed, "unsigned", "; ".join(texts), warnings)


def _split_by_reversal(voltage_v, magnitude, a: int, b: int, breaks) -> list[tuple[int, int]]:
    """Cut a stretch where an unsigned current turned round without a rest: the voltage jumps, the magnitude may not."""
    if b - a < 6:
        return [(a, b)]
    steps = np.abs(np.diff(voltage_v[a: b + 1]))
    usual = float(overall.percentile(steps, 95))
    level = float(overall.median(np.abs(voltage_v[a: b + 1])))
    size = magnitude[a: b + 1]
    turned = steps > max(8 * usual, 0.004 * level)
    # A new level of current may hide a turn as well; each level is asked for itself.
    levels = np.abs(np.diff(size)) > 0.25 * np.maximum(size[:-1], size[1:])
    jumps = [int(item) for item in np.flatnonzero(turned | levels) if 2 <= item <= b - a - 3]
    edges = [a, *[a + item + 1 for item in jumps], b + 1]
    return [(first, last - 1) for first, last in itertools.pairwise(edges)]


def _check_modes(time_s, voltage_v, signed, moving, modes, breaks, peak, text, where) -> None:
    """The signed result of the mode words must agree with the voltage's response."""
    edges = _by_edges(voltage_v, signed, peak, breaks)
    slope = _by_slope(time_s, voltage_v, signed, moving, breaks)
    found = [item for item in (edges, slope) if item is not None]
    if len(found) == 2 and all(item.vote < -0.6 for item in found):
        raise InputError(
            "the mode words and the voltage contradict each other about the direction of the current", where,
            f"{text}; but with these signs {'; '.join(item.text for item in found)}", MEND,
        )
