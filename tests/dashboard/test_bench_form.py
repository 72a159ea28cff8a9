"""The bench in the form of a new pack, and on a run's page."""

from __future__ import annotations

import pytest

from cycler.errors import InputError
from cycler.instrument import Instrument
from dashboard import text
from dashboard.data import pack_from_form, pack_from_text
from dashboard.pages import run_tables

FORM = {"voltage": "0.1 % of reading + 2 digits of 10 mV", "current": "U = 0.2 %, k = 2", "temperature": "1 °C", "clock": "", "id": "bench 1", "sense": None}


def test_form_takes_the_lines_of_a_data_sheet():
    bench = pack_from_form({"id": "CB-1"}, FORM).instrument
    assert (bench.id, bench.voltage_gain, bench.voltage_offset_v, bench.voltage_digit_v) == ("bench 1", 0.001, 0.02, 0.01)
    assert bench.current_gain == pytest.approx(3**0.5 * 0.001)


def test_examples_in_the_fields_are_what_the_form_takes():
    shown = {key: hint for key, _, kind, hint in text.INSTRUMENT_FIELDS if kind == "text"}
    bench = pack_from_form({"id": "CB-1"}, shown).instrument
    assert bench.defaulted == () and [channel for channel, _ in bench.stated] == ["voltage", "group_voltage", "current", "temperature", "clock"]
    assert pack_from_form({"id": "CB-1"}, {"lead_resistance_ohm": 0.02}).instrument.lead_resistance_ohm == 0.02


def test_form_says_what_is_wrong_with_a_line():
    with pytest.raises(InputError) as caught:
        pack_from_form({"id": "CB-1"}, FORM | {"current": "0.5 % + 2 digits"})
    assert str(caught.value.where) == "the form" and "current_digit_a" in caught.value.mend


def test_dropped_pack_file_that_names_an_instrument_file_is_told_to_hold_its_lines():
    with pytest.raises(InputError, match="was not given along") as caught:
        pack_from_text('id = "CB-1"\ninstrument = "bench.toml"\n', "pack.toml")
    assert str(caught.value.where) == "pack.toml:2"


def test_run_page_shows_the_lines_as_stated_and_no_empty_rows():
    bench = pack_from_form({"id": "CB-1"}, FORM).instrument
    shown = str(run_tables._pack_table({"instrument": bench.to_dict()}))
    assert "Current, as stated" in shown and "U = 0.2 %, k = 2" in shown and "'0.001732'" in shown
    assert "children='None'" not in str(run_tables._pack_table({"instrument": Instrument().to_dict()}))
