"""The record as an A4 PDF: selectable text, own fonts, the same bytes for the same input."""

from __future__ import annotations

import hashlib
import re
import threading
from io import BytesIO
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from reportlab.graphics import renderPDF
from reportlab.lib import colors
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    ActionFlowable,
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    KeepTogether,
    NextPageTemplate,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from cycler.record import blocks
from cycler.record.blocks import Block, Section, View
from cycler.record.chart import Chart, to_drawing
from cycler.record.language import text
from cycler.record.sentences import without_marks
from cycler.record.tags import Cell, Tags
from cycler.record.values import REPLACEMENT

REGULAR, BOLD = "RecordSans", "RecordSans-Bold"
FONT_FOLDER = Path(__file__).parent.parent / "data" / "fonts"
MARGIN = 42.5
TOP = 28.0
FOOT = 34.0
SIGNED = "sign"
WIDTH = A4[0] - 2 * MARGIN
SOFT = colors.Color(0.32, 0.32, 0.32)
HAIR = colors.Color(0.78, 0.78, 0.78)
LEADING = 1.27
SMALLEST_SHARE = 0.8
"""How far a figure that is too wide for its column may be set smaller; beyond that it is broken."""
SMALLEST_HEAD = 0.7
"""How far a heading may be set smaller for a long word in it."""
FRONT_SPARE = 6.0
"""What a heading asks for below itself beyond what it needs. [pt]"""
SMALLEST_FRONT = 0.91
"""How far the front page may be set smaller to hold all that stands on it; beyond that it runs over."""
SIGNATURE_ROOM = 52.0
"""Kept free at the foot of the first page, so that the signature stands on it whatever comes before. [pt]"""
# Building changes fonts that the library keeps for the whole process: one document at a time.
LOCK = threading.Lock()
ROLES = {"title": "H1", "heading": "H2", "word": "H2"}


def _style(name: str, size: float, **more: Any) -> ParagraphStyle:
    values: dict[str, Any] = {"fontName": REGULAR, "fontSize": size, "leading": size * LEADING, "splitLongWords": 1}
    return ParagraphStyle(name, **(values | more))


TITLE = _style("title", 17, spaceAfter=3)
HEADING = _style("heading", 8.4, fontName=BOLD, spaceBefore=4.5, spaceAfter=2)
BODY = _style("body", 7.2, spaceAfter=1.5)
SMALL = _style("small", 6.5, textColor=SOFT, spaceAfter=1.5)
WARNING = _style("warning", 7.6, fontName=BOLD, spaceAfter=1.5)
BULLET = _style("bullet", 7.2, leftIndent=9, bulletIndent=1, spaceAfter=1)
NAME = _style("name", 7.2, textColor=SOFT)
WORD = _style("word", 24, fontName=BOLD, leading=27)
MEANS = _style("means", 8.2, fontName=BOLD, spaceAfter=1.5)


def register_fonts() -> None:
    """Make the package's own two fonts known to the PDF library, once."""
    if REGULAR not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(REGULAR, str(FONT_FOLDER / "DejaVuSans.ttf")))
        pdfmetrics.registerFont(TTFont(BOLD, str(FONT_FOLDER / "DejaVuSans-Bold.ttf")))
        pdfmetrics.registerFontFamily(REGULAR, normal=REGULAR, bold=BOLD, italic=REGULAR, boldItalic=BOLD)


def printable(value: str) -> str:
    """Text in which each character the fonts lack stands as its code point, "[U+1F50B]", so that nothing is lost."""
    known = pdfmetrics.getFont(REGULAR).face.charToGlyph
    bold = pdfmetrics.getFont(BOLD).face.charToGlyph
    value = without_marks(value)
    return "".join(
        ch if ord(ch) in known and ord(ch) in bold else ("?" if ch == REPLACEMENT else f"[U+{ord(ch):04X}]") for ch in value)


_TIE = "\N{NO-BREAK SPACE}"
_INSIDE_FIGURE = re.compile(
    r"(?<=\d) (?=±|(?:%|Ah|Wh|W|mV|mA|mΩ|V|A|°C|K|It|min|ms|h|s|d)(?![\w/]))|(?<=±) (?=\d)|(?<=[≥≤/<>]) (?=\w)")


