"""The plug between a pack and its board, as measured pin by pin: the pack's side, or what a board expects on its side."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from cycler.errors import InputError, Location, quote
from cycler.pack import CHEMISTRIES
from cycler.repair.meter import Meter, meter_from_dict
from cycler.tomlsource import checked_number, checked_word, line_of_key, load_toml, parse_toml, refuse_key

__all__ = [
    "PINS_MAX", "ROLES", "Connector", "Pin", "Thermistor", "connector_from_dict", "connector_from_form", "connector_from_text", "connector_to_toml", "form_from_connector",
    "form_from_readings", "load_connector", "new_connector_text", "role_words",
]

CONNECTOR_FILE = "connector file"
PINS_MAX = 64
TAP, PACK_NEGATIVE, PACK_POSITIVE = "tap", "pack negative", "pack positive"
THERMISTOR, CHARGE, COMMUNICATION, NOTHING = "thermistor", "charge contact", "communication", "nothing"
ROLES = (TAP, PACK_NEGATIVE, PACK_POSITIVE, THERMISTOR, CHARGE, COMMUNICATION, NOTHING)
"""What a pin may be stated to be. Tap 0 is the negative end of group 1, tap N the positive end of group N."""
REFERENCES = (PACK_NEGATIVE, PACK_POSITIVE)
"""What the black probe stood on; "pin 3" is the third way to say it."""
NOT_MEASURED = ("-", "\N{EN DASH}", "\N{EM DASH}", "?", "")
# Beyond these a value is a slip of unit. Common practice, no source.
_V_MAX, _SERIES_MAX, _OHM_MAX = 1000.0, 200, 1e8
_WORDS_MAX = 300


@dataclass(frozen=True, slots=True)
class Pin:
    """One pin. ``v``: potential against the connector's reference, None: not measured [V]; ``role``: of :data:`ROLES`, "" unknown; ``tap`` with role "tap"."""

    number: int
    v: float | None = None
    role: str = ""
    tap: int | None = None


@dataclass(frozen=True, slots=True)
class Thermistor:
    """A resistance between two pins. ``ohm`` None: not measured; ``temperature_c`` of its place at that time."""

    pins: tuple[int, int]
    ohm: float | None = None
    temperature_c: float | None = None
    name: str = ""


@dataclass(frozen=True, slots=True)
class Connector:
    """One side of a plug.

    Attributes
    ----------
    series : int or None
        Groups of the pack it belongs to, if stated.
    reference : str
        What the potentials were measured against: "pack negative", "pack positive" or "pin 3".
    pack_v : float or None
        Voltage over all groups at that time; needed where the reference is not pack negative and pack negative is not on the plug. [V]
    keying : str
        How the plug is kept the right way round, and from where its pins are counted.
    """

    pins: tuple[Pin, ...]
    name: str = ""
    series: int | None = None
    chemistry: str | None = None
    reference: str = PACK_NEGATIVE
    pack_v: float | None = None
    keying: str = ""
    thermistors: tuple[Thermistor, ...] = ()
    meter: Meter = field(default_factory=Meter)
    file: str | None = None

    def pin(self, number: int) -> Pin | None:
        return next((pin for pin in self.pins if pin.number == number), None)

    def thermistor_at(self, number: int) -> Thermistor | None:
        return next((item for item in self.thermistors if number in item.pins), None)


def role_words(pin: Pin) -> str:
    """"tap 4", "pack negative" or "", as it is written in a file."""
    return f"tap {pin.tap}" if pin.role == TAP else pin.role


# ---- reading -------------------------------------------------------------------------------------------------------

_TOP = ("name", "series", "chemistry", "reference", "pack_v", "keying", "meter", "pin", "thermistor")
_PIN_KEYS, _THERMISTOR_KEYS = ("number", "v", "role"), ("pins", "ohm", "temperature_c", "name")


