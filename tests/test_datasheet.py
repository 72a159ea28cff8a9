"""Lines of data sheets and certificates, as a person copies them."""

from __future__ import annotations

import pytest

from cycler.datasheet import BadStatement, Statement, parse_statement

# What each line means, by hand. Ways of writing: common practice of meter data sheets, no source.
READ = [
    ("0.5 % of reading + 2 digits", "current", Statement(of_reading=0.005, digits=2)),
    ("0.1 % rdg + 5 mA", "current", Statement(of_reading=0.001, absolute=0.005)),
    ("0.05 % of reading + 0.02 % of range", "current", Statement(of_reading=0.0005, of_range=0.0002)),
    ("+/-(0.5 % + 2 counts)", "voltage", Statement(of_reading=0.005, digits=2)),
    ("± 0.5 % ± 2 dgt.", "voltage", Statement(of_reading=0.005, digits=2)),
    ("0.5%+2d", "voltage", Statement(of_reading=0.005, digits=2)),
    ("(0.5 % of rdg.) + (2 counts)", "current", Statement(of_reading=0.005, digits=2)),
    ("0,5 % v. M. + 3 Digit", "voltage", Statement(of_reading=0.005, digits=3)),
    ("0.5 % of value + 0.1 % f.s.", "voltage", Statement(of_reading=0.005, of_range=0.001)),
    ("±20 mV", "voltage", Statement(absolute=0.02)),
    ("≤ 20\u00a0mV max.", "voltage", Statement(absolute=0.02)),
    ("0.1 % + 1 mA + 1 mA", "current", Statement(of_reading=0.001, absolute=0.002)),
    ("0.5 % + 2 digits of 10 mA", "current", Statement(of_reading=0.005, absolute=0.02, digit_size=0.01)),
    ("0.02 % of 20 A range + 1 mA", "current", Statement(absolute=0.005)),
    ("1 degC", "temperature", Statement(absolute=1.0)),
    ("±1 K", "temperature", Statement(absolute=1.0)),  # a difference: 1 K is 1 degC, not -272 degC
    ("1.8 °F", "temperature", Statement(absolute=1.0)),
    ("50 ppm", "time", Statement(of_reading=50e-6)),
    ("2 min/day", "time", Statement(of_reading=120.0 / 86400.0)),
    ("2 s per month", "time", Statement(of_reading=2.0 / (30 * 86400.0))),
    ("1 s a week", "time", Statement(of_reading=1.0 / 604800.0)),
    ("U = 0.2 %, k = 2", "current", Statement(of_reading=0.002, coverage_factor=2.0)),
    ("U(k=2) = 0,2 % + 3 mA", "current", Statement(of_reading=0.002, absolute=0.003, coverage_factor=2.0)),
    ("±(0.5 % + 2 counts) (k = 1.96)", "voltage", Statement(of_reading=0.005, digits=2, coverage_factor=1.96)),
    ("k = 2; U = 5 mV", "voltage", Statement(absolute=0.005, coverage_factor=2.0)),
    ("u = 0.1 %", "current", Statement(of_reading=0.001, coverage_factor=1.0)),
]


@pytest.mark.parametrize("text, dimension, meant", READ, ids=[row[0] for row in READ])
def test_parse_statement_reads_what_data_sheets_write(text, dimension, meant):
    found = parse_statement(text, dimension)
    for name in Statement.__slots__:
        value, expected = getattr(found, name), getattr(meant, name)
        assert value == expected if expected is None else value == pytest.approx(expected, rel=1e-12), name


# The character at which the trouble stands, from 0, and words of what, why or mend.
REFUSED = [
    ("0.5 % + 2 digts", "current", 10, "did you mean digits"),
    ("0.5 % of readng", "current", 6, "did you mean reading"),
    ("0.5", "current", 0, "no unit"),
    ("0.5 % + ", "current", 7, "missing"),
    ("", "current", 0, "missing"),
    ("5 mV", "current", 2, "one of voltage"),
    ("0.1 % + 5 A", "voltage", 10, "one of current"),
    ("1,000 mA", "current", 0, "two ways"),
    ("-0.5 %", "current", 0, "negative"),
    ("0.5 % typ.", "current", 6, "typical"),
    ("0.5 % at 23 degC", "current", 6, "conditions"),
    ("0.5 % or 5 mA, whichever is greater", "current", 6, "join the parts"),
    ("0.1 %, 5 mA", "current", 5, "join the parts"),
    ("10 ppm/K", "voltage", 6, "coefficient"),
    ("2 s", "time", 2, "s/day"),
    ("0.2 % of range", "time", 6, "not understood"),
    ("5 mA", "time", 2, "not understood"),
    ("(0.5 % + 2 digits", "current", 0, "bracket"),
    ("U = 0.2 %", "current", 9, "k = 2"),
    ("u = 0.2 %, k = 2", "current", 0, "capital"),
    ("U = 0.2 %, k = 20", "current", 15, "between 1 and 4"),
    ("k = 2", "current", 0, "missing"),
    ("digits: 2", "current", 0, "without a number"),
]


@pytest.mark.parametrize("text, dimension, at, words", REFUSED, ids=[row[0] or "empty" for row in REFUSED])
def test_parse_statement_refuses_and_says_where(text, dimension, at, words):
    with pytest.raises(BadStatement) as caught:
        parse_statement(text, dimension)
    assert caught.value.at == at
    assert words in f"{caught.value.what} {caught.value.why} {caught.value.mend}"


def test_parse_statement_of_any_order_of_terms_is_the_same():
    assert parse_statement("2 digits + 0.5 % rdg", "current") == parse_statement("0.5 % rdg + 2 digits", "current")


def test_sum_of_sized_digits_keeps_the_largest_for_rounding():
    # 1 x 10 mA + 1 x 1 mA; a reading is rounded to the coarser of the two at most.
    found = parse_statement("1 digit of 10 mA + 1 digit of 1 mA", "current")
    assert found.absolute == pytest.approx(0.011) and found.digit_size == 0.01