class _Text(Paragraph):
    """A paragraph that breaks no line inside a figure; the ties are drawn as plain blanks, so that a copied text holds none.

    It is marked in the document's structure by its style, or by its place in a table.
    """

    cell: Cell | None = None

    def split(self, available_width: float, available_height: float) -> list[Flowable]:
        parts = super().split(available_width, available_height)
        for part in parts:
            part.cell = self.cell
        return parts

    def draw(self) -> None:
        for line in self.blPara.lines:
            if isinstance(line, tuple):
                line[1][:] = [word.replace(_TIE, " ") for word in line[1]]
            else:
                for part in line.words:
                    part.text = part.text.replace(_TIE, " ")
        role = ROLES.get(self.style.name, "P") if self.cell is None else "TD" if self.cell.row else "TH"
        with self.canv.tags.marked(self.canv, role, self.cell):
            super().draw()


class _Picture(Flowable):
    """A drawing with its text alternative."""

    def __init__(self, chart: Chart) -> None:
        super().__init__()
        self.drawing, self.alt = to_drawing(chart, REGULAR, BOLD, printable), printable(chart.description)
        self.width, self.height = chart.width, chart.height

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        return self.width, self.height

    def draw(self) -> None:
        with self.canv.tags.marked(self.canv, "Figure", alt=self.alt):
            renderPDF.draw(self.drawing, self.canv, 0, 0)


def _tied(value: str) -> str:
    return escape(_INSIDE_FIGURE.sub(_TIE, printable(value)))


def _para(value: str, style: ParagraphStyle, bullet: str | None = None) -> Paragraph:
    return _Text(_tied(value), style, bulletText=bullet)


class _Rule(Flowable):
    """A line across the page, single or double."""

    def __init__(self, width: float = 0.5, double: bool = False, after: float = 3) -> None:
        super().__init__()
        self.thick, self.double, self.after = width, double, after

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        self.width = available_width
        return available_width, self.after + (2 if self.double else 0)

    def draw(self) -> None:
        self.canv.setLineWidth(self.thick)
        top = self.after + (2 if self.double else 0)
        self.canv.line(0, top, self.width, top)
        if self.double:
            self.canv.line(0, top - 2, self.width, top - 2)


class _WriteLine(Flowable):
    """A line to write on, as high as a line of text."""

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        self.width = available_width
        return available_width, BODY.leading

    def draw(self) -> None:
        self.canv.setLineWidth(0.5)
        self.canv.line(0, 0.5, self.width - 10, 0.5)


class _Anchor(Flowable):
    """Invisible: an entry of the document's outline."""

    def __init__(self, key: str, title: str) -> None:
        super().__init__()
        self.key, self.title = key, title

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        return 0, 0

    def draw(self) -> None:
        self.canv.bookmarkHorizontal(self.key, 0, 12)
        if self.title:
            self.canv.addOutlineEntry(self.title, self.key, 0, 0)


class _AnnexStart(ActionFlowable):
    """New page for the annex, unless what stands before it has already run over the first page."""

    def __init__(self) -> None:
        super().__init__(())

    def apply(self, doc: Any) -> None:
        if doc.page == 1:
            doc.handle_pageBreak()


# ---- blocks ----------------------------------------------------------------------------------------------
def _facts(block: blocks.Facts, width: float = WIDTH) -> list[Flowable]:
    name_width = 96 if block.columns == 1 and not block.narrow else 72
    longest = max((len(name) for name, _ in block.rows), default=0)
    if block.columns == 1 and longest > 22:
        name_width = 140
    elif block.narrow and longest > 14:
        name_width = 84
    pairs = [row for row in block.rows if row[0]]
    loose = [row[1] for row in block.rows if not row[0]]
    per_line = block.columns
    half = width / per_line
    data = []
    for k in range(0, len(pairs), per_line):
        line: list[Any] = []
        for name, value in pairs[k:k + per_line]:
            line += [_para(name, NAME), _para(value, BODY) if value else _WriteLine()]
        data.append(line + [""] * (2 * per_line - len(line)))
    out: list[Flowable] = []
    if data:
        table = Table(data, colWidths=[name_width, half - name_width] * per_line, hAlign="LEFT")
        table.setStyle(TableStyle([
            ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0), ("RIGHTPADDING", (0, 0), (-1, -1), 8),
            ("TOPPADDING", (0, 0), (-1, -1), 0.4), ("BOTTOMPADDING", (0, 0), (-1, -1), 0.4)]))
        out.append(table)
    return out + [_para(line, BODY) for line in loose]


