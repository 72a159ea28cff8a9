"""The instrument's counters: kind, gaps bridged, integral against counter; all expected numbers are closed forms."""

import re

import numpy as np
import pytest

from cycler.analysis import analyze
from cycler.log import Gap
from cycler.measures.bridging import across_gap, bridge
from cycler.measures.capacity import charge_flow, find_switches
from cycler.measures.counters import Course, _trapezoid_error, check_step, grid_of, read_counter
from cycler.pack import Pack
from cycler.steps import segment_steps
from tests.corelogs import PACK_10AH as PACK
from tests.corelogs import make_log, simple_test

DT = 2.0
# A program: current and duration of each piece. Charge of a piece: I t / 3600 (closed form).
PROGRAM = ((0.0, 60.0), (2.0, 3600.0), (1.0, 1800.0), (0.0, 600.0), (-5.0, 1200.0), (0.0, 300.0), (-2.5, 2400.0), (0.0, 300.0), (2.0, 900.0))


def program(pieces=PROGRAM, dt=DT, gap_rows=()):
    """Course of a program, its flow per interval [Ah], and the number of the piece of each row."""
    counts = [round(seconds / dt) for _, seconds in pieces]
    piece = np.repeat(np.arange(len(pieces)), counts)
    current = np.array([amperes for amperes, _ in pieces])[piece]
    time = dt * np.arange(piece.size)
    # The recorder switches after writing its row: an interval belongs to the row that ends it.
    flow = current[1:] * dt / 3600.0
    gap = np.zeros(flow.size, bool)
    gap[list(gap_rows)] = True
    return Course(time, np.sign(current).astype(int), gap, piece.astype(float)), flow, piece


def run(flow):
    return np.concatenate(([0.0], np.cumsum(flow)))


def restarted(flow, anew):
    """Running sum that starts from zero at each interval marked in ``anew`` (which then counts into the new sum)."""
    out, total = [0.0], 0.0
    for amount, fresh in zip(flow, anew, strict=True):
        total = amount + (0.0 if fresh else total)
        out.append(total)
    return np.array(out)


def digits(values, step):
    return np.floor(values / step + 1e-9) * step


def kind_of(values, pieces=PROGRAM, name="capacity", numbers=True, **kwargs):
    course, flow, _ = program(pieces, **kwargs)
    if not numbers:
        course = Course(course.time_s, course.state, course.gap)
    return read_counter(name, values, flow, course)


# --- kinds --------------------------------------------------------------------------------------------------------


def test_kind_runs_on_over_the_whole_test_is_cumulative():
    _, flow, _ = program()
    counter = kind_of(digits(run(np.abs(flow)), 0.001))
    assert (counter.kind, counter.sense, counter.on_charge, counter.on_discharge) == ("cumulative", "magnitude", 1, 1)
    assert counter.resolution == pytest.approx(0.001)
    assert "runs on" in counter.evidence and not counter.breaks.any()


def test_kind_net_falls_on_discharge():
    _, flow, _ = program()
    counter = kind_of(digits(run(flow), 0.001))
    assert (counter.kind, counter.sense, counter.on_charge, counter.on_discharge) == ("cumulative", "net", 1, -1)
    assert "falls on discharge" in counter.evidence


def test_kind_net_that_counts_discharge_up_is_told_by_its_way():
    _, flow, _ = program()
    counter = kind_of(digits(3.0 - run(flow), 0.001))
    assert (counter.sense, counter.on_charge, counter.on_discharge) == ("net", -1, 1)


@pytest.mark.parametrize("numbers", [True, False], ids=["step numbers logged", "no step numbers"])
def test_kind_restarts_at_each_step(numbers):
    _, flow, piece = program()
    anew = np.diff(piece) > 0
    if not numbers:
        # Without numbers the two charge currents are one stretch; so the instrument goes on there.
        anew[np.flatnonzero(anew)[1]] = False
    counter = kind_of(digits(restarted(np.abs(flow), anew), 0.001), numbers=numbers)
    assert counter.kind == "per_step"
    assert "changes of step" in counter.evidence
    # Five pieces carry current before another piece follows; without numbers four stretches.
    assert np.count_nonzero(counter.breaks) == (4 if numbers else 3)


