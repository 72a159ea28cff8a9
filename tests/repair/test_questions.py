"""Entries that are questioned while the probe still stands there. What is odd about a reading: common practice, no source."""

from __future__ import annotations

import pytest

from cycler.repair.form import sheet_from_form
from cycler.repair.questions import QUESTION, REFUSE, question_at, questions
from tests.repair.sheets import GROUPS_10S, TAPS_10S, bench, typed


def asked(taps, entry, **further):
    """What is asked about a reading typed after those."""
    key = f"taps.{len(taps)}"
    return question_at(typed([*taps, entry], meter=False, **further), key)


@pytest.mark.parametrize(("entry", "says"), [
    ("10.951", "The same as tap 3"), ("10.5", "Lower than tap 3"), ("18.133", "As much as two groups"), ("-14.48", "sign"), ("1.448", "decimal point"), ("144.8", "decimal point"),
    ("10.99", "Nearly nothing"), ("15.9", "More than a cell can have"), ("12.9", "Unlike the others"),
])
def test_step_that_is_rarely_right_is_questioned(entry, says):
    found = asked(TAPS_10S[:4], entry)
    assert found.severity == QUESTION and says in found.words and found.words.endswith(".")
    # A dead group, a reversed one, a broken lead do read so: nothing is refused, and the reading stands in the sheet.
    assert sheet_from_form(typed([*TAPS_10S[:4], entry])).taps_v[4] == float(entry)


@pytest.mark.parametrize("place", range(11))
def test_right_reading_is_not_questioned(place):
    assert asked(TAPS_10S[:place], str(TAPS_10S[place])) is None
    assert asked(TAPS_10S[:place], str(TAPS_10S[place]).replace(".", ",")) is None


@pytest.mark.parametrize(("entry", "says"), [("14.48O", "kept as it was typed"), ("14480", "write 14.48"), ("3 V 5", "kept as it was typed"), ("14.5 A", "no unit of this field")])
def test_what_is_no_reading_is_refused_and_kept(entry, says):
    found = asked(TAPS_10S[:4], entry)
    assert found.severity == REFUSE and says in found.words


def test_first_readings_are_seen_against_the_chemistry():
    assert "reads 0" in asked([], "3.652").words and asked([0], "3.652") is None and "two groups" in asked([0], "7.304").words
    assert "decimal point" in asked([0], "36.52").words and "The same" in asked([0], "0").words and asked([0], "3652 mV") is None
    assert asked([], "0.003") is None and "reads 0" in question_at(typed(["3.6"], series=None), "taps.0").words


def test_first_tap_that_is_read_is_seen_from_the_reference_where_zero_was_not_read():
    assert "two groups" in asked(["-"], "7.304").words and "decimal point" in asked(["-"], "36.52").words and asked(["-"], "3.652") is None


def test_taps_down_from_pack_positive_and_changed_leads_are_no_question():
    down = [round(TAPS_10S[-1] - tap, 3) for tap in reversed(TAPS_10S)]
    for taps in (down, [-tap for tap in down]):
        sheet = bench(taps, "pack_positive")
        assert questions(sheet) == [] and questions(bench([-tap for tap in TAPS_10S])) == []


def test_tap_after_a_doubted_one_is_asked_only_if_it_is_odd_itself():
    dead = [round(tap - (2.5 if place > 3 else 0.0), 3) for place, tap in enumerate(TAPS_10S)]
    assert [item.key for item in questions(bench(dead))] == ["taps.4"]
    wrong = list(TAPS_10S)
    wrong[4] = 11.2
    assert [item.key for item in questions(bench(wrong))] == ["taps.4"]


@pytest.mark.parametrize(("entry", "says"), [("-3.5", "wrong way round"), ("7.3", "two groups"), ("36.5", "decimal point"), ("0.365", "decimal point"), ("0.02", "Nearly nothing"), ("4.9", "More than a cell"), ("2.9", "Unlike")])
def test_group_by_itself_is_questioned(entry, says):
    assert says in asked(GROUPS_10S[:4], entry, taps_from="each_group").words
    assert asked(GROUPS_10S[:4], "3.653", taps_from="each_group") is None


@pytest.mark.parametrize(("key", "entry", "says"), [
    ("taps.10", "36.399", "same two points"), ("cells_v", "364", "more than 10 groups"), ("terminal_v", "-36.4", "wrong way round"), ("terminal_v", "39.0", "More than across the cells"),
    ("charger_v", "29.4", "Less than the full pack needs"), ("board_current_ma", "45", "write 45 µA"), ("board_current_ma", "-0.1", "positive"), ("ambient_c", "70", "workshop"),
    ("probe.0.ohm", "9.87", "write 9.87k"), ("probe.0.ohm", "-5", "never negative"), ("pack.series", "ten", "not used"), ("pack.charge_voltage_v", "54.6", "5.46 V each"),
    ("meter.voltage", "0.5 % + 2 digits", "voltage_digit_v"), ("taken_at", "today", "write it like"), ("look.hot", "perhaps", "yes"), ("probe.1.name", "1", "told apart"), ("taps.11", "40", "10 groups have 11 taps"),
])
def test_other_entries_are_questioned(key, entry, says):
    values = typed(TAPS_10S, meter=False, cells_v="38.0", probe__0__ohm="9870", probe__1__ohm="9900", probe__0__name="1") | {key: entry}
    found = question_at(values, key)
    assert says in found.words
    assert [item.key for item in questions(sheet_from_form(values))].count(key) == 1


@pytest.mark.parametrize(("key", "entry"), [("cells_v", "36.40"), ("terminal_v", "0.02"), ("charger_v", "42.1"), ("board_current_ma", "45 µA"), ("ambient_c", "21"), ("probe.0.ohm", "9.87k"), ("probe.0.ohm", "open"), ("probe.3.ohm", "10000")])
def test_usual_entries_are_not(key, entry):
    assert question_at(typed(TAPS_10S) | {key: entry}, key) is None


def test_question_about_a_thermistor_has_the_key_of_the_form():
    assert question_at({"probe.0.name": "", "probe.2.ohm": "9.8"}, "probe.2.ohm").key == "probe.2.ohm"
