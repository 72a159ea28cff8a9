"""The budget listed beside a figure is the one its uncertainty was made of."""

import math
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.groupbudgets import capacity_lines
from cycler.measures.groups import GroupFit
from cycler.pack import load_pack
from cycler.readers import read_logs
from tests.invented_tests import label_of, model_of, run, slowed, usual_program

SAMPLES = Path(__file__).parent.parent / "sample_logs"
TESTS = {
    "ebike-10s4p-after-repair.csv": "packs/ebike-0412.toml", "cargo-13s5p-bad-weld.csv": "packs/cargo-0207.toml",
    "ebike-10s-leaks-at-rest.csv": "packs/ebike-0377.toml",
}


@pytest.fixture(scope="module", params=TESTS)
def found(request):
    return analyze(read_logs([SAMPLES / request.param]), load_pack(SAMPLES / TESTS[request.param])).to_dict()


def joined(lines, key):
    return math.sqrt(sum(line[key] ** 2 for line in lines))


def test_budget_of_every_group_figure_joins_to_its_uncertainty(found):
    seen = 0
    for row in found["groups"]:
        for name, lines in row["budgets"].items():
            assert bool(lines) is (row[name] is not None), (row["group"], name)
            if lines:
                assert joined(lines, "standard_uncertainty") == pytest.approx(row[f"u_{name}"], rel=1e-6), (row["group"], name)
                seen += 1
    assert seen >= 4 * len(found["groups"])


def test_budgets_of_capacity_and_energy_join_to_their_uncertainties(found):
    for sheet in found["capacities"]:
        assert joined(sheet["budget"], "standard_uncertainty_ah") == pytest.approx(sheet["u_value_ah"], rel=1e-9)
        assert joined(sheet["energy_budget"], "standard_uncertainty_wh") == pytest.approx(sheet["u_energy_wh"], rel=1e-9)


def test_budgets_of_the_efficiencies_join_to_their_uncertainties():
    found = analyze(read_logs([SAMPLES / "ebike-10s-leaks-at-rest.csv"]), load_pack(SAMPLES / "packs/ebike-0377.toml")).to_dict()["efficiency"]
    assert joined(found["coulombic_budget"], "standard_uncertainty") == pytest.approx(found["u_coulombic"], rel=1e-9)
    assert joined(found["energy_budget"], "standard_uncertainty") == pytest.approx(found["u_energy"], rel=1e-9)


def test_group_capacity_counts_offset_and_clock_of_the_ammeter():
    # Every group's charge went through the same ammeter: 5 mA of zero error over the discharge (rectangular) lie in each of them too.
    label = label_of(5, 10.0)
    test = run(model_of(label, 3), label, usual_program(label), 3)
    found = test.analysis()
    hours = (found["capacity"]["at_s"]["end_s"] - found["capacity"]["at_s"]["start_s"]) / 3600.0
    for row in found["groups"]:
        lines = {line["source"]: line["standard_uncertainty"] for line in row["budgets"]["capacity_ah"]}
        # The pulse's 10 s and the rest before the load: 631 s without current, not counted.
        expected = 0.005 / math.sqrt(3.0) * (hours - 631.0 / 3600.0) * row["capacity_ah"] / found["capacity"]["value_ah"]
        assert lines["current offset"] == pytest.approx(expected, rel=0.01)
        assert lines["current gain"] == pytest.approx(0.001 / math.sqrt(3.0) * row["capacity_ah"], rel=1e-6)


def test_zero_seen_at_rest_widens_the_efficiency():
    # The larger of stated limit and zero seen at rest counts, as for the capacity. 30 mA over about 2 x 2.3 h of 10 Ah: 0.8 %.
    text = (SAMPLES / "packs/ebike-0377.toml").read_text()
    assert tomllib.loads(text)["instrument"]["current_offset_a"] < 0.03
    log = read_logs([SAMPLES / "ebike-10s-leaks-at-rest.csv"])
    shifted = replace(log, current_a=np.array(log.current_a) + 0.03)
    pack = load_pack(SAMPLES / "packs/ebike-0377.toml")
    before, after = (analyze(each, pack).to_dict()["efficiency"] for each in (log, shifted))
    assert after["u_coulombic"] > 3.0 * before["u_coulombic"]


@pytest.mark.parametrize("period_s", [60.0, 1.0])
def test_group_figures_that_are_not_given_say_why(period_s):
    label = label_of(4, 10.0)
    rows = run(model_of(label, 5), label, slowed(usual_program(label), period_s), 5).analysis()["groups"]
    for row in rows:
        assert bool(row["capacity_reasons"]) is (row["capacity_ah"] is None)
        assert bool(row["resistance_reasons"]) is (row["resistance_10s_ohm"] is None)
    if period_s == 60.0:
        # A minute between rows: nothing is known of the first ten seconds of a load.
        assert all(row["resistance_reasons"] for row in rows)


@pytest.mark.parametrize("last_digit", [-1.0, 0.0, 1.0])
def test_budget_does_not_turn_on_the_last_digits_of_its_parts(last_digit):
    # The parts make up the whole: what is left is rounding, and its sign is that of the machine.
    fit = GroupFit(16.4, 0.05, True, 0.1, 0.08, 16.5, 0.1, 1.0, 0.01)
    whole = math.hypot(0.05, 0.08) * (1 + last_digit * 2e-16)
    lines = capacity_lines(fit, whole, 16.4, {"clock": 1e-4})
    assert [line.source for line in lines] == ["charge to the group's cut-off", "lag at the start", "charge beyond full and missing currents", "clock"]
    assert lines[2].standard_uncertainty == 0.0
