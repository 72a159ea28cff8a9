"""The reasoner: its file, its arithmetic against closed forms, and that it says no more than the readings do.

Sources: Bayes' rule and its textbook example of a test with few ill among many; the information of a binary symmetric channel, 1 - H(e) (Shannon 1948; both from
memory). That N groups have N + 1 taps and that cumulative taps rise by one group each is common practice, no source.
"""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cycler.errors import InputError
from cycler.pack import Pack
from cycler.repair.causefile import CAUSES_FILE, END, knowledge, knowledge_from_text
from cycler.repair.causes import doubts, explain, observations
from cycler.repair.cautions import CAUTIONS
from cycler.repair.clues import tap_picture
from cycler.repair.probes import evaluate_probes
from cycler.repair.sheet import LOOK_ITEMS, BenchSheet, Probe
from cycler.repair.taps import group_table

PACK = Pack(id="EB-0415", chemistry="nmc", series=10, parallel=4, rated_capacity_ah=10.4, charge_voltage_v=42.0)
RULES = knowledge().rules


def cumulative(groups):
    return (0.0, *(round(float(v), 3) for v in np.cumsum(groups)))


def reason(sheet, known=None):
    """causes, ruled out, next and doubts of a sheet."""
    taps = group_table(sheet).figures
    probes, _ = evaluate_probes(sheet)
    return *explain(sheet, taps, probes, [], known=known), doubts(sheet, taps, probes, [], known=known)


def chances(sheet, known=None):
    """Probability by (code, group or tap or probe)."""
    return {(row["code"], row["group"] if row["group"] is not None else row["tap"] if row["tap"] is not None else row["probe"]): row["probability"] for row in reason(sheet, known)[0]}


SOUND = BenchSheet(pack=PACK, taps_from="pack_negative", taps_v=cumulative([3.65] * 10), cells_v=36.5, terminal_v=0.03, rested_h=20.0, ambient_c=20.0)


# ---- the file ----------------------------------------------------------------------------------------------------


def test_every_number_has_a_reason_and_every_line_adds_up_to_one():
    known = knowledge()
    assert sum(cause.prior for cause in known.causes) == pytest.approx(1.0)
    assert len(known.causes) >= 20 and all(cause.why and cause.words for cause in known.causes)
    for clue in known.clues.values():
        for line in (clue.default, *clue.given.values()):
            assert line.why and sum(line.p.values()) == pytest.approx(1.0)
            assert all(0.0 < p < 1.0 for p in line.p.values()) and set(line.p) == set(clue.values)
        assert clue.question and clue.how and clue.minutes > 0.0
    # A measurement at or on the cells says what to heed.
    for key in ("taps", "cells_v", "group_direct_v", "lead_ohm", "fuse_ohm", "discharge_gate_v", "joint_drop_mv"):
        assert known.clues[key].caution == "short_circuit_probes"
    assert {key.removeprefix("look.") for key in known.clues if key.startswith("look.")} == set(LOOK_ITEMS)


def test_every_cause_can_be_told_by_some_reading():
    """Each cause has lines of its own, and for each some reading is at least ten times likelier than by default."""
    known = knowledge()
    for cause in known.causes:
        telling = max(line.p[value] / clue.default.p[value] for clue in known.clues.values() for line in [clue.line(cause.code)] for value in clue.values)
        assert telling >= 10.0 or cause.code in ("pack_aged", "nothing_wrong", "board_locked", "discharge_switch_open"), cause.code
        assert any(cause.code in clue.given or cause.code + END in clue.given for clue in known.clues.values()), cause.code


def test_cautions_of_clues_are_known():
    assert {clue.caution for clue in knowledge().clues.values()} <= {"", *CAUTIONS}


