"""Canonical JSON against RFC 8785, and what is refused of JSON that comes from anybody."""

from __future__ import annotations

import json
import math
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cycler.errors import InputError
from cycler.proof.canonical import DEPTH_MAX, canonical_bytes, digest, part_digests, read_json, sha256_hex

# RFC 8785, appendix B: IEEE 754 bits and the text they are written as.
NUMBERS = {
    "0000000000000000": "0", "8000000000000000": "0", "0000000000000001": "5e-324", "8000000000000001": "-5e-324",
    "7fefffffffffffff": "1.7976931348623157e+308", "ffefffffffffffff": "-1.7976931348623157e+308",
    "4340000000000000": "9007199254740992", "c340000000000000": "-9007199254740992", "4430000000000000": "295147905179352830000",
    "44b52d02c7e14af5": "9.999999999999997e+22", "44b52d02c7e14af6": "1e+23", "44b52d02c7e14af7": "1.0000000000000001e+23",
    "444b1ae4d6e2ef4e": "999999999999999700000", "444b1ae4d6e2ef4f": "999999999999999900000", "444b1ae4d6e2ef50": "1e+21",
    "3eb0c6f7a0b5ed8c": "9.999999999999997e-7", "3eb0c6f7a0b5ed8d": "0.000001", "41b3de4355555553": "333333333.3333332",
    "41b3de4355555554": "333333333.33333325", "41b3de4355555555": "333333333.3333333", "41b3de4355555556": "333333333.3333334",
    "41b3de4355555557": "333333333.33333343", "becbf647612f3696": "-0.0000033333333333333333", "43143ff3c1cb0959": "1424953923781206.2",
}


@pytest.mark.parametrize("bits", NUMBERS)
def test_numbers_are_written_as_in_rfc_8785_appendix_b(bits):
    (value,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical_bytes(value) == NUMBERS[bits].encode()
    assert read_json(canonical_bytes([value]), "x") == [value]  # and come back, large ones too


def test_value_is_written_as_in_rfc_8785_3_2_2():
    given_text = (
        r'{ "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],'
        r' "string": "\u20ac$\u000F\u000aA' + "'" + r'\u0042\u0022\u005c\\\"\/", "literals": [null, true, false] }'
    )
    expected = (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )
    assert canonical_bytes(read_json(given_text.encode(), "x")).decode() == expected


def test_keys_are_sorted_as_in_rfc_8785_3_2_3():
    value = {
        "\u20ac": "Euro Sign", "\r": "Carriage Return", "\ufb33": "Hebrew Letter Dalet With Dagesh", "1": "One",
        "\U0001f600": "Emoji: Grinning Face", "\x80": "Control", "\xf6": "Latin Small Letter O With Diaeresis",
    }
    assert list(json.loads(canonical_bytes(value)).values()) == [
        "Carriage Return", "One", "Control", "Latin Small Letter O With Diaeresis", "Euro Sign", "Emoji: Grinning Face",
        "Hebrew Letter Dalet With Dagesh",
    ]


def test_digest_is_sha_256():
    # FIPS 180-4, example of one block: "abc".
    assert digest(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=("Cs",))),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(st.characters(exclude_categories=("Cs",))), inner, max_size=4),
    max_leaves=12,
)


@settings(max_examples=150, deadline=None)
@given(_VALUES)
def test_digest_stays_when_a_value_is_written_and_read_again(value):
    raw = canonical_bytes(value)
    assert canonical_bytes(read_json(raw, "x")) == raw
    assert sha256_hex(json.loads(json.dumps(value, indent=3))) == digest(raw)


@pytest.mark.parametrize("value", [math.nan, math.inf, 2**53, "\ud800", {1: 2}])
def test_what_canonical_json_cannot_hold_is_no_record(value):
    with pytest.raises(ValueError):
        canonical_bytes(value)


def test_parts_have_a_digest_each_and_those_of_the_analysis_too():
    content = {"serial": "1", "analysis": {"capacity": {"value_ah": 9.6}, "steps": []}, "verdict": None}
    assert part_digests(content) == {
        "serial": sha256_hex("1"), "analysis.capacity": sha256_hex({"value_ah": 9.6}), "analysis.steps": sha256_hex([]),
        "verdict": sha256_hex(None),
    }


@pytest.mark.parametrize(("raw", "why"), [
    (b'{"a":1,"a":2}', '"a" stands twice'),
    (b'{"a":{"b":1,"c":2,"b":1}}', '"b" stands twice'),
    (b'{"a":NaN}', "NaN is no number"),
    (b'{"a":-Infinity}', "-Infinity is no number"),
    (b'{"a":1e999}', "beyond all bounds"),
    (b'{"a":' + b"9" * 5000 + b"}", "beyond all bounds"),
    (b'{"a":' + b"9" * 350 + b"}", "beyond all bounds"),
    (b"[" * 100_000 + b"]" * 100_000, "deep"),
    (b"[" * (DEPTH_MAX + 1) + b"]" * (DEPTH_MAX + 1), "deep"),
    (b'{"a":"\xff"}', "byte 7 is not UTF-8"),
    (b'{"a":"\\ud800"}', "no Unicode"),
    (b'{"a":1', "line 1"),
    (b'{"a":1} {}', "Extra data"),
    (b"", "not JSON"),
], ids=lambda value: value[:24] if isinstance(value, bytes) else None)
def test_json_that_two_readers_could_read_differently_is_refused(raw, why):
    with pytest.raises(InputError, match=why) as found:
        read_json(raw, "odd.json")
    assert "odd.json" in str(found.value)


def test_escaped_pairs_and_depth_up_to_the_limit_are_read():
    assert read_json(b'["\\ud83d\\ude00"]', "x") == ["\U0001f600"]
    assert read_json(b"\xef\xbb\xbf[1]", "x") == [1]
    deep = b"[" * (DEPTH_MAX - 1) + b"]" * (DEPTH_MAX - 1)
    assert canonical_bytes(read_json(deep, "x")) == deep
