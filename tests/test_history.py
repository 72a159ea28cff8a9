"""The runs of one pack over time: fade and growth with what one bench has in common kept apart."""

from __future__ import annotations

import json
from datetime import datetime, timedelta

import pytest

from cycler.errors import InputError
from cycler.history import history
from cycler.pack import Pack
from cycler.register import Register
from tests.analysis_example import CAPACITY_AH, RATED_AH, example_analysis
from tests.calls import call, parsed

FADE_AH, GROWTH_OHM = 0.05, 0.003
PACK = Pack(id="EB-0412", chemistry="nmc", series=10, rated_capacity_ah=RATED_AH)
# Independent terms of the example's budget: cut-off voltage 4 mAh, sample instant 0.2, noise 0.3.
INDEPENDENT_AH = (0.004**2 + 0.0002**2 + 0.0003**2) ** 0.5


def analysis(k, bench="bench 2", **changes):
    """Run k of a pack that fades by FADE_AH every 30 days; the terms of its budget stay as they are."""
    value = CAPACITY_AH - FADE_AH * k
    when = datetime(2026, 3, 2, 8) + timedelta(days=30 * k)
    return example_analysis({
        "capacity.value_ah": value, "capacity.state_of_health": value / RATED_AH, "log.started_at": when.isoformat(), "instrument.id": bench,
        "resistance.headline.ohm_10s": 0.1855 + GROWTH_OHM * k, **{key.replace("__", "."): item for key, item in changes.items()},
    })


def kept(file, runs, packs=None):
    register = Register.open(file)
    for k, made in enumerate(runs):
        pack = packs[k] if packs else PACK
        register.add_run(pack=pack, sources=[(f"run-{k}.csv", b"run %d" % k)], analysis=made, label=f"test {k + 1}", new_ratings=True)
    return register


def test_history_tells_the_fade_of_runs_on_one_bench_sharper_than_their_own_uncertainty(tmp_path):
    with kept(tmp_path / "r.sqlite", [analysis(k) for k in range(4)]) as register:
        told = history(register, "EB-0412")
    line = told["lines"]["capacity_ah"]
    # Closed form: four equal points 30 days apart, u(slope) = u/(30 sqrt(5)); gain, zero and clock of one ammeter have the same effect on all and drop out
    # but for the terms' own equality.
    assert line["per_30_days"] == pytest.approx(-FADE_AH, rel=1e-6) and line["per_run"] == pytest.approx(-FADE_AH, rel=1e-6)
    assert line["u_per_30_days"] == pytest.approx(INDEPENDENT_AH / 5**0.5, rel=1e-3)
    assert line["significant_per_30_days"] and line["runs"] == [1, 2, 3, 4]
    assert line["share_per_30_days"] == pytest.approx(-FADE_AH / CAPACITY_AH, rel=1e-6)
    growth = told["lines"]["resistance_10s_ohm"]
    # The example's independent term: voltage resolution, 1 mOhm.
    assert growth["per_30_days"] == pytest.approx(GROWTH_OHM, rel=1e-6)
    assert growth["u_per_30_days"] == pytest.approx(0.001 / 5**0.5, rel=1e-3)
    assert [row["days"] for row in told["runs"]] == pytest.approx([0.0, 30.0, 60.0, 90.0])
    json.dumps(told, allow_nan=False)


def test_history_on_benches_of_their_own_counts_every_error(tmp_path):
    with kept(tmp_path / "r.sqlite", [analysis(k, f"bench {k}") for k in range(4)]) as register:
        told = history(register, "EB-0412")
    u_run = analysis(0)["capacity"]["u_value_ah"]
    line = told["lines"]["capacity_ah"]
    assert line["u_per_30_days"] == pytest.approx(u_run / 5**0.5, rel=0.01)
    assert u_run > 4.0 * INDEPENDENT_AH
    assert any("do not declare" in note or "not all runs declare" in note.lower() for note in told["notes"])