def load_connector(path: str | Path) -> Connector:
    """Read a connector file.

    Raises
    ------
    InputError
        File missing or not TOML, unknown key (near ones are offered), a pin twice, no pins, a text in a number, an unknown role; says file, line and key.
    """
    data, text = load_toml(path, CONNECTOR_FILE)
    return connector_from_dict(data, str(path), text)


def connector_from_text(text: str, name: str) -> Connector:
    """The same from the text of a file; ``name`` stands in messages."""
    data, text = parse_toml(text.encode("utf-8", "replace"), name, CONNECTOR_FILE)
    return connector_from_dict(data, name, text)


def connector_from_dict(data: Mapping[str, Any], name: str = "connector", text: str = "") -> Connector:
    """A connector from parsed TOML; ``text`` is that of the file, for line numbers. See :func:`load_connector` for what it raises."""
    for key in data:
        if key not in _TOP:
            refuse_key(key, list(_TOP), Location(name, line_of_key(text, key)))

    def at(key: str) -> Location:
        return Location(name, line_of_key(text, key))

    pins = _pins(data.get("pin"), name, text)
    thermistors = _thermistors(data.get("thermistor"), name, text)
    connector = Connector(
        pins=pins,
        name=checked_word("name", data["name"], at("name")) if data.get("name") not in (None, "") else "",
        series=_series(data["series"], at("series")) if data.get("series") is not None else None,
        chemistry=_chemistry(data["chemistry"], at("chemistry")) if data.get("chemistry") else None,
        reference=_reference(data["reference"], at("reference")) if data.get("reference") else PACK_NEGATIVE,
        pack_v=_volt("pack_v", data["pack_v"], at("pack_v")) if data.get("pack_v") is not None else None,
        keying=_sentence("keying", data.get("keying") or "", at("keying")),
        thermistors=thermistors,
        meter=meter_from_dict(data.get("meter") or {}, name, text) if isinstance(data.get("meter") or {}, Mapping) else _no_table("meter", at("meter")),
        file=name,
    )
    return _checked(connector, Location(name), lambda number: Location(name, _line_of_pin(text, number)))


def _checked(connector: Connector, where: Location | str, at_pin: Any) -> Connector:
    """What the parts must be to each other; thermistor pins that the list of pins lacks are added."""
    if not connector.pins and not connector.thermistors:
        raise InputError("the connector has no pins", where, "no [[pin]] is in it", "write a [[pin]] with its number and v for each pin of the plug")
    seen: set[int] = set()
    for pin in connector.pins:
        if pin.number in seen:
            raise InputError(f"pin {pin.number} stands twice", at_pin(pin.number), "which of the two holds cannot be told", "take one of them out, or correct its number")
        seen.add(pin.number)
        if pin.tap is not None and connector.series is not None and pin.tap > connector.series:
            raise InputError(
                f"pin {pin.number} is tap {pin.tap} of a pack of {connector.series} groups", at_pin(pin.number), f"{connector.series} groups have the taps 0 to {connector.series}",
                "correct the tap, or series",
            )
    for item in connector.thermistors:
        for number in item.pins:
            found = connector.pin(number)
            if found is not None and found.role not in ("", THERMISTOR, PACK_NEGATIVE) and not (found.role == TAP and found.tap == 0):
                raise InputError(
                    f"pin {number} is a thermistor and {role_words(pin)}", at_pin(number), "a thermistor stands by itself, or returns to pack negative",
                    "correct the pins of the thermistor, or what the pin is",
                )
    extra = sorted({number for item in connector.thermistors for number in item.pins} - seen)
    pins = sorted([*connector.pins, *(Pin(number, role=THERMISTOR) for number in extra)], key=lambda pin: pin.number)
    if connector.reference not in REFERENCES and int(connector.reference.split()[1]) not in {pin.number for pin in pins}:
        raise InputError(f"the reference, {connector.reference}, is not on the plug", where, f"its pins are {_numbers([pin.number for pin in pins])}", "name a pin of the plug, pack negative or pack positive")
    return replace(connector, pins=tuple(pins))


