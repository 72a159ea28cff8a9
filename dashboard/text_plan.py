"""Sentences of the page: a test plan from pack, instruments and criteria, and its bench card."""

from __future__ import annotations

TITLE = "Test plan"
LEAD = (
    "One run that gives every figure the criteria ask for: charge, rest, load step, discharge and long rest, with the instruments at hand. Times and heat are "
    "estimates for a pack that nobody has measured."
)
FOR_RUN, FOR_JOB, FOR_PACK = "For what would settle run {key}", "For job {key}", "For pack {key}"
TO_RUN, TO_JOB, TO_PACK = "Verdict on run {key}", "Job {key}", "Pack {key}"
PACK_TITLE = "Pack"
PACK_KINDS = {"pack": "From the register", "typed": "Type the ratings"}
PACK, PACK_HINT = "Pack", "type part of its number"
CHEMISTRY, UNKNOWN = "Chemistry", "not known"
PACK_FIELDS = (
    ("id", "Pack number", "as on its label"), ("series", "Groups in series", "10"), ("parallel", "Cells in parallel", ""), ("rated_capacity_ah", "Rated capacity / Ah", "10.4"),
    ("charge_voltage_v", "Full, pack / V", "42"), ("cutoff_voltage_v", "Empty, pack / V", "30"), ("group_cutoff_voltage_v", "Empty, group / V", "2.8"),
    ("taper_current_a", "Charge is complete at / A", ""), ("max_charge_current_a", "Charge at most / A", ""), ("max_discharge_current_a", "Discharge at most / A", ""),
    ("rated_energy_wh", "Rated energy / Wh", ""),
)
BENCH_TITLE = "What stands on the bench"
BENCH_HINT = "From type plates and data sheets. Kept in a file beside the register, for the next plan too."
PARTS = {"charger": "Charger or supply", "load": "Load", "logger": "Logger"}
NAME = "Name"
PART_FIELDS = {
    "charger": (("max_voltage_v", "Voltage at most / V", "60"), ("max_current_a", "Current at most / A", "5")),
    "load": (("max_current_a", "Current at most / A", "20"), ("max_power_w", "Power at most / W", "300"), ("min_voltage_v", "Works down to / V", "1")),
    "logger": (
        ("taps", "Group voltages logged (a number, or all)", "10"), ("fastest_interval_s", "Shortest time between rows / s", "1"), ("max_rows", "Rows at most", "no limit"),
        ("max_hours", "Hours at most", "no limit"), ("group_voltage_resolution_v", "Step of a group voltage / V", "0.001"), ("group_voltage_noise_v", "Its scatter at rest / V", "half a step"),
    ),
}
AT_HAND = "at hand"
PART_FLAGS = {
    "charger": {"can_taper": "holds its voltage while the current falls (CC/CV)", "adjustable": "voltage and current can be set"},
    "load": {"stops_itself": "switches off at a voltage that is set"},
    "logger": {"pack_voltage": "pack voltage", "current": "current", "temperature": "temperature", "interval_can_change": "time between rows can change within a log"},
}
PART_LISTS = {"load": ("modes", "It can hold", {"cc": "current", "cp": "power", "cr": "resistance"}), "charger": ("chemistries", "Made for (none: not stated)", {})}
JUDGED_TITLE = "Judged by"
CRITERIA, CONDITIONS, RATE, RATE_HINT = "Criteria", "Rates and rests", "Rate of discharge / It", "0.2 empties in 5 h"
CONDITION_WORDS = {
    "workshop": "Workshop: 0.3 It in, a third of It out", "portable": "As for portable cells: 0.2 It, from memory", "industrial": "As for industrial cells: 0.2 It, from memory",
    "light-vehicle": "As for light vehicles: a third of It, from memory",
}
CHOICES = {
    "required_only": "Only what the verdict depends on", "first_charge": "The pack lay empty, or nobody knows it: trial charge first", "two_current": "Two-current step of the cell standards too",
}
MAKE = "Make the plan"
RESULT_LABEL = "The plan"
NO_PACK_WHAT, NO_PACK_WHY, NO_PACK_MEND = "no pack is chosen", "currents and voltages come from its ratings", "choose one, or type its ratings"
TAKES, LOG, HEAT, BENCH, PACK_FACTS, BY = "Takes", "Log", "Heat", "Bench", "Pack", "Judged by"
SETTLES = "What this is to settle"
WARNINGS, STEPS, BEFOREHAND, NOT_COVERED, CAUTIONS = "Warnings", "Steps", "To know beforehand", "Not given by this plan", "Cautions"
STARTS, STARTS_NOW = "after {time}", "first"
UNTIL, LOGGED, GIVES, MOST, WARMS = "Until {words}.", "Log {words}.", "Gives: {words}.", "{time}, at most {most}", "Warms: {words}"
WARMS_KEY = "Warms: heat, and the rise if none of it left the cells, for the resistance that such packs usually have; a worn pack may warm more than twice as much."
STOP = "Stop at once, current off, pack outdoors if that can be done without danger: {words}."
DANGER = "Danger. "
CARD = "Save the bench card to print"
KEEP, KEPT = "Keep on job {job}", "Kept on job {job}."
ALL_COVERED = "Every criterion of the set gets a figure."
