"""Packs made of graded cells: which cells are left out, which group each goes to, what results, and how far it is from the best there can be."""

from __future__ import annotations

import csv
import io
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from cycler.errors import InputError
from cycler.matching import exact
from cycler.matching.assign import Found, Task, put_together
from cycler.matching.bound import best_possible
from cycler.matching.grades import (
    FIRST,
    GRADES,
    NOT_PROVEN,
    REJECTED,
    SECOND,
    CellGrade,
    Graded,
    reason_counts,
)
from cycler.matching.words import summary
from cycler.pack import CHEMISTRY_LIMITS
from cycler.spreadsheet import spreadsheet_safe

SCHEMA = "cycler.cells/1"
SERIES_MAX, PARALLEL_MAX, PACKS_MAX, CELLS_MAX = 200, 100, 1000, 4000
"""Larger packs are none that a workshop builds; more cells at once take longer than a minute."""
SECONDS = 20.0
"""Longest search. [s]"""
RANDOM_DRAWS = 200
"""Packs put together by lot, to tell what the matching gains."""
MINIMUM_DRAWS = 4000
"""Draws for the weakest of uncertain groups."""
TOUCHABLE_V = 60.0
"""Above this d.c. voltage work on a pack belongs to licensed hands; from memory of the limits of safety extra-low voltage. [V]"""
SEED = 1

Tell = Callable[[float, str], None]

CAUTIONS = {
    "parallel_voltage": "Join cells in parallel only when their voltages are within 20 to 50 mV of each other, measured just before; never beyond 100 mV. A current without limit flows otherwise.",
    "opened_cells": "A cell taken from a pack may have been cut, bent or overheated in the taking. Look at wrapper, rings and ends again before it is built in; what smells, is warm or lost its wrapper goes to quarantine.",
    "short_circuit": "Cells cannot be switched off. Cover tools and ends, take rings off, work on one group at a time: a short circuit burns and can start a fire.",
    "rebuilt_pack": "A rebuilt pack is a design of its own. Grade and match say nothing of its safety: it needs its own protection board, fuse, test under watch and papers; the cell maker's limits and local rules come first.",
    "transport": "Cells that are rejected as damaged fall under the rules for damaged cells when they are sent, and may not fly. Keep them apart, outdoors or in a fire-resistant box, and ask your carrier or waste station.",
    "over_60_v": "This pack stands above 60 V d.c. when full: work on it belongs to people licensed for it.",
}
"""Usual cautions of the trade. Common practice, no source; transport from memory of the dangerous-goods rules for road and air."""


