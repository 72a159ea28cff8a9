"""The two curves of the record, from a log's arrays and the steps of its analysis to chart geometry."""

from __future__ import annotations

from typing import Any

import numpy as np

from cycler.log import Log
from cycler.record.chart import (
    GREY,
    INK,
    PALE,
    WHITE,
    WIDTH,
    Chart,
    Disc,
    Label,
    Panel,
    Stroke,
    nice_ticks,
    padded,
    text_width,
    tick_text,
    time_unit,
)
from cycler.record.language import decimal, measuretext, text
from cycler.record.values import as_list, clean, get, number, span_of_capacity, without_unit

STRIP_SHADE = {"discharge": 0.25, "charge": 0.72, "rest": WHITE}
PACK_COLUMNS = 420
GROUP_POINTS = 7200
"""Points shared by all group lines, so that a 20-group pack does not swell the page."""
BAND_ABOVE = 24
"""From this many groups on a band stands in for the single lines."""
MAX_STRIP_PARTS = 240
MOST_SENSOR_LINES = 6
SENSOR_WIDTHS, SENSOR_SHADES = (0.9, 0.7, 1.6, 0.5, 0.9, 0.7), (INK, INK, GREY, GREY, 0.35, 0.6)


def direction_of(kind: object) -> str:
    """charge, discharge or rest for a kind of step (unknown kinds count as rest)."""
    word = str(kind)
    if "discharge" in word:
        return "discharge"
    return "charge" if "charge" in word else "rest"


def _gaps(analysis: dict[str, Any]) -> tuple[tuple[float, float], ...]:
    found = []
    for gap in as_list(get(analysis, "reading", "clock", "gaps")):
        start, duration = number(get(gap, "start_s")), number(get(gap, "duration_s"))
        if start is not None and duration:
            found.append((start, duration))
    return tuple(found)


def pack_voltage(log: Log) -> tuple[np.ndarray, bool]:
    """Pack voltage and whether it is the sum of the group voltages (when no pack voltage was logged). [V]"""
    if np.isfinite(log.voltage_v).any() or log.group_voltage_v.shape[1] == 0:
        return log.voltage_v, False
    return log.group_voltage_v.sum(axis=1), True


def _time_axis(panel: Panel, unit: str, title: str, ticks: list[float]) -> list[Label]:
    items = [Label(panel.x(value), panel.bottom + 10, tick_text(value, ticks), anchor="middle") for value in ticks]
    items.append(Label((panel.left + panel.right) / 2, panel.bottom + 21, title.format(unit=unit), anchor="middle"))
    return items


def _finite_range(values: np.ndarray) -> tuple[float, float] | None:
    finite = values[np.isfinite(values)]
    return (float(finite.min()), float(finite.max())) if finite.size else None


def _strip_parts(analysis: dict[str, Any]) -> list[tuple[str, float, float]]:
    """(direction, start, end) of neighbouring steps of one direction, joined. [s]"""
    parts: list[list[Any]] = []
    for step in as_list(get(analysis, "steps")):
        start, end = number(get(step, "start_s")), number(get(step, "end_s"))
        if start is None or end is None or end < start:
            continue
        direction = direction_of(get(step, "kind"))
        if parts and parts[-1][0] == direction:
            parts[-1][2] = max(parts[-1][2], end)
        else:
            parts.append([direction, start, end])
    return [(str(a), float(b), float(c)) for a, b, c in parts]


