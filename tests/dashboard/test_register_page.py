"""Words and cells of the register's page: ages, states, names of any kind, the choice for the comparison."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from urllib.parse import unquote

import pytest
from dash import dcc, html

from dashboard import text, text_register
from dashboard.data import Door, PackItem
from dashboard.pages import register
from tests.dashboard.test_words import item, words_of

NOW = datetime(2026, 3, 20, 14, 0, tzinfo=timezone(timedelta(hours=1)))
HOSTILE = "O'Neil \"blue\" <b>cargo</b>/50 % ü 🔋 " + "long name " * 25


def pack(**changes):
    usual = dict(id="EB-0412", chemistry="nmc", series=10, parallel=4, rated_capacity_ah=10.4, runs=2, newest=item())
    return PackItem(**{**usual, **changes})


def parts(component, kind):
    """Every component of a kind inside another one."""
    found = [component] if isinstance(component, kind) else []
    children = getattr(component, "children", None)
    for child in children if isinstance(children, (list, tuple)) else [children]:
        if child is not None and not isinstance(child, (str, int, float)):
            found += parts(child, kind)
    return found


# ---- ages --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("when", "age"),
    [
        ("2026-03-20T23:59:00", "today"),
        ("2026-03-20T00:00:00", "today"),
        ("2026-03-19T23:59:00", "yesterday"),
        ("2026-03-08T09:00:00", "12 days ago"),
        ("2025-12-20T09:00:00", "90 days ago"),
        ("2025-12-19T09:00:00", "3 months ago"),
        ("2025-03-20T09:00:00", "12 months ago"),
        ("2024-03-20T09:00:00", "2 years ago"),
        ("2016-03-19T09:00:00", "10 years ago"),
        ("2026-03-21T00:00:00", "date lies ahead"),
        ("2026-03-19T23:30:00Z", "yesterday"),  # the day that stands beside it is that of UTC
        ("2026-03-20T00:30:00+01:00", "yesterday"),  # 23:30 UTC of the day before
        ("nonsense", ""), (None, ""),
    ],
)
def test_age_in_words(when, age):
    """Days: difference of two dates of the calendar. Months and years: mean Gregorian year, 365.2425 days, to the accuracy shown."""
    assert text_register.age_text(when, NOW) == age


def test_age_never_falls_as_a_test_grows_older():
    unit = {"days": 1, "months": 30.4, "years": 365.2}
    shown = []
    for days in range(2, 4000):
        said = text_register.age_text((NOW - timedelta(days=days)).isoformat(), NOW.astimezone(UTC))
        number, name, _ago = said.split()
        shown.append(int(number) * unit[name])
        assert abs(shown[-1] - days) <= {"days": 0, "months": 16, "years": 366}[name]
    assert shown == sorted(shown)


# ---- addresses ---------------------------------------------------------------------------------------------------


def test_state_of_replaces_what_it_does_not_know():
    state = register.state_of({"view": "x", "verdict": "../..", "sort": "password", "page": "-1", "q": "a" * 999})
    assert state == {**register.DEFAULTS, "q": "a" * 200}


@pytest.mark.parametrize("page", ["0", "٣", "1234567", "1.5", ""])
def test_page_that_is_none_is_the_first(page):
    assert register.state_of({"page": page})["page"] == "1"


def test_sort_of_one_view_does_not_reach_the_other():
    assert register.state_of({"view": "runs", "sort": "-label"})["sort"] == "-label"
    assert register.state_of({"view": "packs", "sort": "-label"})["sort"] == ""
    assert register.state_of({"sort": "--pack"})["sort"] == ""


def test_search_of_leaves_out_the_usual():
    assert register.search_of(register.DEFAULTS) == ""
    assert register.search_of(register.DEFAULTS, q="EB 0412&x", page="2") == "?q=EB+0412%26x&page=2"


def test_every_column_can_be_sorted_and_every_filter_has_its_word():
    for view, sorts in register.SORTS.items():
        assert {name for _words, name in register.COLUMNS[view]} | {register.USUAL_SORT[view].lstrip("-")} == set(sorts)
    assert set(text_register.FILTER) == set(register.FILTERS)


def test_heading_turns_the_order_and_dates_begin_with_the_last():
    def link(name, sort, at):
        return register._heading(name, sort, register.state_of(at)).href

    assert link("Capacity", "capacity", {}) == "/?sort=capacity"
    assert link("Capacity", "capacity", {"sort": "capacity"}) == "/?sort=-capacity"
    assert link("Capacity", "capacity", {"sort": "-capacity", "page": "3"}) == "/?sort=capacity"
    assert link("Last test", "date", {}) == "/?sort=-date"
    assert link("Run", "id", {"view": "runs"}) == "/?view=runs&sort=id"  # it is sorted from the last by itself
    assert "sorted from the end" in words_of(register._heading("Run", "id", register.state_of({"view": "runs"})))


# ---- cells -------------------------------------------------------------------------------------------------------


def test_row_of_a_pack_says_build_state_verdict_capacity_health_group_and_age():
    run = item(state_of_health=0.9262, u_state_of_health=0.0012, added_at="2026-03-08T09:30:00Z")
    row = register.pack_table([pack(newest=run)], register.state_of({}), [], NOW)
    said = words_of(row)
    for words in ("EB-0412", "NMC 10S4P", "10.4 Ah rated", "nothing found", "Pass", "9.632 ± 0.025 Ah", "92.62 ± 0.24 %", "group  8",
                  "added 12 days ago", "2026-03-08", "run 4"):
        assert words in said, words
    assert "shape-pass" in str(row)
    assert "12 days ago 2026-03-08" in words_of(register.when_cell(item(started_at="2026-03-08T09:30:00"), NOW))


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, "not known"),
        ({"state_of_health": 0.68, "u_state_of_health": 0.0011}, "68.00 ± 0.22 %"),
        ({"state_of_health": 0.68, "u_state_of_health": 0.0011, "capacity_valid": False, "capacity_is_lower_bound": True}, "at least 68.00 ± 0.22 %"),
        ({"state_of_health": 0.68, "u_state_of_health": 0.0011, "capacity_valid": False}, "68.00 ± 0.22 %, not valid"),
    ],
)
def test_health_text(changes, expected):
    assert register.health_text(item(**changes)) == expected


@pytest.mark.parametrize(
    ("changes", "said", "flags"),
    [
        ({"newest": None, "runs": 0}, "card only, no test yet", 0),
        ({"newest": None, "runs": 0, "open_dangers": 1}, "open danger card only, no test yet", 1),
        ({"newest": None, "runs": 1, "withdrawn": 1}, "withdrawn", 0),
        ({"newest": None, "runs": 1, "withdrawn": 1, "open_dangers": 1}, "open danger withdrawn", 1),
        ({"newest": item(), "withdrawn": 1}, "nothing found 1 run withdrawn", 0),
        ({"newest": item(open_dangers=2), "open_dangers": 2}, "2 open dangers", 1),
        ({"newest": item(open_dangers=1, defects=2, cautions=1), "open_dangers": 1}, "open danger 2 defects, 1 caution", 1),
        ({"newest": item(dangers=1)}, "1 danger", 1),
        ({"newest": item(capacity_valid=False)}, "capacity not quotable", 0),
        ({"newest": item(), "added_later": 9}, "nothing found run 9 was added later, with an earlier date", 0),
    ],
)
def test_state_of_a_pack(changes, said, flags):
    cell = register.pack_state_cell(pack(**changes))
    assert " ".join(words_of(cell).split()) == said
    assert str(cell).count("flag-danger") == flags


def test_pass_does_not_stand_alone_beside_an_open_danger():
    assert text_register.PASS_HOLDS_NOT in words_of(register.verdict_cell(item(open_dangers=1)))
    assert text_register.PASS_HOLDS_NOT not in words_of(register.verdict_cell(item()))
    assert text_register.PASS_HOLDS_NOT not in words_of(register.verdict_cell(item(verdict="fail", open_dangers=1)))


def test_pack_without_a_test_that_counts_has_no_tick_and_no_figures():
    table = register.pack_table([pack(newest=None, runs=0, series=None, chemistry=None, parallel=None)], register.state_of({}), [], NOW)
    assert parts(table, dcc.Checklist) == []
    assert words_of(table).count(text.DASH) == 6


def test_tick_of_a_pack_is_its_last_test_that_counts():
    (box,) = parts(register.pack_table([pack()], register.state_of({}), [4], NOW), dcc.Checklist)
    assert (box.id["run"], box.value) == (4, [4])
    assert "EB-0412 (run 4)" in words_of(box.options[0]["label"])


def test_pack_of_any_name_leads_to_its_page_and_stays_text():
    """The path is split at slashes after the browser's own reading (RFC 3986, 2.2 and 3.3: a slash inside a segment is %2F)."""
    for table in (
        register.pack_table([pack(id=HOSTILE)], register.state_of({}), [], NOW),
        register.run_table([item(pack_id=HOSTILE)], register.state_of({"view": "runs"}), [], NOW),
    ):
        (link,) = [part for part in parts(table, dcc.Link) if part.href.startswith("/pack/")]
        assert link.href.count("/") == 2 and '"' not in link.href and "<" not in link.href
        assert unquote(link.href.removeprefix("/pack/")) == HOSTILE and link.children == HOSTILE
        assert parts(table, dcc.Markdown) == []


