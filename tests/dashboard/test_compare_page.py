"""The comparison's page without a browser: its address, which runs are meant, its sentences, its table as a file."""

from __future__ import annotations

import csv
import io
import shutil
from urllib.error import HTTPError
from urllib.request import urlopen

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cycler.curvedifference import Difference
from cycler.errors import InputError
from cycler.quantities import figure_text
from cycler.register import Register
from dashboard import exports
from dashboard.address import before_after_address, query_of
from dashboard.data import Door
from dashboard.figures.overlay import AXES, EXTRAS, QUANTITIES, Laid, View, overlay
from dashboard.pages import comparison, comparison_parts, comparison_table
from dashboard.pages.comparison_state import FOLDS, Choice, choice_of, same_view, search_of

from .conftest import Served
from .test_words import words_of


@pytest.fixture(scope="module")
def served(filled):
    """One server for all tests here: none of them writes through it."""
    server = Served(filled)
    yield server
    server.close()


def of(search):
    return choice_of(query_of(search))


# ---- the address -------------------------------------------------------------------------------------------------


@given(
    st.builds(
        Choice,
        picks=st.lists(
            st.one_of(st.tuples(st.just("run"), st.integers(1, 999_999_999).map(str)),
                      st.tuples(st.just("pack"), st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=12))),
            max_size=8, unique=True,
        ).map(lambda picks: tuple(sorted(picks, key=lambda pick: pick[0] != "run"))),
        reference=st.none() | st.integers(1, 999_999_999),
        view=st.builds(
            View, axis=st.sampled_from(AXES), quantity=st.sampled_from(QUANTITIES), group=st.none() | st.integers(1, 999), charge=st.booleans(),
            extras=st.sets(st.sampled_from(EXTRAS)).map(lambda found: tuple(key for key in EXTRAS if key in found)),
            window=st.none() | st.tuples(st.integers(-500, 0), st.integers(1, 90_000)).map(lambda pair: (float(pair[0]), float(pair[1]))),
        ),
        folds=st.sets(st.sampled_from(FOLDS)).map(lambda found: tuple(key for key in FOLDS if key in found)),
        before_after=st.sampled_from(["", "EB-0412", "a & b=c, 100 %"]),
    )
)
def test_every_choice_comes_back_from_its_address(choice):
    assert of(search_of(choice)) == choice


def test_an_address_without_choices_is_empty():
    assert search_of(Choice()) == "" and of("") == Choice()


@pytest.mark.parametrize(
    ("search", "told"),
    [
        ("?runs=1,2&x=nonsense", "x=nonsense"), ("?runs=1,2&y=%3Cscript%3E", "y=<script>"), ("?runs=1,abc", "“abc”"), ("?runs=1,2&ref=x", "ref=x"),
        ("?runs=1,2&group=0", "group=0"), ("?runs=1,2&with=current,fog", "with=fog"), ("?runs=1,2&open=x", "open=x"), ("?runs=1,2&from=3", "window"),
        ("?runs=1,2&from=9&to=3", "window"), ("?runs=1,2&from=nan&to=inf", "window"), ("?runs=" + ",".join(map(str, range(1, 12))), "11 runs"),
        ("?runs=1,2&part=half", "part=half"), ("?runs=1,2,99999999999999", "99999999999999"),
    ],
)
def test_what_the_address_does_not_say_right_is_passed_over_with_a_word(search, told):
    choice = of(search)
    assert len(choice.said) == 1 and told in choice.said[0]
    assert choice.picks[:1] == (("run", "1"),) and choice.view.axis in AXES and len(choice.picks) <= 8


def test_another_axis_or_part_forgets_the_window_another_quantity_keeps_it():
    choice = Choice(view=View("ah", window=(1.0, 2.0)))
    assert same_view(choice, axis="time").view.window is None and same_view(choice, charge=True).view.window is None
    assert same_view(choice, quantity="limiting").view.window == (1.0, 2.0)


