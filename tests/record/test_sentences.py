"""Sentences of the analysis in German: every one the program can make has an entry, and nothing that is a name or a number of a thing is altered."""

from __future__ import annotations

import re
import time

import pytest
from sentence_sources import all_sentences

from cycler.compare import compare
from cycler.criteria import load_criteria, shipped_sets
from cycler.criteria_quantities import QUANTITIES
from cycler.record.html import _with_languages
from cycler.record.language import LANGUAGES, speaking
from cycler.record.model import build_view
from cycler.record.sentences import END, START, braces, catalogue, noting_missed, told, without_marks
from cycler.record.values import clean, phrase, sentence
from cycler.settle import ADVICE, guard_sentences
from cycler.taken import REASONS
from cycler.verdict import CAUTION_PASS, NO_CRITERION, UNJUDGED_DEFECTS, decide
from tests.test_sample_truth import SAMPLES, TRUTH, result

GERMAN = catalogue("de")
# Equal in both languages: symbols and figures only.
ALIKE = {"{x} (k = 2)", "w = {x} U, U = {k} u"}
# What the source cannot give in one piece: the verb and the group of another variant, or a part that is known only when it runs.
UNFOLLOWED = {
    "the earlier test is of 7", "in the earlier test 7", "group 7 have no usable readings", "groups 7 and 7 has no usable readings",
    "The columns file states that discharge is 7; the voltage speaks against it: 7.", "7 s without samples; 7", "a joint of unknown length; 7",
    "7 rows hold no current: 7.",
}


def german(value, mark=True):
    with speaking("de"):
        return told(value, mark=mark)


def missed(texts):
    with speaking("de"), noting_missed() as found:
        for text in texts:
            told(text)
    return sorted(set(found))


# ---- the catalogue -----------------------------------------------------------------------------------------
def test_every_entry_keeps_its_braces():
    assert [english for english, other in GERMAN.items() if set(braces(english)) != set(braces(other))] == []


def test_no_entry_is_left_in_english():
    assert [english for english, other in GERMAN.items() if english == other and english not in ALIKE] == []


def test_every_language_but_english_has_a_catalogue():
    assert all(catalogue(code) for code in LANGUAGES if code != "en")
    assert catalogue("en") == {}


# ---- how it is applied -------------------------------------------------------------------------------------
@pytest.mark.parametrize(("english", "expected"), [
    ("mean of the rests -3.45 ± 0.59 mA (k = 2)", "Mittel der Ruhen -3,45 ± 0,59 mA (k = 2)"),
    ("Group 4 has 1.55 times the resistance of its siblings.", "Gruppe 4 hat das 1,55-Fache des Widerstands der anderen."),
    ("Log the balance taps next time. It ends every ride first; watch it at the next test.",
     "Zeichnen Sie beim nächsten Mal die Balancerabgriffe auf. Sie beendet jede Fahrt als erste; achten Sie bei der nächsten Prüfung auf sie."),
    ("Fail on 2 of 4 required criteria: state of health; weakest group, capacity over siblings.",
     "Nicht bestanden bei 2 von 4 verlangten Kriterien: Alterungszustand (SOH); schwächste Gruppe, Kapazität zu den anderen."),
    ("Group 4: 90.0 ± 2.4 % misses the limit of at least 95 % by more than the guard band of 2.4 %.",
     "Gruppe 4: 90,0 ± 2,4 % verfehlt den Grenzwert von mindestens 95 % um mehr als das Sicherheitsband von 2,4 %."),
    ("groups 2, 3 and 7 have no usable readings", "die Gruppen 2, 3 und 7 haben keine brauchbaren Werte"),
    ("the discharge ended before the cut-off and the current was not steady", "die Entladung endete vor dem Entladeschluss und der Strom war nicht stetig"),
])
def test_sentence_comes_in_german_with_decimal_commas(english, expected):
    assert german(english) == expected


@pytest.mark.parametrize("name", ['"U_Pack 1.0 [V]"', '"v2.3.log"', '"Spannung, V"', '"group 4"'])
def test_name_from_the_log_is_not_touched(name):
    assert german(f"Column {name} reads 48.5 V, which is no pack: check its unit.") == f"Spalte {name} zeigt 48,5 V, das ist kein Akkupack: Prüfen Sie ihre Einheit."


