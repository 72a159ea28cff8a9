"""Copies of a log's columns: the same bits as without one, never in the way, never trusted when damaged."""

from __future__ import annotations

import os
import shutil
import time
from dataclasses import replace

import numpy as np
import pytest

from cycler.errors import InputError
from cycler.reanalysis import correct_run
from dashboard import curvestore
from dashboard.curvestore import CurveStore, default_folder, key_of
from dashboard.data import Door
from dashboard.figures.curves import Columns

KEY = key_of(["a" * 64], None, None)


def columns(rows=1000):
    draws = np.random.default_rng(5)
    value = draws.normal(3.7, 0.1, rows)
    value[3] = np.nan
    odd = np.array([0x7FF8000000000ABC, 0x8000000000000000], dtype="<u8").view("<f8")  # a NaN with a payload, and minus zero
    value[:2] = odd
    return Columns(
        np.arange(float(rows)), (("voltage", "Pack", value), ("group", "1", value[::-1].copy()), ("temperature", "Gehäuse 🌡", value)),
        ((12.0, 0.1 + 0.2),),
    )


def bits(array):
    return np.ascontiguousarray(array).view("<u8")


def assert_same(found, wanted):
    np.testing.assert_array_equal(bits(found.time_s), bits(wanted.time_s))
    assert [item[:2] for item in found.columns] == [item[:2] for item in wanted.columns] and found.gaps == wanted.gaps
    for (_, _, mine), (_, _, theirs) in zip(found.columns, wanted.columns):
        np.testing.assert_array_equal(bits(mine), bits(theirs))


def test_store_gives_back_the_same_bits(tmp_path):
    store = CurveStore(tmp_path / "new" / "folder")
    assert store.get(KEY) is None and store.put(KEY, columns())
    found = store.get(KEY)
    assert_same(found, columns())
    assert not found.time_s.flags.writeable and not found.columns[0][2].flags.writeable
    assert [path.name for path in (tmp_path / "new" / "folder").iterdir()] == [f"{KEY}.curves"]  # nothing half written is left
    if os.name == "posix":  # nobody else on this computer looks into it
        assert (tmp_path / "new" / "folder").stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("low, high, decimals, width", [(3000, 4200, 3, 2), (-20_000, 20_000, 4, 2), (0, 3_000_000, 2, 4), (2**40, 2**40 + 9, 0, 2), (0, 2**40, 1, 8)])
def test_readings_of_few_decimals_take_two_or_four_bytes_and_keep_their_bits(tmp_path, low, high, decimals, width):
    """What is kept must be what float(text) gives for the decimals that an instrument writes: Python's own float is the reference."""
    whole = np.random.default_rng(decimals).integers(low, high, 4000, endpoint=True)
    whole[:2] = low, high
    value = np.array([float(f"{number}e-{decimals}") for number in whole.tolist()])
    value[7::9] = np.nan
    wanted = Columns(value, (("voltage", "Pack", value), ("group", "1", np.full(4000, np.nan))))
    store = CurveStore(tmp_path)
    assert store.put(KEY, wanted)
    assert_same(store.get(KEY), wanted)
    assert (tmp_path / f"{KEY}.curves").stat().st_size == pytest.approx(4000 * (2 * width + 2), abs=900)


@pytest.mark.parametrize("place", ["magic", "length of the header", "header", "name in the header", "times", "first column", "last reading"])
def test_store_notices_one_changed_bit(tmp_path, place):
    store = CurveStore(tmp_path)
    store.put(KEY, columns())
    path = tmp_path / f"{KEY}.curves"
    raw = bytearray(path.read_bytes())
    start = len(raw) - 4 * 8000
    at = {"name in the header": raw.index(b"Pack"), "magic": 3, "length of the header": 15, "header": 60, "times": start + 4000, "first column": start + 8003, "last reading": len(raw) - 1}[place]
    raw[at] ^= 1
    path.write_bytes(raw)
    assert store.get(KEY) is None
    assert not path.exists()  # made anew at the next look


@pytest.mark.parametrize("left", [0, 5, 14, 30, 300, 20_000, -8, -1])
def test_store_notices_a_file_cut_short(tmp_path, left):
    store = CurveStore(tmp_path)
    store.put(KEY, columns())
    path = tmp_path / f"{KEY}.curves"
    path.write_bytes(path.read_bytes()[:left])
    assert store.get(KEY) is None


