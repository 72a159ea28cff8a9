"""What a pack must show: sets of limits read from a TOML file, and the quantities a limit may be set on.

A set says for each criterion which quantity, which limit, in which direction, whether it is required, why, and
where the limit comes from. A quantity knows how to take its value and standard uncertainty from an analysis
(the plain object that ``analyze --json`` prints); nothing is decided here, see :mod:`cycler.verdict`.
"""

from __future__ import annotations

import difflib
import functools
import hashlib
import json
import math
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from statistics import NormalDist
from typing import Any

from cycler.criteria_quantities import QUANTITIES, Quantity
from cycler.errors import InputError, Location, quote
from cycler.pack import CHEMISTRIES
from cycler.quantities import COVERAGE_FACTOR
from cycler.tomlsource import line_of_key, parse_toml, read_bytes

DEFAULT_SET = "return-to-owner"
"""Name of the set used when none is named."""

DIRECTIONS = ("at_least", "at_most")
DECISIONS = ("guarded", "simple")
DEFAULT_GUARD_MULTIPLE = 1.0
SIMPLE = "simple acceptance"
"""Said of a criterion whose limit is compared with the value alone."""

_FOLDER = Path(__file__).parent / "data" / "criteria"
# Spellings of a unit that mean the same size; any other spelling is refused, never converted.
_UNIT_SPELLINGS = {"ratio": "", "°C": "degC", "Ω": "ohm", "Ohm": "ohm"}
_KIND = "criteria file"


@dataclass(frozen=True, slots=True)
class Criterion:
    """One limit.

    Attributes
    ----------
    id, quantity : str
        Own name in the set; id of a quantity of :data:`cycler.criteria_quantities.QUANTITIES`.
    limit : float
        Tolerance limit, in ``unit``.
    unit : str
        Inner unit of the quantity (``share`` = fraction, "" = ratio).
    direction : str
        ``at_least`` or ``at_most``; a value on the limit conforms.
    required : bool
        False = advisory: shown, but the pack's result does not depend on it.
    fail_counts : bool
        For an advisory criterion: need not be measured, but if it was and fails, the pack fails; beyond the limit and inside the guard
        band, the pack is not proven.
    why, source : str
        Reason in words; where the limit comes from.
    limits : tuple of (str, float)
        Limits that replace ``limit`` for a chemistry.
    guard : float or None
        Guard band of this criterion as a multiple of the expanded uncertainty, in place of the set's rule.
    """

    id: str
    quantity: str
    limit: float
    unit: str
    direction: str
    why: str
    source: str = "not stated"
    required: bool = True
    fail_counts: bool = False
    limits: tuple[tuple[str, float], ...] = ()
    guard: float | None = None

    def limit_for(self, chemistry: str | None) -> float:
        """Limit that holds for ``chemistry``; the general one if none is set for it or it is not known."""
        return dict(self.limits).get(chemistry or "", self.limit)


@dataclass(frozen=True, slots=True)
class Criteria:
    """A set of criteria and its decision rule.

    ``sha256`` is that of the raw bytes of the file, ``text`` the TOML as read ("" for criteria that came from no file), so that a
    record can judge again without the file.
    """

    name: str
    title: str
    decision: str
    guard_multiple: float | None
    max_false_accept: float | None
    criteria: tuple[Criterion, ...]
    sha256: str
    file: str
    about: str = ""
    text: str = ""

    def guard_factor(self, criterion: Criterion) -> float:
        """Width of the guard band of one criterion in standard uncertainties (w = factor * u); 0 = none."""
        if criterion.guard is not None:
            return criterion.guard * COVERAGE_FACTOR
        if self.decision == "simple":
            return 0.0
        if self.max_false_accept is not None:
            return -NormalDist().inv_cdf(self.max_false_accept)  # not of 1 - p, which a small p leaves at 1
        return (self.guard_multiple or 0.0) * COVERAGE_FACTOR

    def rule_of(self, criterion: Criterion) -> str:
        """The rule of one criterion in a few words: its guard band, or that there is none."""
        if self.guard_factor(criterion) == 0.0:
            return SIMPLE
        if criterion.guard is None and self.max_false_accept is not None:
            return f"w = {self.guard_factor(criterion):.3g} u, false acceptance at most {100 * self.max_false_accept:.3g} %"
        multiple = self.guard_multiple if criterion.guard is None else criterion.guard
        return f"w = {multiple:.3g} U"

    @property
    def decision_rule(self) -> str:
        """The rule in words, as a record prints it."""
        if self.decision == "simple":
            text = (
                "simple acceptance, no guard band: a value on or inside the limit passes, so a result on the limit "
                "is wrong about as often as it is right"
            )
        else:
            if self.max_false_accept is not None:
                width = (
                    f"w = {self.guard_factor(_BARE):.3g} u (probability of false acceptance of one result at most "
                    f"{100 * self.max_false_accept:.3g} %)"
                )
            else:
                width = f"w = {self.guard_multiple:.3g} U, U = {COVERAGE_FACTOR:g} u"
            text = (
                f"guarded acceptance, {width}: pass if the value is inside the limit by w or more, fail if it is "
                "outside by more than w, otherwise not proven"
            )
        own = [item for item in self.criteria if item.guard]
        bare = [item.id for item in self.criteria if item.guard == 0.0]
        if bare and self.decision != "simple":
            text += f"; simple acceptance, no guard band, for {', '.join(bare)}"
        if own:
            text += "; own guard band (multiple of U) for " + ", ".join(f"{c.id} {c.guard:g}" for c in own)
        return text

    def to_dict(self) -> dict[str, Any]:
        """Plain values, for storing beside a verdict; without ``text``, which says the same."""
        values = asdict(self)
        del values["text"]
        values["criteria"] = [{**asdict(item), "limits": dict(item.limits)} for item in self.criteria]
        values["decision_rule"] = self.decision_rule
        return values


