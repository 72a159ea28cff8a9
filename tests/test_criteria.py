"""Sets of criteria: what is shipped, and what a mistyped file says."""

from __future__ import annotations

import hashlib
import json
import re
import textwrap
from dataclasses import replace

import pytest

from cycler import criteria as criteria_module
from cycler.criteria import criteria_from_dict, criteria_from_text, load_criteria, shipped_sets
from cycler.criteria_quantities import QUANTITIES, median_with_u, ratio_to_siblings
from cycler.errors import InputError
from cycler.pack import CHEMISTRIES, CHEMISTRY_LIMITS
from cycler.quantities import display_unit
from tests.analysis_example import example_analysis

GOOD = """\
name = "shop"
title = "Shop set"
decision = "guarded"
guard_multiple = 1.0

[[criterion]]
id = "soh"
quantity = "state_of_health"
limit = 0.75
unit = "share"
direction = "at_least"
required = true
why = "because"
source = "common practice, no source"

[[criterion]]
id = "spread"
quantity = "spread_rest_v"
limit = 0.05
unit = "V"
direction = "at_most"
required = false
why = "because"
[criterion.limits]
lfp = 0.02
"""


def _write(tmp_path, text):
    path = tmp_path / "shop.toml"
    path.write_text(textwrap.dedent(text), encoding="utf-8")
    return path


def _error(tmp_path, text):
    path = _write(tmp_path, text)
    with pytest.raises(InputError) as caught:
        load_criteria(path)
    error = caught.value
    return str(error.where).removeprefix(str(path)), error


def test_load_criteria_without_name_gives_return_to_owner():
    assert load_criteria().name == "return-to-owner"
    assert load_criteria("return-to-owner") == load_criteria()


@pytest.mark.parametrize("name", shipped_sets())
def test_load_criteria_shipped_set_is_complete(name):
    criteria = load_criteria(name)
    assert criteria.name == name
    assert criteria.decision == "guarded"
    assert len({item.id for item in criteria.criteria}) == len(criteria.criteria)
    for item in criteria.criteria:
        assert len(item.why) > 30, item.id
        assert item.source.startswith(("common practice, no source", "published:", "from memory, provisional")), item.id
    json.dumps(criteria.to_dict(), allow_nan=False)


def test_shipped_sets_default_comes_first():
    assert shipped_sets() == ("return-to-owner", "resale", "reuse-of-cells")


def test_load_criteria_resale_is_stricter_in_every_shared_line():
    """A pack good enough for a stranger is good enough for its owner (design of the two sets)."""
    owner = {item.quantity: item for item in load_criteria().criteria}
    shared = [item for item in load_criteria("resale").criteria if item.quantity in owner]
    assert len(shared) >= 12
    for item in shared:
        other = owner[item.quantity]
        assert item.direction == other.direction
        for chemistry in (None, *CHEMISTRIES):
            if item.direction == "at_least":
                assert item.limit_for(chemistry) >= other.limit_for(chemistry), (item.id, chemistry)
            else:
                assert item.limit_for(chemistry) <= other.limit_for(chemistry), (item.id, chemistry)
        assert item.required or not other.required, item.id


def test_load_criteria_reuse_of_cells_judges_groups_and_never_the_pack():
    criteria = load_criteria("reuse-of-cells")
    pack_too = {"capacity_valid", "temperature_max_c", "coulombic_efficiency"}
    assert {item.quantity for item in criteria.criteria} - pack_too == {
        "group_capacity_share_worst", "group_resistance_ratio_worst", "self_discharge_share_worst", "group_lowest_v", "group_highest_v",
        "group_capacity_spread", "group_ohmic_ratio_worst",
    }


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_load_criteria_voltage_limits_of_cells_are_those_of_the_chemistry(chemistry):
    limits = {item.quantity: item.limit_for(chemistry) for item in load_criteria("reuse-of-cells").criteria}
    usual = CHEMISTRY_LIMITS[chemistry]
    assert (limits["group_lowest_v"], limits["group_highest_v"]) == (usual.damage_v, usual.overcharge_v)


def test_load_criteria_energy_efficiency_loss_goes_with_the_voltage():
    """Arithmetic: the same drop is the share 15 % of 3.6 V, 16.9 % of 3.2 V, 22.5 % of 2.4 V; limits are cut to whole percent."""
    for name, loss in (("return-to-owner", 0.15), ("resale", 0.10)):
        item = next(item for item in load_criteria(name).criteria if item.quantity == "energy_efficiency")
        for chemistry, nominal_v in (("lfp", 3.2), ("lto", 2.4)):
            assert item.limit_for(chemistry) == pytest.approx(1.0 - loss * 3.6 / nominal_v, abs=0.006)