def _numbers(numbers: list[int]) -> str:
    return f"{numbers[0]} to {numbers[-1]}" if len(numbers) > 3 and numbers == list(range(numbers[0], numbers[-1] + 1)) else ", ".join(map(str, numbers))


def _no_table(key: str, where: Location) -> Any:
    raise InputError(f"{key} is not a table", where, "its keys stand below a line of its own", f"write a line [{key}]")


def _blocks(text: str, table: str) -> list[tuple[int, list[str]]]:
    """First line (from 1) and lines of each [[table]] in a text."""
    lines = text.splitlines()
    starts = [k for k, line in enumerate(lines) if re.match(rf"^\s*\[\[\s*{table}\s*\]\]", line)]
    ends = [next((k for k in range(start + 1, len(lines)) if lines[k].lstrip().startswith("[")), len(lines)) for start in starts]
    return [(start + 1, lines[start:end]) for start, end in zip(starts, ends)]


def _line_in(block: tuple[int, list[str]] | None, key: str) -> int | None:
    if block is None:
        return None
    start, lines = block
    return next((start + k for k, line in enumerate(lines) if re.match(rf"^\s*{re.escape(key)}\s*=", line)), start)


def _line_of_pin(text: str, number: int) -> int | None:
    """Line of the last [[pin]] with that number."""
    found = [_line_in(block, "number") for block in _blocks(text, "pin") if any(re.match(rf"^\s*number\s*=\s*{number}\b", line) for line in block[1])]
    return found[-1] if found else None


def _entries(value: Any, table: str, name: str, text: str, known: tuple[str, ...]) -> list[tuple[Mapping[str, Any], Any]]:
    """Each entry of an array of tables, with what tells the line of a key in it."""
    if value is None:
        return []
    top = Location(name, line_of_key(text, table))
    if not isinstance(value, list) or not all(isinstance(item, Mapping) for item in value):
        raise InputError(f"{table} is not a list of tables", top, f"found {quote(value)}", f"write a line [[{table}]] and its keys below it, once for each")
    if len(value) > PINS_MAX:
        raise InputError(f"more than {PINS_MAX} {table}s", top, f"found {len(value)}", "a plug of that many pins is described in parts")
    blocks = _blocks(text, table)
    entries = []
    for at, item in enumerate(value):
        block = blocks[at] if at < len(blocks) else None

        def where(key: str, block: tuple[int, list[str]] | None = block) -> Location:
            return Location(name, _line_in(block, key))

        for key in item:
            if key not in known:
                refuse_key(key, list(known), where(key))
        entries.append((item, where))
    return entries


def _pins(value: Any, name: str, text: str) -> tuple[Pin, ...]:
    pins = []
    for at, (item, where) in enumerate(_entries(value, "pin", name, text, _PIN_KEYS), 1):
        number = _number_of_pin("number", item.get("number", at), where("number"))
        v = item.get("v")
        if isinstance(v, str) and v.strip() in NOT_MEASURED:
            v = None
        role, tap = parse_role(item.get("role", ""), where("role"))
        pins.append(Pin(number, None if v is None else _volt("v", v, where("v")), role, tap))
    return tuple(pins)


def _thermistors(value: Any, name: str, text: str) -> tuple[Thermistor, ...]:
    found = []
    for item, where in _entries(value, "thermistor", name, text, _THERMISTOR_KEYS):
        pins = item.get("pins")
        if not isinstance(pins, list) or len(pins) != 2:
            raise InputError("a thermistor lies between two pins", where("pins"), f"found {quote(pins)}", "write the two, such as pins = [12, 13]")
        ends = (_number_of_pin("pins", pins[0], where("pins")), _number_of_pin("pins", pins[1], where("pins")))
        ohm = item.get("ohm")
        temperature = item.get("temperature_c")
        found.append(_thermistor(
            ends, None if ohm is None or ohm in NOT_MEASURED else ohm, None if temperature is None else temperature,
            checked_word("name", item["name"], where("name")) if item.get("name") else "", where,
        ))
    return tuple(found)