def test_store_takes_no_file_of_another_log_and_none_that_is_longer(tmp_path):
    store, other = CurveStore(tmp_path), key_of(["b" * 64], None, None)
    store.put(other, columns())
    shutil.copy(tmp_path / f"{other}.curves", tmp_path / f"{KEY}.curves")
    assert store.get(KEY) is None and store.get(other) is not None
    with open(tmp_path / f"{other}.curves", "ab") as stream:
        stream.write(b"\0" * 8)
    assert store.get(other) is None


def test_store_runs_nothing_that_a_file_holds(tmp_path):
    # What another program could have put there: an object that would act when it is unpacked.
    import pickle

    class Acts:
        def __reduce__(self):
            return os.mkdir, (str(tmp_path / "acted"),)

    (tmp_path / f"{KEY}.curves").write_bytes(pickle.dumps(Acts()))
    assert CurveStore(tmp_path).get(KEY) is None and not (tmp_path / "acted").exists()


def test_store_throws_away_what_was_not_used_for_longest(tmp_path):
    keys = [key_of([letter * 64], None, None) for letter in "abcd"]
    size = 4 * 8 * 1000
    store = CurveStore(tmp_path, bytes_max=3 * size + 3000)
    for age, key in enumerate(keys[:3]):
        store.put(key, columns())
        os.utime(tmp_path / f"{key}.curves", (time.time() - 300 + age, time.time() - 300 + age))
    assert store.get(keys[0]) is not None  # looked at just now
    store.put(keys[3], columns())
    assert [store.get(key) is not None for key in keys] == [True, False, True, True]


def test_store_keeps_nothing_larger_than_its_limit_and_nothing_on_a_full_disk(tmp_path, monkeypatch):
    assert not CurveStore(tmp_path, bytes_max=1000).put(KEY, columns())
    full = shutil.disk_usage(tmp_path)._replace(free=curvestore.FREE_MIN_BYTES)
    monkeypatch.setattr(curvestore.shutil, "disk_usage", lambda _path: full)
    assert not CurveStore(tmp_path).put(KEY, columns()) and list(tmp_path.iterdir()) == []


