"""Made-up CSV dialects for the sample logs; none follows a real instrument's file."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from cycler.simulator.bench import Readings

Cells = Callable[[Readings, datetime], list[str]]
"""Texts of one column, one per row."""


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a bench writes its file. ``columns`` are (header, cells) pairs."""

    name: str
    delimiter: str
    decimal: str
    columns: tuple[tuple[str, Cells], ...]
    preamble: tuple[str, ...] = ()
    encoding: str = "utf-8"
    newline: str = "\n"
    has_groups: bool = True


def numbers(name: str, decimals: int, factor: float = 1.0, column: int | None = None) -> Cells:
    """A field of the readings as decimal numbers."""
    def cells(readings: Readings, _: datetime) -> list[str]:
        values = getattr(readings, name)
        return fixed(values if column is None else values[:, column], decimals, factor)
    return cells


def fixed(values: np.ndarray, decimals: int, factor: float = 1.0) -> list[str]:
    """Numbers as text with a fixed count of decimals, never "-0.0"."""
    scaled = np.round(np.asarray(values, dtype=float) * factor, decimals) + 0.0
    return [f"{value:.{decimals}f}" for value in scaled.tolist()]


def each_group(series: int, header: str, name: str, decimals: int, factor: float = 1.0) -> tuple[tuple[str, Cells], ...]:
    """One column per group or tap; ``{n}`` in the header counts from 1."""
    return tuple((header.format(n=n + 1), numbers(name, decimals, factor, n)) for n in range(series))


def one_sided(sign: int, decimals: int) -> Cells:
    """Current of one direction only, zero while the other flows."""
    def cells(readings: Readings, _: datetime) -> list[str]:
        return fixed(np.maximum(sign * readings.current_a, 0.0), decimals)
    return cells


def words(by_mode: dict[str, str]) -> Cells:
    """The bench's word for each phase."""
    def cells(readings: Readings, _: datetime) -> list[str]:
        return [by_mode[mode] for mode in readings.mode]
    return cells


def elapsed_clock(readings: Readings, _: datetime) -> list[str]:
    """Elapsed time as h:mm:ss, hours run on past 24."""
    whole = np.round(readings.time_s).astype(int).tolist()
    return [f"{s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d}" for s in whole]


def wall_clock(pattern: str, milliseconds: bool = False) -> Cells:
    """Date and time by a strftime pattern, optionally with ``.mmm`` in place of ``%f``."""
    def cells(readings: Readings, started_at: datetime) -> list[str]:
        texts = []
        for ms in np.round(readings.time_s * 1000).astype(int).tolist():
            at = started_at + timedelta(milliseconds=ms if milliseconds else round(ms / 1000) * 1000)
            text = at.strftime(pattern)
            texts.append(text.replace("@", f"{at.microsecond // 1000:03d}") if milliseconds else text)
        return texts
    return cells


def to_bytes(dialect: Dialect, readings: Readings, started_at: datetime) -> bytes:
    """The file as its bench would write it."""
    header = [name for name, _ in dialect.columns]
    columns = [cells(readings, started_at) for _, cells in dialect.columns]
    if dialect.decimal != ".":
        columns = [[text.replace(".", dialect.decimal) for text in column] if _is_number(column) else column for column in columns]
    lines = [*dialect.preamble, dialect.delimiter.join(header)]
    lines += [dialect.delimiter.join(row) for row in zip(*columns, strict=True)]
    return (dialect.newline.join(lines) + dialect.newline).encode(dialect.encoding)


def _is_number(column: Sequence[str]) -> bool:
    return bool(column) and column[0].replace(".", "", 1).lstrip("-").isdigit()


def german_workbench(series: int) -> Dialect:
    """Semicolon, decimal comma, German headers, byte order mark."""
    return Dialect(
        "semicolon, decimal comma, German headers, words for the phase", ";", ",",
        (
            ("Zeit [s]", numbers("time_s", 2)), ("Packspannung [V]", numbers("voltage_v", 3)),
            ("Strom [A]", numbers("current_a", 3)), *each_group(series, "Zellgruppe {n} [V]", "group_voltage_v", 3),
            ("Temperatur Gehäuse [°C]", numbers("temperature_c", 1)),
            ("Ablauf", words({
                "rest": "Ruhe", "charge_cc": "Laden Strom", "charge_cv": "Laden Spannung", "discharge": "Entladen",
                "pulse": "Puls", "open": "Schutz",
            })),
        ),
        encoding="utf-8-sig", newline="\r\n",
    )


def iso_time_bench(series: int) -> Dialect:
    """Comma, ISO timestamps with milliseconds, groups called blocks."""
    return Dialect(
        "comma, ISO timestamps, discharge negative", ",", ".",
        (
            ("timestamp", wall_clock("%Y-%m-%dT%H:%M:%S.@", milliseconds=True)), ("pack voltage (V)", numbers("voltage_v", 3)),
            ("pack current (A)", numbers("current_a", 3)),
            *each_group(series, "block {n} voltage (V)", "group_voltage_v", 3),
            ("skin temperature (degC)", numbers("temperature_c", 1)),
        ),
    )


