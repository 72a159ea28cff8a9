"""What the form of the columns shows of a log: a head of a large one, the first rows as understood, a small curve."""

from __future__ import annotations

import math
import zlib
from typing import TYPE_CHECKING

import numpy as np

from dashboard import text
from dashboard.figures.curves import Curves, curves_of, without_unit

if TYPE_CHECKING:
    from cycler.log import Log

ROWS_SHOWN = 8
_DECIMALS_MAX = {"s": 3, "V": 5, "A": 5, "°C": 2}
_ROWS_LOOKED_AT = 500


def cut(raw: bytes, bytes_max: int, is_all: bool = True) -> tuple[bytes, bool]:
    """The head of a log, cut at the end of a line, and whether it is the whole log.

    Parameters
    ----------
    raw : bytes
        The log as stored, or its first bytes; gzip is unpacked where it has to be cut.
    is_all : bool
        False if ``raw`` is not the whole file.
    """
    if raw[:2] == b"\x1f\x8b":
        try:
            unpacking = zlib.decompressobj(wbits=31)
            head = unpacking.decompress(raw, bytes_max)
            if is_all and unpacking.eof and not unpacking.unused_data:
                return raw, True
        except zlib.error:
            return raw, is_all
    else:
        head = raw[:bytes_max]
        if is_all and len(raw) <= bytes_max:
            return raw, True
    end = _end_of_line(head)
    return (head[:end] if end else head), False


def _end_of_line(head: bytes) -> int:
    """Where the last whole line ends; 0 if there is no end of a line. UTF-16 has two bytes a character."""
    if b"\x00" not in head[:400]:
        for mark in (b"\n", b"\r"):
            if (at := head.rfind(mark)) >= 0:
                return at + 1
        return 0
    mark = b"\x00\n" if head[:1] in (b"\x00", b"\xfe") else b"\n\x00"
    at = head.rfind(mark)
    while at > 0 and at % 2:
        at = head.rfind(mark, 0, at)
    return at + 2 if at >= 0 else 0


def curve_of(log: Log) -> Curves:
    """Voltage and current of a log for the small curve; the groups where there is no pack voltage."""
    curves = curves_of(log)
    upper = "voltage" if "voltage" in curves.panels() else "group"
    return Curves(curves.time_s, tuple(item for item in curves.series if item.panel in (upper, "current")), curves.gaps)


def first_rows(log: Log) -> tuple[list[str], list[list[str]]]:
    """Headings with units, and the first rows as they are understood, each figure with the decimals of its column."""
    columns: list[tuple[str, str, np.ndarray]] = [(text.PREVIEW_TIME, "s", log.time_s)]
    if np.isfinite(log.voltage_v).any():
        columns.append((text.PREVIEW_PACK, "V", log.voltage_v))
    columns.append((text.PREVIEW_CURRENT, "A", log.current_a))
    for place in range(log.series):
        columns.append((text.PREVIEW_GROUP.format(n=place + 1), "V", log.group_voltage_v[:, place]))
    for place in range(log.temperature_c.shape[1]):
        name = without_unit(log.temperature_names[place]) if place < len(log.temperature_names) else text.PREVIEW_TEMPERATURE
        columns.append((name, "°C", log.temperature_c[:, place]))
    heads = [f"{name} / {unit}" for name, unit, _values in columns]
    shown = []
    for _name, unit, values in columns:
        places = decimals_of(values[:_ROWS_LOOKED_AT], _DECIMALS_MAX[unit])
        shown.append([_figure(float(value), places) for value in values[:ROWS_SHOWN]])
    return heads, [list(row) for row in zip(*shown)]


def decimals_of(values: np.ndarray, most: int) -> int:
    """Decimals that these readings carry, at most ``most``."""
    known = values[np.isfinite(values)]
    for places in range(most):
        scaled = known * 10.0**places
        if np.all(np.abs(scaled - np.round(scaled)) <= 1e-6 * np.maximum(1.0, np.abs(scaled) * 1e-3)):
            return places
    return most


def _figure(value: float, places: int) -> str:
    if not math.isfinite(value):
        return text.DASH
    shown = f"{value:.{places}f}"
    return shown.lstrip("-") if float(shown) == 0.0 else shown
