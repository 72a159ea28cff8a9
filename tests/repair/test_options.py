"""Ranges in closed form, the workshop's figures, and options ranked with their vetoes."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from cycler.errors import InputError
from cycler.repair.evaluate import evaluate_sheet
from cycler.repair.options import OPTIONS, money_text, rank_options, span_text
from cycler.repair.ranges import Multilinear, Range, constant, crossing, figure
from cycler.repair.sheet import load_sheet
from cycler.repair.workshop import (
    KEYS,
    default_workshop,
    form_from_workshop,
    load_workshop,
    template_text,
    workshop_from_form,
    workshop_from_text,
    workshop_to_toml,
)
from cycler.tomlsource import line_of_key

SAMPLES = Path(__file__).resolve().parents[2] / "sample_logs"
LOOKED = {item: "no" for item in ("swollen", "leaking", "smell", "hot", "burnt", "wet", "dented")}
CAUSES = (
    {"code": "board_dead", "title": "the board's electronics are dead", "part": "board", "group": None, "probability": 0.8},
    {"code": "sense_lead_open", "title": "a sense lead is broken", "part": "wiring", "group": 4, "probability": 0.1},
    {"code": "group_dead", "title": "a group is dead", "part": "cells", "group": 4, "probability": 0.06},
    {"code": "charger_defective", "title": "the charger is defective", "part": "charger", "group": None, "probability": 0.04},
)
DEAD_GROUP = ({**CAUSES[2], "probability": 0.9}, {**CAUSES[1], "probability": 0.1})


def evaluation(levels=("ok",) * 10, causes=CAUSES, look=LOOKED, remarks=(), **pack):
    """An invented bench sheet of a 10S4P pack, evaluated."""
    ratings = {"id": "EB-0412", "chemistry": "nmc", "series": 10, "parallel": 4, "rated_capacity_ah": 10.4}
    return {
        "schema": "cycler.bench/1", "pack": ratings | pack, "look": dict(look), "remarks": list(remarks), "causes": [dict(item) for item in causes],
        "taps": {"groups": [{"group": k + 1, "voltage_v": 3.65, "level": level} for k, level in enumerate(levels)]},
    }


def with_figures(**figures):
    """The invented workshop with some figures of its own; ``board_hours`` and the like by their full names with __ for the dot."""
    own = default_workshop()
    return replace(own, figures=dict(own.figures) | {key.replace("__", "."): Range(*value) for key, value in figures.items()})


def option(result, code):
    return next(item for item in result["options"] if item["code"] == code)


# ---- ranges --------------------------------------------------------------------------------------------------------


def test_rectangle_has_the_variance_of_the_guide():
    """Half-width a: u = a / sqrt(3) (JCGM 100:2008, 4.3.7, from memory). [4, 10]: a = 3, u^2 = 3; two independent ones add as squares."""
    assert Range(4, 10).u == pytest.approx(math.sqrt(3)) and Range(4, 10).mean == 7
    both = figure("a") - figure("b") * 2.0
    assert both.variance({"a": Range(4, 10), "b": Range(0, 12)}) == pytest.approx(3 + 4 * 12)


def test_product_of_two_rectangles():
    """Textbook: Var(XY) = (s_x^2 + m_x^2)(s_y^2 + m_y^2) - (m_x m_y)^2 for independent X, Y (probability text books)."""
    x, y = Range(1, 3), Range(10, 40)
    expected = (1 / 3 + 4) * (75 + 625) - (2 * 25) ** 2
    assert (figure("x") * figure("y")).variance({"x": x, "y": y}) == pytest.approx(expected)


def test_net_of_three_factors_against_sampling():
    """Mean and spread of an expression of six figures against 10^6 draws of numpy's generator."""
    ranges = {"q": Range(0.4, 0.9), "v": Range(100, 300), "h": Range(1, 5), "r": Range(30, 60), "f": Range(0, 30), "s": Range(0.2, 0.9)}
    net = figure("q") * 0.8 * figure("v") - (constant(1.0) - figure("q") * 0.8) * (figure("f") + figure("s") * figure("r")) - figure("h") * figure("r")
    draw = np.random.default_rng(5)
    values = net.at({name: draw.uniform(item.low, item.high, 1_000_000) for name, item in ranges.items()})
    assert net.mean(ranges) == pytest.approx(values.mean(), abs=5 * values.std() / 1000)
    assert net.u(ranges) == pytest.approx(values.std(), rel=0.004)
    low, high = net.ends(ranges)
    assert low <= values.min() and values.max() <= high
    corner = {"q": 0.4, "v": 100, "h": 5, "r": 60, "f": 30, "s": 0.9}
    assert low == pytest.approx(float(net.at(corner)))