_BARE = Criterion("", "", 0.0, "", "at_least", "")


def shipped_sets() -> tuple[str, ...]:
    """Names of the sets that come with the program, the default first."""
    names = sorted(path.stem for path in _FOLDER.glob("*.toml"))
    return tuple(sorted(names, key=lambda name: name != DEFAULT_SET))


def load_criteria(name_or_path: str | Path | None = None) -> Criteria:
    """Read a set of criteria.

    Parameters
    ----------
    name_or_path : str or Path, optional
        Name of a shipped set ("return-to-owner", the default, "resale" or "reuse-of-cells"), or a .toml file.

    Raises
    ------
    InputError
        Unknown set, file missing or not TOML, unknown key, quantity or chemistry (near words are offered), wrong
        unit, limit missing, not a number or of impossible sign or size, direction unknown or the wrong way round, id used twice,
        contradictory decision rule, no required criterion, limits of one's own under the name or title of a shipped set; says file
        and line.
    """
    name = str(name_or_path) if name_or_path is not None else DEFAULT_SET
    shipped = shipped_sets()
    if name in shipped:
        return _read(_FOLDER / f"{name}.toml")
    path = Path(name)
    if path.suffix.lower() != ".toml" and not _may_be_a_file(path):
        near = difflib.get_close_matches(name.lower(), shipped, n=1)
        hint = f"did you mean {near[0]}? " if near else ""
        raise InputError(
            f"unknown set of criteria {quote(name)}", "criteria", "it is neither a shipped set nor a file",
            f"{hint}shipped sets: {', '.join(shipped)}; a set of your own is named by its .toml file",
        )
    own = _read(path)
    _refuse_borrowed_name(own)
    return own


def criteria_from_text(text: str, sha256: str = "", file: str = "criteria") -> Criteria:
    """The criteria that a record or the register keeps as text: the TOML as read, or what :meth:`Criteria.to_dict` gave, as JSON.

    Raises
    ------
    InputError
        As for :func:`load_criteria`.
    """
    if not text.lstrip().startswith("{"):
        data, text = parse_toml(text.encode("utf-8"), file, _KIND)
        return criteria_from_dict(data, text, file, sha256)
    try:
        kept = json.loads(text)
    except ValueError:
        raise InputError(
            f"the {_KIND} cannot be read", Location(file), "it is neither TOML nor what a set of criteria was kept as", "take the set from its .toml file",
        ) from None
    rule = {key: kept[key] for key in _SET_KEYS if kept.get(key) not in (None, "")}
    rows = [
        {key: value for key, value in row.items() if value is not None and value != ""} | {"unit": row.get("unit") or "ratio"}
        for row in kept.get("criteria") or []
    ]
    return criteria_from_dict({**rule, "criterion": rows}, "", file, sha256 or str(kept.get("sha256") or ""))


def criteria_from_bytes(raw: bytes, file: str) -> Criteria:
    """A set of one's own from the bytes of a .toml file called ``file``. InputError as for :func:`load_criteria`."""
    own = _from_bytes(raw, file)
    _refuse_borrowed_name(own)
    return own


def _may_be_a_file(path: Path) -> bool:
    try:
        return path.exists()
    except (OSError, ValueError):  # longer than a name may be, or with a zero byte
        return False


