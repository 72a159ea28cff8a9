"""The invented workshop: packs, benches and tests behind the sample logs.

A small workshop refurbishes e-bike, cargo-bike and mobility-scooter packs. Packs, people, readings: all invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np

from cycler.simulator.bench import Draw, Limits
from cycler.simulator.dialects import (
    Dialect,
    counter_bench,
    date_and_time_bench,
    german_workbench,
    hours_bench,
    iso_time_bench,
    milli_units_bench,
    taps_bench,
    two_currents_bench,
    utc_bench,
)
from cycler.simulator.model import Board, PackModel
from cycler.simulator.ocv import CURVES
from cycler.simulator.program import Charge, Discharge, Program, Rest, pulse

INF = float("inf")


@dataclass(frozen=True, slots=True)
class PackLabel:
    """What PACK.toml says of a pack. ``limits`` become its [instrument] table."""

    file: str
    id: str
    words: str
    chemistry: str
    series: int
    parallel: int
    rated_capacity_ah: float
    nominal_v: float
    group_charge_voltage_v: float
    cutoff_voltage_v: float
    group_cutoff_voltage_v: float | None
    max_charge_current_a: float
    max_discharge_current_a: float
    limits: Limits

    @property
    def charge_voltage_v(self) -> float:
        """Of the whole pack. [V]"""
        return round(self.series * self.group_charge_voltage_v, 3)

    @property
    def taper_current_a(self) -> float:
        """0.05 It. [A]"""
        return round(0.05 * self.rated_capacity_ah, 3)


@dataclass(frozen=True, slots=True)
class Sample:
    """One sample test: its files, pack file, story and all that is needed to make it.

    Attributes
    ----------
    files : tuple of str
        File names in the sample folder; several are parts of one test.
    pack_file : str
        Relative to the sample folder.
    story : str
        One line for a list.
    expected, expected_why : str
        pass, fail or not_proven as a repairer would judge before the pack goes back to its owner, and why.
    split_after_charge_s : (float, float) or None
        For a test in two files: end of the first and start of the second, after the end of the charge. [s]
    """

    name: str
    files: tuple[str, ...]
    pack_file: str
    story: str
    expected: str
    expected_why: str
    label: PackLabel = field(repr=False)
    model: PackModel = field(repr=False)
    program: Program = field(repr=False)
    dialect: Dialect = field(repr=False)
    bench_name: str = field(repr=False)
    bench_seed: int = field(repr=False)
    seed: int = field(repr=False)
    started_at: datetime = field(repr=False)
    split_after_charge_s: tuple[float, float] | None = field(default=None, repr=False)
    started_full: bool = field(default=True, repr=False)

    @property
    def groups_logged(self) -> bool:
        """Whether the log carries group or tap voltages."""
        return self.dialect.has_groups


def build_model(
    chemistry: str, series: int, capacity_ah: float, ohmic_ohm: float, below_full_ah: float, seed: int,
    changes: dict[int, dict[str, float]] | None = None, capacity_spread: float = 0.004, resistance_spread: float = 0.02,
    capacity_unit_j_per_k: float = 1700.0, board: Board | None = None, interconnect_ohm: float = 0.004,
    ambient_c: float = 21.0,
) -> PackModel:
    """A pack of like groups with small scatter, and ``changes`` of single groups.

    Parameters
    ----------
    capacity_ah, ohmic_ohm : float
        Middle of the groups. [Ah], [ohm]
    below_full_ah : float
        Charge missing in every group at the start (a pack balanced at full). [Ah]
    changes : dict of group number to dict
        ``capacity_factor``, ``resistance_factor``, ``joint_ohm``, ``leak_a``, ``extra_below_full_ah``.
    capacity_spread, resistance_spread : float
        Half-widths of the scatter, as fractions.
    """
    draw = Draw(seed)
    capacity = capacity_ah * (1 + draw.within(capacity_spread, (series,)))
    ohmic = ohmic_ohm * (1 + draw.within(resistance_spread, (series,)))
    branch = np.stack([0.40 * ohmic, 0.55 * ohmic]) * (1 + draw.within(resistance_spread, (2, series)))
    tau = np.array([[3.0], [75.0]]) * (1 + draw.within(0.05, (2, series)))
    leak = 1e-6 * (20 + 20 * draw.uniform((series,)))
    joint, missing = np.zeros(series), np.full(series, float(below_full_ah))
    for group, change in (changes or {}).items():
        at = group - 1
        capacity[at] = capacity_ah * change.get("capacity_factor", capacity[at] / capacity_ah)
        factor = change.get("resistance_factor", 1.0)
        ohmic[at] *= factor
        branch[:, at] *= factor
        joint[at] = change.get("joint_ohm", 0.0)
        leak[at] = change.get("leak_a", leak[at])
        missing[at] += change.get("extra_below_full_ah", 0.0)
    return PackModel(
        CURVES[chemistry], capacity, ohmic, joint, branch, tau, leak, missing, interconnect_ohm, ambient_c,
        capacity_unit_j_per_k, capacity_unit_j_per_k / 1900.0, board,
    )


def charge_of(label: PackLabel, current_a: float, period_s: float = 20.0, stop_after_s: float = INF) -> Charge:
    """CC-CV by the label's rule, sampled every second over the switch-on."""
    return Charge(
        current_a, label.charge_voltage_v, label.taper_current_a, stop_after_s, ((30.0, 1.0), (INF, period_s)),
    )


