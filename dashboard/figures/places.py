"""Where in a log a finding lies: the step it names, or the instant that the analysis knows better.

Plain data in, plain data out. Nothing is judged here; a finding that no stretch of the log belongs to has no place.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from dashboard.figures.curves import Curves

SEVERITY_ORDER = ("danger", "defect", "caution", "info")
"""Gravest first, as the findings are numbered."""

ROOM_SHARE = 0.15
"""What is shown on each side of a place, as a share of its length."""
LEAST_SHARE = 0.002
"""A place is never shown shorter than this share of the log ..."""
LEAST_S = 20.0
"""... or this time, where the log is that long. [s]"""
EDGE_BEFORE_S, EDGE_AFTER_S = 10.0, 40.0
"""Around an edge of the current: the resistance is taken over 10 s, what builds up over 30 s."""
END_SHARE = 0.1
"""Of a discharge, that is its end, or its start."""

CHANNEL_CODES = frozenset({
    "tap_missing", "group_reversed", "group_channels_exchanged", "group_reading_jumped", "group_reading_frozen", "group_reading_dead",
    "group_reading_impossible", "group_readings_missing",
})
"""Findings on channels, whose evidence tells the times."""
REST_CODES = frozenset({"self_discharge", "current_offset", "voltage_sum_mismatch"})
"""Findings on what goes on at rest."""
HEAD_SHARE = 0.03
"""First part of a rest in which every group still relaxes: it would hide the drift."""

_FROM_TO = re.compile(r"\bfrom (\d+) s to (\d+) s\b")
_AT = re.compile(r"\bat (\d+) s\b")


@dataclass(frozen=True, slots=True)
class Place:
    """Stretch of a log that a finding is about, and the instant its flag points at. Times from the first sample. [s]

    ``number`` is that of the finding in the list; ``panel`` and ``group`` tell the curve. A rest is shown without room around it
    (``roomy`` False): a drift of millivolts would be lost beside the step of a load.
    """

    number: int
    severity: str
    start_s: float
    end_s: float
    at_s: float
    panel: str = "voltage"
    group: int | None = None
    roomy: bool = True


def ranked(findings: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Findings gravest first, in the order in which they are numbered from 1."""
    return sorted(findings, key=lambda item: SEVERITY_ORDER.index(item["severity"]) if item.get("severity") in SEVERITY_ORDER else 9)


def places_of(analysis: dict[str, Any], curves: Curves | None = None) -> list[Place]:
    """Places of the findings that have one, with the numbers of :func:`ranked`. The curves, where they are at hand, tell the instant."""
    found = []
    for number, finding in enumerate(ranked(analysis.get("findings") or ()), 1):
        place = _place(number, finding, analysis, curves)
        if place is not None:
            found.append(place)
    return found


def window_around(place: Place, duration_s: float) -> tuple[float, float]:
    """What to show of a place: with room on both sides, inside the log. [s]"""
    least = min(duration_s, max(LEAST_S, LEAST_SHARE * duration_s))
    length = max((place.end_s - place.start_s) * (1.0 + 2.0 * ROOM_SHARE * place.roomy), least)
    middle = 0.5 * (place.start_s + place.end_s)
    low = min(max(0.0, middle - 0.5 * length), max(0.0, duration_s - length))
    return low, min(duration_s, low + length)


def _place(number: int, finding: dict[str, Any], analysis: dict[str, Any], curves: Curves | None) -> Place | None:
    group = finding.get("group")
    span = _told(finding) or _FINDERS.get(str(finding.get("code")), _in_step)(finding, analysis, curves)
    if span is None:
        return None
    start_s, end_s, at_s, panel = span
    if group and any(item.get("group") == group for item in analysis.get("groups") or ()):
        panel = "group"
    roomy = finding.get("code") not in REST_CODES
    return Place(number, str(finding.get("severity")), start_s, end_s, at_s, panel, group if panel == "group" else None, roomy)


Span = tuple[float, float, float, str]
"""Start, end, instant [s], panel."""


def _step_span(analysis: dict[str, Any], index: Any, panel: str = "voltage") -> Span | None:
    step = next((item for item in analysis.get("steps") or () if item.get("index") == index), None)
    if step is None:
        return None
    start, end = float(step["start_s"]), float(step["end_s"])
    return start, end, 0.5 * (start + end), panel


