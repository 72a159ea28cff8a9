"""The bench sheet on disk and as a form: what is written is read again, and what is wrong is told with its place."""

from __future__ import annotations

import math
import tomllib
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cycler.errors import InputError
from cycler.pack import CHEMISTRIES, Pack
from cycler.repair.form import form_from_sheet, refusals, sheet_from_form, typed_number
from cycler.repair.sheet import (
    EACH_GROUP,
    LOOK_ITEMS,
    TAPS_FROM,
    BenchSheet,
    Meter,
    load_sheet,
    sheet_from_dict,
    sheet_from_text,
    sheet_to_toml,
)
from cycler.repair.sheetfile import template_toml

WHOLE = """\
[pack]
id = "CB-0107"
chemistry = "nmc"
series = 10
parallel = 4
charge_voltage_v = 42.0
charge_temperature_c = [0, 45]

[pack.thermistor]
r25_ohm = 10000
b_k = 3435

[told]
complaint = "two hundred metres,\\nthen dead"

[look]
swollen = "no"
wet = true

[meter]
name = "bench 2"
voltage = "±(0.5 % rdg + 2 digits)"
voltage_digit_v = 0.001
resistance = "±(0.8 % rdg + 2 digits)"
resistance_digit_ohm = 10

[readings]
taken_at = 2026-03-14T09:30:00
rested_h = 12
ambient_c = 21.5
board_current_ma = 0.045
taps_from = "pack negative"
taps_v = [0, 3.652, 7.305, 10.951,  # first row
  14.480, "-", 21.787,
  25.440, 29.095, 32.747, 36.399]

[[probe]]
ohm = 11800
[[probe]]
name = "board"
ohm = "open"
r25_ohm = 10000
b_k = 3435

[observed]
drives = "no"
group_direct_v_4 = 3.53

[unread]
"taps.5" = "18.1x"
"""


def test_whole_sheet_is_read():
    sheet = sheet_from_text(WHOLE)
    assert (sheet.pack.id, sheet.pack.series, sheet.pack.charge_temperature_c, sheet.pack.thermistor.b_k) == ("CB-0107", 10, (0.0, 45.0), 3435.0)
    assert dict(sheet.look) == {"swollen": "no", "wet": "yes"} and sheet.complaint == "two hundred metres,\nthen dead"
    # 0.8 % of reading and two digits of 10 ohm; 0.5 % and two of 1 mV.
    assert (sheet.meter.resistance_gain, sheet.meter.resistance_offset_ohm) == pytest.approx((0.008, 20.0))
    assert sheet.meter.voltage.limits("group_voltage") == pytest.approx((0.005, 0.002, 0.001))
    assert sheet.meter.is_one_limit("resistance") and sheet.meter.defaulted == ("current",)
    assert sheet.taps_from == "pack_negative" and sheet.taps_v[5] is None and sheet.taps_v[10] == 36.399
    assert sheet.board_current_a == 0.000045 and sheet.taken_at == "2026-03-14T09:30:00"
    assert sheet.probes[0].name == "1" and sheet.probes[1].ohm == math.inf and sheet.probes[1].curve.r25_ohm == 10000.0
    assert dict(sheet.observed) == {"drives": "no", "group_direct_v_4": 3.53} and sheet.unread == (("taps.5", "18.1x"),)
    assert replace(sheet_from_text(sheet_to_toml(sheet)), file=None) == replace(sheet, file=None)


@pytest.mark.parametrize("text", ["", "[pack]\n", '[told]\ncomplaint = "dead"\n', "[readings]\ntaps_v = [0, 3.6]\n", '[[probe]]\nplace = "cells"\n', "[meter]\n", '[readings]\ntaps_v = ["-", "-"]\n'])
def test_half_filled_sheet_is_a_sheet(text):
    sheet = sheet_from_text(text)
    assert replace(sheet_from_text(sheet_to_toml(sheet)), file=None) == replace(sheet, file=None)


