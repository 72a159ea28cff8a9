"""Two plugs held against each other: a table of pairs with the result, the pins and the voltage that would stand there."""

from __future__ import annotations

import json
import math
import random
import statistics
from dataclasses import replace

import pytest

from cycler.errors import InputError
from cycler.repair.connector import (
    Connector,
    Pin,
    Thermistor,
    connector_from_form,
    connector_from_text,
    connector_to_toml,
    form_from_connector,
    form_from_readings,
    load_connector,
    new_connector_text,
)
from cycler.repair.connector_levels import side_of, u_difference
from cycler.repair.donor import compare_connectors
from cycler.repair.meter import meter_from_dict

from .plugs import changed, moved, plug, reversed_plug, shifted

STOP, AGREE, OPEN = "do_not_connect", "agrees", "not_known"
OWN, OTHER = plug(step_v=3.65), plug(step_v=3.91)
TWO = plug(probes=2, ohm=(10000.0, 100000.0))
TWO_OTHER = plug(probes=2, ohm=(9800.0, 99000.0), step_v=3.91)
BARE = plug(stated=False)


def unread(connector, *numbers):
    return changed(connector, **{f"p{number}": Pin(number) for number in numbers})


def heavy(connector, negative, positive):
    """The plug with the heavy leads of the pack on two pins more, at its end."""
    top = max(pin.v for pin in connector.pins if pin.v is not None)
    lead = {f"p{negative}": Pin(negative, 0.0, "pack negative"), f"p{positive}": Pin(positive, top, "pack positive")}
    taps = {f"p{k + 1}": Pin(k + 1, connector.pin(k + 1).v, "tap", k) for k in (0, connector.series)}
    return changed(connector, **lead, **taps)


def dead_group(connector, group, volts=0.0):
    """The plug of a pack in which a group has ``volts`` and all above it stand that much lower."""
    usual = connector.pin(group + 1).v - connector.pin(group).v
    return replace(connector, pins=tuple(
        replace(pin, v=round(pin.v - usual + volts, 3)) if pin.v is not None and pin.number > group else pin for pin in connector.pins
    ))