def milli_units_bench(series: int) -> Dialect:
    """Tab separated, mV and mA, discharge counted positive."""
    return Dialect(
        "tab, mV and mA, discharge counted positive", "\t", ".",
        (
            ("elapsed s", numbers("time_s", 2)), ("current mA", numbers("current_a", 0, -1000.0)),
            ("pack mV", numbers("voltage_v", 0, 1000.0)),
            *each_group(series, "C{n} mV", "group_voltage_v", 0, 1000.0),
            ("phase", words({
                "rest": "idle", "charge_cc": "charging", "charge_cv": "charging", "discharge": "loading",
                "pulse": "loading", "open": "idle",
            })),
            ("T pack °C", numbers("temperature_c", 1)),
        ),
    )


def hours_bench(series: int) -> Dialect:
    """Comma, elapsed h:mm:ss, phase word in front."""
    return Dialect(
        "comma, elapsed hh:mm:ss running past 24 h, words for the phase", ",", ".",
        (
            ("Run time (hh:mm:ss)", elapsed_clock),
            ("Activity", words({
                "rest": "Resting", "charge_cc": "Charging at current", "charge_cv": "Charging at voltage",
                "discharge": "Discharging", "pulse": "Pulse", "open": "Board open",
            })),
            ("Total voltage V", numbers("voltage_v", 2)), ("Current A", numbers("current_a", 3)),
            *each_group(series, "Group {n} V", "group_voltage_v", 3),
            ("Temperature C", numbers("temperature_c", 1)),
        ),
    )


def taps_bench(series: int) -> Dialect:
    """Preamble lines, semicolon, decimal point, tap voltages against pack negative."""
    return Dialect(
        "preamble, semicolon, decimal point, tap voltages against pack negative", ";", ".",
        (
            ("t/s", numbers("time_s", 1)), ("I/A", numbers("current_a", 3)), ("U/V", numbers("voltage_v", 3)),
            *each_group(series, "tap {n}/V", "tap_voltage_v", 3), ("theta/degC", numbers("temperature_c", 1)),
            ("step no", numbers("step", 0)),
        ),
        preamble=(
            "Workshop tap scanner, sample log", "All data in this file are invented.",
            "Taps are read against pack negative, charge current is positive.", "",
        ),
    )


def two_currents_bench(series: int) -> Dialect:
    """Semicolon, decimal minutes, charge and discharge current apart, counters in Ah."""
    return Dialect(
        "semicolon, minutes, separate charge and discharge current, counters in Ah", ";", ".",
        (
            ("Minutes (min)", numbers("time_s", 4, 1 / 60)), ("Phase", words({
                "rest": "wait", "charge_cc": "charge", "charge_cv": "charge holding", "discharge": "discharge",
                "pulse": "discharge", "open": "wait",
            })),
            ("Charge current (A)", one_sided(1, 3)), ("Discharge current (A)", one_sided(-1, 3)),
            ("Output voltage (V)", numbers("voltage_v", 3)),
            *each_group(series, "Cell {n} (V)", "group_voltage_v", 3),
            ("Charged (Ah)", numbers("charge_ah", 4)), ("Discharged (Ah)", numbers("discharge_ah", 4)),
            ("Housing (°C)", numbers("temperature_c", 1)),
        ),
    )


def counter_bench() -> Dialect:
    """Comma, no groups, step number and a counter in mAh that starts anew in each step."""
    return Dialect(
        "comma, no group voltages, step number, mAh counter per step, discharge negative", ",", ".",
        (
            ("Time since start (s)", numbers("time_s", 2)), ("Temperature on case (°C)", numbers("temperature_c", 1)),
            ("Step no.", numbers("step", 0)), ("Time in step (s)", numbers("step_time_s", 2)),
            ("Capacity in step (mAh)", numbers("step_ah", 1, 1000.0)), ("Current (mA)", numbers("current_a", 0, 1000.0)),
            ("Pack voltage (V)", numbers("voltage_v", 3)),
        ),
        has_groups=False,
    )


def date_and_time_bench(series: int) -> Dialect:
    """Preamble, semicolon, decimal comma, date and time of day apart, Windows code page."""
    return Dialect(
        "preamble, semicolon, decimal comma, German date and time of day in two columns, counter in mAh", ";", ",",
        (
            ("Datum", wall_clock("%d.%m.%Y")), ("Uhrzeit", wall_clock("%H:%M:%S")),
            ("Spannung gesamt (V)", numbers("voltage_v", 2)), ("Strom (mA)", numbers("current_a", 0, 1000.0)),
            ("Ladungszähler (mAh)", numbers("step_ah", 0, 1000.0)),
            *each_group(series, "Gruppe {n} (mV)", "group_voltage_v", 0, 1000.0), ("Temperatur (°C)", numbers("temperature_c", 1)),
        ),
        preamble=("Prüfplatz 4;Beispiel, alle Daten erfunden", "Pack;EB-0405", ""), encoding="cp1252", newline="\r\n",
    )


def utc_bench(series: int) -> Dialect:
    """Comma, UTC timestamps marked Z, step number, for tests in several files."""
    return Dialect(
        "comma, UTC timestamps (Z), one test in two files", ",", ".",
        (
            ("utc", wall_clock("%Y-%m-%dT%H:%M:%S.@Z", milliseconds=True)), ("current_A", numbers("current_a", 3)),
            ("voltage_V", numbers("voltage_v", 3)),
            *each_group(series, "group_{n:02d}_V", "group_voltage_v", 4), ("pack_temp_C", numbers("temperature_c", 1)),
        ),
    )