@pytest.mark.parametrize(("old", "new", "place", "says"), [
    ("14.480", '"14.48O"', ":34:5:", "not a number"),
    ("25.440, 29.095", "25.440, nan", ":35:9:", "not a number"),
    ("21.787", "21787", ":34:7:", "implausible"),
    ("ohm = 11800", "ohm = -5", ":38:", "below zero"),
    ("series = 10", "series = 9", ":6:", "does not fit 9"),
    ("series = 10\n", "series = 0\n", ":4:", "above zero"),
    ('series = 10\nparallel = 4\ncharge_voltage_v = 42.0', "series = 9", ":33:11:", "more taps"),
    ("rested_h = 12", "rested_h = inf", ":29:", "not a number"),
    ("rested_h = 12", 'rested_h = "long"', ":29:", "not a number"),
    ("rested_h = 12", "rested_h = -1", ":29:", "below zero"),
    ("ambient_c = 21.5", "ambient_c = 215", ":30:", "implausible"),
    ("ambient_c = 21.5", "ambient_c = 21,5", ":30:", "21.5, not 21,5"),
    ('swollen = "no"', 'swolen = "no"', ":17:", "did you mean swollen"),
    ('swollen = "no"', 'swollen = "perhaps"', ":17:", "neither yes nor no"),
    ("[told]", "[tolld]", ":13:", "did you mean told"),
    ("voltage_digit_v = 0.001\n", "", ":22:12:", "digits of unknown size"),
    ("resistance_digit_ohm = 10\n", "", ":24:", "digits of unknown size"),
    ("0.5 % rdg", "0.5 % rgd", ":22:20:", "not understood"),
    ('name = "board"', 'name = "1"', ":40:", "two probes"),
    ('"pack negative"', '"plus"', ":32:", "taps_from"),
    ("b_k = 3435\n\n[observed]", "\n\n[observed]", ":39:", "b_k"),
    ("2026-03-14T09:30:00", '"this morning"', ":28:", "no date"),
    ("[pack]\n", "[pack]\ninstrument = 3\n", ":2:", "[meter]"),
    ('drives = "no"', 'Drives! = "no"', ":46:", ""),
    ("group_direct_v_4 = 3.53", "group_direct_v_4 = [3.53]", ":47:", "not a number"),
    ('"taps.5" = "18.1x"', '"taps.5" = 18.1', ":50:", "not a text"),
    ("[pack]\n", "series = 10\n[pack]\n", ":1:", "this is a pack file"),
    ("[[probe]]\nohm = 11800", "[probe]\nohm = 11800", "", "TOML"),
])
def test_what_is_wrong_is_told_with_its_place(old, new, place, says):
    assert old in WHOLE
    with pytest.raises(InputError) as caught:
        sheet_from_text(WHOLE.replace(old, new, 1), "s.toml")
    line = str(caught.value)
    assert line.startswith(f"s.toml{place}") and says in line and "mend" in line


def test_file_that_is_no_sheet_is_told(tmp_path):
    with pytest.raises(InputError, match="no such bench sheet"):
        load_sheet(tmp_path / "none.toml")
    (tmp_path / "log.csv").write_text("t,v\n0,1\n1,2\n", encoding="utf-8")
    with pytest.raises(InputError, match="not a bench sheet"):
        load_sheet(tmp_path / "log.csv")


# ---- the template ------------------------------------------------------------------------------------------------


def test_template_is_a_sheet_and_stays_one_with_every_line_filled_in():
    empty = sheet_from_text(template_toml())
    assert empty.meter.defaulted == ("voltage", "resistance", "current") and replace(empty, file=None, meter=Meter()) == BenchSheet()
    known = sheet_from_text(WHOLE).pack
    assert sheet_from_text(template_toml(known)).pack == known
    uncommented = []
    for line in template_toml(Pack(series=10)).splitlines():
        bare = line.removeprefix("# ")
        uncommented.append(bare if line.startswith("# ") and (" = " in bare or bare.startswith("[[")) and not bare.startswith('"') else line)
    text = "\n".join(uncommented).replace('"-", ', "").replace('[0.0, "-"]', "[0.0, 3.6, 7.2]")
    assert "taps_v = [0.0, 3.6, 7.2]" in text and len(tomllib.loads(text)["look"]) == len(LOOK_ITEMS) + 1
    filled = sheet_from_text(text)
    assert filled.taps_v == (0.0, 3.6, 7.2) and len(filled.observed) > 10 and filled.meter.defaulted == ()


# ---- as a form ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("key", "text", "number"), [
    ("taps.3", "10,951", 10.951), ("taps.3", "10951 mV", 10.951), ("taps.3", " -3.65 V", -3.65), ("taps.3", "\N{MINUS SIGN}3.65", -3.65), ("probe.0.ohm", "9.87k", 9870.0),
    ("probe.0.ohm", "9,87 kΩ", 9870.0), ("probe.0.ohm", "1.2 MΩ", 1.2e6), ("probe.0.ohm", "OL", math.inf), ("board_current_ma", "45 µA", 0.045), ("rested_h", "2 d", 48.0),
    ("rested_h", "90 min", 1.5), ("ambient_c", "68 °F", 20.0), ("pack.rated_capacity_ah", "10400 mAh", 10.4), ("taps.3", "-", None), ("taps.3", "", None), ("taps.3", "1e1", 10.0),
])
def test_number_as_typed_at_the_bench(key, text, number):
    assert typed_number(key, text) == (pytest.approx(number) if number is not None else None)