@pytest.mark.parametrize(
    ("relayout", "window"),
    [
        ({"xaxis.range[0]": 1.0, "xaxis.range[1]": 2.0}, (60.0, 120.0)), ({"xaxis.range": [2, 1]}, (60.0, 120.0)), ({"xaxis.autorange": True}, None),
        ({"autosize": True}, "same"), ({"xaxis.range": ["a", "b"]}, "same"), ({"xaxis.range": [float("nan"), 2]}, "same"), (None, "same"),
        ({"xaxis.range": [1, 1]}, "same"),
    ],
)
def test_window_of_a_zoom(relayout, window):
    assert comparison.window_of(relayout, 60.0) == window


# ---- which runs are meant ----------------------------------------------------------------------------------------


@pytest.fixture
def own(filled, tmp_path):
    """Path of a register of its own."""
    copy = tmp_path / "register.sqlite"
    shutil.copy(filled, copy)
    return copy


def chosen(door, search):
    return comparison_parts.chosen_of(door, of(search))


def test_a_pack_stands_for_its_newest_run_that_counts(own):
    door = Door(own)
    assert chosen(door, "?packs=EB-0412,EB-0415").runs == (2, 3)
    with Register.open(own) as register:
        register.withdraw(2, who="A. Person", why="leads swapped")
    found = chosen(door, "?packs=EB-0412,EB-0415")
    assert found.runs == (1, 3) and found.packs == ("EB-0412", "EB-0415")
    named = chosen(door, "?runs=2,3")  # one that is named is shown, and marked
    assert named.runs == (2, 3) and "withdrawn" in words_of(comparison_parts.run_keys(named))
    door.close()


def test_runs_and_packs_may_be_mixed_and_what_is_not_there_is_told(door):
    found = chosen(door, "?runs=1,77&packs=EB-0415,XX-1&ref=5")
    assert found.runs == (1, 3) and found.reference == 1
    told = " ".join(found.said)
    assert "no run 77" in told and "XX-1 has no run that counts" in told and "Run 5" in told


def test_a_pack_whose_newest_run_is_named_already_counts_once(door):
    found = chosen(door, "?runs=2,1&packs=EB-0412")
    assert found.runs == (2, 1) and "chosen already" in found.said[0]


def test_before_and_after_are_the_first_and_the_newest_run_that_counts(own):
    door = Door(own)
    search = before_after_address("EB-0412").removeprefix("/compare")
    found = chosen(door, search)
    assert (found.runs, found.reference, found.said) == ((1, 2), 1, ())
    turned = chosen(door, search + "&runs=2,1")
    assert (turned.runs, turned.reference) == ((2, 1), 2)
    odd = chosen(door, search + "&runs=1,3")
    assert odd.runs == (1, 2) and "no two runs of EB-0412" in odd.said[0]
    assert chosen(door, "?before-after=EB-0415").runs == () and "one run that counts" in chosen(door, "?before-after=EB-0415").said[0]
    with Register.open(own) as register:
        register.withdraw(2, who="A. Person", why="leads swapped")
    assert chosen(door, search).runs == ()
    door.close()


def test_options_hold_what_is_chosen_and_what_the_search_finds(door):
    options = comparison.pick_options(door, of("?runs=1&packs=EB-0415"), "sister")
    labels = {option["value"]: option["label"] for option in options}
    assert list(labels)[:2] == ["run:1", "pack:EB-0415"] and "run:3" in labels and "run:2" not in labels
    # What the register found passes the drop-down's own search, what is only chosen does not push it aside.
    assert {option["value"]: "sister" in option["search"] for option in options} == {"run:1": False, "pack:EB-0415": True, "run:3": True}
    assert comparison.picks_of(["pack:EB-0415", "run:1", "nonsense"]) == (("run", "1"), ("pack", "EB-0415"))


def test_search_offers_a_bounded_list_without_any_words(door):
    assert 0 < len(comparison.pick_options(door, Choice(), "")) <= 24


