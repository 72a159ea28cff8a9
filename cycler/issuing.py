"""Records issued: judged, laid out, sealed with the workshop's key, kept in the register, and written as files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cycler.errors import InputError, quote
from cycler.files import file_stem, ready_files, target_folder
from cycler.workflow import (
    before_of,
    columns_settings,
    judge,
    judged_with,
    run_name,
    source_rows,
    with_decision,
)

if TYPE_CHECKING:
    from cycler.criteria import Criteria
    from cycler.proof.keys import SigningKey
    from cycler.register import Register, Run

KINDS = ("html", "pdf", "json")
"""The files of a record: page, print, and the content for programs. Each carries the whole content and its seal."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a record is to be.

    Attributes
    ----------
    criteria : Criteria or None
        Judge by this set, unless the newest verdict was made by the very same set and with the same other grounds. None: the
        set of the newest verdict; a run never judged is judged by the default set.
    workshop : str or None
        Name of the workshop, as it stands on the record.
    language : str
        "en" or "de".
    against : int or None
        Run that this one is compared with: the pack before the repair, or its sister.
    customer : bool
        Show the customer's reference of the pack card.
    by, remark : str or None
        Who decides, and what they remark. Where either is given and the newest verdict says another, the run is judged anew.
    """

    criteria: Criteria | None = None
    workshop: str | None = None
    language: str = "en"
    against: int | None = None
    customer: bool = False
    by: str | None = None
    remark: str | None = None


@dataclass(frozen=True, slots=True)
class _Draft:
    """A record ready to be issued. ``new`` judged it and is kept with it; None where ``verdict_id`` is in the register."""

    serial: str
    files: Mapping[str, bytes]
    analysis_id: int
    verdict: dict[str, Any]
    verdict_id: int | None
    new: Criteria | None


def make_record(register: Register, run_id: int, wanted: Wanted | None = None, key: SigningKey | None = None) -> str:
    """Issue a record of a run and keep it in the register; no file is written. Returns its serial.

    ``key``: the workshop's own, made on first use, if none is given.
    """
    for draft in _drafts(register, run_id, wanted or Wanted(), key):
        if _issue(register, run_id, draft):
            return draft.serial
    raise AssertionError("unreachable")


def issue_record(
    register: Register, run_id: int, folder: str | Path, wanted: Wanted | None = None, stem: str = "record",
    key: SigningKey | None = None,
) -> tuple[str, tuple[Path, ...]]:
    """Issue a record of a run, keep it in the register and write it as ``<stem>-<serial>`` .html, .pdf and .json.

    All files lie in ``folder`` before the record is issued and get their names after it: where they cannot be
    written, none is issued.

    Returns
    -------
    tuple of (serial, files in the order of :data:`KINDS`)

    Raises
    ------
    InputError
        The files cannot be written (the message says whether the record was issued), or the run was withdrawn.
    """
    folder = target_folder(folder)
    for draft in _drafts(register, run_id, wanted or Wanted(), key):
        with ready_files("record", _named(folder, stem, draft.serial, draft.files)) as files:
            if not _issue(register, run_id, draft):
                continue
            try:
                return draft.serial, files.name_them()
            except InputError as error:
                raise InputError(
                    f"record {draft.serial} is issued and in the register, but it is not in the folder", error.where,
                    f"{error.what}: {error.why}",
                    f"write it out with: cycler record {run_id} --serial {draft.serial} --to FOLDER",
                ) from None
    raise AssertionError("unreachable")


def write_kept_record(register: Register, run_id: int, serial: str, folder: str | Path, stem: str = "record") -> tuple[Path, ...]:
    """Write a record that was issued before, byte for byte as the register keeps it (older ones have no .json).

    Raises
    ------
    InputError
        The run has no record of this serial (names those it has), or the files cannot be written.
    """
    contents = kept_record(register, run_id, serial)
    with ready_files("record", _named(target_folder(folder), stem, serial, contents)) as files:
        return files.name_them()


def kept_record(register: Register, run_id: int, serial: str) -> dict[str, bytes]:
    """The files of a record that was issued before, by kind. InputError if the run has none of this serial."""
    records = {row.serial: row for row in register.records(run_id)}
    if serial not in records:
        known = ", ".join(records)
        raise InputError(
            f"run {run_id} has no record {quote(serial)}", register.name,
            f"its records are {known}" if known else "no record of it was issued yet",
            "name one of them" if known else f"issue one with: cycler record {run_id} --to FOLDER",
        )
    row = records[serial]
    return {kind: register.record_bytes(row.id, kind) for kind in KINDS if kind in row.sha256}


def kept_content(register: Register, run_id: int, serial: str | None = None) -> tuple[dict[str, Any], str]:
    """Content and hash of a record that was issued: of ``serial``, or the newest of the run.

    Raises
    ------
    InputError
        No record of the run, or one of the time before records carried their content.
    """
    from cycler.proof.carrier import read_record

    rows = register.records(run_id)
    wanted = serial or (rows[-1].serial if rows else "")
    files = kept_record(register, run_id, wanted)
    if "json" not in files:
        raise InputError(
            f"record {wanted} carries no content", register.name, "it was issued by an older version of this program",
            f"issue a new one with: cycler record {run_id} --to FOLDER",
        )
    envelope = read_record(files["json"], f"record {wanted}").envelope
    return envelope["record"], envelope["seal"]["record_sha256"]


def label_content(register: Register, run_id: int, serial: str | None = None) -> tuple[dict[str, Any], str]:
    """As :func:`kept_content`, for a label: a sticker is read for years without its record, so none is made of one that holds no more.

    Raises
    ------
    InputError
        As for :func:`kept_content`; or the run was withdrawn, was analysed anew or judged worse since, or a danger was written on the
        pack's card since.
    """
    register.refuse_withdrawn(run_id)
    content, record_sha256 = kept_content(register, run_id, serial)
    why = _Since(register, run_id).why(content["serial"], content["verdict"]["result"])
    if why:
        raise InputError(
            f"record {content['serial']} holds no more, so it gets no label", register.name, why,
            f"issue a new one with: cycler record {run_id} --to FOLDER",
        )
    return content, record_sha256


def standing_records(register: Register, run_id: int) -> list[dict[str, Any]]:
    """Every record of a run, oldest first, and what became of it since.

    Returns
    -------
    list of dict
        ``record`` and ``verdict``: their rows (the verdict None where a record has none); ``number``: of the verdict among those of the run;
        ``replaced_by``: serial of the first later record by another verdict, or None; ``why_not``: why it holds no more, "" where it does.
    """
    since, rows = _Since(register, run_id), register.records(run_id)
    found = []
    for place, row in enumerate(rows):
        verdict = since.verdicts.get(row.verdict_id)
        found.append({
            "record": row, "verdict": verdict, "number": list(since.verdicts).index(row.verdict_id) + 1 if verdict is not None else None,
            "replaced_by": next((later.serial for later in rows[place + 1:] if later.verdict_id != row.verdict_id), None),
            "why_not": since.why(row.serial, verdict.result if verdict is not None else "pass"),
        })
    return found


class _Since:
    """What became of a run since records of it were issued."""

    def __init__(self, register: Register, run_id: int) -> None:
        self.verdicts = {verdict.id: verdict for verdict in register.verdicts(run_id)}
        self._records = {row.serial: row for row in register.records(run_id)}
        self._run, self._latest = register.run(run_id), register.latest_verdict(run_id)
        self._dangers = register.open_dangers(self._run.pack_id)

    def why(self, serial: str, result: str) -> str:
        """Why a record that says ``result`` holds no more, "" where it does."""
        judged, latest = self.verdicts.get(self._records[serial].verdict_id), self._latest
        if self._run.withdrawn:
            return "the run was withdrawn since"
        if result != "fail" and self._dangers:
            return f"a danger stands on the pack's card since: {self._dangers[0]['message']}"
        if judged is not None and judged.analysis_id != self._run.analysis_id:
            return "the run was corrected since"
        if latest is not None and _WORSE.index(latest.result) > _WORSE.index(result):
            return f"it says {result.replace('_', ' ')}; judged anew by {quote(latest.criteria_name)} the run is {latest.result.replace('_', ' ')}"
        return ""


_WORSE = ("pass", "not_proven", "fail")


def record_stem(pack_id: str | None) -> str:
    """Beginning of the names of a pack's record files: "record-EB-0412"."""
    return file_stem(f"record-{(pack_id or '')[:_STEM_MAX]}")


