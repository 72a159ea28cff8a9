"""The QR code of a record: a text, and its squares as a chart. Encoding by the library segno (ISO/IEC 18004)."""

from __future__ import annotations

from itertools import groupby

from cycler.record.chart import WHITE, Chart, Tiles
from cycler.record.language import text
from cycler.record.values import clean

QUIET = 4
"""Empty squares around the code (ISO/IEC 18004 asks for four, from memory)."""
LONGEST_SERIAL = 60


def record_text(serial: str, record_sha256: str) -> str:
    """What the code of a record says."""
    return f"packreturn record {clean(serial, LONGEST_SERIAL)} sha256 {record_sha256}"


def squares(message: str) -> tuple[tuple[int, ...], ...]:
    """Rows of the code without its empty border, 1 = dark; error correction level M."""
    import segno

    return tuple(tuple(row) for row in segno.make_qr(message, error="m", boost_error=False).matrix)


def dark_boxes(rows: tuple[tuple[int, ...], ...], module: float) -> tuple[tuple[float, float, float, float], ...]:
    """Dark squares as boxes, neighbours of a row joined, moved in by the empty border."""
    boxes = []
    for y, row in enumerate(rows):
        x = 0
        for dark, run in groupby(row):
            width = len(list(run))
            if dark:
                boxes.append(((x + QUIET) * module, (y + QUIET) * module, width * module, module))
            x += width
    return tuple(boxes)


def code_chart(message: str, size: float) -> Chart:
    """The code no larger than ``size`` with its empty border, in squares of whole tenths of a point. [pt]"""
    rows = squares(message)
    count = len(rows) + 2 * QUIET
    module = max(1, int(size * 10 / count)) / 10
    side = count * module
    ground = Tiles(((0.0, 0.0, side, side),), WHITE)
    return Chart(side, side, text.QR_MEANS, text.QR_MEANS, (ground, Tiles(dark_boxes(rows, module))))