def text_with(old, new, count=1):
    text = CAUSES_FILE.read_text(encoding="utf-8")
    assert old in text
    return text.replace(old, new, count)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("prior = 0.10", "prior = 0.11", "the priors do not add up to 1"),
        ("prior = 0.10", "prior = 1.4", "prior is no probability"),
        ('part = "cells"', 'part = "cell"', 'unknown part "cell"'),
        ("{ conducts = 0.004, poor", "{ conducts = 0.104, poor", "line fuse_open does not add up to 1"),
        ("{ conducts = 0.004, poor", "{ conducts = -0.004, poor", "conducts is no probability"),
        ("{ conducts = 0.004, poor", "{ conduct = 0.004, poor", 'unknown key "conduct"'),
        ("{ conducts = 0.004, poor = 0.08, open = 0.916, why = ", "{ conducts = 0.004, poor = 0.08, open = 0.916, reason = ", "line fuse_open has no reason"),
        ("\nfuse_open = { conducts", "\nfuse_opened = { conducts", 'no cause "fuse_opened"'),
        ("edges = [2.0, 1000.0]", "edges = [1000.0, 2.0]", "the edges of clue fuse_ohm do not part its values"),
        ('key = "fuse_ohm"', 'key = "lead_ohm"', "clue lead_ohm stands twice"),
        ("minutes = 8", "minutes = 0", "minutes must be above zero"),
        ("place_miss = ", "place_mis = ", "rule place_miss is missing"),
        ('code = "group_weak"', 'code = "group_dead"', "cause group_dead stands twice"),
    ],
)
def test_bad_file_of_causes_is_refused_with_its_line(old, new, said):
    text = text_with(old, new)
    with pytest.raises(InputError) as caught:
        knowledge_from_text(text, "causes.toml")
    assert said in str(caught.value)
    line = caught.value.where.line
    assert line is not None
    if said.startswith("line ") or "conducts" in said:
        assert new.strip().split(" ")[0] in text.splitlines()[line - 1] or "fuse_open" in text.splitlines()[line - 1]


def test_clue_without_a_default_line_is_refused():
    with pytest.raises(InputError, match="clue cells_v has no default line"):
        knowledge_from_text(text_with("default = { agrees", "fuse_open = { agrees").replace("\nfuse_open = { agrees = 0.85", "\nboard_dead = { agrees = 0.85"))


# ---- arithmetic against closed forms -------------------------------------------------------------------------------


def small(prior, seen_if_so, seen_else, more=""):
    """A file with two causes and one question."""
    rules = "\n".join(f"{key} = {value}" for key, value in RULES.items())
    return knowledge_from_text(f"""
[rules]
{rules}
[[cause]]
code = "ill"
title = "ill"
part = "board"
prior = {prior}
why = "w"
words = "w"
[[cause]]
code = "well"
title = "well"
part = "pack"
prior = {1.0 - prior}
why = "w"
words = "w"
[[clue]]
key = "test"
question = "test"
how = "so"
minutes = 1
choices = true
[clue.values]
yes = "seen"
no = "not seen"
[clue.given]
default = {{ yes = {seen_else}, no = {1.0 - seen_else}, why = "w" }}
ill = {{ yes = {seen_if_so}, no = {1.0 - seen_if_so}, why = "w" }}
{more}""")


def test_posterior_is_that_of_the_textbook():
    # One in a hundred is ill, the test finds nine of ten and accuses one sound in eleven: 0.009 / (0.009 + 0.99 / 11) = 1/11 of the accused are ill.
    known = small(0.01, 0.9, 1.0 / 11.0)
    sheet = BenchSheet(observed={"test": "yes"})
    assert chances(sheet, known) == {("ill", None): pytest.approx(1.0 / 11.0), ("well", None): pytest.approx(10.0 / 11.0)}
    ill = next(row for row in reason(sheet, known)[0] if row["code"] == "ill")
    assert ill["for"] == [{"reading": "test", "words": "seen", "factor": pytest.approx(0.9 * 11.0)}] and ill["prior"] == pytest.approx(0.01)


