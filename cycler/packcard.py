"""The card of a pack: its numbers, what was found, done and fitted, photos, dangers. Entries are never changed.

A later entry takes the place of an earlier one, or closes it, with who, when and why. A workshop number, a customer reference and
a status hold until another is entered.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

from sqlalchemy import Connection, func, or_, select

from cycler import chain
from cycler.database import Database, damaged, utc_now
from cycler.errors import InputError, quote
from cycler.migrations import SCHEMA
from cycler.register_rows import as_key
from cycler.server import bytewise
from cycler.storage import clean_text, kept_name, kept_text, wrong_digest

STATUS_WORDS = ("original", "re-used", "repurposed", "remanufactured", "waste")
"""Status of a battery. Source: Regulation (EU) 2023/1542, Annex XIII, 4 (status of the individual battery; second-hand)."""

ONE_VALUE = ("number", "customer", "status")
TEXTS = ("fault", "work", "part", "note", "danger")
PHOTO = "photo"
KINDS = (*ONE_VALUE, *TEXTS, PHOTO)
NEW, REPLACE, CLOSE = "new", "replace", "close"

PHOTO_MAX_BYTES = 20_000_000
DANGER_CODE = "open_danger"

_packs = SCHEMA.tables["packs"]
_entries = SCHEMA.tables["card_entries"]
_attachments = SCHEMA.tables["attachments"]


@dataclass(frozen=True, slots=True)
class CardEntry:
    """One entry as it was written. ``act`` is new, replace or close; the last two name an entry and say why."""

    id: int
    pack_id: str
    kind: str
    act: str
    text: str
    file: str | None
    attachment_sha256: str | None
    who: str
    at: str
    replaces_id: int | None
    why: str | None


class PackCards:
    """The cards in one register."""

    def __init__(self, database: Database) -> None:
        self._database = database

    # --- reading ------------------------------------------------------------------------------------------------

    def entries(self, pack_id: str) -> list[CardEntry]:
        """Everything ever written on a pack's card, oldest first. InputError if the register knows no such pack."""
        pack_id = _known_as(pack_id)
        with self._database.read() as connection:
            _check_pack(connection, pack_id, self._database.name)
            return _entries_of(connection, pack_id)

    def card(self, pack_id: str, *, customer: bool = False, superseded: bool = False) -> dict[str, Any]:
        """What holds now.

        Parameters
        ----------
        customer : bool
            Give the customer reference too, which is nobody else's business: it is None without this.
        superseded : bool
            Add ``superseded``: the entries that hold no more, each with ``ended``: by which entry, how, by whom, when and why.

        Returns
        -------
        dict
            ``workshop_number``, ``status``, ``customer_reference``, and ``numbers`` of their entries by kind; ``entries``: id,
            kind, text, who, at; ``photos``: id, file, sha256, bytes, media_type, caption, who, at.

        Raises
        ------
        InputError
            The register knows no such pack.
        """
        pack_id = _known_as(pack_id)
        with self._database.read() as connection:
            _check_pack(connection, pack_id, self._database.name)
            written = _entries_of(connection, pack_id)
            photos = {
                row.sha256: row for row in connection.execute(
                    select(_attachments.c.sha256, _attachments.c.bytes, _attachments.c.media_type)
                    .join(_entries, _entries.c.attachment_sha256 == _attachments.c.sha256).where(_entries.c.pack_id == pack_id)
                )
            }
        ended = ended_by(written)
        standing = [item for item in written if item.id not in ended and item.act != CLOSE]
        values = {item.kind: item.text for item in standing if item.kind in ONE_VALUE}
        numbers = {item.kind: item.id for item in standing if item.kind in values}
        card: dict[str, Any] = {
            "workshop_number": values.get("number"), "status": values.get("status"),
            "customer_reference": values.get("customer") if customer else None,
            "numbers": numbers if customer else {kind: number for kind, number in numbers.items() if kind != "customer"},
            "entries": [
                {"id": item.id, "kind": item.kind, "text": item.text, "who": item.who, "at": item.at}
                for item in standing if item.kind in TEXTS
            ],
            "photos": [self._photo(item, photos) for item in standing if item.kind == PHOTO],
        }
        if superseded:
            card["superseded"] = [
                {
                    "id": item.id, "kind": item.kind, "text": item.text if customer or item.kind != "customer" else None,
                    "who": item.who, "at": item.at,
                    "ended": {"id": end.id, "act": end.act, "who": end.who, "at": end.at, "why": end.why},
                }
                for item in written if (end := ended.get(item.id)) is not None and item.act != CLOSE
            ]
        return card

    def open_dangers(self, pack_id: str) -> list[dict[str, Any]]:
        """Dangers that nobody has closed: code, message, who, at and the entry's id. None of a pack that is not known."""
        with self._database.read() as connection:
            written = _entries_of(connection, _known_as(pack_id))
        return _open_dangers(written)

    def all_open_dangers(self) -> dict[str, list[dict[str, Any]]]:
        """The same for every pack that has any, by its id."""
        about = or_(_entries.c.kind == "danger", _entries.c.replaces_id.is_not(None))
        with self._database.read() as connection:
            written = [CardEntry(**row._mapping) for row in connection.execute(select(_entries).where(about).order_by(_entries.c.id))]
        packs = dict.fromkeys(item.pack_id for item in written)
        found = {pack_id: _open_dangers([item for item in written if item.pack_id == pack_id]) for pack_id in packs}
        return {pack_id: dangers for pack_id, dangers in found.items() if dangers}

    def photo_bytes(self, sha256: str) -> bytes:
        """A photo byte for byte. InputError if there is none of this digest, or it is damaged."""
        with self._database.read() as connection:
            row = connection.execute(select(_attachments).where(_attachments.c.sha256 == sha256)).one_or_none()
        if row is None:
            raise InputError("no such photo in the register", self._database.name, f"none has the digest {quote(sha256)}", "see those of a pack with: cycler pack ID")
        if hashlib.sha256(row.content).hexdigest() != row.sha256:
            raise wrong_digest(self._database.name, f"the photo {row.sha256[:12]}")
        return row.content

    def _photo(self, item: CardEntry, photos: dict[str, Any]) -> dict[str, Any]:
        kept = photos.get(item.attachment_sha256)
        if kept is None:
            raise damaged(self._database.name, f"the photo of card entry {item.id} is not there")
        return {
            "id": item.id, "file": item.file, "sha256": kept.sha256, "bytes": kept.bytes, "media_type": kept.media_type,
            "caption": item.text, "who": item.who, "at": item.at,
        }

    # --- writing ------------------------------------------------------------------------------------------------

    def add(self, pack_id: str, kind: str, text: str, *, who: str, new: bool = False) -> int:
        """Write one entry; returns its number. See :meth:`add_all`."""
        return self.add_all(pack_id, [(kind, text)], who=who, new=new)[0]

    def add_all(
        self, pack_id: str, texts: Sequence[tuple[str, str]], photos: Sequence[tuple[str, bytes, str]] = (), *, who: str,
        new: bool = False,
    ) -> list[int]:
        """Write entries, all of them or none.

        Parameters
        ----------
        texts : sequence of (kind, text)
            A kind of :data:`ONE_VALUE` or :data:`TEXTS`.
        photos : sequence of (file name, bytes, caption)
            JPEG, PNG or WebP, of at most :data:`PHOTO_MAX_BYTES`.
        who : str
            Who writes it.
        new : bool
            Begin the card of a pack that the register does not know yet.

        Returns
        -------
        list of int
            Numbers of the entries.

        Raises
        ------
        InputError
            No such pack (without ``new``), nobody named, a text that is empty or too long, a status that is none, a file
            that is no photo or too large.
        """
        pack_id = kept_name(pack_id, "id of the pack")
        if not pack_id:
            raise InputError("the pack has no id", "ID", "it is empty", "name the pack as on its label")
        who = _named(who)
        rows = [{"kind": kind, "text": checked_text(kind, text)} for kind, text in texts]
        taken = []
        for name, raw, caption in photos:
            media_type = photo_type(name, raw)
            sha256 = hashlib.sha256(raw).hexdigest()
            taken.append((sha256, {"media_type": media_type, "bytes": len(raw), "content": raw}))
            rows.append({
                "kind": PHOTO, "text": kept_text(caption, "caption"), "attachment_sha256": sha256,
                "file": clean_text(PurePath(name).name or name),
            })
        now = utc_now()
        with self._database.write() as connection:
            if new:
                chain.insert_if_new(connection, _packs, {"id": pack_id}, {"added_at": now})
            _check_pack(connection, pack_id, self._database.name, writing=True)
            for sha256, values in taken:
                chain.insert_if_new(connection, _attachments, {"sha256": sha256}, values | {"added_at": now})
            return [insert_entry(connection, pack_id, who, now, **row) for row in rows]

    def supersede(self, pack_id: str, number: int, text: str | None, *, who: str, why: str, kind: str | None = None) -> int:
        """Put another text in the place of an entry, or close it (``text`` None); returns the number of the new entry.

        ``kind``, if given, is what the writer takes the entry for.

        Raises
        ------
        InputError
            The pack has no such entry, it is of another kind or holds no more, nobody or no reason is named, or the text
            cannot be kept.
        """
        pack_id, who = _known_as(pack_id), _named(who)
        why = kept_text(why, "reason")
        if not why:
            raise InputError(
                "it is not said why the entry holds no more", "--why", "the entry stays beside its correction, and a reader must know",
                "say it with --why TEXT",
            )
        with self._database.write() as connection:
            _check_pack(connection, pack_id, self._database.name)
            written = _entries_of(connection, pack_id)
            old = _standing(written, number, pack_id, self._database.name)
            if kind not in (None, old.kind):
                raise InputError(f"entry {number} is no {kind}", self._database.name, f"it is a {old.kind}: {quote(old.text)}", "name the entry that is meant")
            act = CLOSE if text is None else REPLACE
            text = "" if text is None else checked_text(old.kind, text)
            return chain.insert(
                connection, _entries, pack_id=pack_id, kind=old.kind, act=act, text=text,
                file=old.file if act == REPLACE else None, attachment_sha256=old.attachment_sha256 if act == REPLACE else None,
                who=who, at=utc_now(), replaces_id=old.id, why=why,
            )


