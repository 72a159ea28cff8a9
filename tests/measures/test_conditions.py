"""Capacity carried to the conditions of its rating: handbook examples, uncertainty, refusals; and the table [correction] of the pack file."""

import math
from dataclasses import replace

import pytest
import uncertainties
from uncertainties import umath

from cycler.analysis import analyze
from cycler.errors import InputError
from cycler.measures.conditions import to_rated_conditions
from cycler.pack import load_pack, pack_from_dict, pack_from_stored
from cycler.pack_correction import Correction
from tests.corelogs import PACK_10AH, simple_test


def test_peukert_gives_back_the_handbook_example():
    # Textbook example of t = H (C/(I H))**n: 10 Ah at the 5 h rate, n = 1.05, drawn at 5 A lasts 1.910438 h and gives 9.552191 Ah.
    # 5 A are 0.5 It of 10 Ah, the rating is 0.2 It: carried back, 9.552191 Ah are 10 Ah again.
    found = to_rated_conditions(Correction(0.2, 25.0, peukert=1.05, u_peukert=0.0), 0.5, 25.0, 0.0)
    assert 9.552191 * found.factor == pytest.approx(10.0, rel=1e-7)
    assert 5.0 * 1.910438 * found.rate_factor == pytest.approx(10.0, rel=1e-6)


def test_linear_temperature_law_gives_back_its_example():
    # Q20 = QT/(1 + k (T - 20)), k = 0.006: 2.40 Ah at 10 degC are 2.553191 Ah at 20 degC (computed).
    found = to_rated_conditions(Correction(0.2, 20.0, temperature_per_k=0.006, u_temperature_per_k=0.0), 0.2, 10.0, 0.0)
    assert 2.40 * found.factor == pytest.approx(2.553191, rel=1e-6)
    assert found.rate_factor == 1.0


def test_linear_rate_law():
    # 4 % lost per It: at 1.2 It, 1 It above the rating, 96 % are left; 9.6 Ah are 10 Ah.
    found = to_rated_conditions(Correction(0.2, 25.0, capacity_per_it=0.04, u_capacity_per_it=0.0), 1.0 + 0.2 - 1e-12, 25.0, 0.0)
    assert found.reasons == ("too_far_from_rated_rate",)
    found = to_rated_conditions(Correction(1.0, 25.0, capacity_per_it=0.04, u_capacity_per_it=0.0), 2.0, 25.0, 0.0)
    assert 9.6 * found.factor == pytest.approx(10.0, rel=1e-9)


@pytest.mark.parametrize("form", ["peukert", "capacity_per_it"])
def test_uncertainty_is_that_of_a_reference_library(form):
    # Second method: package uncertainties; u of a half-width a is a/sqrt(3).
    half = {"peukert": (1.03, 0.015), "capacity_per_it": (0.04, 0.02)}[form]
    stated = Correction(0.2, 25.0, **{form: half[0], f"u_{form}": half[1]}, temperature_per_k=0.006, u_temperature_per_k=0.003)
    found = to_rated_conditions(stated, 0.7, 14.0, 0.8)
    c = uncertainties.ufloat(half[0], half[1] / math.sqrt(3.0))
    k, t = uncertainties.ufloat(0.006, 0.003 / math.sqrt(3.0)), uncertainties.ufloat(14.0, 0.8)
    by_rate = umath.pow(3.5, c - 1.0) if form == "peukert" else 1.0 / (1.0 - c * 0.5)
    whole = by_rate / (1.0 + k * (t - 25.0))
    assert found.factor == pytest.approx(whole.n, rel=1e-9)
    assert found.factor * math.hypot(*(u for _, u in found.relative_terms)) == pytest.approx(whole.s, rel=1e-6)


@pytest.mark.parametrize(("rate_it", "at_c", "why"), [
    (None, 25.0, "rate_unknown"), (1.01, 25.0, "too_far_from_rated_rate"), (0.039, 25.0, "too_far_from_rated_rate"),
    (0.5, None, "no_temperature"), (0.5, 9.9, "too_far_from_rated_temperature"), (0.5, 40.1, "too_far_from_rated_temperature"),
])
def test_far_or_unknown_conditions_are_refused(rate_it, at_c, why):
    found = to_rated_conditions(Correction(peukert=1.03, u_peukert=0.01), rate_it, at_c, 0.5)
    assert found.reasons == (why,) and found.factor is None


STATED = Correction(0.2, 25.0, peukert=1.03, temperature_per_k=0.006, u_peukert=0.015, u_temperature_per_k=0.003)


