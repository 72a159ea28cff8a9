"""The temperatures of a log, made fit for figures, and the table of its sensors.

NTC resistances become temperatures by the curve of the pack file; readings that are none and sensors that froze are named and left
out, so that no mean, maximum or verdict is made with them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from cycler.findings import SIGNIFICANT, Finding
from cycler.log import Log
from cycler.measures.sensors import (
    HIGHEST_C,
    LOWEST_C,
    POWER_ON_C,
    SensorReadings,
    excess_over_others,
    frozen_sensors,
    possible_readings,
)
from cycler.measures.thermal import SensorHeat, Thermal, thermal
from cycler.measures.thermistor import (
    RANGE_C,
    ThermistorReading,
    limit_ohm,
    read_thermistor,
    resistance_ohm,
    tolerance_shift,
)
from cycler.pack import Pack
from cycler.pack_temperature import CHARGE_WINDOW_C, DISCHARGE_WINDOW_C, ThermistorCurve
from cycler.signals import current_scale
from cycler.steps import Step, pack_voltage
from cycler.uncertainty import BudgetLine, combined, reading_u, rectangular

SIBLINGS_K = 5.0
"""Excess over the other sensors that is worth a look. [K] Common practice, no source."""
# A sensor whose heading says that it sits elsewhere is neither compared nor compared with.
_ELSEWHERE = re.compile(
    r"(?<![a-z])t?amb|umgebung|omgeving|room|raum|(?<![a-z])(air|fets?|load)(?![a-z])|luft|board|pcb|platine|mosfet|heat ?sink|kühl|charger",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Sensor:
    """One temperature sensor of a log. ``source`` is "degC" (logged as temperature) or "ntc" (from its resistance).

    ``column`` is its place in ``Log.temperature_c``, None for a resistance without a curve; ``reasons`` are codes of what is wrong
    with it, ``excluded`` is True if nothing of it was used.
    """

    name: str
    source: str
    evidence: str
    column: int | None
    reasons: tuple[str, ...] = ()
    excluded: bool = False


@dataclass(frozen=True, slots=True)
class Sensors:
    """All sensors, the curve used, and findings on those that are in doubt."""

    all: tuple[Sensor, ...] = ()
    curve: ThermistorCurve | None = None
    findings: tuple[Finding, ...] = ()


def with_temperatures(log: Log, pack: Pack) -> tuple[Log, Sensors]:
    """The log with NTC resistances as further temperatures and without readings that are none, and what was done.

    Parameters
    ----------
    log : Log
        As read.
    pack : Pack
        ``thermistor`` is the curve of every NTC column; without it their resistances stay resistances.
    """
    logged = log.temperature_c.shape[1]
    names = [*log.temperature_names, *(f"T{k + 1}" for k in range(len(log.temperature_names), logged))][:logged]
    thermistors = [
        log.thermistor_names[k] if k < len(log.thermistor_names) else f"NTC {k + 1}" for k in range(log.thermistor_ohm.shape[1])
    ]
    if not logged and not thermistors:
        return log, Sensors()
    findings: list[Finding] = []
    read: list[ThermistorReading] = []
    if thermistors and pack.thermistor is None:
        findings.append(_curve_unknown(thermistors))
    elif thermistors:
        read = [read_thermistor(log.thermistor_ohm[:, k], pack.thermistor) for k in range(len(thermistors))]
    columns = [log.temperature_c[:, k] for k in range(logged)] + [reading.temperature_c for reading in read]
    # Ohms beyond the scale are told as open or shorted; what remains of an NTC lies inside it.
    checked = [possible_readings(x) if k < logged else SensorReadings(x, 0, 0, None) for k, x in enumerate(columns)]
    matrix = np.column_stack([item.temperature_c for item in checked]) if checked else np.zeros((log.rows, 0))
    scale = current_scale(log.current_a, pack_voltage(log))
    flows = np.nan_to_num(np.abs(log.current_a - scale.zero_a)) > scale.rest_threshold_a
    frozen = frozen_sensors(log.time_s, matrix, flows)
    sensors = []
    for k, item in enumerate(checked):
        ntc = read[k - logged] if k >= logged else None
        name = names[k] if ntc is None else thermistors[k - logged]
        reasons, told = _doubts(item, ntc, frozen[k], pack.thermistor)
        refused = ntc is not None and ntc.readings > 2 * np.count_nonzero(np.isfinite(item.temperature_c))
        excluded = frozen[k] is not None or item.mostly_none or refused
        if excluded:
            matrix[:, k] = np.nan
        if told:
            hot = bool({"short_circuit", "power_on_value"} & set(reasons)) or (item.example_c or 0.0) > HIGHEST_C
            findings.append(_doubtful(name, told, excluded, hot))
        evidence = _evidence(log, name) if ntc is None else f"resistance by {pack.thermistor.words()}"
        sensors.append(Sensor(name, "degC" if ntc is None else "ntc", evidence, k, reasons, excluded))
    if thermistors and not read:
        sensors += [Sensor(name, "ntc", "resistance without a curve", None, ("thermistor_curve_unknown",)) for name in thermistors]
    changed = replace(log, temperature_c=matrix, temperature_names=tuple(s.name for s in sensors if s.column is not None))
    return changed, Sensors(tuple(sensors), pack.thermistor if read else None, tuple(findings))


def _evidence(log: Log, name: str) -> str:
    return next((c.evidence for c in log.reading.columns if c.role == "temperature" and c.name == name), "")


def _curve_unknown(names: Sequence[str]) -> Finding:
    return Finding(
        "thermistor_curve_unknown", "info",
        f"The log holds the resistance of {len(names)} thermistor{'s' if len(names) > 1 else ''}, but the pack file states no curve: no "
        "temperature was derived. Under [thermistor] add r25_ohm and b_k, or a, b and c of Steinhart-Hart, from the sensor's data sheet.",
        ", ".join(names[:8]),
    )


def _doubts(
    item: SensorReadings, ntc: ThermistorReading | None, frozen_c: float | None, curve: ThermistorCurve | None
) -> tuple[tuple[str, ...], list[str]]:
    """Codes and words for what is wrong with one sensor."""
    found: list[tuple[str, str]] = []
    if ntc is not None:
        high, low = (limit_ohm(curve, celsius) for celsius in RANGE_C)
        at = [f"{celsius:.0f} °C" for celsius in RANGE_C]
        for code, count, words in (
            ("resistance_not_positive", ntc.not_positive, "of no resistance or a negative one"),
            ("open_circuit", ntc.open_circuit, f"above the {high:.4g} Ω of {at[0]}: open, a broken lead or plug"),
            ("short_circuit", ntc.short_circuit, f"below the {low:.4g} Ω of {at[1]}: shorted, or hotter than any cell may be"),
        ):
            if count:
                found.append((code, f"{count} of {ntc.readings} readings {words}"))
    if item.impossible:
        found.append(("impossible_value", f"{item.impossible} readings at or below {LOWEST_C:.0f} °C or above {HIGHEST_C:.0f} °C, first {item.example_c:g} °C"))
    if item.power_on:
        found.append(("power_on_value", f"{item.power_on} readings of exactly {POWER_ON_C:.1f} °C out of nowhere, as a digital sensor gives before its first conversion"))
    if frozen_c is not None:
        found.append(("frozen", f"it stood at {frozen_c:.2f} °C while the pack worked or the other sensors moved: frozen, or not on the pack"))
    return tuple(code for code, _ in found), [words for _, words in found]


def _doubtful(name: str, told: list[str], excluded: bool, hot: bool) -> Finding:
    what = "it is left out of every figure" if excluded else "those readings are left out"
    return Finding(
        "temperature_sensor_doubtful", "caution",
        f"Temperature sensor {name} is in doubt, and {what}: check the sensor and its leads."
        + (" If the pack may really have been so hot, isolate it and do not use it." if hot else ""), "; ".join(told),
    )


def u_of_sensor(sensor: Sensor, celsius: float, pack: Pack, curve: ThermistorCurve | None) -> tuple[BudgetLine, ...]:
    """Budget of one temperature [K]: the bench's limit of error, which for an NTC stands for its ohmmeter and the contact of the sensor;
    for an NTC also the tolerances of the part, which a sensor that is logged in degC has inside that limit.
    """
    lines = [BudgetLine("temperature reading", reading_u(pack.instrument, "temperature", celsius, 0.0))]
    if sensor.source == "ntc" and curve is not None:
        shift = tolerance_shift(resistance_ohm(np.array([celsius]), curve), curve)
        lines += [
            BudgetLine("R25 of the thermistor", rectangular(abs(float(shift.by_r25_k[0])))),
            BudgetLine("B of the thermistor", rectangular(abs(float(shift.by_b_k[0])))),
        ]
    return tuple(lines)


def u_of_rise(sensor: Sensor, heat: SensorHeat, pack: Pack, curve: ThermistorCurve | None) -> float:
    """Standard uncertainty of a rise. [K] The zero of one sensor cancels: half of the bench's limit is kept for its gain and lag. The
    tolerances of an NTC shift both ends by nearly the same, and only the difference counts.
    """
    u = 0.5 * reading_u(pack.instrument, "temperature", heat.max_c, 0.0)
    if sensor.source == "ntc" and curve is not None:
        ends = tolerance_shift(resistance_ohm(np.array([heat.start_c, heat.max_c]), curve), curve)
        u = math.hypot(u, rectangular(float(np.diff(ends.by_r25_k)[0])), rectangular(float(np.diff(ends.by_b_k)[0])))
    return u


def thermal_figures(log: Log, pack: Pack, steps: tuple[Step, ...], sensors: Sensors) -> tuple[Thermal | None, dict[str, Any], list[Finding]]:
    """Figures of all sensors, the contract's ``thermal`` object, and findings on the sensors.

    Parameters
    ----------
    log : Log
        As :func:`with_temperatures` gave it.
    """
    direction = np.zeros(log.rows, dtype=np.int64)
    for step in steps:
        direction[step.slice] = step.direction
    placed = [s for s in sensors.all if s.column is not None]
    tops = [float(np.nanmax(log.temperature_c[:, s.column])) if np.any(np.isfinite(log.temperature_c[:, s.column])) else None for s in placed]
    u = np.array([
        combined(u_of_sensor(s, top, pack, sensors.curve)) if top is not None else math.nan for s, top in zip(placed, tops)
    ])
    breaks = tuple(gap.start_s + 0.5 * gap.duration_s for gap in log.reading.gaps)
    heat = thermal(
        log.time_s, log.temperature_c, direction, u, breaks, pack.charge_temperature_c or CHARGE_WINDOW_C,
        pack.discharge_temperature_c or DISCHARGE_WINDOW_C,
    )
    rows = [_row(s, heat, pack, sensors.curve) for s in sensors.all]
    found = [*sensors.findings, *(_siblings(log, placed, u) if heat is not None else ())]
    return heat, _sheet(heat, rows, sensors, pack), found


_EMPTY = tuple(name for name in SensorHeat.__dataclass_fields__ if name != "reasons")


def _row(sensor: Sensor, heat: Thermal | None, pack: Pack, curve: ThermistorCurve | None) -> dict[str, Any]:
    """The contract's row of one sensor."""
    own = heat.sensors[sensor.column] if heat is not None and sensor.column is not None else None
    row: dict[str, Any] = {"name": sensor.name, "source": sensor.source, "evidence": sensor.evidence}
    if own is None:
        reasons = list(sensor.reasons) or ["no_readings"]
        return row | dict.fromkeys((*_EMPTY, "u_max_c", "u_start_c", "u_rise_c")) | {"budget": [], "excluded": sensor.excluded, "reasons": reasons}
    budget = u_of_sensor(sensor, own.max_c, pack, curve)
    figures = asdict(own)
    figures["reasons"] = [*sensor.reasons, *own.reasons]
    return row | figures | {
        "u_max_c": combined(budget), "u_start_c": combined(u_of_sensor(sensor, own.start_c, pack, curve)),
        "u_rise_c": u_of_rise(sensor, own, pack, curve), "excluded": False,
        "budget": [{"source": line.source, "standard_uncertainty_c": line.standard_uncertainty} for line in budget],
    }


