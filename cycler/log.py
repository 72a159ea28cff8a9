"""The log in memory: read-only arrays of one test and how they were read.

Everything downstream of the readers takes a :class:`Log`. Charge current is positive.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import numpy as np


@dataclass(frozen=True, slots=True)
class Source:
    """One file as it was read. ``sha256`` is that of the raw bytes (before decompression)."""

    file: str
    sha256: str
    bytes: int
    rows_read: int
    rows_dropped: int


@dataclass(frozen=True, slots=True)
class ColumnReading:
    """How one column was understood. ``group`` counts from 1 at pack negative, else ``None``."""

    name: str
    role: str
    unit: str | None
    group: int | None = None
    evidence: str = ""


NO_SAMPLES = "no samples"
"""Why of a gap that the times alone show."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without samples. Times in seconds from the first sample. [s]"""

    start_s: float
    duration_s: float
    why: str = NO_SAMPLES


@dataclass(frozen=True, slots=True)
class ReadingWarning:
    """Something about the file that the user should know. ``where`` is file:line or a column name."""

    code: str
    message: str
    where: str = ""


@dataclass(frozen=True, slots=True)
class Reading:
    """Everything about how the file was understood; shown by ``inspect`` and kept with each result."""

    encoding: str
    delimiter: str
    decimal: str
    header_row: int | None
    columns: tuple[ColumnReading, ...]
    clock_kind: str
    clock_wrapped: bool = False
    gaps: tuple[Gap, ...] = ()
    discharge_is: str = "negative"
    sign_evidence: str = ""
    sampling_median_s: float | None = None
    sampling_max_s: float | None = None
    warnings: tuple[ReadingWarning, ...] = ()
    columns_files: tuple[str, ...] = ()


def _read_only(array: np.ndarray | None, dtype: type = np.float64) -> np.ndarray | None:
    """The array as nobody can change it, every column in one piece of memory; one that already is so is taken over as it stands."""
    if array is None:
        return None
    if type(array) is np.ndarray and array.dtype == dtype and array.base is None and array.flags.f_contiguous and not array.flags.writeable:
        return array
    copy: np.ndarray = np.array(array, dtype=dtype, copy=True, order="F")
    copy.flags.writeable = False
    return copy


@dataclass(frozen=True, slots=True, eq=False)
class Log:
    """One test in memory.

    Attributes
    ----------
    time_s : ndarray, shape (n,)
        Time from the first sample, never decreasing; equal neighbours mark a switch inside one clock tick. [s]
    voltage_v : ndarray, shape (n,)
        Pack voltage; NaN = no reading. All NaN if the log has only group voltages. [V]
    current_a : ndarray, shape (n,)
        Pack current, charge positive; NaN = no reading. [A]
    group_voltage_v : ndarray, shape (n, series)
        Group voltages, column 0 is group 1 at pack negative; shape (n, 0) if none were logged. [V]
    temperature_c : ndarray, shape (n, sensors)
        Temperatures; shape (n, 0) if none. [degC]
    temperature_names : tuple of str
        One name per sensor, as in the file's header.
    thermistor_ohm : ndarray, shape (n, sensors)
        Resistances of NTC sensors, logged as such; shape (n, 0) if none. [ohm]
    thermistor_names : tuple of str
        One name per resistance, as in the file's header.
    mode_code : ndarray of int, shape (n,), or None
        Index into ``mode_words``; -1 = empty.
    mode_words : tuple of str
        The words of the mode column as written.
    step_number, cycle_number : ndarray, shape (n,), or None
        The instrument's own numbering; NaN = empty.
    counters : dict of str to ndarray, shape (n,)
        The instrument's own counters as logged (not unwrapped), under the role names ``capacity``,
        ``charge_capacity``, ``discharge_capacity`` [Ah], ``energy``, ``charge_energy``, ``discharge_energy`` [Wh], ``resistance`` [ohm].
    step_time_s : ndarray, shape (n,), or None
        Time since the start of the instrument's step, where logged. [s]
    started_at : datetime or None
        Wall clock of the first sample, as written in the file (naive) or UTC if the file says so.
    line_number : ndarray of int, shape (n,), or None
        Line of each row in its file, for messages.
    part : ndarray of int, shape (n,), or None
        Index into ``sources`` of the file each row came from.
    left_out : tuple of int
        Groups whose columns were taken out of ``group_voltage_v`` as saying nothing; the rest do not add up to the pack.
    sources : tuple of Source
    reading : Reading

    Raises
    ------
    ValueError
        Shapes differ or time decreases (says at which index).
    """

    time_s: np.ndarray
    voltage_v: np.ndarray
    current_a: np.ndarray
    group_voltage_v: np.ndarray
    temperature_c: np.ndarray
    sources: tuple[Source, ...]
    reading: Reading
    temperature_names: tuple[str, ...] = ()
    mode_code: np.ndarray | None = None
    mode_words: tuple[str, ...] = ()
    step_number: np.ndarray | None = None
    cycle_number: np.ndarray | None = None
    counters: dict[str, np.ndarray] = field(default_factory=dict)
    step_time_s: np.ndarray | None = None
    started_at: datetime | None = None
    line_number: np.ndarray | None = None
    part: np.ndarray | None = None
    thermistor_ohm: np.ndarray | None = None
    thermistor_names: tuple[str, ...] = ()
    left_out: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        put = object.__setattr__
        if self.thermistor_ohm is None:
            put(self, "thermistor_ohm", np.zeros((len(self.time_s), 0)))
        for name in ("time_s", "voltage_v", "current_a", "group_voltage_v", "temperature_c", "thermistor_ohm"):
            put(self, name, _read_only(getattr(self, name)))
        for name in ("step_number", "cycle_number", "step_time_s"):
            put(self, name, _read_only(getattr(self, name)))
        for name in ("mode_code", "line_number", "part"):
            put(self, name, _read_only(getattr(self, name), np.int64))
        put(self, "counters", {key: _read_only(value) for key, value in self.counters.items()})
        rows = self.time_s.shape[0]
        if self.time_s.ndim != 1:
            raise ValueError(f"time_s must have one dimension, has {self.time_s.ndim}")
        for name in ("group_voltage_v", "temperature_c", "thermistor_ohm"):
            if getattr(self, name).ndim != 2:
                raise ValueError(f"{name} must have shape (n, columns)")
        arrays = {
            name: getattr(self, name)
            for name in (
                "voltage_v", "current_a", "group_voltage_v", "temperature_c", "mode_code", "step_number",
                "cycle_number", "step_time_s", "line_number", "part", "thermistor_ohm",
            )
        } | self.counters
        for name, array in arrays.items():
            if array is not None and array.shape[0] != rows:
                raise ValueError(f"{name} has {array.shape[0]} rows, time_s has {rows}")
        if not np.all(np.isfinite(self.time_s)):
            raise ValueError(f"time_s is not finite at index {int(np.argmin(np.isfinite(self.time_s)))}")
        falls = np.flatnonzero(np.diff(self.time_s) < 0)
        if falls.size:
            raise ValueError(f"time_s decreases at index {int(falls[0]) + 1}")

    @property
    def rows(self) -> int:
        """Number of samples."""
        return int(self.time_s.shape[0])

    @property
    def series(self) -> int:
        """Number of group columns (0 = none logged)."""
        return int(self.group_voltage_v.shape[1])

    @property
    def duration_s(self) -> float:
        """Time from first to last sample. [s]"""
        return float(self.time_s[-1] - self.time_s[0]) if self.rows else 0.0