# ---- what is said ------------------------------------------------------------------------------------------------


def test_sentence_of_before_and_after_holds_the_figures_of_the_table(door):
    result = door.compare([1, 2], 0)
    said = " ".join(words_of(comparison_table.summary(result, 1, "before repair, run 1", "after repair, run 2")).split())
    line = next(row for row in result["rows"] if row["quantity"] == "capacity_ah")
    assert said.startswith("After (after repair, run 2) against before (before repair, run 1): better capacity +")
    assert "+" + figure_text(line["difference"][1], line["u_difference"][1], "Ah") in said
    assert "better" in said and "worse" not in said and "No difference shown: " in said


def test_sentence_turned_round_says_worse(door):
    said = words_of(comparison_table.summary(door.compare([1, 2], 1), 0, "a", "b"))
    assert "worse" in said and "better" not in said


def test_sentence_tells_what_else_differs(door):
    result = door.compare([1, 2], 0)
    result["doubts"][1] = ["a and b were tested at 8 °C and 25 °C: part of the difference may come from the temperature."]
    assert "8 °C and 25 °C" in words_of(comparison_table.summary(result, 1, "a", "b"))


def test_difference_words_say_where_and_how_far(door):
    view = View("ah")
    runs = door.laid([1, 2], view)
    _figure, found = overlay(runs, 0, view)
    run, item = found[0]
    said = comparison_parts.difference_words(run, item, "A", view, (1.0, "Ah"))
    at, value, u = item.largest()
    assert said.startswith("B − A: beyond the band over") and figure_text(value * 1e3, u * 1e3, "mV") in said and f"{at:.2f} Ah" in said


@pytest.mark.parametrize(
    ("unlike", "most", "said"),
    [([True, False, False, False], "+200 ± 20 mV", "Over 25 % of it their currents"), ([True] * 4, "−600 ± 20 mV", "all along"), ([False] * 4, "−600 ± 20 mV", None)],
)
def test_difference_words_tell_where_the_currents_were_unlike(unlike, most, said):
    item = Difference(np.arange(4.0), np.array([-0.6, 0.1, 0.1, 0.2]), np.full(4, 0.01), True, np.array(unlike))
    shown = comparison_parts.difference_words(Laid(1, "B", "run"), item, "A", View("ah"), (1.0, "Ah"))
    assert most in shown and (said in shown if said else "currents" not in shown)


def test_danger_is_one_line_for_each_run_with_a_link(own):
    from .conftest import add_overcharged

    added = add_overcharged(own)
    door = Door(own)
    found = chosen(door, f"?runs=1,{added}")
    lines = comparison_parts.danger_lines(door, found)[0].children
    said = words_of(lines).strip()
    assert len(lines) == 1 and said.startswith("Danger: B, EB-0415") and "(group 2)" in said
    assert f"/run/{added}#findings" in str(lines[0])
    door.close()


def test_page_without_two_runs_says_what_to_do(door):
    assert "Choose two to eight runs" in words_of(comparison._too_few(Choice(), chosen(door, "")))
    assert "no run 77" in words_of(comparison._too_few(Choice(), chosen(door, "?runs=77")))


# ---- the table as a file -----------------------------------------------------------------------------------------


def lines_of(text):
    return list(csv.reader(io.StringIO(text.removeprefix(exports.BYTE_ORDER_MARK))))


