"""What one heading says: quantity, unit, whether it is a group's, and how far it can be trusted.

The vocabulary is the table ``cycler/data/roles.toml``. 'quantity / unit' headings follow ISO 80000-1, 7.1.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib import resources

from cycler.readers.sniff import normal
from cycler.units import UNITS, Unit, parse_unit

ROLES = (
    "time", "clock", "date", "voltage", "current", "charge_current", "discharge_current", "power", "capacity",
    "charge_capacity", "discharge_capacity", "energy", "temperature", "group_voltage", "tap_voltage", "step",
    "cycle", "mode", "resistance", "thermistor", "ignored",
)  # fmt: skip

ROLE_DIMENSION = {
    "time": "time", "voltage": "voltage", "group_voltage": "voltage", "tap_voltage": "voltage", "current": "current",
    "charge_current": "current", "discharge_current": "current", "power": "power", "capacity": "charge",
    "charge_capacity": "charge", "discharge_capacity": "charge", "energy": "energy", "temperature": "temperature",
    "resistance": "resistance", "thermistor": "resistance",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class NameReading:
    """What a heading says. ``number`` and ``series_key`` tell members of a numbered set apart.

    ``score`` ranks several headings of one role: plain or "measured" ones before settings and other points of
    the circuit. ``named`` is False if only the unit spoke; ``thermistor``: the heading says so, whatever the unit. ``direction`` is "charge" or "discharge" for an energy of that direction.
    """

    role: str
    quantity: str | None
    unit: Unit | None
    unit_text: str
    number: int | None = None
    series_key: str = ""
    score: float = 0.0
    evidence: str = ""
    named: bool = False
    group_word: bool = False
    only_quantity_word: bool = False
    step_time: bool = False
    direction: str = ""
    thermistor: bool = False


@lru_cache(maxsize=1)
def vocabulary() -> dict:
    """The table of roles as parsed TOML, words as sets."""
    raw = tomllib.loads(resources.files("cycler").joinpath("data/roles.toml").read_text("utf-8"))
    return {
        section: {
            key: {kind: frozenset(words) if kind != "stems" else tuple(words) for kind, words in entry.items()}
            for key, entry in table.items()
        }
        for section, table in raw.items()
    }


_BRACKET = re.compile(r"^(.*?)[\s_]*[\(\[\{<]\s*([^()\[\]{}<>]*(?:\([^()]*\))?)\s*[\)\]\}>]\s*(.*)$")
_SLASH = re.compile(r"^(.*?)\s*/\s*([^/]+)$")
_IN = re.compile(r"^(.*\S)[\s_]+(?:in|en|em)[\s_]+(\S.*)$", re.IGNORECASE)
_COMMA = re.compile(r"^(.*?)\s*[,;:]\s*([^,;:]+)$")
_GLUED = re.compile(r"^([^\W\d_]+?|.*\))((?:m|µ)?(?:Ah|Wh|V|A|W))$")
_BARE_CHARGE = re.compile(r"charge|(?!ent)ladung\w*")
_TOKEN = re.compile(r"[^\W\d_]+|\d+|#")


# Behind these a single letter names the input: "Channel A" is no current.
_LETTERED = {"channel", "ch", "chan", "kanal", "canal", "canale", "kanaal", "input", "eingang", "entree", "entrada", "ingresso", "ingang", "port", "sensor", "probe"}


def split_unit(name: str) -> tuple[str, Unit | None, str, bool]:
    """("Test Time / s") -> label, unit, unit text, and whether the unit was set apart by a mark.

    A unit that was only the last word of the heading is weaker evidence than one in brackets.
    """
    text = " ".join(name.replace("\ufeff", "").split())
    found = _BRACKET.match(text)
    unknown = ""
    if found:
        inner = found[2].strip()
        unit = parse_unit(inner) or next((u for part in re.split(r"[,;]|\s(?=\w*$)", inner) if (u := parse_unit(part))), None)
        if unit is not None:
            return f"{found[1]} {found[3]}".strip(), unit, inner, True
        if inner and len(inner) <= 8 and not found[3] and not any(ch.isdecimal() for ch in inner):
            unknown = inner
    whole = parse_unit(text)
    if whole is not None and normal(text) not in ("heure", "hora", "ora", "uur", "tag", "day"):
        return "", whole, text, True
    for pattern in (_SLASH, _IN, _COMMA):
        found = pattern.match(text)
        if found:
            right = found[2].strip().strip("()")
            if right == "1":
                return found[1], None, "", True
            unit = parse_unit(right)
            if unit is not None and found[1].strip():
                return found[1], unit, right, True
    parts = [part for part in re.split(r"[\s_]+|(?<=\w)[.-](?=[A-Za-z°µμΩ%])", text) if part]
    for count in (2, 1):
        if len(parts) > count:
            tail = " ".join(parts[-count:])
            unit = _word_unit(tail)
            if unit is not None and not (len(tail) == 1 and normal(parts[-2]) in _LETTERED):
                return " ".join(parts[:-count]), unit, tail, False
    if len(parts) > 1 and len(parts[0]) > 1 and (unit := _word_unit(parts[0])) is not None:
        return " ".join(parts[1:]), unit, parts[0], False
    found = _GLUED.match(text)
    if found and len(found[1]) > 1:
        return found[1], parse_unit(found[2]), found[2], False
    return text, None, unknown, False


def _word_unit(text: str) -> Unit | None:
    """A unit written as a bare word: one letter must have its exact case."""
    if len(text) == 1 and text not in UNITS and text != "C":
        return None
    if text.lower() in ("min", "deg", "grad", "ir", "ora", "hora", "heure", "day", "days", "std", "c"):
        return parse_unit(text) if text in ("C", "deg", "min") else None
    return parse_unit(text)


def _tokens(label: str) -> list[str]:
    spaced = re.sub(r"(?<=[a-zäöü])(?=[A-Z])", " ", label)
    return _TOKEN.findall(spaced)


def _hits(words: list[str], entry: dict) -> list[str]:
    exact = entry.get("words", frozenset())
    stems = entry.get("stems", ())
    return [word for word in words if word in exact or any(stem in word for stem in stems)]


def classify_name(name: str, unit_row: str = "") -> NameReading:
    """What a heading says.

    Parameters
    ----------
    name : str
        Heading as written.
    unit_row : str
        The cell under it in a units row, if there is one.
    """
    label, unit, unit_text, marked = split_unit(name)
    if unit_row.strip():
        row_unit = parse_unit(unit_row)
        if row_unit is not None:
            if not marked:
                label = name if unit is not None else label
            unit, unit_text, marked = row_unit, unit_row.strip(), True
    reading = _classify(label, unit, unit_text)
    if unit is not None and not marked:
        # A bare last word may be a letter of a channel ("Temperature A"): it must fit the words before it.
        alone = _classify(" ".join(name.split()), None, "")
        if reading.role == "thermistor":
            return reading
        if len(unit_text) == 1 and alone.role == "group_voltage" and unit.dimension != "voltage":
            # "Cell A", "Cell C": the letter counts the groups.
            return alone
        if alone.quantity is not None and alone.quantity != unit.dimension and not _compatible(alone.quantity, unit.dimension):
            return alone
        if reading.quantity is None:
            return alone
    return reading


def _compatible(quantity: str, dimension: str) -> bool:
    families = ({"charge", "energy"}, {"time", "step", "cycle", "clock"}, {"power", "energy"})
    return any({quantity, dimension} <= family for family in families)


def _classify(label: str, unit: Unit | None, unit_text: str) -> NameReading:
    table = vocabulary()
    tokens = _tokens(label)
    words = [normal(token) for token in tokens if not token.isdecimal()]
    numbers = [int(token) for token in tokens if token.isdecimal() and len(token) < 6]
    number = numbers[-1] if numbers else None
    if number is None and len(tokens) > 1 and len(tokens[-1]) == 1 and "A" <= tokens[-1] <= "P" and _hits(words[:-1], table["qualifier"]["group"]):
        number, tokens, words = ord(tokens[-1]) - ord("A") + 1, tokens[:-1], words[:-1]
    key = " ".join(words)
    quantity, by_word = _quantity_by_words(words, table)
    if quantity is None and len(tokens) == 3 and number is not None and tokens[0] in table["qualifier"]["group"]["symbols"]:
        # "Z1 U": the group first, then what was measured on it.
        quantity = _quantity_by_symbol(tokens[2:], table)
        if quantity == "voltage":
            return NameReading("group_voltage", quantity, unit, unit_text, number, key, 0.0, "numbered heading of a group", True, True)
    symbol = False
    if quantity is None and tokens:
        quantity, symbol = _quantity_by_symbol(tokens, table), True
    dimension = unit.dimension if unit is not None else None
    named = quantity is not None
    penalty = 0.0
    if dimension is not None and dimension != "share":
        if quantity in (None, dimension):
            quantity = dimension
        elif quantity in ("step", "cycle") and dimension == "time":
            pass
        elif quantity == "clock" and dimension == "time":
            quantity = "clock"
        else:
            penalty = -3.0 if not symbol and not _compatible(quantity, dimension) else 0.0
            quantity = dimension
    elif dimension == "share":
        return NameReading("ignored", None, unit, unit_text, number, key, evidence="a share, not a reading")
    qualifiers = {name: _hits(words, entry) for name, entry in table["qualifier"].items()}
    # "Ah in" and "Ah out" tell the direction only at the end of the heading; "capacity in step" does not.
    if words and words[-1] in ("in", "out") and dimension in ("charge", "energy", "current"):
        qualifiers["charge" if words[-1] == "in" else "discharge"].append(words[-1])
    group_symbol = bool(tokens) and number is not None and len(words) == 1 and tokens[0] in table["qualifier"]["group"]["symbols"]
    group_word = bool(qualifiers["group"]) or group_symbol
    base = NameReading(
        "ignored", quantity, unit, unit_text, number, key, penalty, named=named, group_word=group_word,
        thermistor=bool(qualifiers["thermistor"]),
    )
    if qualifiers["excluded"] and quantity not in ("time", "clock", "date", "mode", "step", "cycle"):
        return replace(base, evidence=f"a statistic or limit ({qualifiers['excluded'][0]}), not a reading")
    if dimension in ("resistance", None) and (found := _thermistor(base, tokens, words, qualifiers["thermistor"], table)):
        return found
    score = penalty + (2.0 if qualifiers["preferred"] else 0.0) - (3.0 if qualifiers["secondary"] else 0.0)
    score += 1.0 if unit is not None else 0.0
    what = f"heading says {by_word or label.strip() or unit_text}" if named else (f"unit {unit.symbol}" if unit else "")
    base = replace(base, score=score, evidence=what)
    if quantity is None:
        if qualifiers["tap"] and number is not None:
            return replace(base, role="tap_voltage", evidence="heading says tap")
        if group_word and number is not None:
            return replace(base, role="group_voltage", evidence="numbered heading of a group", score=score - 1)
        return replace(base, evidence="heading not known")
    return _role_for(base, quantity, qualifiers, words, key, number, score)


_INTERNAL = {"ri", "ir", "esr", "rint", "dcir", "dcr", "acir", "innenwiderstand", "internal", "interne", "interna"}


def _thermistor(base: NameReading, tokens: list[str], words: list[str], says: list[str], table: dict) -> NameReading | None:
    """The reading of a heading that names the resistance of a temperature sensor, else None."""
    if _INTERNAL.intersection(words) or (base.unit is not None and base.unit.factor < 1.0):
        return None  # no sensor of a pack has milliohms
    symbols = table["qualifier"]["thermistor"]["symbols"]
    resistance, in_ohm = table["quantity"]["resistance"], base.unit is not None
    named = bool(_hits(words, resistance)) or (len(tokens) > 1 and tokens[0] in resistance["symbols"])
    numbered = base.number is not None and (tokens[0] in symbols or "".join(tokens[:2]) in symbols)
    if (says and (in_ohm or named)) or (numbered and in_ohm):
        what = f"heading says {says[0] if says else base.series_key}, a resistance"
        return replace(base, role="thermistor", quantity="resistance", evidence=what)
    if in_ohm and not named and _hits(words, table["quantity"]["temperature"]):
        return replace(base, evidence="resistance of a temperature sensor whose kind the heading does not tell")
    return None


def _role_for(
    base: NameReading, quantity: str, qualifiers: dict[str, list[str]], words: list[str], key: str, number: int | None,
    score: float,
) -> NameReading:
    charge, discharge = bool(qualifiers["charge"]), bool(qualifiers["discharge"])
    if discharge:
        charge = False
    if quantity == "voltage":
        if qualifiers["tap"]:
            return replace(base, role="tap_voltage")
        if base.group_word and number is not None:
            return replace(base, role="group_voltage")
        score -= 3.0 if charge or discharge else 0.0
        score -= 2.0 if base.group_word else 0.0
        score -= 1.0 if number is not None else 0.0
        return replace(base, role="voltage", score=score)
    if quantity == "current":
        score -= 2.0 if base.group_word or number is not None else 0.0
        role = "discharge_current" if discharge else "charge_current" if charge else "current"
        return replace(base, role=role, score=score)
    if quantity == "charge":
        # "Charge (Ah)" and "Ladungszähler" name the quantity; "charge capacity" and "charged" a direction.
        strong = {word for word in words if _hits([word], vocabulary()["quantity"]["charge"]) and not _BARE_CHARGE.fullmatch(word)}
        bare = charge and not strong and all(_BARE_CHARGE.fullmatch(word) for word in qualifiers["charge"])
        role = "discharge_capacity" if discharge else "charge_capacity" if charge and not bare else "capacity"
        return replace(base, role=role, score=score, only_quantity_word=bare)
    if quantity == "energy":
        score -= 1.0 if charge or discharge else 0.0
        way = "discharge" if discharge else "charge" if charge else ""
        return replace(base, role="energy", score=score, direction=way, evidence=base.evidence + (f", of the {way}" if way else ""))
    if quantity in ("power", "temperature", "resistance"):
        return replace(base, role=quantity, score=score)
    if quantity == "time":
        step = _hits(words, vocabulary()["quantity"]["step"])
        cycle = _hits(words, vocabulary()["quantity"]["cycle"])
        if step and not qualifiers["total_time"]:
            return replace(base, role="step", step_time=True, evidence="time within a step")
        if cycle:
            return replace(base, score=score - 3, role="time", evidence="time within a cycle")
        score += 1.0 if qualifiers["total_time"] else 0.0
        score -= 3.0 if charge or discharge or base.group_word else 0.0
        return replace(base, role="time", score=score)
    if quantity in ("clock", "date", "step", "cycle", "mode"):
        if quantity == "step" and base.unit is not None and base.unit.dimension == "time":
            return replace(base, role="step", step_time=True, evidence="time within a step")
        if quantity == "cycle" and base.unit is not None and base.unit.dimension == "time":
            return replace(base, role="time", score=score - 3, evidence="time within a cycle")
        return replace(base, role=quantity, score=score)
    return replace(base, role="ignored", evidence="heading not known")


# Words that name a quantity only where no stronger one stands beside them ("Charge current", "Step time",
# "Date/Time", "Mode temperature").
_WEAK = ("charge", "date", "step", "cycle", "mode")
_STRONG_ORDER = (
    "temperature", "resistance", "energy", "power", "current", "voltage", "clock", "time", "charge", "cycle", "step",
    "mode", "date",
)  # fmt: skip


def _quantity_by_words(words: list[str], table: dict) -> tuple[str | None, str]:
    best: tuple[int, int, str, str] | None = None
    for word in words:
        for place, quantity in enumerate(_STRONG_ORDER):
            entry = table["quantity"][quantity]
            if word in entry["words"]:
                rank = 0
            elif any(stem in word for stem in entry["stems"]):
                rank = 1
            else:
                continue
            weak = quantity in _WEAK
            # "Capacity" outranks "charge"/"discharge", which are words of direction as well.
            if quantity == "charge" and word not in ("charge", "discharge", "ladung", "entladung"):
                weak = False
            item = (int(weak), rank, quantity, word)
            if best is None or item[:2] < best[:2] or (item[:2] == best[:2] and place < _STRONG_ORDER.index(best[2])):
                best = item
    if best is None:
        return None, ""
    if best[2] == "date" and "time" in {q for word in words for q in ("time", "clock") if word in table["quantity"][q]["words"]}:
        return "clock", best[3]
    if best[2] in ("time",) and any(word in table["quantity"]["date"]["words"] for word in words):
        return "clock", best[3]
    return best[2], best[3]


def _quantity_by_symbol(tokens: list[str], table: dict) -> str | None:
    """U, I, T ... as the first token; the others may only be numbers or words that qualify ("U_bat", "I_max")."""
    first = tokens[0]
    for quantity, entry in table["quantity"].items():
        if first not in entry["symbols"]:
            continue
        others = [normal(token) for token in tokens[1:] if not token.isdecimal()]
        known = all(any(_hits([word], item) for item in table["qualifier"].values()) or len(word) <= 4 for word in others)
        if known and not (first in table["qualifier"]["group"]["symbols"] and first in ("C", "c") and len(tokens) > 1):
            return quantity
    return None


def mode_of(word: str) -> str | None:
    """"charge", "discharge" or "rest" for a word of a mode column, in any of the six languages, else None."""
    table = vocabulary()["mode"]
    plain = normal(re.sub(r"[_\-./+]", " ", word))
    tokens = re.findall(r"[a-z]+", plain)
    for mode in ("discharge", "rest", "charge"):
        if any(stem in plain for stem in table[mode]["stems"]):
            if mode == "rest" and any(stem in plain for stem in table["charge"]["stems"] if stem not in ("lade",)):
                continue
            return mode
    for mode in ("discharge", "charge", "rest"):
        if any(token in table[mode]["words"] for token in tokens):
            return mode
    return None
