"""Every way of the tamper table is found, by the check that should find it, and what was changed is named."""

from __future__ import annotations

import pytest

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