def _thermistor(ends: tuple[int, int], ohm: Any, temperature: Any, name: str, where: Any) -> Thermistor:
    if ends[0] == ends[1]:
        raise InputError("a thermistor lies between two pins", where("pins"), f"found pin {ends[0]} twice", "write the two pins between which the ohmmeter stood")
    if ohm is not None:
        ohm = checked_number("ohm", ohm, where("ohm"))
        if ohm < 0:
            raise InputError("ohm is below zero", where("ohm"), f"found {quote(ohm)}; a resistance is never negative", "measure again without voltage on the sensor")
        if ohm > _OHM_MAX:
            raise InputError("ohm is implausible", where("ohm"), f"found {quote(ohm)}", "check the unit: 10 kOhm is written 10000; leave ohm out where the meter shows overload")
    if temperature is not None:
        temperature = checked_number("temperature_c", temperature, where("temperature_c"))
        if not -40.0 <= temperature <= 80.0:
            raise InputError("temperature_c is implausible", where("temperature_c"), f"found {quote(temperature)}; between -40 and 80 is usual", "write it in °C")
    return Thermistor((min(ends), max(ends)), ohm, temperature, name)


def _number_of_pin(key: str, value: Any, where: Location | str) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 999:
        raise InputError(f"{key} is not the number of a pin", where, f"found {quote(value)}", "pins count from 1; write a whole number")
    return value


def _volt(key: str, value: Any, where: Location | str) -> float:
    number = checked_number(key, value, where) if isinstance(where, Location) else checked_number(key, value, Location(str(where)))
    if abs(number) > _V_MAX:
        raise InputError(f"{key} is implausible", where, f"found {quote(value)} V", "check the decimal point; readings stand in volt")
    return number


def _series(value: Any, where: Location | str) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= _SERIES_MAX:
        raise InputError("series is not a number of groups", where, f"found {quote(value)}", f"write a whole number from 1 to {_SERIES_MAX}")
    return value


def _chemistry(value: Any, where: Location | str) -> str:
    word = str(value).strip().lower()
    if word not in CHEMISTRIES:
        raise InputError(f"unknown chemistry {quote(value)}", where, "its usual limits are not known", f"one of {', '.join(CHEMISTRIES)}, or leave it out")
    return word


def _reference(value: Any, where: Location | str) -> str:
    word = re.sub(r"[\s_-]+", " ", str(value).strip().lower())
    if word in REFERENCES or re.fullmatch(r"pin [1-9]\d{0,2}", word):
        return word
    raise InputError(f"unknown reference {quote(value)}", where, "it tells what the potentials were measured against", '"pack negative", "pack positive" or the pin, such as "pin 1"')


def _sentence(key: str, value: Any, where: Location | str) -> str:
    if not isinstance(value, str):
        raise InputError(f"{key} is not a text", where, f"found {quote(value)}", "texts stand in quotes")
    text = " ".join(value.split())
    if len(text) > _WORDS_MAX or not text.isprintable():
        raise InputError(f"{key} is too long, or no plain text", where, f"found {len(text)} characters", f"at most {_WORDS_MAX} printable characters")
    return text


_ALIASES = {"tap n": "", "b minus": PACK_NEGATIVE, "b plus": PACK_POSITIVE, "empty": NOTHING, "none": NOTHING, "charge": CHARGE, "comm": COMMUNICATION, "ntc": THERMISTOR, "negative": PACK_NEGATIVE, "positive": PACK_POSITIVE}


