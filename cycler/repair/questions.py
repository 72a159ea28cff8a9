"""A reading is questioned as soon as it is typed, while the probe still stands there: what cannot be right, or is rarely right, and what to do.

Quick and pure: plain numbers, no arrays. Nothing is refused for being strange: a dead group does read as the tap before it. Only what is no number at
all is. What the readings mean together is told by :mod:`cycler.repair.taps`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from cycler.repair.form import form_from_sheet, numbered_probes, refusals, sheet_from_form
from cycler.repair.levels import full_pack_v, group_limits
from cycler.repair.sheet import EACH_GROUP, BenchSheet
from cycler.repair.tapwalk import DOUBLE, usual_step
from cycler.repair.torn import NOTHING_SHARE

QUESTION, REFUSE = "question", "refuse"
SAME_V = 0.002
"""Two readings that differ less were perhaps one, typed twice. Common practice, no source. [V]"""
UNLIKE_SHARE = 0.12
"""A step that differs more from the usual one is asked about. Common practice, no source."""
SLIP_SHARE = 0.04
"""How near to ten, a hundred or a thousand times what is expected a slip of the decimal point lies."""
_SLIPS = ((1000.0, "a reading in millivolt"), (100.0, "a slip of the decimal point"), (10.0, "a slip of the decimal point"), (0.1, "a slip of the decimal point"), (0.01, "a slip of the decimal point"))
ANY_CELL_V = 4.6
"""No cell that packs are made of reads more. Common practice, no source. [V]"""
KILO_OHM = (0.5, 500.0)
"""A thermistor of a pack does not read so few ohms unless it is shorted; it was likely read in kilohm. Common practice, no source. [ohm]"""
BOARD_MANY_MA = 20.0
"""A board at rest does not draw so much; it was likely read in microampere. Common practice, no source. [mA]"""
WHOLE_SHARE = 0.005
"""How far the last tap may lie from the voltage across the cells before it is asked about. Common practice, no source."""
_STAYS = "Measure it again; if it stays, go on:"


@dataclass(frozen=True, slots=True)
class Question:
    """About one entry.

    Attributes
    ----------
    key : str
        Of the form.
    words : str
        What is strange, and what to do.
    severity : str
        :data:`QUESTION`, it can be right; or :data:`REFUSE`, it is kept as typed but counts as not measured.
    """

    key: str
    words: str
    severity: str = QUESTION


def questions(sheet: BenchSheet) -> list[Question]:
    """Every entry of a sheet that is questioned, each at most once."""
    return _all(sheet, form_from_sheet(sheet))


def question_at(values: Mapping[str, str], key: str) -> Question | None:
    """The same for the entry of a form that was just typed, seen beside the others; None if it may stand."""
    counted = numbered_probes(values)
    place = counted.get(key, key)
    found = next((item for item in _all(sheet_from_form(values), {counted.get(name, name): text for name, text in values.items()}) if item.key == place), None)
    return None if found is None else replace(found, key=key)


def _all(sheet: BenchSheet, values: Mapping[str, str]) -> list[Question]:
    found = [
        Question(key, _sentence(f"{error.why}; {_in_millivolt(key, dict(values)[key]) or error.mend}. It is kept as it was typed, and not used"), REFUSE)
        for key, error in (refusals(values).items() if sheet.unread else ())
    ]
    found += tap_questions(sheet)
    found += _whole_questions(sheet)
    found += _probe_questions(sheet)
    unique: dict[str, Question] = {}
    for item in found:
        unique.setdefault(item.key, item)
    return list(unique.values())


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."


def _in_millivolt(key: str, text: str) -> str:
    """What to write instead of a number of millivolts in a field of volts."""
    try:
        number = float(str(text).strip().replace(",", "."))
    except ValueError:
        return ""
    return f"if that is millivolt, write {number / 1000.0:g}" if key.startswith("taps.") and 1000.0 < abs(number) < 1e6 else ""


# ---- taps --------------------------------------------------------------------------------------------------------


def tap_questions(sheet: BenchSheet) -> list[Question]:
    """What is strange about single taps, in the order of the wires."""
    taps = sheet.taps_v
    taken = [(place, tap) for place, tap in enumerate(taps) if tap is not None]
    if not taken or sheet.taps_from is None:
        return []
    limits = group_limits(sheet.pack)
    highest = limits.over_full_v + 0.05 if limits.over_full_v else ANY_CELL_V
    nominal = sheet.pack.limits.nominal_v if sheet.pack.limits else None
    minus = sum(tap < 0.0 for _place, tap in taken) * 2 > sum(tap != 0.0 for _place, tap in taken)
    sign = -1.0 if minus else 1.0
    if sheet.taps_from == EACH_GROUP:
        return _each_questions([(place, sign * tap) for place, tap in taken], highest, nominal)
    return _cumulative_questions([(place, sign * tap) for place, tap in taken], highest, nominal)


def _each_questions(taken: Sequence[tuple[int, float]], highest: float, nominal: float | None) -> list[Question]:
    usual = usual_step([tap for _place, tap in taken if tap <= highest]) if len(taken) > 2 else nominal
    found = []
    for place, tap in taken:
        words = _step_words(tap, tap, usual, highest, 1, f"group {place + 1}", len(taken) > 3)
        if tap < -0.005:
            words = "Below zero, unlike the others: are the probes the wrong way round? " + _STAYS + " a reversed group reads so." if len(taken) > 1 else words
        if words:
            found.append(Question(f"taps.{place}", words))
    return found


def _cumulative_questions(taken: Sequence[tuple[int, float]], highest: float, nominal: float | None) -> list[Question]:
    found: list[Question] = []
    rest = list(taken)
    if rest[0][0] == 0:
        if abs(rest[0][1]) > 0.05:
            found.append(Question("taps.0", f"The point at which the other probe stands reads 0, not {rest[0][1]:g} V. Is this the first tap after it? Then write 0 here and this reading in the next field."))
            return found
    else:
        rest.insert(0, (0, 0.0))
    steps = [(high - low) / (after - before) for (before, low), (after, high) in itertools.pairwise(rest)]
    good = [step for step in steps if step <= highest]
    usual = usual_step(good) if len(good) > 1 else nominal or usual_step(good)
    asked: set[int] = set()
    for (before, low), (after, high) in itertools.pairwise(rest):
        gap = after - before
        step = high - low
        words = _cumulative_words(before, low, high, step, gap, usual, highest, len(steps) > 3)
        if words and before in asked:
            # One wrong tap makes the next step strange as well: seen from the last tap that is not in doubt it is not.
            earlier = [(place, tap) for place, tap in rest if place < before and place not in asked]
            if earlier and not _cumulative_words(*earlier[-1], high, high - earlier[-1][1], after - earlier[-1][0], usual, highest, len(steps) > 3):
                words = ""
        if words:
            found.append(Question(f"taps.{after}", words))
            asked.add(after)
    return found


def _cumulative_words(before: int, low: float, high: float, step: float, gap: int, usual: float | None, highest: float, several: bool) -> str:
    if high < -0.005 and low >= 0.0:
        return "The sign is unlike that of the other taps: are the meter's leads changed over? Measure it again."
    expected = low + usual * gap if usual else None
    if expected and (slip := _slip(high, expected)):
        return f"{high:g} V where about {expected:.1f} V is expected: {slip}? Correct it, or measure again."
    if abs(step) <= SAME_V:
        return f"The same as tap {before}: typed twice, or the probe not moved on? {_STAYS} a dead group reads so."
    if step < -0.005:
        return (
            f"Lower than tap {before} by {-step:.3f} V, and each tap must read more than the one before. {_STAYS} two wires in each other's place, a broken lead "
            "or a reversed group read so."
        )
    return _step_words(step, high, usual, highest, gap, f"from tap {before}", several)


def _step_words(step: float, value: float, usual: float | None, highest: float, gap: int, name: str, several: bool) -> str:
    """What is strange about the voltage of a group, or of ``gap`` groups together; empty if nothing is."""
    if usual and gap == 1 and value == step and (slip := _slip(value, usual)):
        return f"{value:g} V where about {usual:.1f} V is expected: {slip}? Correct it, or measure again."
    each = step / gap
    if usual and DOUBLE[0] * usual <= each <= DOUBLE[1] * usual and each > highest:
        return f"As much as two groups ({step:.3f} V {name}): was a tap left out? Then write - for it and this reading in the next field. If no wire is left out, a broken lead reads so."
    if each > highest:
        return f"More than a cell can have ({each:.2f} V {name}). Measure it again, and check chemistry and number of groups."
    if usual and abs(each) < NOTHING_SHARE * usual:
        return f"Nearly nothing ({each:.3f} V {name}). {_STAYS} a dead group or a broken lead reads so."
    if usual and several and abs(each - usual) > UNLIKE_SHARE * usual:
        return f"Unlike the others ({each:.3f} V {name}, the others about {usual:.2f} V). {_STAYS} a weak group or a poor lead reads so."
    return ""


def _slip(value: float, expected: float) -> str:
    """Which slip of the pen a reading looks like, or nothing."""
    if expected <= 0.5 or value <= 0.0:
        return ""
    return next((words for factor, words in _SLIPS if abs(value / expected / factor - 1.0) <= SLIP_SHARE), "")


# ---- the rest ----------------------------------------------------------------------------------------------------


def _whole_questions(sheet: BenchSheet) -> list[Question]:
    found: list[Question] = []
    pack, limits = sheet.pack, group_limits(sheet.pack)
    highest = limits.over_full_v or ANY_CELL_V
    for key in ("cells_v", "terminal_v", "charge_contact_v", "charger_v"):
        value = getattr(sheet, key)
        if value is not None and value < -0.05:
            found.append(Question(key, "Below zero: are the probes the wrong way round? Measure it again; plus belongs to the red lead."))
        elif value is not None and pack.series and value > highest * pack.series * (1.15 if key == "charger_v" else 1.02):
            found.append(Question(key, f"{value:g} V is more than {pack.series} groups can have ({highest * pack.series:.1f} V). Check the decimal point, the number of groups and the chemistry."))
    full = full_pack_v(pack)
    if full and sheet.charger_v is not None and 1.0 < sheet.charger_v < 0.85 * full:
        found.append(Question("charger_v", f"Less than the full pack needs ({full:.1f} V). Measure it again; if it stays, go on: another pack's charger, a broken one or one that waits for the pack reads so."))
    if sheet.cells_v and sheet.terminal_v is not None and sheet.terminal_v > sheet.cells_v + max(0.05, WHOLE_SHARE * sheet.cells_v):
        found.append(Question("terminal_v", "More than across the cells: was a charger or another source connected? Measure both again."))
    found += _last_tap(sheet)
    current = sheet.board_current_a
    if current is not None and current < 0.0:
        found.append(Question("board_current_ma", "Below zero: what the board draws counts as positive. Are the leads the wrong way round, or is a charger connected?"))
    elif current is not None and current * 1000.0 > BOARD_MANY_MA:
        found.append(Question("board_current_ma", f"{current * 1000.0:g} mA is much for a board at rest: is that microampere? Then write {current * 1000.0:g} µA. {_STAYS} a board that does not go to sleep reads so."))
    if sheet.ambient_c is not None and not 0.0 <= sheet.ambient_c <= 45.0:
        found.append(Question("ambient_c", "Outside the temperatures of a workshop. Check the sign and the unit (degrees Celsius)."))
    return found


def _last_tap(sheet: BenchSheet) -> list[Question]:
    """The last tap against the voltage across the cells: one and the same two points."""
    series = sheet.pack.series
    if not series or not sheet.cells_v or sheet.taps_from in (None, EACH_GROUP) or len(sheet.taps_v) != series + 1 or sheet.taps_v[-1] is None:
        return []
    last, whole = abs(sheet.taps_v[-1]), abs(sheet.cells_v)
    if abs(last - whole) <= max(0.05, WHOLE_SHARE * whole):
        return []
    return [Question(
        f"taps.{series}", f"The last tap reads {last:g} V, across the cells are {whole:g} V: both are the same two points. Measure both again; if they stay, go on: a lead or joint between them drops the rest.",
    )]


def _probe_questions(sheet: BenchSheet) -> list[Question]:
    found = []
    for place, probe in enumerate(sheet.probes):
        if probe.ohm is not None and math.isfinite(probe.ohm) and KILO_OHM[0] <= probe.ohm <= KILO_OHM[1]:
            found.append(Question(f"probe.{place}.ohm", f"Only {probe.ohm:g} Ω: does the meter show kΩ? Then write {probe.ohm:g}k. If it shows ohms, go on: a shorted sensor reads so."))
    return found