def _head_cell(name: str, style: ParagraphStyle, room: float) -> Paragraph:
    """A heading set smaller where a word of it, broken at its soft hyphens, is wider than the column."""
    parts = [f"{part}-" if "\u00ad" in word else part for word in printable(name).split() for part in word.split("\u00ad")]
    wide = max((pdfmetrics.stringWidth(part, style.fontName, style.fontSize) for part in parts), default=0.0)
    if wide > room:
        style = ParagraphStyle("narrow-head", parent=style, fontSize=style.fontSize * max(SMALLEST_HEAD, room / wide * 0.99))
    return _para(name, style)


def _table(block: blocks.Table) -> list[Flowable]:
    size = 6.1 if block.dense else 6.9
    pad_right = 4 if block.dense else 6
    plain = _style("cell", size)
    strong = _style("strong", size, fontName=BOLD)
    right, right_strong = _style("right", size, alignment=TA_RIGHT), _style("right-strong", size, alignment=TA_RIGHT, fontName=BOLD)
    head = _style("head", size * 0.95, fontName=BOLD, splitLongWords=0)
    head_right = _style("head-right", size * 0.95, fontName=BOLD, alignment=TA_RIGHT, splitLongWords=0)

    def cell(value: str, kind: str, bold: bool, column: int) -> Paragraph:
        if kind == "r":
            style = right_strong if bold else right
        else:
            style = strong if bold else plain
        if kind == "f":
            room = WIDTH * block.widths[column] - pad_right
            wide = pdfmetrics.stringWidth(printable(value), style.fontName, size)
            if room < wide <= room / SMALLEST_SHARE:
                style = _style("fitted", size * room / wide * 0.995, fontName=style.fontName, leading=size * LEADING)
        return _para(value, style)

    data = [[_head_cell(name, head_right if kind == "r" else head, WIDTH * share - pad_right) for name, kind, share in zip(block.head, block.kinds, block.widths)]]
    across = []
    for index, row in enumerate(block.rows):
        bold = index in block.strong_rows
        across += [("SPAN", (first, index + 1), (first + width - 1, index + 1)) for first, width in block.spanned(index).items()]
        data.append([cell(value, kind, bold and (not block.strong_columns or column in block.strong_columns), column)
                     for column, (value, kind) in enumerate(zip(row, block.kinds))])
    for index, line in enumerate(data):
        for paragraph in line:
            paragraph.cell = Cell(block, index)
    table = Table(data, colWidths=[WIDTH * share for share in block.widths], repeatRows=1, hAlign="LEFT")
    pad = 1.0
    table.setStyle(TableStyle([
        ("VALIGN", (0, 0), (-1, -1), "TOP"), ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0), ("RIGHTPADDING", (0, 0), (-1, -1), pad_right), ("RIGHTPADDING", (-1, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), pad), ("BOTTOMPADDING", (0, 0), (-1, -1), pad + 0.7),
        ("LINEBELOW", (0, 0), (-1, 0), 0.9, colors.black), ("LINEBELOW", (0, 1), (-1, -1), 0.3, HAIR), *across]))
    return [table, Spacer(0, 1.5), *([_para(block.caption, SMALL)] if block.caption else [])]


def _verdict(block: blocks.Verdict) -> list[Flowable]:
    shape = _Picture(block.shape)
    told = [_para(block.word, WORD), _para(block.means, MEANS), *(_para(line, BODY) for line in block.lines)]
    table = Table([[shape, told]], colWidths=[block.shape.width + 22, WIDTH - block.shape.width - 22], hAlign="LEFT", splitInRow=1)
    table.setStyle(TableStyle([
        ("BOX", (0, 0), (-1, -1), 1.4, colors.black), ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (0, 0), 11),
        ("LEFTPADDING", (1, 0), (1, 0), 0), ("RIGHTPADDING", (0, 0), (-1, -1), 9), ("TOPPADDING", (0, 0), (0, 0), 9),
        ("TOPPADDING", (1, 0), (1, 0), 4), ("BOTTOMPADDING", (0, 0), (-1, -1), 6)]))
    return [table, Spacer(0, 4)]


def _warning(block: blocks.Para) -> list[Flowable]:
    table = Table([[[_para(line, WARNING) for line in block.text.split("\n")]]], colWidths=[WIDTH], hAlign="LEFT", splitInRow=1)
    table.setStyle(TableStyle([
        ("BOX", (0, 0), (-1, -1), 1.1, colors.black), ("LINEBEFORE", (0, 0), (0, -1), 7, colors.black, "butt"), ("LEFTPADDING", (0, 0), (-1, -1), 11),
        ("TOPPADDING", (0, 0), (-1, -1), 3), ("BOTTOMPADDING", (0, 0), (-1, -1), 4)]))
    return [table, Spacer(0, 4)]