def make_packs(
    graded: Graded, series: int, parallel: int, packs: int, *, seed: int = SEED, seconds: float = SECONDS, use_not_proven: bool = False,
    tell: Tell = lambda _share, _words: None,
) -> dict[str, Any]:
    """Put graded cells into ``packs`` packs of ``series`` groups of ``parallel`` cells.

    A pack holds what its weakest group holds, so the sum of the packs' weakest groups is made as large as it can be; of all arrangements within
    ``rules.matching.capacity_given_up`` of the best one found, the one is taken whose groups differ least in resistance within their packs.

    Parameters
    ----------
    graded : Graded
        First-grade cells are used; those of second grade only where these do not suffice, which is told.
    seed : int
        Same list, rules and seed: same packs, unless the time runs out (``objective.in_time``).
    seconds : float
        Longest search. [s]
    use_not_proven : bool
        Use cells that are not proven too, as far as capacity and resistance are measured.
    tell : callable
        Hears the share that is done and what is done; may raise to end the work.

    Returns
    -------
    dict
        Schema ``cycler.cells/1``; no NaN. ``u_...`` are standard uncertainties.

    Raises
    ------
    InputError
        A number of packs, groups or cells that cannot be, or more cells needed than may be used: how many are missing and what would fit.
    """
    began = time.monotonic()
    check_sizes(series, parallel, packs)
    if not 0 < seconds <= 3600:
        raise InputError("the longest search cannot be", "seconds", f"found {seconds:g}", "write a number of seconds above zero, at most 3600")
    candidates, with_second = _candidates(graded, series * parallel * packs, use_not_proven)
    if len(candidates) < series * parallel * packs:
        raise not_enough(graded, series, parallel, packs, len(candidates), use_not_proven)
    listed = [item.cell for item in candidates]
    rules = graded.rules
    capacity = np.array([cell.capacity_ah for cell in listed], float)
    resistance = np.array([cell.resistance_ohm for cell in listed], float)
    resolution = _resolution(capacity)
    task = Task(capacity, 1.0 / resistance, series, parallel, packs, resolution, rules.matching.capacity_given_up)
    bound = best_possible(capacity, series, parallel, packs, resolution)
    until = began + seconds
    tell(0.0, "matching")
    chosen, best = put_together(task, seed, until, bound, lambda share: tell(0.85 * share, "matching"))
    chosen, best_ah, bound, proven = _exactly(task, chosen, best, bound, until, tell)
    tell(0.92, "comparing")
    by_lot = _by_lot(task, chosen, bound, seed)
    built = _packs(task, chosen, graded, listed, seed)
    used = {cell_id for pack in built for group in pack["groups"] for cell_id in group["cell_ids"]}
    gap = round(max(0.0, bound - chosen.value_ah), 9)
    objective = {
        "name": "sum_of_weakest_groups", "unit": "Ah", "value": chosen.value_ah, "bound": bound, "gap": gap,
        "gap_share": gap / bound if bound else 0.0, "method": chosen.method, "proven_optimal": proven and chosen.value_ah >= best_ah - 1e-9,
        "best_found": best_ah, "best_found_is_proven": proven, "given_up": round(max(0.0, best_ah - chosen.value_ah), 9), "may_give_up_share": task.given_up,
        "resistance_unlike_share": chosen.unlike,
        "u_group_own_ah": _own_error(task, chosen, rules.errors.capacity_repeat), "resolution": resolution or None, "seed": seed, "in_time": chosen.in_time, "seconds": time.monotonic() - began,
    }
    result = {
        **_head(graded), "series": series, "parallel": parallel, "packs_wanted": packs,
        "cells": {**counts(graded), "admissible": len(candidates), "used": len(used), "left_over": len(candidates) - len(used)},
        "packs": built, "objective": objective, "random": by_lot, "left_over_ids": [cell.id for cell in listed if cell.id not in used],
        "warnings": _warnings(graded, built, with_second, use_not_proven, objective, by_lot),
        "cautions": cautions(graded, series),
    }
    result["summary"] = summary(result)
    tell(1.0, "done")
    return result


def grades_only(graded: Graded) -> dict[str, Any]:
    """The same object without packs: grades, rejects and reasons alone."""
    return {
        **_head(graded), "cells": counts(graded), "packs": [], "objective": None, "random": None,
        "warnings": [{"code": "list", "words": words} for words in graded.warnings], "cautions": cautions(graded), "summary": [],
    }


def _head(graded: Graded) -> dict[str, Any]:
    return {"schema": SCHEMA, "software": _software(), "list": graded_name(graded), "rules": rules_told(graded), **told(graded)}


def check_sizes(series: int, parallel: int, packs: int) -> None:
    """InputError for sizes that no pack has, or more cells than are matched at once."""
    for name, value, most in (("series", series, SERIES_MAX), ("parallel", parallel, PARALLEL_MAX), ("packs", packs, PACKS_MAX)):
        if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= most:
            raise InputError(f"the number of {name if name == 'packs' else ('groups in series' if name == 'series' else 'cells in parallel')} cannot be", name, f"found {value}", f"write a whole number from 1 to {most}")
    if series * parallel * packs > CELLS_MAX:
        raise InputError(
            "too many cells to match at once", "series, parallel, packs", f"{packs} x {series}S {parallel}P are {series * parallel * packs} cells, more than {CELLS_MAX}",
            "match fewer packs at a time",
        )


def counts(graded: Graded) -> dict[str, int]:
    """Cells read, and how many of each grade."""
    return {"read": len(graded.cells), **{name: len(graded.of(name)) for name in GRADES}}