# What each pair must give: result, pins that are wrong, some voltages across inputs (own less expected, at the own charge) [V], codes of remarks.
# The volts are reckoned by hand from groups of 3.650 V (or as stated) with the differences of tests.repair.plugs: 0, 1, -3, 2, 0, -1, 3, -2, 1, 0 mV.
PAIRS = {
    "the same plug": (OWN, OWN, AGREE, [], {}, []),
    "the same plug, other charge": (OWN, OTHER, AGREE, [], {}, ["other_charge"]),
    "the same plug, nearly empty": (plug(step_v=3.05), plug(step_v=4.15), AGREE, [], {}, ["other_charge"]),
    "the same, series not stated": (BARE, BARE, AGREE, [], {}, []),
    "one group far down in the pack": (dead_group(OWN, 4, 1.2), OTHER, AGREE, [], {}, ["group_low"]),
    "reversed": (reversed_plug(OWN), OTHER, STOP, [1, 2, 3, 4, 5, 6, 8, 9, 10, 11, 12, 13], {3: 29.2, 6: 7.302, 11: -29.2, 12: 3.65}, ["reversed", "tap_on_thermistor_input"]),
    "sense lines reversed, thermistor as it was": (
        moved(OWN, {k: 12 - k for k in range(1, 12)}), OTHER, STOP, [1, 2, 3, 4, 5, 7, 8, 9, 10, 11], {1: 36.501, 5: 7.299, 11: -36.501}, ["reversed", "input_pair"],
    ),
    "shifted up by one": (shifted(OWN, 1), OTHER, STOP, list(range(1, 13)), {2: -3.65, 4: -3.647, 12: 36.501}, ["shifted", "tap_on_thermistor_input"]),
    "shifted down by one": (shifted(OWN, -1), OTHER, STOP, list(range(1, 14)), {1: 3.65, 3: 3.647, 10: 3.65}, ["shifted", "line_missing"]),
    "shifted up by two": (shifted(OWN, 2), OTHER, STOP, list(range(1, 14)), {3: -7.301, 13: 36.501, 12: 32.851}, ["shifted"]),
    "shifted, series not stated": (shifted(BARE, 1), BARE, STOP, list(range(1, 13)), {2: -3.65}, ["shifted"]),
    "9 groups on a board for 10": (plug(9), OTHER, STOP, [11, 12, 13], {}, ["series_differs", "line_missing", "pins_differ"]),
    "10 groups on a board for 9": (OWN, plug(9), STOP, [11, 12, 13], {11: 36.501}, ["series_differs", "line_extra", "tap_on_thermistor_input"]),
    "11 groups on a board for 10": (plug(11), OTHER, STOP, [12, 13, 14], {12: 40.153}, ["series_differs", "line_extra"]),
    "13 groups on a board for 10": (plug(13), OTHER, STOP, [12, 13, 14, 15, 16], {12: 40.153, 13: 43.802}, ["series_differs", "pins_differ"]),
    "10 groups on a board for 13": (OWN, plug(13), STOP, [12, 13, 14, 15, 16], {}, ["series_differs", "thermistor_on_tap_input"]),
    "14 groups on a board for 13": (plug(14), plug(13), STOP, [15, 16, 17], {15: 51.103}, ["series_differs"]),
    "13 groups on a board for 14": (plug(13), plug(14, step_v=3.8), STOP, [15, 16, 17], {}, ["series_differs", "line_missing"]),
    "series stated otherwise, pins alike": (replace(OWN, series=10), replace(OTHER, series=11), STOP, [], {}, ["series_differs"]),
    "two thermistors exchanged": (moved(TWO, {12: 14, 13: 15, 14: 12, 15: 13}), TWO_OTHER, STOP, [12, 13, 14, 15], {}, ["thermistors_exchanged"]),
    "thermistor ends crossed": (moved(TWO, {13: 14, 14: 13}), TWO_OTHER, STOP, [12, 13, 14, 15], {}, ["thermistors_exchanged"]),
    "thermistors of one type exchanged by name": (
        replace(TWO, thermistors=(Thermistor((12, 13), 10000.0, 25.0, "cells"), Thermistor((14, 15), 10000.0, 25.0, "board"))),
        replace(TWO, thermistors=(Thermistor((12, 13), 10000.0, 25.0, "board"), Thermistor((14, 15), 10000.0, 25.0, "cells"))),
        STOP, [12, 13, 14, 15], {}, ["thermistors_exchanged"],
    ),
    "another type of thermistor": (OWN, plug(ohm=100000.0), STOP, [12, 13], {}, ["thermistors_exchanged"]),
    "the thermistor warm on one side": (OWN, plug(ohm=6941.0, temperature_c=35.0), AGREE, [], {}, []),
    "a sense line and a thermistor end exchanged": (moved(OWN, {11: 12, 12: 11}), OTHER, STOP, [11, 12, 13], {12: 36.501}, ["tap_on_thermistor_input", "thermistor_on_tap_input"]),
    "two neighbouring sense lines exchanged": (moved(OWN, {4: 5, 5: 4}), OTHER, STOP, [4, 5], {4: 3.652, 5: -3.652}, ["swapped", "input_pair"]),
    "two distant sense lines exchanged": (moved(OWN, {2: 10, 10: 2}), OTHER, STOP, [2, 10], {2: 29.201, 10: -29.201}, ["swapped", "input_pair"]),
    "three sense lines turned about": (moved(OWN, {3: 4, 4: 5, 5: 3}), OTHER, STOP, [3, 4, 5], {3: 7.299, 4: -3.647, 5: -3.652}, ["order_differs"]),
    "pack negative is not on the pack's plug": (changed(OWN, p1=None), OTHER, STOP, [1], {}, ["line_missing", "pins_differ"]),
    "the pin for pack negative has nothing on it": (changed(OWN, p1=Pin(1, role="nothing")), OTHER, STOP, [1], {}, ["line_missing"]),
    "a broken sense line": (changed(OWN, p6=Pin(6, role="nothing")), OTHER, STOP, [6], {}, ["line_missing", "tap_missing"]),
    "a line more than the board has": (OWN, changed(OTHER, p11=Pin(11, role="nothing")), STOP, [11], {}, ["line_extra"]),
    "LFP on a board for NMC, stated": (plug(step_v=3.3, chemistry="lfp"), plug(step_v=3.7, chemistry="nmc"), STOP, [], {}, ["chemistry_differs"]),
    "NMC and NCA have the same limits": (plug(chemistry="nmc"), plug(chemistry="nca"), AGREE, [], {}, []),
    "LFP on a board for NMC, not stated": (plug(step_v=3.3), plug(step_v=3.95), OPEN, [], {}, ["chemistry_may_differ"]),
    "a pin not measured": (unread(OWN, 5), OTHER, OPEN, [], {}, []),
    "a pin of the donor not measured": (OWN, unread(OTHER, 5, 6), OPEN, [], {}, []),
    "one not measured and two exchanged": (unread(moved(OWN, {2: 3, 3: 2}), 8), OTHER, STOP, [2, 3], {2: 3.651}, []),
    "heavy leads as well, stated": (heavy(OWN, 14, 15), heavy(OTHER, 14, 15), AGREE, [], {}, ["same_potential"]),
    "heavy leads exchanged with sense leads": (
        moved(heavy(OWN, 14, 15), {1: 14, 14: 1}), heavy(OTHER, 14, 15), STOP, [1, 14], {1: 0.0}, ["same_potential"],
    ),
    "heavy leads, which is which not stated": (changed(OWN, p14=Pin(14, 0.0)), changed(OTHER, p14=Pin(14, 0.0)), OPEN, [], {}, ["same_potential"]),
    "a group without any voltage": (dead_group(OWN, 5), OTHER, OPEN, [], {}, ["same_potential"]),
    "stated roles against measured potentials": (changed(OWN, p4=Pin(4, OWN.pin(4).v, "tap", 4)), OTHER, OPEN, [], {}, ["role_contradicted"]),
    "the maker's data alone on the board's side": (
        OWN, replace(OTHER, pins=tuple(replace(pin, v=None, role="tap", tap=pin.number - 1) if pin.v is not None else pin for pin in OTHER.pins)), AGREE, [], {}, [],
    ),
    "roles alone on the pack's side prove nothing": (
        replace(OWN, pins=tuple(replace(pin, v=None, role="tap", tap=pin.number - 1) if pin.v is not None else pin for pin in OWN.pins)), OTHER, OPEN, [], {}, ["nothing_measured"],
    ),
}