def parse_role(value: Any, where: Location | str) -> tuple[str, int | None]:
    """What a pin is stated to be, and the tap; ("", None) for nothing stated. InputError otherwise."""
    word = re.sub(r"[\s_-]+", " ", str(value).strip().lower()) if isinstance(value, str) else None
    if word == "":
        return "", None
    if word is not None:
        found = re.fullmatch(r"(?:sense )?tap (\d{1,3})", word)
        if found and int(found[1]) <= _SERIES_MAX:
            return TAP, int(found[1])
        word = _ALIASES.get(word, word)
        if word in ROLES and word != TAP:
            return word, None
    raise InputError(
        f"unknown role {quote(value)}", where, "a pin is one of the known things or left open", f'write "tap 4" (0 at pack negative), or one of {", ".join(ROLES[1:])}; leave it out if it is not known',
    )


# ---- writing -------------------------------------------------------------------------------------------------------

_HEAD = """\
# One side of a plug, measured pin by pin: of the pack that is to get a board, or of the pack (or the maker's data) that the donor board comes from.
# Potentials are measured with the board unplugged, on the harness. Fused leads, thin sleeved tips, one probe fixed at the reference: two pins bridged by a
# probe give the current of the whole stack.
"""


def connector_to_toml(connector: Connector) -> str:
    """A connector file that reads to the same connector again."""
    lines = [_HEAD.rstrip(), "", f"name = {_quoted(connector.name)}"]
    lines.append(f"series = {connector.series}" if connector.series else "# series = 10                       # groups in series, if known")
    lines.append(f"chemistry = {_quoted(connector.chemistry)}" if connector.chemistry else f"# chemistry = \"nmc\"                 # {', '.join(CHEMISTRIES)}")
    lines.append(f"reference = {_quoted(connector.reference)}        # what the black probe stood on: pack negative, pack positive or a pin (\"pin 1\")")
    lines.append(f"pack_v = {connector.pack_v!r}" if connector.pack_v is not None else "# pack_v = 36.4                     # over all groups; only where the reference is not pack negative")
    lines.append(f"keying = {_quoted(connector.keying)}   # how it is kept the right way round, and from where the pins are counted")
    meter = ({"name": connector.meter.name} if connector.meter.name else {}) | connector.meter.written()
    lines += ["", "[meter]                             # its limits of error, as in its data sheet"]
    lines += [f"{key} = {_quoted(value) if isinstance(value, str) else repr(value)}" for key, value in meter.items()]
    lines += [] if meter else ['# voltage = "0.5 % of reading + 2 digits"', "# voltage_digit_v = 0.01"]
    for pin in connector.pins:
        lines += ["", "[[pin]]", f"number = {pin.number}"]
        lines.append(f"v = {pin.v!r}" if pin.v is not None else '# v = 3.652                         # left out: not measured')
        if pin.role:
            lines.append(f"role = {_quoted(role_words(pin))}")
    for item in connector.thermistors:
        lines += ["", "[[thermistor]]", f"pins = [{item.pins[0]}, {item.pins[1]}]"]
        lines += [f"ohm = {item.ohm!r}"] if item.ohm is not None else ["# ohm = 10000"]
        lines += [f"temperature_c = {item.temperature_c!r}"] if item.temperature_c is not None else ["# temperature_c = 21.5"]
        lines += [f"name = {_quoted(item.name)}"] if item.name else []
    return "\n".join(lines) + "\n"


def new_connector_text(pins: int) -> str:
    """A connector file of so many pins to be filled in. InputError for a number that no plug has."""
    if not 1 <= pins <= PINS_MAX:
        raise InputError("no such number of pins", "--pins", f"found {pins}", f"from 1 to {PINS_MAX}")
    text = connector_to_toml(Connector(tuple(Pin(number) for number in range(1, pins + 1))))
    first = 'number = 1\n# v = 3.652                         # left out: not measured\n'
    roles = (
        f'{first}# role = "pack negative"            # if known: "tap 4" (tap 0 at pack negative), {", ".join(ROLES[1:])}\n'
    )
    tail = "\n# [[thermistor]]                      # a resistance between two pins, once for each\n# pins = [12, 13]\n# ohm = 10000\n# temperature_c = 21.5                # of its place at that time\n"
    return text.replace(first, roles, 1) + tail


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