def test_load_criteria_self_discharge_is_advisory_for_owner_and_required_for_resale():
    rows = {name: {c.quantity: c for c in load_criteria(name).criteria} for name in shipped_sets()}
    assert rows["return-to-owner"]["self_discharge_share_worst"].required is False
    assert "24 h" in rows["return-to-owner"]["self_discharge_share_worst"].why
    assert rows["resale"]["self_discharge_share_worst"].required is True


@pytest.mark.parametrize("name", shipped_sets())
def test_criteria_from_text_judges_as_the_file_did(name):
    """What a record keeps: the TOML as read, or the content as JSON where there was no file."""
    criteria = load_criteria(name)
    assert criteria.text and hashlib.sha256(criteria.text.encode()).hexdigest() == criteria.sha256
    for text in (criteria.text, json.dumps(criteria.to_dict())):
        again = criteria_from_text(text, criteria.sha256, criteria.file)
        assert replace(again, text="") == replace(criteria, text="")


def test_criteria_from_text_that_is_neither_is_told():
    with pytest.raises(InputError, match="cannot be read"):
        criteria_from_text("{not json")
    assert criteria_from_dict({"criterion": [{"id": "x", "quantity": "ohmic_ohm", "limit": 0.2, "unit": "ohm", "direction": "at_most", "why": "y"}]}).text == ""


def test_load_criteria_sha256_is_that_of_the_raw_bytes(tmp_path):
    path = tmp_path / "shop.toml"
    raw = b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode()
    path.write_bytes(raw)
    assert load_criteria(path).sha256 == hashlib.sha256(raw).hexdigest()


def test_load_criteria_own_file_keeps_what_it_says(tmp_path):
    criteria = load_criteria(_write(tmp_path, GOOD))
    soh, spread = criteria.criteria
    assert (criteria.name, criteria.title, criteria.guard_multiple) == ("shop", "Shop set", 1.0)
    assert (soh.limit, soh.unit, soh.required) == (0.75, "share", True)
    assert spread.limit_for("lfp") == 0.02
    assert spread.limit_for("nmc") == spread.limit_for(None) == 0.05
    assert spread.source == "not stated"


def test_guard_factor_follows_set_and_own_guard(tmp_path):
    """w = guard_multiple x U with U = 2u, so in u: 2 for 1 x U, 1 for 0.5 x U, 1.6448536 for 5 % (normal table)."""
    own = load_criteria(_write(tmp_path, GOOD.replace('why = "because"\nsource', 'guard = 0.5\nwhy = "because"\nsource')))
    assert [own.guard_factor(item) for item in own.criteria] == [1.0, 2.0]
    assert "soh 0.5" in own.decision_rule
    chance = load_criteria(_write(tmp_path, GOOD.replace("guard_multiple = 1.0", "max_false_accept = 0.05")))
    assert chance.guard_factor(chance.criteria[0]) == pytest.approx(1.6448536, abs=1e-7)
    assert "5 %" in chance.decision_rule
    simple = GOOD.replace("guard_multiple = 1.0\n", "").replace('"guarded"', '"simple"')
    simple_set = load_criteria(_write(tmp_path, simple))
    assert simple_set.guard_factor(simple_set.criteria[0]) == 0.0
    assert "simple acceptance, no guard band" in simple_set.decision_rule


@pytest.mark.parametrize("name", shipped_sets())
def test_load_criteria_of_a_shipped_name_with_other_limits_is_refused(tmp_path, name):
    """A record says by which set it judged; a softened copy must not go by the name, or the title, that the reader knows."""
    text = load_criteria(name).text
    path = tmp_path / "mine.toml"
    path.write_text("# our copy\n" + text)
    assert load_criteria(path).criteria == load_criteria(name).criteria  # the same but for comments
    softer = text.replace("required = true", "required = false", 1)
    own_name = softer.replace(f'name = "{name}"', 'name = "ours"')
    for found, key in ((softer, "name"), (own_name, "title")):
        path.write_text(found)
        with pytest.raises(InputError, match="that of a shipped set") as caught:
            load_criteria(path)
        line = 1 + next(i for i, row in enumerate(found.split("\n")) if row.startswith(f"{key} ="))
        assert str(caught.value.where) == f"{path}:{line}"
    path.write_text(own_name.replace(load_criteria(name).title, "Ours"))
    assert load_criteria(path).title == "Ours"
    assert criteria_from_text(softer).name == name  # what a record carries is judged by again, whoever wrote it


def test_load_criteria_unknown_set_offers_near_name():
    with pytest.raises(InputError) as caught:
        load_criteria("retrun-to-owner")
    assert "did you mean return-to-owner?" in caught.value.mend


def test_load_criteria_missing_file_says_so(tmp_path):
    with pytest.raises(InputError, match="no such criteria file"):
        load_criteria(tmp_path / "none.toml")


