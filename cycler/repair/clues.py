"""From the readings of a sheet to what they show, one value a clue: the facts that the reasoner weighs.

No probabilities stand here, only physics: that a dead group is missing across all cells as it is in the sum, that a free inner lead moves voltage between two
groups and leaves their sum, that a lead at the end of the string takes one group out of the sum and not out of the cells, and that leads that changed
places make groups negative. All of it follows from N groups having N + 1 taps (common practice, no source).
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np

from cycler.quantities import significant_text
from cycler.repair.causefile import Clue, Knowledge
from cycler.repair.levels import GRAVE, full_pack_v, group_limits, level_of
from cycler.repair.sheet import EACH_GROUP, FROM_POSITIVE, OPEN_WORDS, BenchSheet
from cycler.repair.tapwalk import REVERSED_MOST_V

AT_CELLS = "cells"
"""``taps_read_at`` of [observed]: the taps were read at the cells, so that no lead lies between."""
READ_AT = ("plug_in_board", "plug_pulled", AT_CELLS)
NOT_RESOLVED = ("one_dead", "some_dead", "two_zero", "pair_over", "swapped", "most_dead", "string_open", "end_open")
"""Pictures of the taps after which nothing is charged or loaded before they are explained."""
_NEAR_ZERO_V = 0.3
_OVER_CELL_V = 0.15
_TWICE = 0.1
_U_USUAL_V = 0.005
_USUAL_SERIES = 10
_NO_READING = {"tap_missing", "tap_double_step", "tap_count", "tap_sign"}
"""Findings after which a group's reading is one of writing, not of the pack."""


@dataclass(frozen=True, slots=True)
class Fact:
    """What one reading shows.

    Attributes
    ----------
    clue, value : str
        Key of the clue and which of its values.
    words : str
        The reading itself, with its unit.
    places : mapping of str to tuple
        Where it points: {"group": (4,)}, {"tap": (4,)}, {"probe": ("cells",)}.
    at : (str, int) or None
        Where it was measured, for a clue that is measured at one place.
    not_through_leads : bool
        Taps that were read at the cells tell nothing of the leads.
    """

    clue: str
    value: str
    words: str
    places: Mapping[str, tuple] = field(default_factory=lambda: MappingProxyType({}))
    at: tuple[str, int] | None = None
    not_through_leads: bool = False

    @property
    def reading(self) -> str:
        """Key of the reading, with the place where several can be."""
        return f"{self.clue}_{self.at[1]}" if self.at else self.clue


@dataclass(frozen=True, slots=True)
class Facts:
    """All that a sheet shows, in the order of the clues, and what of [observed] could not be used (key, why)."""

    facts: tuple[Fact, ...]
    unused: tuple[tuple[str, str], ...]
    groups: int
    probes: tuple[str, ...]
    picture: str | None

    def of(self, clue: str) -> tuple[Fact, ...]:
        return tuple(fact for fact in self.facts if fact.clue == clue)


# ---- the picture of the taps -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Picture:
    """How the groups stand to each other. ``groups`` and ``taps``: where it points, counted from 1 and from 0 (pack negative)."""

    value: str
    groups: tuple[int, ...] = ()
    taps: tuple[int, ...] = ()