def _read(path: Path) -> Criteria:
    return _from_bytes(read_bytes(path, _KIND), str(path))


def _from_bytes(raw: bytes, file: str) -> Criteria:
    data, text = parse_toml(raw, file, _KIND)
    return criteria_from_dict(data, text, file, hashlib.sha256(raw).hexdigest())  # the digest is that of the bytes that judge


def _refuse_borrowed_name(own: Criteria) -> None:
    """Refuse a file whose name or title is that of a shipped set with other limits: a record would name a set that did not judge."""
    for shipped in (_read(_FOLDER / f"{name}.toml") for name in shipped_sets()):
        if own == replace(shipped, sha256=own.sha256, file=own.file, text=own.text):  # the same but for comments
            return
        for key in ("name", "title"):
            word = getattr(own, key)
            if word.strip().casefold() == getattr(shipped, key).casefold():
                raise InputError(
                    f"{key} {quote(word)} is that of a shipped set", _Place(own.file, own.text).of(key),
                    "this file says something else, and who reads the record would take it for the shipped one",
                    "give your set a name and a title of its own",
                )


def criteria_from_dict(data: Mapping[str, Any], text: str = "", file: str = "criteria", sha256: str = "") -> Criteria:
    """A :class:`Criteria` from parsed TOML. ``text`` lets messages name the line. See :func:`load_criteria`."""
    if not data:
        raise InputError(
            f"the {_KIND} is empty", Location(file), "it sets no limit, so it could decide nothing",
            f"copy a shipped set ({', '.join(shipped_sets())}) and edit it",
        )
    place = _Place(file, text)
    for key in data:
        if key not in _SET_KEYS:
            _refuse_unknown("key", key, _SET_KEYS, place.of(key), "a mistyped key would be ignored silently")
    decision, guard_multiple, max_false_accept = _decision_rule(data, place)
    rows = data.get("criterion", [])
    if not isinstance(rows, list) or not all(isinstance(row, Mapping) for row in rows):
        raise InputError(
            "criterion is not a list of tables", place.of("criterion"), f"found {quote(rows)}",
            "begin each criterion with a line [[criterion]]",
        )
    if not rows:
        raise InputError(
            f"the {_KIND} holds no criterion", Location(file), "it sets no limit, so it could decide nothing",
            "add at least one [[criterion]] with id, quantity, limit, unit, direction and why",
        )
    criteria = tuple(_criterion(row, place.block(index), index) for index, row in enumerate(rows))
    seen: dict[str, int] = {}
    for index, item in enumerate(criteria):
        if item.id in seen:
            raise InputError(
                f"the id {quote(item.id)} is used twice", place.block(index).of("id"),
                f"criterion {seen[item.id] + 1} has it too", "give each criterion an id of its own",
            )
        seen[item.id] = index
    if not any(item.required for item in criteria):
        raise InputError(
            "no criterion is required", Location(file), "every pack would pass, whatever was measured",
            "set required = true where the pack must not pass without it",
        )
    name = _words(data, "name", place, Path(file).stem)
    return Criteria(
        name=name,
        title=_words(data, "title", place, name),
        about=_words(data, "about", place, ""),
        decision=decision,
        guard_multiple=guard_multiple,
        max_false_accept=max_false_accept,
        criteria=criteria,
        sha256=sha256,
        file=file,
        text=text,
    )