def test_the_table_is_as_long_as_it_has_to_be():
    assert len(PAIRS) >= 24 and {result for _own, _donor, result, *_rest in PAIRS.values()} == {STOP, AGREE, OPEN}


@pytest.mark.parametrize("name", PAIRS)
def test_pair(name):
    own, donor, result, wrong, across, codes = PAIRS[name]
    found = compare_connectors(own, donor)
    json.dumps(found, allow_nan=False)
    assert found["result"] == result
    assert [item["pin"] for item in found["pins"] if item["verdict"] == "wrong"] == wrong
    by_pin = {item["pin"]: item for item in found["pins"]}
    for number, volts in across.items():
        assert by_pin[number]["across_v"] == pytest.approx(volts, abs=1e-6)
        assert by_pin[number]["u_across_v"] > 0
    assert set(codes) <= {item["code"] for item in found["remarks"]}
    words = {STOP: "Do not connect.", AGREE: "Measured potentials agree; confirm with the maker's data.", OPEN: "Not known."}[result]
    assert found["words"].startswith(words)
    assert all(item["words"].endswith(".") for item in [*found["pins"], *found["remarks"]])


def key(connector):
    """All that a plug is, so that permutations which change nothing can be told."""
    return (
        {pin.number: (pin.v, pin.role, pin.tap) for pin in connector.pins}, sorted((item.pins, item.ohm, item.temperature_c) for item in connector.thermistors),
    )