def test_corrected_capacity_stands_beside_the_measured_one():
    log, _ = simple_test((10.0, 10.2, 9.9), temperature_c=20.0)
    raw = analyze(log, PACK_10AH).to_dict()
    assert raw["capacity"]["corrected"] is None
    found = analyze(log, replace(PACK_10AH, correction=STATED)).to_dict()
    capacity, corrected = found["capacity"], found["capacity"]["corrected"]
    assert capacity["value_ah"] == raw["capacity"]["value_ah"] and capacity["state_of_health"] == raw["capacity"]["state_of_health"]
    assert found["verdict"] == raw["verdict"]
    # Closed form: (0.5/0.2)**0.03 / (1 + 0.006 x (20 - 25)) = 1.0278690 / 0.97 = 1.0596588.
    assert corrected["factor"] == pytest.approx(1.0596588, rel=1e-4)
    assert corrected["value_ah"] == pytest.approx(capacity["value_ah"] * corrected["factor"], rel=1e-9)
    assert corrected["u_value_ah"] > 2.0 * capacity["u_value_ah"]
    assert corrected["u_value_ah"] == pytest.approx(math.hypot(*(line["standard_uncertainty_ah"] for line in corrected["budget"])), rel=1e-9)
    assert corrected["corrected_for"] == ["rate", "temperature"] and corrected["reasons"] == []
    assert (corrected["from_temperature_c"], corrected["to_temperature_c"], corrected["to_rate_it"]) == (20.0, 25.0, 0.2)


def test_capacity_that_does_not_count_is_not_corrected():
    log, _ = simple_test((10.0, 10.2, 9.9), cutoff_v=3.4)
    corrected = analyze(log, replace(PACK_10AH, correction=STATED)).to_dict()["capacity"]["corrected"]
    assert corrected["value_ah"] is None and corrected["u_value_ah"] is None and corrected["reasons"] == ["capacity_not_valid"]
    cold, _ = simple_test((10.0, 10.2, 9.9), temperature_c=2.0)
    corrected = analyze(cold, replace(PACK_10AH, correction=STATED)).to_dict()["capacity"]["corrected"]
    assert corrected["value_ah"] is None and corrected["reasons"] == ["too_far_from_rated_temperature"]


def test_pack_file_with_correction_is_read_and_kept(tmp_path):
    file = tmp_path / "pack.toml"
    file.write_text('id = "EB-1"\n\n[correction]\nrated_rate_it = 0.5\npeukert = 1.04\ntemperature_per_k = 0.006\nu_temperature_per_k = 0.002\n', "utf-8")
    stated = load_pack(file).correction
    assert stated == Correction(
        0.5, 25.0, peukert=1.04, temperature_per_k=0.006, u_peukert=pytest.approx(0.02), u_temperature_per_k=0.002,
        defaulted=("rated_temperature_c", "u_peukert"),
    )
    pack = load_pack(file)
    assert pack_from_stored(pack.to_dict()) == pack
    assert pack_from_dict(pack.to_dict()) == pack
    assert pack_from_dict({"id": "EB-1"}).correction is None


@pytest.mark.parametrize(("lines", "line", "words"), [
    ("peukert = 1.31", 3, "peukert is out of range"), ("peukert = 0.97", 3, "peukert is out of range"), ("temperature_per_k = 0.6", 3, "0 to 0.03"),
    ("peukert = 1.03\ncapacity_per_it = 0.04", 4, "both state how the rate counts"), ("peukrt = 1.03", 3, "did you mean peukert"),
    ('peukert = "1.03"', 3, "peukert is not a number"), ("rated_rate_it = 0.2", 2, "states no coefficient"),
    ("peukert = 1.03\nu_temperature_per_k = 0.001", 4, "u_temperature_per_k stands without temperature_per_k"), ("peukert = true", 3, "not a number"),
    ("peukert = 1.03\nu_peukert = -0.01", 4, "u_peukert is out of range"),
])
def test_correction_that_cannot_be_is_refused_with_its_line(tmp_path, lines, line, words):
    file = tmp_path / "pack.toml"
    file.write_text(f'id = "EB-1"\n[correction]\n{lines}\n', "utf-8")
    with pytest.raises(InputError) as caught:
        load_pack(file)
    message = str(caught.value)
    assert words in message and f"pack.toml:{line}" in message


def test_correction_that_is_no_table_is_refused(tmp_path):
    file = tmp_path / "pack.toml"
    file.write_text('id = "EB-1"\ncorrection = 1.03\n', "utf-8")
    with pytest.raises(InputError, match="correction is not a table"):
        load_pack(file)
