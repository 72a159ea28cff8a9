"""Seals: what was signed, by whom, and whether it still agrees.

A seal is a small JSON object. Its signature covers the canonical bytes of all its other keys, among them the digest of
what it seals and the words ``schema`` and ``of``, so that no seal can stand for another.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any

from cycler.proof.canonical import canonical_bytes, digest, part_digests
from cycler.proof.keys import PublicKey, SigningKey, decoded, public_key_of

SEAL_SCHEMA = "cycler.seal/1"
RECORD, PAGE = "record", "page"
CONTENT_SCHEMA = "cycler.record/1"

_KEYS = {
    RECORD: {"schema", "of", "serial", "record_sha256", "parts", "public_key", "fingerprint", "signature"},
    PAGE: {"schema", "of", "serial", "record_sha256", "page_sha256", "public_key", "fingerprint", "signature"},
}


def seal_content(content: dict[str, Any], key: SigningKey) -> dict[str, Any]:
    """The envelope ``{"record": content, "seal": ...}``. ValueError if the content cannot be canonical JSON."""
    seal = _signed({
        "schema": SEAL_SCHEMA, "of": RECORD, "serial": content.get("serial"), "record_sha256": digest(canonical_bytes(content)),
        "parts": part_digests(content),
    }, key)
    return {"record": content, "seal": seal}


def seal_page(envelope: dict[str, Any], page_sha256: str, key: SigningKey) -> dict[str, Any]:
    """The seal of the bytes of a page that carries ``envelope``."""
    of = envelope["seal"]
    return _signed({
        "schema": SEAL_SCHEMA, "of": PAGE, "serial": of["serial"], "record_sha256": of["record_sha256"], "page_sha256": page_sha256,
    }, key)


def envelope_bytes(envelope: dict[str, Any]) -> bytes:
    """The JSON file of a record."""
    return canonical_bytes(envelope) + b"\n"


def signed_bytes(seal: Mapping[str, Any]) -> bytes:
    """What the signature of a seal covers."""
    return canonical_bytes({key: value for key, value in seal.items() if key != "signature"})


def seal_key(seal: Mapping[str, Any]) -> PublicKey | None:
    """The public key that a seal names, or None."""
    return public_key_of(seal.get("public_key"))


def flaw(seal: Mapping[str, Any], of: str) -> str | None:
    """Why a seal is no seal of ``of`` ("record" or "page"), as a clause; None if its form is right and its signature good."""
    if seal.get("schema") != SEAL_SCHEMA or seal.get("of") != of:
        return f"it is not a seal of a {of} in a form that this program knows"
    if set(seal) != _KEYS[of]:
        odd = sorted(set(seal) ^ _KEYS[of])
        return f"its keys are not those of a seal ({', '.join(odd[:3])})"
    key = seal_key(seal)
    if key is None:
        return "the public key in it is none"
    signature = decoded(seal.get("signature"), 64)
    if signature is None:
        return "the signature in it is none"
    if not key.verifies(signature, signed_bytes(seal)):
        return "its signature does not belong to what it says"
    if seal.get("fingerprint") != key.fingerprint:
        return f"the fingerprint written in it is not that of its key, {key.fingerprint}"
    return None


def _signed(seal: dict[str, Any], key: SigningKey) -> dict[str, Any]:
    seal = seal | {"public_key": key.public_b64, "fingerprint": key.fingerprint}
    return seal | {"signature": base64.b64encode(key.sign(canonical_bytes(seal))).decode("ascii")}
