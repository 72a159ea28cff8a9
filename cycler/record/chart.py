"""Vector charts of the record: one geometry, drawn as SVG for the page and as a reportlab drawing for the PDF.

Lengths are in points (1/72 inch), the origin is at the top left, y grows downwards. Shades are grey values,
0 = black, 1 = white, so that nothing depends on colour.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from cycler.record.language import decimal

WIDTH = 510.0
CHARACTER_WIDTH = 0.6
"""Width of a character of the chart's typeface over its size, a mean that errs on the wide side."""

INK, GREY, PALE, WHITE = 0.0, 0.45, 0.82, 1.0


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line through ``points`` ((x, y), ...); closed and filled if ``fill`` is given."""

    points: tuple[tuple[float, float], ...]
    width: float = 0.6
    shade: float = INK
    dash: tuple[float, float] | None = None
    fill: float | None = None


@dataclass(frozen=True, slots=True)
class Label:
    """One line of text; ``y`` is the base line, ``anchor`` is start, middle or end. ``turned`` = reads upwards."""

    x: float
    y: float
    text: str
    size: float = 7.0
    anchor: str = "start"
    shade: float = INK
    bold: bool = False
    turned: bool = False


@dataclass(frozen=True, slots=True)
class Disc:
    """A circle about (x, y), filled with ``fill`` unless that is None."""

    x: float
    y: float
    radius: float
    fill: float | None = INK
    width: float = 0.0
    shade: float = INK


@dataclass(frozen=True, slots=True)
class Tiles:
    """Filled rectangles (x, y, width, height), painted as one shape so that no seam shows where they touch."""

    boxes: tuple[tuple[float, float, float, float], ...]
    shade: float = INK


@dataclass(frozen=True, slots=True)
class Chart:
    """Finished geometry. ``title`` is its name and ``description`` its text alternative."""

    width: float
    height: float
    title: str
    description: str
    items: tuple[Stroke | Label | Disc | Tiles, ...]


# ---- numbers to geometry ---------------------------------------------------------------------------------
def thin_min_max(x: np.ndarray, y: np.ndarray, columns: int) -> tuple[np.ndarray, np.ndarray]:
    """Thin a curve to first, lowest, highest and last sample of each of ``columns`` equal stretches of x.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        ``x`` never decreases; both finite.
    columns : int
        Number of stretches, 1 or more.

    Returns
    -------
    x, y : ndarray, shape (m,)
        Samples of the input, in order; the extremes of ``y`` are among them. ``m <= 4 * columns``.
    """
    if x.size <= 4 * columns:
        return x, y
    span = float(x[-1] - x[0])
    if span <= 0:
        keep = np.unique([0, int(np.argmin(y)), int(np.argmax(y)), x.size - 1])
        return x[keep], y[keep]
    bins = np.minimum(((x - x[0]) * (columns / span)).astype(np.int64), columns - 1)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(bins)) + 1))
    stops = np.concatenate((starts[1:], [x.size]))
    low = np.array([a + int(np.argmin(y[a:b])) for a, b in zip(starts, stops)])
    high = np.array([a + int(np.argmax(y[a:b])) for a, b in zip(starts, stops)])
    keep = np.unique(np.concatenate((starts, low, high, stops - 1)))
    return x[keep], y[keep]


def runs(x: np.ndarray, y: np.ndarray, gaps: tuple[tuple[float, float], ...] = ()) -> list[tuple[np.ndarray, np.ndarray]]:
    """Cut a curve into unbroken runs of finite samples.

    Single missing readings (a column written on every other row) do not break the line; a missing stretch longer
    than a hundredth of the whole and the ``gaps`` ((start, duration), ...) do.
    """
    finite = np.isfinite(x) & np.isfinite(y)
    missing_before = np.diff(np.flatnonzero(finite)) > 1
    x, y = x[finite], y[finite]
    if x.size < 2:
        return [(x, y)] if x.size else []
    steps = np.diff(x)
    broken = missing_before & (steps > (x[-1] - x[0]) / 100.0)
    for start, duration in gaps:
        broken |= (x[:-1] <= start + 1e-9) & (x[1:] >= start + duration - 1e-9) & (steps > 0)
    cuts = np.flatnonzero(broken) + 1
    return [(a, b) for a, b in zip(np.split(x, cuts), np.split(y, cuts)) if a.size]


def nice_ticks(low: float, high: float, wanted: int) -> list[float]:
    """Round values (1, 2 or 5 times a power of ten apart) inside [low, high]."""
    span = high - low
    if not math.isfinite(span) or span <= 0:
        return [low]
    raw = span / max(1, wanted)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    return [round(k * step, 12) for k in range(first, first + 200) if k * step <= high + step * 1e-9]


def tick_text(value: float, ticks: list[float]) -> str:
    """A tick with as many decimals as the distance of the ticks needs."""
    step = abs(ticks[1] - ticks[0]) if len(ticks) > 1 else 1.0
    digits = max(0, min(6, -math.floor(math.log10(step) + 1e-9)))
    text = f"{value:.{digits}f}"
    return decimal(text.replace("-", "−") if float(text) else text.lstrip("-"))


def padded(low: float, high: float, share: float = 0.06, least: float = 0.02) -> tuple[float, float]:
    """Range widened by ``share`` on each side and to no less than ``least`` overall."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return 0.0, 1.0
    extra = max((high - low) * share, least / 2)
    return low - extra, high + extra