@pytest.mark.parametrize("error", [0.05, 0.1, 0.3, 0.499])
def test_bits_of_a_measurement_are_those_of_the_binary_symmetric_channel(error):
    # Two causes alike, a test that errs in a share e of the cases either way tells 1 - H(e) bits.
    found = reason(BenchSheet(), small(0.5, 1.0 - error, error))[2]
    wanted = 1.0 + error * math.log2(error) + (1.0 - error) * math.log2(1.0 - error)
    if wanted < 0.005:
        assert found == []
    else:
        assert found[0]["bits"] == pytest.approx(wanted, abs=1e-9) and found[0]["bits_per_minute"] == found[0]["bits"]
        assert found[0]["splits"] == ["ill", "well"]


@pytest.mark.parametrize("key", ["fuse_ohm", "discharge_gate_v", "probes", "board_current"])
def test_bits_on_a_real_sheet_are_the_mutual_information(key):
    # Second method: sum of p(cause) p(value | cause) log2 [p(value | cause) / p(value)], from the shown probabilities and the lines of the file.
    sheet = replace(SOUND, charge_contact_v=0.1)
    clue = knowledge().clues[key]
    p = {row["code"]: row["probability"] for row in reason(sheet)[0]}
    lines = {code: clue.line(code).p for code in p}
    total = {value: sum(p[code] * lines[code][value] for code in p) for value in clue.values}
    wanted = sum(p[code] * lines[code][value] * math.log2(lines[code][value] / total[value]) for code in p for value in clue.values)
    found = next(row for row in reason(sheet)[2] if row["key"] == key)
    # The first and the last lead have lines of their own, and share one row with the others.
    assert found["bits"] == pytest.approx(wanted, rel=2e-3)


def test_reading_rules_out_at_the_stated_factor_and_not_before():
    yes = BenchSheet(observed={"test": "yes"})
    assert reason(yes, small(0.5, 0.9 * RULES["rule_out"] * 1.05, 0.9))[1] == []
    out = reason(yes, small(0.5, 0.9 * RULES["rule_out"] * 0.95, 0.9))
    assert [row["code"] for row in out[1]] == ["ill"] and out[1][0]["by"] == [{"reading": "test", "words": "seen"}]
    assert [(row["code"], row["probability"]) for row in out[0]] == [("well", 1.0)]


def test_tied_clues_count_once():
    again = """
[[clue]]
key = "again"
tie = "same"
question = "again"
how = "so"
minutes = 1
choices = true
[clue.values]
yes = "seen again"
no = "not seen again"
[clue.given]
default = { yes = 0.1, no = 0.9, why = "w" }
ill = { yes = 0.9, no = 0.1, why = "w" }
"""
    free, tied = small(0.5, 0.9, 0.1, again), small(0.5, 0.9, 0.1, again.replace("again", "third") + again)
    both = BenchSheet(observed={"test": "yes", "again": "yes"})
    assert chances(both, free)[("ill", None)] == pytest.approx(81.0 / 82.0)
    three = BenchSheet(observed={"test": "yes", "again": "yes", "third": "yes"})
    assert chances(three, tied)[("ill", None)] == pytest.approx(81.0 / 82.0)
    assert reason(BenchSheet(observed={"third": "yes"}), tied)[2][0]["key"] == "test"
    assert "again" not in [row["key"] for row in reason(BenchSheet(observed={"third": "yes"}), tied)[2]]
    # In the program's own file: a vehicle that does not drive says what dead contacts said already.
    assert chances(replace(SOUND, observed={"drives": "no"})) == chances(SOUND)
    live = replace(SOUND, terminal_v=36.4)
    assert chances(replace(live, observed={"drives": "short_range"}))[("pack_aged", None)] > chances(live)[("pack_aged", None)]


# ---- the picture of the taps -------------------------------------------------------------------------------------


def picture(groups, **more):
    found = tap_picture(groups, [0.003] * len(groups), RULES, empty_v=3.0, full_v=4.2, **more)
    return (found.value, found.groups, found.taps)


