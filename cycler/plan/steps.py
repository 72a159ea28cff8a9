"""The steps of a plan, each with what to set, when it ends, when to stop, how it is logged, how long it takes and what it warms."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from cycler.criteria import Criterion
from cycler.pack import CHEMISTRY_LIMITS, Pack
from cycler.plan import expected
from cycler.plan.bench import TWO_CURRENT_INTERVAL_S, Ratings, Standing, amps, hours_text
from cycler.plan.conditions import Conditions
from cycler.plan.needs import GIVEN_BY
from cycler.quantities import significant_text
from cycler.settle import volts_text

PULSE_S = 12.0
"""Length of the load step: 10 s and room for the instant of switching. [s]"""
BEFORE_SWITCH_S = 20.0
"""How long before a switch rows are written fast. [s] Common practice, no source."""
REST_AFTER_PULSE_S, REST_AFTER_LOAD_S, BASELINE_S, LOOK_S = 600.0, 1800.0, 300.0, 900.0
TRIAL_RATE_IT, TRIAL_S, TRIAL_RISE_K = 0.1, 1800.0, 5.0
"""First charge of a pack that lay empty, supervised: at most 0.1 to 0.2 It. Common practice, no source."""
BELOW_TOP_SHARE = 0.2
"""Charge taken out before a rest that balancers shall not touch, as a share of the rating. Common practice, no source."""
STORAGE_SHARE = 0.4
"""State in which a pack is stored: 30 to 50 %. Common practice, no source."""
STOP_RISE_K = 10.0
"""Stop where the pack warms by more, 8 to 10 K at half the one-hour current or less. Common practice, no source."""


@dataclass(slots=True)
class Step:
    """One step.

    Attributes
    ----------
    kind : str
        look, baseline, trial_charge, charge, rest, two_current_low, two_current_high, pulse, pulse_rest, discharge, load_rest, recharge, full_rest,
        below_top, leak_rest or storage.
    current_a : float or None
        Charge positive. [A]
    voltage_v : float or None
        Voltage that a charge is limited to, or that ends a discharge. [V]
    until, stop : list of str
        What ends it as planned; what ends it at once.
    sampling : tuple of (float or None, float)
        Until this time in the step (None: its end) a row every so often. [s]
    fast_end_s : float
        Time before its end in which rows are written as fast as around a switch; 0: none. [s]
    duration_s, u_duration_s, longest_s : float
        Expected, standard uncertainty, and the most to reckon with. [s]
    heat_w, temperature_rise_k, temperature_rise_bound_k : float or None
        I**2 R of the resistance such packs usually show; rise if none of that heat left the cells, and the same for the highest resistance in use.
    yields : list of str
        Ids of criteria.
    logged : bool
        Whether it belongs in the log.
    """

    kind: str
    title: str
    words: str
    current_a: float | None = None
    voltage_v: float | None = None
    group_voltage_v: float | None = None
    taper_current_a: float | None = None
    until: list[str] = field(default_factory=list)
    stop: list[str] = field(default_factory=list)
    sampling: tuple[tuple[float | None, float], ...] = ()
    fast_end_s: float = 0.0
    duration_s: float = 0.0
    u_duration_s: float = 0.0
    longest_s: float = 0.0
    by_capacity: bool = False
    heat_w: float | None = None
    temperature_rise_k: float | None = None
    temperature_rise_bound_k: float | None = None
    yields: list[str] = field(default_factory=list)
    logged: bool = True

    @property
    def sampling_s(self) -> float | None:
        """Time between rows in the main part of the step. [s]"""
        return self.sampling[-1][1] if self.sampling else None

    def rows(self) -> float:
        """Rows written over the longest time it may take."""
        if not self.logged or not self.sampling:
            return 0.0
        pairs = tuple((float("inf") if until is None else until, period) for until, period in self.sampling)
        fast = self.fast_end_s / pairs[0][1] if self.fast_end_s else 0.0
        return expected.rows_of(self.longest_s, pairs) + fast

    def to_dict(self, number: int) -> dict[str, Any]:
        """Plain values."""
        values = asdict(self)
        del values["by_capacity"]
        values["sampling"] = [list(pair) for pair in self.sampling]
        return {"number": number, **values, "sampling_s": self.sampling_s, "sampling_words": sampling_words(self)}


def passed(seconds: float) -> str:
    """"1 h has passed", "10 min have passed"."""
    words = hours_text(seconds)
    return f"{words} {'has' if words.startswith('1 ') and words.count(' ') == 1 else 'have'} passed"


def sampling_words(step: Step) -> str:
    """How a step is logged, in words."""
    if not step.logged or not step.sampling:
        return "not logged"
    slow = step.sampling[-1][1]
    fast = [(until, period) for until, period in step.sampling[:-1] if until and period < slow]
    text = f"a row every {significant_text(slow, 3)} s"
    places = [f"the first {hours_text(until)}" for until, _ in fast[:1]]
    if step.fast_end_s:
        places.append(f"the last {hours_text(step.fast_end_s)}")
    if fast or step.fast_end_s:
        quick = fast[0][1] if fast else step.sampling[0][1]
        if quick < slow:
            text += f", every {significant_text(quick, 3)} s in {' and '.join(places)}"
    return text


@dataclass(frozen=True, slots=True)
class Rhythm:
    """Times between rows: around switches, in the main part of charge and discharge, in the long rest. [s]"""

    fast_s: float
    slow_s: float
    rest_s: float

    def edge(self, first_s: float, slow_s: float | None = None) -> tuple[tuple[float | None, float], ...]:
        slow = max(self.slow_s if slow_s is None else slow_s, self.fast_s)
        return ((first_s, self.fast_s), (None, slow)) if slow > self.fast_s else ((None, self.fast_s),)


@dataclass(frozen=True, slots=True)
class Wish:
    """Which parts a plan is to hold."""

    charge: bool
    pulse: bool
    discharge: bool
    recharge: bool
    leak_rest_h: float | None
    trial: bool
    two_current: bool
    below_top: bool = False


class Builder:
    """Puts the steps of one plan together."""

    def __init__(self, pack: Pack, standing: Standing, conditions: Conditions, rhythm: Rhythm) -> None:
        assert standing.ratings is not None
        self.pack, self.standing, self.conditions, self.rhythm = pack, standing, conditions, rhythm
        self.ratings: Ratings = standing.ratings
        self.habits = expected.habits_of(pack.chemistry)
        self.ohm = expected.pack_ohm(self.ratings.series, self.ratings.rated_ah, self.habits)
        self.heat_capacity = expected.heat_capacity_j_per_k(self.ratings.series, self.ratings.rated_ah, self.habits)

    def steps(self, wish: Wish) -> list[Step]:
        """All steps in order."""
        out = [self._look(), self._baseline()]
        if wish.trial and wish.charge:
            out.append(self._trial())
        if wish.charge:
            out += [self._charge("charge", "Charge full"), self._rest()]
        if wish.two_current and (steps := self._two_current()):
            out += steps
        if wish.pulse:
            out += [self._pulse(), self._short_rest("pulse_rest", "Rest after the step", REST_AFTER_PULSE_S, BEFORE_SWITCH_S if wish.discharge else 0.0)]
        if wish.discharge:
            out += [self._discharge(), self._short_rest("load_rest", "Rest, empty", REST_AFTER_LOAD_S)]
        if wish.recharge and wish.charge:
            out.append(self._charge("recharge", "Charge full again"))
            if wish.leak_rest_h is None:
                out.append(self._short_rest("full_rest", "Rest to the end of the log", REST_AFTER_PULSE_S))
        if wish.leak_rest_h is not None:
            if wish.below_top:
                out += [self._short_rest("full_rest", "Rest, full", REST_AFTER_PULSE_S), self._below_top()]
            out.append(self._leak_rest(wish.leak_rest_h, "Long rest, below the top" if wish.below_top else "Long rest, full"))
        if (last := self._storage(out)) is not None:
            out.append(last)
        return out

    # --- single steps -------------------------------------------------------------------------------------------

    def _stops(self, charging: bool) -> list[str]:
        r = self.ratings
        limits = CHEMISTRY_LIMITS.get(self.pack.chemistry or "")
        over = limits.overcharge_v - limits.full_v if limits else 0.05
        window = r.charge_window_c if charging else r.discharge_window_c
        found = [f"a group above {volts_text(r.group_charge_v + over)}"] if charging else []
        found.append(f"cells at {window[1]:g} °C while {'charging' if charging else 'discharging'}")
        return [*found, f"cells {STOP_RISE_K:g} K warmer than at the start", "smell, hiss, swelling or smoke"]

    def _warm(self, step: Step, duration_s: float | None = None) -> Step:
        _, usual, high = self.ohm
        current, seconds = abs(step.current_a or 0.0), step.duration_s if duration_s is None else duration_s
        step.heat_w = expected.joule_heat_w(current, usual)
        step.temperature_rise_k = expected.adiabatic_rise_k(step.heat_w, seconds, self.heat_capacity)
        step.temperature_rise_bound_k = expected.adiabatic_rise_k(expected.joule_heat_w(current, high), seconds, self.heat_capacity)
        return step

    def _look(self) -> Step:
        r = self.ratings
        limits = CHEMISTRY_LIMITS.get(self.pack.chemistry or "")
        low = f" No group below {volts_text(limits.damage_v)}: one that is, is not charged by this plan." if limits else ""
        ambient, off = self.conditions.ambient_c
        words = (
            f"Look, smell, feel: nothing swollen, leaking, burnt or warm. Measure the pack and all {r.series} groups by hand and write them down.{low} "
            f"Fused tap leads on, sensor on the cells in the middle, pack and room at {ambient:g} ± {off:g} °C. Set the limits of charger and load before "
            "anything is connected."
        )
        return Step("look", "Look and first check", words, duration_s=LOOK_S, u_duration_s=expected.rectangular(0.5 * LOOK_S), longest_s=2 * LOOK_S, logged=False,
                    stop=["anything swollen, leaking, burnt, warm or smelling: no test, pack to quarantine"])

    def _baseline(self) -> Step:
        sampling = ((None, self.rhythm.slow_s),)
        return Step("baseline", "Start the log", "Start the log with nothing switched on: what the ammeter shows now is its zero.", 0.0, until=[passed(BASELINE_S)],
                    sampling=((BASELINE_S - BEFORE_SWITCH_S, self.rhythm.slow_s), (None, self.rhythm.fast_s)) if self.rhythm.slow_s > self.rhythm.fast_s else sampling,
                    duration_s=BASELINE_S, longest_s=BASELINE_S)

    def _trial(self) -> Step:
        r = self.ratings
        limits = CHEMISTRY_LIMITS.get(self.pack.chemistry or "")
        level = limits.empty_v if limits else r.group_cutoff_v
        current = min(expected.it_current_a(TRIAL_RATE_IT, r.rated_ah), self.standing.charge_a)
        words = (
            f"First charge of a pack that lay empty or that nobody knows: {amps(current)} at most ({TRIAL_RATE_IT:g} It), on a surface that does not burn. "
            "Do not leave it. A hand on the case and the lowest group every five minutes."
        )
        step = Step("trial_charge", "First trial charge, watched", words, current, r.charge_v, until=[f"{passed(TRIAL_S)} and the lowest group stands above {volts_text(level)}"],
                    stop=["a group that does not rise, or falls", f"cells {TRIAL_RISE_K:g} K warmer than at the start", "smell, hiss, swelling or smoke"],
                    sampling=self.rhythm.edge(30.0), duration_s=TRIAL_S, u_duration_s=expected.rectangular(0.5 * TRIAL_S), longest_s=2 * TRIAL_S)
        return self._warm(step)

    def _charge(self, kind: str, title: str) -> Step:
        r, current = self.ratings, self.standing.charge_a
        low, high = (share * r.rated_ah for share in expected.CAPACITY_SHARE)
        bulk, u_bulk, longest = expected.moved_s((0.0 if kind == "charge" else low, high if kind == "recharge" else r.rated_ah), current)
        to_v, tapers = self.standing.charge_to_v, self.standing.can_taper
        taper, u_taper = expected.taper_s(current, r.taper_a, r.series, self.habits, r.rated_ah) if tapers else (0.0, 0.0)
        how = f"Constant current ({significant_text(current / r.rated_ah, 2)} It) to {volts_text(to_v)}"
        step = Step(
            kind, title, f"{how}, then hold that voltage while the current falls." if tapers else f"{how}; the charger then switches off.",
            current, to_v, r.group_charge_v, r.taper_a if tapers else None,
            [f"the current has fallen to {amps(r.taper_a)}" if tapers else f"the pack stands at {volts_text(to_v)}"], self._stops(True), self.rhythm.edge(30.0),
            duration_s=bulk + taper, u_duration_s=(u_bulk**2 + u_taper**2) ** 0.5, longest_s=longest + 2.0 * taper, by_capacity=kind == "recharge",
        )
        return self._warm(step, bulk)

    def _rest(self) -> Step:
        seconds = 3600.0 * self.conditions.rest_h
        return Step("rest", "Rest, full", "Charger off. Nothing connected but the leads of the logger.", 0.0, until=[passed(seconds)], sampling=self.rhythm.edge(60.0),
                    fast_end_s=BEFORE_SWITCH_S, duration_s=seconds, longest_s=seconds)

    def _short_rest(self, kind: str, title: str, seconds: float, fast_end_s: float = 0.0) -> Step:
        return Step(kind, title, "Load off." if kind != "full_rest" else "Charger off.", 0.0, until=[passed(seconds)], sampling=self.rhythm.edge(60.0), fast_end_s=fast_end_s,
                    duration_s=seconds, longest_s=seconds)

    def _pulse(self) -> Step:
        current = self.standing.pulse_a
        seconds = max(PULSE_S, 3.0 * self.rhythm.fast_s)
        step = Step("pulse", "Load step", f"One step ({significant_text(current / self.ratings.rated_ah, 2)} It) on the rested pack, switched on at once.",
                    -current, self.ratings.cutoff_v, until=[f"{passed(seconds)} (10 s at least)"], stop=self._stops(False), sampling=((None, self.rhythm.fast_s),),
                    duration_s=seconds, longest_s=seconds)
        return self._warm(step)

    def _two_current(self) -> list[Step]:
        """The two-current step of the cell standards: 0.2 It, then 1 It without a pause. 10 s and 1 s for portable, 30 s and 5 s for industrial cells (from memory)."""
        r, load_a = self.ratings, self.standing.pulse_a
        high = expected.it_current_a(1.0, r.rated_ah)
        ceiling = self.standing.two_current_a
        if ceiling < 0.95 * high or not load_a:
            return []
        quick = self.standing.interval_s <= TWO_CURRENT_INTERVAL_S
        times, period = ((10.0, 1.0), max(0.1, self.standing.interval_s)) if quick else ((30.0, 5.0), self.rhythm.fast_s)
        out = []
        for kind, rate, seconds in (("two_current_low", 0.2, times[0]), ("two_current_high", 1.0, times[1])):
            current = expected.it_current_a(rate, r.rated_ah)
            step = Step(kind, "Two-current step" if rate < 1 else "Two-current step, second current", f"{amps(current)} ({rate:g} It)" + ("" if rate < 1 else ", straight after the first, without a pause"),
                        -current, r.cutoff_v, until=[passed(seconds)], stop=self._stops(False), sampling=((None, period),), duration_s=seconds, longest_s=seconds)
            out.append(self._warm(step))
        return [*out, self._short_rest("pulse_rest", "Rest after the two-current step", REST_AFTER_PULSE_S, BEFORE_SWITCH_S)]

    def _discharge(self) -> Step:
        r, current = self.ratings, self.standing.discharge_a
        low, high = (share * r.rated_ah for share in expected.CAPACITY_SHARE)
        duration, u, longest = expected.moved_s((low, high), current)
        words = f"Constant current ({significant_text(current / r.rated_ah, 2)} It) without a pause. From half an hour before its end on watch the lowest group: a load stops at the pack's voltage alone."
        step = Step("discharge", "Discharge to the cut-off", words, -current, r.cutoff_v, r.group_cutoff_v,
                    until=[f"the pack is down to {volts_text(r.cutoff_v)}, or its first group to {volts_text(r.group_cutoff_v)}, whichever comes first"], stop=self._stops(False),
                    sampling=self.rhythm.edge(120.0), duration_s=duration, u_duration_s=u, longest_s=longest, by_capacity=True)
        return self._warm(step)

    def _below_top(self) -> Step:
        current, seconds = self.standing.discharge_a, 3600.0 * BELOW_TOP_SHARE * self.ratings.rated_ah / self.standing.discharge_a
        step = Step("below_top", "Take a fifth out", "Constant current, so that the pack rests where no balancer works.", -current, self.ratings.cutoff_v, until=[passed(seconds)],
                    stop=self._stops(False), sampling=self.rhythm.edge(60.0), duration_s=seconds, longest_s=seconds)
        return self._warm(step)

    def _leak_rest(self, hours: float, title: str) -> Step:
        seconds = 3600.0 * hours
        return Step("leak_rest", title, "Charger off and away from the pack. Nothing connected but the tap leads; a steady temperature, out of the sun; a place that does not burn.", 0.0,
                    until=[f"{passed(seconds)}, or longer"], stop=["warmth at rest", "smell, hiss, swelling or smoke"], sampling=self.rhythm.edge(60.0, self.rhythm.rest_s), duration_s=seconds, longest_s=seconds)

    def _storage(self, before: list[Step]) -> Step | None:
        """To a level for storage, after the log: a further discharge in the log would be taken for another test."""
        r, last = self.ratings, next((step for step in reversed(before) if step.kind in ("charge", "recharge", "discharge")), None)
        if last is None:
            return None
        low, high = (share * r.rated_ah for share in expected.CAPACITY_SHARE)
        full = last.kind != "discharge"
        share = 1.0 - STORAGE_SHARE if full else STORAGE_SHARE
        if any(step.kind == "below_top" for step in before):
            share -= BELOW_TOP_SHARE
        if (full and not self.standing.can_load) or (not full and not self.standing.charge_a):
            return None
        current = -self.standing.discharge_a if full else self.standing.charge_a
        duration, u, longest = expected.moved_s((share * low, share * high), abs(current))
        until = f"{significant_text(100 * share, 2)} % of the capacity just measured is {'out' if full else 'in'}"
        words = (
            f"End the log first. Then {'take out' if full else 'charge'} {significant_text(100 * share, 2)} % of the measured capacity, so that the pack is stored at about "
            f"{100 * STORAGE_SHARE:.0f} % (30 to 50 %). For the road ask the carrier; lithium batteries by themselves fly at 30 % or less."
        )
        step = Step("storage", "To storage level", words, current, r.cutoff_v if full else r.charge_v, until=[until], stop=self._stops(not full), duration_s=duration, u_duration_s=u,
                    longest_s=longest, by_capacity=True, logged=False)
        return self._warm(step)


_NEXT_BEST = {"pulse": ("pulse", "discharge", "charge"), "rest": ("rest", "leak_rest", "baseline")}


def assign_yields(steps: list[Step], covered: list[Criterion]) -> None:
    """Write into each step which criteria it gives; where a plan lacks the usual kind of step, the next best that it holds."""
    by_kind = {step.kind: step for step in reversed(steps) if step.logged}
    for item in covered:
        kind = GIVEN_BY.get(item.quantity, "discharge")
        for choice in _NEXT_BEST.get(kind, (kind, "discharge", "charge", "baseline")):
            if choice in by_kind:
                by_kind[choice].yields.append(item.id)
                break