def test_history_leaves_invalid_runs_out_of_the_line_and_shows_them(tmp_path):
    early = analysis(1, capacity__valid=False, capacity__reasons=["stopped_early"], capacity__is_lower_bound=True)
    with kept(tmp_path / "r.sqlite", [analysis(0), early, analysis(2), analysis(3)]) as register:
        told = history(register, "EB-0412")
    assert told["lines"]["capacity_ah"]["runs"] == [1, 3, 4]
    assert told["runs"][1]["figures"]["capacity_ah"]["lower_bound"] and told["runs"][1]["figures"]["capacity_ah"]["reasons"] == ["stopped_early"]
    assert told["lines"]["capacity_ah"]["per_30_days"] == pytest.approx(-FADE_AH, rel=1e-6)


def test_history_with_two_runs_bears_no_line_and_says_why(tmp_path):
    with kept(tmp_path / "r.sqlite", [analysis(0), analysis(1)]) as register:
        line = history(register, "EB-0412")["lines"]["capacity_ah"]
    assert line["per_30_days"] is None and line["reasons_per_30_days"] == ["too_few_points"]


def test_history_begins_anew_at_since_and_where_the_ratings_changed(tmp_path):
    rebuilt = Pack(id="EB-0412", chemistry="nmc", series=10, rated_capacity_ah=12.0)
    with kept(tmp_path / "r.sqlite", [analysis(k) for k in range(6)], [PACK, PACK, *[rebuilt] * 4]) as register:
        told = history(register, "EB-0412")
        assert told["breaks"] == [{"run": 3, "why": "rated_capacity_ah 10.4 to 12.0"}]
        assert told["lines"]["capacity_ah"]["runs"] == [3, 4, 5, 6]
        assert told["runs"][0]["why_not"] == "before_run_3"
        assert history(register, "EB-0412", since=4)["lines"]["capacity_ah"]["runs"] == [4, 5, 6]
        with pytest.raises(InputError, match="no run of pack"):
            history(register, "EB-0412", since=77)
        with pytest.raises(InputError, match="knows no pack"):
            history(register, "EB-9999")


def test_history_places_runs_by_their_own_date_and_keeps_undated_ones_out_of_time(tmp_path):
    undated = analysis(3, log__started_at=None)
    with kept(tmp_path / "r.sqlite", [analysis(2), analysis(0), analysis(1), undated]) as register:
        told = history(register, "EB-0412")
    assert [row["run"] for row in told["runs"]][:3] == [2, 3, 1]
    line = told["lines"]["capacity_ah"]
    assert line["points_per_30_days"] == 3 and line["points_per_run"] == 4
    assert line["per_30_days"] == pytest.approx(-FADE_AH, rel=1e-6)
    assert any("No date in the log of run 4" in note for note in told["notes"])


def test_history_counts_the_same_logs_once(tmp_path):
    with kept(tmp_path / "r.sqlite", [analysis(k) for k in range(3)]) as register:
        register.add_run(pack=PACK, sources=[("run-2.csv", b"run 2")], analysis=analysis(2), label="again", again=True)
        told = history(register, "EB-0412")
    assert told["lines"]["capacity_ah"]["runs"] == [1, 2, 3] and told["runs"][3]["why_not"] == "same_logs_as_run_3"


def test_history_command_prints_table_and_lines_and_one_json_object(capfd, tmp_path):
    file = tmp_path / "r.sqlite"
    kept(file, [analysis(k) for k in range(4)]).close()
    code, out, err = call(capfd, "--register", file, "history", "EB-0412")
    assert (code, err) == (0, "") and all(len(line) <= 80 for line in out.splitlines())
    # -0.05 Ah in 30 days with U = 2 * 4.02 mAh / sqrt(5) = 3.6 mAh (closed form).
    assert "-0.0500 ± 0.0036 Ah" in out and "in 30 days" in out and "2026-03-02" in out and "no safety certificate" in out
    assert parsed(call(capfd, "--register", file, "history", "EB-0412", "--json")[1])["schema"] == "cycler.history/1"
    code, out, err = call(capfd, "--register", file, "history", "nothing")
    assert (code, out, err.count("\n")) == (2, "", 1) and "knows no pack" in err
