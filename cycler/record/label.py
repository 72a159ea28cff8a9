"""The adhesive label of a tested pack, 62 x 29 mm, as PDF and as PNG for label printers: one geometry, black on white.

It says which pack, what was found, the capacity and the date, and carries the QR code of the record. A pack that failed or was found
dangerous is marked as not to be used.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from io import BytesIO
from typing import Any

from cycler.record.beside import card_dangers
from cycler.record.chart import INK, WHITE, Chart, Disc, Label, Stroke, Tiles, to_drawing, verdict_shape
from cycler.record.judged import result_of
from cycler.record.language import speaking, text
from cycler.record.pdf import BOLD, FONT_FOLDER, LOCK, REGULAR, fix_date, printable, register_fonts
from cycler.record.qr import QUIET, dark_boxes, record_text, squares
from cycler.record.values import clean, figure, get, named, number, parse_moment, stamp_of

WIDTH_MM, HEIGHT_MM = 62.0, 29.0
DPI = 300
DOT = 72.0 / DPI
"""One dot of the printer; the squares of the code are whole dots. [pt]"""
WIDTH, HEIGHT = WIDTH_MM * 72.0 / 25.4, HEIGHT_MM * 72.0 / 25.4
MARGIN = 5.0
LARGEST_SQUARE = 5
"""Side of a square of the code. [dots]"""
SMALLEST = 5.5
"""Smallest type; a text too long for it is cut. [pt]"""
SHARPER = 4
"""The picture is drawn so many times larger and brought down to black and white."""


def label_pdf(content: Mapping[str, Any], record_sha256: str) -> bytes:
    """The label of a record as a PDF of one page of 62 x 29 mm.

    Parameters
    ----------
    content : mapping
        The record's content (:func:`cycler.record.content.build_content`).
    record_sha256 : str
        Its SHA-256 in hex.

    Returns
    -------
    bytes
        The same bytes for the same input.
    """
    from reportlab.graphics import renderPDF
    from reportlab.pdfgen.canvas import Canvas

    with speaking(content.get("language") or "en"), LOCK:
        register_fonts()
        chart = label_chart(content, record_sha256)
        buffer = BytesIO()
        canvas = Canvas(buffer, pagesize=(WIDTH, HEIGHT), invariant=1, lang=text.LANGUAGE)
        fix_date(canvas, stamp_of(content.get("made_at")), chart.title)
        canvas.setTitle(chart.title)
        canvas.setSubject(chart.description)
        canvas.setAuthor(named(content.get("workshop"), text.TITLE))
        canvas.setViewerPreference("DisplayDocTitle", "true")
        canvas.setViewerPreference("PrintScaling", "None")
        renderPDF.draw(to_drawing(chart, REGULAR, BOLD, printable), canvas, 0, 0)
        canvas.showPage()
        canvas.save()
        return buffer.getvalue()


def label_png(content: Mapping[str, Any], record_sha256: str) -> bytes:
    """The label as a black and white PNG of 300 dots per inch; see :func:`label_pdf`."""
    with speaking(content.get("language") or "en"), LOCK:
        register_fonts()
        image = _drawn(label_chart(content, record_sha256))
        buffer = BytesIO()
        image.save(buffer, "PNG", dpi=(DPI, DPI), optimize=True)
        return buffer.getvalue()


# ---- geometry --------------------------------------------------------------------------------------------
def label_chart(content: Mapping[str, Any], record_sha256: str) -> Chart:
    """Everything on the label, in points from its top left corner; in the current language, fonts registered."""
    result = result_of(get(content, "verdict", "result"))
    serial = named(content.get("serial"))
    rows = squares(record_text(serial, record_sha256))
    dots = max(1, min(LARGEST_SQUARE, int(HEIGHT / DOT) // (len(rows) + 2 * QUIET)))
    side = (len(rows) + 2 * QUIET) * dots * DOT
    left = _on_dots(WIDTH - side - 1.0)
    top = _on_dots((HEIGHT - side) / 2)
    code = Tiles(tuple((left + x, top + y, w, h) for x, y, w, h in dark_boxes(rows, dots * DOT)))
    room = left - MARGIN
    shape = verdict_shape(result, 23.0, text.SHAPE_MEANS[result])
    word_x = MARGIN + shape.width + 5.0
    told = _line(text.RESULT_WORD[result], word_x, 0.0, left - word_x, 20.0, bold=True)
    number_text = " · ".join(dict.fromkeys(filter(None, (_pack_id(content), clean(get(content, "card", "workshop_number") or "")))))
    items = [
        *_moved(shape, MARGIN, 4.0),
        replace(told, y=4.0 + shape.height / 2 + 0.365 * told.size),
        _line(number_text or text.NOT_STATED, MARGIN, 39.0, room, 11.0, bold=True),
        _line(_capacity(content), MARGIN, 49.5, room, 9.0),
        _line(text.LABEL_RECORD_OF.format(serial=serial, date=_date(content)), MARGIN, 58.5, room, 6.8),
        code,
    ]
    what_to_do = _what_to_do(content, result)
    if what_to_do:
        workshop = clean(content.get("workshop") or "")
        high = 60.4 if workshop else 63.0  # whoever finds the pack has somebody to ask
        low = high + (11.4 if workshop else 15.0)
        box = ((MARGIN, high), (left - 1.0, high), (left - 1.0, low), (MARGIN, low))
        forbidden = what_to_do == text.LABEL_DO_NOT_USE
        size = (9.6 if workshop else 12.0) if forbidden else 8.4 if workshop else 9.0
        items.append(Stroke(box, 0.8, INK, fill=INK if forbidden else WHITE))
        items.append(_line(what_to_do, (MARGIN + left - 1.0) / 2, (high + low) / 2 + 0.365 * size, room - 8.0, size, bold=True, shade=WHITE if forbidden else INK,
                           anchor="middle"))
        if workshop:
            items.append(_line(_whom_to_ask(workshop, room), MARGIN, 78.0, room, 6.0))
    else:
        tested = _tested(content)
        if tested:
            items.append(_line(text.LABEL_TESTED.format(date=tested), MARGIN, 67.0, room, 6.8))
        items.append(_line(text.LABEL_NO_CERTIFICATE, MARGIN, 75.5 if tested else 73.5, room, 6.8))
    title = text.LABEL_RECORD.format(serial=serial)
    said = ". ".join(item.text for item in items if isinstance(item, Label))
    return Chart(WIDTH, HEIGHT, title, said, tuple(items))


def _what_to_do(content: Mapping[str, Any], result: str) -> str:
    """The words in the box: none on a pass, unless a danger is known all the same."""
    verdict = content.get("verdict")
    findings = get(content, "analysis", "findings")
    found = [finding for finding in findings or [] if get(finding, "severity") == "danger"]
    if result == "fail" or found or get(verdict, "vetoes") or card_dangers({"verdict": verdict}, content.get("card")):
        return text.LABEL_DO_NOT_USE
    return "" if result == "pass" else text.LABEL_NOT_CLEARED


def _pack_id(content: Mapping[str, Any]) -> str:
    return clean(get(content, "pack", "id") or get(content, "analysis", "pack", "id") or "")


def _capacity(content: Mapping[str, Any]) -> str:
    """Capacity with its uncertainty, only where it was validly measured."""
    capacity = get(content, "analysis", "capacity")
    if get(capacity, "valid") is not True or number(get(capacity, "value_ah")) is None:
        return text.LABEL_NO_CAPACITY
    told = figure(get(capacity, "value_ah"), get(capacity, "u_value_ah"), "Ah")
    return f"{told} {text.LABEL_COVERAGE}" if number(get(capacity, "u_value_ah")) else told


def _date(content: Mapping[str, Any]) -> str:
    parsed = parse_moment(content.get("made_at"))
    return parsed.date().isoformat() if parsed else text.NOT_STATED


def _tested(content: Mapping[str, Any]) -> str:
    """Day of the test by the clock of the logger, "" where the log has none: a record may be issued long after it."""
    started, made = parse_moment(get(content, "analysis", "log", "started_at")), parse_moment(content.get("made_at"))
    return started.date().isoformat() if started and made and started.date() <= made.date() else ""


def _whom_to_ask(workshop: str, room: float) -> str:
    """The workshop on one line: where there is no room for all of it, its name and what is stated last, mostly the telephone, the name cut if need be."""
    said = text.LABEL_ASK.format(workshop=workshop)
    parts = [part.strip() for part in workshop.split(",")]
    if len(parts) < 2 or _fits(said, room):
        return said
    name, last = parts[0], parts[-1]
    said = text.LABEL_ASK.format(workshop=f"{name}, {last}")
    while len(name) > 1 and not _fits(said, room):
        name = name[:-1].rstrip()
        said = text.LABEL_ASK.format(workshop=f"{name}…, {last}")
    return said


def _fits(told: str, room: float) -> bool:
    """Whether a line of the smallest type has room."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return stringWidth(printable(told), REGULAR, SMALLEST) <= room