def _strip(panel: Panel, analysis: dict[str, Any], factor: float, voltage_panel: Panel) -> list[Stroke | Label]:
    items: list[Stroke | Label] = []
    parts = _strip_parts(analysis)
    for direction, start, end in parts:
        left, right = panel.x(start / factor), panel.x(end / factor)
        if len(parts) > MAX_STRIP_PARTS and right - left < 0.5:
            continue
        left, right = max(panel.left, left), min(panel.right, max(right, left + 0.4))
        items.append(Stroke(((left, panel.top), (right, panel.top), (right, panel.bottom), (left, panel.bottom)),
                            width=0.0, fill=STRIP_SHADE[direction]))
        word = text.STRIP[direction]
        if right - left > text_width(word, 7) + 4:
            items.append(Label((left + right) / 2, panel.bottom - 3.2, word, anchor="middle",
                               shade=WHITE if direction == "discharge" else INK))
        if len(parts) <= 60 and left > panel.left + 1:
            items.append(Stroke(((left, voltage_panel.top), (left, voltage_panel.bottom)), width=0.4, shade=0.6, dash=(1.5, 1.5)))
    box = ((panel.left, panel.top), (panel.right, panel.top), (panel.right, panel.bottom), (panel.left, panel.bottom),
           (panel.left, panel.top))
    items.append(Stroke(box, width=0.5))
    counted = span_of_capacity(analysis)
    if counted:
        left, right = panel.x(counted[0] / factor), panel.x(counted[1] / factor)
        y = panel.bottom + 3.5
        items.append(Stroke(((left, y), (right, y)), width=1.6))
        items.append(Stroke(((left, y - 2.2), (left, y + 2.2)), width=0.8))
        items.append(Stroke(((right, y - 2.2), (right, y + 2.2)), width=0.8))
        width = text_width(text.LABEL_COUNTED, 6.5)
        middle = min(max((left + right) / 2, panel.left + width / 2), panel.right - width / 2)
        items.append(Label(middle, y + 8.5, text.LABEL_COUNTED, size=6.5, anchor="middle"))
    return items


def pack_chart(log: Log, analysis: dict[str, Any]) -> Chart | None:
    """Pack voltage and current over the whole log with the steps marked; None if nothing can be drawn."""
    voltage, is_sum = pack_voltage(log)
    u_range, i_range = _finite_range(voltage), _finite_range(log.current_a)
    if log.time_s.size < 2 or (u_range is None and i_range is None):
        return None
    start, stop = float(log.time_s[0]), float(log.time_s[-1])
    if not stop > start:
        return None
    factor, unit = time_unit(stop - start)
    x = log.time_s / factor
    gaps = tuple((a / factor, b / factor) for a, b in _gaps(analysis))
    left, right = 46.0, WIDTH - 6
    x_low, x_high = start / factor, stop / factor
    x_ticks = nice_ticks(x_low, x_high, 9)

    def area(top: float, bottom: float, y_low: float, y_high: float) -> Panel:
        return Panel(left, top, right, bottom, x_low, x_high, y_low, y_high)

    volts = area(34, 142, *padded(*(u_range or (0.0, 1.0))))
    low, high = i_range or (0.0, 0.0)
    amps = area(156, 222, *padded(min(low, 0.0), max(high, 0.0), 0.1, 0.02))
    items: list[Any] = []
    items += volts.frame(nice_ticks(volts.y_low, volts.y_high, 5), text.AXIS_SUM_VOLTAGE if is_sum else text.AXIS_PACK_VOLTAGE, x_ticks)
    items += amps.frame(nice_ticks(amps.y_low, amps.y_high, 4), text.AXIS_CURRENT, x_ticks)
    items += _strip(area(3, 15, 0, 1), analysis, factor, volts)
    items.append(Stroke(((left, amps.y(0)), (right, amps.y(0))), width=0.5, shade=GREY))
    items += volts.curve(x, voltage, PACK_COLUMNS, gaps, width=1.0)
    items += amps.curve(x, log.current_a, PACK_COLUMNS, gaps, width=0.9)
    items += _time_axis(amps, unit, text.AXIS_TIME, x_ticks)
    return Chart(WIDTH, 247, text.CURVE_TITLE, _describe_pack(u_range, i_range), tuple(items))


def _describe_pack(u_range: tuple[float, float] | None, i_range: tuple[float, float] | None) -> str:
    parts = [text.CURVE_TITLE]
    if u_range:
        parts.append(decimal(f"{u_range[0]:.2f} V – {u_range[1]:.2f} V"))
    if i_range:
        parts.append(decimal(f"{i_range[0]:.2f} A – {i_range[1]:.2f} A"))
    return ", ".join(parts)