_STEM_MAX = 60  # characters of a pack's id in a file name


def _named(folder: Path, stem: str, serial: str, files: Mapping[str, bytes]) -> list[tuple[Path, bytes]]:
    name = file_stem(f"{stem}-{serial}")
    return [(folder / f"{name}.{kind}", content) for kind, content in files.items()]


# --- drafts ------------------------------------------------------------------------------------------------------

_ATTEMPTS = 20


def _drafts(register: Register, run_id: int, wanted: Wanted, key: SigningKey | None) -> Iterator[_Draft]:
    """The record with the next serial, and again with the one after it if another program was quicker."""
    register.check_writable()
    register.refuse_withdrawn(run_id)
    run = register.run(run_id)
    before = before_of(register, run, wanted.against)
    dangers = register.open_dangers(run.pack_id)
    verdict, verdict_id, new = _verdict_for(register, run, wanted, before, dangers)
    if key is None:
        from cycler.proof.keys import load_or_make_key

        key = load_or_make_key()
    log = register.log(run_id)
    last = None
    for _attempt in range(_ATTEMPTS):
        serial = register.next_serial(run_id)
        if serial == last:
            break
        last = serial
        files = _files(register, run, log, wanted, before, (verdict, verdict_id), serial, key)
        yield _Draft(serial, files, run.analysis_id, verdict, verdict_id, new)
    raise InputError("no serial is free for the record", register.name, f"record {last} exists", "try again")


