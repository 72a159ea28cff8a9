"""A random log in a random dialect reads back the same within the printed resolution.

The quick profile runs 150 cases; READER_CASES=20000 in the environment runs a deep one.
"""

from __future__ import annotations

import os
from datetime import datetime

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cycler.errors import InputError
from cycler.readers import read_log_bytes
from tests.readers.writing import WORDS, Dialect, assert_agrees, invented_test, write_log

CASES = int(os.environ.get("READER_CASES", "150"))
PROFILE = settings(
    max_examples=CASES, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large], derandomize=CASES <= 150
)


@st.composite
def dialects(draw) -> Dialect:
    """A dialect whose parts do not contradict each other (a decimal comma needs another delimiter, or quotes)."""
    delimiter = draw(st.sampled_from([",", ";", "\t", "|", " "]))
    quoted = draw(st.booleans()) and draw(st.booleans())
    time_style = draw(
        st.sampled_from(["s", "ms", "min", "h", "hms", "iso", "iso_z", "dmy", "mdy_ampm", "date_time", "epoch", "epoch_ms", "hms_wall"])
    )
    style = draw(st.sampled_from(["({})", "[{}]", " / {}", "/{}", "_{}", "row", " in {}"]))
    language = draw(st.sampled_from(list(WORDS)))
    current_style = draw(st.sampled_from(["signed", "inverse", "unsigned_mode", "unsigned", "separate"]))
    if delimiter == " ":
        # Blanks within a cell or heading need quotes or another sign.
        quoted = quoted or time_style in ("iso", "dmy", "mdy_ampm")
        style = "[{}]" if style in (" / {}", " in {}") else style
        if language in ("fr", "es", "it") and current_style == "separate":
            current_style = "signed"
    decimal = draw(st.sampled_from([".", ","])) if delimiter != "," or quoted else "."
    return Dialect(
        delimiter=delimiter, decimal=decimal, quoted=quoted, time_style=time_style, unit_style=style, language=language,
        current_style=current_style,
        encoding=draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16-le", "utf-16-be", "cp1252"])),
        line_end=draw(st.sampled_from(["\n", "\r\n", "\r"])), compressed=draw(st.booleans()),
        voltage_unit=draw(st.sampled_from(["V", "mV"])), current_unit=draw(st.sampled_from(["A", "mA"])),
        capacity_unit=draw(st.sampled_from(["Ah", "mAh"])), temperature_unit=draw(st.sampled_from(["°C", "°F"])),
        group_style=draw(st.sampled_from(["cells", "taps", "taps_from_top", "none"])), with_mode=draw(st.booleans()),
        with_capacity=draw(st.booleans()), with_temperature=draw(st.booleans()),
        preamble=draw(st.sampled_from([(), ("Record of the bench", "Pack: EB-9999", ""), ("Start;2026-03-09 08:15:30", "Limit;4.2;V")])),
        footer=draw(st.sampled_from([(), ("End of test",), ("", "Total capacity: 0.33 Ah")])),
        comment_every=draw(st.sampled_from([0, 40])), blank_every=draw(st.sampled_from([0, 50])),
        header_every=draw(st.sampled_from([0, 60])), trailing_delimiter=draw(st.booleans()) and delimiter != " ",
        final_newline=draw(st.booleans()), order_seed=draw(st.one_of(st.none(), st.integers(0, 10_000))),
        swapped_rows=draw(st.sampled_from([(), (30,), (20, 90)])), doubled_rows=draw(st.sampled_from([(), (44,)])),
        start=draw(st.sampled_from([datetime(2026, 3, 9, 8, 15, 30), datetime(2026, 12, 31, 23, 50), datetime(2026, 5, 14, 11, 55)])),
    )  # fmt: skip


@PROFILE
@given(
    dialect=dialects(), seed=st.integers(0, 10_000), groups=st.integers(2, 8), dt_s=st.sampled_from([1.0, 5.0, 10.0, 60.0]),
    current_a=st.sampled_from([0.5, 2.0, 5.0]),
)
def test_random_log_in_random_dialect_reads_back_the_same(dialect, seed, groups, dt_s, current_a):
    truth = invented_test(seed, groups, dt_s, current_a)
    assert_agrees(read_log_bytes(write_log(truth, dialect), "log.csv"), truth, dialect)


@settings(PROFILE, max_examples=CASES)
@given(dialect=dialects(), cut=st.integers(1, 4000), noise=st.binary(max_size=12), at=st.integers(0, 4000))
def test_damaged_log_is_read_or_refused_with_one_message(dialect, cut, noise, at):
    """Cut anywhere, noise anywhere: a log or an InputError, never another exception."""
    raw = write_log(invented_test(3, 2), dialect)
    damaged = raw[:at] + noise + raw[at:]
    damaged = damaged[: max(0, len(damaged) - cut)]
    try:
        log = read_log_bytes(damaged, "log.csv")
    except InputError as error:
        assert str(error).count("\n") == 0 and error.mend
    else:
        assert log.rows >= 2
