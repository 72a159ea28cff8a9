"""Files of chargers, loads and loggers to one :class:`cycler.log.Log`, whoever wrote them.

No maker's format is known here: columns are recognised by quantity names and units, units and signs are proven by
the readings themselves, and how a file was understood stands in ``Log.reading``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from os import PathLike, fspath
from typing import Any, NamedTuple

import numpy as np

from cycler.errors import InputError
from cycler.log import Log
from cycler.readers.assemble import Draft, read_draft
from cycler.readers.columnsfile import ColumnsFile, load_columns, parse_columns
from cycler.readers.encoding import Progress, read_bytes
from cycler.readers.join import finish
from cycler.readers.twopart import HM, MS, TwoWays

__all__ = [
    "Columns", "ColumnsFile", "load_columns", "parse_columns", "read_log", "read_log_bytes", "read_logs", "read_logs_bytes",
]

Columns = ColumnsFile | Sequence[ColumnsFile | None] | None
"""One columns file for all parts of a test, or one (or None) for each part in the order of the parts."""


def read_log(path: str | PathLike, columns: ColumnsFile | None = None) -> Log:
    """Read one log.

    Parameters
    ----------
    path : str or path
        CSV text in any usual dialect, or the same as .csv.gz.
    columns : ColumnsFile, optional
        What a columns file states; it goes before all that the file itself suggests.

    Returns
    -------
    Log
        Charge current positive; ``reading`` says how the file was understood.

    Raises
    ------
    InputError
        The file cannot be used: one message with file, line and field, the reason and how to mend it.

    Notes
    -----
    Quoting follows RFC 4180, dates ISO 8601 where they are written so, headings 'quantity / unit' ISO 80000-1.
    """
    return read_logs([path], columns)


def read_logs(paths: Sequence[str | PathLike], columns: Columns = None, progress: Progress | None = None) -> Log:
    """Read the parts of one test and join them in time order; ``progress`` hears of the bytes. See :func:`read_log`."""
    _require_one(paths)
    return finish(_read(_parts_of([(str(fspath(path)), read_bytes(fspath(path), progress)) for path in paths], columns), None))


def read_log_bytes(raw: bytes, name: str, columns: ColumnsFile | None = None) -> Log:
    """Read one log from its bytes as stored; ``name`` stands in messages. See :func:`read_log`."""
    return read_logs_bytes([(name, raw)], columns)


def read_logs_bytes(
    parts: Sequence[tuple[str, bytes]], columns: Columns = None, progress: Callable[[float], None] | None = None,
) -> Log:
    """Read the parts of one test from their bytes, given as (name, bytes), and join them. See :func:`read_log`.

    ``progress`` hears before each part which share of them is read; what it raises ends the reading.
    """
    _require_one(parts)
    return finish(read_drafts(parts, columns, progress))


def read_drafts(
    parts: Sequence[tuple[str, bytes]], columns: Columns = None, progress: Callable[[float], None] | None = None,
) -> list[Draft]:
    """The parts of one test, each understood with the help of the others, not yet joined. See :func:`read_log`."""
    return _read(_parts_of(parts, columns), progress)


def _require_one(parts: Sequence) -> None:
    if not parts:
        raise InputError("no log is given", "log", "at least one file is needed", "name the CSV file of the test")


def _parts_of(parts: Sequence[tuple[str, bytes]], columns: Columns) -> list[_Part]:
    files = [columns] * len(parts) if columns is None or isinstance(columns, ColumnsFile) else list(columns)
    return [_Part(name, raw, own) for (name, raw), own in zip(parts, files, strict=True)]


# Readings that no instrument gives (1e308) overflow in sums and products; what comes of it is no figure and is taken for none.
@np.errstate(all="ignore")
def _read(parts: list[_Part], progress: Callable[[float], None] | None) -> list[Draft]:
    if len(parts) == 1:
        if progress is not None:
            progress(0.0)
        part = parts.pop()
        name, columns, only = part.name, part.columns, [part.raw]
        del part
        return [read_draft(only.pop(), name, columns)]  # nothing holds the bytes any longer than the reading needs them
    forms: dict[str, str] = {}
    drafts = _drafts(parts, forms, progress)
    return _same_units(drafts, parts, forms)


class _Part(NamedTuple):
    name: str
    raw: bytes
    columns: ColumnsFile | None

    def read(self, forced: dict | None = None, forms: dict[str, str] | None = None) -> Draft:
        return read_draft(self.raw, self.name, self.columns, forced, forms)


def _drafts(parts: list[_Part], forms: dict[str, str], progress: Callable[[float], None] | None) -> list[Draft]:
    """Every part by itself; times that only another part can settle are read as there (noted in ``forms``)."""
    drafts: list[Draft | None] = []
    first: TwoWays | None = None
    for number, part in enumerate(parts):
        if progress is not None:
            progress(number / len(parts))
        try:
            drafts.append(part.read())
        except TwoWays as error:
            first = first or error
            drafts.append(None)
    if first is None:
        return drafts
    for draft in drafts:
        for item in draft.assignment.columns if draft is not None else []:
            if item.raw.kind == "time" and item.unit is not None and item.unit.symbol in (HM, MS):
                forms.setdefault(item.label, item.unit.symbol)
    if not forms:
        raise first
    return [draft or part.read(forms=forms) for draft, part in zip(drafts, parts)]


def _same_units(drafts: list[Draft], parts: list[_Part], forms: dict[str, str]) -> list[Draft]:
    """Parts with the same heading have the same unit: the best proven choice holds for all."""
    best: dict[str, tuple[int, float, Any]] = {}
    for draft in drafts:
        sizes = {item.label: item.raw.values for item in draft.assignment.columns if item.raw.values is not None}
        for label, choice in draft.unit_choices.items():
            values = sizes.get(label)
            size = float(abs(values[values == values]).max()) if values is not None and (values == values).any() else 0.0
            if label not in best or (choice.strength, size) > best[label][:2]:
                best[label] = (choice.strength, size, choice)
    forced = {label: entry[2] for label, entry in best.items()}
    out = []
    for draft, part in zip(drafts, parts):
        differs = any(choice.symbol != forced[label].symbol for label, choice in draft.unit_choices.items())
        out.append(part.read(forced, forms) if differs else draft)
    return out
