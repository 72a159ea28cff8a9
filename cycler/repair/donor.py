"""A donor board's plug held against the pack's own, pin by pin: what stays as it was, and what would get a wrong potential.

``own`` is what the pack's harness shows at each pin, measured. ``donor`` is what the donor board expects there: the potentials measured on the harness of the pack
that it comes from, or the maker's data. Pins are compared by what they are (tap 0 ... N, a thermistor with which other pin, nothing), so that two packs of
different charge do not differ for that alone. The voltage across an input is then counted at the pack's own charge.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from cycler.pack import CHEMISTRY_LIMITS
from cycler.quantities import figure_text
from cycler.repair.cautions import OVER_60_V, SHORT_CIRCUIT_PROBES, STORED_ENERGY, TOUCH_LIMIT_V, caution_list
from cycler.repair.connector import (
    CHARGE,
    COMMUNICATION,
    NOTHING,
    PACK_NEGATIVE,
    PACK_POSITIVE,
    THERMISTOR,
    Connector,
    Pin,
    Thermistor,
)
from cycler.repair.connector_levels import Side, side_of, u_between, u_difference, u_voltage
from cycler.repair.donor_remarks import Keys, patterns

__all__ = ["AGREES", "DO_NOT_CONNECT", "NOT_KNOWN", "SCHEMA", "compare_connectors"]

SCHEMA = "cycler.donor/1"
DO_NOT_CONNECT, AGREES, NOT_KNOWN = "do_not_connect", "agrees", "not_known"
SAME, WRONG, NOT_MEASURED = "same", "wrong", "not_measured"

WORDS = {
    DO_NOT_CONNECT: "Do not connect.",
    AGREES: "Measured potentials agree; confirm with the maker's data.",
    NOT_KNOWN: "Not known. Do not connect on the strength of this.",
}
OWN_CAUTIONS = {
    "connect_order": "Boards are connected and disconnected in an order that their maker gives; many are destroyed by another one. Without it, do not connect.",
    "board_limits": "Agreeing potentials say nothing of the board's limits: charge and discharge voltage, current and temperature belong to the cells it was made for.",
}

_B_RANGE_K = (3200.0, 4300.0)
"""B values of the usual NTC thermistors, from catalogue types 3435, 3950 and 3977 with room on both sides. [K]"""
_PLACE_C = (10.0, 35.0)
"""Where the temperature of a thermistor was not noted: a workshop is between these. Common practice, no source. [degC]"""
_R_SPREAD = 0.12
"""Half-width beyond the curve within which two readings may be of one type: tolerance of the part, reading, place. Common practice, no source."""
_SIGNAL_V = 0.5
"""Two potentials of a signal line or charge contact that lie closer are taken as one. Common practice, no source. [V]"""


@dataclass(frozen=True, slots=True)
class _What:
    """What a pin is: ``kind`` "tap", "thermistor", "nothing", "charge contact", "communication" or "unknown"."""

    kind: str
    order: tuple[int, int] | None = None
    lead: str = ""
    thermistor: Thermistor | None = None
    words: str = ""
    v: float | None = None


def compare_connectors(own: Connector, donor: Connector) -> dict[str, Any]:
    """Line two connectors up.

    Parameters
    ----------
    own : Connector
        The pack's harness as measured.
    donor : Connector
        What the donor board expects, measured on its original pack or from the maker's data; a pin that is only stated counts as expected.

    Returns
    -------
    dict
        Schema ``cycler.donor/1``. ``result`` is "do_not_connect" if anything differs, "not_known" if nothing differs but a pin was not measured or cannot
        be told, "agrees" otherwise. Of each pin ``own_v`` and ``donor_v`` against pack negative with ``u_v`` of the former, and ``across_v`` (with ``u_across_v``), the own potential less
        what the input is made for at the own pack's charge. [V]
    """
    mine, theirs = side_of(own), side_of(donor)
    numbers = sorted({pin.number for pin in own.pins} | {pin.number for pin in donor.pins})
    whats = {number: (_what(mine, number, measured=True), _what(theirs, number, measured=False)) for number in numbers}
    pins = [_pin(number, *whats[number], mine, theirs) for number in numbers]
    remarks = [*patterns(pins, _keys(whats), mine, theirs), *_remarks(mine, theirs, pins)]
    result = _result(pins, remarks, mine, theirs)
    return {
        "schema": SCHEMA, "result": result, "words": _words(result, pins, remarks),
        "own_name": own.name, "donor_name": donor.name, "pins": pins, "series_own": mine.series, "series_donor": theirs.series,
        "step_own_v": mine.step_v, "step_donor_v": theirs.step_v, "keying_own": own.keying, "keying_donor": donor.keying,
        "meter_assumed": "voltage" in own.meter.defaulted or not own.meter.stated,
        "remarks": [{key: value for key, value in item.items() if key != "stops"} for item in remarks],
        "cautions": _cautions(mine, theirs),
    }


# ---- what a pin is -------------------------------------------------------------------------------------------------


def _what(side: Side, number: int, measured: bool) -> _What:
    """What a pin is on one side; with ``measured`` a role alone is not enough."""
    connector = side.connector
    pin = connector.pin(number)
    if pin is None:
        return _What(NOTHING, words="no such pin")
    v = side.potential_v.get(number)
    probe = connector.thermistor_at(number)
    order = side.order.get(number) if v is not None or not measured else None
    if probe is not None:
        other = probe.pins[1] if probe.pins[0] == number else probe.pins[0]
        tail = f" and {_tap_words(order, pin)}" if order else ""
        return _What("thermistor", order, pin.role, probe, f"thermistor with pin {other}{tail}", v)
    if order is not None and pin.role not in (THERMISTOR, CHARGE, COMMUNICATION, NOTHING):
        return _What("tap", order, pin.role, None, _tap_words(order, pin), v)
    if pin.role == NOTHING:
        return _What(NOTHING, words="nothing on it", v=v)
    if pin.role in (CHARGE, COMMUNICATION):
        return _What(pin.role, lead=pin.role, words=pin.role, v=v)
    if pin.role == THERMISTOR and not measured:
        return _What("thermistor", None, pin.role, None, "thermistor", v)
    if v is not None:
        return _What("unknown", words="potential of no tap", v=v)
    return _What("unknown", words=f"stated {_role(pin)}, not measured" if pin.role else "not measured")


def _role(pin: Pin) -> str:
    return f"tap {pin.tap}" if pin.tap is not None else pin.role


def _tap_words(order: tuple[int, int], pin: Pin) -> str:
    low, high = order
    words = f"tap {low}" if low == high else f"tap {low} or {high}"
    return f"{words} ({pin.role})" if pin.role in (PACK_NEGATIVE, PACK_POSITIVE) else words


# ---- a pin against a pin -------------------------------------------------------------------------------------------


def _pin(number: int, own: _What, donor: _What, mine: Side, theirs: Side) -> dict[str, Any]:
    verdict, words, across, u_across = _judged(number, own, donor, mine, theirs)
    return {
        "pin": number, "own_role": own.words, "own_v": own.v, "donor_role": donor.words, "donor_v": donor.v,
        "u_v": None if own.v is None else u_voltage(mine.connector, own.v), "across_v": across, "u_across_v": u_across, "verdict": verdict, "words": words,
    }


_Judgement = tuple[str, str, float | None, float | None]


def _judged(number: int, own: _What, donor: _What, mine: Side, theirs: Side) -> _Judgement:
    if own.kind == "unknown" or donor.kind == "unknown":
        return _unknown(own, donor)
    if donor.kind == NOTHING:
        if own.kind == NOTHING:
            return SAME, "Nothing on either side.", None, None
        return WRONG, f"The pack has {own.words} here; the board has nothing for it.", None, None
    if own.kind == NOTHING:
        return WRONG, f"The board expects {donor.words} here; the pack's plug has nothing.", None, None
    judge: Callable[[_What, _What, Side, Side], _Judgement] = {
        ("tap", "tap"): _tap_on_tap, ("thermistor", "thermistor"): _thermistor_on_thermistor, ("tap", "thermistor"): _tap_on_thermistor,
    }.get((own.kind, donor.kind), _other)
    return judge(own, donor, mine, theirs)


def _unknown(own: _What, donor: _What) -> _Judgement:
    if own.kind == "unknown" and own.v is not None and donor.kind == "tap":
        return NOT_MEASURED, f"The board expects {donor.words}; which tap the pack's potential of {own.v:.3f} V is cannot be told.", None, None
    sides = [name for name, item in (("pack's side", own), ("board's side", donor)) if item.kind == "unknown"]
    return NOT_MEASURED, f"Not known on the {' and the '.join(sides)}: measure it.", None, None


def _tap_on_tap(own: _What, donor: _What, mine: Side, theirs: Side) -> _Judgement:
    a, b = own.order, donor.order
    across, u = _across_tap(own, b, mine)
    if a[0] <= b[1] and b[0] <= a[1]:
        if {own.lead, donor.lead} <= {PACK_NEGATIVE, PACK_POSITIVE, "tap"} and own.lead != donor.lead:
            heavy = own.lead if own.lead != "tap" else donor.lead
            return WRONG, f"The same potential, but another lead: {heavy} on one side, a sense line on the other. The pack's current would run over a thin line.", across, u
        if a[0] != a[1] or b[0] != b[1]:
            return NOT_MEASURED, f"{_capital(own.words)} against {donor.words}: two pins are on one potential, and which is which cannot be told.", None, None
        return SAME, f"{_capital(own.words)} on both sides.", None, None
    words = f"{_capital(own.words)} would come to the input for {donor.words}"
    if across is not None:
        words += f": {figure_text(abs(across), u, 'V')} too {'high' if across > 0 else 'low'} for it"
    return WRONG, f"{words}.", across, u


def _across_tap(own: _What, expected: tuple[int, int], mine: Side) -> tuple[float | None, float | None]:
    """Own potential less that of the tap the input is made for, at the own pack's charge. [V]"""
    if own.v is None or expected[0] != expected[1] or not mine.reference_known:
        return None, None
    should = mine.tap_potential(expected[0])
    if should is None:
        return None, None
    volts, measured = should
    across = round(own.v - volts, 9)
    u = u_difference(mine.connector, across)
    if not measured:
        # A tap that is not on the plug was reckoned in usual steps, whose spread counts for each step.
        away = min(abs(expected[0] - low) for low, high in mine.order.values() if low == high)
        u = math.hypot(u, mine.u_step_v * math.sqrt(away))
    return across, u


