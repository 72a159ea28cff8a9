"""What the pages say of a run besides its log: dangers of the pack's card, corrections, withdrawal."""

from __future__ import annotations

from dashboard import text, text_register
from dashboard.data import Wish
from dashboard.pages import add, decision_body, register, run, verdict
from tests.dashboard.test_words import words_of


def test_pages_of_a_run_say_nothing_besides_where_there_is_nothing(own):
    door, _kept = own
    assert door.known_besides(2) == []


def test_open_danger_of_the_card_stands_above_figures_and_verdict_until_it_is_closed(own):
    door, kept = own
    entry = kept.add_card_entry("EB-0412", "danger", "Group 3 is swollen", who="A. Bench")
    shown = door.decision(2)
    for page in (run.layout(door, 2, {})[0], decision_body.verdict_body(shown.verdict, shown, 2, "EB-0412")):
        assert "Group 3 is swollen (written by A. Bench)" in words_of(page)
    assert "Group 3 is swollen" not in words_of(verdict.layout(door, 2, {})[0])  # once is enough
    listed = words_of(register.layout(door, {}))
    assert "Open danger on 1 pack" in listed and "EB-0412 : Group 3 is swollen (A. Bench, " in listed
    judged, when = door.judged(2, "resale")
    assert (judged["result"], when) == ("fail", None)
    kept.cards.supersede("EB-0412", entry, None, who="A. Bench", why="cells renewed")
    assert door.known_besides(2) == []
    assert door.dangers(3) == ([], 0)
    assert "Open danger" not in words_of(register.layout(door, {})).replace(text_register.FILTER["danger"], "", 1)


def test_withdrawn_run_is_marked_in_the_list_and_says_who_and_why_on_its_page(own):
    door, kept = own
    kept.withdraw(1, who="A. Bench", why="wrong leads")
    listed = register.state_of({"view": "runs"})
    rows = words_of(register.body(door, listed, []))
    assert rows.count(text.WITHDRAWN) == 1
    assert "Withdrawn by A. Bench on" in words_of(run.layout(door, 1, {})[0]) and "wrong leads" in words_of(run.layout(door, 1, {})[0])
    assert door.known_besides(1)[0] == text.COUNTS_NO_MORE
    kept.reinstate(1, who="B. Bench", why="leads were right")
    assert text.WITHDRAWN not in words_of(register.body(door, listed, []))
    assert [line.split(" ")[0] for line in door.known_besides(1)] == ["Withdrawn", "Counts"]
    assert text.COUNTS_NO_MORE not in door.known_besides(1)  # no more, since it counts again


def test_pack_with_a_card_and_no_run_is_listed_but_not_offered_for_a_log(own):
    door, kept = own
    kept.add_card_entry("EB-0999", "fault", "Does not switch on", who="A. Bench", new=True)
    assert "EB-0999" in words_of(register.body(door, register.state_of({}), []))
    assert "EB-0999" not in str(add._pack_choice(door)) and "EB-0412" in str(add._pack_choice(door))


def test_record_issued_on_the_page_is_sealed_with_the_key_of_the_door(own, tmp_path):
    from cycler.proof.carrier import read_record
    from cycler.proof.keys import load_or_make_key

    door, _kept = own
    serial = door.decide(2, Wish("return-to-owner", workshop="Quayside Pack Repair"), None).serial
    item = door.records(2)[0]
    assert (item.serial, item.kinds) == (serial, ("pdf", "html", "json"))
    key = load_or_make_key(tmp_path / "key.pem")
    for kind in item.kinds:
        carried = read_record(door.record_file(item.id, kind), f"r.{kind}")
        assert carried.envelope["seal"]["public_key"] == key.public_b64 and carried.envelope["record"]["workshop"] == "Quayside Pack Repair"


def test_every_group_that_rules_the_pack_out_is_named_above_the_verdict():
    found = [{"code": "group_overvoltage", "message": f"Group {n} was charged to 4.300 V."} for n in (5, 1)]
    said = words_of(decision_body.veto_panel({"vetoes": ["group_overvoltage", "temperature_high"], "veto_findings": found}))
    assert said.index("Group 5 was") < said.index("Group 1 was") < said.lower().index("temperature")
