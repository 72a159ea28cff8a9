"""Writes invented logs in many dialects, so that reading can be held against what was written."""

from __future__ import annotations

import gzip
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np

EPOCH = datetime(1970, 1, 1)

WORDS = {
    "en": dict(time="Time", voltage="Voltage", current="Current", charge_current="Charge current", group="Cell",
               discharge_current="Discharge current", temperature="Temperature", capacity="Capacity", mode="Mode",
               tap="Tap", date="Date", clock="Clock", rest="Rest", charging="Charge", discharging="Discharge"),
    "de": dict(time="Zeit", voltage="Spannung", current="Strom", charge_current="Ladestrom", group="Zelle",
               discharge_current="Entladestrom", temperature="Temperatur", capacity="Kapazität", mode="Betriebsart",
               tap="Abgriff", date="Datum", clock="Uhrzeit", rest="Ruhe", charging="Laden", discharging="Entladen"),
    "fr": dict(time="Temps", voltage="Tension", current="Courant", charge_current="Courant de charge", group="Cellule",
               discharge_current="Courant de décharge", temperature="Température", capacity="Capacité", mode="État",
               tap="Prise", date="Date", clock="Heure", rest="Repos", charging="Charge", discharging="Décharge"),
    "es": dict(time="Tiempo", voltage="Voltaje", current="Corriente", charge_current="Corriente de carga", group="Celda",
               discharge_current="Corriente de descarga", temperature="Temperatura", capacity="Capacidad", mode="Estado",
               tap="Toma", date="Fecha", clock="Hora", rest="Reposo", charging="Carga", discharging="Descarga"),
    "it": dict(time="Tempo", voltage="Tensione", current="Corrente", charge_current="Corrente di carica", group="Cella",
               discharge_current="Corrente di scarica", temperature="Temperatura", capacity="Capacità", mode="Stato",
               tap="Presa", date="Data", clock="Ora", rest="Riposo", charging="Carica", discharging="Scarica"),
    "nl": dict(time="Tijd", voltage="Spanning", current="Stroom", charge_current="Laadstroom", group="Cel",
               discharge_current="Ontlaadstroom", temperature="Temperatuur", capacity="Capaciteit", mode="Toestand",
               tap="Aftakking", date="Datum", clock="Uur", rest="Rust", charging="Opladen", discharging="Ontladen"),
    "sym": dict(time="t", voltage="U", current="I", charge_current="Charge current", group="U", tap="Tap",
                discharge_current="Discharge current", temperature="T", capacity="Q", mode="Mode", date="Date",
                clock="Clock", rest="rest", charging="chg", discharging="dchg"),
}  # fmt: skip


@dataclass(frozen=True)
class Truth:
    """What a log says, in the program's own units, charge positive."""

    time_s: np.ndarray
    voltage_v: np.ndarray
    current_a: np.ndarray
    group_v: np.ndarray
    temperature_c: np.ndarray
    mode: np.ndarray
    capacity_ah: np.ndarray


def invented_test(seed: int = 1, groups: int = 3, dt_s: float = 10.0, current_a: float = 2.0) -> Truth:
    """Rest, charge, rest, discharge with one step of load, rest: an invented pack of linear cells.

    Each group: U = 3.3 V + 0.6 V * state of charge + 0.04 ohm * I, with a little noise; state of charge from the
    integral of the current over 1 Ah.
    """
    rng = np.random.default_rng(seed)
    plan = [(0.0, 6, 0), (current_a, 60, 1), (0.0, 12, 0), (-1.5 * current_a, 50, -1), (-0.5 * current_a, 20, -1), (0.0, 12, 0)]
    current = np.concatenate([np.full(count, level) for level, count, _ in plan])
    mode = np.concatenate([np.full(count, code) for _, count, code in plan])
    current = current + np.where(mode != 0, rng.normal(0, 2e-3, current.size), 0.0)
    time = np.arange(current.size) * dt_s
    charge = np.concatenate([[0.0], np.cumsum((current[1:] + current[:-1]) / 2 * dt_s)]) / 3600.0
    offsets = rng.normal(0, 0.01, groups)
    soc = 0.4 + charge / 1.0
    group_v = 3.3 + 0.6 * soc[:, None] + 0.04 * current[:, None] + offsets + rng.normal(0, 2e-4, (current.size, groups))
    group_v = np.round(group_v, 4)
    return Truth(
        time, np.round(group_v.sum(axis=1), 4), np.round(current, 4), group_v, np.round(21 + 3 * np.abs(charge) + rng.normal(0, 0.05, current.size), 2),
        mode, np.round(charge, 6),
    )


