"""The bench sheet: what was told, seen and measured of a pack before anything was done to it. Every part may be missing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from cycler.instrument import Instrument
from cycler.pack import Pack
from cycler.pack_temperature import ThermistorCurve

FROM_NEGATIVE, FROM_POSITIVE, EACH_GROUP = "pack_negative", "pack_positive", "each_group"
TAPS_FROM = (FROM_NEGATIVE, FROM_POSITIVE, EACH_GROUP)
"""How the balance taps were read: against pack negative or pack positive (cumulative), or each group by itself."""

LOOK_ITEMS = ("swollen", "leaking", "smell", "hot", "burnt", "wet", "dented", "corroded", "leads_damaged", "joint_torn", "opened_before")
"""What is looked and smelt for. An item that is not in ``look`` was not looked for: that is not a no."""


@dataclass(frozen=True, slots=True)
class Meter:
    """The multimeter. Limits of error as in its data sheet; resistance as fraction of reading and ohm.

    ``voltage`` uses the channel ``group_voltage`` of an :class:`Instrument` for every voltage of the sheet: one meter reads them all.
    """

    name: str = ""
    voltage: Instrument = field(default_factory=Instrument)
    resistance_gain: float = 0.01
    resistance_offset_ohm: float = 1.0
    current_gain: float = 0.02
    current_offset_a: float = 0.0001
    stated: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    defaulted: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Probe:
    """One thermistor by the ohmmeter, its plug pulled from the board.

    Attributes
    ----------
    ohm : float or None
        Reading; ``inf`` where the meter shows overload. [ohm]
    temperature_c : float or None
        Of its place if that was measured otherwise; None: the ambient of the sheet.
    curve : ThermistorCurve or None
        From the data sheet or the board's marking; None: unknown, to be matched.
    """

    name: str
    ohm: float | None = None
    place: str = ""
    temperature_c: float | None = None
    curve: ThermistorCurve | None = None


@dataclass(frozen=True, slots=True)
class BenchSheet:
    """One sheet, whole or half filled. Unknown is None or empty.

    Attributes
    ----------
    pack : Pack
        Ratings from the label; its ``instrument`` is not used here.
    complaint, lamps, remark : str
        In the repairer's words.
    look : mapping of str to str
        Of :data:`LOOK_ITEMS` those that were looked for: "yes" or "no".
    rested_h : float or None
        Hours without current before the readings.
    days_low : float or None
        For how many days the pack is known to have lain as empty as now.
    ambient_c : float or None
        [degC]
    terminal_v : float or None
        At the discharge contacts, the board between. [V]
    charge_contact_v : float or None
        At the charge contacts. [V]
    cells_v : float or None
        Across all series groups, before the board. [V]
    taps_from : str or None
        One of :data:`TAPS_FROM`.
    taps_v : tuple of (float or None)
        Cumulative: N + 1 readings in the order of the wires from the reference on, the reference itself first (0 V, or None where it was
        not read). Each group: N readings, group 1 at pack negative. None: not taken. [V]
    board_current_a : float or None
        What the board draws from the cells at rest. [A]
    charger_v : float or None
        Of the charger alone, without the pack. [V]
    probes : tuple of Probe
    observed : mapping of str to (str or float)
        Further observations by key; the keys, their units and what they may be stand in ``data/causes.toml``.
    unread : tuple of (key, text)
        What was entered where a number belongs and is none: kept as it was typed.
    """

    pack: Pack = field(default_factory=Pack)
    complaint: str = ""
    lamps: str = ""
    look: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    remark: str = ""
    meter: Meter = field(default_factory=Meter)
    taken_at: str | None = None
    taken_by: str = ""
    rested_h: float | None = None
    days_low: float | None = None
    ambient_c: float | None = None
    terminal_v: float | None = None
    charge_contact_v: float | None = None
    cells_v: float | None = None
    taps_from: str | None = None
    taps_v: tuple[float | None, ...] = ()
    board_current_a: float | None = None
    charger_v: float | None = None
    probes: tuple[Probe, ...] = ()
    observed: Mapping[str, str | float] = field(default_factory=lambda: MappingProxyType({}))
    unread: tuple[tuple[str, str], ...] = ()
    file: str | None = None
