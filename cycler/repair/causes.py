"""Fault by elimination: what can be wrong with a pack, by what was read, and what to measure next.

Bayes' rule over single faults. A hypothesis is a cause of ``data/causes.toml``, at a group, tap or probe where it sits in one of several: those places
that the readings point at are hypotheses of their own, all others together are one. Its weight is its prior times the likelihoods of the facts
(:mod:`cycler.repair.clues`). What follows from a fault in a chain (a dead group makes the board block, so that the contacts are dead) is not a second
fault: it stands in the line of that cause.

Likelihoods are multiplied as if the facts were independent once the cause is known. That is so for readings that each have their own error and their own
path (taps, fuse, sensors), and not for two readings of one and the same event: a blocked board makes dead contacts and a vehicle that does not
drive. Such clues share a ``tie`` in the file (some only if that first one reads a certain way: where the contacts live, it tells more that
a vehicle cuts out); the first one that was taken counts, the others add nothing, neither to the weights nor to what
is to be measured next. What is left of dependence makes the probabilities somewhat too sure, never their order of evidence.

A fault of one place shows there: a reading that points at a place is expected at it with 1 - place_miss, elsewhere with place_miss spread over the others.
A cause without a place leaves open where: each place alike.

Ruled out is only what a reading contradicts: one that is less likely under the cause than where cause and reading have nothing to do with each other, by
the factor ``rule_out``. A cause that is merely rarer stays in the list with its small probability. If every cause is contradicted, none is ruled
out and :func:`doubts` says that the readings contradict each other.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from cycler.repair.causefile import Cause, Clue, Knowledge, knowledge
from cycler.repair.cautions import DANGEROUS_LOOKS
from cycler.repair.chances import interval
from cycler.repair.clues import NOT_RESOLVED, Fact, Facts, gather
from cycler.repair.levels import GRAVE
from cycler.repair.sheet import LOOK_ITEMS, BenchSheet

__all__ = ["Observation", "doubts", "explain", "observations"]

PRACTICE = "common practice, no source: priors and likelihoods of data/causes.toml, a reason on each line"
SPEAKS = 1.25
"""A likelihood ratio beyond this, or below its inverse, is shown as evidence for or against."""
NEXT_MAX = 8
"""Measurements that are proposed at most."""
_BITS_MIN = 0.005
_SHARE_SHOWN = 0.005
_OF_PARALLEL = ("cell_open",)
"""Causes that need more than one cell in a group (arithmetic)."""
_SPLIT_MIN = 0.01


@dataclass(frozen=True, slots=True)
class Observation:
    """A further observation that a sheet can hold under [observed], for a form.

    Attributes
    ----------
    choices : tuple of (value, words)
        Empty where a number is entered, in ``unit``.
    place : str
        "group" or "tap": the key may end in its number, group_direct_v_4.
    """

    key: str
    question: str
    how: str
    minutes: float
    unit: str
    choices: tuple[tuple[str, str], ...]
    caution: str
    needs: str
    place: str


def observations() -> list[Observation]:
    """All keys of [observed], in the order of the file of causes."""
    first = Observation(
        "taps_read_at", "Where were the taps read?", "Through the leads at the balance plug, or at the cells themselves.", 0.5, "",
        (("plug_in_board", "at the plug, plugged into the board"), ("plug_pulled", "at the plug, pulled from the board"), ("cells", "at the cells' own ends")), "", "", "",
    )
    return [first] + [
        Observation(
            clue.key, clue.question, clue.how, clue.minutes, "Ω" if clue.unit == "ohm" else clue.unit, tuple(clue.values.items()) if clue.choices else (),
            clue.caution, clue.needs, clue.place,
        )
        for clue in knowledge().clues.values() if clue.observed
    ]


def explain(
    sheet: BenchSheet, taps: Mapping[str, Any], probes: Sequence[Mapping[str, Any]], remarks: Sequence[Mapping[str, Any]] = (), *, known: Knowledge | None = None,
) -> tuple[list[dict[str, Any]], list[dict[str, Any]], list[dict[str, Any]]]:
    """Causes with the evidence for and against, what is ruled out and by which reading, and what to measure next.

    Parameters
    ----------
    sheet : BenchSheet
    taps : mapping
        "taps" of an evaluated sheet.
    probes : sequence of mapping
        Rows of :func:`cycler.repair.probes.evaluate_probes`.
    remarks : sequence of mapping
        Not weighed: they say again what the readings say.
    known : Knowledge, optional
        Another file of causes than the program's own.

    Returns
    -------
    causes : list of dict
        code, title, part, group, tap, probe, probability, low_probability, high_probability (:mod:`cycler.repair.chances`), prior, words, for, against, basis; the
        likeliest first, probabilities add up to 1. A cause
        "elsewhere" of which less than half a percent is left is counted with its named place.
    ruled_out : list of dict
        code, title, group, tap, probe, by.
    next : list of dict
        key, enter, words, how, minutes, wait_h, needs, splits, bits, bits_per_minute, caution, group, tap; most bits per minute first. ``enter`` is the key under
        which the sheet takes it, with its place: group_direct_v_9; "_N" where the place is to be found.
    """
    reasoner = _Reasoner(sheet, taps, probes, known or knowledge())
    return reasoner.causes(), reasoner.ruled_out(), reasoner.next()


def doubts(
    sheet: BenchSheet, taps: Mapping[str, Any], probes: Sequence[Mapping[str, Any]], remarks: Sequence[Mapping[str, Any]] = (), *, known: Knowledge | None = None,
) -> list[dict[str, Any]]:
    """Remarks on the reasoning itself: nothing measured yet, readings that contradict each other, observations that could not be used.

    Returns
    -------
    list of dict
        code (nothing_measured, readings_contradict, observed_unknown, no_load_yet), severity, group, tap, probe, message, evidence.
    """
    return _Reasoner(sheet, taps, probes, known or knowledge()).doubts()


# ---- hypotheses --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Hypothesis:
    """A cause, at one place or (``place`` None) at any that no reading points at; ``end``: at the first or the last lead."""

    cause: Cause
    prior: float
    place: Any = None
    end: bool = False

    @property
    def key(self) -> tuple[str, str, bool]:
        return self.cause.code, str(self.place), self.end


def _hypotheses(facts: Facts, known: Knowledge, parallel: int | None = None) -> list[_Hypothesis]:
    """Every cause at every place that a reading points at, and at the others together; priors add up to 1 (less those of causes that a pack of
    single cells cannot have)."""
    found: list[_Hypothesis] = []
    for cause in known.causes:
        if parallel == 1 and cause.code in _OF_PARALLEL:
            continue
        if not cause.place:
            found.append(_Hypothesis(cause, cause.prior))
            continue
        named = _named(cause.place, facts)
        if cause.place == "tap":
            ends = (0, facts.groups)
            share = cause.prior / (facts.groups + 1)
            found += [_Hypothesis(cause, share, place, place in ends) for place in named]
            for end, count in ((False, facts.groups - 1), (True, 2)):
                left = count - sum((place in ends) == end for place in named)
                if left > 0:
                    found.append(_Hypothesis(cause, share * left, None, end))
            continue
        count = max(facts.groups if cause.place == "group" else len(facts.probes), len(named), 1)
        found += [_Hypothesis(cause, cause.prior / count, place) for place in named]
        if count > len(named):
            found.append(_Hypothesis(cause, cause.prior * (count - len(named)) / count))
    return found


def _named(kind: str, facts: Facts) -> list[Any]:
    places: set[Any] = set()
    for fact in facts.facts:
        places |= set(fact.places.get(kind, ()))
        if fact.at and fact.at[0] == kind:
            places.add(fact.at[1])
    return sorted(places)


class _Reasoner:
    def __init__(self, sheet: BenchSheet, taps: Mapping[str, Any], probes: Sequence[Mapping[str, Any]], known: Knowledge) -> None:
        self.sheet, self.taps, self.known, self.rules = sheet, taps or {}, known, known.rules
        self.facts = gather(sheet, self.taps, probes, known)
        self.counted = self._counted()
        self.all = _hypotheses(self.facts, known, sheet.pack.parallel)
        log_weight = np.log([item.prior for item in self.all])
        self.likelihood = np.array([[self._p(fact, item) for item in self.all] for fact in self.counted]).reshape(len(self.counted), len(self.all))
        if self.counted:
            log_weight = log_weight + np.log(self.likelihood).sum(axis=0)
        self.contradicted = [self._contradictions(item) for item in self.all]
        keep = np.array([not by for by in self.contradicted])
        self.nothing_left = not keep.any()
        self.keep = np.ones(len(self.all), dtype=bool) if self.nothing_left else keep
        weight = np.where(self.keep, np.exp(log_weight - log_weight[self.keep].max()), 0.0)
        self.probability = weight / weight.sum()

    def _counted(self) -> list[Fact]:
        """Facts of which none tells again what an earlier one has told."""
        return [fact for fact in self.facts.facts if not self._said(self.known.clues[fact.clue])]

    def _said(self, clue: Clue) -> bool:
        """Whether an earlier clue of the same tie was taken and tells all that this one can."""
        if not clue.tie:
            return False
        for other in self.facts.facts:
            if other.clue == clue.key:
                return False
            if self.known.clues[other.clue].tie == clue.tie:
                order = list(self.known.clues)
                return order.index(other.clue) < order.index(clue.key) and clue.tie_if in ("", other.value)
        return False

    # -- likelihoods

    def _line(self, clue: Clue, item: _Hypothesis, fact: Fact | None = None) -> Mapping[str, float]:
        """Probabilities of a clue's values under a hypothesis, wherever they point."""
        default = clue.default.p
        if fact is not None and fact.not_through_leads and item.cause.place == "tap":
            return default
        line = clue.line(item.cause.code, item.end).p
        at = fact.at if fact is not None else None
        if at is None or at[0] != item.cause.place:
            return line
        if item.place is None:  # somewhere no reading points at
            return default
        return line if item.place == at[1] else default

    def _p(self, fact: Fact, item: _Hypothesis) -> float:
        """Likelihood of one fact: of its value, and of the place it points at."""
        p = self._line(self.known.clues[fact.clue], item, fact)[fact.value]
        pointing = {kind: places for kind, places in fact.places.items() if places}
        if not pointing:
            return p
        count = max(len(self.facts.probes), 1) if set(pointing) == {"probe"} else self.facts.groups
        places = pointing.get(item.cause.place)
        if places is None:
            return p / count
        if item.place in places:
            return p * (1.0 - self.rules["place_miss"]) / len(places)
        return p * (self.rules["place_miss"] if count > 1 else 1.0) / max(count - len(places), 1)

    def _contradictions(self, item: _Hypothesis) -> list[Fact]:
        by = []
        for fact in self.counted:
            clue = self.known.clues[fact.clue]
            if self._line(clue, item, fact)[fact.value] < self.rules["rule_out"] * clue.default.p[fact.value]:
                by.append(fact)
        return by

    # -- rows

    def causes(self) -> list[dict[str, Any]]:
        rows = []
        numbers = [[item.cause.code for item in self.all]] + [
            [id(self._line(self.known.clues[fact.clue], item, fact)) for item in self.all] for fact in self.counted
        ]
        for indices in self._rows():
            low, high = interval(self.probability, indices, numbers)
            best = max(indices, key=lambda k: self.probability[k])
            item = self.all[best]
            evidence = [(fact, self._factor(number, best)) for number, fact in enumerate(self.counted)]
            rows.append(self._head(item) | {
                "part": item.cause.part, "probability": float(sum(self.probability[k] for k in indices)), "prior": float(sum(self.all[k].prior for k in indices)),
                "low_probability": low, "high_probability": high,
                "words": item.cause.words,
                "for": [self._evidence(fact, factor) for fact, factor in sorted(evidence, key=lambda pair: -pair[1]) if factor > SPEAKS],
                "against": [self._evidence(fact, factor) for fact, factor in sorted(evidence, key=lambda pair: pair[1]) if factor < 1.0 / SPEAKS],
                "basis": PRACTICE,
            })
        rows.sort(key=lambda row: (-round(row["probability"], 12), row["code"], str(row["group"]), str(row["tap"])))
        return rows

    def _rows(self) -> list[list[int]]:
        """Indices of the hypotheses that make one row: a named place by itself; the places that nothing points at together, with the named
        place where hardly anything is left of them."""
        rows: list[list[int]] = []
        for cause in self.known.causes:
            own = [k for k, item in enumerate(self.all) if item.cause is cause and self.keep[k]]
            named = [k for k in own if self.all[k].place is not None]
            rest = [k for k in own if self.all[k].place is None]
            rows += [[k] for k in named]
            if not rest:
                continue
            if named and sum(self.probability[k] for k in rest) < _SHARE_SHOWN:
                best = max(named, key=lambda k: self.probability[k])
                next(row for row in rows if row == [best]).extend(rest)
            else:
                rows.append(rest)
        return rows

    def _head(self, item: _Hypothesis) -> dict[str, Any]:
        cause, place = item.cause, item.place
        title = cause.title
        if place is not None:
            for word, named in (
                ("a group's parallel cells", f"group {place}'s parallel cells"), ("a group ", f"group {place} "), ("a thermistor ", f"thermistor \"{place}\" "),
                ("a sense lead ", f"the sense lead of tap {place} "),
            ):
                if word in title:
                    title = title.replace(word, named, 1)
                    break
            else:
                title = f"{title}, at group {place}"
        elif cause.place and _named(cause.place, self.facts):
            title += ", at another place"
        return {
            "code": cause.code, "title": title, "group": place if cause.place == "group" else None, "tap": place if cause.place == "tap" else None,
            "probe": place if cause.place == "probe" else None,
        }

    def _factor(self, number: int, k: int) -> float:
        """Likelihood of a fact under one hypothesis against its mean over all others, weighted by their priors."""
        others = np.array([item.prior for item in self.all])
        others[k] = 0.0
        mean = float(others @ self.likelihood[number] / others.sum())
        return float(self.likelihood[number][k] / mean)

    def _evidence(self, fact: Fact, factor: float) -> dict[str, Any]:
        return {"reading": fact.reading, "words": self._words(fact), "factor": factor}

    def _words(self, fact: Fact) -> str:
        said = self.known.clues[fact.clue].values[fact.value]
        return f"{said} ({fact.words})" if fact.words else said

    def ruled_out(self) -> list[dict[str, Any]]:
        """A cause at a place, or everywhere, that a reading contradicts; where it stays possible elsewhere only the named place is listed."""
        if self.nothing_left:
            return []
        rows = []
        for cause in self.known.causes:
            own = [k for k, item in enumerate(self.all) if item.cause is cause]
            out = [k for k in own if not self.keep[k]]
            if not out:
                continue
            if len(out) == len(own):
                named = [k for k in out if self.all[k].place is not None]
                out = named or out[:1]
            else:
                out = [k for k in out if self.all[k].place is not None]
            rows += [
                self._head(self.all[k]) | {"by": [{"reading": fact.reading, "words": self._words(fact)} for fact in self.contradicted[k]]} for k in out
            ]
        return rows

    # -- what to measure next

    def next(self) -> list[dict[str, Any]]:
        taken = {fact.clue for fact in self.facts.facts}
        ties = {self.known.clues[clue].tie for clue in taken} - {""}
        looks: list[tuple[Clue, dict[str, Any]]] = []
        rows: list[dict[str, Any]] = []
        for clue in self.known.clues.values():
            if not self._open(clue, taken, ties):
                continue
            row = self._proposal(clue)
            if row is None:
                continue
            if clue.key.startswith("look."):
                looks.append((clue, row))
            elif row["bits"] >= _BITS_MIN:
                rows.append(row)
        if looks:
            rows.append(self._look(looks))
        rows = [row for row in rows if row["bits"] >= _BITS_MIN and row["splits"]]
        rows.sort(key=lambda row: (-round(row["bits_per_minute"], 9), row["key"]))
        return rows[:NEXT_MAX]

    def _open(self, clue: Clue, taken: set[str], ties: set[str]) -> bool:
        """Whether a clue can be taken and would say something that was not said."""
        if clue.key in taken or self._said(clue) or (clue.tie and not clue.tie_if and clue.tie in ties) or (clue.stresses and self._barred()):
            return False
        if "open" in (clue.needs or "") and any(self.sheet.look.get(item) == "yes" for item in DANGEROUS_LOOKS):
            return False  # such a pack is not opened for a measurement
        if clue.key.startswith("look."):
            return clue.key.removeprefix("look.") in LOOK_ITEMS and not self.sheet.look.get(clue.key.removeprefix("look."))
        if clue.key == "cells_v":
            return self.sheet.cells_v is None and "taps" in taken
        return True

    def _barred(self) -> str:
        """Why nothing is to be charged or loaded yet; "" if nothing stands against it."""
        if any(self.sheet.look.get(item) == "yes" for item in DANGEROUS_LOOKS):
            return "the look of the pack shows danger"
        if any(row.get("level") in (*GRAVE, "precharge", "over_full") for row in self.taps.get("groups") or ()):
            return "a group stands outside the limits between which it may be charged"
        if self.facts.picture is None:
            return "the groups were not measured"
        if self.facts.picture in NOT_RESOLVED:
            return "at the plug the groups do not read as they should, so the board does not see them right either"
        if any(fact.value != "sound" for fact in self.facts.of("probes")):
            return "the thermistors are not sound"
        return ""

    def _proposal(self, clue: Clue) -> dict[str, Any] | None:
        """What a measurement is expected to tell, in bits; None if it is not known where to take it."""
        place = self._where(clue.place) if clue.place else None
        if clue.place and place is None and not clue.everywhere:
            return None
        fact = Fact(clue.key, "", "", at=(clue.place, place)) if place is not None else None
        values = list(clue.values)
        table = np.array([[self._line(clue, item, fact)[value] for item in self.all] for value in values])
        joint = table * self.probability
        chance = joint.sum(axis=1)
        after = joint / np.where(chance > 0.0, chance, 1.0)[:, None]
        bits = _entropy(self.probability) - float(sum(p * _entropy(row) for p, row in zip(chance, after)))
        moved = chance @ np.abs(after - self.probability)
        by_code: dict[str, float] = {}
        for item, shift in zip(self.all, moved):
            by_code[item.cause.code] = by_code.get(item.cause.code, 0.0) + float(shift)
        splits = [code for code, shift in sorted(by_code.items(), key=lambda pair: (-round(pair[1], 9), pair[0])) if shift >= _SPLIT_MIN]
        minutes = clue.minutes + 60.0 * clue.wait_h * self.rules["wait_minute"]
        words, enter = clue.question, clue.key
        if clue.place and place is None:
            words = words.replace(f"the {clue.place} that stands out", f"every {clue.place}").replace(f"does the {clue.place} fall", f"does each {clue.place} fall")
            words = f"{words} (enter the one that differs most)"
            enter = f"{clue.key}_N"
        if place is not None:
            enter = f"{clue.key}_{place}"
            words = words.replace("the group that stands out", f"group {place}").replace("the group fall", f"group {place} fall").replace(
                "the suspected sense lead", f"the sense lead of tap {place}")
        return {
            "key": clue.key, "enter": enter, "words": words, "how": clue.how, "minutes": clue.minutes, "wait_h": clue.wait_h, "needs": clue.needs, "splits": splits,
            "bits": max(bits, 0.0), "bits_per_minute": max(bits, 0.0) / minutes, "caution": clue.caution, "group": place if clue.place == "group" else None,
            "tap": place if clue.place == "tap" else None,
        }

    def _where(self, kind: str) -> Any:
        """The place that the likeliest hypothesis names."""
        placed = [k for k, item in enumerate(self.all) if item.cause.place == kind and item.place is not None and self.keep[k]]
        if not placed:
            return None
        weights: dict[Any, float] = {}
        for k in placed:
            weights[self.all[k].place] = weights.get(self.all[k].place, 0.0) + float(self.probability[k])
        return max(weights, key=lambda place: (weights[place], -place))

    def _look(self, looks: Sequence[tuple[Clue, dict[str, Any]]]) -> dict[str, Any]:
        """All that was not looked for yet, as one measurement: its bits at most those that are missing, and as if its parts knew nothing of each other."""
        bits = min(sum(row["bits"] for _, row in looks), _entropy(self.probability))
        minutes = sum(clue.minutes for clue, _ in looks)
        splits: list[str] = []
        for _, row in sorted(looks, key=lambda pair: -pair[1]["bits"]):
            splits += [code for code in row["splits"] if code not in splits]
        items = ", ".join(clue.key.removeprefix("look.").replace("_", " ") for clue, _ in looks)
        return {
            "key": "look", "enter": "look", "words": f"Look and smell: {items}", "how": "Go through the list of the sheet and answer each with yes or no; what was not looked for is not a no.",
            "minutes": minutes, "wait_h": 0.0, "needs": "good light", "splits": splits, "bits": bits, "bits_per_minute": bits / minutes, "caution": "swollen_or_hot",
            "group": None, "tap": None,
        }

    # -- doubts

    def doubts(self) -> list[dict[str, Any]]:
        remarks = []
        if not self.facts.facts:
            offered = self.next()
            first = offered[:1] + sorted(offered[1:], key=lambda row: -row["bits"])[:1]
            remarks.append(_remark(
                "nothing_measured", "info", "Nothing is measured yet, so nothing is known: the causes stand as often as they occur (common practice, no source). "
                + "Begin with: " + "; then ".join(row["words"][:1].lower() + row["words"][1:] for row in first) + ".", "no reading",
            ))
        remarks += self._contradiction()
        for key, why in self.facts.unused:
            remarks.append(_remark("observed_unknown", "caution", f"{key} under [observed] does not count: {why}.", key))
        if self.facts.facts and (why := self._barred()) and self.facts.picture is not None:
            seen = [item.replace("_", " ") for item in LOOK_ITEMS if item in DANGEROUS_LOOKS and self.sheet.look.get(item) == "yes"]
            remarks.append(_remark(
                "no_load_yet", "info", f"Measurements that {'charge, load or open' if seen else 'charge or load'} the pack are left out of what to do next: {why}.",
                ", ".join(seen) or (self.known.clues["taps"].values[self.facts.picture] if "taps" in self.known.clues else ""),
            ))
        return remarks

    def _contradiction(self) -> list[dict[str, Any]]:
        if not self.counted:
            return []
        top = int(np.argmax(self.probability))
        item = self.all[top]
        unexplained = []
        for number, fact in enumerate(self.counted):
            clue = self.known.clues[fact.clue]
            own = self._line(clue, item, fact)[fact.value]
            best = max(self._line(clue, other, fact)[fact.value] for other in self.all)
            if own < self.rules["explained"] and best > 10.0 * own:
                unexplained.append((number, fact))
        if not unexplained:
            return []
        fit = np.array([math.log(other.prior) for other in self.all])
        for number, _ in unexplained:
            fit += np.log(self.likelihood[number])
        fit[[other.cause is item.cause for other in self.all]] = -np.inf
        second = self._head(self.all[int(np.argmax(fit))])["title"]
        shown = "; ".join(self._words(fact) for _, fact in unexplained)
        return [_remark(
            "readings_contradict", "caution", f"Readings contradict each other: no single cause explains all of them. The likeliest ({self._head(item)['title']}) does not "
            f"explain this: {shown}. Either there are two faults, the other perhaps this one: {second}; or one reading is wrong: take it again first.",
            ", ".join(fact.reading for _, fact in unexplained), group=item.place if item.cause.place == "group" else None,
        )]


def _entropy(p: np.ndarray) -> float:
    """Bits that are missing."""
    positive = p[p > 0.0]
    return float(-(positive * np.log2(positive)).sum())


def _remark(code: str, severity: str, message: str, evidence: str, group: int | None = None) -> dict[str, Any]:
    return {"code": code, "severity": severity, "group": group, "tap": None, "probe": None, "message": message, "evidence": evidence}