def rest_of(duration_s: float, period_s: float = 30.0, quick_end_s: float = 20.0) -> tuple[Rest, Rest]:
    """A rest whose first minute and end are sampled every second, so that both edges are caught."""
    return (
        Rest(duration_s - quick_end_s, ((60.0, 1.0), (600.0, 10.0), (INF, period_s))),
        Rest(quick_end_s, ((INF, 1.0),)),
    )


def load_of(
    label: PackLabel, current_a: float, period_s: float = 10.0, watch_groups: bool = True, stop_after_ah: float = INF
) -> Discharge:
    """Discharge to the label's limits, sampled every second for two minutes."""
    return Discharge(
        current_a, label.cutoff_voltage_v, label.group_cutoff_voltage_v if watch_groups else None,
        stop_after_ah=stop_after_ah, sampling=((120.0, 1.0), (INF, period_s)),
    )


_BASELINE = (Rest(280.3, ((INF, 10.0),)), Rest(20.0, ((INF, 1.0),)))

_BENCH_TWO = Limits()
_BENCH_ONE = Limits(
    voltage_offset_v=0.015, current_offset_a=0.004, sample_jitter_s=0.03, group_voltage_noise_v=0.0004,
)
_BENCH_SCOOTER = Limits(
    voltage_gain=0.001, voltage_offset_v=0.010, current_gain=0.002, current_offset_a=0.006, lead_ohm=0.018,
    group_voltage_gain=0.001, group_voltage_offset_v=0.002, sample_jitter_s=0.02,
)
_BENCH_LONG = Limits(
    voltage_resolution_v=0.01, group_voltage_noise_v=0.0002, group_voltage_offset_v=0.002, current_offset_a=0.003,
)
_BENCH_TAPS = Limits(
    group_voltage_gain=0.0004, group_voltage_offset_v=0.004, group_voltage_noise_v=0.0005, taps_cumulative=True,
    voltage_offset_v=0.02,
)
_BENCH_LFP = Limits(current_gain=0.0025, current_offset_a=0.010, sample_jitter_s=0.05, voltage_offset_v=0.012)
_BENCH_PLAIN = Limits(voltage_gain=0.001, voltage_offset_v=0.02, current_gain=0.002, current_offset_a=0.005)
_BENCH_FOUR = Limits(
    voltage_resolution_v=0.01, voltage_noise_v=0.004, current_gain=0.003, group_voltage_gain=0.001,
    group_voltage_offset_v=0.002,
)
_BENCH_UTC = Limits(
    group_voltage_resolution_v=0.0001, group_voltage_noise_v=0.0002, group_voltage_gain=0.0003,
    current_gain=0.0015, current_offset_a=0.004, sample_jitter_s=0.01,
)


def _ebike(file: str, id_: str, words: str, limits: Limits, capacity: float = 10.4) -> PackLabel:
    return PackLabel(
        file, id_, words, "nmc", 10, 4, capacity, 36.0, 4.20, 30.0, 2.80, round(capacity * 0.5, 2), 20.0, limits,
    )


def _cargo(file: str, id_: str, words: str, limits: Limits) -> PackLabel:
    return PackLabel(file, id_, words, "nmc", 13, 5, 17.0, 46.8, 4.20, 39.0, 2.80, 8.5, 30.0, limits)