def graded_name(graded: Graded) -> dict[str, Any]:
    """What the grades rest on."""
    return {
        "rated_capacity_ah": graded.rules.rated_capacity_ah, "rated_from": graded.rated_from, "median_capacity_ah": graded.median_capacity_ah,
        "median_resistance_ohm": graded.median_resistance_ohm, "chemistry": graded.rules.chemistry,
    }


def told(graded: Graded) -> dict[str, Any]:
    """Cells that are not of first grade, with their reasons, and how often each reason comes."""
    def lines(name: str) -> list[dict[str, Any]]:
        return [{"id": item.cell.id, "line": item.cell.line, "reasons": [{"code": reason.code, "words": reason.words} for reason in item.reasons]} for item in graded.of(name)]

    return {
        "rejects": lines(REJECTED), "seconds": lines(SECOND), "not_proven": lines(NOT_PROVEN),
        "reasons": {name: reason_counts(graded.of(name)) for name in (SECOND, NOT_PROVEN, REJECTED)},
    }


def rules_told(graded: Graded) -> dict[str, Any]:
    """The rules in force, each with its reason and source."""
    rules = graded.rules
    return {
        "name": rules.name, "title": rules.title,
        "limits": [{"quantity": rule.quantity, "first": rule.first, "second": rule.second, "direction": "at_least" if rule.at_least else "at_most", "why": rule.why, "source": rule.source} for rule in rules.rules],
        "words": {"reject": list(rules.words), "why": rules.words_why, "source": rules.words_source},
    }


def cautions(graded: Graded, series: int | None = None) -> list[dict[str, str]]:
    """Cautions that apply."""
    codes = ["parallel_voltage", "opened_cells", "short_circuit", "rebuilt_pack"]
    if graded.of(REJECTED):
        codes.append("transport")
    if series is not None and series * CHEMISTRY_LIMITS[graded.rules.chemistry].full_v > TOUCHABLE_V:
        codes.append("over_60_v")
    return [{"code": code, "words": CAUTIONS[code]} for code in codes]


# ---- which cells -----------------------------------------------------------------------------------------------


def _candidates(graded: Graded, needed: int, use_not_proven: bool) -> tuple[list[CellGrade], bool]:
    """Cells that may be used, and whether those of second grade are among them."""
    usable = [item for item in graded.cells if item.usable]
    first = [item for item in usable if item.grade == FIRST or (use_not_proven and item.grade == NOT_PROVEN)]
    if len(first) >= needed:
        return first, False
    second = [item for item in usable if item.grade == SECOND]
    return sorted([*first, *second], key=lambda item: item.cell.line), bool(second)


def not_enough(graded: Graded, series: int, parallel: int, packs: int, found: int, use_not_proven: bool) -> InputError:
    """The message that cells are missing: how many, and what would fit."""
    needed = series * parallel * packs
    n = counts(graded)
    why = f"{packs} x {series}S {parallel}P take {needed} cells, {found} of {n['read']} may be used ({n[FIRST]} first, {n[SECOND]} second grade), {needed - found} are missing"
    more = sum(item.usable for item in graded.of(NOT_PROVEN))
    if more and not use_not_proven:
        worst = next(iter(reason_counts(graded.of(NOT_PROVEN))))
        why += f"; {n[NOT_PROVEN]} are not proven ({worst.replace('_', ' ')} most often)"
    fits = []
    if found >= series * parallel:
        fits.append(f"{found // (series * parallel)} of these packs")
    if 0 < found // (series * packs) < parallel:
        fits.append(f"{packs} of {series}S {found // (series * packs)}P")
    mend = " or ".join(fits) + " would fit" if fits else f"not even one pack of {series}S 1P fits" if found < series else f"one pack of {series}S {found // series}P would fit"
    if more and not use_not_proven:
        mend += "; or measure those that are not proven again, or allow their use"
    return InputError("there are not enough cells", f"{packs} x {series}S {parallel}P", why, mend)


def _resolution(capacity: np.ndarray) -> float:
    """The largest power of ten, down to 1e-6 Ah, of which all capacities are whole multiples; 0 if none."""
    for places in range(7):
        scaled = capacity * 10.0**places
        if np.all(np.abs(scaled - np.rint(scaled)) < 1e-6):
            return 10.0**-places
    return 0.0


