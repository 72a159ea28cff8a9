"""Adding: how dropped logs would be read, packs from forms and files, the act itself."""

from __future__ import annotations

import hashlib
import re
import threading
from collections.abc import Callable, Sequence
from dataclasses import fields
from typing import TYPE_CHECKING, Any

from cycler.errors import InputError, quote
from cycler.pack import Pack, pack_from_dict
from dashboard import text_add
from dashboard.door.base import Kept, Opened, Sources
from dashboard.door.items import KnownColumns, Look, PackItem

if TYPE_CHECKING:
    from cycler.criteria import Criteria
    from cycler.log import Log
    from cycler.readers import Columns
    from cycler.readers.columnsfile import ColumnsFile
    from cycler.readers.outline import Outline
    from cycler.workflow import UsedColumns

OUTLINES_KEPT = 6
"""Logs of at most :data:`PREVIEW_BYTES` kept with how they were understood."""

LOOKS_KEPT = 100
"""Logs, alone or joined, of which a few figures and what is wrong with them are kept."""

PREVIEW_BYTES = 8_000_000
"""Bytes of a test's logs that are read again at each change of the form of the columns: about a quarter of a second."""


class Adding(Opened):
    """Logs on their way into the register."""

    criteria: Callable[[str], Criteria]
    find_packs: Callable[[str, int], list[PackItem]]
    keep_curves: Callable[[int, Log], None]

    def __init__(self) -> None:
        super().__init__()
        self._outlines = Kept(OUTLINES_KEPT)
        self._looks = _Looks(LOOKS_KEPT)

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
        """Read logs without keeping them; the last ones looked at are kept. InputError if they cannot be read."""
        key = (tuple((name, hashlib.sha256(raw).digest()) for name, raw in sources), used.columns)
        found = self._looks.get(key)
        if found is None:
            try:
                found = self._look(sources, used)
            except InputError as error:
                found = error.bare()
            self._looks.put(key, found)
        if isinstance(found, InputError):
            raise found.bare()
        return found

    def _look(self, sources: Sources, used: UsedColumns) -> Look:
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
        """What was known of a pack at its newest run; of one that has a card alone, its number."""
        runs = self._register.runs(pack_id)
        if runs:
            return self._register.run(runs[-1].id).pack
        try:
            self._register.card(pack_id)
        except InputError:
            raise InputError(
                "there is no such pack", quote(pack_id), "neither a run nor a card of it is in the register", "choose another or a new one"
            ) from None
        return pack_from_dict({"id": pack_id}, "the register")

    def packs_named(self, name: str, folder: str = "") -> list[str]:
        """Known packs whose number stands in the name of a file or of its folder, those with the longest number first."""
        found: dict[str, None] = {}
        for words in dict.fromkeys([*_stretches_of(name), *_stretches_of(folder)]):
            for item in self.find_packs(" ".join(re.findall(r"[^\W\d_]+|\d+", words)), 20):
                if _plain(item.id) == _plain(words):
                    found[item.id] = None
        return sorted(found, key=lambda pack_id: -len(_plain(pack_id)))

    def dangers_of(self, pack_id: str) -> list[str]:
        """Why a pack must not simply be charged again, in words: what stands open on its card, and what its last run found."""
        said = [text_add.DANGER_OPEN.format(message=item["message"], who=item["who"]) for item in self._register.open_dangers(pack_id)]
        last = next((run for run in reversed(self._register.runs(pack_id)) if not run.withdrawn), None)
        if last is not None and last.findings_danger:
            findings = self._register.run(last.id).analysis.get("findings") or ()
            messages = [str(item.get("message")) for item in findings if item.get("severity") == "danger"]
            said += [text_add.DANGER_FOUND.format(run=last.id, message=message) for message in messages]
        return said

    def check_writable(self) -> None:
        """InputError if the register may only be read; to be told before long work, not after it."""
        self._register.check_writable()

    def add(
        self, sources: Sources, pack: Pack, label: str, criteria_name: str, used: UsedColumns | None = None, again: bool = False,
        new_ratings: bool = False, progress: Callable[[str, float | None], None] | None = None,
    ) -> int:
        """Read, analyse and keep logs as a run; returns its number. InputError if they cannot be used.

        A columns file that was given is used from then on for logs with the same headings. ``progress`` is that of
        :func:`cycler.workflow.add_logs`.
        """
        from cycler.workflow import add_logs

        self.check_writable()
        return add_logs(
            self._register, sources, pack, label, self.criteria(criteria_name), used, again, new_ratings, progress, self.keep_curves,
        )

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


class _Looks:
    """Last looks at logs, what was wrong with them included; two threads may look at the same log at once."""

    def __init__(self, size: int) -> None:
        self._size = size
        self._found: dict[Any, Look | InputError] = {}
        self._lock = threading.Lock()

    def get(self, key: Any) -> Look | InputError | None:
        with self._lock:
            return self._found.get(key)

    def put(self, key: Any, found: Look | InputError) -> None:
        with self._lock:
            self._found[key] = found
            while len(self._found) > self._size:
                self._found.pop(next(iter(self._found)))


NUMBER_LEAST = 3
"""Letters and digits that a pack's number must have to be looked for in a file's name; "7" stands in too many of them."""
_PARTS_MOST = 4


def _plain(words: str) -> str:
    """Letters and digits alone, without capitals: "EB-0412" and "eb_0412" are one number."""
    return re.sub(r"[\W_]+", "", words).casefold()


def _stretches_of(name: str) -> list[str]:
    """Stretches of the parts of a name that may be a number, the longest first: "EB-0412 after.csv" gives "EB-0412 after", "EB-0412", ..."""
    stem = re.sub(r"(\.(csv|txt|tsv|dat|log))?(\.gz)?$", "", name, flags=re.IGNORECASE)
    parts = list(re.finditer(r"[^\W_]+", stem))[:12]
    found = []
    for length in range(min(_PARTS_MOST, len(parts)), 0, -1):
        for at in range(len(parts) - length + 1):
            words = stem[parts[at].start() : parts[at + length - 1].end()]
            if len(_plain(words)) >= NUMBER_LEAST and re.search(r"\d", words):
                found.append(words)
    return found


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