def test_crossing_is_where_the_means_meet():
    ranges = {"a": Range(2, 4), "b": Range(1, 1), "c": Range(0, 10)}
    first, second = figure("a") * figure("c") - 6.0, figure("b") * 9.0
    at = crossing(first, second, "c", ranges)
    assert at == pytest.approx(5.0)
    assert first.mean(ranges | {"c": Range(at, at)}) == pytest.approx(second.mean(ranges))
    assert crossing(figure("a") + figure("c"), figure("a"), "a", ranges) is None


def test_a_figure_times_itself_is_refused():
    with pytest.raises(ValueError, match="multiplied by itself"):
        figure("a") * figure("a")
    assert isinstance(figure("a") * 2.0 + 1.0, Multilinear)


# ---- the workshop's file -------------------------------------------------------------------------------------------


def test_template_says_that_its_prices_are_invented_and_explains_every_key():
    text = template_text()
    assert "EVERY FIGURE HERE IS INVENTED" in text
    lines = text.splitlines()
    for key in KEYS:
        assert any(line.lstrip("# ").startswith(key.split(".")[-1] + " =") for line in lines), key
    assert set(default_workshop().assumed) == {key for key in KEYS if key != "pack.value"} | {"currency"}


def test_workshop_is_written_and_read_the_same():
    own, wrong = workshop_from_form({"hour_cost": "40,5 – 50", "pack.value": "200", "currency": "CHF", "scrap.fee": "0 to 12.5", "rebalance.hours": ""}, "the form")
    assert wrong == {} and own.get("hour_cost") == Range(40.5, 50.0) and "rebalance.hours" in own.assumed and "scrap.fee" not in own.assumed
    again = workshop_from_text(workshop_to_toml(own), "w.toml")
    assert (again.figures, again.currency, set(again.assumed)) == (own.figures, "CHF", set(own.assumed))
    assert form_from_workshop(again) == {"hour_cost": "40.5 – 50", "pack.value": "200", "currency": "CHF", "scrap.fee": "0 – 12.5"}


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("hour_cost = [-3, 5]", "negative"), ("hour_cost = [50, 40]", "wrong way round"), ('hour_cost = ["a", 3]', "not a range"), ('hour_cost = "40"', "not a range"),
        ("hour_cost = [1, 2, 3]", "not a range"), ("hour_cots = 40", "unknown key"), ("[scrap]\nfee = [1, true]", "not a range"), ("[scrap]\nfees = 3", "unknown key"),
        ("[rebalance]\npasses_percent = [90, 120]", "too large"), ("[harvest]\nminutes_per_cell = 900", "too large"), ("scrap = 3", "not a table"), ("currency = 3", "not a text"),
        ("currency = \"a very long currency\"", "too long"), ("hour_cost = 1e400", "not a range"),
    ],
)
def test_bad_figures_are_told_with_their_line(tmp_path, line, what):
    file = tmp_path / "w.toml"
    file.write_text("# figures\n" + line + "\n")
    with pytest.raises(InputError) as caught:
        load_workshop(file)
    assert what in caught.value.what and str(caught.value.where) == f"{file}:{2 + line.count(chr(10))}"


def test_form_keeps_the_good_entries_beside_a_wrong_one():
    own, wrong = workshop_from_form({"hour_cost": "40 - 30", "scrap.fee": "five", "harvest.cell_value": "1;2", "scrap.hours": "-1"}, "the form")
    assert set(wrong) == {"hour_cost", "scrap.fee", "scrap.hours"} and own.get("harvest.cell_value") == Range(1, 2)
    assert "negative" in wrong["scrap.hours"].what


def test_key_of_a_table_is_found_below_its_own_header():
    text = "[scrap]\nhours = 1\n[harvest]\nhours = [3, 1]\n"
    with pytest.raises(InputError) as caught:
        workshop_from_text(text, "w.toml")
    assert caught.value.where.line == 4 and line_of_key(text, "hours") == 2


# ---- ranking -------------------------------------------------------------------------------------------------------


