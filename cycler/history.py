"""The runs of one pack over time: its figures run by run, and the lines through them.

A line is drawn through valid figures of one stretch: it begins anew where the pack's ratings changed in the register, and at the run named
with ``since``. The register does not know of repairs. Errors that runs of one instrument share (gains, the zero of the ammeter over the time) are carried as
common to them, so that they hardly tilt the line; each other instrument has its own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from cycler.analysis import plain
from cycler.compare import (
    PROPORTIONAL_SOURCES,
    RATE_NOTE_SHARE,
    RESISTANCE_GAIN_SOURCES,
    TEMPERATURE_NOTE_K,
    WITH_TIME_SOURCES,
)
from cycler.criteria_quantities import number, part
from cycler.errors import InputError, quote
from cycler.instrument import limits_key
from cycler.measures.trend import weighted_line
from cycler.quantities import COVERAGE_FACTOR

if TYPE_CHECKING:
    from cycler.register import Register, Run

SCHEMA = "cycler.history/1"
DAYS = 30.0
RATINGS = ("chemistry", "series", "rated_capacity_ah")
"""Ratings whose change makes another pack of it."""
Analysis = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class _Taken:
    """One figure of one run. ``common`` holds, by source, what it shares with runs on the same instrument (signed effect, in its unit)."""

    value: float | None
    u: float | None = None
    group: int | None = None
    reasons: tuple[str, ...] = ()
    lower_bound: bool = False
    common: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class _Quantity:
    """One column: id, label, inner unit, how it is taken; ``line`` tells whether a line through it means anything."""

    id: str
    label: str
    unit: str
    take: Callable[[Analysis], _Taken]
    line: bool = True


def _common(rows: Any, key: str, sources: frozenset[str], value: float, u: float | None, scale: float) -> tuple[tuple[str, float], ...]:
    """Terms of a budget that runs on one instrument share; none where the budget does not add up to u (within 2 %)."""
    terms = [(str(row.get("source", "")).strip().lower(), scale * (number(row.get(key)) or 0.0)) for row in rows or []]
    total = math.sqrt(sum(term * term for _, term in terms))
    if not u or abs(total - u) > 0.02 * u:
        return ()
    return tuple((source, math.copysign(term, value)) for source, term in terms if source in sources and term)


def _capacity(value_key: str) -> Callable[[Analysis], _Taken]:
    def take(analysis: Analysis) -> _Taken:
        capacity = part(analysis, "capacity") or {}
        value, u = number(capacity.get(value_key)), number(capacity.get(f"u_{value_key}"))
        if value is None:
            missing = "no_rating" if value_key == "state_of_health" and number(capacity.get("value_ah")) is not None else "no_discharge"
            return _Taken(None, reasons=(missing,))
        reasons = () if capacity.get("valid") is True else tuple(capacity.get("reasons") or ("not_valid",))
        scale = value / charge if (charge := number(capacity.get("value_ah"))) else 1.0
        common = _common(
            capacity.get("budget"), "standard_uncertainty_ah", PROPORTIONAL_SOURCES | WITH_TIME_SOURCES, value, u, scale
        )
        return _Taken(value, u, None, reasons, bool(reasons) and capacity.get("is_lower_bound") is True, common)

    return take


def _resistance(analysis: Analysis) -> _Taken:
    value, u = (number(part(analysis, "resistance", "headline", key)) for key in ("ohm_10s", "u_ohm_10s"))
    if value is None:
        return _Taken(None, reasons=("no_load_step",))
    # A sum over the groups has a gain for each channel, which one common gain does not describe: only the ammeter's is shared then.
    by_pack = part(analysis, "resistance", "headline", "source") == "pack"
    sources = RESISTANCE_GAIN_SOURCES if by_pack else frozenset({"current gain"})
    return _Taken(value, u, common=_common(part(analysis, "resistance", "budget"), "standard_uncertainty_ohm", sources, value, u, 1.0))


def _worst(key: str, pick: Callable[..., Any], missing: str, needs_valid: bool) -> Callable[[Analysis], _Taken]:
    def take(analysis: Analysis) -> _Taken:
        rows = [g for g in analysis.get("groups") or [] if number(g.get(key)) is not None]
        if not rows:
            return _Taken(None, reasons=("no_group_voltages" if not analysis.get("groups") else missing,))
        worst = pick(rows, key=lambda g: number(g.get(key)))
        valid = part(analysis, "capacity", "valid") is True or not needs_valid
        return _Taken(number(worst.get(key)), number(worst.get(f"u_{key}")), worst.get("group"), () if valid else ("capacity_not_valid",))

    return take


QUANTITIES = (
    _Quantity("capacity_ah", "Capacity", "Ah", _capacity("value_ah")),
    _Quantity("state_of_health", "State of health", "share", _capacity("state_of_health")),
    _Quantity("resistance_10s_ohm", "10 s resistance", "ohm", _resistance),
    _Quantity(
        "group_capacity_ratio_worst", "Worst group over its siblings", "share", _worst("capacity_ratio", min, "no_group_capacity", True)
    ),
    _Quantity(
        "self_discharge_worst_ma", "Self-discharge of the worst group", "mA", _worst("self_discharge_ma", max, "rest_too_short", False), False
    ),
)


def history(register: Register, pack_id: str, since: int | None = None) -> dict[str, Any]:
    """Figures of every run of a pack in order of time, and weighted lines through them. Runs that were withdrawn are left out.

    Parameters
    ----------
    register : Register
    pack_id : str
    since : int, optional
        Run at which the lines begin: the first after a repair, say.

    Returns
    -------
    dict
        ``runs``: run, label, at, date_known, days (since the first dated run), instrument_id, temperature_c, rate_it, in_line, why_not, ``figures`` by quantity (value,
        u, group, lower_bound, reasons). ``lines`` by quantity: unit, runs, ``per_30_days``, ``per_run`` and their shares of the first value, each
        with ``u_`` and ``significant`` (more than twice its u), and reasons where the runs bear no line. ``breaks``, ``notes``.

    Raises
    ------
    InputError
        The register knows no such pack or no run of it that counts, or ``since`` is none.

    References
    ----------
    :func:`cycler.measures.trend.weighted_line`.
    """
    every = register.runs(pack_id)
    rows, withdrawn = [row for row in every if not row.withdrawn], [row.id for row in every if row.withdrawn]
    if withdrawn and not rows:
        raise InputError(
            f"no run of pack {quote(pack_id)} counts", register.name, f"run {', '.join(map(str, withdrawn))} was withdrawn",
            "see why with: cycler show RUN",
        )
    if not rows:
        known = ", ".join(item.id for item in register.packs() if item.runs)[:400]
        raise InputError(
            f"the register knows no pack {quote(pack_id)}", register.name, f"its packs are {known}" if known else "it holds no run yet",
            "see them with: cycler list",
        )
    if since is not None and since not in {row.id for row in rows}:
        raise InputError(
            f"run {since} is no run of pack {quote(pack_id)}", "--since", f"its runs are {', '.join(str(row.id) for row in rows[:20])}",
            "name one of them",
        )
    runs = sorted((register.run(row.id) for row in rows), key=lambda run: (_utc(run.started_at or run.added_at), run.id))
    breaks = _breaks(runs)
    begin = max([item["at"] for item in breaks] + ([[run.id for run in runs].index(since)] if since is not None else []), default=0)
    dated = [run for run in runs if run.started_at]
    origin = _utc(dated[0].started_at) if dated else None
    seen: dict[tuple[str, ...], int] = {}
    sheet = []
    for place, run in enumerate(runs):
        logs = tuple(sorted(source.sha256 for source in run.sources))
        twin = seen.setdefault(logs, run.id)
        why = f"before_run_{runs[begin].id}" if place < begin else f"same_logs_as_run_{twin}" if twin != run.id else None
        sheet.append({
            "run": run.id, "label": run.label, "at": run.started_at or run.added_at, "date_known": run.started_at is not None,
            "days": (_utc(run.started_at) - origin).total_seconds() / 86400.0 if run.started_at and origin else None,
            "instrument_id": part(run.analysis, "instrument", "id"),
            "temperature_c": number(part(run.analysis, "capacity", "mean_temperature_c")),
            "rate_it": number(part(run.analysis, "capacity", "rate_it")), "in_line": why is None, "why_not": why,
        })
    lines, figures = {}, {}
    for quantity in QUANTITIES:
        taken = [quantity.take(run.analysis) for run in runs]
        figures[quantity.id] = taken
        if quantity.line:
            lines[quantity.id] = {"label": quantity.label, "unit": quantity.unit} | _line(taken, sheet, runs)
    for place, row in enumerate(sheet):
        row["figures"] = {
            key: {"value": t[place].value, "u": t[place].u, "group": t[place].group, "lower_bound": t[place].lower_bound, "reasons": list(t[place].reasons)}
            for key, t in figures.items()
        }
    return plain({
        "schema": SCHEMA, "pack_id": pack_id, "since": since, "runs": sheet, "lines": lines,
        "breaks": [{"run": runs[item["at"]].id, "why": item["why"]} for item in breaks], "notes": [
            *([f"Run {', '.join(map(str, withdrawn))} was withdrawn and is left out."] if withdrawn else []), *_notes(sheet),
        ],
    })


def _utc(stamp: str) -> datetime:
    when = datetime.fromisoformat(stamp)
    return when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)


def _breaks(runs: Sequence[Run]) -> list[dict[str, Any]]:
    """Places where the pack's ratings differ from those of the run before."""
    found = []
    for place in range(1, len(runs)):
        before, after = runs[place - 1].pack, runs[place].pack
        other = [
            key for key in RATINGS
            if None not in (getattr(before, key), getattr(after, key)) and getattr(before, key) != getattr(after, key)
        ]
        if other:
            found.append({"at": place, "why": ", ".join(f"{key} {getattr(before, key)} to {getattr(after, key)}" for key in other)})
    return found