_SET_KEYS = ("name", "title", "about", "decision", "guard_multiple", "max_false_accept", "criterion")
_CRITERION_KEYS = (
    "id", "quantity", "limit", "unit", "direction", "required", "fail_counts", "why", "source", "limits",
    "guard",
)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a key stands in the file: ``start`` and ``end`` are line indices of the table it belongs to."""

    file: str
    text: str
    start: int | None = None
    end: int | None = None
    lines: tuple[str, ...] = field(default=())

    def of(self, key: str) -> Location:
        if self.start is None:
            return Location(self.file, line_of_key(self.text, key))
        pattern = re.compile(rf"""^\s*(\[\s*criterion\s*\.\s*)?["']?{re.escape(key)}["']?\s*[=\]]""")
        for index in range(self.start, self.end or self.start):
            if pattern.match(self.lines[index]):
                return Location(self.file, index + 1)
        return Location(self.file, self.start + 1)

    def block(self, number: int) -> _Place:
        lines, heads = _lines_and_heads(self.text)
        if number >= len(heads):
            return _Place(self.file, self.text)
        end = heads[number + 1] if number + 1 < len(heads) else len(lines)
        return _Place(self.file, self.text, heads[number], end, lines)


@functools.lru_cache(maxsize=1)
def _lines_and_heads(text: str) -> tuple[tuple[str, ...], tuple[int, ...]]:
    """The lines of a file, and at which of them a criterion begins; looked for once, however many there are."""
    lines = tuple(text.split("\n"))
    return lines, tuple(i for i, line in enumerate(lines) if re.match(r"^\s*\[\[\s*criterion\s*\]\]", line))


def _refuse_unknown(noun: str, word: str, known: Any, where: Location, why: str) -> None:
    near = difflib.get_close_matches(str(word), list(known), n=2, cutoff=0.55)
    hint = f"did you mean {' or '.join(near)}?" if near else f"known: {', '.join(known)}"
    raise InputError(f"unknown {noun} {quote(word)}", where, why, hint)


def _words(row: Mapping[str, Any], key: str, place: _Place, default: str | None = None) -> str:
    value = row.get(key, default)
    if value is None or (isinstance(value, str) and not value.strip() and default is None):
        raise InputError(f"{key} is missing", place.of(key), _WHY_MISSING.get(key, "it is needed"), _MEND[key])
    if not isinstance(value, str):
        raise InputError(f"{key} is not a text", place.of(key), f"found {quote(value)}", _MEND[key])
    return " ".join(value.split())


_WHY_MISSING = {
    "unit": "the unit guards against a limit in percent or milliohm being taken for a fraction or ohm",
    "why": "a limit without a reason cannot be argued with",
    "id": "the verdict names each criterion by its id",
    "quantity": "it tells what the limit is set on",
    "direction": "it tells which side of the limit is good",
}
_MEND = {
    "id": 'write id = "state-of-health"',
    "quantity": 'write quantity = "state_of_health"',
    "unit": "write the unit of the quantity, such as unit = \"share\"",
    "direction": 'write direction = "at_least" or direction = "at_most"',
    "why": 'write why = "the reason in a sentence"',
    "source": 'write source = "common practice, no source" or name the document',
    "name": 'write name = "my-shop"',
    "title": 'write title = "What the set is for"',
    "about": 'write about = "a sentence"',
    "decision": 'write decision = "guarded" or decision = "simple"',
}


def _number(row: Mapping[str, Any], key: str, place: _Place) -> float:
    value = row[key]
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        figure = math.nan
    else:
        figure = float(value) if abs(value) < 1e300 else math.inf
    if not math.isfinite(figure):
        found = "too many digits" if isinstance(value, int) and figure == math.inf else quote(value)
        raise InputError(f"{key} is not a number", place.of(key), f"found {found}", f"write {key} = 0.7, without quotes or unit")
    return figure


def _decision_rule(data: Mapping[str, Any], place: _Place) -> tuple[str, float | None, float | None]:
    decision = _words(data, "decision", place, "guarded")
    if decision not in DECISIONS:
        _refuse_unknown("decision", decision, DECISIONS, place.of("decision"), "it sets how uncertainty is counted")
    given = [key for key in ("guard_multiple", "max_false_accept") if key in data]
    if decision == "simple":
        if given:
            raise InputError(
                f"{given[0]} contradicts decision = \"simple\"", place.of(given[0]),
                "simple acceptance has no guard band", 'leave the line out or write decision = "guarded"',
            )
        return decision, None, None
    if len(given) == 2:
        raise InputError(
            "two rules for the guard band", place.of(given[1]), "guard_multiple and max_false_accept both set it",
            "keep one of the two lines",
        )
    if "max_false_accept" in data:
        chance = _number(data, "max_false_accept", place)
        if not 0.0 < chance < 0.5:
            raise InputError(
                "max_false_accept is not a probability between 0 and 0.5", place.of("max_false_accept"),
                f"found {quote(chance)}", "5 % is written 0.05",
            )
        return decision, None, chance
    multiple = DEFAULT_GUARD_MULTIPLE
    if "guard_multiple" in data:
        multiple = _guard(data, "guard_multiple", place)
        if multiple == 0.0:
            raise InputError(
                "guard_multiple is zero", place.of("guard_multiple"), "without a guard band the rule is not guarded",
                'write decision = "simple", so that the record says so',
            )
    return decision, multiple, None


def _guard(row: Mapping[str, Any], key: str, place: _Place) -> float:
    multiple = _number(row, key, place)
    if not 0.0 <= multiple <= 10.0:
        raise InputError(
            f"{key} is out of range", place.of(key), f"found {quote(multiple)}; it is a multiple of the expanded uncertainty",
            "use a number from 0 (no guard band) to 10; 1 is usual",
        )
    return multiple


def _criterion(row: Mapping[str, Any], place: _Place, index: int) -> Criterion:
    for key in row:
        if key not in _CRITERION_KEYS:
            _refuse_unknown("key", key, _CRITERION_KEYS, place.of(key), "a mistyped key would be ignored silently")
    name = _words(row, "id", place)
    quantity_id = _words(row, "quantity", place)
    if quantity_id not in QUANTITIES:
        _refuse_unknown("quantity", quantity_id, QUANTITIES, place.of("quantity"), "nothing of that name is measured")
    quantity = QUANTITIES[quantity_id]
    unit = _unit(row, place, quantity)
    if "limit" not in row:
        raise InputError(
            "limit is missing", place.of("limit"), f"criterion {quote(name)} compares with nothing", "write limit = 0.7"
        )
    limit = _limit(row, "limit", place, quantity)
    direction = _words(row, "direction", place)
    if direction not in DIRECTIONS:
        _refuse_unknown("direction", direction, DIRECTIONS, place.of("direction"), "it tells which side is good")
    if quantity.side and direction != quantity.side:
        better, worse = ("more", "little") if quantity.side == "at_least" else ("less", "much")
        raise InputError(
            f"direction {quote(direction)} is the wrong side for {quantity_id}", place.of("direction"),
            f"{better} of it is better, so that a pack with too {worse} would pass", f'write direction = "{quantity.side}"',
        )
    return Criterion(
        id=name,
        quantity=quantity_id,
        limit=limit,
        unit=unit,
        direction=direction,
        required=_yes_or_no(row, "required", place, True),
        fail_counts=_yes_or_no(row, "fail_counts", place, False),
        why=_words(row, "why", place),
        source=_words(row, "source", place, "not stated"),
        limits=_chemistry_limits(row, place, quantity),
        guard=_guard(row, "guard", place) if "guard" in row else None,
    )


def _yes_or_no(row: Mapping[str, Any], key: str, place: _Place, default: bool) -> bool:
    value = row.get(key, default)
    if not isinstance(value, bool):
        raise InputError(
            f"{key} is neither true nor false", place.of(key), f"found {quote(value)}",
            f"write {key} = true or {key} = false, without quotes",
        )
    return value


def _unit(row: Mapping[str, Any], place: _Place, quantity: Quantity) -> str:
    written = row.get("unit")
    if written is None:
        raise InputError("unit is missing", place.of("unit"), _WHY_MISSING["unit"], f'write unit = "{quantity.unit_word}"')
    found = _UNIT_SPELLINGS.get(written, written) if isinstance(written, str) else written
    if found != quantity.unit:
        raise InputError(
            f"wrong unit {quote(written)}", place.of("unit"), f"{quantity.id} is given in {quantity.unit_word}",
            f'write unit = "{quantity.unit_word}" and the limit to match{_UNIT_HINTS.get(quantity.unit, "")}',
        )
    return quantity.unit


_UNIT_HINTS = {
    "share": " (70 % is 0.70)", "ohm": " (80 mΩ is 0.080)", "V": " (50 mV is 0.050)", "mA": " (0.002 A is 2)",
    "Ah": " (9800 mAh is 9.8)",
}


def _limit(row: Mapping[str, Any], key: str, place: _Place, quantity: Quantity) -> float:
    limit = _number(row, key, place)
    low, high = quantity.limit_range
    if limit <= low:
        sign = "must be above zero" if low == 0 else f"must be above {low:g} {quantity.unit_word}"
        raise InputError(
            f"{key} {sign}", place.of(key), f"found {quote(row[key])}; {quantity.id} cannot have such a limit",
            "correct the sign or the figure",
        )
    if limit > high:
        raise InputError(
            f"{key} is implausibly large", place.of(key),
            f"found {quote(row[key])}; the largest taken for {quantity.id} is {high:g} {quantity.unit_word}",
            f"check the unit{_UNIT_HINTS.get(quantity.unit, '')}",
        )
    return limit


def _chemistry_limits(row: Mapping[str, Any], place: _Place, quantity: Quantity) -> tuple[tuple[str, float], ...]:
    table = row.get("limits", {})
    if not isinstance(table, Mapping):
        raise InputError(
            "limits is not a table", place.of("limits"), f"found {quote(table)}", "write [criterion.limits], then lfp = 0.02"
        )
    for key in table:
        if key not in CHEMISTRIES:
            _refuse_unknown("chemistry", key, CHEMISTRIES, place.of(key), "a limit per chemistry is keyed by its short name")
    return tuple((key, _limit(table, key, place, quantity)) for key in table)