def test_sentence_without_an_entry_stays_english_marked_and_counted():
    with speaking("de"), noting_missed() as found:
        shown = told("Something new was seen at 3.5 V. Log the balance taps next time.")
    assert found == ["Something new was seen at 3.5 V."]
    assert shown == f"{START}Something new was seen at 3.5 V.{END} Zeichnen Sie beim nächsten Mal die Balancerabgriffe auf."
    assert _with_languages(f'<p title="{shown}">{shown}</p>').count('<span lang="en">Something new was seen at 3.5 V.</span>') == 1
    assert without_marks(shown).startswith("Something new")


def test_phrase_without_an_entry_inside_a_sentence_is_marked_there():
    shown = german("The log does not state the sign of the current; discharge is negative in it: the moon is full.")
    assert shown.endswith(f"Entladen ist in ihr negativ: {START}the moon is full{END}.")


def test_text_of_the_workshop_itself_is_not_marked():
    assert german("Werkstattregel 3.2 für Lastenräder", mark=False) == "Werkstattregel 3.2 für Lastenräder"


def test_danger_from_the_card_stays_in_the_words_of_the_workshop():
    assert german("Fail, whatever the other figures say: Zelle 3.2 gebläht.") == "Nicht bestanden, was auch die anderen Werte sagen: Zelle 3.2 gebläht."


@pytest.mark.parametrize("value", ["1, " * 290 + "odd words here", "7 and " * 140 + "odd words here", "mV, 3; " * 120, "(" * 400 + "Group 7 " * 50])
def test_text_made_to_take_long_is_done_at_once(value):
    begun = time.process_time()
    shown = german(value[:900])
    assert time.process_time() - begun < 1.0
    assert shown


def test_marks_cannot_come_from_outside():
    assert START not in clean(f"a{START}b{END}") and END not in clean(f"a{START}b{END}")


def test_english_is_left_as_it_is():
    assert told("mean of the rests -3.45 ± 0.59 mA (k = 2)") == "mean of the rests -3.45 ± 0.59 mA (k = 2)"
    assert sentence("log the balance taps next time") == "Log the balance taps next time."


def test_code_in_place_of_a_sentence_is_told_in_german():
    with speaking("de"):
        assert sentence("no_discharge") == "Die Aufzeichnung enthält keine Entladung, die sich zählen ließe."
        assert phrase("not_full") == "der Akkupack war nicht voll, als die Entladung begann"


# ---- everything the program says ---------------------------------------------------------------------------
def test_every_sentence_in_the_source_has_an_entry():
    made = {text for texts in all_sentences().values() for text in texts}
    assert len(made) > 200
    assert set(missed(made)) - UNFOLLOWED == set()


def test_every_label_reason_and_fixed_advice_has_an_entry():
    labels = [quantity.label for quantity in QUANTITIES.values()]
    with_group = [re.sub(r"(?i)(?:\b(?:the|a) )?(?:\b(?:worst|weakest) )?\bgroup\b", lambda found: "group 4" if found.start() else "Group 4", label, count=1)
                  for label in labels]
    yes_or_no = [quantity.yes_or_no for quantity in QUANTITIES.values() if getattr(quantity, "yes_or_no", "")]
    titles = [load_criteria(name).title for name in shipped_sets()]
    rules = [load_criteria(name).decision_rule for name in shipped_sets()]
    assert missed([*labels, *with_group, *yes_or_no, *titles, *rules, *REASONS.values(), *UNJUDGED_DEFECTS.values(), NO_CRITERION]) == []
    assert CAUTION_PASS not in GERMAN  # the record has cautions of its own