def tap_picture(
    voltage_v: Sequence[float | None], u_voltage_v: Sequence[float | None], rules: Mapping[str, float], *, levels: Sequence[str] = (), empty_v: float | None = None,
    full_v: float | None = None,
) -> Picture | None:
    """What kind of picture the group voltages make.

    Parameters
    ----------
    voltage_v, u_voltage_v : sequence of (float or None), shape (N,)
        Group 1 at pack negative; None: not read. [V]
    rules : mapping
        ``outlier_v``, ``low_v``, ``dead_share`` of the file of causes.
    levels : sequence of str, shape (N,), optional
        As ``levels.level_of`` gives them; "no_charge" and "reversed" count as dead.
    empty_v, full_v : float or None
        Normal end of discharge and full voltage of a group. [V]

    Returns
    -------
    Picture or None
        None if fewer than two groups were read, or the only one of a pack and its limits are not known.
    """
    known = [(number, float(v), float(u or 0.0)) for number, (v, u) in enumerate(zip(voltage_v, u_voltage_v), 1) if v is not None]
    count = len(voltage_v)
    if count == 1 and known and empty_v is not None:  # one group alone has no siblings, only its limits
        alone = known[0][1]
        grave = bool(levels) and levels[0] in GRAVE
        return Picture("most_dead" if grave or alone < 0.5 * empty_v else "all_low" if alone < empty_v else "even_empty" if alone < empty_v + rules["empty_near_v"] else "alike")
    if len(known) < 2:
        return None
    number = np.array([item[0] for item in known])
    volts = np.array([item[1] for item in known])
    wide = 2.0 * np.array([item[2] for item in known])
    graves = np.array([bool(levels) and levels[k - 1] in GRAVE for k in number])
    top = (full_v or 4.2) + _OVER_CELL_V
    # Siblings by the readings that a cell can have at all; of a string whose leads are wrong the others say what a group has.
    possible = volts[(volts > _NEAR_ZERO_V) & (volts <= top)]
    middle = float(np.median(possible)) if possible.size else 0.0
    if found := _leads(number, volts, wide, middle, top):
        return found
    dead = (volts < rules["dead_share"] * middle) | graves if middle > 0.0 else np.ones(volts.size, dtype=bool)
    if empty_v is not None and float(np.median(volts)) < 0.5 * empty_v:
        dead = volts < 0.5 * empty_v
    if 2 * int(dead.sum()) > volts.size:
        return Picture("most_dead", tuple(int(k) for k in number[dead]))
    if dead.any():
        groups = tuple(int(k) for k in number[dead])
        if len(groups) == 1:
            return Picture("one_dead", groups, _end_taps(groups[0], count))
        near_nothing = bool(np.all(np.abs(volts[dead]) < rules["dead_share"] * middle))
        if len(groups) == 2 and groups[1] == groups[0] + 1 and near_nothing:
            return Picture("two_zero", groups, (groups[0],))
        return Picture("some_dead", groups)
    middle = float(np.median(volts))
    if empty_v is not None and np.all(volts < empty_v):
        return Picture("all_low")
    off = volts - middle
    beyond = np.maximum(rules["outlier_v"], wide)
    low, high = [int(k) for k in number[off < -beyond]], [int(k) for k in number[off > beyond]]
    if len(low) == 1 and len(high) == 1 and abs(low[0] - high[0]) == 1:
        both = float(off[np.isin(number, low + high)].sum())
        if abs(both) <= rules["outlier_v"]:
            return Picture("pair", tuple(low), (min(low[0], high[0]),))
    if len(low) == 1 and not high:
        fall = -float(off[number == low[0]][0])
        return Picture("one_low" if fall > rules["low_v"] else "one_slightly_low", tuple(low), _end_taps(low[0], count))
    if len(high) == 1 and not low:
        return Picture("one_high", tuple(high))
    if low or high or float(np.ptp(volts)) > max(rules["outlier_v"], float(wide.max())):
        return Picture("spread", tuple(sorted(low + high)))
    return Picture("even_empty" if empty_v is not None and middle < empty_v + rules["empty_near_v"] else "alike")


def _end_taps(group: int, count: int) -> tuple[int, ...]:
    """The lead at the end of the string that borders on this group alone."""
    return tuple(tap for tap, at in ((0, 1), (count, count)) if at == group)


def _leads(number: np.ndarray, volts: np.ndarray, wide: np.ndarray, middle: float, top: float) -> Picture | None:
    """Pictures that no cells make: what a free or a misplaced lead does to the readings. None if there is none of them."""
    if middle <= 0.0:
        return None
    wrong = (volts > top) | (volts < -_NEAR_ZERO_V) | (np.abs(volts) <= _NEAR_ZERO_V)
    over, under = volts > top, volts < -0.5 * middle
    pairs = _pairs(number, volts, wide, middle, over)
    taken = {k for pair in pairs for k in (pair[0], pair[0] + 1)}
    if pairs and {int(k) for k in number[over | under]} <= taken:
        taps, lows, offs = zip(*pairs)
        # Two leads that changed places lie off by as much, one up and one down, and by whole groups; a free lead stays between its neighbours or at zero.
        exchanged = len(pairs) == 2 and abs(offs[0] + offs[1]) <= 0.2 * middle and abs(offs[0]) > 1.5 * middle
        return Picture("swapped") if exchanged else Picture("pair_over", lows, taps)
    if over.any() and under.any():
        return Picture("swapped")
    # No group is reversed by so much: what lies beyond is not tied to what lies before, whatever it reads.
    fallen = np.flatnonzero(under & (volts < REVERSED_MOST_V))
    if fallen.size == 1 and not over.any():
        at = int(number[fallen[0]])
        at_end = at in (int(number[0]), int(number[-1]))  # there a lead does it as well as the string
        return Picture("end_open", (at,), _end_taps(at, int(number[-1]))) if at_end else Picture("string_open", (at,))
    # One end of the string is whole, the next step falls back, what lies beyond reads nothing.
    for order in (np.arange(volts.size), np.arange(volts.size)[::-1]):
        seen = volts[order]
        bad = np.flatnonzero(wrong[order])
        if bad.size and 0 < bad[0] < volts.size - 1 and seen[bad[0]] < -0.5 * middle and np.all(np.abs(seen[bad[0] + 1 :]) <= _NEAR_ZERO_V):
            return Picture("string_open", (int(number[order][bad[0]]),))
    return None