def _bench(run: Run) -> str:
    """What runs must have alike to share their errors: a declared instrument with an id and the same limits of error."""
    instrument = part(run.analysis, "instrument") or {}
    if instrument.get("declared") is True and instrument.get("id"):
        return repr(limits_key(instrument))
    return f"run {run.id}"


def _line(taken: Sequence[_Taken], sheet: Sequence[Mapping[str, Any]], runs: Sequence[Run]) -> dict[str, Any]:
    """The line through one figure: against time where all its runs are dated, and against the number of the run."""
    use = [
        k for k, (t, row) in enumerate(zip(taken, sheet, strict=True))
        if row["in_line"] and t.value is not None and t.u is not None and not t.reasons
    ]
    value = np.array([taken[k].value for k in use])
    sources = sorted({(_bench(runs[k]), source) for k in use for source, _ in taken[k].common})
    common = np.array(
        [[dict(taken[k].common).get(source, 0.0) if _bench(runs[k]) == bench else 0.0 for k in use] for bench, source in sources]
    ).reshape(len(sources), len(use))
    u = np.array([taken[k].u for k in use])
    independent = np.sqrt(np.maximum(u**2 - np.sum(common**2, axis=0), (1e-3 * u) ** 2))
    result: dict[str, Any] = {"runs": [runs[k].id for k in use]}
    dated = [i for i, k in enumerate(use) if sheet[k]["days"] is not None]
    days = np.array([sheet[use[i]]["days"] for i in dated])
    for name, x, pick, factor in (
        ("per_30_days", days, dated, DAYS), ("per_run", np.arange(len(use), dtype=float), list(range(len(use))), 1.0),
    ):
        line = weighted_line(x, value[pick], independent[pick], common[:, pick] if sources else 0.0)
        slope, u_slope, share, u_share = (
            None if item is None else factor * item for item in (line.slope, line.u_slope, line.slope_share, line.u_slope_share)
        )
        result |= {
            name: slope, f"u_{name}": u_slope, f"share_{name}": share, f"u_share_{name}": u_share,
            f"significant_{name}": None if slope is None or u_slope is None else abs(slope) > COVERAGE_FACTOR * u_slope,
            f"points_{name}": line.points, f"reasons_{name}": list(line.reasons),
        }
    return result