def with_group(number, value, usual=3.65, count=10):
    groups = [usual] * count
    groups[number - 1] = value
    return groups


def through_leads(cells, potential_of_tap=None, exchanged=None):
    """What the plug shows of cells: taps rise by one group each; one lead may float at a potential, two may be exchanged. Common practice, no source."""
    taps = np.concatenate([[0.0], np.cumsum(cells)])
    if potential_of_tap:
        taps[potential_of_tap[0]] = potential_of_tap[1]
    if exchanged:
        taps[list(exchanged)] = taps[list(exchanged)[::-1]]
    return [round(float(step), 4) for step in np.diff(taps)]


@pytest.mark.parametrize(
    ("groups", "wanted"),
    [
        ([3.65, 3.66, 3.64, 3.65, 3.655, 3.65, 3.65, 3.645, 3.65, 3.65], ("alike", (), ())),
        ([3.10] * 10, ("even_empty", (), ())),
        ([2.85] * 10, ("all_low", (), ())),
        (with_group(4, 0.41), ("one_dead", (4,), ())),
        (with_group(4, -0.31), ("one_dead", (4,), ())),
        (with_group(1, 0.02), ("one_dead", (1,), (0,))),
        (with_group(10, 0.02), ("one_dead", (10,), (10,))),
        (with_group(4, 3.57), ("one_slightly_low", (4,), ())),
        (with_group(4, 3.30), ("one_low", (4,), ())),
        (with_group(4, 3.80), ("one_high", (4,), ())),
        ([3.60, 3.68, 3.75, 3.61, 3.70, 3.58, 3.66, 3.71, 3.65, 3.69], ("spread", (1, 3, 4, 6), ())),
        ([0.4, 1.2, -0.1, 0.8, 1.4, 0.2, 0.9], ("most_dead", (1, 2, 3, 4, 5, 6, 7), ())),
        (through_leads([3.65] * 10, (4, 11.3)), ("pair_over", (4,), (4,))),
        (through_leads([3.65] * 10, (4, 0.0)), ("pair_over", (4,), (4,))),
        (through_leads([3.65] * 10, (4, 18.1)), ("pair_over", (5,), (4,))),
        (through_leads([3.65] * 10, (4, 14.45)), ("pair", (4,), (4,))),
        (through_leads(through_leads([3.65] * 10, (3, 7.5)), (7, 22.2)), ("pair_over", (3, 7), (3, 7))),
        (through_leads(through_leads([3.65] * 10, (3, 0.0)), (7, 0.0)), ("pair_over", (3, 7), (3, 7))),
        (through_leads([3.65] * 10, exchanged=(9, 10)), ("swapped", (), ())),
        (through_leads([3.65] * 10, exchanged=(4, 5)), ("swapped", (), ())),
        (through_leads([3.65] * 10, exchanged=(3, 7)), ("swapped", (), ())),
        ([3.65, 3.65, 3.65, 0.01, 0.02, *[3.65] * 5], ("two_zero", (4, 5), (4,))),
        ([3.65, 0.4, 3.65, 3.65, 0.3, *[3.65] * 5], ("some_dead", (2, 5), ())),
        ([3.65, 3.65, 3.65, 3.65, -14.58, 0.0, 0.01, 0.0, 0.0, 0.0], ("string_open", (5,), ())),
    ],
)
def test_picture_of_the_groups(groups, wanted):
    assert picture(groups) == wanted


def test_picture_waits_for_the_meter():
    """With a meter good to 0.1 V a group 80 mV lower says nothing; with too few groups there is no picture."""
    coarse = tap_picture(with_group(4, 3.57), [0.06] * 10, RULES, empty_v=3.0, full_v=4.2)
    assert coarse.value == "alike"
    assert tap_picture([3.65, None, None], [0.01] * 3, RULES) is None
    assert [picture([volts])[0] for volts in (0.4, 2.8, 3.1, 3.7)] == ["most_dead", "all_low", "even_empty", "alike"]
    assert picture([None if k == 5 else 3.65 for k in range(10)])[0] == "alike"


