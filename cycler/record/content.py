"""What a record holds, as one plain JSON object: the figures and everything needed to compute them again.

Pages, label and seal are made from this object. It says nothing that is not in its arguments, so the same run gives the same object.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from cycler import __distribution__, __version__
from cycler.errors import InputError
from cycler.record.regulation import health_items

if TYPE_CHECKING:
    from cycler.criteria import Criteria
    from cycler.pack import Pack

__all__ = ["SCHEMA", "Beside", "Proof", "build_content", "criteria_part"]

SCHEMA = "cycler.record/1"
LARGEST_INT = 2**53 - 1
"""Largest whole number that every reader of JSON keeps exactly (RFC 7493, 2.2; RFC 8785 takes its numbers from there)."""
_SURROGATE = re.compile("[\ud800-\udfff]")
_BESIDE_FIGURES = ("verdict", "before")


@dataclass(frozen=True, slots=True)
class Beside:
    """What stands on a record beside the analysis, in the forms of :func:`build_content`. Everything may be missing."""

    card: Mapping[str, Any] | None = None
    compared: Mapping[str, Any] | None = None
    before_name: str | None = None
    replaces: tuple[Mapping[str, Any], ...] = ()
    health_items: tuple[Mapping[str, Any], ...] = ()
    register: Mapping[str, Any] | None = None

    @classmethod
    def of(cls, content: Mapping[str, Any]) -> Beside:
        """The parts of a content object that are printed beside its analysis."""
        before = content.get("before")
        return cls(
            card=content.get("card"), compared=content.get("compared"), before_name=before.get("name") if before else None,
            replaces=tuple(content.get("replaces") or ()), health_items=tuple(content.get("health_items") or ()),
            register=content.get("register"),
        )


@dataclass(frozen=True, slots=True)
class Proof:
    """What proves a record: the SHA-256 of its content in hex, and the fingerprint of the key that signs it."""

    record_sha256: str
    fingerprint: str


def build_content(
    *, analysis: Mapping[str, Any], pack: Pack | Mapping[str, Any], criteria: Criteria | Mapping[str, Any], serial: str, made_at: str | datetime,
    verdict: Mapping[str, Any] | None = None, run_label: str | None = "", workshop: str | None = None, language: str = "en", columns: Any = None,
    sources: Iterable[Mapping[str, Any]] | None = None, before: Mapping[str, Any] | None = None, compared: Mapping[str, Any] | None = None,
    card: Mapping[str, Any] | None = None, replaces: Iterable[Mapping[str, Any]] = (), register: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """The content of one record, schema ``cycler.record/1``.

    Parameters
    ----------
    analysis : mapping
        The object that ``analyze --json`` prints.
    pack : Pack or mapping
        The pack as the run was analysed with, or its ``to_dict``.
    criteria : Criteria or mapping
        The set that judged; a mapping has name, sha256 and text (:func:`criteria_part`).
    serial, run_label, workshop, language : str
        Number of the record, the workshop's name for the test, name of the workshop, language of the pages.
    made_at : str or datetime
        When it was made; kept in UTC.
    verdict : mapping, optional
        The verdict that the record shows; without it that of the analysis.
    columns : object, optional
        How the log was read, as it comes back from JSON.
    sources : iterable of mapping, optional
        Logs in the order of reading: file, sha256, bytes; without it those of the analysis.
    before : mapping, optional
        The run this one is held against: name, run_label, started_at, pack, columns, sources, analysis.
    compared : mapping, optional
        The object of the comparison of that run and this one.
    card : mapping, optional
        The pack's card: workshop_number, status, customer_reference, entries, photos. Internal keys are left out.
    replaces : iterable of mapping
        Records that this one supersedes: serial, who, why, at.
    register : mapping, optional
        ``entries`` and ``head`` (newest digest) of the register's chain.

    Returns
    -------
    dict
        Plain values as they come back from JSON, with ``health_items`` worked out (:func:`cycler.record.regulation.health_items`).

    Raises
    ------
    InputError
        A value has no exact form in JSON: a number that is not finite or too large, or an object of another kind.
    """
    plain = plain_value({
        "schema": SCHEMA, "serial": serial, "made_at": moment_utc(made_at), "language": language, "workshop": workshop or None,
        "run_label": run_label or "",
        "software": {key: _under(analysis, "software", key) for key in ("name", "version")},
        "issued_with": {"name": __distribution__, "version": __version__},
        "pack": _pack_part(pack), "columns": columns, "sources": _sources(analysis.get("sources") if sources is None else sources),
        "criteria": criteria_part(criteria), "analysis": _figures(analysis), "verdict": analysis.get("verdict") if verdict is None else verdict,
        "before": _before(before) if before else None, "compared": compared, "card": _card(card) if card else None,
        "replaces": [{key: row.get(key) for key in ("serial", "who", "why", "at")} for row in replaces],
        "register": {key: register.get(key) for key in ("entries", "head")} if register else None,
    })
    status = plain["card"]["status"] if plain["card"] else None
    same_pack = plain["before"] is not None and _under(plain, "before", "pack", "id") == _under(plain, "pack", "id") is not None
    items = health_items(plain["analysis"], pack=plain["pack"], status=status, compared=plain["compared"] if same_pack else None)
    return plain | {"health_items": plain_value(items)}


def criteria_part(criteria: Criteria | Mapping[str, Any]) -> dict[str, Any]:
    """Name, digest and text of a set of criteria; the text of one that came from no file is JSON."""
    if isinstance(criteria, Mapping):
        return {key: criteria.get(key) for key in ("name", "sha256", "text")}
    import json

    text = getattr(criteria, "text", "") or json.dumps(criteria.to_dict(), ensure_ascii=False, allow_nan=False)
    return {"name": criteria.name, "sha256": criteria.sha256, "text": text}


def moment_utc(value: str | datetime) -> str:
    """ISO 8601 in UTC with a Z; a time without a zone is taken as UTC.

    Raises
    ------
    InputError
        It is no date and time.
    """
    try:
        moment = value if isinstance(value, datetime) else datetime.fromisoformat(str(value).strip())
    except ValueError:
        raise InputError("the record's date is no date", "made_at", f"found {value!r}", "write it as 2026-11-20T09:12:00Z") from None
    moment = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    return moment.isoformat().replace("+00:00", "Z")


def plain_value(value: Any, where: str = "record") -> Any:
    """``value`` as it comes back from JSON: tuples as lists, keys as text, half characters replaced.

    Raises
    ------
    InputError
        A value has no exact form in JSON; says where it stands.
    """
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, str):
        return _SURROGATE.sub("\N{REPLACEMENT CHARACTER}", value)
    if isinstance(value, int):
        if abs(value) > LARGEST_INT:
            raise _no_place(where, f"the whole number {value} is larger than 2^53 - 1")
        return value
    if isinstance(value, float):
        if not math.isfinite(value):
            raise _no_place(where, f"the number is {value}")
        return value
    if isinstance(value, Mapping):
        return {plain_value(str(key)): plain_value(item, f"{where}.{key}") for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain_value(item, f"{where}[{place}]") for place, item in enumerate(value)]
    raise _no_place(where, f"it is a {type(value).__name__}")


def _no_place(where: str, why: str) -> InputError:
    return InputError("a value cannot stand in a record", where, why, "analyse the run again; if it stays, this is an error of the program")


def _under(value: Mapping[str, Any], *path: str) -> Any:
    found: Any = value
    for key in path:
        found = found.get(key) if isinstance(found, Mapping) else None
    return found


def _pack_part(pack: Pack | Mapping[str, Any]) -> dict[str, Any]:
    return dict(pack) if isinstance(pack, Mapping) else pack.to_dict()


def _figures(analysis: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in analysis.items() if key not in _BESIDE_FIGURES}


def _sources(sources: Iterable[Mapping[str, Any]] | None) -> list[dict[str, Any]]:
    return [{key: source.get(key) for key in ("file", "sha256", "bytes")} for source in sources or ()]


def _before(run: Mapping[str, Any]) -> dict[str, Any]:
    kept = {key: run.get(key) for key in ("name", "run_label", "started_at", "pack", "columns", "sources", "analysis")}
    return kept | {"analysis": _figures(kept["analysis"] or {})}


def _card(card: Mapping[str, Any]) -> dict[str, Any]:
    kept = {key: card.get(key) for key in ("workshop_number", "status")}
    if card.get("customer_reference"):
        kept["customer_reference"] = card["customer_reference"]
    kept["entries"] = [{key: entry.get(key) for key in ("kind", "text", "who", "at")} for entry in card.get("entries") or []]
    kept["photos"] = [
        {key: photo.get(key) for key in ("file", "sha256", "bytes", "caption", "at")} for photo in card.get("photos") or []
    ]
    return kept
