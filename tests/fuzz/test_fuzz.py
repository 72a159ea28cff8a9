"""What fuzzing found once stays found: every kept input is read or refused in words, and the fuzzer itself works. See :mod:`tests.fuzz`."""

from __future__ import annotations

import json
import warnings
from pathlib import Path

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from cycler.errors import InputError
from tests.fuzz import engine
from tests.fuzz.minimise import smaller
from tests.fuzz.targets import TARGETS, Target, packed, unpacked

KEPT = sorted(path for path in (Path(__file__).resolve().parents[1] / "data" / "fuzz").glob("*/*") if path.is_file())
SHORT = settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


def fine(target, data):
    """Whether it was read; fails with what came out if that is neither a result nor a refusal."""
    with warnings.catch_warnings():
        engine.watch_warnings()
        result = engine.execute(target, data)
    if isinstance(result, BaseException):
        raise AssertionError(engine.kind_of(result)) from result
    return result


@pytest.mark.parametrize("path", KEPT, ids=lambda path: f"{path.parent.name} {path.name}")
def test_kept_input_is_read_or_refused_in_words(path):
    fine(path.parent.name, path.read_bytes())


def test_inputs_are_kept():
    assert len(KEPT) >= 18 and {path.parent.name for path in KEPT} <= set(TARGETS)


@pytest.mark.parametrize("target", TARGETS)
def test_few_inputs_of_every_target(target):
    """The same numbers each time; both what is read and what is refused must be among them, else the inputs are no good."""
    many = 12 if target in ("analysis", "record", "form") else 40
    results = {fine(target, TARGETS[target].make(number)) for number in range(7000, 7000 + many)}
    assert True in results and (False in results or target == "form")
    assert TARGETS[target].make(7001) == TARGETS[target].make(7001)


# --- structured inputs by hypothesis ---------------------------------------------------------------------------------

NUMBER = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True).map(repr), st.integers(-10**30, 10**30).map(str), st.floats(0, 60).map("{:.3f}".format),
    st.sampled_from(["", "-", "OL", "1,5", "1.234,5", "3-", "(3)", "1e5", "0x1F", "08:15:30", "\u22123", "\u0663"]),
)
HEADING = st.one_of(st.sampled_from(["Time (s)", "Voltage (V)", "Current (A)", "Cell 1 (V)", "Cell 2 (mV)", "Temperature (°C)", "Mode", "Capacity / Ah"]), st.text(max_size=12))


@SHORT
@given(headings=st.lists(HEADING, min_size=1, max_size=7), rows=st.lists(st.lists(NUMBER, min_size=1, max_size=7), max_size=14), mark=st.sampled_from([",", ";", "\t", "|"]))
def test_any_table_is_read_or_refused_in_words(headings, rows, mark):
    text = "\n".join(mark.join(fields) for fields in [headings, *rows])
    fine("reader", text.encode("utf-8", "surrogatepass"))


VALUE = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(1 - 2**53, 2**53 - 1), st.floats(allow_nan=False, allow_infinity=False), st.text(max_size=20)),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=8), inner, max_size=3)), max_leaves=6,
)


@SHORT
@given(data=st.data(), value=VALUE, drop=st.booleans())
def test_record_with_any_one_value_changed_is_no_more_as_issued(data, value, drop):
    """Wherever in the content a value is put or taken out, the check ends in a result, and it is not that all is as issued."""
    from cycler.proof.canonical import canonical_bytes
    from cycler.proof.verify import verify_record
    from tests.fuzz.targets import _records

    record = json.loads(_records()[0])
    before, place = canonical_bytes(record), record["record"]
    while True:
        key = data.draw(st.sampled_from(sorted(place) if isinstance(place, dict) else range(len(place))))
        if not isinstance(place[key], (dict, list)) or not place[key] or data.draw(st.booleans()):
            break
        place = place[key]
    if drop:
        del place[key]
    else:
        place[key] = value
    raw = canonical_bytes(record)
    assume(raw != before)
    try:
        found = verify_record(raw, "record")
    except InputError as error:
        assert error.what and error.mend
    else:
        assert any(check.result == "bad" and check.id in ("signature", "content") for check in found.checks) or key in record


# --- the fuzzer itself -----------------------------------------------------------------------------------------------


@pytest.fixture
def faulty(monkeypatch):
    """A target that refuses short inputs, fails at one byte, warns at another and hangs at a third."""

    def call(data):
        if b"!" in data:
            raise ValueError("a defect")
        if b"?" in data:
            import numpy as np

            np.float64(1.0) / np.zeros(1)
        while b"~" in data:
            pass
        return len(data) > 3

    monkeypatch.setitem(TARGETS, "faulty", Target(lambda number: b"%d" % number + b"!" * (number == 5), call, "invented"))


@pytest.mark.parametrize("data, kind", [(b"abc!", "ValueError"), (b"?", "RuntimeWarning"), (b"~", "Hang")])
def test_what_is_no_refusal_is_a_failure(faulty, data, kind):
    with warnings.catch_warnings():
        engine.watch_warnings()
        result = engine.execute("faulty", data, limit_s=0.2)
    assert type(result).__name__ == kind
    assert engine.execute("faulty", b"abcd") is True and engine.execute("faulty", b"abc") is False


def test_failures_are_counted_and_their_bytes_kept(faulty, tmp_path):
    tally = engine.run_range("faulty", 0, 1001, tmp_path)
    assert (tally.executions, tally.read, tally.refused, sum(tally.failures.values())) == (1001, 1, 999, 1)
    ((kind, numbers),) = tally.seeds.items()
    assert kind.startswith("ValueError") and numbers == [5]
    kept = [path for path in tmp_path.iterdir() if path.suffix != ".txt"]
    assert [path.read_bytes() for path in kept] == [b"5!"] and "a defect" in kept[0].with_name(kept[0].name + ".txt").read_text()


def test_smaller_input_fails_alike():
    assert smaller(b"a,b\nc,!x,d\ne", lambda data: b"!" in data) == b"!"


def test_several_parts_and_a_columns_file_are_one_input():
    parts = [("a.csv", bytes(range(256))), ("b.csv", b"\xff\xfe")]
    assert unpacked(packed(parts, "clock = 'wall'\n")) == (parts, "clock = 'wall'\n")
    assert unpacked(packed([("log.csv", b"t,U\n")], None)) == ([("log.csv", b"t,U\n")], None)