def _sheet(heat: Thermal | None, rows: list[dict[str, Any]], sensors: Sensors, pack: Pack) -> dict[str, Any]:
    by_column = {s.column: row for s, row in zip(sensors.all, rows) if s.column is not None}
    windows = {
        "charge_window_c": list(pack.charge_temperature_c or CHARGE_WINDOW_C),
        "discharge_window_c": list(pack.discharge_temperature_c or DISCHARGE_WINDOW_C),
        "windows_stated": pack.charge_temperature_c is not None and pack.discharge_temperature_c is not None,
    }
    if heat is None:
        codes = list(dict.fromkeys(code for row in rows for code in row["reasons"])) or ["no_temperature"]
        empty = dict.fromkeys(("max_c", "rise_c", "max_rate_c_per_min", "ambient_c", "u_max_c", "u_rise_c", "hottest_sensor", "rose_most_sensor"))
        return empty | {"reasons": codes, "sensors": rows} | windows
    hottest, rose = by_column[heat.hottest], by_column[heat.rose_most]
    return {
        "max_c": heat.max_c, "rise_c": heat.rise_c, "max_rate_c_per_min": heat.max_rate_c_per_min, "ambient_c": heat.ambient_c,
        "u_max_c": hottest["u_max_c"], "u_rise_c": rose["u_rise_c"], "hottest_sensor": hottest["name"], "rose_most_sensor": rose["name"],
        "reasons": [], "sensors": rows,
    } | windows


def _siblings(log: Log, placed: list[Sensor], u: np.ndarray) -> list[Finding]:
    """Sensors on the cells that read clearly more than the others at the same instant."""
    here = [s for s in placed if not s.excluded and np.isfinite(u[s.column]) and not _ELSEWHERE.search(s.name)]
    if len(here) < 2:
        return []
    columns = [s.column for s in here]
    out = []
    for sensor, excess in zip(here, excess_over_others(log.temperature_c[:, columns])):
        if excess is None:
            continue
        others = [u[c] for c in columns if c != sensor.column]
        expanded = SIGNIFICANT * math.hypot(u[sensor.column], float(np.median(others)))
        if excess[0] > max(SIBLINGS_K, expanded):
            out.append(
                Finding(
                    "sensor_hotter_than_siblings", "caution",
                    f"Sensor {sensor.name} read {excess[0]:.1f} K more than the others: a hot spot (a joint, a weak or shorted cell) unless it sits "
                    "elsewhere. Take the load off before you look for it.",
                    f"{excess[0]:.1f} ± {expanded:.1f} K (k = 2) at most, {excess[1]:+.1f} K at the start",
                )
            )
    return out