def _files(
    register: Register, run: Run, log: Any, wanted: Wanted, before: dict[str, Any] | None,
    judged: tuple[dict[str, Any], int | None], serial: str, key: SigningKey,
) -> dict[str, bytes]:
    """Every file of one record, sealed. ``judged``: the verdict and its number, if the register has it."""
    from cycler.compare import compare
    from cycler.proof.canonical import canonical_bytes
    from cycler.proof.carrier import html_with_seal, pdf_with_seal
    from cycler.proof.seal import seal_content
    from cycler.record import Beside, Proof, build_record
    from cycler.record.content import build_content
    from cycler.storage import clean_text

    verdict, verdict_id = judged
    workshop = " ".join(clean_text(wanted.workshop or "").split()) or None
    compared = None
    if before is not None:
        compared = compare([before["analysis"], run.analysis], [before["name"], run_name(run)])
    content = build_content(
        serial=serial, made_at=datetime.now(UTC).replace(microsecond=0), language=wanted.language, workshop=workshop,
        run_label=run.label, pack=run.pack, columns=columns_settings(run),
        sources=source_rows(run),
        criteria=_criteria_of(register, run, wanted, verdict), analysis=run.analysis,
        verdict={name: value for name, value in verdict.items() if name != "judged_with"},
        before=before, compared=compared, card=_card(register, run.pack_id, wanted.customer),
        replaces=_replaced(register, run.id, verdict_id), register=_state(register),
    )
    envelope = seal_content(content, key)
    record = build_record(
        run.analysis | {"verdict": content["verdict"]}, run.pack, log, serial=serial, made_at=content["made_at"], run_label=run.label,
        workshop=workshop, language=wanted.language, beside=Beside.of(content),
        proof=Proof(envelope["seal"]["record_sha256"], key.fingerprint),
    )
    return {
        "html": html_with_seal(record.html, envelope, key).encode("utf-8"),
        "pdf": pdf_with_seal(record.pdf, envelope, key),
        "json": canonical_bytes(envelope) + b"\n",
    }


def _issue(register: Register, run_id: int, draft: _Draft) -> bool:
    """Keep the record, and its verdict if that is new; False if its serial was taken meanwhile."""
    new = (draft.verdict, draft.new) if draft.new is not None else None
    files = draft.files
    try:
        register.add_record(
            run_id, draft.verdict_id, draft.serial, files["html"].decode("utf-8"), files["pdf"], json=files["json"], new_verdict=new,
            analysis_id=draft.analysis_id,
        )
    except InputError:
        if register.next_serial(run_id) == draft.serial:
            raise
        return False
    return True