def test_board_fault_ranks_another_board_first_and_can_be_followed_by_hand():
    """All figures without width, so that the sum can be worked out as fractions: hour 40, value 200, board 30 + 2 h, passes 90 %, scrapping 10 + 0.5 h."""
    exact = with_figures(
        hour_cost=(40, 40), pack__value=(200, 200), repair_board__hours=(2, 2), repair_board__parts_cost=(30, 30), repair_board__passes_percent=(90, 90),
        scrap__hours=(0.5, 0.5), scrap__fee=(10, 10),
    )
    result = rank_options(evaluation(), exact)
    json.dumps(result, allow_nan=False)
    chance = Fraction(80, 100) * Fraction(90, 100)
    expected = chance * 200 - (1 - chance) * 30 - 110
    board = option(result, "repair_board")
    assert result["first"] == "repair_board" and board["net_expected"] == pytest.approx(float(expected)) and board["u_net"] == pytest.approx(0, abs=1e-9)
    assert board["chance_of_success"] == pytest.approx(0.72) and board["cost"] == [110, 110] and board["value"] == [200, 200]
    assert board["net_if_passes"] == [90, 90] and board["net_if_not"] == [-140, -140]
    assert option(result, "scrap")["net_expected"] == pytest.approx(-30)
    assert result["ranked"][1] == "scrap" and result["lead"]["expected"] == pytest.approx(float(expected) + 30)
    # What turns it: 0.72 V - 0.28 * 30 - 110 = -30, so V = (110 - 0.72 * 30) / 0.72.
    turning = {item["quantity"]: item["value_that_turns"] for item in result["turning"]["all"]}
    assert turning["pack.value"] == pytest.approx((110 - 0.72 * 30) / 0.72)
    assert all("cause:" not in name or 0 <= value <= 100 for name, value in turning.items())


def test_means_and_spread_of_every_option_against_sampling():
    """The whole model, drawn 4 * 10^5 times by numpy from the invented figures, with plain arithmetic written anew here."""
    own = default_workshop()
    result = rank_options(evaluation(), own)
    draw = np.random.default_rng(11)
    x = {key: draw.uniform(item.low, item.high, 400_000) for key, item in own.figures.items()}
    value = x["pack.value_per_wh"] * 10.4 * 10 * 3.6
    scrapping = x["scrap.fee"] + x["scrap.hours"] * x["hour_cost"]
    drawn = {"scrap": -scrapping}
    for code, share in (("repair_board", 0.8), ("repair_lead", 0.1), ("rebalance", 0.0), ("repair_group", 0.06)):
        p = share * x[f"{code}.passes_percent"] / 100
        parts = 4 * x["repair_group.parts_cost_per_cell"] if code == "repair_group" else x[f"{code}.parts_cost"]
        drawn[code] = p * value - (1 - p) * scrapping - x[f"{code}.hours"] * x["hour_cost"] - parts
    hours = x["harvest.hours"] + 36 * x["harvest.minutes_per_cell"] / 60  # group 4 is under suspicion: 36 cells
    drawn["harvest"] = 36 * x["harvest.usable_percent"] / 100 * x["harvest.cell_value"] - hours * x["hour_cost"] - scrapping
    for code, values in drawn.items():
        found = option(result, code)
        assert found["net_expected"] == pytest.approx(values.mean(), abs=6 * values.std() / math.sqrt(len(values))), code
        assert found["u_net"] == pytest.approx(values.std(), rel=0.01), code
        assert found["net_low"] <= values.min() and values.max() <= found["net_high"], code
    ahead = drawn["repair_board"] - drawn["scrap"]
    assert result["lead"]["u"] == pytest.approx(ahead.std(), rel=0.01)


def test_ranges_that_do_not_overlap_are_clear_and_wide_ones_are_left_open():
    clear = rank_options(evaluation(), with_figures(pack__value=(900, 950)))
    assert clear["lead"]["clear"] and clear["turning"]["inside_range"] is False and clear["turning"]["words"].startswith("No figure within its range turns")
    open_ = rank_options(evaluation(), with_figures(pack__value=(20, 320)))
    assert not open_["lead"]["clear"] and "it is open which of the two is better" in open_["lead"]["words"]
    assert open_["turning"]["inside_range"] is True and "within its range" in open_["turning"]["words"]


