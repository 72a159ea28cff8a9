"""Small readers for the analysis dict and the words for plain values; nothing here raises on a missing key."""

from __future__ import annotations

import math
import re
import unicodedata
from datetime import UTC, datetime
from typing import Any

from cycler.quantities import decimals_for, display_unit, figure_text
from cycler.record.language import decimal, text
from cycler.record.sentences import END, START, told

REPLACEMENT = "\N{REPLACEMENT CHARACTER}"
LONGEST_NAME = 300
LONGEST_SENTENCE = 900
# Without a blank or bracket before it, a letter at the end belongs to the name: "NTC", "BMC".
_UNIT_AT_END = re.compile(r"(?:[\s,/_]*[\[(]|[\s,/_]+|(?=°))(°\s?C|degC|deg C|C|k?[Oo]hm|k?Ω)[\])]?$")
_CODE = re.compile(r"[a-z0-9]+(_[a-z0-9]+)*")


def get(value: Any, *path: str) -> Any:
    """Value under nested keys, None where one is missing or not a dict."""
    for key in path:
        value = value.get(key) if isinstance(value, dict) else None
    return value


def as_list(value: Any) -> list[Any]:
    """A list as it is, anything else as an empty one."""
    return list(value) if isinstance(value, (list, tuple)) else []