def insert_entry(connection: Connection, pack_id: str, who: str, at: str, *, kind: str, text: str, **photo: str) -> int:
    """Write one new entry in the caller's transaction, its text checked before; returns its number."""
    return chain.insert(connection, _entries, pack_id=pack_id, kind=kind, act=NEW, text=text, who=who, at=at, **photo)


def dangers_in(connection: Connection, pack_id: str) -> list[dict[str, Any]]:
    """:meth:`PackCards.open_dangers`, as the caller's transaction sees them."""
    return _open_dangers(_entries_of(connection, pack_id))


def ended_by(written: Sequence[CardEntry]) -> dict[int, CardEntry]:
    """For each entry that holds no more the one that ended it; of a kind that has one value the next one does."""
    ended = {item.replaces_id: item for item in written if item.replaces_id is not None}
    last: dict[str, CardEntry] = {}
    for item in written:
        if item.kind in ONE_VALUE:
            if item.kind in last and last[item.kind].id not in ended:
                ended[last[item.kind].id] = item
            last[item.kind] = item
    return ended


def _open_dangers(written: Sequence[CardEntry]) -> list[dict[str, Any]]:
    """Of what was written on one card: the dangers that still hold."""
    ended = ended_by(written)
    return [
        {"code": DANGER_CODE, "message": item.text, "who": item.who, "at": item.at, "id": item.id}
        for item in written if item.kind == "danger" and item.act != CLOSE and item.id not in ended
    ]


