"""Texts of errors stay on one line and short, whatever they quote."""

import pytest

from cycler.errors import InputError, Location, quote
from cycler.verdict import guard_band


def test_quote_integer_too_long_to_write_out_is_told_in_words():
    assert quote(10**5000) == '"a number of thousands of digits"'


def test_quote_cuts_and_replaces_what_cannot_be_printed():
    assert quote("a\nb") == '"a\N{REPLACEMENT CHARACTER}b"'
    assert len(quote("x" * 300)) == 42


def test_guard_band_of_a_vanishing_probability_is_finite():
    # Source: exact normal quantile, Phi(-8.4937932) = 1e-17 (scipy.stats.norm.isf(1e-17)); w = z u.
    from scipy.stats import norm

    assert guard_band(2.0, max_false_accept=1e-17) == pytest.approx(2.0 * norm.isf(1e-17), rel=1e-9)


def test_message_carries_no_control_characters_of_a_file_name():
    error = InputError("no such log", Location("a\x1b[31m\x07b.csv", 3), "the file does not exist", "check the name")
    assert str(error).isprintable() and "\N{REPLACEMENT CHARACTER}[31m" in str(error)