# ---- search ----------------------------------------------------------------------------------------------------


def _exactly(task: Task, chosen: Found, best: Found, bound: float, until: float, tell: Tell) -> tuple[Found, float, float, bool]:
    """For few cells: the largest capacity by the solver, and with it the most alike resistances. Arrangement, largest capacity, bound, proven."""
    best_ah, proven = best.value_ah, best.value_ah >= bound - 1e-9
    if task.capacity_ah.size > exact.CELLS_MAX or task.groups < 2:
        return chosen, best_ah, bound, proven
    tell(0.86, "proving")

    def left() -> float:
        return until - time.monotonic()

    if not proven and left() > 0.1:
        one = task.packs == 1 and task.resolution_ah and exact.subsets(task) <= exact.SUBSETS_MAX
        answer = exact.best_of_one_pack(task, best, bound, left()) if one else exact.best_capacity(task, best_ah, bound, left())
        bound, proven = min(bound, answer.bound_ah), answer.proven
        if answer.found is not None and answer.found.value_ah > best_ah:
            best_ah, best = answer.found.value_ah, answer.found
    least = best_ah * (1.0 - task.given_up) - 1e-12
    if chosen.value_ah < least:
        chosen = best
    if task.parallel > 1 and left() > 0.1 and chosen.unlike > 1e-6:
        chosen = exact.most_alike(task, least, chosen, left())
    return replace(chosen, in_time=left() > 0.0), best_ah, bound, proven


