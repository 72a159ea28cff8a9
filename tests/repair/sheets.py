"""Bench sheets for tests, typed as at the bench."""

from __future__ import annotations

from cycler.repair.form import sheet_from_form

# Cumulative readings of a 10S pack, group 4 low: worked example of pack practice (taps, groups, median, scatter and score computed there).
TAPS_10S = (0.0, 3.652, 7.305, 10.951, 14.480, 18.133, 21.787, 25.440, 29.095, 32.747, 36.399)
GROUPS_10S = (3.652, 3.653, 3.646, 3.529, 3.653, 3.654, 3.653, 3.655, 3.652, 3.652)


def typed(taps=(), taps_from="pack_negative", series=10, meter=True, **further):
    """Form values; further ones with ``__`` for the point of their key."""
    values = {"pack.series": str(series), "pack.chemistry": "nmc", "rested_h": "10", "taps_from": taps_from} if series else {"pack.chemistry": "nmc", "rested_h": "10", "taps_from": taps_from}
    if meter:
        values |= {"meter.voltage": "±(0.5 % rdg + 2 digits)", "meter.voltage_digit_v": "0.001"}
    values |= {f"taps.{place}": str(tap) for place, tap in enumerate(taps)}
    return values | {key.replace("__", "."): str(value) for key, value in further.items()}


def bench(*arguments, **further):
    """The sheet of :func:`typed`, in which nothing was unreadable."""
    sheet = sheet_from_form(typed(*arguments, **further))
    assert sheet.unread == ()
    return sheet