@settings(max_examples=40, deadline=None)
@given(st.integers(4, 16), st.floats(3.2, 4.1), st.data())
def test_free_inner_lead_leaves_the_sum_and_is_found_wherever_it_floats(count, usual, data):
    tap = data.draw(st.integers(1, count - 1))
    below, above = (tap - 1) * usual, (tap + 1) * usual
    floats = data.draw(st.one_of(st.floats(below - 0.2, below + 0.25 * usual), st.floats(above - 0.25 * usual, above + 0.2)))
    shown = through_leads([usual] * count, (tap, floats))
    assert sum(shown) == pytest.approx(count * usual, abs=1e-3)
    found = tap_picture(shown, [0.002] * count, RULES, empty_v=3.0, full_v=4.2)
    assert (found.value, found.taps) == ("pair_over", (tap,))


# ---- what it says ------------------------------------------------------------------------------------------------


def test_nothing_measured_is_said_and_what_comes_first():
    causes, out, following, said = reason(BenchSheet(pack=PACK))
    known = {cause.code: cause.prior for cause in knowledge().causes}
    assert {row["code"]: pytest.approx(row["probability"]) for row in causes} == known and out == []
    assert all(row["for"] == [] and row["against"] == [] and "no source" in row["basis"] for row in causes)
    assert following[0]["key"] == "terminal_v" and max(following, key=lambda row: row["bits"])["key"] == "taps"
    assert said[0]["code"] == "nothing_measured" and "discharge contacts" in said[0]["message"] and "groups" in said[0]["message"]
    assert reason(BenchSheet())[0]


ANY_SHEET = st.builds(
    lambda groups, cells, terminal, contact, current, charger, days, look, observed, ohm: BenchSheet(
        pack=PACK, taps_from="each_group" if groups else None, taps_v=tuple(groups), cells_v=cells, terminal_v=terminal, charge_contact_v=contact, board_current_a=current,
        charger_v=charger, days_low=days, look=look, observed=observed, probes=() if ohm is None else (Probe("cells", ohm),), ambient_c=20.0,
    ),
    st.one_of(st.just([]), st.lists(st.one_of(st.none(), st.floats(-4.0, 9.0).map(lambda v: round(v, 3))), min_size=10, max_size=10)),
    st.one_of(st.none(), st.floats(0.0, 45.0)), st.one_of(st.none(), st.floats(0.0, 45.0)), st.one_of(st.none(), st.floats(0.0, 45.0)), st.one_of(st.none(), st.floats(0.0, 0.05)),
    st.one_of(st.none(), st.floats(0.0, 60.0)), st.one_of(st.none(), st.floats(0.0, 300.0)), st.dictionaries(st.sampled_from(LOOK_ITEMS), st.sampled_from(["yes", "no"])),
    st.dictionaries(
        st.sampled_from(["group_direct_v", "group_direct_v_4", "lead_ohm_3", "lead_ohm_10", "fuse_ohm", "terminal_with_charger_v", "discharge_gate_v", "sag_ratio_4", "nonsense"]),
        st.one_of(st.floats(0.0, 50.0), st.just("open")),
    ),
    st.one_of(st.none(), st.just(math.inf), st.floats(0.0, 1e6)),
)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(ANY_SHEET)
def test_any_sheet_gives_probabilities_evidence_and_plain_json(sheet):
    causes, out, following, said = reason(sheet)
    json.dumps([causes, out, following, said], allow_nan=False)
    assert sum(row["probability"] for row in causes) == pytest.approx(1.0)
    assert all(a["probability"] >= b["probability"] - 1e-11 for a, b in itertools.pairwise(causes))
    keys = [(row["code"], row["group"], row["tap"], row["probe"]) for row in causes]
    assert len(set(keys)) == len(keys)
    assert not set(keys) & {(row["code"], row["group"], row["tap"], row["probe"]) for row in out}
    assert all(row["by"] for row in out) and all(row["bits"] > 0.0 and row["splits"] and row["how"] for row in following)
    assert all(a["bits_per_minute"] >= b["bits_per_minute"] - 1e-8 for a, b in itertools.pairwise(following))
    for row in causes:
        assert all(item["factor"] > 1.0 for item in row["for"]) and all(item["factor"] < 1.0 for item in row["against"])
    # The order of entries says nothing.
    turned = replace(sheet, look=dict(reversed(list(sheet.look.items()))), observed=dict(reversed(list(sheet.observed.items()))))
    assert reason(turned)[:3] == (causes, out, following)