# ---- the choice --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("kept", "runs"), [([1, 2], [1, 2]), (None, []), ("1,2", []), ([True, "3", 4.0, 5], [5]), ({"a": 1}, [])])
def test_choice_as_the_browser_kept_it_is_not_trusted(kept, runs):
    assert register.chosen_runs(kept) == runs


def test_bar_says_what_is_chosen_and_offers_two_to_eight(door):
    said, offer, nothing = register.bar(door, [])
    assert "two to eight" in words_of(said) and offer is None and nothing
    said, offer, nothing = register.bar(door, [2])
    assert words_of(said).startswith("Tick at least one more") and "EB-0412 (run 2)" in words_of(said) and offer is None and not nothing
    said, offer, _nothing = register.bar(door, [3, 1])
    assert "EB-0415 (run 3), EB-0412 (run 1)" in words_of(said) and offer.href == "/compare?runs=3,1"
    said, offer, _nothing = register.bar(door, [3, 77])
    assert "run 77, not in the register" in words_of(said)
    said, offer, _nothing = register.bar(door, list(range(1, 10)))
    assert "9 ticked; at most eight" in words_of(said) and offer is None
    assert register.bar(door, list(range(1, 9)))[1] is not None


# ---- the page ----------------------------------------------------------------------------------------------------


