"""Measured cells, their grades and the packs made of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from cycler.errors import InputError, quote
from dashboard.door.base import Opened

Tell = Callable[[float | None, str], None]
_FIELDS = {"series": "the groups in series", "parallel": "the cells in parallel", "packs": "the number of packs", "rated": "the rated capacity", "days": "the number of days"}
_WHOLE = ("series", "parallel", "packs")


class Stock(Opened):
    """Measured cells, their grades and the packs made of them."""

    def match_cells(self, name: str, raw: bytes, form: Mapping[str, Any], tell: Tell) -> tuple[dict[str, Any], str]:
        """Grades of a list of cells and, if the form asks for packs, the packs.

        Parameters
        ----------
        name, raw : str, bytes
            The list as a file.
        form : mapping
            As typed: series, parallel, packs, rated (Ah), days, chemistry, not_proven (bool). What is empty is not said.
        tell : callable
            Hears how far the work is; may raise to end it.

        Returns
        -------
        tuple
            The object of ``cycler.matching`` (schema ``cycler.cells/1``), and the CSV of every cell with its grade, pack and group.

        Raises
        ------
        InputError
            What is wrong with the list, a field, or the size of the stock.
        """
        from cycler.matching import (
            assignment_csv,
            cells_from_bytes,
            grade,
            grades_only,
            load_rules,
            make_packs,
        )

        said = {key: _number(form.get(key), key) for key in _FIELDS}
        if (said["series"] is None) != (said["parallel"] is None):
            missing = "series" if said["series"] is None else "parallel"
            raise InputError(f"{_FIELDS[missing]} are not said", _FIELDS[missing], "packs need both numbers", "fill in both, or none to grade the cells only")
        tell(None, "reading")
        rules = load_rules(None, str(form.get("chemistry") or "nmc")).with_rated(said["rated"])
        listed = cells_from_bytes(raw, name)
        graded = grade(listed if said["days"] is None else listed.with_days(said["days"]), rules)
        if said["series"] is None or said["parallel"] is None:
            result = grades_only(graded)
            return result, assignment_csv(result, graded)
        result = make_packs(
            graded, int(said["series"]), int(said["parallel"]), int(said["packs"] or 1), use_not_proven=bool(form.get("not_proven")), tell=tell,
        )
        return result, assignment_csv(result, graded)


def _number(value: Any, key: str) -> float | None:
    """A number as typed, decimal comma or point; None if the field is empty."""
    text = str(value if value is not None else "").strip().replace(",", ".")
    if not text:
        return None
    try:
        number = float(text)
    except ValueError:
        number = float("nan")
    if not 0 < number < 1e6 or (key in _WHOLE and number != int(number)):
        kind = "a whole number" if key in _WHOLE else "a number"
        raise InputError(f"{_FIELDS[key]} cannot be used", _FIELDS[key], f"found {quote(value)}", f"write {kind} above zero")
    return number