@dataclass(frozen=True)
class Dialect:
    """Every way in which the writer can differ."""

    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    line_end: str = "\n"
    compressed: bool = False
    language: str = "en"
    unit_style: str = "({})"      # "({})", "[{}]", " / {}", "/{}", "_{}", "row", " in {}"
    voltage_unit: str = "V"
    current_unit: str = "A"
    capacity_unit: str = "Ah"
    temperature_unit: str = "°C"
    time_style: str = "s"         # s ms min h hms iso iso_z dmy mdy_ampm date_time epoch epoch_ms hms_wall
    current_style: str = "signed"  # signed, inverse, unsigned_mode, unsigned, separate
    group_style: str = "cells"    # cells, taps, taps_from_top, none
    with_mode: bool = False
    with_capacity: bool = True
    with_temperature: bool = True
    preamble: tuple[str, ...] = ()
    footer: tuple[str, ...] = ()
    comment_every: int = 0
    blank_every: int = 0
    header_every: int = 0
    trailing_delimiter: bool = False
    quoted: bool = False
    final_newline: bool = True
    order_seed: int | None = None
    swapped_rows: tuple[int, ...] = ()
    doubled_rows: tuple[int, ...] = ()
    start: datetime = datetime(2026, 3, 9, 8, 15, 30)
    missing: str = ""
    missing_cells: tuple[tuple[int, str], ...] = field(default=())


def _scaled(values: np.ndarray, unit: str, decimals: int) -> list[str]:
    factor, shift = {"mV": (1e3, 3), "mA": (1e3, 3), "mAh": (1e3, 3)}.get(unit, (1.0, 0))
    if unit in ("°F", "degF"):
        return [f"{value * 1.8 + 32:.{decimals + 1}f}" for value in values]
    return [f"{value * factor:.{max(0, decimals - shift)}f}" for value in values]


def _times(truth: Truth, dialect: Dialect) -> list[tuple[str, str, list[str]]]:
    """(word, unit, cells) of the time columns."""
    t = truth.time_s
    style = dialect.time_style
    if style in ("s", "ms", "min", "h"):
        factor, decimals = {"s": (1, 2), "ms": (1000, 0), "min": (1 / 60, 5), "h": (1 / 3600, 7)}[style]
        return [("time", style, [f"{value * factor:.{decimals}f}" for value in t])]
    if style == "hms":
        return [("time", "", [f"{int(v // 3600):02d}:{int(v % 3600 // 60):02d}:{int(v % 60):02d}" for v in t])]
    moments = [dialect.start + timedelta(seconds=float(value)) for value in t]
    if style == "hms_wall":
        return [("clock", "", [m.strftime("%H:%M:%S") for m in moments])]
    if style == "iso":
        return [("clock", "", [m.isoformat(" " if dialect.delimiter != " " else "T", "seconds") for m in moments])]
    if style == "iso_z":
        return [("clock", "", [m.isoformat("T", "milliseconds") + "Z" for m in moments])]
    if style == "dmy":
        return [("clock", "", [m.strftime("%d.%m.%Y %H:%M:%S") for m in moments])]
    if style == "mdy_ampm":
        return [("clock", "", [m.strftime("%m/%d/%Y %I:%M:%S %p") for m in moments])]
    if style == "date_time":
        return [("date", "", [m.strftime("%d.%m.%Y") for m in moments]), ("clock", "", [m.strftime("%H:%M:%S") for m in moments])]
    seconds = [(m - EPOCH).total_seconds() for m in moments]
    if style == "epoch":
        return [("clock", "", [f"{value:.1f}" for value in seconds])]
    return [("clock", "", [f"{value * 1000:.0f}" for value in seconds])]


def columns_of(truth: Truth, dialect: Dialect) -> list[tuple[str, str, str, list[str]]]:
    """(key, heading word, unit, cells) of every column."""
    words = WORDS[dialect.language]
    out = [(key, words[key], unit, cells) for key, unit, cells in _times(truth, dialect)]
    out.append(("voltage", words["voltage"], dialect.voltage_unit, _scaled(truth.voltage_v, dialect.voltage_unit, 4)))
    current = truth.current_a
    unit = dialect.current_unit
    if dialect.current_style == "separate":
        out.append(("charge_current", words["charge_current"], unit, _scaled(np.where(current > 0, current, 0.0), unit, 4)))
        out.append(("discharge_current", words["discharge_current"], unit, _scaled(np.where(current < 0, -current, 0.0), unit, 4)))
    else:
        shown = {"signed": current, "inverse": -current}.get(dialect.current_style, np.abs(current))
        out.append(("current", words["current"], unit, _scaled(shown + 0.0, unit, 4)))
    if dialect.group_style == "cells":
        for index in range(truth.group_v.shape[1]):
            out.append((f"g{index}", f"{words['group']} {index + 1}" if dialect.language != "sym" else f"U{index + 1}",
                        dialect.voltage_unit, _scaled(truth.group_v[:, index], dialect.voltage_unit, 4)))
    elif dialect.group_style.startswith("taps"):
        taps = np.cumsum(truth.group_v, axis=1)
        if dialect.group_style == "taps_from_top":
            taps = taps[:, ::-1]
        for index in range(taps.shape[1]):
            out.append((f"g{index}", f"{words['tap']} {index + 1}", dialect.voltage_unit, _scaled(taps[:, index], dialect.voltage_unit, 4)))
    if dialect.with_capacity:
        out.append(("capacity", words["capacity"], dialect.capacity_unit, _scaled(truth.capacity_ah, dialect.capacity_unit, 6)))
    if dialect.with_temperature:
        out.append(("temperature", words["temperature"], dialect.temperature_unit, _scaled(truth.temperature_c, dialect.temperature_unit, 2)))
    if dialect.with_mode or dialect.current_style == "unsigned_mode":
        names = {0: words["rest"], 1: words["charging"], -1: words["discharging"]}
        out.append(("mode", words["mode"], "", [names[int(code)] for code in truth.mode]))
    return out