def test_strip_names_the_last_open_dangers_and_leads_to_all(own):
    opened, kept = own
    assert register.danger_strip(opened) is None
    for number in range(5):
        kept.add_card_entry(f"EB-090{number}", "danger", f"Corner {number} <b>swollen</b>", who="A. Bench", new=True)
    strip = register.danger_strip(opened)
    assert "Open danger on 5 packs" in words_of(strip) and "Corner 4 <b>swollen</b> (A. Bench, 20" in words_of(strip)
    assert len(parts(strip, html.Li)) == register.DANGERS_NAMED and "Corner 1" not in words_of(strip)
    assert "/?verdict=danger" in str(strip)
    listed = words_of(register.body(opened, register.state_of({"verdict": "danger"}), []))
    assert "EB-0900" in listed and "5 of 7 packs" in listed and "EB-0412" not in listed


def test_customer_reference_is_neither_shown_nor_found(own):
    opened, kept = own
    kept.add_card_entry("EB-0412", "customer", "Order 77310", who="A. Bench")
    assert "77310" not in words_of(register.body(opened, register.state_of({}), []))
    assert text_register.NOTHING["packs"] in words_of(register.body(opened, register.state_of({"q": "77310"}), []))


def test_pages_of_a_long_list_lead_to_each_other(own, monkeypatch):
    opened, kept = own
    for number in range(5):
        kept.add_card_entry(f"EB-090{number}", "note", "Came in", who="A. Bench", new=True)
    monkeypatch.setattr(register, "ROWS_ON_PAGE", 2)
    seen = []
    for page in ("1", "2", "3", "4"):
        shown = register.body(opened, register.state_of({"page": page, "sort": "pack"}), [])
        seen += [link.children for link in parts(shown, dcc.Link) if link.href.startswith("/pack/")]
        links = {link.children: link.href for link in parts(shown, dcc.Link) if str(link.children) in ("First", "Previous", "Next", "Last")}
        assert (("Previous" in links), ("Next" in links)) == (page != "1", page != "4")
        if page == "2":
            assert links["Next"] == "/?sort=pack&page=3" and links["First"] == "/?sort=pack"
    assert seen == sorted(row.id for row in kept.packs()) and len(seen) == 7


def test_empty_register_offers_to_add_and_tells_of_the_folder(tmp_path):
    opened = Door(tmp_path / "empty.sqlite")
    shown = register.body(opened, register.state_of({}), [])
    assert "The register is empty." in words_of(shown) and "folder" in words_of(shown)
    assert [link.href for link in parts(shown, dcc.Link)] == ["/add"]
    opened.close()


def test_quick_questions_of_the_door_answer_as_the_slow_ones(door):
    assert [run.id for run in door.find_runs("", 2)] == [run.id for run in door.runs()][:2]
    assert {found.id for found in door.find_packs("eb")} == {found.id for found in door.packs()}
    assert [run.id for run in door.runs_of("EB-0412")] == [run.id for run in door.runs("EB-0412")] == [2, 1]
    assert [run.id for run in door.run_items([3, 99, 1])] == [3, 1]
    analysis = door.run(3).analysis["capacity"]
    assert (door.run_items([3])[0].u_state_of_health, door.run_items([3])[0].state_of_health) == (
        analysis["u_state_of_health"], analysis["state_of_health"])