def _line(told: str, x: float, y: float, room: float, size: float, bold: bool = False, shade: float = INK, anchor: str = "start") -> Label:
    """One line no wider than ``room``: set smaller if need be, then cut."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    font = BOLD if bold else REGULAR
    told = printable(told)
    fitted = min(size, room / max(stringWidth(told, font, 1.0), 1e-9))
    if fitted >= min(SMALLEST, size):
        return Label(x, y, told, int(fitted * 20) / 20, anchor, shade, bold)
    while len(told) > 1 and stringWidth(told + "…", font, SMALLEST) > room:
        told = told[:-1].rstrip()
    return Label(x, y, told + "…", SMALLEST, anchor, shade, bold)


def _on_dots(value: float) -> float:
    return round(value / DOT) * DOT


def _moved(chart: Chart, dx: float, dy: float) -> list[Stroke | Disc]:
    """Lines and discs of a small chart at another place."""
    moved: list[Stroke | Disc] = []
    for item in chart.items:
        if isinstance(item, Stroke):
            moved.append(Stroke(tuple((x + dx, y + dy) for x, y in item.points), item.width, item.shade, item.dash, item.fill))
        elif isinstance(item, Disc):
            moved.append(Disc(item.x + dx, item.y + dy, item.radius, item.fill, item.width, item.shade))
    return moved


# ---- picture ---------------------------------------------------------------------------------------------
@cache
def _font(bold: bool, pixels: int) -> Any:
    from PIL import ImageFont

    return ImageFont.truetype(str(FONT_FOLDER / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")), pixels)


def _drawn(chart: Chart) -> Any:
    """The chart as a picture of two colours, one pixel per dot."""
    from PIL import Image, ImageDraw

    width, height = round(chart.width / DOT), round(chart.height / DOT)
    scale = SHARPER / DOT
    image = Image.new("L", (width * SHARPER, height * SHARPER), 255)
    draw = ImageDraw.Draw(image)

    def grey(shade: float | None) -> int | None:
        return None if shade is None else round(shade * 255)

    for item in chart.items:
        if isinstance(item, Tiles):
            for x, y, w, h in item.boxes:
                draw.rectangle((round(x * scale), round(y * scale), round((x + w) * scale) - 1, round((y + h) * scale) - 1), fill=grey(item.shade))
        elif isinstance(item, Disc):
            outline = max(1, round(item.width * scale)) if item.width else 0
            reach = item.radius * scale + outline / 2
            box = (item.x * scale - reach, item.y * scale - reach, item.x * scale + reach, item.y * scale + reach)
            draw.ellipse(box, fill=grey(item.fill), outline=grey(item.shade) if outline else None, width=outline)
        elif isinstance(item, Stroke):
            points = [(x * scale, y * scale) for x, y in item.points]
            if item.fill is not None:
                draw.polygon(points, fill=grey(item.fill))
                points.append(points[0])
            if item.width:
                draw.line(points, fill=grey(item.shade), width=max(1, round(item.width * scale)), joint="curve")
        else:
            anchor = {"start": "ls", "middle": "ms", "end": "rs"}[item.anchor]
            draw.text((item.x * scale, item.y * scale), item.text, font=_font(item.bold, round(item.size * scale)), fill=grey(item.shade), anchor=anchor)
    return image.resize((width, height), Image.Resampling.BOX).convert("1", dither=Image.Dither.NONE)