def write_log(truth: Truth, dialect: Dialect) -> bytes:
    """The log as bytes."""
    columns = columns_of(truth, dialect)
    if dialect.order_seed is not None:
        np.random.default_rng(dialect.order_seed).shuffle(columns)
    mark, end = dialect.delimiter, dialect.line_end

    def heading(word: str, unit: str) -> str:
        text = word if not unit or dialect.unit_style == "row" else word + (" " if dialect.unit_style[0] in "([" else "") + dialect.unit_style.format(unit)
        return text.replace(" ", "_").replace("/", "-") if mark == " " and "(" not in text else text.replace(" ", "")if mark == " " else text

    def line(fields: list[str]) -> str:
        if dialect.quoted:
            fields = ['"' + item + '"' for item in fields]
        return mark.join(fields) + (mark if dialect.trailing_delimiter else "")

    header = [line([heading(word, unit) for _, word, unit, _ in columns])]
    if dialect.unit_style == "row":
        header.append(line([unit or "-" for _, _, unit, _ in columns]))
    missing = dict()
    for row, key in dialect.missing_cells:
        missing[(row, key)] = dialect.missing
    rows = []
    for index in range(truth.time_s.size):
        fields = []
        for key, _, _, cells in columns:
            cell = missing.get((index, key), cells[index])
            number = key not in ("mode", "date", "clock") and not (key == "time" and dialect.time_style == "hms") and (index, key) not in missing
            if (number or (key == "clock" and dialect.time_style.startswith("epoch"))) and dialect.decimal == ",":
                cell = cell.replace(".", ",")
            fields.append(cell)
        rows.append(line(fields))
    for index in dialect.swapped_rows:
        rows[index], rows[index + 1] = rows[index + 1], rows[index]
    lines = []
    for index, row in enumerate(rows):
        if dialect.header_every and index and index % dialect.header_every == 0:
            lines += header
        if dialect.comment_every and index % dialect.comment_every == 3:
            lines.append("# remark of the operator, 12,5")
        if dialect.blank_every and index % dialect.blank_every == 5:
            lines.append("")
        lines.append(row)
        if index in dialect.doubled_rows:
            lines.append(row)
    text = end.join([*dialect.preamble, *header, *lines, *dialect.footer]) + (end if dialect.final_newline else "")
    raw = text.encode(dialect.encoding)
    if dialect.encoding == "utf-16-le":
        raw = b"\xff\xfe" + raw
    elif dialect.encoding == "utf-16-be":
        raw = b"\xfe\xff" + raw
    return gzip.compress(raw, mtime=0) if dialect.compressed else raw


def assert_agrees(log, truth: Truth, dialect: Dialect) -> None:
    """The log read back is what was written, within the printed resolution."""
    assert log.rows == truth.time_s.size
    tick = {"h": 2e-4, "min": 4e-4}.get(dialect.time_style, 0.06 if dialect.time_style == "epoch" else 6e-3)
    np.testing.assert_allclose(log.time_s, truth.time_s - truth.time_s[0], atol=tick)
    volt = ampere = 6e-5
    np.testing.assert_allclose(log.voltage_v, truth.voltage_v, atol=volt)
    np.testing.assert_allclose(log.current_a, truth.current_a, atol=ampere)
    if dialect.group_style == "none":
        assert log.series == 0
    else:
        np.testing.assert_allclose(log.group_voltage_v, truth.group_v, atol=3 * volt)
    if dialect.with_temperature:
        np.testing.assert_allclose(log.temperature_c[:, 0], truth.temperature_c, atol=6e-3)
    if dialect.with_capacity:
        np.testing.assert_allclose(log.counters["capacity"], truth.capacity_ah, atol=6e-7)