def checked_text(kind: str, text: str) -> str:
    """The text of an entry as it is kept. InputError if it is empty, too long, or no status word."""
    if kind not in KINDS:
        raise ValueError(f"kind must be one of {KINDS}, not {kind!r}")
    if kind == "status":
        word = text.strip().lower()
        word = {"reused": "re-used"}.get(word, word)
        if word not in STATUS_WORDS:
            raise InputError(
                "this is no status word of the regulation", "--status", f"found {quote(text)}", f"one of {', '.join(STATUS_WORDS)}",
            )
        return word
    kept = kept_name(text, f"{kind} of the pack") if kind in ONE_VALUE else kept_text(text, kind)
    if not kept and kind != PHOTO:
        raise InputError(f"the {kind} is empty", f"--{kind}", "no text was given", "write what is to stand on the card")
    return kept


_SIGNS = (("image/jpeg", b"\xff\xd8\xff"), ("image/png", b"\x89PNG\r\n\x1a\n"))


def photo_type(name: str, raw: bytes, size: int | None = None) -> str:
    """Media type of a photo by its first bytes. InputError if it is none of JPEG, PNG and WebP, or too large.

    ``size`` is that of the whole file where ``raw`` is only its beginning.

    References
    ----------
    First bytes: JPEG, ITU-T T.81 B.1.1.3 (SOI, then a marker); PNG, W3C PNG Specification 5.2; WebP, RFC 9649 section 2.4.
    """
    size = len(raw) if size is None else size
    if size > PHOTO_MAX_BYTES:
        raise InputError(
            "the photo is too large", name, f"it has {size / 1e6:.1f} MB, at most {PHOTO_MAX_BYTES / 1e6:.0f} MB are kept",
            "save it smaller",
        )
    found = next((kind for kind, sign in _SIGNS if raw.startswith(sign)), None)
    if found is None and raw[:4] == b"RIFF" and raw[8:12] == b"WEBP":
        found = "image/webp"
    if found is None:
        kind = "an HEIC or AVIF picture" if raw[4:8] == b"ftyp" else "empty" if not raw else "none of JPEG, PNG and WebP, whatever its name says"
        raise InputError("this is no photo that can be kept", name, f"the file is {kind}", "save it as JPEG, PNG or WebP")
    return found


