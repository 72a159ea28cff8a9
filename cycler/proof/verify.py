"""The check of a record by anybody: is it as it was issued, whose is it, and do its figures come out of the logs again.

Works from the record alone, with the logs where they are given; no register is asked.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from cycler.errors import InputError, quote
from cycler.proof.canonical import canonical_bytes, part_digests, sha256_hex
from cycler.proof.carrier import Carried, read_record
from cycler.proof.check import BAD, GOOD, NOT_CHECKED, Check, count, some
from cycler.proof.keys import PublicKey
from cycler.proof.leaves import RULE
from cycler.proof.seal import PAGE, RECORD, flaw, seal_key

SCHEMA = "cycler.verification/1"
LIMITS = (
    "A record that is as it was issued says what was measured on that day, by the word of the workshop that sealed it. It is no "
    "safety certificate, and says nothing of what happened to the pack since."
)
COMPARE_KEY = (
    "anybody can make a key and seal a record with it: compare the fingerprint with that of the workshop, on its own paper or by "
    "telephone, or name its public key with --key"
)
_SHOWN_MAX = 300
_DIGITS_MIN = 16
_OF_THE_ISSUE = ("signature", "content", "key", "page", "code")
_PART_WORDS = {
    "sources": "names and digests of the logs", "pack": "ratings of the pack", "columns": "how the log was read", "criteria": "criteria",
    "before": "the earlier run", "compared": "the comparison", "card": "the pack card", "serial": "serial", "made_at": "date",
    "workshop": "name of the workshop", "health_items": "items of the regulation", "register": "state of the register",
    "analysis.capacity": "capacity", "verdict.result": "verdict", "verdict.criteria": "judged criteria",
}


@dataclass(frozen=True, slots=True)
class Verification:
    """What the check of one file found.

    Attributes
    ----------
    name, kind : str
        The file and its kind: "json", "html" or "pdf".
    shown : dict
        What the content says: serial, made_at, workshop, pack, run_label, verdict, summary, capacity_ah, u_capacity_ah,
        capacity_valid, record_sha256, fingerprint, software. To be held against what is printed.
    checks : tuple of Check
        In the order of looking: file, signature, content, key, page, code, criteria, logs, figures, verdict, before, compared,
        health_items, shown, program.
    """

    name: str
    kind: str
    shown: dict[str, Any]
    checks: tuple[Check, ...] = field(default=())

    @property
    def good(self) -> bool:
        """False if anything that was looked at is not as it should be."""
        return all(check.result != BAD for check in self.checks)

    @property
    def sealed(self) -> bool:
        """Whether the content is the one that was sealed, by whomever."""
        return all(check.result == GOOD for check in self.checks if check.id in ("signature", "content"))

    @property
    def as_issued(self) -> bool:
        """False if the record is not the one that was issued; it may be, and its figures still not come out of the logs."""
        return all(check.result != BAD for check in self.checks if check.id in _OF_THE_ISSUE)

    def check(self, name: str) -> Check | None:
        """The check of this id, or None if there was no reason for it."""
        return next((check for check in self.checks if check.id == name), None)

    def to_dict(self) -> dict[str, Any]:
        """Plain values, schema ``cycler.verification/1``."""
        return {
            "schema": SCHEMA, "file": self.name, "kind": self.kind, "good": self.good, "as_issued": self.as_issued, "record": self.shown,
            "checks": [check.to_dict() for check in self.checks], "rule": RULE, "limits": LIMITS,
        }


def verify_record(
    raw: bytes, name: str, logs: Sequence[tuple[str, bytes]] | None = None, public_key: PublicKey | None = None,
    own_key: PublicKey | None = None, code: str | None = None,
) -> Verification:
    """Check a record.

    Parameters
    ----------
    raw, name : bytes, str
        The file as it came, and what to call it.
    logs : sequence of (name, bytes), optional
        Raw logs in any order and under any names; without them the figures are not computed again.
    public_key : PublicKey, optional
        The key that the workshop is known by.
    own_key : PublicKey, optional
        The key of whoever checks; a record sealed with it is their own.
    code : str, optional
        Text of the QR code on a print or label, or the hash in it.

    Returns
    -------
    Verification

    Raises
    ------
    InputError
        The file carries no record, two of them, or one that cannot be read.
    """
    carried = read_record(raw, name)
    content, seal = carried.content, carried.envelope.get("seal")
    now = sha256_hex(content)
    checks = [_signature(seal), _content(content, seal, now)]
    sealed = all(check.result == GOOD for check in checks)
    page = _page(carried, seal, now, sealed)
    checks += [_key(seal, public_key, own_key), page]
    if code is not None:
        checks.append(_code(code, content, now))
    checks += _figures(carried, logs, sealed, page.result == GOOD)
    return Verification(name, carried.kind, _shown(content, seal, now), tuple(checks))


# --- the seal ------------------------------------------------------------------------------------------------------


def _signature(seal: dict[str, Any] | None) -> Check:
    if seal is None:
        return Check("signature", BAD, "The seal was taken off: nothing in the file proves who made it, or that it is unchanged.")
    found = flaw(seal, RECORD)
    if found is not None:
        return Check("signature", BAD, f"The seal is not good: {found}. It was changed, or made by somebody without the key.")
    return Check("signature", GOOD, f"The seal is whole and was made with the key {seal['fingerprint']}.")


def _content(content: dict[str, Any], seal: dict[str, Any] | None, now: str) -> Check:
    if seal is None:
        return Check("content", NOT_CHECKED, "Without a seal nothing tells whether the content was changed.")
    if not isinstance(content.get("serial"), str) or not content["serial"].strip():
        return Check("content", BAD, "The content has no serial, so it is no record that was issued.")
    changed = _changed_parts(content, seal.get("parts"))
    same = seal.get("record_sha256") == now
    if same and seal.get("serial") == content.get("serial"):
        if changed:  # both are signed, so whoever sealed it made them disagree
            return Check("content", BAD, "The digests of the parts in the seal do not agree with the content.", some(changed))
        return Check("content", GOOD, "The content is the one that was sealed, to the last figure.")
    if same:
        return Check(
            "content", BAD, f"The seal is that of record {quote(seal.get('serial'))}, and the content says {quote(content.get('serial'))}.",
        )
    if not changed:
        return Check("content", BAD, "The content does not have the hash in the seal, though each part does: hash or parts of the seal were changed.")
    return Check("content", BAD, f"The content was changed after it was sealed: {count(len(changed), 'part differs', 'parts differ')}.", some(changed))


def _changed_parts(content: dict[str, Any], sealed: Any) -> list[str]:
    """Parts that are not as in the seal, by name."""
    if not isinstance(sealed, dict):
        return ["the seal holds no digests of the parts"]
    now = part_digests(content)
    found = []
    for key in [*sealed, *(key for key in now if key not in sealed)]:
        if sealed.get(key) != now.get(key):
            how = "was taken out" if key not in now else "was added" if key not in sealed else "was changed"
            word = _PART_WORDS.get(key)
            found.append(f"{quote(key, 60)[1:-1]} {how}" + (f" ({word})" if word else ""))
    return found


def _key(seal: dict[str, Any] | None, public_key: PublicKey | None, own_key: PublicKey | None) -> Check:
    key = seal_key(seal) if seal is not None else None
    if key is None:
        return Check("key", BAD if public_key is not None else NOT_CHECKED, "The file names no key.")
    if public_key is not None:
        if key == public_key:
            return Check("key", GOOD, f"The key is the one that was given, {key.fingerprint}.")
        return Check(
            "key", BAD, f"The key is not the one that was given: the seal was made with {key.fingerprint}, given was {public_key.fingerprint}. "
            "Somebody else sealed this record.",
        )
    if own_key is not None and key == own_key:
        return Check("key", GOOD, f"The key is your own, {key.fingerprint}.")
    not_own = " (not your own)" if own_key is not None else ""
    return Check("key", NOT_CHECKED, f"The key is {key.fingerprint}{not_own}. Whose it is, the file cannot tell: {COMPARE_KEY}.")


def _page(carried: Carried, seal: dict[str, Any] | None, now: str, sealed: bool) -> Check:
    """Whether the bytes of the file are those that were issued, so that what it shows is what was sealed."""
    holds = "the sealed content is told below and holds by itself" if sealed else "and its content is not as sealed"
    if carried.kind == "json":
        if carried.canonical:
            return Check("page", GOOD, "The file has the form in which it was issued.")
        return Check("page", BAD, f"The file is not byte for byte as issued: spacing, order, line ends or figures were written anew; {holds}.")
    what = "page" if carried.kind == "html" else "PDF"
    own = carried.page_seal
    if own is None:
        return Check("page", BAD, f"The {what}'s own seal was taken off, as by a program that saved it anew (a browser does), so what it shows is not proven; {holds}.")
    found = flaw(own, PAGE)
    if found is not None:
        return Check("page", BAD, f"The {what}'s own seal is not good: {found}. What it shows is not proven; {holds}.")
    if seal is None or own.get("public_key") != seal.get("public_key"):
        return Check(
            "page", BAD, f"The {what} was sealed with another key ({own['fingerprint']}) than its content; what it shows is not proven; {holds}.",
        )
    if own.get("serial") != carried.content.get("serial"):
        return Check(
            "page", BAD, f"The {what}'s seal is that of record {quote(own.get('serial'))}, and the content in it is record "
            f"{quote(carried.content.get('serial'))}: they do not belong together.",
        )
    if own.get("record_sha256") != now:
        return Check("page", BAD, f"The content in the {what} is not the one that it was issued with; what it shows belongs to another content.")
    if own.get("page_sha256") != carried.page_sha256:
        return Check(
            "page", BAD, f"The {what} is not byte for byte as issued: it was edited, printed or saved by another program, or something was "
            f"added. What it shows is not proven; {holds}.",
        )
    if not carried.canonical:
        return Check(
            "page", BAD, f"The {what} is not byte for byte as issued: its own seal was moved or written anew, and may hide or break what "
            f"stands around it. What the {what} shows is not proven; {holds}.",
        )
    other = _other_codes(carried, now)
    if other:
        return Check("page", BAD, f"The {what} shows the code of another record: {', '.join(other)}.")
    return Check("page", GOOD, f"The {what} is byte for byte as issued: what it shows is what was sealed.")


_CODE = re.compile(r"packreturn record (\S{1,80}) sha256 ([0-9a-f]{64})")


def _other_codes(carried: Carried, now: str) -> list[str]:
    """Codes written as text on a page that are neither that of its content nor told in it: a note may name an earlier record."""
    own = {(str(carried.content.get("serial")), now), *_CODE.findall(canonical_bytes(carried.content).decode())}
    found = dict.fromkeys(_CODE.findall(carried.page.decode("utf-8", "replace")))
    return [f"{quote(serial)} {hexa[:12]}…" for serial, hexa in found if (serial, hexa) not in own][:3]


def _code(code: str, content: dict[str, Any], now: str) -> Check:
    """What a print or label says of the record that it belongs to."""
    text = " ".join(code.split())
    found = _CODE.fullmatch(text)
    # A print shows the first digits of the hash in groups of four.
    serial, hexa = found.groups() if found else (None, text.lower().replace(" ", "").rstrip("….").strip())
    if not re.fullmatch(rf"[0-9a-f]{{{_DIGITS_MIN},64}}", hexa):
        raise InputError(
            "the code is not that of a record", "--code", f"found {quote(text)}",
            f"give the whole text of the QR code, or {_DIGITS_MIN} or more digits of the hash as they are printed",
        )
    if serial is not None and serial != content.get("serial"):
        return Check("code", BAD, f"The code is that of record {quote(serial)}, and the file is record {quote(content.get('serial'))}.")
    if not now.startswith(hexa):
        return Check("code", BAD, f"The hash in the code, {hexa[:12]}…, is not that of the content, {now[:12]}…: print and file do not belong together.")
    what = "serial and hash agree" if serial is not None else f"{'all' if len(hexa) == 64 else 'the first'} {len(hexa)} digits of the hash agree"
    return Check("code", GOOD, f"The code belongs to this content: {what}.")


# --- the figures ----------------------------------------------------------------------------------------------------


def _figures(carried: Carried, logs: Sequence[tuple[str, bytes]] | None, sealed: bool, page_is_good: bool) -> list[Check]:
    """Criteria, logs and everything that is computed from them."""
    from cycler.proof import again

    try:
        return again.checks(carried, logs, sealed and page_is_good)
    except InputError as error:
        return [Check("figures", BAD, f"The figures cannot be computed again with the settings in the record: {error.what} ({error.why}).")]
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError, RecursionError, AssertionError) as error:
        # Anybody can seal anything with a key of their own, so a seal does not make content usable.
        defect = " If a program of ours made the record, this is a defect of it: please report it." if sealed else ""
        return [Check("figures", BAD, (
            f"The figures cannot be computed again: the content is not of the form of a record ({type(error).__name__}: "
            f"{quote(error, 80)[1:-1]}).{defect}"
        ))]


def _shown(content: Mapping[str, Any], seal: Mapping[str, Any] | None, now: str) -> dict[str, Any]:
    """What the content says, for holding against a print."""
    def under(*path: str) -> Any:
        value: Any = content
        for key in path:
            value = value.get(key) if isinstance(value, dict) else None
        if isinstance(value, str):  # on one line, so that it looks like nothing but itself
            value = " ".join(value.split())
            return value if len(value) <= _SHOWN_MAX else value[: _SHOWN_MAX - 1] + "…"
        return value if not isinstance(value, (dict, list)) else None

    return {
        "serial": under("serial"), "made_at": under("made_at"), "workshop": under("workshop"), "pack": under("pack", "id"),
        "run_label": under("run_label"), "verdict": under("verdict", "result"), "summary": under("verdict", "summary"),
        "decided_by": under("verdict", "decided", "by"), "remark": under("verdict", "decided", "remark"),
        "capacity_ah": under("analysis", "capacity", "value_ah"), "u_capacity_ah": under("analysis", "capacity", "u_value_ah"),
        "capacity_valid": under("analysis", "capacity", "valid"),
        "record_sha256": now, "fingerprint": seal["fingerprint"] if seal is not None and flaw(seal, RECORD) is None else None,
        "software": under("software", "version"),
    }
