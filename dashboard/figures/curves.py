"""The series of one log, laid out for repeated thinning."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cycler.record.values import without_unit

if TYPE_CHECKING:
    from cycler.log import Log


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """One curve: ``panel`` is voltage, current, group or temperature; ``group`` counts from 1."""

    name: str
    panel: str
    unit: str
    value: np.ndarray
    group: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """Time and series of one log, each series contiguous; times in seconds from the first sample."""

    time_s: np.ndarray
    series: tuple[Series, ...]
    gaps: tuple[tuple[float, float], ...] = ()

    @property
    def duration_s(self) -> float:
        """Time of the last sample. [s]"""
        return float(self.time_s[-1]) if self.time_s.size else 0.0

    def panels(self) -> tuple[str, ...]:
        """Panels that have something to draw, top to bottom."""
        present = {item.panel for item in self.series}
        return tuple(panel for panel in ("voltage", "current", "group", "temperature") if panel in present)


def curves_of(log: Log, group_names: dict[int, str] | None = None) -> Curves:
    """Series of a log that hold at least one reading."""
    names = group_names or {}
    found: list[Series] = []

    def add(name: str, panel: str, unit: str, value: np.ndarray, group: int | None = None) -> None:
        if np.isfinite(value).any():
            found.append(Series(name, panel, unit, np.ascontiguousarray(value), group))

    add("Pack", "voltage", "V", log.voltage_v)
    add("Current", "current", "A", log.current_a)
    for column in range(log.series):
        number = column + 1
        add(names.get(number, f"Group {number}"), "group", "V", log.group_voltage_v[:, column], number)
    for column in range(log.temperature_c.shape[1]):
        name = log.temperature_names[column] if column < len(log.temperature_names) else f"Sensor {column + 1}"
        add(without_unit(name), "temperature", "°C", log.temperature_c[:, column])
    gaps = tuple((gap.start_s, gap.duration_s) for gap in log.reading.gaps)
    return Curves(np.ascontiguousarray(log.time_s), tuple(found), gaps)
