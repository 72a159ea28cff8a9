"""The equipment file: read with line numbers, from a form with decimal commas, and back."""

from __future__ import annotations

import pytest

from cycler.errors import InputError
from cycler.plan import equipment_from_text, load_equipment
from cycler.plan.form import equipment_from_form, equipment_to_toml, form_from_equipment

from .simulated import BENCH, SAMPLES

GOOD = (SAMPLES / "equipment.toml").read_text("utf-8")


def test_sample_is_read_and_says_that_it_is_invented():
    assert "nvented" in GOOD and BENCH.load.max_power_w == 300.0 and BENCH.instrument.declared
    assert BENCH.logger.taps == 14 and dict(BENCH.extras)["fused tap leads"]


def test_equipment_survives_file_and_form():
    assert equipment_from_text(equipment_to_toml(BENCH), "own.toml") == BENCH
    assert equipment_from_form(form_from_equipment(BENCH), BENCH) == BENCH
    comma = form_from_equipment(BENCH) | {"load.max_power_w": "120,5", "logger.taps": "all", "charger.at_hand": False}
    made = equipment_from_form(comma)
    assert made.load.max_power_w == 120.5 and made.logger.taps == -1 and made.charger is None
    assert equipment_from_text(equipment_to_toml(made), "own.toml") == made


BAD = {
    "text in a number": ("max_power_w = 300.0", 'max_power_w = "300 W"', "max_power_w is not a number"),
    "negative": ("max_current_a = 20.0", "max_current_a = -20.0", "max_current_a must be above zero"),
    "zero": ("max_voltage_v = 60.0", "max_voltage_v = 0", "max_voltage_v must be above zero"),
    "slip of unit": ("fastest_interval_s = 1.0", "fastest_interval_s = 1000000", "fastest_interval_s is implausibly large"),
    "far too small": ("max_current_a = 20.0", "max_current_a = 1e-320", "max_current_a is implausibly small"),
    "mistyped key": ("max_power_w", "max_pwoer_w", "unknown key 'max_pwoer_w'"),
    "word for a yes": ("can_taper = true", 'can_taper = "yes"', "can_taper is neither true nor false"),
    "unknown mode": ('"cc", "cp"', '"cc", "cv"', "unknown entry 'cv' of modes"),
    "half a tap": ("taps = 14", "taps = 9.5", "taps is no number of groups"),
    "left out": ("max_power_w = 300.0", "# max_power_w", "load has no max_power_w"),
    "unknown table": ("[load]", "[loads]", "unknown key 'loads'"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_equipment_is_one_message_with_its_line(name, tmp_path):
    old, new, what = BAD[name]
    assert GOOD.count(old) >= 1
    text = GOOD.replace(old, new, 1)
    file = tmp_path / "bench.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as told:
        load_equipment(file)
    said = str(told.value)
    assert what.replace("'", "") in said.replace('"', "").replace("'", "")
    # max_current_a stands in two tables: the line is that of the wrong one. A key left out is told at its table.
    wrong = "[load]" if name == "left out" else new
    line = 1 + next(number for number, words in enumerate(text.splitlines()) if wrong in words)
    assert said.startswith(f"{file}:{line}:")


@pytest.mark.parametrize("text", ["", 'name = "bench"\n', "[charger\n"])
def test_file_that_names_nothing_is_refused(text, tmp_path):
    file = tmp_path / "bench.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError):
        load_equipment(file)
    with pytest.raises(InputError, match="no such equipment file"):
        load_equipment(tmp_path / "none.toml")


def test_form_with_a_word_for_a_number_names_part_and_key():
    with pytest.raises(InputError) as told:
        equipment_from_form(form_from_equipment(BENCH) | {"charger.max_current_a": "five"})
    assert "max_current_a is not a number" in str(told.value) and "charger" in str(told.value)