def number(value: Any) -> float | None:
    """A finite number, else None (a bool is no number)."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return None
    return float(value)


def clean(value: Any, limit: int = LONGEST_NAME) -> str:
    """Text safe to print on paper: one line, no control or direction characters, cut to ``limit`` characters."""
    raw = " ".join(str(value).split())
    # Cc control, Cf format (among them direction marks), Cs surrogates, Co private use, Cn unassigned.
    safe = "".join(REPLACEMENT if unicodedata.category(ch) in ("Cc", "Cf", "Cs", "Co", "Cn") else ch for ch in raw)
    return safe if len(safe) <= limit else safe[: limit - 1] + "…"


def without_unit(heading: str) -> str:
    """The heading of a temperature without the unit at its end: "Housing [°C]" gives "Housing", "NTC 1 (kOhm)" "NTC 1"."""
    return _UNIT_AT_END.sub("", heading).strip() or heading


def named(value: Any, unknown: str | None = None) -> str:
    """A name from outside, cleaned; ``unknown`` (else "not stated") if there is none."""
    if value is not None and str(value).strip():
        return clean(value)
    return text.NOT_STATED if unknown is None else unknown


def sentence(value: Any) -> str:
    """Text from the analysis in the current language, with a capital and a full stop; a bare code becomes its sentence."""
    if isinstance(value, str) and (value in text.CODES or ("_" in value and _CODE.fullmatch(value))):
        return text.code_sentence(value)
    return finished(told(clean(value, LONGEST_SENTENCE)))


def finished(shown: str) -> str:
    """Text with a capital and a full stop."""
    bare = shown.removesuffix(END)
    if not bare:
        return ""
    return capital(bare) + ("" if bare[-1] in ".!?…:" else ".") + shown[len(bare):]


def capital(shown: str) -> str:
    """Text with its first letter large."""
    at = 1 if shown.startswith(START) else 0
    return shown[:at] + shown[at:at + 1].upper() + shown[at + 1:]


def phrase(value: Any) -> str:
    """A code as words inside a sentence; other text as it is, without its full stop."""
    if isinstance(value, str) and _CODE.fullmatch(value):
        return text.code_phrase(value)
    return told(clean(value, LONGEST_SENTENCE).rstrip("."))


def figure(value: Any, u: Any, unit: str) -> str:
    """``figure_text`` for values as they stand in the analysis dict."""
    return text.NOT_KNOWN if number(value) is None else decimal(figure_text(number(value), number(u), unit))


def plain(value: Any, unit: str) -> str:
    """An exact or set number (a rating, a limit) in its display unit, without padding zeros."""
    exact = number(value)
    if exact is None:
        return text.NOT_KNOWN
    factor, name = display_unit(unit)
    return decimal(f"{exact * factor:.6g}{' ' + name if name else ''}")


def rated(value: Any, unit: str) -> str:
    """A rating, or "not stated"."""
    return text.NOT_STATED if number(value) is None else plain(value, unit)


def banded(value: Any, unit: str, band: Any) -> str:
    """An acceptance limit with the decimals of its guard band."""
    exact, width = number(value), number(band)
    if exact is None:
        return text.DASH
    if not width:
        return plain(exact, unit)
    factor, name = display_unit(unit)
    return decimal(f"{exact * factor:.{decimals_for(width * factor)}f}{' ' + name if name else ''}")


def duration(seconds: Any) -> str:
    """"4 h 52 min", "3 min 5 s", "12.5 s"."""
    value = number(seconds)
    if value is None:
        return text.DURATION_UNKNOWN
    if value < 60:
        return decimal(f"{value:.3g} s")
    whole = round(value)
    if whole < 3600:
        minutes, rest = divmod(whole, 60)
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    hours, minutes = divmod(round(value / 60), 60)
    if hours < 100:
        return f"{hours} h {minutes} min"
    days, hours = divmod(round(value / 3600), 24)
    return f"{days} d {hours} h"


def moment(value: Any) -> str | None:
    """Date and time in words from ISO 8601; other text cleaned as it is; None if there is none."""
    if value is None or not str(value).strip():
        return None
    parsed = parse_moment(value)
    if parsed is None:
        return clean(value)
    zone = ""
    if parsed.tzinfo is not None:
        parsed = parsed.astimezone(UTC)
        zone = " UTC"
    return text.MOMENT.format(day=parsed.day, number=parsed.month, month=text.MONTHS[parsed.month - 1], year=parsed.year, time=f"{parsed:%H:%M}{zone}")


def parse_moment(value: Any) -> datetime | None:
    """ISO 8601 text or datetime to datetime, None if it is neither."""
    if isinstance(value, datetime):
        return value
    try:
        return datetime.fromisoformat(str(value).strip())
    except ValueError:
        return None


def stamp_of(value: Any) -> tuple[int, int, int, int, int, int]:
    """Year to second of a moment, for the date inside a file; the year 2000 where there is none."""
    parsed = parse_moment(value)
    return (parsed.year, parsed.month, parsed.day, parsed.hour, parsed.minute, parsed.second) if parsed else (2000, 1, 1, 0, 0, 0)


def span_of_capacity(analysis: Any) -> tuple[float, float] | None:
    """Start and end of the discharge that was counted, from ``capacity.at_s`` or the steps. [s]"""
    start, end = number(get(analysis, "capacity", "at_s", "start_s")), number(get(analysis, "capacity", "at_s", "end_s"))
    if start is not None and end is not None and end > start:
        return start, end
    spans = [(number(get(step, "start_s")), number(get(step, "end_s"))) for step in counted_steps(analysis)]
    known = [(a, b) for a, b in spans if a is not None and b is not None and b > a]
    return (min(a for a, _ in known), max(b for _, b in known)) if known else None


def counted_steps(analysis: Any) -> list[dict[str, Any]]:
    """Steps whose charge makes up the capacity."""
    indices = as_list(get(analysis, "capacity", "steps")) or [get(analysis, "capacity", "step")]
    return [step for step in as_list(get(analysis, "steps"))
            if isinstance(step, dict) and step.get("index") is not None and step.get("index") in indices]


def step_by_index(analysis: Any, index: Any) -> dict[str, Any] | None:
    """The step that carries ``index``, or None."""
    if index is None:
        return None
    for step in as_list(get(analysis, "steps")):
        if isinstance(step, dict) and step.get("index") == index:
            return step
    return None


def pack_value(analysis: Any, pack: Any, key: str) -> Any:
    """A rating from the analysis (which may have inferred it), else from the pack file."""
    value = get(analysis, "pack", key)
    return value if value is not None else getattr(pack, key, None)