def test_every_permutation_that_changes_anything_is_caught():
    draw = random.Random(7)
    numbers = [pin.number for pin in TWO.pins]
    caught = 0
    for trial in range(400):
        others = numbers[:]
        if trial % 2:  # two pins alone: the least that can be wrong
            a, b = draw.sample(range(len(numbers)), 2)
            others[a], others[b] = others[b], others[a]
        else:
            draw.shuffle(others)
        turned = moved(TWO, dict(zip(numbers, others, strict=True)))
        found = compare_connectors(turned, TWO_OTHER)["result"]
        assert found == (AGREE if key(turned) == key(TWO) else STOP), others
        caught += found == STOP
    assert caught > 350


def test_turning_the_pair_about_gives_the_same_verdict_on_every_pin():
    for own, donor, *_rest in PAIRS.values():
        if any(pin.role == "tap" and pin.v is None for pin in (*own.pins, *donor.pins)):
            continue  # what is stated alone counts on the board's side only
        verdicts = [[item["verdict"] for item in compare_connectors(*pair)["pins"]] for pair in ((own, donor), (donor, own))]
        assert verdicts[0] == verdicts[1]


def test_reversed_worked_by_hand():
    """Five groups of 3.6 V: tap k at 3.6 k V, so that pin p of a reversed plug is off by 3.6 (7 - 2 p) = 18.0, 10.8, 3.6, -3.6, -10.8, -18.0 V."""
    pins = tuple(Pin(k + 1, round(3.6 * k, 3)) for k in range(6))
    turned = tuple(Pin(k + 1, round(3.6 * (5 - k), 3)) for k in range(6))
    found = compare_connectors(Connector(turned), Connector(pins))
    assert [item["across_v"] for item in found["pins"]] == pytest.approx([18.0, 10.8, 3.6, -3.6, -10.8, -18.0])
    assert found["series_own"] == found["series_donor"] == 5


def test_uncertainty_of_the_voltage_across_an_input():
    """A meter of ±(0.5 % of reading + 0.02 V): one reading of 36.501 V has the limit 0.2025 V, u = 0.2025 / sqrt(3); in a difference the gain acts on the difference, the zeros
    add as squares (JCGM 100:2008, 4.3.7 and 5.2, clauses from memory), and the two parts of one line add up as they do for the groups of a bench sheet."""
    text = connector_to_toml(shifted(OWN, 1)).replace('# voltage = "0.5 % of reading + 2 digits"\n# voltage_digit_v = 0.01', 'voltage = "0.5 % of reading + 2 digits"\nvoltage_digit_v = 0.01')
    found = {item["pin"]: item for item in compare_connectors(connector_from_text(text, "p.toml"), OTHER)["pins"]}
    assert found[12]["u_v"] == pytest.approx((0.005 * 36.501 + 0.02) / math.sqrt(3), rel=1e-9)
    assert found[2]["u_across_v"] == pytest.approx((0.005 * 3.65 + math.sqrt(2.0) * 0.02) / math.sqrt(3), rel=1e-9)