def _tap_on_thermistor(own: _What, donor: _What, mine: Side, _theirs: Side) -> _Judgement:
    if donor.order is not None and own.order == donor.order == (0, 0):
        return WRONG, "Both are on pack negative, but the thermistor that the board reads against it is missing here.", None, None
    if own.v is None:
        return WRONG, f"{_capital(own.words)} would come to a thermistor input.", None, None
    across = own.v - (donor.v or 0.0)
    u = u_voltage(mine.connector, own.v)
    return WRONG, f"{_capital(own.words)} would come to a thermistor input: {figure_text(across, u, 'V')} against pack negative stand there.", across, u


def _thermistor_on_thermistor(own: _What, donor: _What, mine: Side, theirs: Side) -> _Judgement:
    if own.order != donor.order and (own.order or donor.order) and None not in (own.v, donor.v):
        return WRONG, "The thermistor returns to pack negative on one side only.", own.v - donor.v, u_between(mine.connector, theirs.connector, own.v, donor.v)
    if own.thermistor is None or donor.thermistor is None:
        return NOT_MEASURED, "A thermistor is stated here, but not with which other pin: measure between which two pins it lies.", None, None
    if own.thermistor.pins != donor.thermistor.pins:
        return WRONG, f"{_capital(own.words)} here, {donor.words} on the board: the thermistor would lie between the wrong pins.", None, None
    if own.thermistor.name and donor.thermistor.name and own.thermistor.name.casefold() != donor.thermistor.name.casefold():
        return WRONG, f"The thermistor “{own.thermistor.name}” would come to the input of “{donor.thermistor.name}”.", None, None
    if own.thermistor.ohm is None or donor.thermistor.ohm is None:
        return NOT_MEASURED, "A thermistor on both sides; its resistance is not measured on both.", None, None
    mine_25, theirs_25 = _r25(own.thermistor), _r25(donor.thermistor)
    if mine_25[1] < theirs_25[0] or theirs_25[1] < mine_25[0]:
        return WRONG, f"Another thermistor: about {_ohm(mine_25)} at 25 °C here, {_ohm(theirs_25)} on the board. The board would believe a wrong temperature.", None, None
    return SAME, "A thermistor between the same two pins, of a resistance that fits.", None, None