def photo_ending(media_type: str) -> str:
    """End of a photo's file name: ".jpg"."""
    return {"image/jpeg": ".jpg", "image/png": ".png", "image/webp": ".webp"}[media_type]


def _known_as(pack_id: str) -> str:
    """An id as packs are kept by, so that a blank at its end hides no danger."""
    return clean_text(pack_id).strip()


def _named(who: str) -> str:
    who = kept_name(who, "name of who writes it")
    if not who:
        raise InputError(
            "it is not said who writes it", "--by", "each entry of a card stands for somebody's word", "say it with --by NAME",
        )
    return who


def _entries_of(connection: Connection, pack_id: str) -> list[CardEntry]:
    rows = connection.execute(select(_entries).where(_entries.c.pack_id == pack_id).order_by(_entries.c.id))
    return [CardEntry(**row._mapping) for row in rows]


def _standing(written: Sequence[CardEntry], number: int, pack_id: str, name: str) -> CardEntry:
    """The entry of this number, if it still holds."""
    ended = ended_by(written)
    numbers = [str(item.id) for item in written if item.id not in ended and item.act != CLOSE]
    mend = f"those that hold are {', '.join(numbers)}" if numbers else "nothing stands on it"
    found = next((item for item in written if item.id == as_key(number)), None)
    if found is None:
        raise InputError(f"the card of pack {quote(pack_id)} has no entry {number}", name, mend, f"see them with: cycler pack {pack_id}")
    end = ended.get(found.id)
    if end is not None:
        how = "was closed" if end.act == CLOSE else f"was replaced by entry {end.id}"
        raise InputError(f"entry {number} holds no more", name, f"it {how} by {end.who} on {end.at}; {mend}", "name one that holds")
    if found.act == CLOSE:
        raise InputError(f"entry {number} closes another one", name, mend, "enter what is true now as a new entry")
    return found


def _check_pack(connection: Connection, pack_id: str, name: str, writing: bool = False) -> None:
    if connection.execute(select(_packs.c.id).where(_packs.c.id == pack_id)).first():
        return
    count = connection.execute(select(func.count()).select_from(_packs)).scalar_one()
    known = connection.execute(select(_packs.c.id).order_by(bytewise(_packs.c.id)).limit(8)).scalars().all()
    more = f" and {count - len(known)} more" if count > len(known) else ""
    raise InputError(
        f"the register knows no pack {quote(pack_id)}", name, f"its packs are {', '.join(known)}{more}" if known else "it holds no pack yet",
        "check the id; to begin the card of a pack that is not tested yet: add --new" if writing else "see the packs with: cycler list",
    )
