"""One pack: its runs over time, its card and photos, two of its rests joined, what is put right of its runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from cycler.errors import InputError
from dashboard import text, text_pack
from dashboard.door.base import Opened
from dashboard.door.items import RunItem, run_item

if TYPE_CHECKING:
    from cycler.pack import Pack
    from cycler.reanalysis import Corrected


@dataclass(frozen=True, slots=True)
class PackRun:
    """A run of a pack. ``figures`` are those of :func:`cycler.history.history`, empty for a run that was withdrawn."""

    item: RunItem
    figures: dict[str, dict[str, Any]]
    serials: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PackSheet:
    """All that a pack's page shows. ``runs`` are newest first, ``pack`` holds the ratings of the newest one that counts.

    ``found_dangers`` are messages of findings by run; ``record_lapsed`` says why the last record of the newest run that counts holds no more.
    """

    id: str
    pack: Pack | None
    runs: tuple[PackRun, ...]
    history: dict[str, Any] | None
    card: dict[str, Any]
    dangers: tuple[dict[str, Any], ...]
    found_dangers: dict[int, tuple[str, ...]]
    record_lapsed: str = ""
    jobs: tuple[tuple[int, bool], ...] = ()
    """Number and whether it is open, the open one first."""

    @property
    def counting(self) -> tuple[PackRun, ...]:
        """Runs that were not withdrawn, newest first."""
        return tuple(run for run in self.runs if not run.item.withdrawn)


def _tested(item: RunItem) -> datetime:
    when = datetime.fromisoformat(item.started_at or item.added_at)
    return when.replace(tzinfo=UTC) if when.tzinfo is None else when


class Packs(Opened):
    """Single packs of the register, and the small acts on their cards and runs."""

    def pack_id(self, typed: str) -> str:
        """A pack's number as it is kept. InputError if it is empty or no name on one line."""
        from cycler.storage import kept_name

        kept = kept_name(typed, "number of the pack")
        if not kept:
            raise InputError("the pack has no number", "Pack number", "nothing was written", "write the number as on the pack's label")
        return kept

    def pack_known(self, pack_id: str) -> bool:
        """True if the register has runs or a card of this pack."""
        return any(row.id == pack_id for row in self._register.packs())

    def pack_sheet(self, pack_id: str, since: int | None = None) -> PackSheet:
        """Everything about one pack; ``since`` is the run at which the lines over time begin. InputError if there is no such pack."""
        from cycler.history import history
        from cycler.issuing import standing_records
        from cycler.workflow import known_dangers

        card = self._register.card(pack_id, customer=True, superseded=True)
        items = sorted((run_item(row) for row in self._register.runs(pack_id)), key=lambda item: (_tested(item), item.id), reverse=True)
        counting = [item for item in items if not item.withdrawn]
        told = history(self._register, pack_id, since if since in {item.id for item in counting} else None) if counting else None
        figures = {row["run"]: row["figures"] for row in told["runs"]} if told else {}
        issued = standing_records(self._register, counting[0].id) if counting else []
        return PackSheet(
            pack_id, self._register.run(counting[0].id).pack if counting else None,
            tuple(PackRun(item, figures.get(item.id, {}), self.serials(item.id)) for item in items),
            told, card, tuple(self._register.open_dangers(pack_id)),
            {item.run_id: item.messages for item in known_dangers(self._register, pack_id) if item.run_id is not None},
            issued[-1]["why_not"] if issued else "",
            tuple((line.id, line.state == "open") for line in self._register.jobs.jobs(pack_id=pack_id)),
        )

    def serials(self, run_id: int) -> tuple[str, ...]:
        """Serials of the records issued of a run, oldest first."""
        return tuple(row.serial for row in self._register.records(run_id))

    def two_rests(self, run_a: int, run_b: int, untouched: bool) -> dict[str, Any]:
        """Two rests of one pack joined. InputError where that cannot be done, with why."""
        from cycler.standing import standing

        return standing(self._register, run_a, run_b, untouched)

    # --- the card -----------------------------------------------------------------------------------------------

    def write_card(
        self, pack_id: str, texts: Sequence[tuple[str, str]], photos: Sequence[tuple[str, bytes, str]], who: str, new: bool,
    ) -> list[int]:
        """Write on a card, all or nothing; ``new`` begins the card of a pack that is not known yet."""
        return self._register.cards.add_all(pack_id, texts, photos, who=who, new=new)

    def replace_entry(self, pack_id: str, number: int, text: str, who: str, why: str) -> int:
        """Put another text in the place of an entry, which stays to be seen."""
        return self._register.cards.supersede(pack_id, number, text, who=who, why=why)

    def close_entry(self, pack_id: str, number: int, who: str, why: str) -> int:
        """Close an entry: a danger that was dealt with, or a mistake."""
        return self._register.cards.supersede(pack_id, number, None, who=who, why=why)

    def check_photo(self, name: str, head: bytes, size: int) -> str:
        """Media type of a photo by its first bytes. InputError if it is none, or too large to be kept."""
        from cycler.packcard import photo_type

        return photo_type(name, head, size)

    def photo(self, sha256: str) -> tuple[bytes, str]:
        """A photo byte for byte and its media type, told from the bytes alone."""
        from cycler.packcard import photo_type

        content = self._register.photo_bytes(sha256)
        return content, photo_type(sha256, content)

    # --- acts on a run ------------------------------------------------------------------------------------------

    def correct_label(self, run_id: int, label: str, who: str, why: str) -> None:
        """Give a run another label."""
        self._register.correct_label(run_id, label, who=who, why=why)

    def correct_ratings(self, run_id: int, typed: dict[str, Any], who: str, why: str) -> Corrected:
        """Analyse a run again with ratings of its pack as typed; what is left empty stays as it is. InputError as for a pack file."""
        from dataclasses import replace

        from cycler.reanalysis import correct_run
        from dashboard.door.adding import pack_from_form

        known = self._register.run(run_id).pack
        given = pack_from_form({"id": known.id, **typed}, {})
        told = {key: getattr(given, key) for key, value in typed.items() if value not in (None, "")}
        if not told:
            raise InputError(text_pack.RATINGS_NONE_WHAT, text.THE_PAGE, text_pack.RATINGS_NONE_WHY, text_pack.RATINGS_NONE_MEND)
        # What was worked out from the ratings before is worked out again from the new ones.
        unknown: dict[str, Any] = dict.fromkeys(known.inferred)
        stated = replace(known, **unknown, inferred=())
        return correct_run(self._register, run_id, replace(stated, **told), who=who, why=why)

    def withdraw(self, run_id: int, who: str, why: str) -> None:
        """Say that a run counts no more."""
        self._register.withdraw(run_id, who=who, why=why)

    def reinstate(self, run_id: int, who: str, why: str) -> None:
        """Say that a run that was withdrawn counts again."""
        self._register.reinstate(run_id, who=who, why=why)


def photo_bytes_max() -> int:
    """Largest photo that is kept. [byte]"""
    from cycler.packcard import PHOTO_MAX_BYTES

    return PHOTO_MAX_BYTES
