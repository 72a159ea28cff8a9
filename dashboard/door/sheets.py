"""Bench sheets: from what was typed to what the readings say."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from dashboard import text_job_sheet
from dashboard.door.base import Kept, Opened

if TYPE_CHECKING:
    from cycler.repair.causes import Observation
    from cycler.repair.questions import Question

EVALUATIONS_KEPT = 20
PAGES_MINDED = 400
"""Open pages of which the last sending is remembered, so that one that comes late writes nothing over a later one."""

PROBE_TYPE = ".type"
"""Ending of the key of a thermistor's usual type: a word of the form alone, which becomes the curve of that type."""


class Sheets(Opened):
    """Bench sheets: from what was typed to what the readings say."""

    sheet_draft: Callable[[int], dict[str, str]]
    change_sheet_draft: Callable[[int, Mapping[str, str]], dict[str, str]]
    keep_sheet: Callable[[int, str, str], int]

    def __init__(self) -> None:
        super().__init__()
        self._evaluations = Kept(EVALUATIONS_KEPT)
        self._sent: OrderedDict[tuple[int, str], int] = OrderedDict()
        self._sent_lock = threading.Lock()

    # --- what is typed ------------------------------------------------------------------------------------------

    def keep_typed(self, job_id: int, page: str, number: int, changes: Mapping[str, str]) -> dict[str, str]:
        """Put what was typed into the job's draft and return all of it.

        Parameters
        ----------
        page : str
            Mark of the open page. ``number`` counts its sendings; one that was overtaken by a later one changes nothing.
        changes : mapping
            The entries that changed, as typed; all others stay, so that two open pages do not undo each other.
        """
        with self._sent_lock:
            if number <= self._sent.get((job_id, page), -1):
                return dict(self.sheet_draft(job_id))
            draft = self.change_sheet_draft(job_id, changes)
            self._sent[(job_id, page)] = number
            self._sent.move_to_end((job_id, page))
            while len(self._sent) > PAGES_MINDED:
                self._sent.popitem(last=False)
            return draft

    def question_at(self, values: Mapping[str, str], key: str) -> Question | None:
        """What is asked about one entry just typed, or None."""
        return self.form_questions(values).get(key)

    def form_questions(self, values: Mapping[str, str]) -> dict[str, Question]:
        """Every entry that cannot be right, or cannot be used, by its key of the form."""
        from cycler.repair.form import sheet_from_form
        from cycler.repair.questions import REFUSE, questions

        typed = with_curves(values)
        # A sheet counts its thermistors anew where a form leaves rows empty; what cannot be used is called as it was typed.
        rows = sorted({int(key.split(".")[1]) for key, text in typed.items() if key.startswith("probe.") and key.split(".")[1].isdecimal() and text.strip()})
        found: dict[str, Question] = {}
        for item in questions(sheet_from_form(typed)):
            start, _point, rest = item.key.partition(".")
            if start == "probe" and item.severity != REFUSE:
                number, _point, name = rest.partition(".")
                item = replace(item, key=f"probe.{rows[int(number)]}.{name}") if int(number) < len(rows) else item
            found.setdefault(item.key, item)
        return found

    def unread(self, values: Mapping[str, str]) -> dict[str, str]:
        """Entries that could not be used, as typed."""
        from cycler.repair.form import sheet_from_form

        return dict(sheet_from_form(with_curves(values)).unread)

    # --- what it says -------------------------------------------------------------------------------------------

    def evaluate_form(self, values: Mapping[str, str]) -> tuple[str, dict[str, Any]]:
        """The sheet as it is kept, and what its readings say (``cycler.bench/1``); the last ones are kept by their text."""
        from cycler.repair.evaluate import evaluate_sheet
        from cycler.repair.form import sheet_from_form
        from cycler.repair.sheet import sheet_to_toml

        sheet = sheet_from_form(with_curves(values))
        text = sheet_to_toml(sheet)
        return text, self._evaluations.get(text, lambda: evaluate_sheet(sheet))

    def tap_steps(self, values: Mapping[str, str]) -> dict[str, str]:
        """What each tap makes of the group between it and the one before, by the key of the tap: "group 3: 3.652 ± 0.012 V"."""
        from cycler.quantities import figure_text
        from cycler.repair.form import sheet_from_form
        from cycler.repair.sheet import EACH_GROUP, FROM_POSITIVE
        from cycler.repair.taps import group_table

        sheet = sheet_from_form(with_curves(values))
        groups = (group_table(sheet).figures or {}).get("groups") or ()
        if sheet.taps_from in (None, EACH_GROUP):
            return {}
        made = {}
        for group in groups:
            number, known = group["group"], group.get("voltage_v")
            tap = len(groups) + 1 - number if sheet.taps_from == FROM_POSITIVE else number
            if known is not None:
                made[f"taps.{tap}"] = text_job_sheet.STEP.format(n=number, figure=figure_text(known, group.get("u_voltage_v"), "V"))
            elif group.get("apparent_v") is not None:
                made[f"taps.{tap}"] = text_job_sheet.STEP_DOUBTED.format(n=number, figure=f"{group['apparent_v']:.3f} V")
        return made

    def keep_form(self, job_id: int, values: Mapping[str, str], who: str) -> dict[str, Any]:
        """Keep the form as a sheet of the job, taken now; returns what it says. InputError if it cannot be kept."""
        now = datetime.now().astimezone().isoformat(" ", "minutes")
        text, evaluation = self.evaluate_form({**values, "taken_by": who, "taken_at": now})
        self.keep_sheet(job_id, text, who)
        return evaluation

    # --- what the form offers -----------------------------------------------------------------------------------

    def thermistor_types(self) -> list[tuple[str, str]]:
        """Codes and words of the usual thermistors."""
        from cycler.repair.probes import known_types

        return known_types()

    def observations(self) -> list[Observation]:
        """Further measurements that the reasoner knows, the shortest first."""
        from cycler.repair.causes import observations

        return sorted(observations(), key=lambda item: item.minutes)


def with_curves(values: Mapping[str, str]) -> dict[str, str]:
    """The form with the usual type of a thermistor replaced by the curve of that type."""
    from dataclasses import fields

    from cycler.pack_temperature import ThermistorCurve
    from cycler.repair.form import number_text
    from cycler.repair.probes import curve_of_type, known_types

    known = {code for code, _words in known_types()}
    curve_keys = [item.name for item in fields(ThermistorCurve) if item.name != "defaulted"]
    found = {key: value for key, value in values.items() if not _is_type(key)}
    for key, code in values.items():
        if not _is_type(key) or code == "own":
            continue
        start = key.removesuffix(PROBE_TYPE)
        for name in curve_keys:
            found.pop(f"{start}.{name}", None)
        if code in known and any(values.get(f"{start}.{name}", "").strip() for name in ("name", "ohm", "place", "temperature_c")):
            curve = curve_of_type(code)
            found |= {f"{start}.{name}": number_text(getattr(curve, name)) for name in curve_keys if getattr(curve, name) is not None and name not in curve.defaulted}
    return found


def _is_type(key: str) -> bool:
    return key.startswith("probe.") and key.endswith(PROBE_TYPE)
