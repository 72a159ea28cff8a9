"""TOML files that no person writes on purpose: numbers without end, brackets without end, names that cannot be."""

from __future__ import annotations

import hashlib
import time

import pytest

from cycler import tomlsource
from cycler.criteria import criteria_from_dict, load_criteria
from cycler.errors import InputError
from cycler.pack import load_pack
from cycler.readers.columnsfile import load_columns

LOADERS = {"pack": load_pack, "criteria": load_criteria, "columns": load_columns}


@pytest.mark.parametrize("load", LOADERS.values(), ids=LOADERS)
@pytest.mark.parametrize("number", ["1" + "0" * 400, "9" * 5000, "-" + "9" * 5000, "0x" + "f" * 5000, "9_" * 3000 + "9", str(2**63)])
def test_load_whole_number_beyond_64_bits_is_told_with_its_line(tmp_path, load, number):
    file = tmp_path / "x.toml"
    file.write_text(f'# {"9" * 30}\nid = "{"9" * 30}"\nseries = {number}\n')
    with pytest.raises(InputError, match="too large") as caught:
        load(file)
    assert str(caught.value.where) == f"{file}:3" and len(str(caught.value)) < 400


@pytest.mark.parametrize(("key", "offered"), [
    ("discharge_cutoff_v", "cutoff_voltage_v or group_cutoff_voltage_v"), ("charge_current_a", "max_charge_current_a or "), ("rated_ah", "rated_capacity_ah"),
    ("cuttoff_voltage_v", "cutoff_voltage_v or "), ("goup_charge_voltage_v", "group_charge_voltage_v or "), ("groups_cutoff_voltage_v", "group_cutoff_voltage_v or "),
    ("carge_voltage_v", "charge_voltage_v or "), ("serie", "series?"),
])
def test_key_that_is_not_known_is_met_with_those_that_mean_the_same(tmp_path, key, offered):
    file = tmp_path / "pack.toml"
    file.write_text(f'id = "T-1"\nseries = 8\n{key} = 20.0\n')
    with pytest.raises(InputError) as caught:
        load_pack(file)
    assert caught.value.mend.startswith(f"did you mean {offered}")


def test_all_keys_of_a_pack_file_that_are_not_known_are_told_at_once(tmp_path):
    file = tmp_path / "pack.toml"
    file.write_text('id = "T-1"\nchemestry = "nmc"\nserie = 8\nrated_capacity = 10\nzzz = 1\n')
    with pytest.raises(InputError, match="4 unknown keys") as caught:
        load_pack(file)
    assert caught.value.where.line == 2
    for told in ('"chemestry" (line 2): chemistry', '"serie" (line 3): series', '"rated_capacity" (line 4): rated_capacity_ah', '"zzz" (line 5): nothing like it'):
        assert told in caught.value.mend
    file.write_text("series = 8\n" + "".join(f"zzz{number} = 1\n" for number in range(50_000)))
    began = time.process_time()
    with pytest.raises(InputError, match="50000 unknown keys") as caught:
        load_pack(file)
    assert time.process_time() - began < 10.0  # a search through the file for each of them takes minutes
    assert len(str(caught.value)) < 1000 and "and so on" in caught.value.mend


def test_mistyped_heading_of_a_pack_file_is_met_with_the_right_one(tmp_path):
    file = tmp_path / "pack.toml"
    file.write_text('id = "T-1"\nseries = 8\n[instruments]\nid = "B-1"\ncurrent_gain = 0.001\n')
    with pytest.raises(InputError, match="unknown table") as caught:
        load_pack(file)
    assert caught.value.where.line == 3 and caught.value.mend == "did you mean [instrument]?"


def test_parse_toml_largest_number_of_64_bits_is_taken():
    # Source: TOML v1.0.0, Integer: 64-bit signed integers are to be accepted (from memory).
    for number in (2**63 - 1, -(2**63)):
        assert tomlsource.parse_toml(f"x = {number}".encode(), "x.toml", "pack file")[0] == {"x": number}


@pytest.mark.parametrize("load", LOADERS.values(), ids=LOADERS)
@pytest.mark.parametrize("opening, closing", [("[", "]"), ("{a=", "}")])
def test_load_brackets_nested_without_end_are_told(tmp_path, load, opening, closing):
    file = tmp_path / "x.toml"
    file.write_text(f"id = {opening * 3000}1{closing * 3000}\n")
    with pytest.raises(InputError, match="nested too deeply"):
        load(file)