def _signature(block: blocks.Signature) -> list[Flowable]:
    count = len(block.labels)
    gap = 18.0
    width = (WIDTH - gap * (count - 1)) / count
    cells: list[Any] = []
    widths: list[float] = []
    rules = []
    for k, label in enumerate(block.labels):
        if k:
            cells.append("")
            widths.append(gap)
        rules.append(("LINEABOVE", (len(cells), 0), (len(cells), 0), 0.7, colors.black))
        cells.append(_para(label, SMALL))
        widths.append(width)
    table = Table([cells], colWidths=widths, hAlign="LEFT")
    table.setStyle(TableStyle([("LEFTPADDING", (0, 0), (-1, -1), 0), ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                               ("BOTTOMPADDING", (0, 0), (-1, -1), 0), *rules]))
    return [table]


def _flow(block: Block) -> list[Flowable]:
    if isinstance(block, blocks.Para):
        return _warning(block) if block.kind == "warning" else [_para(block.text, SMALL if block.kind == "small" else BODY)]
    if isinstance(block, blocks.Facts):
        return [*_facts(block), Spacer(0, 3)]
    if isinstance(block, blocks.Bullets):
        return [_Text((f"<b>{_tied(lead)}</b> " if lead else "") + _tied(line), BULLET, bulletText="•")
                for lead, line in block.items]
    if isinstance(block, blocks.Table):
        return _table(block)
    if isinstance(block, blocks.Picture):
        return [_Picture(block.chart), Spacer(0, 2), _para(block.caption, SMALL)]
    if isinstance(block, blocks.Verdict):
        return _verdict(block)
    return _signature(block)