def _pairs(number: np.ndarray, volts: np.ndarray, wide: np.ndarray, middle: float, over: np.ndarray) -> list[tuple[int, int, float]]:
    """(tap, the group that is too low, by how much the tap lies off [V]) of every group above what cells have whose neighbour lacks as much."""
    found: list[tuple[int, int, float]] = []
    used: set[int] = set()
    for k in np.flatnonzero(over):
        for other in (k - 1, k + 1):
            if not 0 <= other < volts.size or abs(int(number[other]) - int(number[k])) != 1 or {k, other} & used:
                continue
            both = volts[k] + volts[other]
            if abs(both - 2.0 * middle) <= _TWICE * middle + wide[k] + wide[other] and volts[other] < middle:
                tap = min(int(number[k]), int(number[other]))
                found.append((tap, int(number[other]), float(volts[min(k, other)] - middle)))
                used |= {int(k), int(other)}
                break
    return found


def plug_voltages(sheet: BenchSheet, rows: Sequence[Mapping[str, Any]]) -> list[float | None]:
    """Voltage of every group as the plug shows it: whether a lead is sound is the question here, so nothing is put right and no direct reading goes first.

    Parameters
    ----------
    sheet : BenchSheet
    rows : sequence of mapping
        Groups of the evaluated sheet; they tell which readings were written twice or left out, and stand in where taps are missing.

    Returns
    -------
    list of (float or None), length N
        Group 1 at pack negative; None where it is not known. [V]
    """
    taps, each = list(sheet.taps_v), sheet.taps_from == EACH_GROUP
    count = sheet.pack.series or len(rows)
    volts: list[float | None] = [None] * count
    if taps and not each and taps[0] is None:
        taps[0] = 0.0
    if taps and sheet.taps_from is not None:
        taken = [tap for tap in taps if tap]
        sign = -1.0 if 2 * sum(tap < 0.0 for tap in taken) > len(taken) else 1.0
        if each:
            volts = [None if tap is None else sign * tap for tap in taps[:count]] + [None] * (count - len(taps))
        elif len(taps) == count + 1 and None not in taps:
            volts = [round(sign * (high - low), 6) for low, high in itertools.pairwise(taps)]
            volts = volts[::-1] if sheet.taps_from == FROM_POSITIVE else volts
    implausible = sum("tap_implausible" in (row.get("findings") or ()) for row in rows)
    slips = _NO_READING | ({"tap_implausible"} if implausible == 1 else set())  # one number no group has was mistyped; several are a matter of leads or joints
    if not each and rows and all("string_open" in (row.get("findings") or ()) for row in rows):
        slips.add("string_open")  # nothing at any tap, from one point that has no contact: nothing is known of the groups
    for row in rows:
        k, findings = row.get("group"), set(row.get("findings") or ())
        if not isinstance(k, int) or not 1 <= k <= count:
            continue
        if findings & slips and "sense_lead_suspect" not in findings:
            volts[k - 1] = None
        elif volts[k - 1] is None and not findings & slips:
            volts[k - 1] = row.get("voltage_v") if row.get("voltage_v") is not None else row.get("apparent_v")
    return volts


# ---- the facts ---------------------------------------------------------------------------------------------------


def gather(sheet: BenchSheet, taps: Mapping[str, Any], probes: Sequence[Mapping[str, Any]], known: Knowledge) -> Facts:
    """Facts of a sheet.

    Parameters
    ----------
    sheet : BenchSheet
    taps : mapping
        ``groups`` with voltage_v, u_voltage_v and level; sum_v, u_sum_v, sum_is_part, compared_with, difference_v, u_difference_v.
    probes : sequence of mapping
        Rows of :func:`cycler.repair.probes.evaluate_probes`.
    known : Knowledge

    Returns
    -------
    Facts
        The same whatever the order of entries in the sheet.
    """
    return _Gatherer(sheet, taps or {}, probes, known).facts()