def _r25(item: Thermistor) -> tuple[float, float]:
    """Least and greatest resistance at 25 degC that a reading may stand for: R25 = R / exp(B (1/T - 1/298.15 K)), B as of the usual types (IEC 60539-1, relation from memory). [ohm]"""
    places = (item.temperature_c, item.temperature_c) if item.temperature_c is not None else _PLACE_C
    values = [item.ohm / math.exp(b * (1.0 / (c + 273.15) - 1.0 / 298.15)) for b in _B_RANGE_K for c in places]
    return min(values) * (1.0 - _R_SPREAD), max(values) * (1.0 + _R_SPREAD)


def _ohm(ends: tuple[float, float]) -> str:
    middle = math.sqrt(max(ends[0], 0.0) * ends[1])
    return f"{middle / 1000:.3g} kΩ" if middle >= 1000 else f"{middle:.3g} Ω"


def _other(own: _What, donor: _What, mine: Side, theirs: Side) -> _Judgement:
    across, u = (own.v - donor.v, u_between(mine.connector, theirs.connector, own.v, donor.v)) if own.v is not None and donor.v is not None else (None, None)
    if own.kind == donor.kind:  # charge contact or communication on both sides
        if across is None:
            return NOT_MEASURED, f"{_capital(own.words)} on both sides as stated; not measured on both.", None, None
        if abs(across) <= _SIGNAL_V:
            return SAME, f"{_capital(own.words)} on both sides, on the same potential.", None, None
        return WRONG, f"{_capital(own.words)} on both sides, but on another potential.", across, u
    if own.kind == "thermistor" and donor.kind == "tap":
        return WRONG, f"The board expects {donor.words} here; the pack has a {own.words}. The input would hang in the air, or be pulled to the other end of the thermistor.", None, None
    if own.kind == "tap" and across is None and own.v is not None:
        return WRONG, f"{_capital(own.words)}, {own.v:.3f} V against pack negative, would come to {donor.words} of the board.", None, None
    return WRONG, f"{_capital(own.words)} would come to {donor.words} of the board.", across, u


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