# ---- as a form -----------------------------------------------------------------------------------------------------

FORM_TOP = ("name", "series", "chemistry", "reference", "pack_v", "keying")
FORM_METER = ("voltage", "voltage_digit_v")


def form_from_connector(connector: Connector) -> dict[str, str]:
    """What a connector says, as typed: keys "name", "pin.3.v", "pin.3.role", "probe.0.pins" (as "12-13"), "probe.0.ohm", "meter.voltage" ..."""
    values = {key: "" if getattr(connector, key) is None else str(getattr(connector, key)) for key in FORM_TOP}
    values |= {f"meter.{key}": str(value) for key, value in connector.meter.written().items() if key in FORM_METER}
    for pin in connector.pins:
        values[f"pin.{pin.number}.v"] = "" if pin.v is None else repr(pin.v)
        values[f"pin.{pin.number}.role"] = role_words(pin)
    for at, item in enumerate(connector.thermistors):
        values[f"probe.{at}.pins"] = f"{item.pins[0]}-{item.pins[1]}"
        values[f"probe.{at}.ohm"] = "" if item.ohm is None else f"{item.ohm:.12g}"
        values[f"probe.{at}.temperature_c"] = "" if item.temperature_c is None else f"{item.temperature_c:.12g}"
        values[f"probe.{at}.name"] = item.name
    return values


def connector_from_form(values: Mapping[str, str], where: str) -> tuple[Connector | None, dict[str, InputError]]:
    """A connector from what was typed, and what is wrong with which entry; None where something is wrong or no pin is named. A decimal comma is taken."""
    wrong: dict[str, InputError] = {}
    text = {key: str(value or "").strip() for key, value in values.items()}

    def read(key: str, take: Any, default: Any = None) -> Any:
        if text.get(key, "") in NOT_MEASURED:
            return default
        try:
            return take(text[key])
        except InputError as error:
            wrong[key] = error
            return default

    numbers = sorted({int(found[1]) for key in text if (found := re.fullmatch(r"pin\.(\d{1,3})\.\w+", key))})
    pins = []
    for number in numbers:
        place = f"{where}, pin {number}"
        role, tap = read(f"pin.{number}.role", lambda word, place=place: parse_role(word, place), ("", None))
        pins.append(Pin(number, read(f"pin.{number}.v", lambda word, place=place: _volt("the potential", _typed("the potential", word, place), place)), role, tap))
    probes = []
    for at in sorted({int(found[1]) for key in text if (found := re.fullmatch(r"probe\.(\d{1,2})\.\w+", key))}):
        place = f"{where}, thermistor {at + 1}"
        parts = [text.get(f"probe.{at}.{key}", "") for key in ("pins", "ohm", "temperature_c")]
        if not any(parts):
            continue
        probe = _probe_from_form(at, text, place, wrong)
        if probe is not None:
            probes.append(probe)
    fields = {
        "name": read("name", lambda word: checked_word("name", word, Location(where)), ""),
        "series": read("series", lambda word: _series(_whole(word), where)),
        "chemistry": read("chemistry", lambda word: _chemistry(word, where)),
        "reference": read("reference", lambda word: _reference(word, where), PACK_NEGATIVE),
        "pack_v": read("pack_v", lambda word: _volt("the voltage of the pack", _typed("the voltage of the pack", word, where), where)),
        "keying": read("keying", lambda word: _sentence("keying", word, where), ""),
    }
    meter = read("meter.voltage", lambda _word: _meter_from_form(text, where), Meter())
    if wrong or not (pins or probes):
        return None, wrong
    try:
        return _checked(Connector(pins=tuple(pins), thermistors=tuple(probes), meter=meter, **fields), where, lambda number: f"{where}, pin {number}"), {}
    except InputError as error:
        found = re.search(r"pin (\d+)", str(error.where))
        return None, {f"pin.{found[1]}.role" if found else "": error}