def test_table_file_holds_the_figures_of_the_comparison(served):
    with urlopen(f"{served.address}/compare/table.csv?runs=1,2&ref=2") as answer:
        raw = answer.read()
        kind, named = answer.headers["Content-Type"], answer.headers["Content-Disposition"]
    assert kind.startswith("text/csv; charset=utf-8") and named == 'attachment; filename="compare-runs-1-2-table.csv"'
    text = raw.decode("utf-8")
    # RFC 4180: lines end with CR LF, each has as many cells as the heading.
    assert text.count("\n") == text.count("\r\n")
    lines = lines_of(text)
    assert {len(line) for line in lines} == {len(lines[0])}
    result = served.door.compare([1, 2], 1)
    row = next(row for row in result["rows"] if row["quantity"] == "resistance_10s_ohm")
    cells = dict(zip(lines[0], next(line for line in lines if line[0].startswith("10 s resistance of the pack"))))
    assert cells["Figure"] == "10 s resistance of the pack / mΩ" and cells["Unit"] == "mΩ"
    assert float(cells["A: value"]) == pytest.approx(1e3 * row["values"][0], rel=1e-7)
    assert float(cells["A: expanded uncertainty U (k = 2)"]) == pytest.approx(2e3 * row["u"][0], rel=1e-7)
    assert float(cells["A - B: difference"]) == pytest.approx(1e3 * row["difference"][0], rel=1e-7)
    assert float(cells["A - B: U of the difference (k = 2)"]) == pytest.approx(2e3 * row["u_difference"][0], rel=1e-7)
    assert (cells["A - B: significant"], cells["A - B: better or worse"]) == ("yes", "worse")
    assert not [head for head in lines[0] if head.startswith("B - ")]  # the reference has no difference


def test_table_file_has_every_group_of_every_run(served):
    with urlopen(f"{served.address}/compare/table.csv?runs=1,2") as answer:
        lines = lines_of(answer.read().decode("utf-8"))
    assert [line[1] for line in lines if line[0] == "Capacity / Ah"] == ["", *map(str, range(1, 11))]


@pytest.mark.parametrize("query", ["", "?runs=1", "?runs=1,77", "?runs=a,b"])
def test_table_file_of_runs_that_are_not_there_is_one_message(served, query):
    with pytest.raises(HTTPError) as refused:
        urlopen(f"{served.address}/compare/table.csv{query}")
    assert refused.value.code == 404
    said = refused.value.read().decode()
    assert said.count("\n") == 1 and "Traceback" not in said


def result_named(*names, label="Capacity"):
    row = {
        "quantity": "capacity_ah", "label": label, "unit": "Ah", "values": [9.5, -1.25], "u": [0.01, None], "group": [None, 3], "bound": [None, "lower"], "valid": [True, False],
        "difference": [None, -10.75], "u_difference": [None, 0.02], "significant": [None, False], "improved": [None, None],
    }
    return {"names": list(names), "reference": 0, "rows": [row], "groups": [], "notes": []}


# Characters that begin a formula: OWASP, "CSV Injection" (from memory of the page: = + - @ tab, carriage return, and their wide forms).
@pytest.mark.parametrize("mark", ["=", "+", "-", "@", "\t=", "\r=", "\n=", " =", "＝", "＠", "'="])
def test_no_text_of_a_person_can_be_taken_for_a_formula(mark):
    lines = lines_of(exports.comparison_table(result_named("one", "two", label=f"{mark}cmd|' /C calc'!A0")))
    cell = lines[1][0]
    assert cell.startswith("'") and "\t" not in cell and "\r" not in cell and "\n" not in cell


def test_numbers_stay_numbers_whatever_their_sign():
    lines = lines_of(exports.comparison_table(result_named("one", 'two, "quoted" 😀')))
    cells = dict(zip(lines[0], lines[1]))
    assert cells["B: value"] == "-1.25" and cells["B: standard uncertainty u"] == ""
    assert cells["B: remark"] == "lower bound; group 3; not a valid test: no difference claimed"
    assert cells["B - A: difference"] == "" and cells["B - A: significant"] == ""
    assert 'B = two, "quoted" 😀' in [line[0] for line in lines]


def test_file_names_hold_the_runs_and_nothing_a_file_system_minds():
    assert exports.file_stem([1, 22], "over ../soc", "") == "compare-runs-1-22-over-soc"


def test_compare_of_one_run_is_an_input_error(door):
    with pytest.raises(InputError):
        door.compare([1], 0)