def test_load_criteria_pack_file_is_told_as_such(tmp_path):
    where, error = _error(tmp_path, 'id = "EB-0412"\nseries = 10\n')
    assert (where, error.what) == (":2", "this is a pack file, not a criteria file") and "--pack" in error.mend


@pytest.mark.parametrize("content", ["", "# only a remark\n"])
def test_load_criteria_empty_file_is_refused(tmp_path, content):
    where, error = _error(tmp_path, content)
    assert where == ""
    assert error.what == "the criteria file is empty"


@pytest.mark.parametrize(
    ("old", "new", "line", "what", "part_of_rest"),
    [
        ("limit = 0.75", "limt = 0.75", 9, 'unknown key "limt"', "did you mean limit"),
        ("decision =", "desicion =", 3, 'unknown key "desicion"', "did you mean decision"),
        ('"state_of_health"', '"state_of_helth"', 8, 'unknown quantity "state_of_helth"', "did you mean state_of_health"),
        ('unit = "share"', 'unit = "%"', 10, 'wrong unit "%"', "70 % is 0.70"),
        ('unit = "V"', 'unit = "mV"', 20, 'wrong unit "mV"', "50 mV is 0.050"),
        ('unit = "share"\n', "", 6, "unit is missing", 'write unit = "share"'),
        ("limit = 0.75\n", "", 6, "limit is missing", "write limit = 0.7"),
        ("limit = 0.75", 'limit = "0.75"', 9, "limit is not a number", "without quotes"),
        ("limit = 0.75", "limit = true", 9, "limit is not a number", "without quotes"),
        ("limit = 0.75", "limit = nan", 9, "limit is not a number", "nan"),
        ("limit = 0.75", "limit = -0.75", 9, "limit must be above zero", "correct the sign"),
        ("limit = 0.75", "limit = 0.0", 9, "limit must be above zero", "correct the sign"),
        ("limit = 0.75", "limit = 75", 9, "limit is implausibly large", "70 % is 0.70"),
        ('direction = "at_least"', 'direction = "atleast"', 11, 'unknown direction "atleast"', "did you mean at_least"),
        ('direction = "at_least"', 'direction = "above"', 11, 'unknown direction "above"', "at_least, at_most"),
        ('id = "spread"', 'id = "soh"', 17, 'the id "soh" is used twice', "criterion 1 has it too"),
        ('id = "soh"', 'id = ""', 7, "id is missing", "write id"),
        ("required = true", 'required = "yes"', 12, "required is neither true nor false", "without quotes"),
        ("required = true", "required = yes", 12, "the criteria file is not valid TOML", "write required = true"),
        ("required = false", "required = No  # advisory", 22, "the criteria file is not valid TOML", "write required = false"),
        ("required = false", "required = false\nfail_counts = 1", 23, "fail_counts is neither true nor false", "without quotes"),
        ("required = true", "required = false", None, "no criterion is required", "every pack would pass"),
        ('why = "because"\nsource', "source", 6, "why is missing", "cannot be argued"),
        ('direction = "at_least"', 'direction = "at_most"', 11, 'direction "at_most" is the wrong side', "with too little would pass"),
        ('direction = "at_most"', 'direction = "at_least"', 21, 'direction "at_least" is the wrong side', "with too much would pass"),
        ("limit = 0.05", "limit = 50", 19, "limit is implausibly large", "50 mV is 0.050"),
        ("lfp = 0.02", "lpf = 0.02", 25, 'unknown chemistry "lpf"', "did you mean lfp"),
        ("lfp = 0.02", "lfp = -0.02", 25, "lfp must be above zero", "correct the sign"),
        ("guard_multiple = 1.0", "guard_multiple = -1", 4, "guard_multiple is out of range", "0 (no guard band)"),
        ("guard_multiple = 1.0", "guard_multiple = 0", 4, "guard_multiple is zero", 'decision = "simple"'),
        ("guard_multiple = 1.0", "max_false_accept = 5", 4, "max_false_accept is not a probability", "written 0.05"),
        ("guard_multiple = 1.0", "guard_multiple = 1\nmax_false_accept = 0.05", 5, "two rules for the guard band", "keep one"),
        ('decision = "guarded"', 'decision = "simple"', 4, "guard_multiple contradicts", "no guard band"),
        ('decision = "guarded"', 'decision = "gaurded"', 3, 'unknown decision "gaurded"', "did you mean guarded"),
        ("[[criterion]]", "[criterion]", None, "the criteria file is not valid TOML", ""),
    ],
)
def test_load_criteria_mistake_is_told_with_line_and_mend(tmp_path, old, new, line, what, part_of_rest):
    where, error = _error(tmp_path, GOOD.replace(old, new, 1))
    if line is not None:
        assert where == f":{line}"
    assert error.what.startswith(what)
    assert part_of_rest in f"{error.why} {error.mend}"
    assert "\n" not in str(error)