# ---- the whole plug ------------------------------------------------------------------------------------------------


def _keys(whats: dict[int, tuple[_What, _What]]) -> Keys:
    """By pin what it is on either side, without where: for patterns."""

    def key(item: _What) -> Any:
        if item.kind == "tap":
            return ("tap", item.order[0]) if item.order[0] == item.order[1] else None
        return None if item.kind == "unknown" else (item.kind,)

    return {number: (key(own), key(donor)) for number, (own, donor) in whats.items()}


def _remarks(mine: Side, theirs: Side, pins: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What else is to be said; ``stops``: None, "differs" (do not connect) or "doubt" (not known)."""
    found: list[dict[str, Any]] = []

    def say(code: str, words: str, numbers: Any = (), stops: str | None = None) -> None:
        found.append({"code": code, "words": words, "pins": list(numbers), "stops": stops})

    for name, side in (("The pack's plug", mine), ("The board's plug", theirs)):
        for code, words, numbers in side.notes:
            say(code, f"{name}: {words}", numbers, "doubt" if code in ("reference_unknown", "order_unknown", "below_negative", "series_contradicted") else None)
        for number, words in side.contradicted.items():
            say("role_contradicted", f"{name}: {words}. One of the two is wrong; measure again.", (number,), "doubt")
        for group in side.alike:
            stated = {_lead(side, number) for number in group}
            clear = len(stated) == len(group) and "" not in stated
            listed = f"{', '.join(map(str, group[:-1]))} and {group[-1]}"
            at_zero = abs(side.potential_v[group[0]]) < 0.5
            what = "pack negative, tap 0 or a pin with nothing on it" if at_zero else "pack positive and the top tap, a doubled line, or a group without voltage"
            say(
                "same_potential", f"{name}: pins {listed} are on the same potential ({side.potential_v[group[0]]:.3f} V): {what}. A potential does not tell which is which"
                + ("; here it is stated." if clear else "; follow the leads and state what each is."), group, None if clear else "doubt",
            )
    _say_of_chemistry(mine, theirs, say)
    if mine.step_v and theirs.step_v and abs(mine.step_v - theirs.step_v) > max(0.02, 2.0 * math.hypot(u_voltage(mine.connector, mine.step_v), u_voltage(theirs.connector, theirs.step_v))):
        say("other_charge", f"The two packs were measured at different charge: {mine.step_v:.3f} V and {theirs.step_v:.3f} V a group. The order of the taps was compared, not the volts.")
    if not (mine.connector.keying and theirs.connector.keying):
        say("keying_not_noted", "How the plug is keyed and from where its pins are counted is not noted on both sides. Pin 1 must be the same place on both.")
    if not any(item["own_v"] is not None for item in pins):
        say("nothing_measured", "No potential of the pack's plug was measured.", (), "doubt")
    return found


def _lead(side: Side, number: int) -> str:
    pin = side.connector.pin(number)
    return "" if pin is None or not pin.role else _role(pin)


def _say_of_chemistry(mine: Side, theirs: Side, say: Callable[..., None]) -> None:
    a, b = (CHEMISTRY_LIMITS.get(side.connector.chemistry or "") for side in (mine, theirs))
    words = [(side.connector.chemistry or "").upper() for side in (mine, theirs)]
    if a and b:
        if (a.full_v, a.empty_v) != (b.full_v, b.empty_v):
            say(
                "chemistry_differs", f"The pack is {words[0]}, the board was made for {words[1]}: it would charge a group to {b.full_v:.2f} V instead of {a.full_v:.2f} V and stop at {b.empty_v:.2f} V "
                f"instead of {a.empty_v:.2f} V (usual limits).", (), "differs",
            )
    elif mine.step_v and theirs.step_v:
        lfp = CHEMISTRY_LIMITS["lfp"]
        low, high = sorted((mine.step_v, theirs.step_v))
        if 3.15 <= low <= 3.45 and high > lfp.full_v:
            say(
                "chemistry_may_differ", f"One pack rests at {low:.3f} V a group, the other at {high:.3f} V: that may be different charge, or LFP on one side and another chemistry on the other. Their "
                "boards are not exchangeable; find out what the cells are.", (), "doubt",
            )
        else:
            say("chemistry_not_stated", "The chemistry is not stated on both sides. Potentials do not tell it, and a board for another one charges too high or stops too late.")


def _result(pins: list[dict[str, Any]], remarks: list[dict[str, Any]], mine: Side, theirs: Side) -> str:
    stops = {item.get("stops") for item in remarks}
    stated = [side.connector.series for side in (mine, theirs)]
    if any(item["verdict"] == WRONG for item in pins) or "differs" in stops or (None not in stated and stated[0] != stated[1]):
        return DO_NOT_CONNECT
    if any(item["verdict"] == NOT_MEASURED for item in pins) or "doubt" in stops:
        return NOT_KNOWN
    return AGREES


def _words(result: str, pins: list[dict[str, Any]], remarks: list[dict[str, Any]]) -> str:
    words = [WORDS[result]]
    wrong = [item["pin"] for item in pins if item["verdict"] == WRONG]
    open_ = [item["pin"] for item in pins if item["verdict"] == NOT_MEASURED]
    if result == DO_NOT_CONNECT:
        words += [item["words"] for item in remarks if item.get("stops") == "differs"][:1]
        words += [f"{len(wrong)} of {len(pins)} pins differ."] if wrong else []
    if result != AGREES and open_:
        words.append(f"Not measured or not to be told: pin{'s' if len(open_) > 1 else ''} {', '.join(map(str, open_))}.")
    if result == NOT_KNOWN:
        words += [item["words"] for item in remarks if item.get("stops") == "doubt"][:1]
    return " ".join(words)


def _cautions(mine: Side, theirs: Side) -> list[dict[str, str]]:
    codes = {STORED_ENERGY, SHORT_CIRCUIT_PROBES}
    volts = [abs(v) for side in (mine, theirs) for v in side.potential_v.values()]
    for side in (mine, theirs):
        limits = CHEMISTRY_LIMITS.get(side.connector.chemistry or "nmc")
        if side.series and limits:
            volts.append(side.series * limits.full_v)
    if max(volts, default=0.0) > TOUCH_LIMIT_V:
        codes.add(OVER_60_V)
    return caution_list(codes) + [{"code": code, "words": words} for code, words in OWN_CAUTIONS.items()]
