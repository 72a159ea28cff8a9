"""From limits of error and sensitivities to standard uncertainties (terms of JCGM 100:2008, from memory).

Limits of error are half-widths of a rectangular distribution unless said, u = a / sqrt(3); resolution d gives
d / sqrt(12). Terms of one budget are independent of each other and joined as the root of the sum of squares.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt

from cycler.instrument import Instrument
from cycler.measures.capacity import Discharge
from cycler.pack import Pack

SECONDS_PER_HOUR = 3600.0
COUNTER_SHARE = 0.02
"""Limit of error of what a counter bridged. Common practice, no source."""


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a rectangular distribution of that half-width."""
    return half_width / sqrt(3.0)


def resolution_term(step: float) -> float:
    """Standard uncertainty from a reading's resolution step."""
    return step / sqrt(12.0)


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One source and its standard uncertainty, in the unit of the figure."""

    source: str
    standard_uncertainty: float


def combined(lines: tuple[BudgetLine, ...]) -> float:
    """Combined standard uncertainty of independent terms."""
    return sqrt(sum(line.standard_uncertainty**2 for line in lines))


def rounding_beyond(step: float, digit: float) -> float:
    """Resolution step that a limit of error does not hold yet: rounding to the ``digit`` that the limit counts is in that limit
    (common practice, no source), and a log that rounds again, to a coarser ``step``, adds the rest."""
    return sqrt(max(step**2 - digit**2, 0.0))


def reading_u(instrument: Instrument, channel: str, value: float, resolution: float) -> float:
    """Standard uncertainty of one reading of a channel (``instrument.CHANNELS``, clock excepted), in its unit.

    A data-sheet line is one rectangle whose half-width is the sum of its parts at this reading, a certificate's U its sum over k;
    gain and zero error that were stated apart are two independent rectangles. Resolution joins as far as the limit does not hold it.
    """
    gain, offset, digit = instrument.limits(channel)
    if instrument.is_one_limit(channel):
        limit = rectangular(gain * abs(value) + offset)
    else:
        limit = hypot(rectangular(gain * abs(value)), rectangular(offset))
    return hypot(limit, resolution_term(rounding_beyond(resolution, digit)))


def voltage_reading_u(instrument: Instrument, voltage_v: float, resolution_v: float, group: bool) -> float:
    """:func:`reading_u` of the pack's or a group's voltage. [V]"""
    return reading_u(instrument, "group_voltage" if group else "voltage", voltage_v, resolution_v)


def zero_error_u_a(instrument: Instrument, zero_seen_a: float = 0.0, doubtful_a: float = 0.0) -> float:
    """Standard uncertainty of the zero of the ammeter. [A]

    Its limit of error (or a steady current that may be its zero, if larger) as a rectangle; a zero seen at rest beyond that limit is a known error that is
    not taken off, so that it counts whole.
    """
    limit = max(instrument.current_offset_a, doubtful_a)
    return abs(zero_seen_a) if abs(zero_seen_a) > limit else rectangular(limit)


def capacity_budget(
    discharge: Discharge, pack: Pack, end_voltage_u_v: float, zero_seen_a: float = 0.0, lead_ohm: float = 0.0
) -> tuple[BudgetLine, ...]:
    """Budget of the charge taken in one discharge. [Ah]

    Parameters
    ----------
    discharge : Discharge
    pack : Pack
        Its instrument's limits of error are used.
    end_voltage_u_v : float
        Standard uncertainty of the voltage that ended the test. [V]
    zero_seen_a : float
        Mean current at rest, see :func:`zero_error_u_a`. [A]
    lead_ohm : float
        Resistance of leads found in the pack voltage, beyond what the pack file states. [ohm]

    Returns
    -------
    tuple of BudgetLine
        current gain: Q g; current offset: a T over the time under current, by :func:`zero_error_u_a`; clock: Q g_t; cut-off voltage:
        u(V)/|dV/dQ| at the end; leads: I R over the slope at the end, as the half-width of how early a cut-off behind leads came;
        sample instant: dI dt u(share) for each switch; current noise and resolution: random part
        s dt sqrt(n), quantisation of a steady current d/sqrt(12) T unless noise dithers it or the ammeter's limit holds it; full start: what a rest below the charge voltage, or a charge held below it, leaves open;
        gap: 2 % of what a counter bridged (common practice, no source); missing current: what a straight line over missing readings leaves open.
    """
    instrument = pack.instrument
    q = abs(discharge.net_ah)
    hours = discharge.active_s / SECONDS_PER_HOUR
    lines = [
        BudgetLine("current gain", rectangular(instrument.current_gain * q)),
        BudgetLine("current offset", zero_error_u_a(instrument, zero_seen_a, discharge.zero_doubt_a) * hours),
        BudgetLine("clock", rectangular(instrument.clock_gain * q)),
    ]
    if discharge.end_reason in ("pack_cutoff", "group_cutoff") and discharge.slope_v_per_ah:
        lines.append(BudgetLine("cut-off voltage", end_voltage_u_v / discharge.slope_v_per_ah))
    if discharge.end_reason == "pack_cutoff" and discharge.slope_v_per_ah and (drop := lead_drop_v(discharge, instrument, lead_ohm)):
        lines.append(BudgetLine("leads", rectangular(drop / discharge.slope_v_per_ah)))
    switches = sqrt(sum(term**2 for term in discharge.switch_terms_as)) / SECONDS_PER_HOUR
    lines.append(BudgetLine("sample instant", switches))
    count = max(1.0, discharge.active_s / discharge.sampling_s) if discharge.sampling_s > 0 else 1.0
    random = discharge.noise_a * discharge.sampling_s * sqrt(count) / SECONDS_PER_HOUR
    dithered = discharge.noise_a > 0.5 * discharge.resolution_a
    step_a = rounding_beyond(discharge.resolution_a, instrument.limits("current")[2])
    steady = 0.0 if dithered else resolution_term(step_a) * hours
    lines.append(BudgetLine("current noise and resolution", hypot(random, steady)))
    if discharge.start_evidence == "rest_voltage" and discharge.start_slope_v_per_ah and discharge.start_short_v:
        lines.append(BudgetLine("full start", rectangular(discharge.start_short_v / discharge.start_slope_v_per_ah)))
    top = discharge.top_slope_v_per_ah or discharge.start_slope_v_per_ah
    if discharge.start_evidence == "cv_taper" and discharge.start_short_v and top:
        lines.append(BudgetLine("full start", rectangular(discharge.start_short_v / top)))
    if discharge.bridged_ah:
        lines.append(BudgetLine("gap", rectangular(COUNTER_SHARE * discharge.bridged_ah)))
    if discharge.missing_half_ah:
        # Readings go missing for one reason (over range, say), so the errors of the runs add up.
        lines.append(BudgetLine("missing current", rectangular(discharge.missing_half_ah)))
    return tuple(lines)


def charge_voltage_u(discharge: Discharge, pack: Pack) -> float:
    """What the voltmeter leaves open of how full the pack was when the discharge began. [Ah]

    Full is the state in which this bench left the pack; a voltmeter that reads 0.1 % high stops a 4.2 V cell at 4.196 V. u(V) over the fall of
    the pack's voltage per charge just below full (``capacity.TOP_SHARES``, under load); 0 where no full start, charge voltage or slope is known. The same
    error shifts the cut-off the other way, which would cancel a little of both; that is left in.
    """
    if not (discharge.started_full and discharge.top_slope_v_per_ah and pack.charge_voltage_v):
        return 0.0
    return voltage_reading_u(pack.instrument, pack.charge_voltage_v, 0.0, False) / discharge.top_slope_v_per_ah


def lead_drop_v(discharge: Discharge, instrument: Instrument, lead_ohm: float = 0.0) -> float:
    """Drop over leads between pack and voltmeter at the mean current: stated ones of a two-wire set-up, or ``lead_ohm`` if that is more. [V]"""
    stated = instrument.lead_resistance_ohm if instrument.sense == "two-wire" else 0.0
    return abs(discharge.mean_current_a) * max(stated, lead_ohm, 0.0)


def energy_budget(
    discharge: Discharge, pack: Pack, charge_lines: tuple[BudgetLine, ...], mean_voltage_v: float, end_resolution_v: float = 0.0,
    lead_ohm: float = 0.0,
) -> tuple[BudgetLine, ...]:
    """Budget of the energy taken in one discharge. [Wh]

    The charge terms count at mean voltage, joined with the voltage's own gain and offset. Where the pack's cut-off ended
    the test, a voltmeter that reads high shifts the cut-off and the energy the same way: both parts of each of its errors are
    added before they are squared, and the step of its readings (``end_resolution_v``) moves the cut-off alone. What missing readings of the
    voltage leave open joins them.
    """
    i = pack.instrument
    energy, charge = abs(discharge.energy_wh), abs(discharge.net_ah)
    cut = pack.cutoff_voltage_v or 0.0
    by_pack = discharge.end_reason == "pack_cutoff" and discharge.slope_v_per_ah
    per_volt = cut / discharge.slope_v_per_ah if by_pack and discharge.slope_v_per_ah else 0.0
    lines = [
        BudgetLine(line.source, line.standard_uncertainty * abs(mean_voltage_v))
        for line in charge_lines
        if not (by_pack and line.source == "cut-off voltage")
    ]
    if drop := lead_drop_v(discharge, i, lead_ohm):
        lines.append(BudgetLine("power lost in leads", rectangular(drop * charge)))
    lines += [
        BudgetLine("voltage gain", rectangular(i.voltage_gain * (energy + cut * per_volt))),
        BudgetLine("voltage offset", rectangular(i.voltage_offset_v * (charge + per_volt))),
    ]
    if by_pack:
        lines.append(BudgetLine("voltage resolution at the cut-off", resolution_term(rounding_beyond(end_resolution_v, i.limits("voltage")[2])) * per_volt))
    if discharge.voltage_open_wh:
        lines.append(BudgetLine("missing voltage", rectangular(discharge.voltage_open_wh)))
    return tuple(lines)


def energy_u(
    discharge: Discharge, pack: Pack, charge_lines: tuple[BudgetLine, ...], mean_voltage_v: float, end_resolution_v: float = 0.0,
    lead_ohm: float = 0.0,
) -> float:
    """Standard uncertainty of the energy by :func:`energy_budget`. [Wh]"""
    return combined(energy_budget(discharge, pack, charge_lines, mean_voltage_v, end_resolution_v, lead_ohm))


def resistance_u(
    instrument: Instrument, ohm: float, random_ohm: float, instant_ohm: float, group: bool, current_share: float = 0.0
) -> tuple[BudgetLine, ...]:
    """Budget of one resistance dU/dI. [ohm]

    Offsets cancel in both differences; the gains do not. The part of a data-sheet line that does not go with the reading (digits, % of range) is taken as
    a zero error, wholly constant over the step; there is no term for linearity between the two voltages or currents. ``random_ohm`` joins noise and resolution of both voltage
    readings over dI, ``instant_ohm`` is the slope of R(t) times the uncertainty of the edge's instant, ``current_share`` the relative standard
    uncertainty of dI from noise and resolution of the ammeter.
    """
    gain = instrument.group_voltage_gain if group else instrument.voltage_gain
    return (
        BudgetLine("voltage gain", rectangular(gain * abs(ohm))),
        BudgetLine("current gain", rectangular(instrument.current_gain * abs(ohm))),
        BudgetLine("current noise and resolution", current_share * abs(ohm)),
        BudgetLine("voltage noise and resolution", random_ohm),
        BudgetLine("instant of the edge", instant_ohm),
    )


def difference_u(instrument: Instrument, voltage_v: float, resolution_v: float) -> float:
    """Standard uncertainty of the difference between two groups' readings: two channels, each with its own limits. [V]"""
    return sqrt(2.0) * voltage_reading_u(instrument, voltage_v, resolution_v, group=True)