def _in_step(finding: dict[str, Any], analysis: dict[str, Any], _curves: Curves | None) -> Span | None:
    """The step that the finding names."""
    return None if finding.get("step") is None else _step_span(analysis, finding["step"])


def _told(finding: dict[str, Any]) -> Span | None:
    """The stretch that the evidence names: channels that failed are told with their times."""
    if finding.get("code") not in CHANNEL_CODES:
        return None
    said = str(finding.get("evidence") or "")
    stretch, instant = _FROM_TO.search(said), _AT.search(said)
    if stretch:
        start, end = float(stretch[1]), float(stretch[2])
        return start, end, float(instant[1]) if instant else start, "group"
    return (float(instant[1]), float(instant[1]), float(instant[1]), "group") if instant else None


def _discharge(analysis: dict[str, Any]) -> tuple[float, float] | None:
    """The stretch whose charge is the capacity. [s]"""
    capacity = analysis.get("capacity") or {}
    at = capacity.get("at_s")
    if at:
        return float(at["start_s"]), float(at["end_s"])
    span = _step_span(analysis, capacity.get("step"))
    return None if span is None else (span[0], span[1])


def _whole_discharge(finding: dict[str, Any], analysis: dict[str, Any], curves: Curves | None) -> Span | None:
    """All of the discharge, pointing at its end: there a weak group gives out."""
    span = _discharge(analysis)
    return _in_step(finding, analysis, curves) if span is None else (*span, span[1], "voltage")


def _discharge_end(finding: dict[str, Any], analysis: dict[str, Any], _curves: Curves | None) -> Span | None:
    """The end of the step that the finding names, or of the discharge."""
    span = _step_span(analysis, finding.get("step")) or _discharge(analysis)
    if span is None:
        return None
    start, end = span[0], span[1]
    return end - END_SHARE * (end - start), end + 0.3 * END_SHARE * (end - start), end, "voltage"


def _discharge_start(finding: dict[str, Any], analysis: dict[str, Any], curves: Curves | None) -> Span | None:
    """The rest before the discharge and its first part."""
    span = _discharge(analysis)
    if span is None:
        return _in_step(finding, analysis, curves)
    length = END_SHARE * (span[1] - span[0])
    return max(0.0, span[0] - length), span[0] + length, span[0], "voltage"


def _edge(finding: dict[str, Any], analysis: dict[str, Any], curves: Curves | None) -> Span | None:
    """The edge of the current that the resistance was taken from."""
    resistance = analysis.get("resistance") or {}
    at = (resistance.get("headline") or {}).get("at_s")
    at = at if at is not None else next((item.get("at_s") for item in resistance.get("pack") or ()), None)
    if at is None:
        return _in_step(finding, analysis, curves)
    return max(0.0, float(at) - EDGE_BEFORE_S), float(at) + EDGE_AFTER_S, float(at), "voltage"


def _leak_rest(finding: dict[str, Any], analysis: dict[str, Any], curves: Curves | None) -> Span | None:
    """The rest over which the group drifted away, pointing at its end, where it is farthest from its siblings."""
    own: dict[str, Any] = next((item for item in analysis.get("groups") or () if item.get("group") == finding.get("group")), {})
    span = _step_span(analysis, own.get("self_discharge_step")) or _longest_rest(finding, analysis, curves)
    return None if span is None else (span[0] + HEAD_SHARE * (span[1] - span[0]), span[1], span[1], "voltage")


def _longest_rest(_finding: dict[str, Any], analysis: dict[str, Any], _curves: Curves | None, panel: str = "voltage") -> Span | None:
    rests = [step for step in analysis.get("steps") or () if step.get("kind") == "rest"]
    if not rests:
        return None
    return _step_span(analysis, max(rests, key=lambda step: step["end_s"] - step["start_s"])["index"], panel)


def _rest_current(finding: dict[str, Any], analysis: dict[str, Any], curves: Curves | None) -> Span | None:
    return _longest_rest(finding, analysis, curves, "current")


def _gap(finding: dict[str, Any], analysis: dict[str, Any], curves: Curves | None) -> Span | None:
    """The longest gap of the log, else the step that the finding names."""
    gaps = ((analysis.get("reading") or {}).get("clock") or {}).get("gaps") or ()
    if not gaps:
        return _in_step(finding, analysis, curves)
    widest = max(gaps, key=lambda gap: gap["duration_s"])
    start = float(widest["start_s"])
    return start, start + float(widest["duration_s"]), start, "current"


