"""Which column plays which part."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass, field

import numpy as np

from cycler.errors import InputError, Location, quote
from cycler.log import ReadingWarning
from cycler.readers import cells, overall
from cycler.readers.cellwise import factorized
from cycler.readers.columnsfile import ColumnsFile
from cycler.readers.decimalmarks import mixed_marks
from cycler.readers.names import ROLE_DIMENSION, NameReading, classify_name, mode_of
from cycler.readers.rawcolumn import Extent, RawColumn, extent_of
from cycler.readers.sniff import normal
from cycler.readers.table import Table
from cycler.units import Unit, parse_unit

MEND = (
    'name the column in a columns file (--columns): [[column]] name = "heading as in the log" (or position = 3), '
    'role = "{role}", unit = "{unit}"'
)


@dataclass(slots=True)
class Assigned:
    """One column and the part it plays. ``composed``: it is read together with others, so no role states it alone;
    ``group_stated``: the number of the group is from a columns file; ``turned``: negative throughout, read as positive."""

    raw: RawColumn
    role: str
    unit: Unit | None
    evidence: str
    name: NameReading
    group: int | None = None
    sign: str | None = None
    stated: bool = False
    inferred: bool = False
    composed: bool = False
    group_stated: bool = False
    turned: bool = False

    @property
    def label(self) -> str:
        """Heading, or "column 3" without one."""
        return self.raw.name or f"column {self.raw.position + 1}"

    @property
    def way(self) -> str:
        """"charge" or "discharge" for a counter of the energy of that direction, else ""."""
        return self.name.direction if self.role == "energy" else ""

    def values(self) -> np.ndarray:
        """Numbers in the inner unit (V, A, Ah, Wh, s, degC ...)."""
        values = self.raw.values if self.raw.values is not None else np.full(0, np.nan)
        if self.unit is None:
            return values
        if self.unit.factor == 1.0 and self.unit.offset == 0.0:
            return values
        parts = round(1 / self.unit.factor)
        if self.unit.offset == 0.0 and parts > 1 and self.unit.factor == 1 / parts:
            return values / parts  # 3680 mV is 3.68 V; times 0.001 it would be 3.6800000000000006 V
        return values * self.unit.factor + self.unit.offset

    def extent(self) -> Extent:
        """Extent of ``values()``."""
        return self.raw.once(f"extent {self.unit}", self.raw.values, lambda: extent_of(self.values()))

    def median(self) -> float:
        """Median of ``values()`` without the cells that hold no number; NaN if none does."""

        def work() -> float:
            values = self.values()
            values = values if not self.raw.extent().missing else values[np.isfinite(values)]
            return overall.median(values)

        return self.raw.once(f"median {self.unit}", self.raw.values, work)


@dataclass(slots=True)
class Assignment:
    """All columns of one table with their parts."""

    columns: list[Assigned]
    warnings: list[ReadingWarning] = field(default_factory=list)

    def role(self, role: str) -> list[Assigned]:
        """Columns of a role, in file order (groups by number)."""
        found = [item for item in self.columns if item.role == role]
        return sorted(found, key=lambda item: item.group or 0) if role in ("group_voltage", "tap_voltage") else found

    def one(self, role: str) -> Assigned | None:
        """The column of a role that can be there once, or None."""
        return next((item for item in self.columns if item.role == role and not item.name.step_time), None)

    def counter(self, key: str) -> Assigned | None:
        """The column of a key of ``Log.counters``; energies of charge and of discharge are apart."""
        if not key.endswith("energy"):
            return self.one(key)
        return next((item for item in self.role("energy") if key == (f"{item.way}_energy" if item.way else "energy")), None)

    def step_time(self) -> Assigned | None:
        """The column of the time within a step, or None."""
        return next((item for item in self.columns if item.role == "step" and item.name.step_time), None)


_LOAD = re.compile(r"\b(?:load|last|belasting|carico|charge electronique|carga electronica)")
_SINGLE = (
    "voltage", "current", "charge_current", "discharge_current", "power", "capacity", "charge_capacity",
    "discharge_capacity", "energy", "resistance", "time", "clock", "date", "step", "cycle", "mode",
)  # fmt: skip


def assign(table: Table, columns: ColumnsFile | None = None) -> Assignment:
    """Give every column its part, by heading and unit first, then by what its cells hold.

    Raises
    ------
    InputError
        The columns file names a column that is not there; two columns could equally be the voltage or current.
    """
    assignment = by_headings(table)
    if columns is not None:
        _apply_rules(assignment, columns, table)
    for item in assignment.columns:
        if not item.stated:
            _check_content(item)
    _settle_symbol_time(assignment)
    _settle_mode(assignment)
    _find_alike(assignment)
    _settle_groups(assignment)
    for role in _SINGLE:
        _keep_one(assignment, role, table)
    for way in ("charge", "discharge"):
        _keep_one(assignment, "energy", table, way)
    _settle_currents(assignment)
    _settle_charges(assignment)
    return assignment


def by_headings(table: Table) -> Assignment:
    """What the headings alone say; neither held against the cells nor against one another."""
    found = []
    for raw in table.columns:
        name = classify_name(raw.name, raw.unit_text)
        unit = name.unit
        if unit is None and raw.unit_in_cells:
            unit = parse_unit(raw.unit_in_cells)
            if unit is not None:
                name = classify_name(raw.name, raw.unit_in_cells)
        found.append(Assigned(raw, name.role, unit, name.evidence, name))
    return Assignment(found)


def _apply_rules(assignment: Assignment, columns: ColumnsFile, table: Table) -> None:
    for rule in columns.columns:
        target = None
        if rule.position is not None:
            if rule.position > len(assignment.columns):
                raise InputError(
                    f"the columns file names column {rule.position}", columns.file,
                    f"the rows of {table.file} have {len(assignment.columns)} fields", "correct position",
                )
            target = assignment.columns[rule.position - 1]
            if rule.name is not None and normal(rule.name) != normal(target.raw.name):
                raise InputError(
                    f"the columns file names column {rule.position} {quote(rule.name)}", columns.file,
                    f"in {table.file} it is {quote(target.label)}", "correct name or position, or leave one of them out",
                )
        else:
            wanted = normal(rule.name or "")
            target = next((item for item in assignment.columns if normal(item.raw.name) == wanted and not item.stated), None)
            if target is None and any(normal(item.raw.name) == wanted for item in assignment.columns):
                raise InputError(
                    f"the columns file names {quote(rule.name)} twice", columns.file, f"{table.file} has that heading once",
                    "put what is said of it into one [[column]] block",
                )
            if target is None:
                names = [item.raw.name for item in assignment.columns if item.raw.name]
                near = difflib.get_close_matches(rule.name or "", names, n=2, cutoff=0.5)
                raise InputError(
                    f"the columns file names {quote(rule.name)}", columns.file, f"{table.file} has no such heading",
                    f"did you mean {' or '.join(map(quote, near))}?" if near else f"headings: {', '.join(map(quote, names[:12]))}",
                )
        if rule.role is not None:
            target.role = rule.role
            target.stated = True
            target.evidence = "stated in the columns file"
            if rule.role == "step":
                step_time = rule.unit is not None and parse_unit(rule.unit).dimension == "time"
                target.name = NameReading("step", "time" if step_time else "step", None, "", step_time=step_time)
            if rule.unit is None and target.unit is not None and ROLE_DIMENSION.get(rule.role) != target.unit.dimension:
                target.unit = None
        if rule.unit is not None:
            target.unit = parse_unit(rule.unit)
            wanted_dimension = ROLE_DIMENSION.get(target.role, target.unit.dimension)
            if target.unit.dimension != wanted_dimension:
                raise InputError(
                    f"the columns file states the unit {quote(rule.unit)} for {quote(target.label)}", columns.file,
                    f"that column is read as {target.role.replace('_', ' ')}, and {rule.unit} is a unit of {target.unit.dimension}",
                    "correct the unit, or state the role too",
                )
        target.sign = rule.sign or target.sign
        target.group = rule.group or target.group
        target.group_stated = rule.group is not None or target.group_stated
    _check_stated(assignment, columns, table)
    # A role that is stated for one column leaves the others out.
    for role in _SINGLE:
        if any(item.stated and item.role == role for item in assignment.columns):
            for item in assignment.columns:
                if item.role == role and not item.stated and not item.name.step_time:
                    _ignore(item, "another column is stated as this in the columns file")
    if any(item.stated and item.role in ("group_voltage", "tap_voltage") for item in assignment.columns):
        for item in assignment.columns:
            if item.role in ("group_voltage", "tap_voltage") and not item.stated:
                _ignore(item, "the groups are stated in the columns file")


def _check_stated(assignment: Assignment, columns: ColumnsFile, table: Table) -> None:
    """InputError where a stated role can be there once and is stated twice, or its column holds no numbers."""
    taken: dict[tuple[str, str], Assigned] = {}
    for item in assignment.columns:
        if not item.stated or item.role not in (*_SINGLE, "group_voltage", "tap_voltage", "temperature", "thermistor"):
            continue
        other = taken.setdefault((item.role, f"{item.way}{item.name.step_time}"), item) if item.role in _SINGLE else item
        if other is not item:
            raise InputError(
                f"the columns file states two columns as {item.role}", columns.file,
                f"{quote(other.label)} and {quote(item.label)}; a log has one", 'state role = "ignored" for the other',
            )
        as_time = item.raw.kind == "time" and item.role in ("time", "clock", "date", "step")
        if item.role != "mode" and item.raw.kind != "number" and not as_time:
            if (mixed := mixed_marks(table, item.raw, item.label)) is not None:
                raise mixed
            texts = [str(text) for text in (item.raw.texts if item.raw.texts is not None else ()) if str(text)]
            cell = next((text for text in texts if cells.number(text, table.dialect.decimal) is None), texts[0] if texts else "")
            raise InputError(
                f"the columns file states {quote(item.label)} as {item.role}",
                Location(table.file, table.dialect.first_line, item.raw.position + 1), f"its cells are no numbers, such as {quote(cell)}",
                f"correct the role, or the decimal mark ({quote(table.dialect.decimal)} was taken), in {columns.file}",
            )


def refuse_mixed_marks(table: Table, assignment: Assignment, roles: set[str] | None = None) -> None:
    """InputError if a column that is missed was taken for words because its numbers have both decimal marks.

    ``roles``: what its heading says, one of these; None for a log without headings.
    """
    for item in assignment.columns:
        if item.raw.kind == "word" and (roles is None or item.name.role in roles) and (mixed := mixed_marks(table, item.raw, item.label)) is not None:
            raise mixed


def _ignore(item: Assigned, why: str) -> None:
    item.role, item.evidence = "ignored", why


def _check_content(item: Assigned) -> None:
    """A heading is believed only if the cells can be what it says."""
    raw = item.raw
    if item.role == "ignored":
        if raw.kind == "time" and not raw.name:
            item.role, item.evidence = "clock", "cells hold times"
        return
    numeric = {"voltage", "current", "charge_current", "discharge_current", "power", "capacity", "charge_capacity",
               "discharge_capacity", "energy", "temperature", "group_voltage", "tap_voltage", "resistance", "thermistor", "cycle"}
    if item.role in numeric and raw.kind != "number":
        _ignore(item, "its cells hold no numbers")
        return
    if item.role == "step":
        if item.name.step_time and raw.kind == "word":
            _ignore(item, "its cells hold no times")
        elif not item.name.step_time and raw.kind == "time":
            _ignore(item, "its cells hold times")
        elif not item.name.step_time and raw.kind == "word":
            item.role = "mode"
        if item.role != "mode":
            return
    if item.role == "mode" and raw.kind != "word":
        _ignore(item, "codes without words")
        return
    if item.role == "mode":
        known, direction, unknown = _mode_share(raw)
        if not (direction and known > 0.2) and known < 0.8:
            shown = ", ".join(map(quote, unknown[:4]))
            _ignore(item, f"its words name neither charge nor discharge: {shown}" if shown else "its cells are empty")
        return
    if item.role == "date" and raw.kind != "time":
        _ignore(item, "its cells hold no dates")
        return
    if item.role in ("time", "clock") and raw.kind == "word":
        _ignore(item, "its cells hold no times")


def _mode_share(raw: RawColumn) -> tuple[float, bool, list[str]]:
    """Share of the rows whose word names charge, discharge or rest, whether one names a direction, and the other words."""
    if raw.texts is None or not len(raw.texts):
        return 0.0, False, []
    codes, found = factorized(raw.texts)
    words = np.array(found, dtype=object)
    weight = np.bincount(codes, minlength=len(words)).astype(float)
    filled = np.array([bool(str(word).strip()) for word in words])
    if len(words) > 60 or not filled.any():
        return 0.0, False, [str(word).strip() for word in words[filled]][:4]
    modes = [mode_of(str(word)) for word in words]
    known = np.array([mode is not None for mode in modes])
    unknown = [str(word).strip() for word in words[filled & ~known]]
    return float(weight[known & filled].sum() / weight[filled].sum()), bool({"charge", "discharge"} & set(modes)), unknown


def _settle_mode(assignment: Assignment) -> None:
    """Of several columns with words, the one whose words name charge, discharge or rest."""
    rated = []
    for item in assignment.columns:
        if item.raw.kind != "word" or item.stated or item.role not in ("mode", "ignored"):
            continue
        share = _mode_share(item.raw)[0]
        if item.role == "mode" or share > 0.8:
            rated.append((share, item.role == "mode", -item.raw.position, item))
    if any(item.stated and item.role == "mode" for item in assignment.columns):
        return
    rated.sort(key=lambda entry: entry[:3], reverse=True)
    for place, (share, _named, _position, item) in enumerate(rated):
        if place == 0:
            item.role = "mode"
            item.evidence = item.evidence if share < 0.5 else "its words name charge, discharge or rest"
        else:
            _ignore(item, "another column holds the mode words")


def _settle_symbol_time(assignment: Assignment) -> None:
    """A lone T or t may be time or temperature: the time is the one that runs on."""
    if any(item.role in ("time", "clock") for item in assignment.columns):
        return
    for item in assignment.columns:
        if item.raw.name in ("T", "t") and item.unit is None and item.raw.kind == "number" and not item.stated:
            values = item.raw.values[np.isfinite(item.raw.values)]
            if values.size > 2 and np.mean(np.diff(values) > 0) > 0.8:
                item.role, item.evidence = "time", "it runs on from row to row"
                return


def _keep_one(assignment: Assignment, role: str, table: Table, way: str = "") -> None:
    rivals = [
        item for item in assignment.columns
        if item.role == role and item.way == way and not item.stated and not (role == "step" and item.name.step_time)
    ]
    if len(rivals) < 2:
        return
    filled = [item for item in rivals if item.raw.kind != "number" or np.isfinite(item.raw.values).any()]
    for item in rivals:
        if item not in filled:
            _ignore(item, "it has no readings")
    rivals = filled
    if len(rivals) < 2:
        return
    best = max(item.name.score for item in rivals)
    top = [item for item in rivals if item.name.score == best]
    if len(top) > 1 and role in ("voltage", "current"):
        top = _by_sameness(top)
    if len(top) > 1 and role == "voltage":
        top = _by_group_sum(assignment, top)
    if len(top) > 1 and role in ("voltage", "current"):
        moving = [item for item in top if overall.highest(item.raw.values) > overall.lowest(item.raw.values)]
        top = moving if len(moving) == 1 else top
    if len(top) > 1 and role in ("voltage", "current"):
        raise InputError(
            f"two columns could be the pack's {role}", Location(table.file, table.dialect.header_line, top[1].raw.position + 1),
            f"{quote(top[0].label)} and {quote(top[1].label)} say the same and differ in their readings",
            MEND.format(role=role, unit="V" if role == "voltage" else "A"),
        )
    for item in rivals:
        if item is not top[0]:
            _ignore(item, f"{quote(top[0].label)} was taken for the {role}")


def _by_sameness(top: list[Assigned]) -> list[Assigned]:
    first = top[0].values()
    near = 2e-3 * float(np.nanmax(np.abs(first), initial=0.0))
    return [top[0]] + [item for item in top[1:] if not np.allclose(item.values(), first, atol=near, equal_nan=True)]


def _by_group_sum(assignment: Assignment, top: list[Assigned]) -> list[Assigned]:
    groups = assignment.role("group_voltage")
    if not groups:
        return top
    total = np.nansum([overall.median(item.values()) for item in groups])
    fitting = [
        item for item in top
        if np.isfinite(med := overall.median(item.values())) and min(abs(med / total - 1), abs(med / total / 1000 - 1)) < 0.05
    ]
    return fitting[:1] or top


def _settle_currents(assignment: Assignment) -> None:
    """Plain current before separate ones; separate ones before a current of another point of the circuit."""
    plain = assignment.one("current")
    charge, discharge = assignment.one("charge_current"), assignment.one("discharge_current")
    if plain is None:
        return
    if charge is not None and discharge is None and not plain.stated and not charge.stated and _LOAD.search(normal(plain.label)):
        # "Charger current" beside "Load current": what the load takes is discharge.
        plain.role, plain.evidence = "discharge_current", f"the current of the load beside {quote(charge.label)}"
        return
    split = charge is not None and discharge is not None
    if plain.stated or not ((charge and charge.stated) or (discharge and discharge.stated)):
        keep_plain = plain.stated or not (split and plain.name.score < 0)
    else:
        keep_plain = False
    for item in (charge, discharge) if keep_plain else (plain,):
        if item is not None:
            _ignore(item, f"{quote(plain.label)} was taken for the current" if keep_plain else "separate charge and discharge currents were taken")


def _settle_charges(assignment: Assignment) -> None:
    """"Charge (Ah)" is a charge counter only beside a discharge counter; else it is charge, the quantity."""
    plain = assignment.one("capacity")
    if plain is None or plain.stated or not plain.name.only_quantity_word:
        return
    if assignment.one("discharge_capacity") is not None and assignment.one("charge_capacity") is None:
        plain.role = "charge_capacity"


def _find_alike(assignment: Assignment) -> None:
    """Numbered voltages without a word for groups ("Channel 1 (V)" ...) that read alike are groups."""
    if any(item.role in ("group_voltage", "tap_voltage") for item in assignment.columns):
        return
    families: dict[str, list[Assigned]] = {}
    for item in assignment.columns:
        if item.role == "voltage" and not item.stated and item.name.number is not None and item.raw.values is not None:
            families.setdefault(item.name.series_key, []).append(item)
    for family in families.values():
        if len({item.name.number for item in family}) < 2:
            continue
        middles = [float(overall.median(item.values())) if np.isfinite(item.raw.values).any() else np.nan for item in family]
        scale = 1000.0 if family[0].unit is None and min(middles) > 200 else 1.0
        if 0.5 * scale < min(middles) and max(middles) < 5.5 * scale and max(middles) < 1.4 * min(middles):
            for item in family:
                item.role, item.evidence = "group_voltage", "a numbered set of voltages that read alike"


def _settle_groups(assignment: Assignment) -> None:
    """Number the group columns from 1 in the order of their headings."""
    for role in ("group_voltage", "tap_voltage"):
        stated = [item for item in assignment.columns if item.role == role and item.stated]
        if stated:
            taken = {item.group for item in stated if item.group}
            free = (number for number in range(1, 1000) if number not in taken)
            for item in stated:
                item.group = item.group or next(free)
            continue
        members = [item for item in assignment.columns if item.role == role]
        if not members:
            continue
        _drop_lone_members(assignment, members)
        members = [item for item in members if item.role == role]
        if role == "group_voltage":
            _keep_one_family(members)
            members = [item for item in members if item.role == role]
        if not members:
            continue
        members.sort(key=lambda item: (item.name.series_key, item.name.number or 0, item.raw.position))
        families = {item.name.series_key for item in members}
        numbers = [item.name.number for item in members]
        base = 1 if min((n for n in numbers if n is not None), default=1) >= 1 else 0
        if len(families) == 1 and len(set(numbers)) == len(numbers):
            for item in members:
                item.group = (item.name.number or 0) + (1 - base)
        else:
            for place, item in enumerate(members):
                item.group = place + 1


def _drop_lone_members(assignment: Assignment, members: list[Assigned]) -> None:
    """"U1" or "C1" alone is no set of groups; it is the voltage if there is no other."""
    others = [item for item in assignment.columns if item.role == "voltage"]
    if len(members) != 1:
        return
    item = members[0]
    if item.name.quantity == "voltage" and not others:
        item.role, item.evidence = "voltage", f"{item.evidence}; the only voltage in the log"
    elif item.name.quantity != "voltage" and item.unit is None and not others:
        _ignore(item, "a single numbered heading")


def _keep_one_family(members: list[Assigned]) -> None:
    """Of several numbered sets (U1.., Cell 1..) the one with a word for groups, unless they are channels A and B."""
    families: dict[str, list[Assigned]] = {}
    for item in members:
        families.setdefault(item.name.series_key, []).append(item)
    if len(families) < 2:
        return
    numbers = [sorted(item.name.number or 0 for item in family) for family in families.values()]
    stems = {key[:-2] if len(key) > 2 and key[-2] == " " else key for key in families}
    if len(stems) == 1:
        return
    best = max(families.values(), key=lambda family: (sum(item.unit is not None for item in family) > 0, len(family)))
    if any(len(set(a) & set(b)) for place, a in enumerate(numbers) for b in numbers[place + 1:]):
        for family in families.values():
            if family is not best:
                for item in family:
                    _ignore(item, "another set of columns holds the group voltages")