def test_kind_restarts_only_when_current_is_switched_on():
    _, flow, piece = program()
    anew = np.isin(np.arange(flow.size), [k for k in np.flatnonzero(np.diff(piece)) if flow[k + 1] != 0.0])
    counter = kind_of(digits(restarted(np.abs(flow), anew), 0.001))
    assert counter.kind == "per_step" and "rests keep" in counter.evidence


def test_kind_restarts_at_each_change_of_direction():
    _, flow, _ = program()
    last, anew = 0, np.zeros(flow.size, bool)
    for k in range(flow.size):
        way = int(np.sign(flow[k]))
        if way and last and way != last:
            anew[k] = True
        last = way or last
    counter = kind_of(digits(restarted(np.abs(flow), anew), 0.001))
    assert counter.kind == "per_direction"
    assert "each of 2 changes between charge and discharge" in counter.evidence


def test_kind_restarts_at_each_cycle():
    pieces = ((1.0, 600.0), (0.0, 60.0), (-1.0, 600.0), (0.0, 60.0)) * 3
    course, flow, piece = program(pieces)
    cycle = (piece // 4 + 1).astype(float)
    looping = Course(course.time_s, course.state, course.gap, piece % 4 + 1.0, cycle)
    anew = np.diff(cycle) > 0
    counter = read_counter("capacity", digits(restarted(np.abs(flow), anew), 0.001), flow, looping)
    assert counter.kind == "per_cycle"


@pytest.mark.parametrize(("name", "sense"), [("charge_capacity", "charge"), ("discharge_capacity", "discharge")])
def test_kind_of_one_direction(name, sense):
    _, flow, _ = program()
    own = np.maximum(flow if sense == "charge" else -flow, 0.0)
    counter = kind_of(digits(run(own), 0.0001), name=name)
    assert (counter.kind, counter.sense) == ("cumulative", sense)


def test_kind_of_one_stretch_is_not_guessed():
    pieces = ((0.0, 60.0), (-5.0, 1200.0), (0.0, 60.0))
    _, flow, _ = program(pieces)
    counter = kind_of(digits(run(flow), 0.01), pieces)
    assert counter.kind == "one_stretch" and "not known" in counter.evidence


def test_kind_reset_by_hand_in_the_middle_of_a_step_is_no_habit():
    _, flow, piece = program()
    anew = np.zeros(flow.size, bool)
    middle = int(np.flatnonzero(piece == 4)[300])
    anew[middle] = True
    counter = kind_of(digits(restarted(np.abs(flow), anew), 0.001))
    assert counter.kind == "cumulative"
    # Row middle + 1 is the first after it: 2 s each.
    assert f"reset in the middle of a step at {DT * (middle + 1):.0f} s" in counter.evidence
    assert np.flatnonzero(counter.breaks).tolist() == [middle]


def test_kind_small_flicker_back_is_no_reset():
    _, flow, _ = program()
    values = digits(run(np.abs(flow)), 0.001)
    rng = np.random.default_rng(4)
    values += 0.001 * rng.integers(-1, 2, values.size)
    counter = kind_of(values)
    assert counter.kind == "cumulative" and not counter.breaks.any()
    assert "no reset" in counter.evidence


def test_kind_register_of_16_bits_overflows_and_is_undone():
    # 65536 counts of 0.05 mAh are 3.2768 Ah; charge 2.5 Ah, discharge 1.667 + 1.667 Ah, charge 0.5 Ah: one overflow in the first discharge.
    _, flow, _ = program()
    step = 5e-5
    counts = np.floor(run(np.abs(flow)) / step + 1e-9)
    counter = kind_of(np.mod(counts, 65536) * step)
    assert counter.kind == "cumulative" and not counter.breaks.any()
    assert "started anew when full" in counter.evidence
    assert counter.reading[-1] == pytest.approx(counts[-1] * step, abs=1e-9)


def test_kind_register_with_sign_overflows_to_its_negative_end():
    _, flow, _ = program()
    step = 5e-5
    counts = np.floor(run(np.abs(flow)) / step + 1e-9)
    counter = kind_of((np.mod(counts + 32768, 65536) - 32768) * step)
    assert counter.kind == "cumulative"
    assert counter.reading[-1] == pytest.approx(counts[-1] * step, abs=1e-9)


def test_kind_column_that_does_not_follow_the_current_is_astray():
    _, flow, _ = program()
    counter = kind_of(5.0 + 0.001 * np.random.default_rng(1).integers(-3, 4, flow.size + 1))
    assert counter.kind == "astray"


def test_kind_column_that_never_moves_is_still():
    _, flow, _ = program()
    assert kind_of(np.full(flow.size + 1, 10.4)).kind == "still"


def test_grid_is_the_largest_step_that_holds_all_values():
    assert grid_of(np.arange(100) * 0.02) == pytest.approx(0.02)
    assert grid_of(np.array([0.0, 0.01, 0.02, 0.04])) == pytest.approx(0.01)
    assert grid_of(np.random.default_rng(0).random(500)) == 0.0


# --- gaps ---------------------------------------------------------------------------------------------------------

GAP_S = 300.0
GAP_AH = 5.0 * GAP_S / 3600.0  # constant 5 A for 300 s: 0.416667 Ah (closed form)


def counters_of(log):
    """Exact running sums of a log with constant current in its discharge: (signed, charged, discharged, run of each row). [Ah]"""
    flow = 0.5 * (log.current_a[1:] + log.current_a[:-1]) * np.diff(log.time_s) / 3600.0
    stretch = np.concatenate(([0], np.cumsum(np.diff(np.sign(log.current_a)) != 0)))
    return flow, stretch


def held(values, rows):
    """Renewed only every ``rows`` rows."""
    return values[(np.arange(values.size) // rows) * rows]


def forms(log):
    flow, stretch = counters_of(log)
    into, out = np.maximum(flow, 0.0), np.maximum(-flow, 0.0)
    both = run(into + out)
    per_step = restarted(into + out, np.diff(stretch) != 0)
    return {
        "cumulative": ({"capacity": digits(both, 0.001)}, 0.001),
        "net, falls on discharge": ({"capacity": digits(run(flow), 0.001)}, 0.001),
        "net, rises on discharge": ({"capacity": digits(-run(flow), 0.001)}, 0.001),
        "per step": ({"capacity": digits(per_step, 0.001)}, 0.001),
        "charge and discharge apart": ({"charge_capacity": digits(run(into), 0.0001), "discharge_capacity": digits(run(out), 0.0001)}, 0.0001),
        "whole mAh": ({"capacity": digits(both, 0.001)}, 0.001),
        "tenths of an Ah": ({"capacity": digits(both, 0.1)}, 0.1),
        "renewed every 15 rows": ({"capacity": held(digits(both, 0.0001), 15)}, 0.0001),
        "readings in every fourth row only": ({"capacity": np.where(np.arange(both.size) % 4 == 0, digits(both, 0.0001), np.nan)}, 0.0001),
    }


def gap_in(log, counters, at=500, seconds=GAP_S):
    """The log without the rows of ``seconds`` of its discharge."""
    load = np.flatnonzero(log.current_a < -1)
    rows = round(seconds / 2.0)
    keep = np.ones(log.rows, bool)
    keep[load[at] + 1 : load[at] + rows] = False
    gap = Gap(float(log.time_s[load[at]]), seconds)
    kept = {name: values[keep] for name, values in counters.items()}
    return make_log(log.time_s[keep], None, log.current_a[keep], log.group_voltage_v[keep], log.temperature_c[keep], [gap], counters=kept)


def flow_of(log, pack=PACK):
    steps = segment_steps(log, pack)
    return charge_flow(log, steps, find_switches(log, steps))


WHOLE, _ = simple_test((10.0, 10.1, 9.9))


@pytest.mark.parametrize("form", forms(WHOLE))
def test_gap_is_bridged_within_the_resolution_of_the_counter(form):
    counters, resolution = forms(WHOLE)[form]
    flow = flow_of(gap_in(WHOLE, counters))
    (_, charge_ah, half_width_ah), = flow.bridged
    assert not flow.open_gaps
    # A row carries 5 A x 2 s = 2.8 mAh; coarser counters are read at the rows at which they move.
    allowed = max(resolution, 5.0 * 2.0 / 3600.0) if resolution > 0.001 or "renewed" in form else resolution
    assert charge_ah == pytest.approx(GAP_AH, abs=allowed)
    assert abs(charge_ah - GAP_AH) <= half_width_ah + 1e-12


@pytest.mark.parametrize("form", ["cumulative", "per step", "whole mAh", "charge and discharge apart"])
def test_capacity_with_a_bridged_gap_is_valid_and_that_of_the_whole_log(form):
    counters, resolution = forms(WHOLE)[form]
    bridged, whole = analyze(gap_in(WHOLE, counters), PACK).to_dict(), analyze(WHOLE, PACK).to_dict()
    assert bridged["capacity"]["valid"]
    assert bridged["capacity"]["value_ah"] == pytest.approx(whole["capacity"]["value_ah"], abs=resolution + 1e-6)
    assert next(f for f in bridged["findings"] if f["code"] == "log_gap")["severity"] == "info"


def test_gap_half_width_of_a_coarse_counter_enters_the_budget():
    fine, coarse = (analyze(gap_in(WHOLE, forms(WHOLE)[form][0]), PACK).to_dict()["capacity"] for form in ("cumulative", "tenths of an Ah"))
    terms = [next(line["standard_uncertainty_ah"] for line in c["budget"] if line["source"] == "sample instant") for c in (fine, coarse)]
    assert terms[1] > terms[0]


def test_reset_inside_the_gap_is_not_bridged_and_capacity_is_a_lower_bound_that_says_why():
    flow, _ = counters_of(WHOLE)
    anew = np.zeros(flow.size, bool)
    load = np.flatnonzero(WHOLE.current_a < -1)
    anew[load[500] + 50] = True
    log = gap_in(WHOLE, {"capacity": digits(restarted(np.abs(flow), anew), 0.001)})
    found = analyze(log, PACK).to_dict()
    capacity = found["capacity"]
    assert not capacity["valid"] and capacity["is_lower_bound"] and "log_gap" in capacity["reasons"]
    whole = analyze(WHOLE, PACK).to_dict()["capacity"]["value_ah"]
    assert capacity["value_ah"] == pytest.approx(whole - GAP_AH, abs=1e-6)
    finding = next(f for f in found["findings"] if f["code"] == "log_gap")
    assert finding["severity"] == "caution" and "reset in the gap" in finding["evidence"]


def test_reset_inside_the_gap_leaves_what_was_counted_since_as_a_lower_bound():
    pieces = ((-5.0, 1200.0),)
    course, flow, _ = program(pieces, gap_rows=[299])
    anew = np.arange(flow.size) == 299
    # The gap stands for 300 s; the counter was reset 100 s before its end: 5 A x 100 s = 0.13889 Ah.
    since = 5.0 * 100.0 / 3600.0
    values = digits(restarted(np.abs(flow), anew) + np.where(np.arange(flow.size + 1) > 299, since - 5.0 * DT / 3600.0, 0.0), 0.0001)
    counter = read_counter("capacity", values, flow, course)
    moved = across_gap(counter, 299, flow, course, GAP_S, 5.0)
    assert moved.value is None and moved.reason.startswith("the counter was reset in the gap")
    assert moved.at_least == pytest.approx(since, abs=0.0001)


def test_counter_that_fell_back_to_a_saved_reading_in_the_gap_leaves_no_bound():
    # 1500 s at 5 A are 2.0833 Ah; it shows 1.3833 Ah after a gap of 300 s, in which no more than 0.4167 Ah can have flowed.
    course, flow, _ = program(((-5.0, 3000.0),), gap_rows=[750])
    values = digits(run(np.abs(flow)) - np.where(np.arange(flow.size + 1) > 750, 0.7, 0.0), 0.0001)
    moved = across_gap(read_counter("capacity", values, flow, course), 750, flow, course, GAP_S, 5.0)
    assert (moved.value, moved.at_least, moved.reason) == (None, None, "the counter fell back in the gap")


def test_gap_in_which_the_step_changed_is_not_bridged_by_a_counter_per_step():
    flow, stretch = counters_of(WHOLE)
    load = np.flatnonzero(WHOLE.current_a < -1)
    numbers = stretch.astype(float)
    numbers[load[560] :] += 1.0
    values = digits(restarted(np.abs(flow), np.diff(numbers) != 0), 0.001)
    # It was at 0 in the middle of the gap, and with a gap near the start of the load it may stand higher after it than before.
    log = gap_in(WHOLE, {"capacity": values, "numbers": numbers}, at=500)
    counters = {"capacity": log.counters["capacity"]}
    log = make_log(log.time_s, None, log.current_a, log.group_voltage_v, log.temperature_c, log.reading.gaps, counters=counters, step_number=log.counters["numbers"])
    flow = flow_of(log)
    assert not flow.bridged and "restarts" in flow.open_gaps[0][2]


def test_gap_in_which_the_counter_stood_still_is_not_taken_for_a_pause_of_the_load():
    # A counter kept by the recording program stops with it, while the load runs on.
    counters, _ = forms(WHOLE)["cumulative"]
    log = gap_in(WHOLE, counters)
    gap_at = int(np.argmax(np.diff(log.time_s)))
    values = log.counters["capacity"].copy()
    values[gap_at + 1 :] -= values[gap_at + 1] - values[gap_at]
    log = make_log(log.time_s, None, log.current_a, log.group_voltage_v, log.temperature_c, log.reading.gaps, counters={"capacity": values})
    flow = flow_of(log)
    assert not flow.bridged and "stood still" in flow.open_gaps[0][2]


def test_gap_over_which_the_counter_jumps_beyond_the_largest_current_is_not_bridged():
    log = gap_in(WHOLE, forms(WHOLE)["cumulative"][0])
    gap_at = int(np.argmax(np.diff(log.time_s)))
    values = log.counters["capacity"].copy()
    values[gap_at + 1 :] += 0.2  # 0.617 Ah in 300 s would be 7.4 A in a log that holds no more than 5 A
    log = make_log(log.time_s, None, log.current_a, log.group_voltage_v, log.temperature_c, log.reading.gaps, counters={"capacity": values})
    assert "largest current" in flow_of(log).open_gaps[0][2]


def test_gap_bridged_to_less_than_the_load_beside_it_is_pointed_out_with_both_figures():
    log = gap_in(WHOLE, forms(WHOLE)["cumulative"][0])
    gap_at = int(np.argmax(np.diff(log.time_s)))
    values = log.counters["capacity"].copy()
    values[gap_at + 1 :] -= 0.1
    log = make_log(log.time_s, None, log.current_a, log.group_voltage_v, log.temperature_c, log.reading.gaps, counters={"capacity": values})
    finding = next(f for f in analyze(log, PACK).to_dict()["findings"] if f["code"] == "log_gap")
    assert finding["severity"] == "caution"
    # 0.416667 Ah by the load, 0.1 Ah less by the counter, which reads in whole mAh.
    assert "0.417 Ah" in finding["message"]
    assert float(re.search(r"\(([0-9.]+) Ah\)", finding["message"])[1]) == pytest.approx(GAP_AH - 0.1, abs=0.001)


def test_gap_energy_comes_from_the_energy_counter_rather_than_from_two_voltages():
    # U = 42 - 12 (t/T)^2 at 5 A, T = 7200 s. Gap from 3600 to 5400 s:
    # W = 5/3600 [42 t - 4 t^3/T^2] = 5/3600 (75600 - 4 (5400^3 - 3600^3)/7200^2) = 93.1250 Wh; the mean of 39.00 and 35.25 V gives 92.8125 Wh.
    t = np.arange(0.0, 7202.0, 2.0)
    volts = 42.0 - 12.0 * (t / 7200.0) ** 2
    exact = 5.0 / 3600.0 * (42.0 * t - 4.0 * t**3 / 7200.0**2)
    truth = 5.0 / 3600.0 * (42.0 * 1800.0 - 4.0 * (5400.0**3 - 3600.0**3) / 7200.0**2)
    by_ends = 2.5 * 0.5 * (39.0 + 35.25)
    keep = (t <= 3600.0) | (t >= 5400.0)
    extra = {"capacity": digits(5.0 * t / 3600.0, 1e-4)[keep], "energy": digits(exact, 0.01)[keep]}
    log = make_log(t[keep], volts[keep], np.full(keep.sum(), -5.0), gaps=[Gap(3600.0, 1800.0)], counters=extra)
    flow = flow_of(log, Pack())
    k = int(np.argmax(np.diff(log.time_s)))
    assert -flow.charge_coulomb[k] / 3600.0 == pytest.approx(2.5, abs=1e-4)
    assert -flow.energy_joule[k] / 3600.0 == pytest.approx(truth, abs=0.01)
    assert abs(by_ends - truth) > 0.2


def test_gap_energy_counter_that_needs_an_impossible_voltage_is_not_believed():
    course, flow, _ = program(((-5.0, 1200.0),), gap_rows=[299])
    counters = [
        read_counter("capacity", digits(run(np.abs(flow)), 1e-4), flow, course),
        read_counter("energy", digits(20.0 * run(np.abs(flow)), 1e-3), 40.0 * flow, course),
    ]
    found = bridge(counters, 299, flow, 40.0 * flow, course, DT, 5.0, (38.0, 41.0))
    assert found.charge_ah == pytest.approx(-5.0 * DT / 3600.0, abs=1e-4) and found.energy_wh is None


def test_gap_with_a_change_of_direction_is_bridged_by_a_net_counter_and_not_by_a_magnitude():
    course, flow, _ = program(((2.0, 600.0), (-2.0, 600.0), (2.0, 600.0), (-2.0, 600.0)), gap_rows=[299])
    net = read_counter("capacity", digits(run(flow), 1e-4), flow, course)
    alike = read_counter("capacity", digits(run(np.abs(flow)), 1e-4), flow, course)
    assert across_gap(net, 299, flow, course, DT, 2.0).value == pytest.approx(-2.0 * DT / 3600.0, abs=2e-4)
    assert "direction" in across_gap(alike, 299, flow, course, DT, 2.0).reason


def random_counter(rng, form, flow, piece):
    turns = np.diff(piece) > 0
    true = {"cumulative": run(np.abs(flow)), "net": run(flow), "net, other way": 3.0 - run(flow), "per step": restarted(np.abs(flow), turns)}[form]
    values = digits(true, float(rng.choice([1e-5, 1e-4, 1e-3, 1e-2, 0.1])))
    return held(values, int(rng.choice([1, 1, 3, 5, 12])))


@pytest.mark.parametrize("form", ["cumulative", "net", "net, other way", "per step"])
def test_gap_inside_a_step_is_bridged_within_its_half_width_whatever_the_counter(form):
    # Second method: random programs, digits, renewals and gaps against the charge that was cut out (closed form I t / 3600).
    rng = np.random.default_rng(20)
    bridged = tried = 0
    for _ in range(150):
        pieces = tuple((float(rng.choice([0.0, 2.0, -2.0, -5.0, 1.3])), float(rng.integers(400, 3000))) for _ in range(rng.integers(1, 5)))
        course, flow, piece = program(pieces, dt=float(rng.choice([1.0, 2.0, 10.0])))
        values = random_counter(rng, form, flow, piece)
        inside = np.flatnonzero((piece == rng.integers(0, len(pieces))) & (course.state != 0))
        if inside.size < 40:
            continue
        before = int(inside[rng.integers(5, inside.size - 20)])
        after = min(before + int(rng.integers(2, 300)), int(inside[-1]) - 2)
        rows = np.concatenate((np.arange(before + 1), np.arange(after, piece.size)))
        kept = run(flow)[rows]
        left = Course(course.time_s[rows], course.state[rows], np.arange(rows.size - 1) == before, piece[rows].astype(float))
        counter = read_counter("capacity", values[rows], np.diff(kept), left)
        moved = across_gap(counter, before, np.diff(kept), left, float(course.time_s[after] - course.time_s[before]), 5.0)
        tried += 1
        if moved.value is not None:
            bridged += 1
            assert abs(moved.value - flow[before:after].sum()) <= moved.half_width + 1e-9
    assert tried > 80 and bridged > 0.8 * tried


# --- integral against counter -------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["magnitude", "net", "per step"])
def test_check_of_constant_current_meets_its_closed_form(form):
    course, flow, piece = program()
    signed, anew = run(flow), np.diff(piece) > 0
    values = {"magnitude": run(np.abs(flow)), "net": signed, "per step": restarted(np.abs(flow), anew)}[form]
    counter = read_counter("capacity", digits(values, 1e-4), flow, course)
    for number, (amperes, seconds) in enumerate(PROGRAM):
        rows = np.flatnonzero(piece == number)
        found = check_step(counter, number, int(rows[0]), int(rows[-1]), flow, course)
        if amperes == 0.0:
            assert found is None
            continue
        # Rows of a piece lie within seconds - DT: Q = I (t - dt) / 3600.
        assert found.by_integral == pytest.approx(abs(amperes) * (seconds - DT) / 3600.0, rel=1e-9)
        assert found.by_counter == pytest.approx(found.by_integral, abs=1e-4)
        assert abs(found.by_integral - found.by_counter) <= 3.0 * found.u_difference


def test_check_of_energy_with_linear_voltage_meets_its_closed_form():
    # U from 40 to 30 V in 3600 s at 5 A: W = I t (U0 + U1) / 2 / 3600 = 175 Wh.
    t = np.arange(0.0, 3602.0, 2.0)
    volts = 40.0 - 10.0 * t / 3600.0
    course = Course(t, np.full(t.size, -1), np.zeros(t.size - 1, bool))
    power = -5.0 * volts
    flow = 0.5 * (power[1:] + power[:-1]) * 2.0 / 3600.0
    exact = 5.0 / 3600.0 * (40.0 * t - 5.0 * t**2 / 3600.0)
    counter = read_counter("energy", digits(exact, 0.01), flow, course)
    found = check_step(counter, 0, 0, t.size - 1, flow, course)
    assert found.by_integral == pytest.approx(175.0, rel=1e-9)
    assert found.by_counter == pytest.approx(175.0, abs=0.01)
    assert found.unit == "Wh"


@pytest.mark.parametrize("step", [0.05, 0.001])
def test_check_of_a_coarse_counter_is_not_off_by_its_steps(step):
    # 0.2 A for 6 h, a counter in whole mAh or in 0.05 Ah: 1.2 Ah has only 24 of the latter, which would be 4 % each way.
    pieces = ((-0.2, 21600.0),)
    course, flow, piece = program(pieces)
    counter = read_counter("capacity", digits(run(np.abs(flow)), step), flow, course)
    found = check_step(counter, 0, 0, piece.size - 1, flow, course)
    # Read at the rows at which it moves, the counter is right to one row: 0.2 A x 2 s = 0.11 mAh.
    assert found.by_counter == pytest.approx(found.by_integral, abs=2 * 0.2 * DT / 3600.0)


def test_check_leaves_a_reset_by_hand_out_of_both_figures():
    course, flow, piece = program(((-5.0, 1200.0),))
    anew = np.arange(flow.size) == 300
    counter = read_counter("capacity", digits(restarted(np.abs(flow), anew), 1e-4), flow, course)
    found = check_step(counter, 0, 0, piece.size - 1, flow, course)
    # 599 intervals of 2 s at 5 A, one of them left out: 598 x 10 As = 1.66111 Ah.
    assert found.by_integral == pytest.approx(598 * 10.0 / 3600.0, rel=1e-9)
    assert found.by_counter == pytest.approx(found.by_integral, abs=2e-4)


def test_check_with_few_steps_of_the_counter_tells_nothing():
    course, flow, piece = program(((-0.2, 1200.0),))
    counter = read_counter("capacity", digits(run(np.abs(flow)), 0.01), flow, course)
    assert check_step(counter, 0, 0, piece.size - 1, flow, course) is None


def with_gain(gain, name="capacity", step=1e-4):
    """The whole test with a counter that shows ``gain`` times what flowed; its discharge: rows and charge. [Ah]"""
    flow, _ = counters_of(WHOLE)
    amount = np.abs(flow) * gain
    if name == "energy":
        volts = WHOLE.voltage_v
        power = volts * WHOLE.current_a
        amount = np.abs(0.5 * (power[1:] + power[:-1]) * np.diff(WHOLE.time_s) / 3600.0) * gain
    log = make_log(WHOLE.time_s, None, WHOLE.current_a, WHOLE.group_voltage_v, WHOLE.temperature_c, counters={name: digits(run(amount), step)})
    load = np.flatnonzero(WHOLE.current_a < -1)
    return analyze(log, PACK).to_dict(), 5.0 * 2.0 * (load.size - 1) / 3600.0


def mismatches(found):
    return [f for f in found["findings"] if f["code"] == "counter_mismatch"]


def test_counter_three_percent_low_is_reported_with_both_figures_and_capacity_stays_valid():
    found, charge_ah = with_gain(1 / 1.03)
    finding, = mismatches(found)
    step = next(s["index"] for s in found["steps"] if s["kind"] == "discharge_cc")
    assert finding["step"] == step
    assert f"integral {charge_ah:.4f} Ah" in finding["evidence"]
    # Both figures in the sentence, and the kind; the counter: charge / 1.03 within its 0.1 mAh.
    figures = [float(figure) for figure in re.findall(r"([0-9.]+) Ah", finding["message"])]
    assert figures == pytest.approx([charge_ah, charge_ah / 1.03], abs=6e-4)
    assert "cumulative" in finding["message"] and f"step {step}" in finding["message"] and "3.0 %" in finding["message"]
    assert found["capacity"]["valid"]


@pytest.mark.parametrize("gain", [0.99, 1.0, 1.01])
def test_counter_one_percent_off_is_not_reported(gain):
    found, charge_ah = with_gain(gain)
    assert mismatches(found) == []
    row, = found["counters"]
    steps = {s["step"]: s for s in row["steps"]}
    step = next(s["index"] for s in found["steps"] if s["kind"] == "discharge_cc")
    assert steps[step]["by_integral"] == pytest.approx(charge_ah, rel=1e-9)
    assert steps[step]["by_counter"] == pytest.approx(gain * charge_ah, abs=1e-4)
    assert steps[step]["difference_share"] == pytest.approx(1 / gain - 1, abs=1e-4)


@pytest.mark.parametrize("gain", [1 / 1.06, 1.07])
def test_counter_six_percent_off_makes_the_capacity_invalid(gain):
    found, _ = with_gain(gain)
    assert len(mismatches(found)) == 1
    assert not found["capacity"]["valid"] and found["capacity"]["reasons"] == ["counter_mismatch"]
    assert not found["capacity"]["is_lower_bound"]


def test_energy_counter_three_percent_off_is_reported_as_energy_and_leaves_the_capacity():
    found, _ = with_gain(1 / 1.03, "energy")
    finding, = mismatches(found)
    assert "Wh" in finding["message"] and "power" in finding["message"] and "Ah" not in finding["message"]
    assert found["capacity"]["valid"]


def test_counter_is_told_in_the_analysis_and_in_one_line():
    found, _ = with_gain(1.003, step=1e-7)
    row, = found["counters"]
    assert (row["name"], row["kind"], row["unit"], row["sense"]) == ("capacity", "cumulative", "Ah", "magnitude")
    assert row["evidence"].startswith("cumulative")
    # 0.3 % of gain: 1/1.003 - 1 = -0.2991 %, and never rounded down.
    assert row["summary"].startswith("Ah counter, cumulative: agrees within 0.3 % in ")


def test_log_without_counters_has_an_empty_list():
    assert analyze(WHOLE, PACK).to_dict()["counters"] == []


# --- terms of the uncertainty ---------------------------------------------------------------------------------------


def test_bridged_charge_enters_the_budget_with_two_percent_as_limits_of_error():
    # Rectangular: half-width / sqrt(3) (JCGM 100, 4.3.7); 2 % is common practice, no source.
    counters, _ = forms(WHOLE)["cumulative"]
    log = gap_in(WHOLE, counters)
    bridged_ah = sum(charge for _, charge, _ in flow_of(log).bridged)
    budget = {line["source"]: line["standard_uncertainty_ah"] for line in analyze(log, PACK).to_dict()["capacity"]["budget"]}
    assert budget["gap"] == pytest.approx(0.02 * abs(bridged_ah) / np.sqrt(3.0), rel=1e-9)


@pytest.mark.parametrize(("swing", "every"), [(1.0, 100), (3.0, 37)])
def test_check_carries_the_error_of_the_trapezoid_rule_of_a_bent_current(swing, every):
    # i = 2 + swing (t / T)^2 over T: Euler-Maclaurin gives h^2 / 12 (i'(T) - i'(0)) = h^2 swing / (6 T).
    t = every * np.arange(101.0)
    end = t[-1]
    current = 2.0 + swing * (t / end) ** 2
    flow = (current[1:] + current[:-1]) / 2 * every / 3600.0
    # The first and the last of the 100 intervals have no second difference.
    wanted = every**2 * swing / (6.0 * end) / 3600.0 * 98 / 100
    assert _trapezoid_error(flow, t) == pytest.approx(wanted, rel=1e-6)


def test_check_carries_the_flicker_of_the_counter():
    course, flow, _ = program()
    exact = run(flow)
    # Back and forth by 2 mAh from row to row within each piece: half-width 2 mAh, rectangular.
    flicker = 0.002 * (np.arange(exact.size) % 2)
    calm, restless = (
        check_step(read_counter("capacity", values, flow, course), 1, 31, 1829, flow, course) for values in (exact, exact - flicker)
    )
    jitter = read_counter("capacity", exact - flicker, flow, course).jitter
    assert jitter > 0.0005
    assert restless.u_difference**2 - calm.u_difference**2 >= 0.9 * jitter**2 / 3.0
