"""A record's figures computed again from its raw logs, with the settings that it holds and nothing else.

Pack, columns, criteria and the logs' names come from the record; so the same program gives the same object, whatever the
files are called where the check is made.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from cycler.criteria import Criteria
    from cycler.log import Log
    from cycler.pack import Pack

BESIDE_FIGURES = ("verdict", "before", "software")
"""Keys of an analysis that are no figures from the log."""
OPEN_DANGER = "open_danger"
"""Code under which an open danger of a pack's card is judged."""
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"


def analysis_again(run: Mapping[str, Any], logs: Mapping[str, bytes], criteria: Criteria) -> tuple[Log, dict[str, Any]]:
    """The log and the analysis of a run, without its verdict.

    Parameters
    ----------
    run : mapping
        ``pack``, ``columns``, ``sources`` and ``analysis`` in the forms of a record: the record's own, or its ``before``.
    logs : mapping
        Raw bytes by SHA-256; every source of the run must be there.
    criteria : Criteria
        Of it the analysis takes the largest self-discharge allowed, unless the run was analysed with another limit.

    Raises
    ------
    InputError
        The logs cannot be read with these settings.
    """
    from cycler.analysis import analyze
    from cycler.readers import read_logs_bytes
    from cycler.storage import columns_from_text

    pack = pack_again(run["pack"])
    columns = columns_from_text(json.dumps(run["columns"])) if run.get("columns") is not None else None
    log = read_logs_bytes([(source["file"], logs[source["sha256"]]) for source in run["sources"]], columns)
    made = analyze(log, pack, _with_leak_limit(criteria, pack, run.get("analysis") or {})).to_dict()
    return log, {key: value for key, value in made.items() if key not in BESIDE_FIGURES}


def verdict_again(analysis: Mapping[str, Any], content: Mapping[str, Any], criteria: Criteria, before: Mapping[str, Any] | None) -> dict[str, Any]:
    """The verdict on an analysis by the criteria of a record, with its earlier run and the open dangers of its card."""
    from cycler.compare import reduced
    from cycler.verdict import decide

    judged = {key: value for key, value in analysis.items() if key not in ("verdict", "before")}
    if before is not None:
        judged["before"] = reduced(before)
    return decide(judged, criteria, card_dangers(content.get("card")))


def compared_again(before: Mapping[str, Any], analysis: Mapping[str, Any], names: list[str]) -> dict[str, Any]:
    """The comparison with the earlier run, that one being the reference."""
    from cycler.compare import compare

    return compare([before, analysis], names)


def health_items_again(content: Mapping[str, Any], analysis: Mapping[str, Any], compared: Any) -> list[dict[str, Any]]:
    """The items of the regulation, as the record's own rules make them."""
    from cycler.record.content import build_content

    made = build_content(
        analysis=analysis, pack=content["pack"], criteria=content["criteria"], serial=content["serial"], made_at=content["made_at"],
        verdict=content["verdict"], before=content.get("before"), compared=compared, card=content.get("card"), sources=content["sources"],
    )
    return made["health_items"]


def page_again(
    content: Mapping[str, Any], kind: str, log: Log, analysis: Mapping[str, Any], verdict: Mapping[str, Any], compared: Any, items: Any,
    record_sha256: str, fingerprint: str,
) -> bytes:
    """The page ("html") or the PDF that this content gives, before it is sealed."""
    from cycler.record import Beside, Proof, build_record

    beside = Beside.of(dict(content) | {"compared": compared, "health_items": items})
    made = build_record(
        {**analysis, "software": content["software"], "verdict": verdict}, pack_again(content["pack"]), log, serial=content["serial"],
        made_at=content["made_at"], run_label=content["run_label"], workshop=content["workshop"], language=content["language"],
        beside=beside, proof=Proof(record_sha256, fingerprint),
    )
    return made.html.encode("utf-8") if kind == "html" else made.pdf


def pack_again(values: Mapping[str, Any]) -> Pack:
    """The pack of a record. Canonical JSON writes 10.0 as 10: what is a real number in a pack becomes one again."""
    from cycler.pack import pack_from_stored

    return _real(pack_from_stored(json.loads(json.dumps(values))))


def criteria_again(part: Mapping[str, Any]) -> Criteria:
    """The criteria of a record from the text in it. InputError if that text is none."""
    from cycler.criteria import criteria_from_text

    return criteria_from_text(part["text"], part.get("sha256") or "", f"{part.get('name') or 'criteria'}.toml")


def criteria_agree(part: Mapping[str, Any]) -> bool | None:
    """Whether the text of the criteria has the digest written beside it; None where they came from no file."""
    text = part["text"]
    if text.lstrip().startswith("{"):
        return None
    raw = text.encode("utf-8")
    forms = (raw, _BYTE_ORDER_MARK + raw, raw.replace(b"\n", b"\r\n"), _BYTE_ORDER_MARK + raw.replace(b"\n", b"\r\n"))
    return any(hashlib.sha256(form).hexdigest() == part.get("sha256") for form in forms)


def card_dangers(card: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """Open dangers of a pack's card, in the form in which they are judged."""
    entries = (card or {}).get("entries") or []
    return [
        {"code": OPEN_DANGER, "message": entry.get("text"), "who": entry.get("who"), "at": entry.get("at")}
        for entry in entries if entry.get("kind") == "danger"
    ]


def _with_leak_limit(criteria: Criteria, pack: Pack, analysis: Mapping[str, Any]) -> Criteria:
    """The criteria, or a set with the limit of self-discharge that the run was analysed with: it may have been judged anew since."""
    from cycler.criteria import Criterion
    from cycler.criteria_quantities import leak_limit_ma

    groups = analysis.get("groups") or []
    kept = next((row.get("self_discharge_limit_ma") for row in groups if "self_discharge_limit_ma" in row), None)
    if not groups or kept == leak_limit_ma(criteria, pack):
        return criteria
    rows = tuple(row for row in criteria.criteria if not row.quantity.startswith("self_discharge_"))
    if kept is not None:
        rows += (Criterion("leak", "self_discharge_worst_ma", float(kept), "mA", "at_most", "as it was analysed"),)
    return replace(criteria, criteria=rows)


def _real(value: Any) -> Any:
    """A dataclass with whole numbers made real where its fields are said to be."""
    changes = {}
    for item in fields(value):
        held = getattr(value, item.name)
        if is_dataclass(held):
            changes[item.name] = _real(held)
        elif "float" in str(item.type):
            changes[item.name] = _reals(held)
    return replace(value, **changes) if changes else value


def _reals(held: Any) -> Any:
    if isinstance(held, int) and not isinstance(held, bool):
        return float(held)
    return tuple(_reals(item) for item in held) if isinstance(held, tuple) else held