def _probe_from_form(at: int, text: Mapping[str, str], place: str, wrong: dict[str, InputError]) -> Thermistor | None:
    try:
        found = re.fullmatch(r"(\d{1,3})\s*(?:-|–|,|;|/|and|to|\s)\s*(\d{1,3})", text.get(f"probe.{at}.pins", ""))
        if not found:
            raise InputError("a thermistor lies between two pins", place, f"found {quote(text.get(f'probe.{at}.pins', ''))}", "write the two, such as 12-13")
        pins = (_number_of_pin("the first", int(found[1]), place), _number_of_pin("the second", int(found[2]), place))
        values = {}
        for key in ("ohm", "temperature_c"):
            word = text.get(f"probe.{at}.{key}", "")
            values[key] = None if word in NOT_MEASURED else _typed(key, word, place, kilo=key == "ohm")
        return _thermistor(pins, values["ohm"], values["temperature_c"], text.get(f"probe.{at}.name", "")[:60], lambda _key: Location(place))
    except InputError as error:
        wrong[f"probe.{at}.pins"] = error
        return None


def _meter_from_form(text: Mapping[str, str], where: str) -> Meter:
    digit = text.get("meter.voltage_digit_v", "")
    data: dict[str, Any] = {"voltage": text["meter.voltage"]}
    if digit:
        data["voltage_digit_v"] = _typed("the digit", digit, where)
    return meter_from_dict(data, where)


def _whole(word: str) -> Any:
    return int(word) if word.isdecimal() else word


def _typed(key: str, word: str, where: str, kilo: bool = False) -> float:
    """A number as typed: decimal comma, its unit behind it, a k for thousand where that is usual. InputError otherwise."""
    found = re.fullmatch(r"([+-]?\d+(?:[.,]\d*)?|[+-]?[.,]\d+)\s*(k)?\s*(?:v|volt|Ω|ohm|°c|c|degc)?", word.replace("\N{MINUS SIGN}", "-"), re.IGNORECASE)
    if not found or (found[2] and not kilo):
        raise InputError(f"{key} is not a number", where, f"found {quote(word)}", "write a number such as 3.652; a dash for what was not measured")
    value = float(found[1].replace(",", "."))
    if not math.isfinite(value):
        raise InputError(f"{key} is not a number", where, f"found {quote(word)}", "write a number such as 3.652")
    return value * (1000.0 if found[2] else 1.0)


_BETWEEN = re.compile(r"^(\d{1,3})\s*[-–/]\s*(\d{1,3})\s*[:;,\t ]\s*(\S+)(?:\s+(\S+))?$")
_PIN_LINE = re.compile(r"^(?:pin\s*)?(\d{1,3})\s*(?:[:;=\t]|,(?=\s)|\s)\s*(\S+)(?:[;,\t ]\s*(.+))?$", re.IGNORECASE)


def form_from_readings(text: str) -> dict[str, str]:
    """Entries of the form from a pasted list: a reading a line, counted from pin 1; or "pin reading what it is"; or "12-13 10.1k 21" for a thermistor.

    What reads as none of these is put into the next pin's field as it stands, so that nothing is lost.
    """
    values: dict[str, str] = {}
    number, probe = 0, 0
    for line in (line.strip() for line in text.splitlines()):
        if not line or line.startswith("#"):
            continue
        if found := _BETWEEN.match(line):
            values |= {f"probe.{probe}.pins": f"{found[1]}-{found[2]}", f"probe.{probe}.ohm": found[3], f"probe.{probe}.temperature_c": found[4] or ""}
            probe += 1
        elif (found := _PIN_LINE.match(line)) and int(found[1]) > 0:
            number = int(found[1])
            values |= {f"pin.{number}.v": found[2].rstrip(";,"), f"pin.{number}.role": (found[3] or "").strip()}
        else:
            number += 1
            values |= {f"pin.{number}.v": line, f"pin.{number}.role": ""}
    return values