@pytest.mark.parametrize("load", LOADERS.values(), ids=LOADERS)
@pytest.mark.parametrize("name", ["a\0b", "a\0b.toml"])
def test_load_name_with_a_zero_byte_is_told_without_printing_it(load, name):
    with pytest.raises(InputError) as caught:
        load(name)
    assert "\0" not in str(caught.value)


@pytest.mark.parametrize("load", LOADERS.values(), ids=LOADERS)
@pytest.mark.parametrize("name", ["x" * 300, "x" * 300 + ".toml"])
def test_load_name_longer_than_a_file_may_have_is_told(load, name):
    with pytest.raises(InputError):
        load(name)


SET = """\
{head}
[[criterion]]
id = "soh"
quantity = "state_of_health"
limit = {limit}
unit = "share"
direction = "at_least"
why = "because"
"""


@pytest.mark.parametrize("head, limit, line, word", [
    ("", "1" + "0" * 400, 5, "too large"),
    ("guard_multiple = 1" + "0" * 400, "0.7", 1, "too large"),
    ("max_false_accept = 1" + "0" * 400, "0.7", 1, "too large"),
    ("", "1e999", 5, "limit is not a number"),
    ("max_false_accept = inf", "0.7", 1, "max_false_accept is not a number"),
])
def test_load_criteria_number_beyond_all_bounds_is_told(tmp_path, head, limit, line, word):
    file = tmp_path / "own.toml"
    file.write_text(SET.format(head=head, limit=limit))
    with pytest.raises(InputError, match=word) as caught:
        load_criteria(file)
    assert str(caught.value.where) == f"{file}:{line}"


@pytest.mark.parametrize("key", ["limit", "guard"])
def test_criteria_from_dict_integer_beyond_floats_is_told(key):
    row = dict(id="x", quantity="state_of_health", limit=0.7, unit="share", direction="at_least", why="test") | {key: 10**5000}
    with pytest.raises(InputError, match="too many digits"):
        criteria_from_dict({"criterion": [row]})


@pytest.mark.parametrize("chance, factor", [(1e-17, 8.4937932), (1e-300, 37.0471), (0.05, 1.6448536)])
def test_guard_factor_of_a_tiny_false_accept_is_its_quantile(tmp_path, chance, factor):
    # Source: Phi(-8.4937932) = 1e-17 and Phi(-37.0471) = 1e-300, from scipy.special.ndtri, an implementation of its own
    # (Cephes); 1.6448536: normal table.
    file = tmp_path / "own.toml"
    file.write_text(SET.format(head=f"max_false_accept = {chance}", limit=0.7))
    criteria = load_criteria(file)
    assert criteria.guard_factor(criteria.criteria[0]) == pytest.approx(factor, rel=1e-6)
    assert "guarded acceptance" in criteria.decision_rule


def test_load_criteria_reads_its_file_once(tmp_path, monkeypatch):
    file = tmp_path / "own.toml"
    raw = SET.format(head="", limit=0.7).encode()
    file.write_bytes(raw)
    reads = []

    def read(path, kind):
        if path != file:  # a shipped set, looked at for its name
            return path.read_bytes()
        reads.append(path)
        file.write_text("changed while it was read")
        return raw

    monkeypatch.setattr("cycler.criteria.read_bytes", read)
    assert load_criteria(file).sha256 == hashlib.sha256(raw).hexdigest() and len(reads) == 1


@pytest.mark.parametrize("load", LOADERS.values(), ids=LOADERS)
@pytest.mark.parametrize("text, words", [("a" + ".a" * 5000 + " = 1\n", "nested too deeply"), ("# remark\n" * 120_000, "too large for")])
def test_load_key_of_dots_without_end_and_a_file_of_a_megabyte_are_told(tmp_path, load, text, words):
    file = tmp_path / "x.toml"
    file.write_text(text)
    with pytest.raises(InputError, match=words) as caught:
        load(file)
    assert caught.value.where.file == str(file) and caught.value.mend and len(str(caught.value)) < 400


def test_pack_file_with_its_keys_under_a_heading_says_to_delete_it(tmp_path):
    from cycler.pack import load_pack

    file = tmp_path / "pack.toml"
    file.write_text('# ours\n[pack]\nid = "T-1"\nseries = 6\n')
    with pytest.raises(InputError) as error:
        load_pack(file)
    assert '"[pack]"' in error.value.what and error.value.where.line == 2 and "delete that line" in error.value.mend
    file.write_text('id = "T-1"\n[bench]\nvoltage_gain = 0.1\n')
    with pytest.raises(InputError, match='unknown key "bench"'):
        load_pack(file)