def test_criteria_of_a_record_from_anybody_are_read_in_time_with_their_number(monkeypatch):
    """Lines are matched once a criterion and not once for each pair of them, or a record could hold up its check for hours."""
    block = '[[criterion]]\nid = "c{}"\nquantity = "state_of_health"\nlimit = 0.7\nunit = "share"\ndirection = "at_least"\nrequired = true\nwhy = "w"\nsource = "s"\n'
    text = 'name = "x"\ntitle = "t"\ndecision = "guarded"\nguard_multiple = 1.0\n' + "".join(block.format(k) for k in range(200))
    looked = []

    class Counted:
        def __getattr__(self, name):
            return getattr(re, name)

        def match(self, *args):
            looked.append(args)
            return re.match(*args)

    monkeypatch.setattr(criteria_module, "re", Counted())
    assert len(criteria_from_text(text).criteria) == 200
    assert len(looked) < 10 * text.count("\n")


def test_load_criteria_single_table_instead_of_list_is_told(tmp_path):
    _, error = _error(tmp_path, GOOD.split("[[criterion]]")[0] + "[criterion]\nid = \"soh\"\n")
    assert error.what == "criterion is not a list of tables"


def test_quantities_have_display_unit_and_take_something():
    analysis, bare = example_analysis(), {"pack": {}, "capacity": None, "groups": []}
    for quantity in QUANTITIES.values():
        display_unit(quantity.unit)
        assert quantity.take(analysis)
        # Nothing known: one candidate without a value that says why.
        (taken,) = quantity.take(bare)
        assert taken.value is None and taken.doubt, quantity.id


def test_quantities_labels_are_short_and_tell_them_apart():
    labels = [quantity.label for quantity in QUANTITIES.values()]
    assert len(set(labels)) == len(labels)
    assert max(map(len, labels)) <= 42 and not [label for label in labels if "median" in label or "(" in label]


def test_median_with_u_takes_the_middle_values():
    """By hand: middle of 1, 2, 4 is 2 with its u; of 1, 2, 4, 9 it is 3 with sqrt(0.2^2 + 0.4^2)/2 = 0.2236068."""
    assert median_with_u([4.0, 1.0, 2.0], [0.4, 0.1, 0.2]) == (2.0, 0.2)
    median, u = median_with_u([4.0, 1.0, 9.0, 2.0], [0.4, 0.1, 0.9, 0.2])
    assert median == 3.0
    assert u == pytest.approx(0.2236068, abs=1e-7)


def test_ratio_to_siblings_hand_worked():
    """By hand: 30 mΩ ± 0.3 over 20 mΩ ± 0.4: r = 1.5, u = sqrt((0.3/20)^2 + (30*0.4/400)^2) = 0.0335410."""
    ratios = ratio_to_siblings([0.030, 0.020], [0.0003, 0.0004])
    assert ratios[0][0] == pytest.approx(1.5)
    assert ratios[0][1] == pytest.approx(0.0335410, abs=1e-7)


def test_ratio_to_siblings_unknown_values_stay_unknown():
    assert ratio_to_siblings([0.03, None], [0.001, None]) == [(None, None), (None, None)]
    assert ratio_to_siblings([0.03, 0.0], [0.001, 0.001])[0] == (None, None)


def test_quantity_self_discharge_share_is_current_times_a_month_over_rated():
    """By hand: 0.7222 mA x 720 h = 0.52 Ah of 10.4 Ah = 5 %; u likewise 10 % of it."""
    analysis = example_analysis()
    for group in analysis["groups"]:
        group["self_discharge_ma"], group["u_self_discharge_ma"] = 520 / 720, 52 / 720
    taken = QUANTITIES["self_discharge_share_worst"].take(analysis)
    assert [round(item.value, 12) for item in taken] == [0.05] * 10
    assert taken[0].u == pytest.approx(0.005)


def test_quantity_start_deficit_without_rating_uses_valid_measured_capacity_with_its_uncertainty():
    """By hand: 0.468 / 9.36 = 5 %; u = sqrt((0.0936/9.36)^2 + (0.05 * 0.0936/9.36)^2) = 1.001249 %."""
    analysis = example_analysis({"pack.rated_capacity_ah": None, "capacity.u_value_ah": 0.0936})
    analysis["groups"][0].update(start_deficit_ah=0.468, u_start_deficit_ah=0.0936)
    taken = QUANTITIES["start_deficit_share_worst"].take(analysis)[0]
    assert taken.value == pytest.approx(0.05)
    assert taken.u == pytest.approx(0.01001249, abs=1e-8)
    analysis["capacity"]["valid"] = False
    assert QUANTITIES["start_deficit_share_worst"].take(analysis)[0].value is None
