"""The bench as a person states it: in numbers, in data-sheet lines, in a file of its own; and what the analysis keeps of it."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from math import sqrt
from pathlib import Path

import pytest

from cycler.analysis import analyze
from cycler.cli import run
from cycler.compare import same_instrument
from cycler.errors import InputError
from cycler.instrument import (
    Instrument,
    instrument_from_stored,
    limits_key,
    load_instrument,
    with_instrument_file,
)
from cycler.pack import Pack, load_pack, pack_from_dict, pack_from_stored
from cycler.uncertainty import rectangular
from tests.corelogs import simple_test

SAMPLES = Path(__file__).parent.parent / "sample_logs"
BENCH = '''\
id = "bench 1"
voltage = "0.1 % of reading + 2 digits"
voltage_digit_v = 0.01
current = "U = 0.2 %, k = 2"
'''


def bench(text: str) -> Instrument:
    """The bench of a pack file that has ``text`` under [instrument]."""
    import tomllib

    return pack_from_dict(tomllib.loads(f"[instrument]\n{text}"), "pack.toml", f"[instrument]\n{text}").instrument


def limits(instrument: Instrument) -> dict[str, float]:
    return {key: value for key, value in instrument.to_dict().items() if key.endswith(("_gain", "_offset_v", "_offset_a", "_offset_c"))}


# ---- one line, one limit -----------------------------------------------------------------------------------------


def test_stated_lines_give_the_limits_that_their_numbers_give():
    # By hand: 2 digits of 10 mV = 20 mV; 0.02 % of 20 A = 4 mA; 2 s/day = 2/86400; 50 ppm = 5e-5.
    text = bench(
        'voltage = "±(0.1 % rdg + 2 digits)"\nvoltage_digit_v = 0.01\ngroup_voltage = "0.05 % + 1 digit of 1 mV"\n'
        'current = "0.05 % of reading + 0.02 % of range"\ncurrent_range_a = 20\ntemperature = "1 degC"\nclock = "2 s/day"\n'
    )
    numbers = bench(
        "voltage_gain = 0.001\nvoltage_offset_v = 0.02\ngroup_voltage_gain = 0.0005\ngroup_voltage_offset_v = 0.001\n"
        f"current_gain = 0.0005\ncurrent_offset_a = 0.004\ntemperature_offset_c = 1.0\nclock_gain = {2 / 86400}\n"
    )
    assert limits(text) == pytest.approx(limits(numbers), rel=1e-12)
    assert (text.voltage_digit_v, text.group_voltage_digit_v, text.current_digit_a) == (0.01, 0.001, None)
    assert text.declared and text.defaulted == () and numbers.stated == ()
    # What the result quotes says what the line counts with.
    assert dict(text.stated)["current"] == "0.05 % of reading + 0.02 % of range (range 20 A)"


def test_certificate_keeps_the_half_width_whose_rectangle_is_u_over_k():
    # U = 0.2 % + 3 mA with k = 2: u = 0.1 % and 1.5 mA (JCGM 100:2008, 6.2; clause from memory); u = 0.1 % as it is.
    stated = bench('current = "U = 0.2 % + 3 mA, k = 2"')
    assert rectangular(stated.current_gain) == pytest.approx(0.001, rel=1e-12)
    assert rectangular(stated.current_offset_a) == pytest.approx(0.0015, rel=1e-12)
    assert rectangular(bench('current = "u = 0.1 %"').current_gain) == pytest.approx(0.001, rel=1e-12)
    assert bench('current = "0.2 %"').current_gain == 0.002


def test_group_voltage_that_is_not_stated_counts_like_the_packs():
    found = bench('voltage = "0.1 % + 2 digits of 10 mV"')
    assert (found.group_voltage_gain, found.group_voltage_offset_v, found.group_voltage_digit_v) == (0.001, 0.02, 0.01)
    assert found.is_one_limit("group_voltage") and not found.is_one_limit("current")
    own = bench('voltage = "0.1 % + 2 digits of 10 mV"\ngroup_voltage_gain = 0.002')
    assert own.group_voltage_gain == 0.002 and not own.is_one_limit("group_voltage")


def test_line_without_an_offset_states_that_there_is_none_but_other_channels_are_the_defaults():
    found = bench('current = "0.5 %"')
    assert found.current_offset_a == 0.0 and found.voltage_offset_v == Instrument().voltage_offset_v
    assert "current_offset_a" not in found.defaulted and "voltage_offset_v" in found.defaulted
    assert found.clock_gain == 0.0001


def test_of_group_sum_takes_the_groups_limits_and_their_statement():
    # Ten channels: the gain is one, zero errors independent, sqrt(10) of one.
    found = bench('voltage_gain = 0.01\nvoltage_offset_v = 0.5\ngroup_voltage = "0.05 % + 2 mV"').of_group_sum(10)
    assert (found.voltage_gain, found.voltage_offset_v) == (0.0005, pytest.approx(0.002 * sqrt(10)))
    assert found.is_one_limit("voltage")


# ---- errors ------------------------------------------------------------------------------------------------------

# The whole message, after "pack.toml:".
REFUSED = [
    ('current = "0.5 % of reading + 2 digits"', '2:12: error: current counts with digits of unknown size | why: found "0.5 % of reading + 2 digits" | mend: '
     "add current_digit_a = 0.01, or whatever it is on your meter: the last place of its display"),
    ('current = "0.02 % of range"', '2:12: error: current counts with a range of unknown size | why: found "0.02 % of range" | mend: '
     "add current_range_a = 20.0, or whatever it is on your meter: the range it was set to"),
    ('voltage_digit_v = 0.01\nvoltage = "0.5 % + 2 digts"', '3:22: error: voltage: "digts" is not understood | why: it is no unit of this channel and no word of a '
     'data sheet that is known | mend: did you mean digits or dgt? write it like "0.5 % of reading + 2 digits" or "0.1 % of reading + 20 mV"'),
    ('current = "50 %"', '2:12: error: current is stated too coarse | why: "50 %" is 50 %; a meter that errs so far measures nothing | mend: '
     "check the percent sign and the decimals"),
    ("current_gain = 0.5", '2: error: current_gain is too large | why: found "0.5"; it is a fraction of reading | mend: 0.5 % is written 0.005'),
    ('current_gain = "0.5 %"', '2: error: current_gain is not a number | why: found "0.5 %" | mend: write current_gain = 0.005 for 0.5 %, or the line of the '
     'data sheet as it is: current = "0.5 % of reading"'),
    ("current = 0.5", '2: error: current is not a text | why: found "0.5" | mend: write current = "0.5 % of reading + 2 digits"'),
    ('current = "0.5 %"\ncurrent_gain = 0.005', '3: error: current is stated twice | why: as "0.5 %" and by current_gain | mend: leave out one of current and current_gain'),
    ('current = "0.5 %"\ncurrent_digit_a = 0.01', '3: error: current_digit_a has no use | why: current does not count with it | mend: '
     'write current = "0.5 % of reading + 2 digits", or leave current_digit_a out'),
    ("current_gain = 0.005\ncurrent_range_a = 20", '3: error: current_range_a has no use | why: current is not stated as a text | mend: '
     'write current = "0.5 % of reading + 0.02 % of range", or leave current_range_a out'),
    ('group_voltage = "20 V"', '2:18: error: group_voltage has an implausibly large zero error | why: "20 V" comes to 20 V beside the share of reading | mend: '
     "check the unit and the digit; more than 1 V is no measurement"),
    ("voltage_offset_v = 20", "2: error: voltage_offset_v is implausibly large | why: found \"20\" | mend: check the unit: the key's ending tells it"),
    ('temperature = "0 degC"', '2:16: error: temperature is stated to have no error | why: found "0 degC" | mend: write the limit of error from its data sheet'),
    ('currnt = "0.5 %"', '2: error: unknown key "currnt" | why: a mistyped key would be ignored silently | mend: did you mean current or current_gain?'),
    ('id = ""', '2: error: id is not a text | why: found "" | mend: write id = "EB-0412"'),
]


@pytest.mark.parametrize("text, message", REFUSED, ids=[text.replace("\n", "; ") for text, _ in REFUSED])
def test_instrument_that_cannot_be_used_is_told_in_one_message(text, message):
    with pytest.raises(InputError) as caught:
        bench(text)
    assert str(caught.value) == f"pack.toml:{message}"


@pytest.mark.parametrize("text, where", [
    ('id = "x"\n\n[instrument]\nid = ""\n', "p.toml:4"),
    ('instrument = { sense = "four-wire", current = "5 mV" }\n', "p.toml:1:50"),
    ('id = "x"\ninstrument.current = "5 mV"\n', "p.toml:2:25"),
    ('[instrument] # bench\n# current = "5 mV"\n  current =   "5 mV"\n', "p.toml:3:18"),
    ('[instrument]\ncurrent = "5\\u0020mV"\n', "p.toml:2"),  # an escape: the character cannot be told
])
def test_error_names_line_and_character_however_the_table_is_written(tmp_path, monkeypatch, text, where):
    monkeypatch.chdir(tmp_path)
    Path("p.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_pack("p.toml")
    assert str(caught.value.where) == where


@pytest.mark.parametrize("line", ["current = 0.5 %", "current = 0.5 % of reading + 2 digits  # from its data sheet", "clock = 50 ppm"])
def test_line_without_quotes_is_told_to_be_quoted(tmp_path, line):
    file = tmp_path / "p.toml"
    file.write_text(f"[instrument]\n{line}\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_pack(file)
    key, value = line.split("#")[0].strip().split(" = ")
    assert caught.value.mend == f'texts stand in quotes: {key} = "{value}"' and str(caught.value.where) == f"{file}:2"


# ---- a file of its own -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", [BENCH, f"[instrument]\n{BENCH}"], ids=["plain", "under a header"])
@pytest.mark.parametrize("pack", ['instrument = "benches/bench.toml"\n', '[instrument]\nfile = "benches/bench.toml"\n'], ids=["named", "in a table"])
def test_instrument_file_is_found_beside_the_pack_file_and_told_with_its_digest(tmp_path, text, pack):
    (tmp_path / "benches").mkdir()
    (tmp_path / "benches/bench.toml").write_text(text, encoding="utf-8")
    (tmp_path / "pack.toml").write_text(pack, encoding="utf-8")
    found = load_pack(tmp_path / "pack.toml").instrument
    assert replace(found, file=None, sha256=None) == bench(BENCH)
    assert (found.file, found.sha256) == ("bench.toml", hashlib.sha256(text.encode()).hexdigest())
    assert load_instrument(tmp_path / "benches/bench.toml") == found


def test_wiring_of_the_test_may_stand_beside_the_file_and_nothing_else(tmp_path):
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    pack = tmp_path / "pack.toml"
    pack.write_text('[instrument]\nfile = "bench.toml"\nsense = "two-wire"\nlead_resistance_ohm = 0.035\n', encoding="utf-8")
    found = load_pack(pack).instrument
    assert (found.sense, found.lead_resistance_ohm, found.id, found.voltage_gain) == ("two-wire", 0.035, "bench 1", 0.001)
    pack.write_text('[instrument]\nfile = "bench.toml"\ncurrent = "1 %"\n', encoding="utf-8")
    with pytest.raises(InputError, match="current stands beside the file") as caught:
        load_pack(pack)
    assert str(caught.value.where) == f"{pack}:3"


@pytest.mark.parametrize("name, text, words", [
    ("absent.toml", None, 'no such instrument file | why: "{folder}/absent.toml": the file does not exist | mend: check the name and folder; it is looked for'),
    (".", None, "the instrument file is a folder"),
    ("bench.toml", 'current = "1 % typ"\n', "bench.toml:1:16: error: current: \"typ\" is not understood"),
    ("bench.toml", "series = 10\n", "this is a pack file, not an instrument file"),
    ("bench.toml", "", "the instrument file is empty"),
    ("bench.toml", 'current = "1 %"\nfile = "other.toml"\n', 'unknown key "file"'),
])
def test_instrument_file_that_cannot_be_used_is_told(tmp_path, name, text, words):
    if text is not None:
        (tmp_path / name).write_text(text, encoding="utf-8")
    (tmp_path / "p.toml").write_text(f'id = "x"\ninstrument = "{name}"\n', encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_pack(tmp_path / "p.toml")
    assert words.format(folder=tmp_path) in str(caught.value)
    if text is None:
        assert str(caught.value.where) == f"{tmp_path / 'p.toml'}:2"


def test_pack_that_came_without_its_folder_opens_no_file(tmp_path):
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    with pytest.raises(InputError, match="was not given along"):
        pack_from_dict({"instrument": str(tmp_path / "bench.toml")})


def test_files_of_one_kind_given_for_another_are_told_apart(tmp_path):
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    with pytest.raises(InputError, match="this is an instrument file, not a pack file") as caught:
        load_pack(tmp_path / "bench.toml")
    assert caught.value.mend == "give it with --instrument, and the pack file with --pack"


def test_instrument_file_on_the_command_line_replaces_the_limits_and_keeps_the_leads(tmp_path):
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    declared = bench('current_gain = 0.01\nsense = "two-wire"\nlead_resistance_ohm = 0.02')
    found = with_instrument_file(declared, tmp_path / "bench.toml")
    assert (found.sense, found.lead_resistance_ohm, found.id) == ("two-wire", 0.02, "bench 1")
    assert rectangular(found.current_gain) == pytest.approx(0.001)
    (tmp_path / "bench.toml").write_text(BENCH + 'sense = "four-wire"\n', encoding="utf-8")
    assert with_instrument_file(declared, tmp_path / "bench.toml").sense == "four-wire"


def test_analyze_with_instrument_option_counts_with_that_file(tmp_path, capsys):
    file = tmp_path / "bench.toml"
    file.write_text(BENCH, encoding="utf-8")
    log, pack = str(SAMPLES / "scooter-7s3p-stopped-early.csv"), str(SAMPLES / "packs/scooter-0131.toml")
    assert run(["analyze", log, "--pack", pack, "--instrument", str(file), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["instrument"]["file"] == "bench.toml"
    assert found["instrument"]["sha256"] == hashlib.sha256(file.read_bytes()).hexdigest()
    assert found["instrument"]["stated"]["current"] == "U = 0.2 %, k = 2"
    gain = next(row for row in found["capacity"]["budget"] if row["source"] == "current gain")
    # U / k = 0.1 % of the charge.
    assert gain["standard_uncertainty_ah"] == pytest.approx(0.001 * found["capacity"]["value_ah"], rel=1e-9)
    assert run(["analyze", log, "--instrument", str(tmp_path / "absent.toml")]) == 2
    assert "no such instrument file" in capsys.readouterr().err


# ---- kept and compared -------------------------------------------------------------------------------------------


def test_instrument_comes_back_from_the_register_as_it_was(tmp_path):
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    pack = Pack(id="EB-1", instrument=load_instrument(tmp_path / "bench.toml"))
    assert pack_from_stored(json.loads(json.dumps(pack.to_dict()))) == pack


def test_instrument_of_an_earlier_version_comes_back():
    kept = {"current_gain": 0.002, "declared": True, "id": "b", "defaulted": ["voltage_gain"], "of_a_later_version": 1}
    assert instrument_from_stored(kept) == Instrument(current_gain=0.002, declared=True, id="b", defaulted=("voltage_gain",))


def test_limits_in_numbers_in_lines_or_in_a_file_are_one_bench(tmp_path):
    numbers = bench('id = "b"\nvoltage_gain = 0.001\nvoltage_offset_v = 0.02\ncurrent_gain = 0.003\ncurrent_offset_a = 0.005\ntemperature_offset_c = 2.0')
    text = 'id = "b"\nvoltage = "0.1 % + 2 digits of 10 mV"\ncurrent = "0.3 % + 5 mA"\n'
    (tmp_path / "b.toml").write_text(text, encoding="utf-8")
    of_file, other = load_instrument(tmp_path / "b.toml"), bench(text.replace("5 mA", "6 mA"))
    runs = [{"instrument": item.to_dict()} for item in (numbers, bench(text), of_file)]
    older = {key: value for key, value in numbers.to_dict().items() if key not in ("stated", "file", "sha256", "temperature_gain", "current_digit_a")}
    for second in (*runs, {"instrument": older}):
        assert same_instrument(runs[0], second) and same_instrument(second, runs[2])
    assert not same_instrument(runs[0], {"instrument": other.to_dict()})
    for change in ({"id": "c"}, {"id": None}, {"sense": "two-wire"}, {"lead_resistance_ohm": 0.01}, {"declared": False}, {"clock_gain": 0.001}):
        assert not same_instrument(runs[0], {"instrument": numbers.to_dict() | change}), change
    assert hash(limits_key(runs[0]["instrument"])) == hash(limits_key(runs[2]["instrument"]))


def test_example_instrument_file_is_the_bench_of_the_samples():
    # sample_logs/bench-2.toml states in lines what the pack file of the e-bike samples states in numbers.
    lines, numbers = load_instrument(SAMPLES / "bench-2.toml"), load_pack(SAMPLES / "packs/ebike-0412.toml").instrument
    assert limits_key(lines.to_dict()) == limits_key(numbers.to_dict())


# ---- the budgets -------------------------------------------------------------------------------------------------


def test_rounding_to_the_digits_of_the_ammeter_counts_once():
    log, _ = simple_test((10.0,) * 3, group_cutoff_v=2.8)
    log = replace(log, current_a=log.current_a.round(1))  # readings of 0.1 A
    base = Pack(chemistry="nmc", series=3, rated_capacity_ah=10.0)

    def terms(text: str) -> dict[str, float]:
        found = analyze(log, replace(base, instrument=bench(text))).to_dict()["capacity"]["budget"]
        return {row["source"]: row["standard_uncertainty_ah"] for row in found}

    apart = terms("current_gain = 0.005\ncurrent_offset_a = 0.2")
    digits = terms('current = "0.5 % + 2 digits"\ncurrent_digit_a = 0.1')
    finer = terms('current = "0.5 % + 20 digits"\ncurrent_digit_a = 0.01')
    assert digits["current offset"] == pytest.approx(apart["current offset"], rel=1e-9)
    # The meter rounds to 0.1 A as the log does: nothing is left. A meter of 10 mA read into a log of 0.1 A: sqrt(1 - 0.01) is left.
    rounding = apart["current noise and resolution"]
    assert rounding > 0 and digits["current noise and resolution"] < 0.05 * rounding
    assert finer["current noise and resolution"] == pytest.approx(rounding * sqrt(0.99), rel=1e-3)


def test_analysis_keeps_what_was_stated():
    log, _ = simple_test((10.0,) * 3, group_cutoff_v=2.8)
    found = analyze(log, Pack(chemistry="nmc", series=3, instrument=bench(BENCH))).to_dict()["instrument"]
    assert found["stated"] == {
        "voltage": "0.1 % of reading + 2 digits", "group_voltage": "0.1 % of reading + 2 digits", "current": "U = 0.2 %, k = 2",
    }
    assert (found["file"], found["sha256"], found["voltage_digit_v"], found["current_digit_a"]) == (None, None, 0.01, None)


def test_bench_of_the_readme_is_read_as_its_remarks_say():
    import re
    import tomllib

    readme = (SAMPLES.parent / "README.md").read_text(encoding="utf-8")
    (block,) = [text for text in re.findall(r"```toml\n(.*?)```", readme, re.DOTALL) if "voltage_digit_v" in text]
    found = pack_from_dict(tomllib.loads(block)).instrument
    # 2 digits of 10 mV; 0.02 % of 20 A; U / k = 1 mV; by hand.
    assert (found.voltage_offset_v, found.current_offset_a) == pytest.approx((0.02, 0.004))
    assert rectangular(found.group_voltage_offset_v) == pytest.approx(0.001)
    assert found.defaulted == ()


@pytest.mark.parametrize("table", ["instrument", "thermistor", "correction"])
@pytest.mark.parametrize("names", [1, [1], ["R25 is a lie"], "all", []])
def test_names_of_defaults_in_a_pack_file_are_not_believed(table, names):
    # They are how a kept pack remembers what nobody stated; a person's own list must neither break the reading nor hide a default.
    stated = {
        "instrument": {"current_gain": 0.002}, "thermistor": {"r25_ohm": 10000.0, "b_k": 3435.0}, "correction": {"peukert": 1.03},
    }[table]
    plain, odd = (pack_from_dict({table: stated | extra}) for extra in ({}, {"defaulted": names}))
    assert odd == plain
    assert getattr(plain, table).defaulted
