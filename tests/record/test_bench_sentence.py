"""How a record states the bench."""

from __future__ import annotations

from cycler.pack import Pack, pack_from_dict
from cycler.record.annex import instrument_sentence


def test_instrument_sentence_quotes_what_was_stated_with_digit_range_and_file():
    pack = pack_from_dict({"instrument": {
        "voltage": "0.1 % rdg + 2 digits", "voltage_digit_v": 0.01, "group_voltage_gain": 0.0005, "group_voltage_offset_v": 0.002,
        "current": "U = 0.1 % of range, k = 2", "current_range_a": 20.0, "clock": "2 s/day",
    }})
    bench = pack.instrument.to_dict() | {"file": "bench.toml", "sha256": "ab12"}
    assert instrument_sentence({"instrument": bench}, Pack()) == (
        "Limits of error of the instrument as declared: pack voltage “0.1 % rdg + 2 digits” (a digit is 0.01 V), group voltage ±(0.05 % of reading + 0.002 V), "
        "current “U = 0.1 % of range, k = 2 (range 20 A)”, temperature ±2 °C, clock 2 s/day, pack voltage sensed at the pack (four-wire), "
        "from the file bench.toml (SHA-256 ab12)."
    )