@pytest.mark.parametrize(("key", "text"), [("taps.3", "3.6x"), ("taps.3", "3.6 A"), ("taps.3", "open"), ("pack.series", "10 S"), ("taps.3", "1.234,5"), ("taps.3", "nan"), ("taps.3", "3 65")])
def test_what_is_no_number_is_told(key, text):
    with pytest.raises(InputError, match="not a number"):
        typed_number(key, text)


def test_form_loses_nothing_that_it_cannot_use():
    typed = {
        "pack.series": "ten", "pack.chemistry": "nmcc", "pack.charge_voltage_v": "42", "taps_from": "pack_negative", "taps.0": "0", "taps.1": "3,65", "taps.2": "730x",
        "meter.voltage": "0.5 % + 2 digits", "meter.resistance": "1 %", "probe.0.ohm": "-4", "probe.1.place": "cells", "probe.1.b_k": "3435", "look.hot": "maybe", "look.wet": "NO",
        "taken_at": "yesterday", "zzz": "1", "complaint": "dead", "observed.drives": "no", "observed.fuse_ohm": "0,2", "observed.Not a key": "x", "taps.300": "3",
    }
    sheet = sheet_from_form(typed)
    kept = dict(sheet.unread)
    assert set(kept) == {"pack.series", "pack.chemistry", "taps.2", "meter.voltage", "probe.0.ohm", "probe.1.b_k", "look.hot", "taken_at", "zzz", "observed.Not a key", "taps.300"}
    assert all(kept[key] == typed[key] for key in kept) and set(refusals(typed)) == set(kept)
    assert sheet.taps_v == (0.0, 3.65) and sheet.meter.resistance_gain == 0.01 and dict(sheet.observed) == {"drives": "no", "fuse_ohm": 0.2}
    # The same through the file: what cannot be used is there again when the sheet is opened.
    again = sheet_from_text(sheet_to_toml(sheet))
    assert replace(again, file=None) == sheet and form_from_sheet(again)["pack.series"] == "ten"


def test_ratings_that_contradict_each_other_are_set_aside_one_at_a_time():
    sheet = sheet_from_form({"pack.series": "31", "pack.chemistry": "nmc", "pack.charge_voltage_v": "54.6", "pack.id": "EB-0412"})
    assert (sheet.pack.series, sheet.pack.charge_voltage_v, sheet.pack.id) == (31, None, "EB-0412") and sheet.unread == (("pack.charge_voltage_v", "54.6"),)
    # More taps than the stated groups have: kept beside the sheet, and back once the number is right.
    typed = {"pack.series": "2", "taps_from": "pack_negative"} | {f"taps.{place}": str(3.6 * place) for place in range(4)}
    assert sheet_from_form({"taps_from": "pack_negative", "pack.series": "120", "taps.115": "3,65"}).taps_v[115] == 3.65
    few = sheet_from_form(typed)
    assert len(few.taps_v) == 3 and few.unread[0][0] == "taps.3"
    assert len(sheet_from_form(form_from_sheet(few) | {"pack.series": "3"}).taps_v) == 4


def test_thermistors_are_counted_without_gaps():
    sheet = sheet_from_form({"probe.0.name": "", "probe.1.ohm": "-", "probe.2.ohm": "10k", "probe.4.ohm": "9x"})
    assert [probe.name for probe in sheet.probes] == ["1", "2"] and sheet.probes[0].ohm == 10000.0 and sheet.unread == (("probe.1.ohm", "9x"),)


# ---- there and back ----------------------------------------------------------------------------------------------

WORDS = st.text(st.sampled_from("aZ0,.;=#\"'\\[]{}%Ω±é漢\N{NO-BREAK SPACE} "), max_size=8).map(str.strip).filter(str.isprintable)
VOLTS = st.floats(-60.0, 60.0).map(lambda value: round(value, 3))


def maybe(strategy):
    return st.none() | strategy