def _verdict_for(
    register: Register, run: Run, wanted: Wanted, before: dict[str, Any] | None, dangers: list[dict[str, Any]],
) -> tuple[dict[str, Any], int | None, Criteria | None]:
    """The verdict of a record, its number if it is in the register, else the set that judged it."""
    from cycler.criteria import load_criteria
    from cycler.storage import as_json, kept_decision, stored_criteria, stored_json

    latest = register.latest_verdict(run.id)
    grounds, decision = judged_with(before, dangers), kept_decision(wanted.by, wanted.remark)
    if latest is not None and latest.analysis_id == run.analysis_id and latest.verdict.get("judged_with") == grounds and (
        wanted.criteria is None or latest.criteria_sha256 == wanted.criteria.sha256
    ) and (decision is None or latest.verdict.get("decided") == decision):
        return latest.verdict, latest.id, None
    criteria = wanted.criteria
    if criteria is None:
        criteria = load_criteria() if latest is None else stored_criteria(latest.criteria_text, latest.criteria_sha256, register.name)
    # As it will come back, so that the record shows the very words that are kept.
    made = with_decision(judge(run.analysis, criteria, before, dangers), decision)
    return stored_json(as_json(made), "verdict", register.name), None, criteria


def _criteria_of(register: Register, run: Run, wanted: Wanted, verdict: dict[str, Any]) -> dict[str, Any]:
    """Name, hash and text of the set that judged: the one given, or that of the kept verdict."""
    digest = verdict["criteria_sha256"]
    if wanted.criteria is not None and wanted.criteria.sha256 == digest:
        return {"name": wanted.criteria.name, "sha256": digest, "text": wanted.criteria.text}
    latest = register.latest_verdict(run.id)
    if latest is not None and latest.criteria_sha256 == digest:
        return {"name": latest.criteria_name, "sha256": digest, "text": latest.criteria_text}
    from cycler.criteria import load_criteria

    default = load_criteria()
    return {"name": default.name, "sha256": default.sha256, "text": default.text}


_CARD_KEYS = ("kind", "text", "who", "at")
_PHOTO_KEYS = ("file", "sha256", "bytes", "caption", "at")


def _card(register: Register, pack_id: str, customer: bool) -> dict[str, Any] | None:
    """The pack's card as a record shows it: without the numbers of its entries, and the customer only if asked.

    A danger that was closed stands on it by who closed it, when and why: who buys the pack should know of it.
    """
    card = register.card(pack_id, customer=customer, superseded=True)
    closed = [
        {"kind": "danger_closed", "text": f"{item['text'].rstrip('.')}; {item['ended']['why']}", "who": item["ended"]["who"], "at": item["ended"]["at"]}
        for item in card["superseded"] if item["kind"] == "danger" and item["ended"]["act"] == "close"
    ]
    entries = sorted([*(card.get("entries") or ()), *closed], key=lambda entry: entry["at"])
    shown: dict[str, Any] = {
        "workshop_number": card.get("workshop_number"),
        "status": card.get("status"),
        "entries": [{key: entry.get(key) for key in _CARD_KEYS} for entry in entries],
        "photos": [{key: photo.get(key) for key in _PHOTO_KEYS} for photo in card.get("photos") or ()],
    }
    if customer:
        shown["customer_reference"] = card.get("customer_reference")
    return shown if any(shown.values()) else None


def _replaced(register: Register, run_id: int, verdict_id: int | None) -> list[dict[str, Any]]:
    """Records of the run by another verdict, with the newest correction of the run as the reason, if there was one since.

    One by the same verdict (in another language, under another name of the workshop) is not replaced: both hold.
    """
    corrections = register.corrections(run_id)
    found = []
    for row in register.records(run_id):
        if row.verdict_id == verdict_id:
            continue
        since = [item for item in corrections if item["at"] >= row.made_at]
        last = since[-1] if since else None
        found.append({
            "serial": row.serial, "who": last["who"] if last else None, "why": last["why"] if last else None, "at": row.made_at,
        })
    return found


def _state(register: Register) -> dict[str, Any]:
    entries, head = register.chain_head()
    return {"entries": entries, "head": head}