def _by_lot(task: Task, found: Found, bound: float, seed: int) -> dict[str, Any]:
    """What packs hold on average whose cells are taken at random, from all that may be used and from the chosen ones."""
    rng = np.random.default_rng([seed, 7])

    def draws(pool: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        values, unlike = [], []
        for _ in range(RANDOM_DRAWS):
            result = task.result(rng.permutation(pool)[: task.needed], "random")
            values.append(result.value_ah)
            unlike.append(result.unlike)
        return np.array(values), np.array(unlike)

    values, unlike = draws(np.arange(task.capacity_ah.size))
    same, _ = draws(found.cells.ravel())
    mean, sd = float(values.mean()), float(values.std(ddof=1))
    gap, short = bound - found.value_ah, bound - mean
    reached = gap < 1e-9
    return {
        "mean": mean, "sd": sd, "draws": RANDOM_DRAWS, "shortfall": short,
        "factor": None if reached or short <= 0 else short / gap, "sd_factor": None if reached or short <= 0 else sd / gap, "bound_reached": reached,
        "gain_ah_per_pack": (found.value_ah - mean) / task.packs, "sd_gain_ah_per_pack": sd / task.packs, "gain_share": (found.value_ah - mean) / mean,
        "mean_same_cells": float(same.mean()), "sd_same_cells": float(same.std(ddof=1)), "best_draw": float(values.max()),
        "resistance_unlike_share": float(unlike.mean()), "sd_resistance_unlike_share": float(unlike.std(ddof=1)),
    }


# ---- the packs -------------------------------------------------------------------------------------------------


def _packs(task: Task, found: Found, graded: Graded, listed: list[Any], seed: int) -> list[dict[str, Any]]:
    """The packs, the strongest first; groups and cells in the order of the list.

    A group's capacity is the sum of its cells', its conductance the sum of their conductances. Each cell's own error is independent of the others' and
    adds in squares; the gain of the tester is common to all and adds as it is (JCGM 100:2008, 5.2.2). The weakest of several uncertain groups is on
    average weaker than the smallest reading: which group is the weakest is drawn ``MINIMUM_DRAWS`` times from the independent parts (propagation of
    distributions, JCGM 101:2008; clauses from memory), the gain's part is added to the spread of the draws.
    """
    errors, limits = graded.rules.errors, graded.rules.matching
    rng = np.random.default_rng([seed, 11])
    root3 = np.sqrt(3.0)
    order = np.argsort(-np.round(task.capacity_ah[found.cells].sum(axis=2).min(axis=1), 9), kind="stable")
    packs = []
    for number, p in enumerate(order, 1):
        cells = np.sort(found.cells[p], axis=1)
        cells = cells[np.argsort(cells[:, 0])]
        c, r = task.capacity_ah[cells], 1.0 / task.conductance_s[cells]
        capacity, resistance = c.sum(axis=1), 1.0 / (1.0 / r).sum(axis=1)
        own_c = np.sqrt((c**2).sum(axis=1)) * errors.capacity_repeat / root3
        own_r = resistance * np.sqrt(((resistance[:, None] / r) ** 2).sum(axis=1)) * errors.resistance_repeat / root3
        gain_c, gain_r = errors.capacity_gain / root3, errors.resistance_gain / root3
        drawn = capacity + own_c * rng.standard_normal((MINIMUM_DRAWS, task.series))
        lowest = drawn.min(axis=1)
        expected = float(lowest.mean()) if errors.capacity_repeat else float(capacity.min())
        chance = np.bincount(drawn.argmin(axis=1), minlength=task.series) / MINIMUM_DRAWS
        weakest = int(capacity.argmin())
        groups = []
        for g in range(task.series):
            volts = [listed[i].second_v for i in cells[g] if listed[i].second_v is not None]
            apart = max(volts) - min(volts) if len(volts) == len(cells[g]) else None
            groups.append({
                "group": g + 1, "cell_ids": [listed[i].id for i in cells[g]], "capacity_ah": float(capacity[g]),
                "u_capacity_ah": float(np.hypot(own_c[g], gain_c * capacity[g])), "resistance_ohm": float(resistance[g]),
                "u_resistance_ohm": float(np.hypot(own_r[g], gain_r * resistance[g])), "voltage_apart_v": apart,
                "before_joining": _before_joining(apart, task.parallel, limits), "chance_weakest": float(chance[g]),
            })
        total = float(resistance.sum())
        packs.append({
            "pack": number, "groups": groups, "capacity_ah": float(capacity[weakest]), "expected_capacity_ah": expected,
            "u_capacity_ah": float(np.hypot(float(lowest.std(ddof=1)) if errors.capacity_repeat else 0.0, gain_c * expected)), "weakest_group": weakest + 1,
            "resistance_ohm": total, "u_resistance_ohm": float(np.hypot(np.sqrt((own_r**2).sum()), gain_r * total)),
            "spread_ah": float(np.ptp(capacity)), "spread_share": float(np.ptp(capacity) / capacity.mean()), "resistance_spread_share": float(np.ptp(resistance) / resistance.mean()),
        })
    return packs


def _own_error(task: Task, found: Found, repeat: float) -> float:
    """Standard uncertainty of a group against its siblings, from the errors that are each cell's own; root of the mean square over the groups. [Ah]"""
    squares = (task.capacity_ah[found.cells] ** 2).sum(axis=2)
    return float(np.sqrt(squares.mean()) * repeat / np.sqrt(3.0))


def _before_joining(apart: float | None, parallel: int, limits: Any) -> str:
    if parallel == 1:
        return "not_needed"
    if apart is None:
        return "measure"
    return "ok" if apart <= limits.parallel_volt + 1e-9 else "bring_together" if apart <= limits.parallel_volt_never + 1e-9 else "never_as_it_is"


def _warnings(
    graded: Graded, packs: list[dict[str, Any]], with_second: bool, use_not_proven: bool, objective: Mapping[str, Any], by_lot: Mapping[str, Any]
) -> list[dict[str, str]]:
    found = [{"code": "list", "words": words} for words in graded.warnings]
    used = {cell_id for pack in packs for group in pack["groups"] for cell_id in group["cell_ids"]}
    if with_second:
        n = sum(item.cell.id in used for item in graded.of(SECOND))
        found.append({"code": "second_grade_used", "words": f"First grade alone does not suffice: {n} cells of second grade are in the packs."})
    if use_not_proven:
        n = sum(item.cell.id in used for item in graded.of(NOT_PROVEN))
        found.append({"code": "not_proven_used", "words": f"{n} cells are in the packs of which something is not proven: see their reasons."})
    ratings = sorted({item.cell.rated_capacity_ah for item in graded.cells if item.cell.id in used and item.cell.rated_capacity_ah})
    if len(ratings) > 1:
        found.append({
            "code": "ratings_mixed", "words": f"Cells of {len(ratings)} ratings ({ratings[0]:g} to {ratings[-1]:g} Ah) are in the packs: cells of several types age and heat unlike; match each type by itself.",
        })
    groups = [(pack["pack"], group) for pack in packs for group in pack["groups"]]
    for code, state, words in (
        ("never_as_it_is", "never_as_it_is", "of {n} groups lie more than {v:.0f} mV apart: never join them as they are; charge each to one voltage by itself first"),
        ("bring_together", "bring_together", "of {n} groups lie more than {v:.0f} mV apart: bring them to one voltage before they are joined"),
    ):
        those = [f"{pack}/{group['group']}" for pack, group in groups if group["before_joining"] == state]
        if those:
            volt = graded.rules.matching.parallel_volt_never if code == "never_as_it_is" else graded.rules.matching.parallel_volt
            shown = ", ".join(those[:6]) + (" ..." if len(those) > 6 else "")
            found.append({"code": code, "words": f"The cells {words.format(n=len(those), v=1e3 * volt)} (pack/group {shown})."})
    if any(group["before_joining"] == "measure" for _, group in groups):
        found.append({"code": "no_voltage", "words": "Some cells have no rest voltage: measure all cells of a group just before they are joined."})
    if not objective["in_time"]:
        found.append({"code": "out_of_time", "words": "The time for the search ran out: with more of it the packs may become a little more alike, and the same seed may give other packs."})
    worst = max(packs, key=lambda pack: pack["resistance_spread_share"])
    if worst["resistance_spread_share"] > 0.1:
        found.append({"code": "resistance_unlike", "words": f"In pack {worst['pack']} the group resistances lie {100 * worst['resistance_spread_share']:.0f} % apart: its groups will sag unlike under load."})
    if packs[-1]["capacity_ah"] < 0.9 * packs[0]["capacity_ah"]:
        found.append({"code": "packs_unlike", "words": f"Pack {packs[-1]['pack']} holds {100 * packs[-1]['capacity_ah'] / packs[0]['capacity_ah']:.0f} % of pack 1: the packs are graded, each alike within itself."})
    return found


def _software() -> dict[str, str]:
    from cycler import __distribution__, __version__

    return {"name": __distribution__, "version": __version__}


# ---- the file --------------------------------------------------------------------------------------------------

LEFT_OVER = "left over"
_HEADS = ("pack", "group", "place", "cell", "capacity / Ah", "resistance / mohm", "rest voltage / V", "grade", "remark", "group capacity / Ah", "group resistance / mohm")


def assignment_csv(result: Mapping[str, Any], graded: Graded) -> str:
    """Where every cell goes, one line each, for a spreadsheet (RFC 4180), which runs nothing of it; cells that are in no pack follow with why.
    Of grades alone (:func:`grades_only`) every cell has its line too."""
    by_id = {item.cell.id: item for item in graded.cells}
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(_HEADS)

    def line(item: CellGrade, pack: Any, group: Any, place: Any, more: tuple[str, str] = ("", ""), remark: str = "") -> None:
        cell = item.cell
        writer.writerow([
            pack, group, place, _safe(cell.id), _figure(cell.capacity_ah, 1.0, 4), _figure(cell.resistance_ohm, 1e3, 3), _figure(cell.second_v, 1.0, 4),
            item.grade.replace("_", " "), _safe(remark or cell.remark), *more,
        ])

    for pack in result["packs"]:
        for group in pack["groups"]:
            more = (_figure(group["capacity_ah"], 1.0, 4), _figure(group["resistance_ohm"], 1e3, 3))
            for place, cell_id in enumerate(group["cell_ids"], 1):
                line(by_id.pop(cell_id), pack["pack"], group["group"], place, more)
    for item in by_id.values():
        line(item, "", "", "", remark="; ".join(reason.words for reason in item.reasons) or (LEFT_OVER if result["packs"] else ""))
    return stream.getvalue()


def _safe(text: str) -> str:
    return spreadsheet_safe(" ".join(text.split()))


def _figure(value: float | None, factor: float, places: int) -> str:
    return "" if value is None else f"{value * factor:.{places}f}"