EB_0412 = _ebike("packs/ebike-0412.toml", "EB-0412", "10S 4P e-bike pack, one group replaced between two tests", _BENCH_TWO)
EB_0415 = _ebike("packs/ebike-0415.toml", "EB-0415", "10S 4P e-bike pack, sister of EB-0412", _BENCH_TWO)
EB_0377 = _ebike("packs/ebike-0377.toml", "EB-0377", "10S 4P e-bike pack, back after weeks in a shed", _BENCH_LONG, 11.6)
EB_0398 = _ebike("packs/ebike-0398.toml", "EB-0398", "10S 4P e-bike pack, sealed case, no access to the groups", _BENCH_PLAIN)
EB_0405 = _ebike("packs/ebike-0405.toml", "EB-0405", "10S 4P e-bike pack, charged in a hurry", _BENCH_FOUR)
CB_0207 = _cargo("packs/cargo-0207.toml", "CB-0207", "13S 5P cargo-bike pack, re-welded in the workshop", _BENCH_ONE)
CB_0219 = _cargo("packs/cargo-0219.toml", "CB-0219", "13S 5P cargo-bike pack, stored for two winters", _BENCH_TAPS)
CB_0222 = _cargo("packs/cargo-0222.toml", "CB-0222", "13S 5P cargo-bike pack, test in two files", _BENCH_UTC)
SC_0131 = PackLabel(
    "packs/scooter-0131.toml", "SC-0131", "7S 3P mobility-scooter pack", "nmc", 7, 3, 10.5, 25.2, 4.20, 21.0, 2.80, 5.25,
    15.0, _BENCH_SCOOTER,
)
SC_0140 = PackLabel(
    "packs/scooter-0140-lfp.toml", "SC-0140", "8S LFP mobility-scooter pack with protection board", "lfp", 8, 1, 20.0, 25.6,
    3.50, 20.0, None, 10.0, 30.0, _BENCH_LFP,
)

_EBIKE_TEST: Program = (
    *_BASELINE, charge_of(EB_0412, 2.6), *rest_of(3600.2), pulse(5.2, 10.37), *rest_of(600.3), load_of(EB_0412, 5.2),
    Rest(900.0, ((60.0, 1.0), (INF, 10.0))),
)


def _eb_0405(below_full_ah: float) -> PackModel:
    """The pack that was charged in a hurry, with so much missing in every group when its test begins. [Ah]"""
    return build_model("nmc", 10, 9.9, 0.0103, below_full_ah, 40501, {5: {"capacity_factor": 0.992}})


def _sister_program() -> Program:
    """Standard two-current steps at 10 Hz (0.2 It for 10 s, 1 It for 1 s; and 30 s, 5 s), then the discharge."""
    two_current = (pulse(2.08, 10.0, 0.1), pulse(10.4, 1.0, 0.1))
    longer = (pulse(2.08, 30.0, 0.1), pulse(10.4, 5.0, 0.1))
    still = Rest(15.04, ((INF, 0.1),))
    return (
        *_BASELINE, charge_of(EB_0415, 2.6), *rest_of(3600.7), still, *two_current, still, *rest_of(900.0), still, *longer,
        still, *rest_of(900.2), load_of(EB_0415, 5.2), Rest(900.0, ((60.0, 1.0), (INF, 10.0))),
    )


def _leak_program() -> Program:
    return (
        *_BASELINE, charge_of(EB_0377, 3.0, 30.0), *rest_of(3600.4), load_of(EB_0377, 5.0, 20.0),
        Rest(1800.0, ((60.0, 1.0), (INF, 30.0))), charge_of(EB_0377, 3.0, 30.0),
        Rest(36 * 3600.0 + 30.0, ((60.0, 1.0), (900.0, 30.0), (INF, 300.0))),
    )


def _five_seconds(program: Program) -> Program:
    """Every step sampled once in 5 s, as a slow bench does."""
    return tuple(replace(step, sampling=((INF, 5.0),)) for step in program)


