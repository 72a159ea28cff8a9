"""The series of one log, laid out for repeated thinning."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from cycler.measures.integrate import SECONDS_PER_HOUR, bridge_missing, cumulative, interval_charge_coulomb
from cycler.record.values import without_unit
from dashboard.figures.resample import Stretches, stretches_of

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
    _derived: dict[Any, Any] = field(default_factory=dict, init=False, repr=False)
    _lock: Any = field(default_factory=threading.Lock, init=False, repr=False)

    @property
    def duration_s(self) -> float:
        """Time of the last sample. [s]"""
        return float(self.time_s[-1]) if self.time_s.size else 0.0

    def panels(self) -> tuple[str, ...]:
        """Panels that have something to draw, top to bottom."""
        present = {item.panel for item in self.series}
        return tuple(panel for panel in ("voltage", "current", "group", "temperature") if panel in present)

    def stretches(self, series: Series) -> Stretches:
        """Where a series of these curves holds readings; worked out once."""
        return self._once(("stretches", id(series)), lambda: stretches_of(self.time_s, series.value, self.gaps))

    def moved_ah(self) -> np.ndarray | None:
        """Charge moved since the first sample, in either direction alike, shape (n,), never decreasing; None without a current. [Ah]

        Missing readings are bridged by straight lines; nothing is counted across a gap of the log. An axis to draw along, no figure.
        """
        current = next((item.value for item in self.series if item.panel == "current"), None)
        return None if current is None else self._once("moved", lambda: self._moved_ah(current))

    def _moved_ah(self, current_a: np.ndarray) -> np.ndarray:
        charge = np.abs(interval_charge_coulomb(self.time_s, bridge_missing(self.time_s, current_a)))
        for start_s, duration_s in self.gaps:
            inside = (self.time_s[:-1] >= start_s - 1e-9) & (self.time_s[1:] <= start_s + duration_s + 1e-9)
            charge[inside] = 0.0
        return cumulative(charge) / SECONDS_PER_HOUR

    def _once(self, key: Any, make: Callable[[], Any]) -> Any:
        with self._lock:
            if key not in self._derived:
                self._derived[key] = make()
            return self._derived[key]


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """What of a log is drawn: its columns by panel and label, times and gaps. Names of the groups are not part of the log.

    ``columns`` holds (panel, label, array of shape (n,)); the label of a group is its number, that of a temperature its heading.
    """

    time_s: np.ndarray
    columns: tuple[tuple[str, str, np.ndarray], ...]
    gaps: tuple[tuple[float, float], ...] = ()


UNITS = {"voltage": "V", "current": "A", "group": "V", "temperature": "°C"}


def columns_of(log: Log) -> Columns:
    """The columns of a log that hold at least one reading."""
    found: list[tuple[str, str, np.ndarray]] = []

    def add(panel: str, label: str, value: np.ndarray) -> None:
        if np.isfinite(value).any():
            found.append((panel, label, np.ascontiguousarray(value)))

    add("voltage", "Pack", log.voltage_v)
    add("current", "Current", log.current_a)
    for column in range(log.series):
        add("group", str(column + 1), log.group_voltage_v[:, column])
    for column in range(log.temperature_c.shape[1]):
        name = log.temperature_names[column] if column < len(log.temperature_names) else f"Sensor {column + 1}"
        add("temperature", without_unit(name), log.temperature_c[:, column])
    gaps = tuple((float(gap.start_s), float(gap.duration_s)) for gap in log.reading.gaps)
    return Columns(np.ascontiguousarray(log.time_s), tuple(found), gaps)


def named_curves(columns: Columns, group_names: dict[int, str] | None = None) -> Curves:
    """Columns as curves, with the names of the groups."""
    names = group_names or {}
    series = []
    for panel, label, value in columns.columns:
        number = int(label) if panel == "group" else None
        name = label if number is None else names.get(number, f"Group {number}")
        series.append(Series(name, panel, UNITS[panel], value, number))
    return Curves(columns.time_s, tuple(series), columns.gaps)


def curves_of(log: Log, group_names: dict[int, str] | None = None) -> Curves:
    """Series of a log that hold at least one reading."""
    return named_curves(columns_of(log), group_names)