def test_the_lower_a_group_reads_the_likelier_it_is_dead_and_never_the_less():
    found = [chances(replace(SOUND, taps_v=cumulative(with_group(4, v)), cells_v=32.85 + v)).get(("group_dead", 4), 0.0) for v in (3.64, 3.58, 3.45, 3.0, 2.2, 1.1, 0.3)]
    assert all(a <= b + 1e-12 for a, b in itertools.pairwise(found)) and found[0] == 0.0 and found[-1] > 0.8


@pytest.mark.parametrize(
    ("more", "who"),
    [
        ({"fuse_ohm": "open"}, ("fuse_open", None)), ({"discharge_gate_v": 0.1}, ("board_locked", None)), ({"terminal_with_charger_v": 36.4}, ("board_locked", None)),
        ({"sag_ratio_4": 1.5}, ("group_weak", 4)), ({"group_drop_mv_4": 20.0}, ("group_weak", 4)), ({"lead_ohm_4": "open"}, ("sense_lead_open", 4)),
        ({"joint_drop_mv_4": 60.0}, ("joint_torn", 4)), ({"capacity_share": 0.6}, ("pack_aged", None)),
    ],
)
def test_evidence_for_a_cause_raises_it_and_leads_the_list_for_it(more, who):
    before = chances(SOUND)
    causes = reason(replace(SOUND, observed=more))[0]
    row = next(row for row in causes if (row["code"], row["group"] if row["group"] is not None else row["tap"]) == who)
    assert row["probability"] > before.get(who, before.get((who[0], None), 0.0)) / (10.0 if who[1] else 1.0)
    assert any(item["reading"] == next(iter(more)) for item in row["for"])


def test_reading_at_one_place_says_nothing_of_another():
    direct = chances(replace(SOUND, taps_v=cumulative(with_group(4, 3.3)), cells_v=36.15, observed={"group_direct_v_8": 3.65}))
    plain = chances(replace(SOUND, taps_v=cumulative(with_group(4, 3.3)), cells_v=36.15))
    assert direct[("group_weak", 4)] == pytest.approx(plain[("group_weak", 4)], rel=0.05)


def test_taps_read_at_the_cells_accuse_no_lead():
    shown = replace(SOUND, taps_v=cumulative(with_group(10, 0.02)), cells_v=32.87)
    assert chances(replace(shown, observed={"taps_read_at": "cells"}))[("sense_lead_open", 10)] < 0.2 * chances(shown)[("sense_lead_open", 10)]


def test_two_faults_are_told_as_readings_that_contradict_each_other():
    said = reason(replace(SOUND, taps_v=cumulative(with_group(4, 0.2)), cells_v=33.05, observed={"fuse_ohm": "open"}))[3]
    found = next(remark for remark in said if remark["code"] == "readings_contradict")
    assert found["severity"] == "caution" and "two faults" in found["message"] and "fuse is open" in found["message"] and found["group"] == 4
    assert "readings_contradict" not in [remark["code"] for remark in reason(SOUND)[3]]


