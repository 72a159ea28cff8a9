"""What a pack file says of temperatures: [thermistor] and the windows of charge and discharge."""

from __future__ import annotations

import json

import pytest

from cycler.errors import InputError
from cycler.pack import Pack, load_pack, pack_from_dict, pack_from_stored
from cycler.pack_temperature import ThermistorCurve, log_ratio_at

B = "r25_ohm = 10000\nb_k = 3435\n"
STEINHART_HART = "a = 0.001129148\nb = 0.000234125\nc = 8.76741e-8\n"
EXTENDED = "r25_ohm = 10000\na1 = 3.354016e-3\nb1 = 2.569850e-4\nc1 = 2.620131e-6\nd1 = 6.383091e-8\n"


def read(tmp_path, text: str) -> Pack:
    path = tmp_path / "pack.toml"
    path.write_text("series = 10\n[thermistor]\n" + text, encoding="utf-8")
    return load_pack(path)


@pytest.mark.parametrize(("text", "form"), [(B, "b"), (STEINHART_HART, "steinhart_hart"), (EXTENDED, "extended")])
def test_thermistor_of_each_form_is_read_with_tolerances_assumed(tmp_path, text, form):
    curve = read(tmp_path, text).thermistor
    assert curve.form == form
    assert (curve.r25_tolerance, curve.b_tolerance, curve.defaulted) == (0.01, 0.01, ("r25_tolerance", "b_tolerance"))
    assert curve.words().count("(assumed)") == 2


def test_thermistor_stated_tolerances_are_not_called_assumed(tmp_path):
    curve = read(tmp_path, B + "r25_tolerance = 0.05\nb_tolerance = 0.015\n").thermistor
    assert (curve.r25_tolerance, curve.b_tolerance, curve.defaulted) == (0.05, 0.015, ())
    assert "R25 ±5 %, B ±1.5 %" in curve.words()


@pytest.mark.parametrize(
    ("text", "line", "what", "mend"),
    [
        ("r25_ohm = 10000\nbk = 3435\n", 4, 'unknown key "bk"', "b_k"),
        ("r25_ohm = 10\nb_k = 3435\n", 3, "r25_ohm is implausible", "10 kOhm is written 10000"),
        ("r25_ohm = 10000\nb_k = 34\n", 4, "b_k is implausible", "kelvin"),
        ('r25_ohm = "10k"\nb_k = 3435\n', 3, "r25_ohm is not a number", "without a unit"),
        (B + "b_tolerance = 1\n", 5, "b_tolerance is not a fraction", "0.01"),
        (B + "r25_tolerance = -0.01\n", 5, "r25_tolerance is not a fraction", "0.01"),
        ("b_k = 3435\n", 2, "the thermistor's curve is not complete", "add r25_ohm"),
        ("a = 0.001\nc = 1e-7\n", 2, "the thermistor's curve is not complete", "add b"),
        ("r25_tolerance = 0.01\n", 2, "the thermistor's curve is not stated", "r25_ohm and b_k"),
        ("a = 0.001\nb_k = 3435\n", 2, "the thermistor's curve is not stated", "r25_ohm and b_k"),
        (B + STEINHART_HART, 2, "the thermistor's curve is stated in two ways", "leave out a, b, c"),
        # Slips seen in public code: a power of ten, the sign, and coefficients of log10.
        (STEINHART_HART.replace("0.000234125", "0.00234125"), 2, "a, b, c are not those of an NTC sensor", "powers of ten"),
        (STEINHART_HART.replace("0.000234125", "-0.000234125"), 2, "a, b, c are not those of an NTC sensor", "powers of ten"),
        (EXTENDED.replace("3.354016e-3", "3.354016e-2"), 2, "a1 does not fit r25_ohm", "3.354e-3"),
        (EXTENDED.replace("2.569850e-4", "-2.569850e-4"), 2, "a1, b1, c1, d1 are not those of an NTC sensor", "powers of ten"),
    ],
)
def test_thermistor_that_cannot_be_gives_one_message(tmp_path, text, line, what, mend):
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    assert what in caught.value.what and mend in caught.value.mend
    assert caught.value.where.line == line


def test_thermistor_that_is_no_table_is_refused():
    with pytest.raises(InputError, match="thermistor is not a table"):
        pack_from_dict({"thermistor": 3435})


@pytest.mark.parametrize("text", [B, STEINHART_HART + "b_tolerance = 0.03\n", EXTENDED])
def test_pack_with_thermistor_comes_back_from_its_dict_and_from_a_register(tmp_path, text):
    pack = read(tmp_path, text)
    kept = json.loads(json.dumps(pack.to_dict()))
    assert pack_from_stored(kept) == pack
    assert pack_from_dict(pack.to_dict()).thermistor == pack.thermistor


def test_pack_of_an_older_register_has_no_thermistor():
    kept = Pack(series=10).to_dict()
    for key in ("thermistor", "charge_temperature_c", "discharge_temperature_c"):
        kept.pop(key)
    assert pack_from_stored(kept) == Pack(series=10)


def test_windows_of_temperature_are_read_and_come_back():
    pack = pack_from_dict({"charge_temperature_c": [-10, 55], "discharge_temperature_c": [-30.0, 60]})
    assert (pack.charge_temperature_c, pack.discharge_temperature_c) == ((-10.0, 55.0), (-30.0, 60.0))
    assert pack_from_stored(json.loads(json.dumps(pack.to_dict()))) == pack


@pytest.mark.parametrize("value", [45, [45, 0], [0, 45, 60], ["0", 45], [0, 320], [True, 45], "0..45"])
def test_window_that_is_none_is_refused(value):
    with pytest.raises(InputError, match="charge_temperature_c is not a window of temperature"):
        pack_from_dict({"charge_temperature_c": value})


def test_log_ratio_of_a_curve_that_turns_is_none_beyond_its_turn():
    # 1/T = 1/298.15 + L/3500 - 5e-5 L^2 rises with L up to 2.857 (closed form of the slope), where T is 266.5 K.
    curve = ThermistorCurve(r25_ohm=10_000.0, a1=1 / 298.15, b1=1 / 3500.0, c1=-5e-5, d1=0.0)
    assert log_ratio_at(curve, 280.0) == pytest.approx(0.899, abs=0.01)
    assert log_ratio_at(curve, 250.0) is None