def _extreme(finding: dict[str, Any], analysis: dict[str, Any], curves: Curves | None, high: bool) -> Span | None:
    """The step in which a voltage was highest or lowest, and with the curves the very sample."""
    group = finding.get("group")
    own: dict[str, Any] = next((item for item in analysis.get("groups") or () if item.get("group") == group), {})
    value = own.get("max_voltage_v" if high else "min_voltage_v")
    row = None
    if curves is not None:
        series = next((item for item in curves.series if (item.group == group if group else item.panel == "voltage")), None)
        if series is not None and np.isfinite(series.value).any():
            # The analysis sets strays aside: its own extreme is looked for, not that of the column.
            away = series.value if value is None else np.abs(series.value - value) * (-1.0 if high else 1.0)
            row = int(np.nanargmax(away) if high else np.nanargmin(away))
    at = None if row is None or curves is None else float(curves.time_s[row])
    return _step_at(analysis, at, lambda step: _voltage(step, high), high, "voltage")


def _voltage(step: dict[str, Any], high: bool) -> float | None:
    ends: list[float] = [step[key] for key in ("start_voltage_v", "end_voltage_v") if step.get(key) is not None]
    return (max(ends) if high else min(ends)) if ends else None


def _step_at(analysis: dict[str, Any], at_s: float | None, figure: Any, high: bool, panel: str) -> Span | None:
    """The step around an instant, or without one the step whose ``figure`` is highest (lowest)."""
    steps = analysis.get("steps") or []
    if at_s is not None:
        index = next((step["index"] for step in steps if step["start_s"] <= at_s <= step["end_s"]), None)
        span = _step_span(analysis, index)
        length = 60.0 if span is None else END_SHARE * (span[1] - span[0])
        return max(0.0, at_s - length), at_s + length, at_s, panel
    known = [step for step in steps if figure(step) is not None]
    if not known:
        return None
    return _step_span(analysis, (max if high else min)(known, key=figure)["index"], panel)


def _highest(finding: dict[str, Any], analysis: dict[str, Any], curves: Curves | None) -> Span | None:
    return _extreme(finding, analysis, curves, True)


def _lowest(finding: dict[str, Any], analysis: dict[str, Any], curves: Curves | None) -> Span | None:
    return _extreme(finding, analysis, curves, False)


def _hottest(_finding: dict[str, Any], analysis: dict[str, Any], curves: Curves | None) -> Span | None:
    """Where the pack was hottest."""
    at, most = None, (analysis.get("thermal") or {}).get("max_c")
    for series in curves.series if curves is not None else ():
        if curves is not None and series.panel == "temperature" and most is not None and np.isfinite(series.value).any():
            row = int(np.nanargmin(np.abs(series.value - most)))
            if at is None or abs(series.value[row] - most) < at[0]:
                at = (abs(float(series.value[row]) - most), float(curves.time_s[row]))
    return _step_at(analysis, None if at is None else at[1], lambda step: step.get("max_temperature_c"), True, "temperature")


def _in_step_temperature(finding: dict[str, Any], analysis: dict[str, Any], _curves: Curves | None) -> Span | None:
    return _step_span(analysis, finding.get("step"), "temperature")


_FINDERS: dict[str, Callable[[dict[str, Any], dict[str, Any], Curves | None], Span | None]] = {
    "weak_group": _whole_discharge, "low_capacity": _whole_discharge, "capacity_above_rating": _whole_discharge,
    "high_rate": _whole_discharge, "current_unsteady": _whole_discharge,
    "protection_trip": _discharge_end, "discharge_incomplete": _discharge_end, "cutoff_unknown": _discharge_end,
    "group_out_of_balance": _discharge_start, "start_unknown": _discharge_start, "charge_incomplete": _discharge_start,
    "high_resistance": _edge, "high_joint_resistance": _edge, "joint_outside_taps": _edge, "lead_drop": _edge,
    "sampling_too_coarse": _edge,
    "self_discharge": _leak_rest, "current_offset": _rest_current, "voltage_sum_mismatch": _longest_rest,
    "log_gap": _gap,
    "group_overvoltage": _highest, "group_undervoltage": _lowest, "group_reversed": _lowest,
    "temperature_high": _hottest, "sensor_hotter_than_siblings": _hottest, "temperature_out_of_range": _in_step_temperature,
}