SAMPLES: tuple[Sample, ...] = (
    Sample(
        "ebike-10s4p-before-repair", ("ebike-10s4p-before-repair.csv",), EB_0412.file,
        "10S 4P e-bike pack as it came in: group 4 has lost 30 % of its capacity and half as much resistance again",
        "fail", "group 4 is weak (70 % of its siblings' capacity, 1.5 times their resistance) and ends the discharge "
        "at about 65 % of the rated capacity",
        EB_0412, build_model(
            "nmc", 10, 9.85, 0.0105, 5.6, 41201,
            {4: {"capacity_factor": 0.70, "resistance_factor": 1.5}, 8: {"capacity_factor": 0.992}},
        ), _EBIKE_TEST, german_workbench(10), "bench 2", 2002, 101, datetime(2026, 3, 9, 8, 12, 5),
    ),
    Sample(
        "ebike-10s4p-after-repair", ("ebike-10s4p-after-repair.csv",), EB_0412.file,
        "The same pack after group 4 was replaced with matched cells, same bench",
        "pass", "all groups alike, about 92 to 93 % of the rated capacity, no group sags",
        EB_0412, build_model(
            "nmc", 10, 9.85, 0.0105, 6.2, 41201,
            {4: {"capacity_factor": 1.012, "resistance_factor": 0.97}, 8: {"capacity_factor": 0.992}},
        ), _EBIKE_TEST, german_workbench(10), "bench 2", 2002, 102, datetime(2026, 3, 12, 8, 3, 41),
    ),
    Sample(
        "ebike-10s4p-sister", ("ebike-10s4p-sister.csv",), EB_0415.file,
        "Healthy sister pack; with the standards' two-current steps logged at 10 Hz",
        "pass", "all groups alike, about 93 % of the rated capacity",
        EB_0415, build_model(
            "nmc", 10, 9.92, 0.0100, 6.5, 41501, {3: {"capacity_factor": 0.992}}
        ), _sister_program(), german_workbench(10), "bench 2", 2002,
        103, datetime(2026, 3, 13, 8, 20, 0),
    ),
    Sample(
        "cargo-13s5p-bad-weld", ("cargo-13s5p-bad-weld.csv",), CB_0207.file,
        "13S 5P cargo-bike pack: a poor weld puts 12 mΩ in series with group 7, its capacity is normal",
        "fail", "group 7 shows 12 mΩ more at once than its siblings and no more polarisation: a joint to weld again, "
        "not cells to replace",
        CB_0207, build_model(
            "nmc", 13, 16.1, 0.0072, 9.5, 20701, {7: {"joint_ohm": 0.012, "capacity_factor": 1.0}},
            capacity_spread=0.002, capacity_unit_j_per_k=2900.0,
        ), (
            *_BASELINE, charge_of(CB_0207, 3.4, 30.0), *rest_of(3600.6), pulse(8.5, 10.0), *rest_of(600.1),
            load_of(CB_0207, 6.8, 10.0), Rest(900.0, ((60.0, 1.0), (INF, 10.0))),
        ), iso_time_bench(13), "bench 1", 2001, 104, datetime(2026, 4, 2, 7, 55, 17, 240000),
    ),
    Sample(
        "scooter-7s3p-stopped-early", ("scooter-7s3p-stopped-early.csv",), SC_0131.file,
        "7S 3P mobility-scooter pack: the operator stopped the discharge long before the cut-off",
        "not_proven", "stopped by the operator far above the cut-off: what was delivered is a lower bound of the capacity",
        SC_0131, build_model("nmc", 7, 9.7, 0.0135, 6.0, 13101, capacity_unit_j_per_k=950.0), (
            *_BASELINE, charge_of(SC_0131, 2.6), *rest_of(3600.9), pulse(5.2, 10.0), *rest_of(600.4),
            load_of(SC_0131, 4.2, 5.0, stop_after_ah=5.45), Rest(900.0, ((60.0, 1.0), (INF, 10.0))),
        ), milli_units_bench(7), "bench 3", 2003, 105, datetime(2026, 4, 14, 9, 2, 0),
    ),
    Sample(
        "ebike-10s-leaks-at-rest", ("ebike-10s-leaks-at-rest.csv",), EB_0377.file,
        "10S e-bike pack with good capacity whose group 6 discharges itself with 8 mA over a 36 h rest",
        "fail", "group 6 loses about 8 mA at rest, the others less than 0.05 mA: unsafe to return whatever the capacity",
        EB_0377, build_model(
            "nmc", 10, 10.9, 0.0098, 6.4, 37701, {6: {"leak_a": 0.008, "capacity_factor": 0.996}}
        ), _leak_program(), hours_bench(10),
        "bench 5", 2005, 106, datetime(2026, 5, 4, 10, 0, 0),
    ),
    Sample(
        "cargo-13s5p-out-of-balance", ("cargo-13s5p-out-of-balance.csv",), CB_0219.file,
        "13S 5P cargo-bike pack: group 9 started 8 % low, its capacity is normal: needs balancing, not cells",
        "fail", "group 9 stands about 1.3 Ah below full at the end of the charge and ends the discharge first; its own "
        "capacity and resistance are normal: balance and test again",
        CB_0219, build_model(
            "nmc", 13, 16.4, 0.0070, 9.8, 21901, {9: {"extra_below_full_ah": 1.312}}, capacity_unit_j_per_k=2900.0
        ), (
            *_BASELINE, charge_of(CB_0219, 5.0, 30.0), *rest_of(3600.3), pulse(8.5, 10.0), *rest_of(600.5),
            load_of(CB_0219, 5.1, 10.0), Rest(900.0, ((60.0, 1.0), (INF, 10.0))),
        ), taps_bench(13), "bench 6", 2006, 107, datetime(2026, 5, 11, 8, 30, 0),
    ),
    Sample(
        "scooter-8s-lfp-board-trips", ("scooter-8s-lfp-board-trips.csv",), SC_0140.file,
        "8S LFP mobility-scooter pack: the protection board opens on weak group 3 while the pack is far above its cut-off",
        "fail", "group 3 (72 % of its siblings' capacity, twice their resistance) makes the board open early; the charge "
        "delivered until then is all a user gets and a lower bound for the other groups",
        SC_0140, build_model(
            "lfp", 8, 19.1, 0.0042, 11.0, 14001, {3: {"capacity_factor": 0.72, "resistance_factor": 2.0}},
            capacity_unit_j_per_k=4200.0, board=Board(2.5, 3.75, 0.35),
        ), _five_seconds((
            Rest(300.3), charge_of(SC_0140, 8.0), Rest(3601.2), load_of(SC_0140, 10.0, 5.0), Rest(1200.0),
        )), two_currents_bench(8), "bench 7", 2007, 108, datetime(2026, 5, 19, 8, 45, 0),
    ),
    Sample(
        "ebike-10s-no-group-taps", ("ebike-10s-no-group-taps.csv",), EB_0398.file,
        "10S e-bike pack in a sealed case: pack voltage and current only, capacity valid",
        "not_proven", "capacity and pack resistance are sound, but without group voltages no weak group can be excluded",
        EB_0398, build_model("nmc", 10, 9.75, 0.0104, 6.3, 39801), (
            *_BASELINE, charge_of(EB_0398, 2.6, 10.0), *rest_of(3600.8), pulse(5.2, 10.0), *rest_of(600.6),
            load_of(EB_0398, 2.6, 10.0, watch_groups=False), Rest(1200.0, ((60.0, 1.0), (INF, 10.0))),
        ), counter_bench(), "bench 8", 2008, 109, datetime(2026, 6, 1, 8, 0, 0),
    ),
    Sample(
        "ebike-10s-charge-not-finished", ("ebike-10s-charge-not-finished.csv",), EB_0405.file,
        "10S e-bike pack discharged after a charge that was cut off before the taper",
        "not_proven", "the charge ended in constant current: the pack was not full, so the charge delivered is a lower bound",
        EB_0405, _eb_0405(6.6), (
            *_BASELINE, charge_of(EB_0405, 3.1, 20.0, stop_after_s=5805.6), *rest_of(3600.4), load_of(EB_0405, 5.2, 10.0),
            Rest(900.0, ((60.0, 1.0), (INF, 10.0))),
        ), date_and_time_bench(10), "bench 4", 2004, 110, datetime(2026, 6, 8, 20, 47, 0), started_full=False,
    ),
    Sample(
        "cargo-two-parts", ("cargo-part1-charge.csv", "cargo-part2-discharge.csv"), CB_0222.file,
        "13S 5P cargo-bike pack, healthy: one test in two files, the charge and the discharge",
        "pass", "all groups alike, about 96 % of the rated capacity; the gap between the files lies in a rest",
        CB_0222, build_model(
            "nmc", 13, 16.5, 0.0069, 9.6, 22201, {7: {"capacity_factor": 0.992}}, capacity_unit_j_per_k=2900.0
        ), (
            *_BASELINE, charge_of(CB_0222, 5.0, 30.0), *rest_of(3600.2), pulse(8.5, 10.0), *rest_of(600.0),
            load_of(CB_0222, 5.1, 10.0), Rest(900.0, ((60.0, 1.0), (INF, 10.0))),
        ), utc_bench(13), "bench 9", 2009, 111, datetime(2026, 6, 15, 6, 10, 30, 500000),
        split_after_charge_s=(600.0, 690.0),
    ),
    # What settled "ebike-10s-charge-not-finished": the sentence of its verdict, done to the letter, on the pack as that test left it.
    Sample(
        "ebike-10s-charge-finished", ("ebike-10s-charge-finished.csv",), EB_0405.file,
        "The pack of the unfinished charge the next day, tested again as its record asked: charged to the taper, rested, discharged to the cut-off",
        "pass", "charged to 42.0 V until the current fell to 0.52 A, rested 1 h and discharged to 30.0 V as asked: all groups alike, about 94 % of "
        "the rated capacity",
        EB_0405, _eb_0405(9.795), (
            *_BASELINE, charge_of(EB_0405, 3.1, 20.0), *rest_of(3600.4), load_of(EB_0405, 5.2, 10.0),
            Rest(900.0, ((60.0, 1.0), (INF, 10.0))),
        ), date_and_time_bench(10), "bench 4", 2004, 112, datetime(2026, 6, 9, 9, 12, 0),
    ),
)