def test_tap_that_is_not_on_the_plug_is_reckoned_with_the_spread_of_the_steps():
    # Tap 5 is not on the pack's plug; the board has it where tap 6 is. Its potential is one usual step from the nearest tap, as well known as steps are alike.
    own = changed(plug(), p6=Pin(6, role="nothing"))
    donor = changed(plug(), p6=Pin(6, role="nothing"), p7=Pin(7, plug().pin(6).v))
    row = next(row for row in compare_connectors(own, donor)["pins"] if row["pin"] == 7)
    side = side_of(own)
    steps = [0.0, 0.001, -0.003, 0.002, 0.003, -0.002, 0.001, 0.0]  # of tests.repair.plugs without groups 5 and 6
    assert side.u_step_v == pytest.approx(statistics.stdev(steps), rel=1e-6)
    assert row["verdict"] == "wrong" and row["u_across_v"] == pytest.approx(math.hypot(u_difference(own, row["across_v"]), side.u_step_v), rel=1e-9)


def test_difference_of_two_plugs_has_the_gain_of_two_meters():
    # Two workshops, two meters of 0.5 % + 2 digits of 10 mV: of 36.5 V against 33.0 V each gain counts with its own reading, not with the 3.5 V between them.
    meter = {"voltage": "±(0.5 % rdg + 2 digits)", "voltage_digit_v": 0.01}
    own, donor = (replace(changed(plug(), p14=Pin(14, volts, "charge contact")), meter=meter_from_dict(meter)) for volts in (36.5, 33.0))
    row = next(row for row in compare_connectors(own, donor)["pins"] if row["pin"] == 14)
    assert row["verdict"] == "wrong" and row["across_v"] == pytest.approx(3.5)
    assert row["u_across_v"] == pytest.approx(math.hypot(0.2025, 0.185) / math.sqrt(3.0), rel=1e-6)
    assert row["u_across_v"] > 2.0 * (0.005 * 3.5 + math.sqrt(2.0) * 0.02) / math.sqrt(3.0)


def test_order_is_read_from_steps_whatever_the_reference():
    up = [OWN.pin(k).v for k in range(1, 12)]
    top = up[-1]
    from_positive = replace(OWN, reference="pack positive", pack_v=top, pins=tuple(replace(pin, v=pin.v - top) if pin.v is not None else pin for pin in OWN.pins))
    from_pin = replace(OWN, reference="pin 4", pins=tuple(replace(pin, v=pin.v - up[3]) if pin.v is not None else pin for pin in OWN.pins))
    for other in (from_positive, from_pin):
        side = side_of(other)
        assert [side.order[k] for k in range(1, 12)] == [(k - 1, k - 1) for k in range(1, 12)]
        assert compare_connectors(other, OTHER)["result"] == AGREE
    lost = replace(from_pin, series=None)
    assert compare_connectors(lost, replace(OTHER, series=None))["result"] == OPEN


def test_a_missing_tap_does_not_move_those_above_it():
    side = side_of(changed(OWN, p6=None))
    assert side.order[7] == (6, 6) and side.order[11] == (10, 10) and [code for code, *_rest in side.notes] == ["tap_missing"]


@pytest.mark.parametrize("series", [16, 20])
def test_over_60_v_is_told(series):
    assert "over_60_v" in {item["code"] for item in compare_connectors(plug(series), plug(series))["cautions"]}
    assert "over_60_v" not in {item["code"] for item in compare_connectors(OWN, OTHER)["cautions"]}


# ---- files and forms -----------------------------------------------------------------------------------------------


def test_a_connector_written_and_read_is_the_same():
    for connector in (TWO, heavy(OWN, 14, 15), unread(OWN, 3), replace(OWN, reference="pin 1", pack_v=36.5)):
        again = connector_from_text(connector_to_toml(connector), "x.toml")
        assert replace(again, file=None, meter=connector.meter) == connector
        typed, wrong = connector_from_form(form_from_connector(connector), "the form")
        assert wrong == {} and replace(typed, meter=connector.meter) == connector


def test_template_reads_and_nothing_is_known_of_it():
    connector = connector_from_text(new_connector_text(13), "new.toml")
    assert len(connector.pins) == 13 and all(pin.v is None for pin in connector.pins)
    assert compare_connectors(connector, connector)["result"] == OPEN
    with pytest.raises(InputError):
        new_connector_text(0)