def _notes(sheet: Sequence[Mapping[str, Any]]) -> list[str]:
    """What stands between the runs besides the pack."""
    notes = []
    inside = [row for row in sheet if row["in_line"]]
    undated = [row["run"] for row in inside if not row["date_known"]]
    if undated:
        notes.append(f"No date in the log of run {', '.join(map(str, undated))}: placed by when it was added, and left out of the lines against time.")
    heat = [row["temperature_c"] for row in inside if row["temperature_c"] is not None]
    if heat and max(heat) - min(heat) >= TEMPERATURE_NOTE_K:
        notes.append(f"The runs were tested at {min(heat):.0f} °C to {max(heat):.0f} °C: part of a change may come from the temperature.")
    rates = [row["rate_it"] for row in inside if row["rate_it"]]
    if rates and max(rates) - min(rates) > RATE_NOTE_SHARE * max(rates):
        notes.append(f"The runs were discharged at {min(rates):.2g} It to {max(rates):.2g} It: part of a change may come from the rate.")
    benches = {row["instrument_id"] for row in inside}
    if len(benches) > 1 or None in benches:
        notes.append("Not all runs declare the same instrument: errors are shared only between those that do.")
    notes.append("The register does not know of repairs: begin the line at the first run after one with --since.")
    return notes