@dataclass(frozen=True, slots=True)
class Panel:
    """A plot area and the ranges it shows."""

    left: float
    top: float
    right: float
    bottom: float
    x_low: float
    x_high: float
    y_low: float
    y_high: float

    def x(self, value: float) -> float:
        """Horizontal place of a value. [pt]"""
        return self.left + (value - self.x_low) / (self.x_high - self.x_low) * (self.right - self.left)

    def y(self, value: float) -> float:
        """Vertical place of a value. [pt]"""
        return self.bottom - (value - self.y_low) / (self.y_high - self.y_low) * (self.bottom - self.top)

    def curve(self, x: np.ndarray, y: np.ndarray, columns: int,
              gaps: tuple[tuple[float, float], ...] = (), **style: Any) -> list[Stroke | Disc]:
        """Thinned line(s) through the samples; a lone sample becomes a dot."""
        items: list[Stroke | Disc] = []
        whole = self.x_high - self.x_low
        for run_x, run_y in runs(x, y, gaps):
            share = (run_x[-1] - run_x[0]) / whole if whole > 0 else 1.0
            thin_x, thin_y = thin_min_max(run_x, run_y, max(2, round(columns * min(1.0, share))))
            points = _drop_straight([(round(self.x(a), 1), round(self.y(b), 1)) for a, b in zip(thin_x, thin_y)])
            if len(points) == 1:
                items.append(Disc(points[0][0], points[0][1], 0.8, fill=style.get("shade", INK)))
            else:
                items.append(Stroke(tuple(points), **style))
        return items

    def frame(self, ticks: list[float], title: str, x_ticks: list[float]) -> list[Stroke | Label]:
        """Rulings, left axis with its numbers and the turned axis title."""
        items: list[Stroke | Label] = []
        for value in ticks:
            y = self.y(value)
            items.append(Stroke(((self.left, y), (self.right, y)), width=0.3, shade=PALE))
            items.append(Label(self.left - 4, y + 2.4, tick_text(value, ticks), anchor="end"))
        for value in x_ticks:
            x = self.x(value)
            items.append(Stroke(((x, self.bottom), (x, self.bottom + 2.5)), width=0.5))
        items.append(Stroke(((self.left, self.top), (self.left, self.bottom), (self.right, self.bottom)), width=0.6))
        items.append(Label(9, (self.top + self.bottom) / 2, title, anchor="middle", turned=True))
        return items


