"""Two rests of different days joined through the register: the leak that weeks show and no log does."""

from __future__ import annotations

import json
from datetime import timedelta

import numpy as np
import pytest

from cycler.errors import InputError
from cycler.measures.longrest import LongDrift, long_drift
from cycler.simulator.dialects import hours_bench
from cycler.standing import standing
from tests.calls import call, parsed
from tests.overtime_packs import (
    BEGAN,
    DAYS,
    EB_0377,
    LEAK_MA,
    LEAKY,
    after,
    before,
    load_of,
    model,
    pack,
    raw,
    register_at,
    rest_of,
)

ZERO = np.zeros(4)


def test_long_drift_of_a_group_against_the_median_of_its_siblings():
    # Source: closed form. Siblings fall 0.5 mV/day, group 4 falls 2.8 mV/day: -2.3 mV/day; over 10 days.
    first = np.full(4, 3.9)
    second = first - np.array([5e-3, 5e-3, 5e-3, 28e-3])
    found = long_drift(first, second, ZERO, ZERO, 0.0, 0.0, True, 10 * 86400.0)
    assert 86400.0 * 1e3 * found.slope_v_per_s[3] == pytest.approx(-2.3, rel=1e-9)
    # A tenth of what moved the siblings stays open: 0.05 mV/day.
    assert 86400.0 * 1e3 * found.u_slope_v_per_s[3] == pytest.approx(0.05, rel=1e-9)
    assert found.common_v == pytest.approx(-5e-3)


@pytest.mark.parametrize("same", [True, False])
def test_long_drift_channel_zeros_cancel_only_on_the_same_channels(same):
    found = long_drift(np.full(4, 4.0), np.full(4, 4.0), ZERO, ZERO, 0.002, 0.0, same, 86400.0)
    # Closed form: u of one change sqrt(2) a/sqrt(3), a tenth of it on the same channels; of the median of three 1.253/sqrt(3) times that.
    one = 2**0.5 * 0.002 / 3**0.5 * (0.1 if same else 1.0)
    assert found.u_change_v[0] == pytest.approx(one * (1.0 + 1.253**2 / 3.0) ** 0.5, rel=1e-6)


def test_standing_finds_the_group_that_lost_charge_and_how_much(tmp_path):
    with register_at(tmp_path / "r.sqlite", [("charged", before()[0], pack()), ("later", after(), pack())]) as register:
        found = standing(register, 2, 1)
    assert [end["run"] for end in found["runs"]] == [1, 2]
    assert found["days"] == pytest.approx(DAYS, abs=0.01) and found["same_instrument"]
    for row in found["groups"]:
        true = LEAK_MA if row["group"] == LEAKY else 0.0
        assert abs(row["self_discharge_ma"] - true) <= 2.0 * row["u_self_discharge_ma"], row["group"]
        assert row["u_self_discharge_ma"] < 0.06
    assert found["groups"][LEAKY - 1]["self_discharge_ma"] > 3.0 * found["groups"][LEAKY - 1]["u_self_discharge_ma"]
    # 0.30 mA of 11.6 Ah is 1.9 % in 30 days (closed form), below the 5 % that count as a leak.
    assert found["groups"][LEAKY - 1]["share_per_30_days"] == pytest.approx(0.3e-3 * 720 / 11.6, rel=0.2)
    assert found["leaking"] == []
    json.dumps(found, allow_nan=False)


def test_standing_calls_a_strong_leak_by_name_and_leaves_a_healthy_pack_alone(tmp_path):
    runs = [("charged", before()[0], pack()), ("later", after(2.0, 7.0), pack())]
    with register_at(tmp_path / "leak.sqlite", runs) as register:
        found = standing(register, 1, 2)
    assert found["leaking"] == [LEAKY] and found["groups"][LEAKY - 1]["watch"]
    with register_at(tmp_path / "sound.sqlite", [("charged", before()[0], pack()), ("later", after(0.0), pack())]) as register:
        found = standing(register, 1, 2)
    assert found["leaking"] == [] and not any(row["watch"] for row in found["groups"])


