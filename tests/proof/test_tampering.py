"""Every way of the tamper table is found, by the check that should find it, and what was changed is named."""

from __future__ import annotations

import random

import pytest

from cycler.errors import InputError
from cycler.proof import verify
from cycler.proof.carrier import html_with_seal, pdf_with_seal
from cycler.proof.seal import envelope_bytes, seal_content
from cycler.proof.verify import verify_record
from tests.proof.proof_example import KEY, made
from tests.proof.tamper_table import WAYS, outcome


def test_there_are_many_ways():
    assert len(WAYS) >= 16 and len({item.what for item in WAYS}) == len(WAYS)


@pytest.mark.parametrize("kind", ["json", "html", "pdf"])
def test_nothing_is_found_where_nothing_was_altered(kind):
    found = verify_record(getattr(made(), kind), f"record.{kind}", made().all_logs, KEY.public)
    shown = ["shown"] if kind != "json" else []
    assert {check.id: check.result for check in found.checks} == dict.fromkeys([
        "signature", "content", "key", "page", "criteria", "logs", "figures", "verdict", "before", "compared", "health_items", *shown, "program",
    ], "good")


@pytest.mark.parametrize("item", WAYS, ids=lambda item: item.what)
def test_way_of_altering_is_found_and_named(item):
    where, said = outcome(item)
    assert (where == "refused") is (item.check == "")
    if item.check:
        assert item.check in where.split(", ")
    assert any(item.named in line for line in said), said


@pytest.mark.parametrize("kind", ["json", "html", "pdf"])
def test_every_byte_counts(kind, monkeypatch):
    """One bit of one byte, anywhere in the file; what is computed from the content is left out here."""
    monkeypatch.setattr(verify, "_figures", lambda *_args: [])
    small = seal_content({"schema": "cycler.record/1", "serial": "A-1", "verdict": {"result": "pass"}, "analysis": {"capacity": {"value_ah": 9.638}}}, KEY)
    raw = {
        "json": envelope_bytes(small), "html": html_with_seal("<!doctype html><html><body><p>9.638 Ah</p></body></html>", small, KEY).encode(),
        "pdf": pdf_with_seal(b"%PDF-1.4\n1 0 obj\n<<>>\nendobj\nxref\n0 1\ntrailer\n<<>>\nstartxref\n9\n%%EOF\n", small, KEY),
    }[kind]
    assert verify_record(raw, f"x.{kind}").good
    places = random.Random(1)
    for place in range(0, len(raw), 2):
        altered = bytearray(raw)
        altered[place] ^= 1 << places.randrange(8)
        try:
            found = verify_record(bytes(altered), f"x.{kind}")
        except InputError:
            continue
        assert not found.good, (place, raw[place - 20 : place + 20])