def test_where_every_cause_is_contradicted_none_is_ruled_out():
    known = small(0.5, 0.0005, 0.5, """
well = { yes = 0.0005, no = 0.9995, why = "w" }
""")
    causes, out, _, _ = reason(BenchSheet(observed={"test": "yes"}), known)
    assert out == [] and [row["probability"] for row in causes] == pytest.approx([0.5, 0.5])


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"taps_v": cumulative(with_group(4, 0.4)), "cells_v": 33.25}, "outside the limits"), ({"look": {"swollen": "yes"}}, "shows danger"),
        ({"taps_v": cumulative(through_leads([3.65] * 10, (4, 11.3)))}, "the board does not see them right"), ({"probes": (Probe("cells", math.inf),)}, "thermistors"),
    ],
)
def test_nothing_is_charged_or_loaded_where_that_could_hurt(more, why):
    stressing = {clue.key for clue in knowledge().clues.values() if clue.stresses}
    assert {row["key"] for row in reason(SOUND)[2]} & stressing
    _, _, following, said = reason(replace(SOUND, **more))
    assert not {row["key"] for row in following} & stressing
    assert why in next(remark["message"] for remark in said if remark["code"] == "no_load_yet")
    # Before the groups were measured nothing is charged either.
    assert not {row["key"] for row in reason(BenchSheet(pack=PACK))[2]} & stressing


def test_where_no_group_stands_out_all_of_them_are_measured_under_load():
    alike = replace(
        SOUND, terminal_v=36.4, charge_contact_v=36.3, charger_v=42.0, probes=(Probe("cells", 11_900.0),), look=dict.fromkeys(LOOK_ITEMS, "no"), days_low=1.0,
        observed={"drives": "cuts_out", "charges": "yes"},
    )
    proposed = next(row for row in reason(alike)[2] if row["key"] == "sag_ratio")
    assert proposed["group"] is None and proposed["enter"] == "sag_ratio_N" and "every group" in proposed["words"] and {"cell_open", "group_weak"} <= set(proposed["splits"])
    low = next(row for row in reason(replace(alike, taps_v=cumulative(with_group(4, 3.4)), cells_v=36.25))[2] if row["key"] == "sag_ratio")
    assert low["group"] == 4 and low["enter"] == "sag_ratio_4" and "group 4" in low["words"]


def test_changed_over_probes_do_not_matter_to_a_pack_voltage():
    turned = replace(SOUND, cells_v=-36.5, terminal_v=-0.03)
    assert chances(turned) == chances(SOUND)


def test_observations_that_cannot_be_used_are_named():
    said = reason(replace(SOUND, observed={"fuse_ohm": "much", "lead_ohm": 3.0, "frobnicate": 1.0, "drives": "maybe", "fuse_ohm_3": 1.0, "group_direct_v_44": 3.6}))[3]
    messages = [remark["message"] for remark in said if remark["code"] == "observed_unknown"]
    assert len(messages) == 6
    for part in ("a number in ohm is wanted", "write lead_ohm_4 for tap 4", "no such observation", "one of yes, no, cuts_out, short_range", "fuse_ohm has no number", "at which group"):
        assert any(part in message for message in messages), part


def test_observations_for_a_form():
    rows = {row.key: row for row in observations()}
    assert rows["taps_read_at"].choices[2][0] == "cells" and rows["fuse_ohm"].unit == "Ω" and rows["fuse_ohm"].choices == ()
    assert dict(rows["drives"].choices)["no"] and rows["group_direct_v"].place == "group" and rows["lead_ohm"].place == "tap"
    assert all(row.question and row.how for row in rows.values()) and "cells_v" not in rows and not any(key.startswith("look.") for key in rows)


def test_board_current_between_none_and_usual_is_no_fact():
    """A meter good to 0.1 mA cannot tell a sleeping board from a working one; one good to a microampere can."""
    row = {code: p for (code, _), p in chances(SOUND).items()}
    assert {code: p for (code, _), p in chances(replace(SOUND, board_current_a=2e-5)).items()} == row
    fine = replace(SOUND, board_current_a=0.0, meter=replace(SOUND.meter, current_offset_a=1e-6))
    assert chances(fine)[("board_dead", None)] > 2.0 * row["board_dead"]
