"""Adding: how dropped logs would be read, packs from forms and files, the act itself."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Sequence
from dataclasses import fields
from typing import TYPE_CHECKING, Any

from cycler.errors import InputError, quote
from cycler.pack import Pack, pack_from_dict
from dashboard.door.base import Kept, Opened, Sources
from dashboard.door.items import KnownColumns, Look

if TYPE_CHECKING:
    from cycler.criteria import Criteria
    from cycler.log import Log
    from cycler.readers import Columns
    from cycler.readers.columnsfile import ColumnsFile
    from cycler.readers.outline import Outline
    from cycler.workflow import UsedColumns

OUTLINES_KEPT = 6
"""Logs of at most :data:`PREVIEW_BYTES` kept with how they were understood."""

PREVIEW_BYTES = 8_000_000
"""Bytes of a test's logs that are read again at each change of the form of the columns: about a quarter of a second."""


class Adding(Opened):
    """Logs on their way into the register."""

    criteria: Callable[[str], Criteria]

    def __init__(self) -> None:
        super().__init__()
        self._outlines = Kept(OUTLINES_KEPT)

    def used(self, sources: Sources, columns: ColumnsFile | None = None, leave_out: bool = False) -> UsedColumns:
        """What to read logs with: ``columns`` if there is one, else what the register knows unless it is left out."""
        from cycler.workflow import UsedColumns, remembered_columns

        if columns is not None:
            return UsedColumns(columns)
        return UsedColumns() if leave_out else remembered_columns(self._register.columns_memory, sources)

    def outline(self, sources: Sources, columns: Columns = None) -> Outline:
        """How far logs are understood; the last ones are kept. InputError where the first log is no text."""
        from cycler.readers.outline import outline

        key = (tuple((name, hashlib.sha256(raw).digest()) for name, raw in sources), columns)
        return self._outlines.get(key, lambda: outline(sources, columns))

    def is_text(self, source: tuple[str, bytes]) -> bool:
        """False for a log whose bytes are no text: no form of its columns would mend that."""
        from cycler.readers.encoding import decode

        try:
            decode(source[1], source[0])
        except InputError:
            return False
        return True

    def look(self, sources: Sources, used: UsedColumns) -> Look:
        """Read logs without keeping them. InputError if they cannot be read."""
        log: Log | None = None
        if sum(len(raw) for _name, raw in sources) <= PREVIEW_BYTES:
            log = self.outline(sources, used.columns).log
        if log is None:
            log = used.read(sources)
        reading = log.reading
        return Look(
            log.rows, log.duration_s, log.series, int(log.temperature_c.shape[1]), reading.discharge_is,
            reading.sign_evidence, log.started_at.isoformat(" ", "minutes") if log.started_at else None,
            tuple(warning.message for warning in reading.warnings),
            frozenset(warning.code for warning in reading.warnings), reading.header_row is not None,
        )

    def pack_of(self, pack_id: str) -> Pack:
        """What was known of a pack at its newest run."""
        runs = self._register.runs(pack_id)
        if not runs:
            raise InputError(
                "there is no such pack", quote(pack_id), "no run of it is in the register", "choose another or a new one"
            )
        return self._register.run(runs[-1].id).pack

    def add(
        self, sources: Sources, pack: Pack, label: str, criteria_name: str,
        used: UsedColumns | None = None, again: bool = False, new_ratings: bool = False,
    ) -> int:
        """Read, analyse and keep logs as a run; returns its number. InputError if they cannot be used.

        A columns file that was given is used from then on for logs with the same headings.
        """
        from cycler.workflow import add_logs

        return add_logs(self._register, sources, pack, label, self.criteria(criteria_name), used, again, new_ratings)

    def remembers(self, run_id: int) -> bool:
        """True if logs with the headings of this run are read with its columns file from now on."""
        return any(item.run_id == run_id for item in self._register.columns_memory.all())

    def known_columns(self, sources: Sources) -> list[KnownColumns]:
        """Columns files that the register uses for the headings of these logs."""
        from cycler.readers.headings import find_headings

        known = {item.key: item for item in self._register.columns_memory.all()}
        found = [find_headings(raw, name, set(known)) for name, raw in sources]
        used = {item.key: known[item.key].as_used(item.line) for item in found if item is not None}
        return [KnownColumns(known[key].id, own.file) for key, own in used.items()]

    def forget_columns(self, numbers: Sequence[int]) -> list[str]:
        """Use columns files no more; runs that were read with them keep them. Returns their names.

        InputError if one of them is not in use: then none is forgotten.
        """
        memory = self._register.columns_memory
        found = [memory.one(number) for number in numbers]
        for item in found:
            memory.forget(item.id)
        return [item.as_used(1).file for item in found]


def columns_from_text(content: str, name: str) -> ColumnsFile:
    """What a dropped columns file says, with its own name and line numbers in the errors. InputError as for a file."""
    from cycler.readers.columnsfile import parse_columns

    return parse_columns(content, name)


def pack_from_form(values: dict[str, Any], instrument: dict[str, Any]) -> Pack:
    """A :class:`Pack` from what was typed; empty fields are left out. InputError as for a pack file."""
    data = {key: value for key, value in values.items() if value not in (None, "")}
    limits = {key: value for key, value in instrument.items() if value not in (None, "")}
    if limits:
        data["instrument"] = limits
    return pack_from_dict(data, "the form")


def is_pack_text(text: str) -> bool:
    """True unless a TOML text is a columns file: it has keys of one, or a ``[[column]]`` block where it is no TOML at all."""
    import tomllib

    try:
        keys = set(tomllib.loads(text))
    except (ValueError, RecursionError):
        return re.search(r"^\s*\[\[\s*column\s*\]\]", text, re.MULTILINE) is None
    return not keys or bool(keys & {item.name for item in fields(Pack)})


def pack_from_text(text: str, name: str) -> Pack:
    """A :class:`Pack` from the text of a dropped pack file, with line numbers in its errors."""
    from cycler.tomlsource import PACK_FILE, parse_toml

    data, text = parse_toml(text.encode("utf-8"), name, PACK_FILE)
    return pack_from_dict(data, name, text)