def _head(view: View) -> list[Flowable]:
    """Title and head, with the code to the right of both if there is one."""
    title = _para(view.title, TITLE)
    if view.code is None:
        return [title, *_facts(view.head)]
    code = _Picture(view.code)
    room = WIDTH - view.code.width
    table = Table([[[title, *_facts(view.head, room)], code]], colWidths=[room, view.code.width], hAlign="LEFT", splitInRow=1)
    table.setStyle(TableStyle([
        ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0), ("RIGHTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 0), ("BOTTOMPADDING", (0, 0), (-1, -1), 0)]))
    return [table]


def _front(view: View) -> list[Flowable]:
    """All of the front page but the signature at its foot."""
    story = [*_head(view), Spacer(0, 2), _Rule(0.8, double=True, after=1)]
    for section in view.front:
        if section.key != SIGNED:
            story += _section(section)
    return story


def _height(flowables: list[Flowable]) -> float:
    """Height of all flowables one below the other, as a frame would set them. [pt]"""
    total = last = 0.0
    apart = (part for flowable in flowables for part in (flowable._content if isinstance(flowable, KeepTogether) else (flowable,)))
    for flowable in apart:
        if isinstance(flowable, CondPageBreak):
            continue
        before = flowable.getSpaceBefore() if total else 0.0
        total += max(before - last, 0.0) + flowable.wrap(WIDTH, A4[1])[1] + flowable.getSpaceAfter()
        last = flowable.getSpaceAfter()
    return total


def _least(flowables: list[Flowable]) -> float:
    """Height of what must stand under a heading: a few lines, or the first row of a table with its head. [pt]"""
    first = flowables[0] if flowables else None
    if isinstance(first, Table):
        first.wrap(WIDTH, A4[1])
        return min(500.0, sum(first._rowHeights[:2]))
    return min(40.0, sum(flowable.wrap(WIDTH, A4[1])[1] + flowable.getSpaceAfter() for flowable in flowables))


def _section(section: Section) -> list[Flowable]:
    heading: list[Flowable] = [_Anchor(section.key, section.title), _para(section.title, HEADING), _Rule()]
    if section.own_heading:
        heading = [heading[0], Spacer(0, 5)]
    body = [_flow(block) for block in section.blocks]
    if section.together:
        return [KeepTogether([*heading, *(flowable for part in body for flowable in part)])]
    if isinstance(section.blocks[0], blocks.Picture):  # the chart keeps its heading and its caption
        return [KeepTogether([*heading, *body[0]]), *(flowable for part in body[1:] for flowable in part)]
    return [CondPageBreak(24 + _least([flowable for part in body for flowable in part])), *heading, *(flowable for part in body for flowable in part)]


def _sign_foot(canvas: Canvas, section: Section) -> None:
    """The signature at the foot of the first page: its sentence above, its lines below."""
    above = FOOT + SIGNATURE_ROOM - 5
    for block in section.blocks:
        for flowable in _flow(block):
            _, height = flowable.wrap(WIDTH, SIGNATURE_ROOM)
            at = FOOT + 3 if isinstance(block, blocks.Signature) else above - height
            flowable.drawOn(canvas, MARGIN, at)


def fix_date(canvas: Canvas, stamp: tuple[int, int, int, int, int, int], title: str) -> None:
    """Give a document its own date (UTC), and an identifier that does not come from the clock."""
    own = canvas._doc._timeStamp
    own.YMDhms, own.dhh, own.dmm = stamp, 0, 0
    # The library seeds the file's identifier with a time that the environment can set.
    canvas._doc.signature = hashlib.md5(title.encode("utf-8", "replace"), usedforsecurity=False)


# ---- document --------------------------------------------------------------------------------------------
def _canvas_class(view: View) -> type[Canvas]:
    """A canvas that knows the number of pages, the view's date and nothing of the clock."""

    class NumberedCanvas(Canvas):
        def __init__(self, *args: Any, **kwargs: Any) -> None:
            super().__init__(*args, **kwargs)
            fix_date(self, view.stamp, view.document_title)
            self._pages: list[dict[str, Any]] = []
            self.tags = Tags()

        def showPage(self) -> None:
            self._pages.append(dict(self.__dict__))
            self.tags.page = len(self._pages)
            self._startPage()

        def save(self) -> None:
            count = len(self._pages)
            for number, state in enumerate(self._pages, 1):
                self.__dict__.update(state)
                self.setFont(REGULAR, 6.5)
                self.setFillColor(SOFT)
                serial = printable(view.serial)
                serial = serial if len(serial) <= 60 else serial[:59] + "…"
                left = text.FOOTER.format(serial=serial)
                if len(view.made_at) <= 60:
                    left += f" · {printable(view.made_at)}"
                self._code.append("/Artifact BMC")
                self.drawString(MARGIN, 22, left)
                self.drawRightString(A4[0] - MARGIN, 22, text.PAGE.format(page=number, pages=count))
                self._code.append("EMC")
                super().showPage()
            self.tags.write(self._doc)
            super().save()

    return NumberedCanvas


def render_pdf(view: View) -> bytes:
    """The view as PDF bytes. The date inside the file is the view's own, never the clock's."""
    with LOCK:
        register_fonts()
        signed = [section for section in view.front if section.key == SIGNED]
        room = A4[1] - TOP - FOOT - SIGNATURE_ROOM
        height = _height(_front(view))
        scale = min(1.0, room / (height + FRONT_SPARE))
        scale = scale if scale >= SMALLEST_FRONT else 1.0
        story: list[Flowable] = [NextPageTemplate("page"), *_front(view), _AnnexStart()]
        for section in view.annex:
            story += _section(section)
        buffer = BytesIO()
        document = BaseDocTemplate(
            buffer, pagesize=A4, leftMargin=MARGIN, rightMargin=MARGIN, topMargin=TOP, bottomMargin=FOOT, invariant=1,
            title=view.document_title, author=view.workshop or view.title, subject=view.subject, creator=view.software,
            lang=view.language, displayDocTitle=1, allowSplitting=1,
        )
        def frame(foot: float, scale: float = 1.0) -> Frame:
            return Frame((A4[0] / scale - WIDTH) / 2, foot / scale, WIDTH, (A4[1] - TOP - foot) / scale + 0.01,
                         leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0)

        def begin(canvas: Canvas, _document: Any) -> None:
            canvas.saveState()
            canvas.scale(scale, scale)

        def end(canvas: Canvas, _document: Any) -> None:
            canvas.restoreState()
            for section in signed:
                _sign_foot(canvas, section)

        document.addPageTemplates([
            PageTemplate(id="front", frames=[frame(FOOT + SIGNATURE_ROOM, scale)], onPage=begin, onPageEnd=end),
            PageTemplate(id="page", frames=[frame(FOOT)]),
        ])
        document.build(story, canvasmaker=_canvas_class(view))
        return buffer.getvalue()
