"""Words of the record: every code of the analysis contract has a sentence, every plain value its unit."""

import ast
from pathlib import Path

import pytest

from cycler.record import text
from cycler.record.values import banded, clean, duration, moment, plain

# The codes, kinds, roles and end reasons that the analysis names, copied from its contract ("more may be added").
CODES = ["unit_inferred", "sign_inferred", "rows_dropped", "truncated_row", "repeated_header", "clock_wrapped", "clock_jump", "duplicate_time", "log_gap", "counter_mismatch", "step_clock_joined", "charge_incomplete", "discharge_incomplete", "protection_trip", "start_unknown", "rest_too_short", "sampling_too_coarse", "current_unsteady", "temperature_out_of_range", "lead_drop", "voltage_sum_mismatch", "no_group_voltages", "current_offset", "weak_group", "group_out_of_balance", "high_joint_resistance", "high_resistance", "self_discharge", "group_undervoltage", "group_overvoltage", "temperature_high", "low_capacity", "low_efficiency"]
KINDS = ["rest", "charge_cc", "charge_cv", "charge", "discharge_cc", "discharge_cv", "discharge_cp", "discharge_cr", "discharge", "pulse_charge", "pulse_discharge"]
ENDS = ["charge_taper", "charge_voltage", "pack_cutoff", "group_cutoff", "protection_trip", "set_by_program", "log_end", "gap"]
ROLES = ["time", "clock", "date", "voltage", "current", "charge_current", "discharge_current", "power", "capacity", "charge_capacity", "discharge_capacity", "energy", "temperature", "group_voltage", "tap_voltage", "step", "cycle", "mode", "resistance", "ignored"]


@pytest.mark.parametrize("code", CODES)
def test_code_sentence_every_contract_code_is_a_written_sentence(code):
    assert code in text.CODES
    sentence = text.code_sentence(code)
    assert sentence[0].isupper() and sentence.endswith(".") and "_" not in sentence
    assert len(sentence.split()) >= 5
    assert "_" not in text.code_label(code)


def test_code_sentence_every_warning_of_the_reader_is_written():
    readers = Path(text.__file__).parent.parent / "readers"
    codes = {
        node.args[0].value for file in readers.glob("*.py") for node in ast.walk(ast.parse(file.read_text("utf-8")))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "ReadingWarning"
        and node.args and isinstance(node.args[0], ast.Constant)
    }
    assert len(codes) > 20 and codes <= set(text.CODES)


@pytest.mark.parametrize(("table", "codes"), [(text.STEP_WORDS, KINDS), (text.END_WORDS, ENDS), (text.ROLE_WORDS, ROLES)])
def test_word_tables_cover_the_contract(table, codes):
    assert set(codes) <= set(table)
    assert not any("_" in table[code] for code in codes)


def test_code_sentence_unknown_code_is_shown_as_words():
    assert text.code_sentence("odd_new_code") == "Odd new code."
    assert text.code_phrase("odd_new_code") == "odd new code"


def test_result_words_differ_in_word_mark_and_shape_name():
    for table in (text.RESULT_WORD, text.MARK, text.SHAPE_MEANS):
        assert len(set(table.values())) == 4


# Own arithmetic: 17 520 s = 4 h 52 min; 185 s = 3 min 5 s; 3599.6 s rounds to a full hour; 900 000 s = 10 d 10 h.
@pytest.mark.parametrize(("seconds", "shown"), [
    (0.1, "0.1 s"), (32, "32 s"), (185, "3 min 5 s"), (120, "2 min"), (3599.6, "1 h 0 min"), (17520, "4 h 52 min"), (900000, "10 d 10 h"),
    (None, "duration not known"), (float("nan"), "duration not known"),
])
def test_duration_in_words(seconds, shown):
    assert duration(seconds) == shown


@pytest.mark.parametrize(("value", "shown"), [
    ("2026-11-25T10:14:00Z", "25 November 2026, 10:14 UTC"), ("2026-11-25T12:14:00+02:00", "25 November 2026, 10:14 UTC"),
    ("2026-03-02T08:00:00", "2 March 2026, 08:00"), ("last spring", "last spring"), ("", None), (None, None),
])
def test_moment_in_words(value, shown):
    assert moment(value) == shown


def test_plain_and_banded_carry_the_display_unit():
    assert plain(0.8, "share") == "80 %"
    assert plain(0.25, "ohm") == "250 mΩ"
    assert plain(None, "V") == "not known"
    # Guard band 2.4 mOhm is shown with two digits, so the acceptance limit has the same decimal place.
    assert banded(0.2476, "ohm", 0.0024) == "247.6 mΩ"
    assert banded(0.8026, "share", 0.0026) == "80.26 %"


def test_clean_takes_control_and_direction_characters_out_and_cuts():
    assert clean("a\x00b\u202ec\nd") == "a\N{REPLACEMENT CHARACTER}b\N{REPLACEMENT CHARACTER}c d"
    assert clean("\ud800") == "\N{REPLACEMENT CHARACTER}"
    assert len(clean("W" * 400)) == 300