def discharge_span(analysis: dict[str, Any]) -> tuple[float, float] | None:
    """Start and end of the counted discharge, else of the discharge step that moved most charge. [s]"""
    counted = span_of_capacity(analysis)
    if counted:
        return counted
    best: tuple[float, float, float] | None = None
    for step in as_list(get(analysis, "steps")):
        start, end = number(get(step, "start_s")), number(get(step, "end_s"))
        if direction_of(get(step, "kind")) != "discharge" or start is None or end is None or end <= start:
            continue
        weight = number(get(step, "capacity_ah")) or 0.0
        if best is None or weight > best[0]:
            best = (weight, start, end)
    return best[1:] if best else None


def group_chart(log: Log, analysis: dict[str, Any]) -> tuple[Chart | None, bool]:
    """Group voltages during the discharge with the limiting group marked, and whether a band was drawn."""
    count = log.group_voltage_v.shape[1]
    span = discharge_span(analysis)
    if not count or span is None:
        return None, False
    inside = (log.time_s >= span[0] - 1e-9) & (log.time_s <= span[1] + 1e-9)
    # The sample that ends a step may already be the rebound after it: only samples under load are drawn.
    loaded = np.flatnonzero(inside & (log.current_a < 0))
    if loaded.size:
        inside[: loaded[0]] = False
        inside[loaded[-1] + 1:] = False
    groups, time = log.group_voltage_v[inside], log.time_s[inside] - span[0]
    u_range = _finite_range(groups)
    if time.size < 2 or u_range is None or not time[-1] > time[0]:
        return None, False
    factor, unit = time_unit(float(time[-1] - time[0]))
    x = time / factor
    gaps = tuple(((a - span[0]) / factor, b / factor) for a, b in _gaps(analysis))
    limiting = get(analysis, "limiting_group")
    limiting = limiting if isinstance(limiting, int) and 1 <= limiting <= count else None
    cutoff = number(get(analysis, "pack", "group_cutoff_voltage_v"))
    low, high = u_range
    if cutoff is not None and low - 1.0 < cutoff < high:
        low = min(low, cutoff)
    panel = Panel(46, 6, WIDTH - 92, 130, float(x[0]), float(x[-1]), *padded(low, high, 0.05, 0.05))
    x_ticks = nice_ticks(panel.x_low, panel.x_high, 8)
    items: list[Any] = list(panel.frame(nice_ticks(panel.y_low, panel.y_high, 5), text.AXIS_GROUP_VOLTAGE, x_ticks))
    band = count > BAND_ABOVE
    others = [k for k in range(count) if limiting is None or k != limiting - 1]
    columns = max(60, min(PACK_COLUMNS, GROUP_POINTS // (4 * max(1, count if not band else 2))))
    if band:
        items += _band(panel, x, groups[:, others])
    else:
        for k in others:
            items += panel.curve(x, groups[:, k], columns, gaps, width=0.5, shade=GREY)
    if cutoff is not None and panel.y_low < cutoff < panel.y_high:
        y = panel.y(cutoff)
        items.append(Stroke(((panel.left, y), (panel.right, y)), width=0.7, dash=(4, 2)))
        items.append(Label(panel.left + 4, y - 2.5, text.LABEL_CUTOFF.format(voltage=decimal(f"{cutoff:.2f} V")), size=6.5))
    ends = groups[-1, others] if others else np.array([])
    ends = ends[np.isfinite(ends)]
    other_y = panel.y(float(np.median(ends))) + 2.4 if ends.size else None
    if limiting is not None:
        line = groups[:, limiting - 1]
        items += panel.curve(x, line, max(columns, 200), gaps, width=1.8, shade=INK)
        finite = np.flatnonzero(np.isfinite(line))
        if finite.size:
            end_x, end_y = panel.x(float(x[finite[-1]])), panel.y(float(line[finite[-1]]))
            items.append(Disc(end_x, end_y, 2.4))
            label_y = end_y + 2.4
            if other_y is not None and abs(label_y - other_y) < 9:
                other_y = label_y - 9 if other_y <= label_y else label_y + 9
            items.append(Label(panel.right + 6, label_y, text.LABEL_LIMITING.format(n=limiting), bold=True))
    if other_y is not None:
        items.append(Label(panel.right + 6, other_y, text.LABEL_OTHERS if limiting else text.LABEL_ALL, shade=0.3))
    items += _time_axis(panel, unit, text.AXIS_SINCE, x_ticks)
    return Chart(WIDTH, 156, text.GROUPS_TITLE, text.GROUPS_TITLE, tuple(items)), band


def temperature_chart(log: Log) -> Chart | None:
    """Temperature of every sensor over the whole log; None where there is nothing to draw.

    ``log`` as :func:`cycler.temperaturetable.with_temperatures` gave it, so that thermistors are among its temperatures.
    """
    shown = [k for k in range(log.temperature_c.shape[1]) if np.isfinite(log.temperature_c[:, k]).any()]
    values = log.temperature_c[:, shown]
    t_range = _finite_range(values)
    if log.time_s.size < 2 or t_range is None or not log.time_s[-1] > log.time_s[0]:
        return None
    factor, unit = time_unit(float(log.time_s[-1] - log.time_s[0]))
    x = log.time_s / factor
    gaps = tuple((gap.start_s / factor, gap.duration_s / factor) for gap in log.reading.gaps)
    panel = Panel(46, 6, WIDTH - 92, 86, float(x[0]), float(x[-1]), *padded(*t_range))
    x_ticks = nice_ticks(panel.x_low, panel.x_high, 8)
    items: list[Any] = list(panel.frame(nice_ticks(panel.y_low, panel.y_high, 4), measuretext.AXIS_TEMPERATURE, x_ticks))
    band = len(shown) > MOST_SENSOR_LINES
    if band:
        items += _band(panel, x, values)
        labels = [(measuretext.SENSORS_BAND.format(n=len(shown)), float(np.nanmedian(_last_of(values))))]
    else:
        labels = []
        for place, k in enumerate(shown):
            items += panel.curve(x, values[:, place], PACK_COLUMNS, gaps, width=SENSOR_WIDTHS[place % len(SENSOR_WIDTHS)], shade=SENSOR_SHADES[place % len(SENSOR_SHADES)])
            name = log.temperature_names[k] if k < len(log.temperature_names) else f"T{k + 1}"
            labels.append((without_unit(clean(name, 40)), float(_last_of(values)[place])))
    for y, name in _apart([(panel.y(value) + 2.4, name) for name, value in labels], 8.5):
        items.append(Label(panel.right + 6, y, _fitted(name, WIDTH - panel.right - 8, 6.5), size=6.5))
    items += _time_axis(panel, unit, text.AXIS_TIME, x_ticks)
    return Chart(WIDTH, 112, measuretext.TEMPERATURE_TITLE, measuretext.TEMPERATURE_TITLE, tuple(items))


def _last_of(values: np.ndarray) -> np.ndarray:
    """Last finite reading of each column."""
    finite = np.isfinite(values)
    return np.array([values[np.flatnonzero(finite[:, k])[-1], k] for k in range(values.shape[1])])


def _apart(places: list[tuple[float, str]], least: float) -> list[tuple[float, str]]:
    """Labels pushed down until none touches the one above it."""
    found: list[tuple[float, str]] = []
    for y, name in sorted(places):
        found.append((max(y, found[-1][0] + least) if found else y, name))
    return found


def _fitted(name: str, room: float, size: float) -> str:
    """A name cut to the room beside a chart."""
    while len(name) > 4 and text_width(name, size) > room:
        name = name[:-2].rstrip("… ") + "…"
    return name


def _band(panel: Panel, x: np.ndarray, groups: np.ndarray) -> list[Stroke]:
    """Area from the lowest to the highest of many groups, as one filled outline."""
    columns = 200
    edges = np.linspace(panel.x_low, panel.x_high, columns + 1)
    where = np.clip(np.searchsorted(edges, x, side="right") - 1, 0, columns - 1)
    finite = np.isfinite(groups).any(axis=1)
    low = np.where(np.isfinite(groups), groups, np.inf).min(axis=1)
    high = np.where(np.isfinite(groups), groups, -np.inf).max(axis=1)
    upper, lower = [], []
    for column in np.unique(where[finite]):
        chosen = finite & (where == column)
        place = panel.x((edges[column] + edges[column + 1]) / 2)
        upper.append((place, panel.y(float(high[chosen].max()))))
        lower.append((place, panel.y(float(low[chosen].min()))))
    if len(upper) < 2:
        return []
    return [Stroke(tuple(upper + lower[::-1]), width=0.4, shade=GREY, fill=PALE)]