def _drop_straight(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Leave out points that lie between two of equal height or equal place (they change nothing)."""
    kept: list[tuple[float, float]] = []
    for point in points:
        if kept and point == kept[-1]:
            continue
        if len(kept) > 1:
            (x1, y1), (x2, y2) = kept[-2], kept[-1]
            level = y1 == y2 == point[1]
            upright = x1 == x2 == point[0] and min(y1, point[1]) <= y2 <= max(y1, point[1])
            if level or upright:
                kept[-1] = point
                continue
        kept.append(point)
    return kept


def time_unit(span_s: float) -> tuple[float, str]:
    """Seconds per unit and the unit for an axis over ``span_s``: s, min or h."""
    if span_s <= 180:
        return 1.0, "s"
    if span_s <= 7200:
        return 60.0, "min"
    return 3600.0, "h"


def text_width(text: str, size: float) -> float:
    """Rough width of a chart label, errs on the wide side. [pt]"""
    return CHARACTER_WIDTH * size * len(text)


# ---- the shape beside the verdict ------------------------------------------------------------------------
def verdict_shape(result: str, size: float, title: str) -> Chart:
    """Shape of a verdict: disc with tick, square with cross, half-filled ring, empty ring."""
    c, r = size / 2, size * 0.46
    items: list[Stroke | Label | Disc]
    thick = size * 0.09
    if result == "pass":
        items = [Disc(c, c, r),
                 Stroke(((c - r * .48, c + r * .02), (c - r * .12, c + r * .4), (c + r * .5, c - r * .36)), thick, WHITE)]
    elif result == "fail":
        a, b = c - r * .92, c + r * .92
        p, q = c - r * .42, c + r * .42
        items = [Stroke(((a, a), (b, a), (b, b), (a, b)), 0.0, INK, fill=INK),
                 Stroke(((p, p), (q, q)), thick, WHITE), Stroke(((p, q), (q, p)), thick, WHITE)]
    elif result == "not_proven":
        arc = tuple((c - r * .9 * math.sin(k * math.pi / 36), c - r * .9 * math.cos(k * math.pi / 36)) for k in range(37))
        items = [Stroke(arc, 0.0, INK, fill=INK), Disc(c, c, r * .9, fill=None, width=thick * .7)]
    else:
        items = [Disc(c, c, r * .9, fill=None, width=thick * .7)]
    return Chart(size, size, title, title, tuple(items))


# ---- drawing ---------------------------------------------------------------------------------------------
def _hex(shade: float) -> str:
    level = max(0, min(255, round(shade * 255)))
    return f"#{level:02x}{level:02x}{level:02x}"


def _n(value: float) -> str:
    text = f"{value:.1f}"
    return text[:-2] if text.endswith(".0") else text


def _path(points: tuple[tuple[float, float], ...]) -> str:
    """Relative path data, in tenths of a point so that rounding does not add up."""
    tenths = [(round(x * 10), round(y * 10)) for x, y in points]
    parts = [f"M{_n(tenths[0][0] / 10)} {_n(tenths[0][1] / 10)}l" if len(tenths) > 1 else "M0 0"]
    for (x0, y0), (x1, y1) in itertools.pairwise(tenths):
        dx, dy = _n((x1 - x0) / 10), _n((y1 - y0) / 10)
        parts.append(f"{dx}{'' if dy.startswith('-') else ' '}{dy}" if len(parts) == 1 else
                     f"{'' if dx.startswith('-') else ' '}{dx}{'' if dy.startswith('-') else ' '}{dy}")
    return "".join(parts)


def to_svg(chart: Chart, css_class: str = "chart") -> str:
    """The chart as an inline SVG element; every text is escaped."""
    out = [
        f'<svg class={quoteattr(css_class)} role="img" viewBox="0 0 {_n(chart.width)} {_n(chart.height)}" '
        f'width="{_n(chart.width)}pt" height="{_n(chart.height)}pt" aria-label={quoteattr(chart.description)}>'
        f"<title>{escape(chart.title)}</title>"
    ]
    for item in chart.items:
        if isinstance(item, Stroke):
            paint = f'fill="{_hex(item.fill)}"' if item.fill is not None else 'fill="none"'
            if item.width > 0:
                paint += f' stroke="{_hex(item.shade)}" stroke-width="{item.width:g}" stroke-linejoin="round"'
            if item.dash:
                paint += f' stroke-dasharray="{item.dash[0]:g} {item.dash[1]:g}"'
            close = "z" if item.fill is not None else ""
            out.append(f'<path d="{_path(item.points)}{close}" {paint}/>')
        elif isinstance(item, Disc):
            paint = f'fill="{_hex(item.fill)}"' if item.fill is not None else 'fill="none"'
            if item.width > 0:
                paint += f' stroke="{_hex(item.shade)}" stroke-width="{item.width:g}"'
            out.append(f'<circle cx="{_n(item.x)}" cy="{_n(item.y)}" r="{item.radius:g}" {paint}/>')
        elif isinstance(item, Tiles):
            boxes = "".join(f"M{_n(x)} {_n(y)}h{_n(w)}v{_n(h)}h-{_n(w)}z" for x, y, w, h in item.boxes)
            out.append(f'<path d="{boxes}" fill="{_hex(item.shade)}"/>')
        else:
            place = f'x="{_n(item.x)}" y="{_n(item.y)}"'
            if item.turned:
                place += f' transform="rotate(-90 {_n(item.x)} {_n(item.y)})"'
            weight = ' font-weight="bold"' if item.bold else ""
            out.append(f'<text {place} font-size="{item.size:g}" text-anchor="{item.anchor}" fill="{_hex(item.shade)}"{weight}>'
                       f"{escape(item.text)}</text>")
    out.append("</svg>")
    return "".join(out)


def to_drawing(chart: Chart, regular: str, bold: str, printable: Any = str) -> Any:
    """The chart as a reportlab ``Drawing`` in the named, already registered fonts."""
    from reportlab.graphics import shapes
    from reportlab.lib.colors import Color

    def grey(shade: float) -> Color:
        return Color(shade, shade, shade)

    height = chart.height
    drawing = shapes.Drawing(chart.width, height)
    for item in chart.items:
        if isinstance(item, Stroke):
            flat = [value for x, y in item.points for value in (x, height - y)]
            style: dict[str, Any] = {
                "strokeColor": grey(item.shade) if item.width > 0 else None, "strokeWidth": item.width,
                "strokeLineJoin": 1, "strokeDashArray": list(item.dash) if item.dash else None,
            }
            if item.fill is not None:
                drawing.add(shapes.Polygon(flat, fillColor=grey(item.fill), **style))
            else:
                drawing.add(shapes.PolyLine(flat, **style))
        elif isinstance(item, Disc):
            drawing.add(shapes.Circle(
                item.x, height - item.y, item.radius, fillColor=None if item.fill is None else grey(item.fill),
                strokeColor=grey(item.shade) if item.width > 0 else None, strokeWidth=item.width))
        elif isinstance(item, Tiles):
            path = shapes.Path(fillColor=grey(item.shade), strokeColor=None)
            for x, y, w, h in item.boxes:
                top, bottom = height - y, height - y - h
                path.moveTo(x, bottom)
                path.lineTo(x + w, bottom)
                path.lineTo(x + w, top)
                path.lineTo(x, top)
                path.closePath()
            drawing.add(path)
        else:
            text = shapes.String(0, 0, printable(item.text), fontName=bold if item.bold else regular, fontSize=item.size,
                                 textAnchor=item.anchor, fillColor=grey(item.shade))
            group = shapes.Group(text)
            group.translate(item.x, height - item.y)
            if item.turned:
                group.rotate(90)
            drawing.add(group)
    return drawing