@pytest.mark.parametrize("value", [(20, 320), (150, 260), (900, 950)])
def test_the_turning_value_does_turn_the_ranking(value):
    own = with_figures(pack__value=value)
    result = rank_options(evaluation(), own)
    first, other = result["first"], result["turning"]["other_option"]
    tried = 0
    for item in result["turning"]["all"]:
        if item["quantity"].startswith("cause:"):
            continue
        at = item["value_that_turns"]
        beyond = at + (1e-3 * max(abs(at), 1e-3)) * (1 if at > item["value_now"] else -1)
        nets = {}
        for point in (at, beyond):
            again = rank_options(evaluation(), replace(own, figures=dict(own.figures) | {item["quantity"]: Range(point, point)}))
            nets[point] = option(again, first)["net_expected"] - option(again, other)["net_expected"]
        assert nets[at] == pytest.approx(0, abs=1e-6) and nets[beyond] < 0
        tried += 1
    assert tried


def test_the_turning_probability_of_a_cause_does_turn_the_ranking():
    result = rank_options(evaluation(), default_workshop())
    item = next(item for item in result["turning"]["all"] if item["quantity"] == "cause:board_dead")
    at = item["value_that_turns"] / 100
    others = [{**cause, "probability": cause["probability"] * (1 - at) / 0.2} for cause in CAUSES[1:]]
    again = rank_options(evaluation(causes=({**CAUSES[0], "probability": at}, *others)), default_workshop())
    first, other = result["first"], result["turning"]["other_option"]
    assert option(again, first)["net_expected"] == pytest.approx(option(again, other)["net_expected"], abs=1e-6)


def test_a_probability_that_rests_on_rough_numbers_can_turn_the_ranking():
    # The board fault of the sample jobs: another board pays if its cause is as likely as it seems, and not if the numbers behind that are off by what they may be.
    board = evaluate_sheet(load_sheet(SAMPLES / "jobs" / "board-fault.toml"))
    result = rank_options(board, default_workshop())
    item, cause = result["turning"], board["causes"][0]
    assert item["quantity"] == f"cause:{cause['code']}" and item["inside_range"] and "within its range" in item["words"]
    assert item["value_now"] == pytest.approx(100.0 * cause["probability"])
    assert item["range"] == pytest.approx([100.0 * cause["low_probability"], 100.0 * cause["high_probability"]])
    assert item["range"][0] < item["value_that_turns"] < item["value_now"]
    sure = rank_options(board, default_workshop(), cause["code"])["turning"]
    assert not sure["inside_range"]


def test_a_dead_group_bars_every_repair_that_leaves_it_in():
    result = rank_options(evaluation(("ok",) * 3 + ("no_charge",) + ("ok",) * 6, DEAD_GROUP), default_workshop())
    barred = {item["code"] for item in result["options"] if item["barred_by"]}
    assert barred == {"repair_board", "repair_lead", "rebalance"} and result["first"] == "repair_group"
    for code in barred:
        assert option(result, code)["net_expected"] is None and code not in result["ranked"] and "Group 4" in option(result, code)["reason"]
    assert option(result, "harvest")["cells"] == 36
    assert {"changed_design", "opened_cells", "deep_discharge"} <= {item["code"] for item in result["cautions"]}


@pytest.mark.parametrize(
    ("levels", "look", "remarks", "code"),
    [
        (("no_charge",) * 4 + ("ok",) * 6, LOOKED, (), "groups_never_charged_again"),
        (("no_charge", "reversed") + ("ok",) * 8, LOOKED, (), "groups_never_charged_again"),
        (("ok",) * 10, LOOKED | {"swollen": "yes"}, (), "look_swollen"),
        (("ok",) * 10, LOOKED | {"leaking": "yes"}, (), "look_leaking"),
        (("ok",) * 10, LOOKED | {"burnt": "yes"}, (), "look_burnt"),
        (("ok",) * 10, LOOKED | {"wet": "yes"}, (), "look_wet"),
        (("ok",) * 10, {}, ({"code": "look_hot", "severity": "danger", "message": "It is warm."},), "look_hot"),
        (("unknown",) * 10, LOOKED, (), "groups_not_measured"),
        (("ok",) * 10, LOOKED, ({"code": "something_new", "severity": "danger", "group": None, "message": "Smoke."},), "something_new"),
    ],
)
def test_what_leaves_scrap_alone(levels, look, remarks, code):
    result = rank_options(evaluation(levels, look=look, remarks=remarks), default_workshop())
    assert result["ranked"] == ["scrap"] and result["first"] == "scrap" and code in {item["code"] for item in result["vetoes"]}
    assert all(item["barred_by"] for item in result["options"] if item["code"] != "scrap")
    assert result["turning"]["quantity"] is None and {"quarantine", "transport_damaged"} <= {item["code"] for item in result["cautions"]}