BARE = {"pack": {}, "capacity": {"reasons": []}, "before": {"pack": {}, "capacity": {}}}
RATED = {
    "pack": {"series": 10, "charge_voltage_v": 42.0, "cutoff_voltage_v": 30.0, "group_charge_voltage_v": 4.2, "group_cutoff_voltage_v": 2.8,
             "rated_capacity_ah": 10.4, "taper_current_a": 0.52, "max_discharge_current_a": 20.0},
    "capacity": {"reasons": list(REASONS), "state_of_health": 2.6, "mean_temperature_c": 12.0, "end_reason": "pack_cutoff", "u_charge_voltage_ah": 0.1, "budget": [
        {"source": source, "standard_uncertainty_ah": 0.1} for source in ("current gain", "current offset", "clock", "cut-off voltage", "full start", "gap")]},
    "reading": {"sampling_s": {"median": 5.0}, "clock": {"gaps": [{"start_s": 60.0, "duration_s": 120.0}]}},
    "groups": [{"group": n, "shortest_rest_h_for_limit": 30.0, "self_discharge_limit_ma": 1.0} for n in range(1, 11)], "limiting_group": 4,
    "resistance": {"headline": {"current_step_a": 5.2}, "budget": [
        {"source": source, "standard_uncertainty_ohm": 1e-3} for source in ("voltage gain", "voltage noise and resolution", "instant of the edge", "lead resistance")]},
    "instrument": {"declared": False, "current_gain": 2e-3, "voltage_gain": 5e-4, "group_voltage_gain": 5e-4, "group_voltage_offset_v": 1e-3,
                   "current_offset_a": 5e-3, "clock_gain": 1e-4, "voltage_offset_v": 0.01},
    "before": {"pack": {}, "capacity": {"rate_it": 0.5, "mean_temperature_c": 22.0}},
}


@pytest.mark.parametrize("analysis", [BARE, RATED], ids=["bare", "rated"])
def test_every_advice_has_an_entry(analysis):
    assert missed(text for lack, advise in ADVICE.items() if lack != "tap" for text in advise(analysis)) == []


@pytest.mark.parametrize("count", [1, 3])
def test_advice_on_taps_that_were_not_logged_has_an_entry(count):
    groups = [{"group": n, "min_voltage_v": None if n <= count else 2.9} for n in range(1, 11)]
    told_ones = ADVICE["tap"]({"pack": {"series": 10}, "groups": groups})
    assert missed(told_ones) == []
    assert "Gruppe" in german(told_ones[0])


@pytest.mark.parametrize("nearness", [1e-4, 0.02, 0.3, 0.8])
@pytest.mark.parametrize("analysis", [BARE, RATED], ids=["bare", "rated"])
def test_every_advice_on_a_value_in_its_guard_band_has_an_entry(analysis, nearness):
    told_ones = []
    for quantity in QUANTITIES.values():
        for group in (None, 4):
            told_ones += guard_sentences(analysis, quantity, 1.0 + nearness * 0.05, 0.05, 1.0, 2.0, group)
    assert missed(told_ones) == []


@pytest.mark.parametrize("name", TRUTH)
def test_no_sentence_of_a_sample_record_stays_english(name):
    from cycler.pack import load_pack
    from cycler.readers import read_logs

    truth = TRUTH[name]
    log, pack, analysis = read_logs([SAMPLES / file for file in truth["files"]]), load_pack(SAMPLES / truth["pack_file"]), result(name)
    for name_of_set in shipped_sets():
        judged = {**analysis, "verdict": decide(analysis, load_criteria(name_of_set))}
        with speaking("de"), noting_missed() as found:
            view = build_view(judged, pack, log, serial="PR-1.2", made_at="2026-11-28T17:45:00Z")
        assert found == []
        assert (view.language, view.serial, view.made_at) == ("de", "PR-1.2", "28.11.2026, 17:45 UTC")


def test_every_note_on_a_comparison_has_an_entry():
    first = {"pack": {"series": 10, "chemistry": "nmc", "rated_capacity_ah": 10.4}, "capacity": {"mean_temperature_c": 12.0, "rate_it": 0.2}}
    second = {"pack": {"series": 13, "chemistry": "lfp", "rated_capacity_ah": 12.5}, "capacity": {"mean_temperature_c": 24.0, "rate_it": 0.5}}
    bench = {"instrument": {"declared": True, "id": "bench 1"}}
    notes = compare([first, second], ["EB 0.1, before", "EB 0.1, after"])["notes"] + compare([first | bench, first | bench], ["one", "two"])["notes"]
    assert len(notes) >= 7
    assert missed(notes) == []
    assert all("EB 0.1, before" in note for note in map(german, notes[:6]))
