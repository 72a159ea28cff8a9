"""Test plans from pack, instruments and criteria."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cycler.errors import InputError
from cycler.files import file_stem, replace_file
from dashboard.door.adding import pack_from_form
from dashboard.door.base import Opened

if TYPE_CHECKING:
    from cycler.criteria import Criteria
    from cycler.plan import Equipment
    from cycler.plansource import PlanBasis

EQUIPMENT_NAME = "-equipment.toml"
"""Ending of the file of the equipment; it stands beside the register and is named after it."""


@dataclass(frozen=True, slots=True)
class PlanFor:
    """What a plan is asked for, as it came from the page. ``kind`` is run, job, pack or typed; ``key`` its number, ``typed`` the ratings by key."""

    kind: str = "typed"
    key: str = ""
    typed: tuple[tuple[str, str], ...] = ()
    criteria: str = ""
    conditions: str = ""
    rate: str = ""
    required_only: bool = False
    first_charge: bool = False
    two_current: bool = False


class Plans(Opened):
    """Test plans from pack, instruments and criteria."""

    criteria: Callable[[str], Criteria]
    write_job: Callable[..., int]

    @property
    def equipment_file(self) -> Path:
        """File of the equipment: beside the register, or in the data directory where the register is none of this machine's files."""
        from cycler.ownfolder import default_path

        place = Path(self._register.name)
        if place.is_file():
            return place.with_name(place.stem + EQUIPMENT_NAME)
        return default_path().with_name("equipment.toml")

    def equipment(self) -> Equipment | None:
        """The equipment as kept, None where none is. InputError where the file cannot be read."""
        from cycler.plan import load_equipment

        return load_equipment(self.equipment_file) if self.equipment_file.exists() else None

    def equipment_form(self) -> dict[str, Any]:
        """The same as a form; without a file a bench with nothing filled in."""
        from cycler.plan.equipment import Charger, Equipment, Load, Logger
        from cycler.plan.form import form_from_equipment

        kept = self.equipment()
        if kept is not None:
            return form_from_equipment(kept)
        blank = form_from_equipment(Equipment(Charger(), Load(), Logger()))
        return {key: "" if value == "0" else value for key, value in blank.items()}

    def keep_equipment(self, values: Mapping[str, Any], place: str) -> None:
        """Keep the equipment as typed, whole or not at all. InputError if an entry is wrong, or the file cannot be written."""
        from cycler.plan.form import equipment_from_form, equipment_to_toml

        made = equipment_from_form(values, self.equipment(), place)
        if made != self.equipment():
            replace_file("the equipment", self.equipment_file, equipment_to_toml(made).encode())

    def plan_basis(self, kind: str, key: str, criteria_name: str = "") -> PlanBasis:
        """What the register knows for a plan. InputError if there is no such run, job or pack."""
        from cycler.plansource import basis_of_job, basis_of_pack, basis_of_run

        if kind == "pack":
            return basis_of_pack(self._register, key)
        if not key.isdecimal() or len(key) > 9:
            raise InputError(f"this is no number of a {kind}", "address of the page", f"found {key!r}", "follow the link once more")
        if kind == "job":
            return basis_of_job(self._register, int(key))
        return basis_of_run(self._register, int(key), self.criteria(criteria_name) if criteria_name else None)

    def plan(self, asked: PlanFor) -> dict[str, Any]:
        """The plan (``cycler.plan/1``) with the equipment that is kept.

        Raises
        ------
        InputError
            No equipment is kept; no such pack, set or conditions; ratings that cannot be.
        """
        from cycler.criteria import load_criteria
        from cycler.plan import conditions_of, make_plan
        from cycler.plansource import PlanBasis

        equipment = self.equipment()
        if equipment is None:
            raise InputError("no equipment is known", "the form", "what the bench can do decides what can be planned", "fill in charger, load and logger")
        if asked.kind == "typed":
            basis = PlanBasis(pack_from_form({key: _number(value) if key not in ("id", "chemistry") else value for key, value in asked.typed}, {}))
        else:
            basis = self.plan_basis(asked.kind, asked.key, asked.criteria)
        criteria = self.criteria(asked.criteria) if asked.criteria else basis.criteria or load_criteria()
        rate = _number(asked.rate)
        if rate is not None and not isinstance(rate, float):
            raise InputError("the rate is not a number", "the form", f"found {rate!r}", "write 0.2 for a discharge in five hours, or leave it empty")
        return make_plan(
            basis.pack, equipment, criteria, wanted=basis.wanted, conditions=conditions_of(asked.conditions or None, rate), required_only=asked.required_only,
            first_charge=asked.first_charge, two_current=asked.two_current, dangers=basis.dangers,
        )

    def plan_card(self, asked: PlanFor) -> tuple[str, str]:
        """Name and text of the bench card, a page to print."""
        from cycler.plan import plan_card_html

        made = self.plan(asked)
        return f"test-plan-{file_stem(made['pack'].get('id') or 'pack')}.html", plan_card_html(made)

    def keep_plan(self, job_id: int, asked: PlanFor, who: str) -> int:
        """Write a plan on a job; returns the number of the entry."""
        from cycler.plan.text import total_text

        made = self.plan(asked)
        return self.write_job(job_id, "plan", f"{made['title']}; {total_text(made)}", who, made)


def _number(text: str) -> Any:
    """A number as typed, with point or comma; what is none stays what it is, and nothing is None."""
    words = str(text or "").strip()
    if not words:
        return None
    try:
        return float(words.replace(",", "."))
    except ValueError:
        return words