def test_a_danger_of_one_group_that_no_rule_knows_bars_what_leaves_it_in():
    found = ({"code": "group_hot", "severity": "danger", "group": 7, "message": "Group 7 is warm"},)
    result = rank_options(evaluation(remarks=found), default_workshop())
    assert {item["code"] for item in result["options"] if item["barred_by"]} == {"repair_board", "repair_lead", "rebalance", "harvest"}


def test_dents_and_over_full_groups_forbid_other_work():
    assert option(rank_options(evaluation(look=LOOKED | {"dented": "yes"}), default_workshop()), "harvest")["barred_by"] == ["look_dented"]
    result = rank_options(evaluation(("ok",) * 9 + ("over_full",)), default_workshop())
    assert {item["code"] for item in result["options"] if item["barred_by"]} == {"rebalance", "harvest"}


def test_what_is_not_known_is_asked_for_first():
    result = rank_options(evaluation(("ok",) * 8 + ("unknown", "precharge"), look={"swollen": "no"}), default_workshop())
    asked = {item["code"]: item["words"] for item in result["look_first"]}
    assert set(asked) == {"not_looked_for", "groups_unknown", "groups_low"}
    assert "group 9" in asked["groups_unknown"] and "water inside" in asked["not_looked_for"] and "swollen" not in asked["not_looked_for"]
    assert option(result, "harvest")["cells"] == 28  # of 40: group 4 is suspect, 9 unknown, 10 low
    assert rank_options(evaluation(), default_workshop())["look_first"] == []
    assert [item["code"] for item in rank_options(evaluation(("unknown",) * 10), default_workshop())["look_first"]] == ["groups_unknown"]
    assert rank_options(evaluation(look={"swollen": "yes"}), default_workshop())["look_first"] == []  # nothing that is looked at could open an option again
    locked = rank_options(evaluation(causes=({**CAUSES[0], "code": "board_locked", "probability": 1.0},)), default_workshop())
    assert [item["code"] for item in locked["look_first"]] == ["wake_the_board"]


def test_what_the_sheet_lacks_is_named_and_not_guessed():
    result = rank_options(evaluation(parallel=None, rated_capacity_ah=None), default_workshop())
    assert result["ranked"] == ["scrap"] and set(result["missing"]) == {"parallel", "rated_energy_wh"}
    board = option(result, "repair_board")
    assert board["net_expected"] is None and board["value"] is None and "rated energy" in board["reason"]
    assert "repair_board" in rank_options(evaluation(rated_capacity_ah=None), with_figures(pack__value=(150, 200)))["ranked"]


def test_causes_that_nothing_mends_are_told():
    told = rank_options(evaluation(), default_workshop())["not_mended"]
    assert told["codes"] == ["charger_defective"] and "4 %" in told["words"] and "another one" in told["words"]
    worn = rank_options(evaluation(causes=({"code": "pack_aged", "title": "the whole pack is worn", "part": "cells", "group": None, "probability": 1.0},)), default_workshop())
    assert worn["first"] == "scrap" and all(option(worn, code)["chance_of_success"] == 0 for code in ("repair_board", "repair_group", "repair_lead", "rebalance"))


def test_one_cause_taken_as_certain():
    result = rank_options(evaluation(), default_workshop(), "sense_lead_open")
    assert result["first"] == "repair_lead" and option(result, "repair_lead")["chance_of_success"] == pytest.approx(0.925)
    assert rank_options(evaluation(), default_workshop(), "group_dead:4")["chosen_cause"] == "group_dead:4"
    with pytest.raises(ValueError, match="no_such"):
        rank_options(evaluation(), default_workshop(), "no_such")


def test_every_option_has_words_needs_and_units():
    result = rank_options(evaluation(), default_workshop())
    assert [item["code"] for item in result["options"]] == list(OPTIONS)
    for item in result["options"]:
        assert item["title"] and item["needs"] and item["reason"].endswith((".", "?")) and item["hours"][0] <= item["hours"][1]
    assert "changed design" in " ".join(option(result, "repair_group")["needs"])
    assert money_text(104.2, 19.1, "EUR") == "104 ± 38 EUR" and money_text(None, None, "EUR") == "not known"
    assert span_text([25, 60], "EUR") == "25 to 60 EUR" and span_text([1.5, 1.5], "h") == "1.5 h"