def test_store_that_cannot_write_is_no_store(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("a file where the folder should be")
    assert not CurveStore(tmp_path / "file").put(KEY, columns())
    assert CurveStore(tmp_path / "file").get(KEY) is None

    def broken(*_arguments):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(curvestore, "_write", broken)
    assert not CurveStore(tmp_path / "other").put(KEY, columns())
    assert list((tmp_path / "other").iterdir()) == []


def test_store_removes_what_was_left_half_written(tmp_path):
    old, fresh = tmp_path / ".x.1.part", tmp_path / ".x.2.part"
    for path in (old, fresh):
        path.write_bytes(b"half")
    os.utime(old, (0, 0))
    CurveStore(tmp_path).put(KEY, columns())
    assert not old.exists() and fresh.exists()


def test_default_folder_is_said_by_the_environment_or_lies_in_the_users_cache(tmp_path, monkeypatch):
    monkeypatch.setenv("CYCLER_CURVES", "off")
    assert default_folder() is None and not CurveStore(None).put(KEY, columns()) and CurveStore(None).get(KEY) is None
    monkeypatch.setenv("CYCLER_CURVES", str(tmp_path))
    assert default_folder() == tmp_path
    monkeypatch.delenv("CYCLER_CURVES")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    folder = default_folder()
    assert folder.name == "curves" and folder.parent.name == "packreturn"


def test_key_differs_with_log_columns_file_thermistor_and_version(monkeypatch):
    from cycler.pack_temperature import ThermistorCurve

    curve = ThermistorCurve(r25_ohm=10_000.0, b_k=3950.0)
    keys = {
        KEY, key_of(["b" * 64], None, None), key_of(["a" * 64, "b" * 64], None, None), key_of(["b" * 64, "a" * 64], None, None),
        key_of(["a" * 64], "", None), key_of(["a" * 64], None, curve), key_of(["a" * 64], None, ThermistorCurve(r25_ohm=10_000.0, b_k=3951.0)),
    }
    assert len(keys) == 7 and key_of(["a" * 64], None, curve) == key_of(["a" * 64], None, ThermistorCurve(r25_ohm=10_000.0, b_k=3950.0))
    monkeypatch.setattr(curvestore, "__version__", "99")
    assert key_of(["a" * 64], None, None) != KEY


# ---- behind the pages ------------------------------------------------------------------------------------------


@pytest.fixture
def stored(filled, tmp_path, monkeypatch):
    """A door with copies in a folder of its own."""
    monkeypatch.setenv("CYCLER_CURVES", str(tmp_path / "curves"))
    copy = tmp_path / "register.sqlite"
    shutil.copy(filled, copy)

    def opened():
        return Door(copy)

    return opened, tmp_path / "curves"


@pytest.mark.parametrize("run_id", [1, 2, 3])
def test_curves_have_the_same_bits_with_and_without_a_copy(stored, door, run_id):
    opened, folder = stored
    first = opened()
    written = first.curves(run_id)  # reads the log and keeps the copy
    first.close()
    assert len(list(folder.glob("*.curves"))) == 1
    second = opened()
    second._register.log = None  # so that it cannot be read again
    copied, plain = second.curves(run_id), door.curves(run_id)
    second.close()
    for curves in (written, copied):
        np.testing.assert_array_equal(bits(curves.time_s), bits(plain.time_s))
        assert curves.gaps == plain.gaps
        assert [(s.name, s.panel, s.unit, s.group) for s in curves.series] == [(s.name, s.panel, s.unit, s.group) for s in plain.series]
        for mine, theirs in zip(curves.series, plain.series):
            np.testing.assert_array_equal(bits(mine.value), bits(theirs.value))


def test_curves_of_a_damaged_copy_are_read_from_the_log_and_kept_anew(stored, door):
    opened, folder = stored
    first = opened()
    first.curves(1)
    first.close()
    path = next(folder.glob("*.curves"))
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    second = opened()
    np.testing.assert_array_equal(bits(second.curves(1).series[0].value), bits(door.curves(1).series[0].value))
    second.close()
    assert path.read_bytes() == whole


def test_log_just_added_leaves_a_copy(stored):
    opened, folder = stored
    first = opened()
    first.keep_curves(2, first._register.log(2))
    first._register.log = None
    assert first.curves(2).time_s.size and len(list(folder.glob("*.curves"))) == 1
    first.close()


def test_log_added_through_the_page_need_not_be_read_again(stored, door):
    from cycler.pack import load_pack

    from .conftest import RUNS, SAMPLES

    opened, _folder = stored
    first = opened()
    name, pack, _label = RUNS[2]
    run_id = first.add([(name, (SAMPLES / name).read_bytes())], load_pack(SAMPLES / "packs" / pack), "again", "return-to-owner", again=True)
    first._register.log = None
    for mine, theirs in zip(first.curves(run_id).series, door.curves(3).series):
        np.testing.assert_array_equal(bits(mine.value), bits(theirs.value))
    first.close()


def test_check_log_tells_damage_that_a_copy_would_hide(stored):
    import sqlite3

    opened, _folder = stored
    first = opened()
    first.check_log(1)
    file = first.register_name
    first.curves(1)
    first.close()
    with sqlite3.connect(file) as connection:
        digest, packed = connection.execute("select sha256, raw_zlib from logs limit 1").fetchone()
        for trigger, in connection.execute("select name from sqlite_master where type = 'trigger'").fetchall():
            connection.execute(f'drop trigger "{trigger}"')
        connection.execute("update logs set raw_zlib = ? where sha256 = ?", (packed[:-9] + b"123456789", digest))
    second = opened()
    assert second.curves(1).time_s.size
    with pytest.raises(InputError, match="damaged"):
        second.check_log(1)
    second.close()


def test_run_is_unpacked_once_until_something_is_added(stored):
    opened, _folder = stored
    first = opened()
    assert first.run(1).analysis is first.run(1).analysis
    before = first.run(1)
    first._register.correct_label(1, "another label", who="tester", why="a slip")
    assert first.run(1).label == "another label" and before.label == "before repair"
    first.close()


def test_corrected_run_shows_no_charge_per_volt_of_the_analysis_before(stored):
    opened, _folder = stored
    first = opened()
    before = first.incremental(1)
    assert first.incremental(1) is before  # kept until then
    correct_run(first._register, 1, replace(first._run(1).pack, rated_capacity_ah=12.0), who="tester", why="it was mistyped")
    assert first.incremental(1) is not before
    first.close()