class _Gatherer:
    def __init__(self, sheet: BenchSheet, taps: Mapping[str, Any], probes: Sequence[Mapping[str, Any]], known: Knowledge) -> None:
        self.sheet, self.taps, self.probes, self.known, self.rules = sheet, taps, probes, known, known.rules
        rows = list(taps.get("groups") or ())
        limits = group_limits(sheet.pack)
        self.plug_v = plug_voltages(sheet, rows)
        u = [next((row["u_voltage_v"] for row in rows if row.get("group") == k and row.get("u_voltage_v")), _U_USUAL_V) for k in range(1, len(self.plug_v) + 1)]
        self.picture = tap_picture(
            self.plug_v, u, known.rules, levels=[level_of(v, u_v, limits, sheet.days_low) for v, u_v in zip(self.plug_v, u)], empty_v=limits.empty_v,
            full_v=limits.full_v,
        )
        aside = set(self.picture.groups) if self.picture and self.picture.value not in ("most_dead", "spread") else set()
        siblings = [v for k, v in enumerate(self.plug_v, 1) if v is not None and k not in aside]
        plausible = [v for v in siblings if _NEAR_ZERO_V < v <= (limits.full_v or 4.2) + _OVER_CELL_V] or [v for v in siblings if v > 0.0]
        self.sibling_v = float(np.median(plausible)) if plausible else (sheet.pack.limits.nominal_v if sheet.pack.limits else None)
        self.unused: list[tuple[str, str]] = []
        self.found: dict[str, list[Fact]] = {}

    def facts(self) -> Facts:
        self._taps()
        self._sum()
        self._contacts()
        self._board_current()
        self._probes()
        self._charger()
        self._days()
        for item, answer in self.sheet.look.items():
            if answer in ("yes", "no"):
                self._add(f"look.{item}", answer, "")
        for key, value in self.sheet.observed.items():
            self._observed(key, value)
        facts = tuple(fact for key in self.known.clues for fact in sorted(self.found.get(key, ()), key=lambda item: str(item.at)))
        names = tuple(str(row.get("name")) for row in self.probes)
        groups = self.sheet.pack.series or len(self.plug_v) or _USUAL_SERIES
        return Facts(facts, tuple(sorted(self.unused)), groups, names, self.picture.value if self.picture else None)

    def _add(self, clue: str, value: str, words: str, **more: Any) -> None:
        if clue in self.known.clues:
            self.found.setdefault(clue, []).append(Fact(clue, value, words, **more))

    # -- the sheet's own readings

    def _taps(self) -> None:
        if self.picture is None:
            return
        shown = [k for k in self.picture.groups[:4] if self.plug_v[k - 1] is not None]
        if self.picture.value == "pair_over":
            shown = sorted({*shown, *(k for tap in self.picture.taps for k in (tap, tap + 1))})
        words = ", ".join(f"group {k} {_volt(self.plug_v[k - 1])}" for k in shown)
        beside = f"the others about {_volt(self.sibling_v)}" if self.sibling_v is not None and self.picture.value != "most_dead" else ""
        if self.picture.value in ("alike", "even_empty", "all_low"):
            words, beside = f"about {_volt(self.sibling_v)} each" if self.sibling_v else "", ""
        if self.picture.value == "most_dead":
            read = [v for v in self.plug_v if v is not None]
            words = f"from {_volt(min(read))} to {_volt(max(read))}"
        places = {"group": self.picture.groups, "tap": self.picture.taps}
        if self.picture.value in ("most_dead", "spread", "swapped"):
            places = {}
        self._add(
            "taps", self.picture.value, "; ".join(part for part in (words, beside) if part), places=MappingProxyType(places),
            not_through_leads=self.sheet.observed.get("taps_read_at") == AT_CELLS,
        )

    def _sum(self) -> None:
        cells, total = _size(self.sheet.cells_v), self._total()
        if self.picture is not None and self.picture.value == "string_open":
            return  # of a string that ends half-way the taps have said so already
        if self.picture is not None and self.picture.value == "end_open":
            total = float(sum(v for k, v in enumerate(self.plug_v, 1) if v is not None and k not in self.picture.groups))
        if cells is None or total is None or self.picture is None:
            return
        u = self.taps.get("u_difference_v") if self.taps.get("compared_with") == "cells_v" else math.hypot(self.taps.get("u_sum_v") or 0.0, self._u_volt(cells))
        apart = cells - total
        # Sum of groups equals pack voltage within max(20 mV, 0.2 %): common practice, no source.
        if abs(apart) <= max(0.02, 0.002 * abs(cells), 2.0 * (u or 0.0)):
            value = "agrees_without" if self.picture.value == "two_zero" else "agrees"
        elif cells < self.rules["dead_terminal"] * total:
            value = "none"
        elif self.sibling_v and apart > 0.6 * self.sibling_v:
            value = "more_by_groups"
        else:
            value = "other"
        self._add("cells_v", value, f"sum of the groups {_volt(total)}, across all cells {_volt(cells)}")

    def _total(self) -> float | None:
        """Sum of the groups as the plug shows them; None if any is missing. [V]"""
        if self.plug_v and None not in self.plug_v:
            return float(sum(self.plug_v))
        if any({"tap_count", "tap_double_step"} & set(row.get("findings") or ()) for row in self.taps.get("groups") or ()):
            return None
        return None if self.taps.get("sum_is_part") else self.taps.get("sum_v")

    def _cells_v(self) -> float | None:
        """What should stand at the contacts: across the cells, else the sum of the groups, else what the ratings say. [V]"""
        if self.picture is not None and self.picture.value == "string_open" and self.sibling_v:
            return self.sibling_v * len(self.plug_v)
        total, cells = self._total(), _size(self.sheet.cells_v)
        if cells is not None and total is not None and cells < self.rules["dead_terminal"] * total:
            return total
        if cells is not None:
            return cells
        if total is not None:
            return total
        series = self.sheet.pack.series
        if self.sibling_v and series:
            return self.sibling_v * series
        return None

    def _contacts(self) -> None:
        cells = self._cells_v()
        measured = self.sheet.cells_v is not None or self._total() is not None
        if cells is None or cells < 1.0:
            return
        lowest = 1.0 if measured else 0.8
        beside = f"the cells have {_volt(cells)}" if measured else f"the cells should have about {_volt(cells)}, not measured"
        volts = _size(self.sheet.terminal_v)
        if volts is not None:
            share = volts / cells
            value = "dead" if share < self.rules["dead_terminal"] else "through" if share >= lowest * self.rules["through_terminal"] else "part"
            self._add("terminal_v", value, f"{_volt(volts)}; {beside}")
        volts = _size(self.sheet.charge_contact_v)
        if volts is not None:
            self._add("charge_contact_v", "live" if volts > 0.5 * cells else "dead", f"{_volt(volts)}; {beside}")

    def _board_current(self) -> None:
        current = self.sheet.board_current_a
        if current is None:
            return
        milli, meter = abs(current) * 1e3, self.sheet.meter
        limit = 1e3 * (meter.current_gain * abs(current) + meter.current_offset_a)
        words = f"{significant_text(milli, 3)} mA"
        if milli > self.rules["much_ma"]:
            self._add("board_current", "much", words)
        elif milli - limit > self.rules["none_ma"]:
            self._add("board_current", "usual", words)
        elif milli + limit <= 2.0 * self.rules["none_ma"]:
            self._add("board_current", "none", words)
        # Between these the meter cannot tell a sleeping board from a working one: no fact.

    def _probes(self) -> None:
        bad = {
            "one_open": ("probe_open",), "one_shorted": ("probe_shorted",), "one_off": ("probe_out_of_place",),
        }
        if not any(codes[0] in (row.get("findings") or ()) for codes in bad.values() for row in self.probes):
            bad = {"one_off": ("probes_differ",)}
        for value, codes in bad.items():
            names = [str(row["name"]) for row in self.probes if set(codes) & set(row.get("findings") or ())]
            if names:
                shown = ", ".join(f"{row['name']} {_probe_words(row)}" for row in self.probes if row["name"] in names)
                self._add("probes", value, shown, places=MappingProxyType({"probe": tuple(dict.fromkeys(names))}))
                return
        read = [row for row in self.probes if row.get("temperature_c") is not None and row.get("reference_c") is not None]
        if read:
            self._add("probes", "sound", ", ".join(f"{row['name']} {_probe_words(row)}" for row in read))

    def _charger(self) -> None:
        volts, full = _size(self.sheet.charger_v), full_pack_v(self.sheet.pack)
        if volts is None:
            return
        if volts < (0.2 * full if full else 1.0):
            self._add("charger_v", "dead", _volt(volts))
        elif full:
            right = abs(volts - full) <= self.rules["charger_share"] * full + 2.0 * self._u_volt(volts)
            self._add("charger_v", "right" if right else "wrong", f"{_volt(volts)}; full is {_volt(full)}")

    def _days(self) -> None:
        days = self.sheet.days_low
        if days is not None:
            self._add("days_low", "long" if days >= self.rules["long_days"] else "short", f"{significant_text(days, 3)} days")

    def _u_volt(self, volts: float) -> float:
        gain, zero, _ = self.sheet.meter.voltage.limits("group_voltage")
        return (gain * abs(volts) + zero) / math.sqrt(3.0)

    # -- [observed]

    def _observed(self, key: str, value: str | float) -> None:
        if key == "taps_read_at":
            if value not in READ_AT:
                self.unused.append((key, f"it is one of {', '.join(READ_AT)}"))
            return
        clue, place = self.known.clues.get(key), None
        if clue is None and (numbered := re.fullmatch(r"(.+)_(\d{1,3})", key)) and numbered[1] in self.known.clues:
            clue, place = self.known.clues[numbered[1]], int(numbered[2])
            if not clue.place:
                self.unused.append((key, f"{numbered[1]} has no number"))
                return
        if clue is None or not clue.observed:
            self.unused.append((key, "no such observation is known"))
            return
        if clue.place:
            place = place if place is not None else self._suspect(clue.place)
            first, last = (0, self.sheet.pack.series or 200) if clue.place == "tap" else (1, self.sheet.pack.series or 200)
            if place is None or not first <= place <= last:
                self.unused.append((key, f"it is not said at which {clue.place}: write {clue.key}_4 for {clue.place} 4"))
                return
        read = self._value(clue, value)
        if read is None:
            wanted = f"one of {', '.join(clue.values)}" if clue.choices else f"a number{f' in {clue.unit}' if clue.unit else ''}"
            self.unused.append((key, f"{wanted} is wanted" if not clue.relative_to or clue.choices else f"{wanted} is wanted, and the taps to hold it against"))
            return
        found, words = read
        at = (clue.place, place) if clue.place else None
        if at is None or all(fact.at != at for fact in self.found.get(clue.key, ())):
            self._add(clue.key, found, f"{clue.place} {place}: {words}" if clue.place else words, at=at)

    def _suspect(self, kind: str) -> int | None:
        named = {"group": self.picture.groups, "tap": self.picture.taps}[kind] if self.picture else ()
        return named[0] if len(named) == 1 else None

    def _value(self, clue: Clue, value: str | float) -> tuple[str, str] | None:
        """Which value of the clue, and the reading in words; None if it is none."""
        if clue.choices:
            word = str(value).strip().lower().replace(" ", "_").replace("-", "_")
            return (word, "") if word in clue.values else None
        if isinstance(value, str):
            if value.strip().lower() not in OPEN_WORDS or clue.unit != "ohm":
                return None
            number = math.inf
        else:
            number = float(value)
        scale = {"": 1.0, "sibling": self.sibling_v, "cells": self._cells_v()}[clue.relative_to]
        if not scale or scale <= 0.0 or (clue.unit in ("ohm", "V") and number < 0.0 and not clue.relative_to and clue.unit == "ohm"):
            return None
        step = sum(number / scale >= edge for edge in clue.edges)
        unit = {"ohm": "Ω"}.get(clue.unit, clue.unit)
        shown = "open" if math.isinf(number) else f"{significant_text(number, 4)}{f' {unit}' if unit else ''}"
        return list(clue.values)[step], shown


def _probe_words(row: Mapping[str, Any]) -> str:
    findings = row.get("findings") or ()
    if "probe_open" in findings:
        return "open"
    if "probe_shorted" in findings:
        return "shorted"
    return f"{row['temperature_c']:.0f} °C" if row.get("temperature_c") is not None else "not read"


def _size(volts: float | None) -> float | None:
    """Voltage of a whole pack or charger without its sign: the probes may have been changed over."""
    return None if volts is None else abs(volts)


def _volt(volts: float | None) -> str:
    return "not known" if volts is None else f"{volts:.3f} V" if abs(volts) < 10.0 else f"{volts:.2f} V"