@st.composite
def toml_data(draw):
    """A sheet as parsed TOML that breaks no rule."""
    series = draw(maybe(st.integers(1, 20)))
    taps_from = draw(maybe(st.sampled_from(TAPS_FROM)))
    most = 24 if series is None else series + (taps_from != EACH_GROUP)
    pack = {"series": series, "chemistry": draw(maybe(st.sampled_from(CHEMISTRIES))), "parallel": draw(maybe(st.integers(1, 40))), "rated_capacity_ah": draw(maybe(st.floats(0.1, 500.0)))}
    pack["charge_temperature_c"] = draw(maybe(st.just([0.0, 45.0])))
    readings = {key: draw(maybe(VOLTS)) for key in ("cells_v", "terminal_v", "charge_contact_v", "charger_v")}
    readings |= {"rested_h": draw(maybe(st.floats(0.0, 999.0))), "ambient_c": draw(maybe(st.floats(-40.0, 80.0))), "board_current_ma": draw(maybe(st.integers(0, 10**6).map(lambda n: n / 1e4)))}
    readings |= {"taps_from": taps_from, "taps_v": draw(st.lists(st.just("-") | VOLTS, max_size=most)), "taken_by": draw(maybe(WORDS))}
    probes = [
        {"name": str(place), "ohm": draw(maybe(st.just("open") | st.floats(0.0, 1e6))), "place": draw(WORDS), "temperature_c": draw(maybe(st.floats(-40.0, 125.0)))} | draw(st.sampled_from([{}, {"r25_ohm": 10000.0, "b_k": 3435.0}]))
        for place in range(draw(st.integers(0, 3)))
    ]
    meter = draw(st.sampled_from([{}, {"voltage": "±(0.5 % rdg + 2 digits)", "voltage_digit_v": 0.001, "name": "b"}, {"resistance_gain": 0.01, "resistance_offset_ohm": 2.0}, {"current": "2 % + 1 mA"}]))
    data = {
        "pack": pack, "told": {"complaint": draw(WORDS), "lamps": draw(WORDS)}, "look": {item: draw(st.sampled_from(["yes", "no"])) for item in draw(st.sets(st.sampled_from(LOOK_ITEMS)))},
        "meter": meter, "readings": readings, "probe": probes, "observed": draw(st.dictionaries(st.from_regex(r"[a-z]{2,9}(_[0-9])?", fullmatch=True), st.sampled_from(["yes", "no", 3.5, 0.02]), max_size=4)),
        "unread": draw(st.dictionaries(st.sampled_from(["taps.77", "ambient", "pack.colour"]), WORDS.map("?{}".format), max_size=2)),
    }
    return {table: {key: value for key, value in part.items() if value is not None} if isinstance(part, dict) else [{k: v for k, v in row.items() if v is not None} for row in part] for table, part in data.items()}


@settings(max_examples=60, deadline=None)
@given(toml_data())
def test_sheet_is_the_same_through_file_and_form(data):
    sheet = replace(sheet_from_dict(data), file=None)
    assert replace(sheet_from_text(sheet_to_toml(sheet)), file=None) == sheet
    form = form_from_sheet(sheet)
    assert all(isinstance(text, str) and text for text in form.values())
    assert sheet_from_form(form) == sheet
    assert form_from_sheet(sheet_from_form(form)) == form


@settings(max_examples=60, deadline=None)
@given(st.dictionaries(
    st.sampled_from(["pack.series", "pack.chemistry", "pack.charge_voltage_v", "taps.0", "taps.1", "taps.2", "taps_from", "probe.0.ohm", "probe.0.b_k", "probe.2.ohm", "meter.voltage", "meter.voltage_digit_v",
                     "ambient_c", "look.hot", "observed.drives", "taken_at", "rested_h", "complaint", "pack.charge_temperature_c.low"]),
    st.sampled_from(["0", "3,65", "10", "pack_negative", "nmc", "open", "x", "-", "-4", "1e9", "0.5 % + 2 digits", "yes", "no", "2026-03-14", "42.0 V", "\N{INFINITY}"]) | WORDS, max_size=9,
))
def test_form_of_any_content_is_kept_and_settles(typed):
    sheet = sheet_from_form(typed)
    form = form_from_sheet(sheet)
    assert sheet_from_form(form) == sheet
    again = sheet_from_text(sheet_to_toml(sheet))
    assert replace(again, file=None) == sheet
    # Every entry is in the sheet, or kept as it was typed; those that say "not taken" need not be.
    assert len(form) >= len({key for key, text in typed.items() if str(text).strip() not in ("", "-", "\N{EN DASH}", "\N{EM DASH}")})
