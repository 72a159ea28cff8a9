"""One line of a data sheet or certificate, as a person copies it: "0.5 % of reading + 2 digits", "U = 0.2 %, k = 2".

The notation is that of meter data sheets (common practice, no source); U and k as in JCGM 100:2008, 6.2 (clause from memory).
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass, replace

from cycler.errors import quote
from cycler.units import SECONDS_PER_DAY, parse_unit

# Months and years are rounded: a drift is not stated to better than that.
_PERIODS = {
    "week": 7 * SECONDS_PER_DAY, "wk": 7 * SECONDS_PER_DAY, "month": 30 * SECONDS_PER_DAY, "mo": 30 * SECONDS_PER_DAY,
    "year": 365 * SECONDS_PER_DAY, "yr": 365 * SECONDS_PER_DAY, "a": 365 * SECONDS_PER_DAY,
}
_READING = {"", "reading", "readings", "rdg", "rdgs", "rd", "value", "measured value", "indication", "vm", "messwert", "vom messwert"}
_RANGE = {"range", "rng", "full scale", "full-scale", "fullscale", "fs", "fsd", "full scale range", "ve", "endwert", "vom endwert"}
_DIGITS = {"digit", "digits", "dgt", "dgts", "dig", "digs", "d", "count", "counts", "ct", "cts", "lsd", "lsds"}
_SHARES = {"%": 100.0, "percent": 100.0, "pct": 100.0, "‰": 1000.0, "ppm": 1e6}
_WORDS = ("reading", "range", "full scale", "digits", "counts", "percent", "ppm", "rdg", "dgt")
COVERAGE_MAX = 4.0

_NUMBER = r"\d+(?:[.,]\d+)?(?:[eE]-?\d+)?"
_FACTOR = re.compile(rf"[\s,;(]*\bk\s*=\s*({_NUMBER})(?![\w.,]*\d)[\s,;)]*")
_CERTIFIED = re.compile(r"\s*([Uu])\s*=")
_LEAD = re.compile(r"\s*(?:<=|≤|<)")
_JOIN = re.compile(r"\+\s*/\s*-|\+-|±|\+")
_TERM = re.compile(rf"({_NUMBER})\s*(.*)", re.DOTALL)
_THOUSANDS = re.compile(r"[1-9]\d{0,2},\d{3}")
_SHARE = re.compile(r"(%|percent|pct|‰|ppm)(?![a-z])\.?\s*(.*)", re.IGNORECASE | re.DOTALL)
_DIGIT_SIZE = re.compile(rf"([a-z]+)\.?\s+(?:of|à|at)\s+({_NUMBER})\s*(\S+)", re.IGNORECASE)
_RANGE_SIZE = re.compile(rf"of\s+(?:the\s+)?({_NUMBER})\s*(\S+?)(?:\s+range)?", re.IGNORECASE)
_RATE = re.compile(r"(\S+?)\s*(?:/|\bper\b|\ba\b)\s*(\S+)", re.IGNORECASE)


class BadStatement(Exception):
    """What is wrong with a statement: ``what``, ``why``, ``mend`` as in :class:`cycler.errors.InputError`; ``at`` counts characters from 0."""

    def __init__(self, what: str, why: str, mend: str, at: int = 0) -> None:
        self.what, self.why, self.mend, self.at = what, why, mend, at
        super().__init__(what)


@dataclass(frozen=True, slots=True)
class Statement:
    """Parts of one statement; they add up to one limit of error, or to one expanded uncertainty.

    Attributes
    ----------
    of_reading, of_range : float
        Fractions.
    absolute : float
        In V, A or degC; digits and ranges whose size the statement names are in it.
    digits : float
        Number of digits whose size it does not name.
    digit_size : float or None
        Size of a digit if it names one, the largest of several. [V, A, degC]
    coverage_factor : float or None
        k of a certificate's U, 1 for a standard uncertainty; None where a limit of error is stated.
    """

    of_reading: float = 0.0
    of_range: float = 0.0
    absolute: float = 0.0
    digits: float = 0.0
    digit_size: float | None = None
    coverage_factor: float | None = None


def parse_statement(text: str, dimension: str) -> Statement:
    """Parts of a line of a data sheet or certificate.

    Parameters
    ----------
    text : str
        Terms joined by "+" or "±": a share ("0.5 %", "50 ppm"; "of reading" unless "of range" is said), a number of digits or
        counts, a size with its unit; for a clock a share or a rate ("2 min/day"). "U = ..., k = ..." for a certificate.
    dimension : str
        "voltage", "current", "temperature" or "time" (a clock).

    Returns
    -------
    Statement

    Raises
    ------
    BadStatement
        A word, unit or number that cannot be understood; says at which character.
    """
    # Everything taken out leaves blanks behind, so that places in the text stay what they are.
    rest, factor = _without_factor(text.replace("\N{NO-BREAK SPACE}", " ").replace("\N{NARROW NO-BREAK SPACE}", " "))
    if found := _CERTIFIED.match(rest):
        rest = _blank(rest, *found.span())
        if found[1] == "u":
            if factor not in (None, 1.0):
                raise BadStatement(
                    "u is a standard uncertainty and has no k", f"found {quote(text)}", f'write U (capital) for an expanded one: "U = ..., k = {factor:g}"',
                )
            factor = 1.0
        elif factor is None:
            raise BadStatement(
                "an expanded uncertainty without its k", f"found {quote(text)}", "add the coverage factor of the certificate: "
                f'"{text.strip()}, k = 2"', len(text.rstrip()),
            )
    if found := _LEAD.match(rest):
        rest = _blank(rest, *found.span())
    if rest.count("(") != rest.count(")"):
        raise BadStatement("a bracket is not closed", f"found {quote(text)}", "write both brackets, or none", max(rest.find("("), rest.find(")"), 0))
    rest = rest.replace("(", " ").replace(")", " ")
    result = Statement(coverage_factor=factor)
    for term, at in _terms(rest, dimension):
        result = _with_term(result, term, at, dimension)
    return result


def _blank(text: str, start: int, end: int) -> str:
    return text[:start] + " " * (end - start) + text[end:]


def _without_factor(text: str) -> tuple[str, float | None]:
    found = _FACTOR.search(text)
    if found is None:
        return text, None
    factor = _value(found[1], found.start(1))
    if not 1.0 <= factor <= COVERAGE_MAX:
        raise BadStatement(
            "a coverage factor that no certificate has", f"found k = {factor:g}", "k lies between 1 and 4, usually at 2", found.start(1),
        )
    kept = "".join(mark if mark in "()" and found[0].count("(") != found[0].count(")") else " " for mark in found[0])
    return text[: found.start()] + kept + text[found.end() :], factor


def _terms(text: str, dimension: str) -> list[tuple[str, int]]:
    """The terms between the joining signs, stripped, each with its place; a sign before the first is no joint."""
    marks = [(found.start(), found.end()) for found in _JOIN.finditer(text)]
    starts = [0, *(end for _, end in marks)]
    ends = [*(start for start, _ in marks), len(text)]
    terms = []
    for number, (start, end) in enumerate(zip(starts, ends)):
        term = text[start:end].strip()
        if term:
            terms.append((term, start + len(text[start:end]) - len(text[start:end].lstrip())))
        elif number or len(starts) == 1:
            raise BadStatement("a part of the limit is missing", f"nothing stands {'after the sign' if number else 'there'}", _example(dimension), start)
    return terms


def _value(number: str, at: int) -> float:
    if _THOUSANDS.fullmatch(number):
        raise BadStatement(
            "a number that can be read in two ways", f"found {quote(number)}",
            f"write {number.replace(',', '')} or {number.replace(',', '.')}", at,
        )
    return float(number.replace(",", "."))


def _with_term(result: Statement, term: str, at: int, dimension: str) -> Statement:
    found = _TERM.fullmatch(term)
    if found is None:
        word = term.split()[0]
        if word.startswith(("-", "\N{MINUS SIGN}")):
            raise BadStatement("a limit of error is negative", f"found {quote(term)}", "write the half-width without a sign, or with ±", at)
        raise BadStatement("a part of the limit begins without a number", f"found {quote(term)}", _example(dimension), at)
    number, what, place = _value(found[1], at), found[2].strip(), at + found.start(2)
    lower = re.sub(r"\s*\bmax(imum)?\.?$", "", what.lower())
    what = what[: len(lower)]
    if not what:
        raise BadStatement(f"{found[1]} has no unit", "a share, a number of digits or a size is meant", _example(dimension), at)
    if share := _SHARE.fullmatch(what):
        return _with_share(result, number / _SHARES[share[1].lower()], share[2].strip(), place + share.start(2), dimension)
    if dimension == "time":
        return replace(result, of_reading=result.of_reading + _drift(number, what, place))
    if lower.rstrip(".") in _DIGITS:
        return replace(result, digits=result.digits + number)
    if (sized := _DIGIT_SIZE.fullmatch(what)) and sized[1].lower() in _DIGITS:
        size = _size(_value(sized[2], place + sized.start(2)), sized[3], place + sized.start(3), dimension)
        return replace(result, absolute=result.absolute + number * size, digit_size=max(size, result.digit_size or 0.0))
    return replace(result, absolute=result.absolute + _size(number, what, place, dimension))


def _with_share(result: Statement, share: float, of: str, at: int, dimension: str) -> Statement:
    if (sized := _RANGE_SIZE.fullmatch(of)) and dimension != "time":
        size = _size(_value(sized[1], at + sized.start(1)), sized[2], at + sized.start(2), dimension)
        return replace(result, absolute=result.absolute + share * size)
    word = re.sub(r"^(of|from)\b\s*(the\s+)?", "", of.lower()).replace(".", "")
    word = " ".join(word.split()).replace("v m", "vm").replace("v e", "ve")
    if word in _READING:
        return replace(result, of_reading=result.of_reading + share)
    if word in _RANGE and dimension != "time":
        return replace(result, of_range=result.of_range + share)
    raise _unknown(of, at, dimension)


def _size(number: float, unit: str, at: int, dimension: str) -> float:
    """A size in V, A or degC; degrees are differences here, so that K and degC are the same."""
    known = parse_unit(unit)
    if known is None:
        raise _unknown(unit, at, dimension)
    if known.dimension != dimension:
        raise BadStatement(
            f"{unit} is no unit of this channel", f"it is one of {known.dimension}, and a limit of {dimension} is stated", _example(dimension), at,
        )
    return number * known.factor


def _drift(number: float, rate: str, at: int) -> float:
    """Fraction of the time that a clock gains or loses."""
    found = _RATE.fullmatch(rate)
    seconds = [_seconds(word) for word in found.groups()] if found else []
    if not found or None in seconds:
        if _seconds(rate):
            raise BadStatement("a clock's limit without a time it holds for", f"found {quote(f'{number:g} {rate}')}", _example("time"), at)
        raise _unknown(rate, at, "time")
    return number * seconds[0] / seconds[1]


def _seconds(word: str) -> float | None:
    word = word.lower().strip(".")
    for spelling in (word, word.removesuffix("s")):
        if spelling in _PERIODS:
            return _PERIODS[spelling]
    unit = parse_unit(word)
    return unit.factor if unit is not None and unit.dimension == "time" else None


# What people copy along that is no part of a limit, and what to do about it.
_ASIDES = (
    (r"typ", "a typical value is no limit", "take the limit (max.) from the data sheet, or a wider one of your own"),
    (r"or\b|whichever|,", "only one sum can be stated", "join the parts with +; where the larger of two counts, their sum is on the safe side"),
    (r"at\b|@|within|for\b|from|in\b|between|after|,", "conditions are no part of the limit", "leave them out, and copy the line that holds for your room and the age of the calibration"),
    (r"/", "a coefficient is no limit", "multiply it out for your room, and state the sum"),
)


def _unknown(word: str, at: int, dimension: str) -> BadStatement:
    shown = word.strip()
    for pattern, why, mend in _ASIDES[: -1 if dimension == "time" else None]:
        if re.search(rf"(?:^|\s|\b)(?:{pattern})", shown.lower()):
            return BadStatement(f"{quote(shown)} is not understood", why, mend, at)
    near = difflib.get_close_matches(re.sub(r"^of\s+", "", shown.lower()), _WORDS, n=2, cutoff=0.6)
    hint = f"did you mean {' or '.join(near)}? " if near else ""
    return BadStatement(f"{quote(shown)} is not understood", "it is no unit of this channel and no word of a data sheet that is known", hint + _example(dimension), at)


def _example(dimension: str) -> str:
    if dimension == "time":
        return 'write it like "50 ppm" or "2 s/day"'
    if dimension == "temperature":
        return 'write it like "1 degC"'
    size = {"voltage": "20 mV", "resistance": "1 ohm"}.get(dimension, "5 mA")
    return f'write it like "0.5 % of reading + 2 digits" or "0.1 % of reading + {size}"'
