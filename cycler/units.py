"""Spellings of units, each to one factor onto the unit this program uses inside.

Inner units: V, A, Ah, Wh, W, ohm, degC, s, share. Prefixes and spellings of the 'quantity / unit' style follow
ISO 80000-1; trade spellings (Amp-Hours, hh:mm:ss) are common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

SECONDS_PER_MINUTE = 60.0
SECONDS_PER_HOUR = 3600.0
SECONDS_PER_DAY = 86400.0
JOULE_PER_WH = 3600.0
COULOMB_PER_AH = 3600.0
KELVIN_AT_0_C = 273.15  # SI Brochure, 9th edition, 2.3.1 (from memory)


@dataclass(frozen=True, slots=True)
class Unit:
    """``inner = value * factor + offset``; ``dimension`` names the quantity, ``symbol`` the usual spelling."""

    symbol: str
    dimension: str
    factor: float
    offset: float = 0.0


def _build() -> dict[str, Unit]:
    table: dict[str, Unit] = {}
    prefixes = {"µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3}
    for base, dimension, scales in (
        ("V", "voltage", ("µ", "m", "", "k")),
        ("A", "current", ("µ", "m", "", "k")),
        ("Ah", "charge", ("µ", "m", "", "k")),
        ("Wh", "energy", ("µ", "m", "", "k")),
        ("W", "power", ("µ", "m", "", "k")),
        ("ohm", "resistance", ("µ", "m", "", "k")),
    ):
        for prefix in scales:
            symbol = prefix + base
            table[symbol] = Unit(symbol, dimension, prefixes[prefix])
    table |= {
        "C": Unit("C", "charge", 1 / COULOMB_PER_AH),
        "As": Unit("As", "charge", 1 / COULOMB_PER_AH),
        "J": Unit("J", "energy", 1 / JOULE_PER_WH),
        "kJ": Unit("kJ", "energy", 1e3 / JOULE_PER_WH),
        "degC": Unit("degC", "temperature", 1.0),
        "degF": Unit("degF", "temperature", 5 / 9, -32 * 5 / 9),
        "K": Unit("K", "temperature", 1.0, -KELVIN_AT_0_C),
        "µs": Unit("µs", "time", 1e-6),
        "ms": Unit("ms", "time", 1e-3),
        "s": Unit("s", "time", 1.0),
        "min": Unit("min", "time", SECONDS_PER_MINUTE),
        "h": Unit("h", "time", SECONDS_PER_HOUR),
        "d": Unit("d", "time", SECONDS_PER_DAY),
        "hh:mm:ss": Unit("hh:mm:ss", "time", 1.0),
        "hh:mm": Unit("hh:mm", "time", 1.0),
        "mm:ss": Unit("mm:ss", "time", 1.0),
        "%": Unit("%", "share", 0.01),
    }
    return table


UNITS: dict[str, Unit] = _build()
"""Units by their usual symbol."""

# Further spellings, compared without case, blanks, points and accents.
_SPELLINGS: dict[str, str] = {
    "volt": "V", "volts": "V", "voltios": "V", "voltio": "V", "vdc": "V", "millivolt": "mV", "millivolts": "mV",
    "milivoltios": "mV", "mvolt": "mV",
    "amp": "A", "amps": "A", "ampere": "A", "amperes": "A", "amperios": "A", "amperio": "A", "adc": "A",
    "milliamp": "mA", "milliamps": "mA", "milliampere": "mA", "milliamperes": "mA", "miliamperios": "mA",
    "microvolt": "µV", "microamp": "µA",
    "amphours": "Ah", "amphour": "Ah", "amperehours": "Ah", "amperehour": "Ah", "amperestunden": "Ah",
    "amperestunde": "Ah", "amperheures": "Ah", "ampereheures": "Ah", "amperiohora": "Ah", "amperora": "Ah",
    "ampereuur": "Ah", "ahr": "Ah", "ahrs": "Ah", "a*h": "Ah", "a·h": "Ah", "a-h": "Ah",
    "mahr": "mAh", "mahrs": "mAh", "ma*h": "mAh", "ma·h": "mAh", "ma-h": "mAh", "milliamphours": "mAh",
    "milliamperehours": "mAh", "milliamphour": "mAh", "milliamperestunden": "mAh",
    "coulomb": "C", "coulombs": "C", "a*s": "As", "a·s": "As",
    "watthours": "Wh", "watthour": "Wh", "wattstunden": "Wh", "wattheures": "Wh", "whr": "Wh", "whrs": "Wh",
    "w*h": "Wh", "w·h": "Wh", "w-h": "Wh", "mw*h": "mWh", "mw·h": "mWh", "milliwatthours": "mWh",
    "kilowatthours": "kWh", "joule": "J", "joules": "J", "ws": "J",
    "watt": "W", "watts": "W", "milliwatt": "mW", "milliwatts": "mW",
    "ohm": "ohm", "ohms": "ohm", "milliohm": "mohm", "milliohms": "mohm", "r": "ohm", "microohm": "µohm",
    "degc": "degC", "deg": "degC", "degrees": "degC", "celsius": "degC", "centigrade": "degC", "grad": "degC",
    "gradc": "degC", "degreesc": "degC", "degcelsius": "degC", "gradcelsius": "degC", "degreescelsius": "degC",
    "degreec": "degC", "°c": "degC", "°": "degC", "ºc": "degC", "oc": "degC", "℃": "degC", "*c": "degC",
    "'c": "degC", "degresc": "degC", "gradosc": "degC", "gradic": "degC", "gradenc": "degC",
    "degf": "degF", "°f": "degF", "ºf": "degF", "℉": "degF", "fahrenheit": "degF", "degreesf": "degF",
    "gradf": "degF", "degfahrenheit": "degF", "kelvin": "K",
    "sec": "s", "secs": "s", "second": "s", "seconds": "s", "sek": "s", "sekunde": "s", "sekunden": "s",
    "seconde": "s", "secondes": "s", "segundo": "s", "segundos": "s", "secondo": "s", "secondi": "s",
    "seconden": "s", "msec": "ms", "msecs": "ms", "millisecond": "ms", "milliseconds": "ms", "millis": "ms",
    "millisekunden": "ms", "millisecondes": "ms", "milisegundos": "ms", "millisecondi": "ms",
    "milliseconden": "ms", "usec": "µs", "microseconds": "µs",
    "mins": "min", "minute": "min", "minutes": "min", "minuten": "min", "minuto": "min", "minutos": "min",
    "minuti": "min", "minuut": "min",
    "hr": "h", "hrs": "h", "hour": "h", "hours": "h", "std": "h", "stunde": "h", "stunden": "h", "heure": "h",
    "heures": "h", "hora": "h", "horas": "h", "ora": "h", "ore": "h", "uur": "h", "uren": "h",
    "day": "d", "days": "d", "tage": "d", "jours": "d", "dias": "d", "giorni": "d", "dagen": "d",
    "h:m:s": "hh:mm:ss", "hms": "hh:mm:ss", "hhmmss": "hh:mm:ss", "h:mm:ss": "hh:mm:ss", "h:mm": "hh:mm",
    "h:m": "hh:mm", "h:min": "hh:mm", "hhmm": "hh:mm", "std:min": "hh:mm", "hr:min": "hh:mm", "m:ss": "mm:ss",
    "m:s": "mm:ss", "min:s": "mm:ss", "min:sec": "mm:ss", "min:sek": "mm:ss", "mmm:ss": "mm:ss", "hh:mm:ssms": "hh:mm:ss", "hh:mm:sss": "hh:mm:ss", "hh:mm:ssfff": "hh:mm:ss",
    "hh:mm:ss:fff": "hh:mm:ss", "d:hh:mm:ss": "hh:mm:ss", "dd:hh:mm:ss": "hh:mm:ss", "h:min:s": "hh:mm:ss",
    "h:mm:ssms": "hh:mm:ss", "hh:mm:ss,fff": "hh:mm:ss", "std:min:sek": "hh:mm:ss", "hh:mm:sszzz": "hh:mm:ss",
    "percent": "%", "prozent": "%", "pct": "%",
}  # fmt: skip

_CASELESS: dict[str, str] = {}
for _symbol in UNITS:
    # "C" alone is left to the case-sensitive table: a lone c is more often Celsius or a cell than a coulomb.
    if _symbol != "C":
        _CASELESS.setdefault(_symbol.lower(), _symbol)

_MICRO = str.maketrans({"\u03bc": "µ", "\u2126": "Ω", "\u00ba": "°", "\u02da": "°", "\u2103": "°C", "\u2109": "°F"})


def parse_unit(text: str) -> Unit | None:
    """The unit that ``text`` spells ("mV", "Amp-Hours", "degF", "h:m:s"), or None.

    Notes
    -----
    Exact case is tried first, so that "mW" and "MW" cannot be mixed up; a lone "C" counts as degree Celsius
    (coulomb must be written out or as "As").
    """
    text = text.strip().strip("[](){}<>").strip().translate(_MICRO)
    if not text or len(text) > 24:
        return None
    if text == "C":
        return UNITS["degC"]
    if text in UNITS:
        return UNITS[text]
    squeezed = re.sub(r"[\s._]+", "", text)
    if squeezed in UNITS:
        return UNITS[squeezed]
    omega = squeezed.replace("Ω", "ohm").replace("Ohm", "ohm").replace("OHM", "ohm")
    if omega.startswith("u") and "µ" + omega[1:] in UNITS:
        return UNITS["µ" + omega[1:]]
    if omega in UNITS:
        return UNITS[omega]
    plain = _plain(squeezed)
    for candidate in (plain, plain.replace("-", "").replace("/", "")):
        if candidate in _SPELLINGS:
            return UNITS[_SPELLINGS[candidate]]
        if candidate in _CASELESS:
            return UNITS[_CASELESS[candidate]]
    return None


_SHOWN = {"degC": "°C", "degF": "°F", "ohm": "Ω", "mohm": "mΩ", "µohm": "µΩ"}


def shown_unit(symbol: str) -> str:
    """A unit's symbol as it is printed for people ("°C" for "degC")."""
    return _SHOWN.get(symbol, symbol)


def _plain(text: str) -> str:
    """Lower case without accents."""
    decomposed = unicodedata.normalize("NFKD", text.replace("°", "\x00").replace("µ", "\x01"))
    kept = "".join(ch for ch in decomposed if not unicodedata.combining(ch))
    return kept.replace("\x00", "°").replace("\x01", "µ").lower()