BAD = {
    "[[pin]]\nnumber = 1\nv = 0\n[[pin]]\nnumber = 1\nv = 3.6\n": ("x.toml:5", "stands twice"),
    "[[pin]]\nnumber = 1\nv = \"3,6\"\n": ("x.toml:3", "v is not a number"),
    "[[pin]]\nnumber = 0\n": ("x.toml:2", "not the number of a pin"),
    "[[pin]]\nnumber = 1\nrole = \"tap x\"\n": ("x.toml:3", "unknown role"),
    "[[pin]]\nnumber = 1\nvolt = 3\n": ("x.toml:3", "unknown key"),
    "[[pin]]\nnumber = 1\nv = 36501\n": ("x.toml:3", "implausible"),
    "series = 0\n[[pin]]\nnumber = 1\n": ("x.toml:1", "series is not"),
    "serie = 10\n[[pin]]\nnumber = 1\n": ("x.toml:1", "unknown key"),
    "chemistry = \"zinc\"\n[[pin]]\nnumber = 1\n": ("x.toml:1", "unknown chemistry"),
    "reference = \"case\"\n[[pin]]\nnumber = 1\n": ("x.toml:1", "unknown reference"),
    "reference = \"pin 9\"\n[[pin]]\nnumber = 1\n": ("x.toml", "is not on the plug"),
    "name = \"x\"\n": ("x.toml", "no pins"),
    "[[thermistor]]\npins = [3, 3]\nohm = 10\n": ("x.toml:2", "between two pins"),
    "[[thermistor]]\npins = [3, 4]\nohm = -10\n": ("x.toml:3", "below zero"),
    "series = 10\n[[pin]]\nnumber = 1\nrole = \"tap 12\"\n": ("x.toml:3", "tap 12 of a pack of 10"),
    "[[pin]]\nnumber = 3\nrole = \"tap 2\"\n[[thermistor]]\npins = [3, 4]\n": ("x.toml:2", "is a thermistor and tap 2"),
    "meter = 3\n[[pin]]\nnumber = 1\n": ("x.toml:1", "meter is not a table"),
    "pin = 3\n": ("x.toml:1", "not a list of tables"),
}


@pytest.mark.parametrize("text", BAD)
def test_bad_file_says_what_and_where(text):
    where, what = BAD[text]
    with pytest.raises(InputError) as caught:
        connector_from_text(text, "x.toml")
    assert str(caught.value.where) == where and what in caught.value.what


def test_missing_file(tmp_path):
    with pytest.raises(InputError, match="no such connector file"):
        load_connector(tmp_path / "none.toml")


def test_form_keeps_what_it_cannot_read_and_says_which():
    values = form_from_connector(OWN) | {"pin.3.v": "7,3o1", "series": "ten", "probe.0.ohm": "-5"}
    connector, wrong = connector_from_form(values, "the pack's plug")
    assert connector is None and set(wrong) == {"pin.3.v", "series", "probe.0.pins"}
    assert "pin 3" in str(wrong["pin.3.v"].where) and "7,3o1" in wrong["pin.3.v"].why


def test_pasted_readings():
    values = form_from_readings("0\n3,652\n7.305 \n# a remark\n- \n")
    assert [values[f"pin.{k}.v"] for k in range(1, 5)] == ["0", "3,652", "7.305", "-"]
    values = form_from_readings("1 0.00 pack negative\n2: 3.652 tap 1\n12-13 10.1k 21.5\nwhat\n")
    assert values["pin.1.role"] == "pack negative" and values["pin.2.v"] == "3.652" and values["probe.0.pins"] == "12-13" and values["pin.3.v"] == "what"
    connector, wrong = connector_from_form({key: word for key, word in values.items() if key != "pin.3.v"}, "x")
    assert wrong == {} and connector.thermistors == (Thermistor((12, 13), 10100.0, 21.5),)