def test_standing_on_another_bench_counts_the_channels_twice(tmp_path):
    with register_at(tmp_path / "r.sqlite", [("a", before()[0], pack()), ("b", after(bench_seed=6), pack("bench 6"))]) as register:
        found = standing(register, 1, 2)
    assert not found["same_instrument"]
    with register_at(tmp_path / "s.sqlite", [("a", before()[0], pack()), ("b", after(), pack())]) as register:
        alike = standing(register, 1, 2)
    for other, same in zip(found["groups"], alike["groups"], strict=True):
        assert other["u_drift_to_siblings_mv_per_day"] > same["u_drift_to_siblings_mv_per_day"]
        true = LEAK_MA if other["group"] == LEAKY else 0.0
        assert abs(other["self_discharge_ma"] - true) <= 2.0 * other["u_self_discharge_ma"]


def test_standing_refuses_what_is_no_time_alone(tmp_path):
    straight_on = raw(model(), (load_of(EB_0377, 5.0, 20.0), *rest_of(900.0)), BEGAN + timedelta(days=9))[0]
    charged_between = after(0.0, 14.0, common_ah=-1.0 + 3.0)
    runs = [
        ("charged", before()[0], pack()), ("empty", charged_between, pack()), ("no rest", straight_on, pack()),
        ("soon", after(0.0, 0.2), pack()), ("other pack", after(0.0, 30.0), pack(id="EB-0378")),
    ]
    with register_at(tmp_path / "r.sqlite", runs) as register:
        for other, words in (
            (1, "named twice"), (2, "charge flowed between"), (3, "does not begin with a rest"), (4, "less than a day apart"), (5, "not of one pack"),
        ):
            with pytest.raises(InputError, match=words):
                standing(register, 1, other)
        with pytest.raises(InputError, match="no run 99"):
            standing(register, 1, 99)
        # The word of the repairer stands against the voltages, and the result says so.
        found = standing(register, 1, 2, untouched=True)
    assert any("it was said that nothing was connected" in note for note in found["notes"])


def test_standing_with_a_run_in_between_or_without_a_date_is_refused(tmp_path):
    undated = raw(model(), (*rest_of(900.0), load_of(EB_0377, 5.0, 20.0)), BEGAN, dialect=hours_bench(10))[0]
    runs = [("a", before()[0], pack()), ("mid", after(0.0, 3.0), pack()), ("b", after(0.0), pack()), ("no date", undated, pack())]
    with register_at(tmp_path / "r.sqlite", runs) as register:
        with pytest.raises(InputError, match="charge flowed between") as caught:
            standing(register, 1, 3)
        assert "run 2" in str(caught.value)
        with pytest.raises(InputError, match="time between the two rests is not known"):
            standing(register, 1, 4)
        assert any("Run 4 carries no date" in note for note in standing(register, 1, 2)["notes"])


def test_standing_command_prints_the_table_and_one_json_object(capfd, tmp_path):
    file = tmp_path / "r.sqlite"
    register_at(file, [("charged", before()[0], pack()), ("later", after(2.0, 7.0), pack())]).close()
    code, out, err = call(capfd, "--register", file, "standing", 1, 2)
    assert (code, err) == (0, "") and "leaks" in out and "7.0" in out and "no safety certificate" in out
    assert "do not store or send the pack" in out
    result = parsed(call(capfd, "--register", file, "standing", 1, 2, "--json")[1])
    assert result["schema"] == "cycler.standing/1" and result["leaking"] == [LEAKY]
    code, out, err = call(capfd, "--register", file, "standing", 1, 1)
    assert (code, out, err.count("\n")) == (2, "", 1) and "named twice" in err


def test_drift_of_a_group_contains_what_the_time_between_is_open_by():
    # Closed form: 23 mV in 10 days, each known to 0.1 mV and to one day: relative 0.1/23 and 1/10, independent.
    day = 86400.0
    found = LongDrift(np.array([-0.023]), np.array([1e-4]), 0.0, 10 * day, day)
    share = (0.1 / 23.0) ** 2 + 0.1**2
    assert found.u_slope_v_per_s[0] == pytest.approx(0.0023 / day * share**0.5, rel=1e-9)
