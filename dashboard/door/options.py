"""Repair, salvage or scrap, and the workshop's own costs."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cycler.errors import InputError
from cycler.files import replace_file
from dashboard.door.base import Opened

WORKSHOP_NAME = "-workshop.toml"
"""Ending of the file of the workshop's figures; it stands beside the register and is named after it."""


@dataclass(frozen=True, slots=True)
class WorkshopForm:
    """The workshop's figures as a form: what was stated, what is counted where nothing is, units by key, and the file."""

    values: dict[str, str]
    counted: dict[str, str]
    units: dict[str, str]
    currency: str
    file: str


class Options(Opened):
    """Repair, salvage or scrap, and the workshop's own costs."""

    job: Callable[[int], dict[str, Any]]
    write_job: Callable[..., int]

    def __init__(self) -> None:
        super().__init__()
        self._workshop_lock = threading.Lock()

    @property
    def workshop_file(self) -> Path:
        """File of the workshop's figures: beside the register, or in the data directory where the register is none of this machine's files."""
        from cycler.ownfolder import default_path

        place = Path(self._register.name)
        if place.is_file():
            return place.with_name(place.stem + WORKSHOP_NAME)
        return default_path().with_name("workshop.toml")

    def workshop(self) -> Any:
        """The workshop's figures as kept; the invented ones where none are. InputError where the file cannot be read."""
        from cycler.repair.workshop import default_workshop, load_workshop

        return load_workshop(self.workshop_file) if self.workshop_file.exists() else default_workshop()

    def workshop_form(self) -> WorkshopForm:
        """The same as a form."""
        from cycler.repair.workshop import CURRENCY, KEYS, default_workshop, form_from_workshop, range_text

        own = self.workshop()
        counted = {key: range_text(value) for key, value in default_workshop().figures.items()} | {CURRENCY: default_workshop().currency}
        units = {key: own.currency if item.unit == "money" else item.unit for key, item in KEYS.items()}
        return WorkshopForm(form_from_workshop(own), counted, units, own.currency, str(self.workshop_file))

    def keep_workshop(self, values: Mapping[str, str], place: str) -> dict[str, InputError]:
        """Keep the figures as typed, whole or not at all; what is wrong with which entry, nothing kept in that case. ``place`` names the form in messages.

        Raises
        ------
        InputError
            The file cannot be written.
        """
        from cycler.repair.workshop import workshop_from_form, workshop_to_toml

        own, wrong = workshop_from_form(values, place)
        if not wrong:
            with self._workshop_lock:
                replace_file("the workshop's figures", self.workshop_file, workshop_to_toml(own).encode())
        return wrong

    def options_of(self, job_id: int, cause: str | None = None) -> dict[str, Any] | None:
        """Options for the pack of a job by its newest bench sheet (``cycler.options/1``); None without a sheet. A cause that the sheet does not leave is passed over."""
        from cycler.repair.options import rank_options

        evaluation = self.job(job_id).get("evaluation")
        if not evaluation:
            return None
        known = {name for item in evaluation.get("causes") or () for name in (item["code"], f"{item['code']}:{item.get('group')}")}
        return rank_options(evaluation, self.workshop(), cause if cause in known else None)

    def decide_option(self, job_id: int, option: str, remark: str, who: str, cause: str | None = None) -> int:
        """Write a decision on the job, with the ranking and the figures that it was taken on; returns its number.

        Raises
        ------
        InputError
            No sheet, no option chosen, one that is barred (says by what), no name, a job that is closed.
        """
        from cycler.repair.workshop import workshop_to_toml

        result = self.options_of(job_id, cause)
        if result is None:
            raise InputError("there is nothing to decide on", f"job {job_id}", "no bench sheet was kept", "fill in a bench sheet and keep it first")
        chosen = next((item for item in result["options"] if item["code"] == option), None)
        if chosen is None:
            raise InputError("no option is chosen", f"job {job_id}", "what is decided for is not named", "choose one of the options")
        if chosen["barred_by"]:
            raise InputError(f"{chosen['title']} is barred", f"job {job_id}", chosen["reason"].removeprefix("Barred: "), "choose one that is not barred; scrap always is open")
        first = next((item for item in result["causes"] if item["probability"] > 0), None)
        data = {
            "option": option, "title": chosen["title"], "ranked": result["ranked"], "first": result["first"], "net_expected": chosen["net_expected"], "u_net": chosen["u_net"],
            "currency": result["currency"], "turning": result["turning"]["words"], "cause": cause or (first["code"] if first else None), "vetoes": result["vetoes"],
            "options": [{key: item[key] for key in ("code", "net_expected", "u_net", "net_low", "net_high", "chance_of_success", "barred_by")} for item in result["options"]],
            "assumed": result["assumed"], "workshop": workshop_to_toml(self.workshop()),
        }
        return self.write_job(job_id, "decision", remark.strip() or chosen["title"], who, data)
