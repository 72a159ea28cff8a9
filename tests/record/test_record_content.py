"""The content of a record: one plain object that survives JSON and RFC 8785."""

import copy
import json
import math
import tomllib
from datetime import datetime, timedelta, timezone

import pytest
import rfc8785
from record_example import SHA256, example

from cycler.criteria import criteria_from_dict, load_criteria
from cycler.errors import InputError
from cycler.pack import Pack
from cycler.record.content import Beside, build_content

CARD = {
    "id": 7, "workshop_number": "W-118", "status": "re-used",
    "entries": [{"id": 1, "kind": "work", "text": "group 4 replaced", "who": "Jo Example", "at": "2026-11-20T08:00:00Z", "superseded_by": None}],
    "photos": [{"id": 3, "file": "welds.jpg", "sha256": SHA256, "bytes": 18, "caption": "welds", "at": "2026-11-20T08:10:00Z", "data": "x"}],
}
KEYS = {
    "schema", "serial", "made_at", "language", "workshop", "run_label", "software", "issued_with", "pack", "columns", "sources", "criteria", "analysis", "verdict", "before",
    "compared", "card", "replaces", "register", "health_items",
}


def content(**more):
    arguments = {"analysis": example(), "pack": Pack(id="EB-0412", rated_capacity_ah=10.4), "criteria": load_criteria(), "serial": "2026-0007",
                 "made_at": "2026-11-25T10:14:00Z"}
    return build_content(**{**arguments, **more})


def test_content_has_its_keys_and_comes_back_from_json_and_canonical_json_unchanged():
    made = content(card=CARD, run_label="after repair", workshop="Quayside Pack Workshop", register={"entries": 3, "head": SHA256})
    assert set(made) == KEYS and made["schema"] == "cycler.record/1"
    assert json.loads(json.dumps(made, allow_nan=False)) == made
    # RFC 8785 by a library of its own; a number changes its writing there ("5.0" to "5"), never its value.
    assert json.loads(rfc8785.dumps(made)) == made
    assert "verdict" not in made["analysis"] and made["verdict"]["result"] == "fail"
    assert made["sources"] == [{"file": "eb-0412-after.csv", "sha256": SHA256, "bytes": 2418304}]


def test_content_same_input_gives_the_same_canonical_bytes_and_leaves_the_input_alone():
    analysis = example()
    kept = copy.deepcopy(analysis)
    assert rfc8785.dumps(content(analysis=analysis)) == rfc8785.dumps(content(analysis=copy.deepcopy(analysis)))
    assert analysis == kept


@pytest.mark.parametrize(("value", "why"), [
    (math.nan, "nan"), (math.inf, "inf"), (2**53, "9007199254740992"), (-(2**53), "9007199254740992"), ({1, 2}, "set"), (b"raw", "bytes"),
])
def test_content_value_without_an_exact_form_is_refused_with_its_place(value, why):
    analysis = example()
    analysis["thermal"]["max_c"] = value
    with pytest.raises(InputError) as caught:
        content(analysis=analysis)
    assert "record.analysis.thermal.max_c" in str(caught.value) and why in str(caught.value)


# RFC 7493, 2.2: whole numbers beyond 2^53 - 1 are not kept exactly; the largest that is must pass.
def test_content_largest_exact_whole_number_passes():
    analysis = example()
    analysis["sources"][0]["bytes"] = 2**53 - 1
    assert json.loads(rfc8785.dumps(content(analysis=analysis)))["sources"][0]["bytes"] == 2**53 - 1


def test_content_half_characters_become_replacement_characters():
    made = content(run_label="a\ud800b", card={**CARD, "entries": [{"kind": "note", "text": "\udfff", "who": None, "at": None}]})
    assert made["run_label"] == "a\N{REPLACEMENT CHARACTER}b" and made["card"]["entries"][0]["text"] == "\N{REPLACEMENT CHARACTER}"
    rfc8785.dumps(made)


def test_content_tuples_are_lists_and_moments_are_utc():
    made = content(pack=Pack(id="X", charge_temperature_c=(0.0, 45.0)), made_at=datetime(2026, 11, 25, 12, 14, tzinfo=timezone(timedelta(hours=2))))
    assert made["pack"]["charge_temperature_c"] == [0.0, 45.0] and made["made_at"] == "2026-11-25T10:14:00Z"
    with pytest.raises(InputError, match="no date"):
        content(made_at="last spring")


def test_content_card_holds_only_what_is_printed_and_the_customer_only_if_given():
    card = content(card=CARD)["card"]
    assert set(card) == {"workshop_number", "status", "entries", "photos"}
    assert set(card["entries"][0]) == {"kind", "text", "who", "at"} and set(card["photos"][0]) == {"file", "sha256", "bytes", "caption", "at"}
    assert content(card={**CARD, "customer_reference": "C-9"})["card"]["customer_reference"] == "C-9"


def test_content_criteria_text_judges_again_without_a_file():
    criteria = load_criteria("resale")
    kept = content(criteria=criteria)["criteria"]
    again = criteria_from_dict(tomllib.loads(kept["text"]), kept["text"])
    assert kept["sha256"] == criteria.sha256 and again.criteria == criteria.criteria
    named = {"name": "own", "sha256": SHA256, "text": "{}", "id": 4}
    assert content(criteria=named)["criteria"] == {"name": "own", "sha256": SHA256, "text": "{}"}


def test_content_before_is_kept_without_its_verdict_and_beside_takes_it_over():
    before = {"name": "EB-0412 before repair", "run_label": "before repair", "started_at": None, "pack": Pack(id="EB-0412").to_dict(), "columns": None,
              "sources": [], "analysis": example(), "id": 3}
    made = content(before=before, card=CARD, replaces=[{"serial": "2026-0006", "who": "Jo Example", "why": "wrong shunt", "at": "2026-11-24T10:00:00Z", "id": 1}])
    assert "verdict" not in made["before"]["analysis"] and "id" not in made["before"]
    beside = Beside.of(made)
    assert beside.before_name == "EB-0412 before repair" and beside.replaces[0]["why"] == "wrong shunt" and "id" not in beside.replaces[0]
    assert len(beside.health_items) == len(made["health_items"]) == 12
