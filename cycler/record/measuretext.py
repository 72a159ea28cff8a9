"""Sentences of the measures beside the headline figures, and the reasons for which one of them is missing or in doubt.

Joined to the other words in :mod:`cycler.record.text`; apart from them only because there are so many.
"""

from __future__ import annotations

REASONS: dict[str, tuple[str, str]] = {
    # capacity to each cut-off, and at the conditions of the rating
    "cutoff_not_reached": ("cut-off not reached", "The discharge ended before this voltage was reached."),
    "pack_cutoff_unknown": ("cut-off of the pack not known", "The cut-off voltage of the pack is not stated."),
    "group_cutoff_unknown": ("cut-off of a group not known", "The cut-off voltage of a group is not stated."),
    "group_cutoff_inferred": ("cut-off of a group worked out", "The cut-off voltage of a group is not stated; that of the pack over the number of groups was taken."),
    "group_without_readings": ("a group without readings", "A group without readings may have reached its cut-off before."),
    "limits_do_not_fit": ("limits do not fit", "The limits stated for the pack do not fit the voltages in the log."),
    "capacity_not_valid": ("capacity not valid", "The measured capacity is not valid, so it cannot be carried to other conditions."),
    "rate_unknown": ("rate not known", "The rate of the discharge is not known, for want of a rated capacity."),
    "too_far_from_rated_rate": ("rate too far away", "The discharge was too much faster or slower than the rating for the coefficients to hold."),
    "too_far_from_rated_temperature": ("temperature too far away", "The discharge was too much warmer or colder than the rating for the coefficients to hold."),
    # charge
    "no_constant_voltage": ("no constant voltage", "The charge has no part at constant voltage."),
    "taper_current_not_reached": ("taper not finished", "The charge stopped before the current had tapered off."),
    "taper_current_unknown": ("end current not stated", "The end current is not stated; that the charge was complete was told by the fall of its current alone."),
    "held_neither_constant": ("neither held", "For part of the charge neither current nor voltage was held."),
    "taper_too_short": ("taper too short", "The part at constant voltage is too short for a time constant, or its current hardly fell."),
    "zero_hides_taper": ("taper hidden by the zero", "The end of the taper cannot be told from the zero error of the ammeter."),
    "taper_not_exponential": ("taper not exponential", "The taper slows down as it goes on, so what it would still put in is uncertain."),
    # power
    "extrapolated_current": ("current far beyond the test", "The current of this power is more than twice the one that was measured with."),
    "short_rest": ("short rest before", "The pack had rested for less than half an hour before the load."),
    "min_voltage_below_manual": ("very low voltage", "The voltage at the end of the 10 s lies lower than such tests usually go."),
    "groups_not_checked": ("groups not checked", "Not every group could be held against its own lowest voltage: one may allow less."),
    "without_interconnect": ("without the joints outside the taps", "The resistance is the sum of the groups, without the joints outside the taps."),
    "no_load_step": ("no load step", "The log holds no load that comes on and stays for 10 s."),
    "not_rested": ("not rested", "The pack was not at rest before the load came on."),
    "no_voltage_before": ("no voltage before the load", "The voltage just before the load was not logged."),
    "no_voltage_limit": ("no limit to reach", "Neither a lowest voltage nor a highest current is stated that would bound the power."),
    # equivalent circuit
    "no_current_step": ("no step of the current", "The log holds no step of the current from or to rest."),
    "response_too_short": ("logged too briefly", "What follows the step of the current was logged too briefly."),
    "not_identifiable": ("parameters not told apart", "The readings do not tell the parameters apart."),
    "poor_fit": ("model does not fit", "The model does not follow the readings."),
    "noise_too_high": ("too much noise", "The noise of the readings hides the response."),
    "no_reading": ("no readings", "This channel holds no readings there, or they do not move under load."),
    # self-discharge at rest
    "too_few_siblings": ("too few groups", "It takes three logged groups to tell which one falls against the others."),
    "readings_too_few": ("too few readings", "There are too few readings of the group at rest."),
    "no_discharge_curve": ("no discharge curve", "No discharge was logged that would turn the fall of the voltage into a current."),
    "outside_curve": ("outside the curve", "The voltage at rest lies outside what the discharge went through."),
    "plateau_flat": ("curve too flat", "The voltage hardly changes with charge there, so no rest can show a leak."),
    "slope_vague": ("slope not known", "How fast the voltage falls with charge there is not known well enough."),
    "slope_coarse": ("slope only from the loaded curve", "How fast the voltage falls with charge is known from the curve under load only."),
    "balancer_possible": ("perhaps a balancer", "The group only came down to the others at the top of charge, as a balancer would bring it."),
    "balancer_stopped": ("stopped by itself", "The group fell for a while and then stopped, as when a balancer switches off; only what came after counts."),
    # temperature sensors
    "resistance_not_positive": ("no resistance", "The sensor gave a resistance of zero or below."),
    "open_circuit": ("open", "The sensor or its lead was open."),
    "short_circuit": ("shorted", "The sensor was shorted, or hotter than any cell may be."),
    "impossible_value": ("impossible readings", "The sensor gave readings that no pack can have; they were left out."),
    "power_on_value": ("start-up readings", "The sensor gave the fixed value of a digital sensor before its first conversion; those readings were left out."),
    "frozen": ("frozen", "The sensor stood still while the pack worked; it was left out."),
    "no_readings": ("no readings", "The sensor gave no readings that could be used."),
    "too_few_readings": ("too few readings", "There are too few readings without a gap for the rate of rise."),
    "no_reading_while_charging": ("no reading while charging", "The sensor gave no reading while the pack was charged."),
    "no_reading_while_discharging": ("no reading while discharging", "The sensor gave no reading while the pack was discharged."),
    # cycles
    "too_few_points": ("too few cycles", "It takes three cycles that can be compared."),
    "no_spread": ("no spread", "All cycles carry the same number."),
    "scatter_exceeds_uncertainty": ("more scatter than stated", "The cycles scatter more than their uncertainties explain; the stated one was widened."),
    "cycles_left_out": ("cycles left out", "Some cycles cannot be compared with the others and were left out."),
    "temperatures_differ": ("temperatures differ", "The cycles differ in temperature by more than 3 K, which moves capacity and resistance too."),
    "rated_capacity_unknown": ("no rated capacity", "The rated capacity is not stated."),
    "charges_not_logged": ("charges not logged", "The charges between the discharges are not in the log, so what went through the pack is not known."),
    "not_valid": ("not valid", "The capacity of this cycle is not valid."),
    "other_end": ("other end", "This discharge ended for another reason than the others."),
    "other_rate": ("other rate", "This discharge ran at another current than the others."),
    # items of the regulation
    "no_equal_end_states": ("no equal end states", "No charge and discharge between the same end states (full to full, or empty to empty) were logged."),
    "no_earlier_self_discharge": ("measured once only", "How it develops would take an earlier test in which it was measured too."),
    "no_current_counted": ("no current counted", "No current through the pack was logged that could be counted."),
    "not_in_a_log": ("not in a log", "A log on the bench does not hold it, and it was not stated."),
    "status_not_stated": ("status not stated", "The workshop stated no status."),
}
"""Code: (label, what it means)."""

SOURCES = {
    "voltage resolution at the cut-off": "resolution of the voltage at the cut-off", "missing current": "missing readings of the current",
    "R25 of the thermistor": "resistance of the thermistor at 25 °C", "B of the thermistor": "B value of the thermistor",
    "temperature reading": "reading of the temperature", "temperature": "temperature of the discharge",
    "drift against the siblings": "fall of the voltage against the other groups", "slope of the curve": "charge per volt at that voltage",
    "place on the common curve": "place of the group on the common discharge curve", "lag at the start": "how far below full the group began",
    "extrapolation to the edge": "extrapolation to the instant of the step", "current noise and resolution": "noise and resolution of the current",
}

NOT_GIVEN = "not given"

# ---- capacity to each cut-off ------------------------------------------------------------------------------
H_CUTOFFS = "Capacity to each cut-off"
CUTOFF_HEAD = ("Discharge", "Charge", "Energy", "Remark")
CUTOFF_MEASURED = "as measured"
CUTOFF_PACK, CUTOFF_PACK_UNKNOWN = "until the pack is down to {voltage}", "until the pack is at its cut-off"
CUTOFF_GROUP, CUTOFF_GROUP_UNKNOWN = "until the first group is down to {voltage}", "until the first group is at its cut-off"
CUTOFF_AT = "reached after {duration}"
CUTOFF_AT_GROUP = "reached by group {n} after {duration}"
CUTOFF_NOT_REACHED = "not reached"
CUTOFF_END = "ended because {end}"
CUTOFF_CORRECTED = "at the conditions of the rating (calculated)"
CUTOFF_CORRECTION = "calculated with the coefficients of the pack file, {by}: factor {factor}"
CUTOFF_CONDITION = {"rate": "from {from_} to {to} It", "temperature": "from {from_} to {to} °C"}
CUTOFF_NOT_FOR = {"rate": "not corrected for the rate", "temperature": "not corrected for the temperature"}
CUTOFF_DEFAULTED = "not stated, so assumed: {keys}"
CORRECTION_WORDS = {
    "rated_rate_it": "rate of the rating", "rated_temperature_c": "temperature of the rating", "u_peukert": "uncertainty of the rate exponent",
    "u_capacity_per_it": "uncertainty of the rate coefficient", "u_temperature_per_k": "uncertainty of the temperature coefficient",
}
CUTOFF_CAPTION = (
    "One and the same discharge, counted to where each voltage was first met. What is calculated stands beside the measured figure and never "
    "takes its place. Expanded uncertainty after ±, k = 2."
)

# ---- charge ------------------------------------------------------------------------------------------------
H_CHARGES = "Charges"
CHARGE_HEAD = ("No.", "Start", "Charge in / Ah", "Energy in / Wh", "At constant current / %", "At constant voltage / %", "Time constant of the taper / s",
               "Still missing at its end / Ah")
CHARGE_CAPTION = (
    "Shares are of the charge that went in. Time constant: in which the current falls to 37 % at constant voltage. Still missing: what such a taper would put in "
    "if the charger stayed on, a calculation. Expanded uncertainty after ±, k = 2."
)
CHARGE_NONE = "The log holds no charge."
CHARGE_GLANCE = "{n} in this log"
CHARGE_LEAD = "Charge {n}:"
CHARGE_END = "ended at {current} and {voltage}: {end}"
CHARGE_PARTS = "constant current for {cc}, constant voltage for {cv}"
CHARGE_PAUSES = "{n} pauses, {duration} in all"
CHARGE_PAUSE = "one pause of {duration}"
CHARGE_TEMPERATURE = "{mean} on the mean, {low} to {high}"

# ---- power -------------------------------------------------------------------------------------------------
H_POWER = "Discharge power over 10 s"
L_POWER, L_BOUNDED, L_HOLDS, L_FROM, L_WEAKEST, L_WHY_NOT, L_DOUBTS = (
    "Power of the pack", "Bounded by", "Holds for", "Calculated from", "Weakest group", "Why it is missing", "Doubts")
POWER_BOUND = {
    "pack_voltage": "the pack's lowest voltage, {voltage}", "group_voltage": "the lowest voltage of group {n}, {voltage}",
    "max_discharge_current": "the highest discharge current stated for the pack, {current}, not by a voltage",
}
POWER_END = "after 10 s {current} at {voltage}"
POWER_STATE = "the pack {soc} charged"
POWER_STATE_UNKNOWN = "state of charge not known"
POWER_WARM = "about {temperature}"
POWER_FROM = "{ocv} without load and {ohm} after 10 s, at the load step {at}"
POWER_WEAKEST = "group {n}: {power} of its own, down to {voltage}"
POWER_NOTE = "{procedure}. A calculation, no load of this size was put on; the limits of the cell maker come first."

# ---- self-discharge ----------------------------------------------------------------------------------------
H_LEAKS = "Self-discharge at rest"
LEAK_HEAD = ("Group", "Leak / mA", "Least leak that this rest shows / mA", "Rest that would show 1 mA / h", "Remark")
LEAK_CAPTION = (
    "Leak: charge lost beyond the other groups; what all lose alike is not seen. Expanded uncertainty after ±, k = 2. A leak smaller than the least one "
    "shown may be there unseen."
)
LEAK_REST = "Rest of {duration} (step {step})."
LEAK_REST_NONE = "No rest was long enough; the longest in the log is {duration}."
LEAK_NO_REST = "The log holds no rest."
LEAK_NEEDS = "A rest of about {hours} h with all groups logged would show a leak of 1 mA{where}."
LEAK_NEEDS_SOME = " in {n} of the {all} groups"
LEAK_GLANCE = "worst {figure}, group {n}"
LEAK_FLAT = "Two capacity tests with weeks of storage between them can tell."

# ---- temperature -------------------------------------------------------------------------------------------
H_TEMPERATURE = "Temperature of each sensor"
TEMPERATURE_HEAD = ("Sensor", "Highest / °C", "Start / °C", "Rise / K", "Steepest / (K/min)", "Above 45 °C / min", "Above 60 °C / min",
                    "Outside window, charging / min", "Outside window, discharging / min")
TEMPERATURE_CAPTION = (
    "Window while charging {charge} °C, while discharging {discharge} °C ({stated}). A sensor shows the place where it sits: the inside of a cell is warmer "
    "under load. Expanded uncertainty after ±, k = 2."
)
WINDOW = "{low} to {high}"
WINDOW_STATED, WINDOW_ASSUMED = "stated for the cells", "not stated for the cells; usual ones assumed"
TEMPERATURE_WHY = "Temperature during the discharge not known: {reasons}."
TEMPERATURE_COLD = "below 0 °C while charging for {minutes} min"
TEMPERATURE_LEAD = "{name}:"
TEMPERATURE_NTC = "thermistor, {evidence}"
TEMPERATURE_OUT = "left out of every figure"
TEMPERATURE_TITLE = "Temperatures over time"
TEMPERATURE_CHART = "Temperatures as logged, or from the resistance of a thermistor; readings that cannot be temperatures are left out."
SENSORS_BAND = "{n} sensors"
AXIS_TEMPERATURE = "Temperature / °C"
NOT_MEASURED_BECAUSE = "Not measured: {reasons}."

# ---- equivalent circuit ------------------------------------------------------------------------------------
H_CIRCUIT = "Equivalent circuit (direct current)"
CIRCUIT_HEAD = ("Channel", "R0 / mΩ", "R1 / mΩ", "τ1 / s", "R2 / mΩ", "τ2 / s", "Remark")
CIRCUIT_PACK, CIRCUIT_INTERVAL = "pack", "pack, 95 % interval"
CIRCUIT_FROM = {
    "pulse_and_rest": "Fitted to a load pulse and the rest after it", "load_on": "Fitted to a load coming on",
    "load_off": "Fitted to the rest after a load went off",
}
CIRCUIT_WHERE = "{what}, {at} from the start: step of the current {current}, {window} long, a sample every {sampling}{state}."
CIRCUIT_RESIDUAL = "Residual {residual} r.m.s., noise of the readings {noise}."
CIRCUIT_ONE = "one branch is enough"
CIRCUIT_CAPTION = (
    "R0 in series with one or two branches of R and C, τ = R C, on the time scale of the log: whatever is faster than the sampling is part of R0, which is no a.c. "
    "impedance (not the 1 kHz figure of a cell tester). R0 of the pack holds its joints. Expanded uncertainty after ±, k = 2."
)
CIRCUIT_NEXT = "To get it next time:"

# ---- cycles ------------------------------------------------------------------------------------------------
H_TREND = "Over the cycles of this log"
TREND_HEAD = ("Change", "Per cycle", "Remark")
TREND_FADE, TREND_FADE_AH = "capacity lost, as a share of the first", "capacity lost"
TREND_FULL = "capacity lost, share per equivalent full cycle"
TREND_GROWTH, TREND_EFFICIENCY = "growth of the 10 s resistance", "change of the energy efficiency"
TREND_GLANCE = "{figure} of the capacity lost per cycle"
TREND_POINTS = "line through {n} cycles"
TREND_CAPTION = (
    "Weighted straight lines; what one instrument reads wrongly in every cycle hardly tilts them. They do not foretell how the pack ages. Expanded uncertainty after ±, k = 2."
)
CYCLE_HEAD = ("Cycle", "Capacity / Ah", "Rate / It", "Temperature / °C", "Equivalent full cycles", "Resistance after 10 s / mΩ", "Energy efficiency / %", "Left out of the lines")
PLACE_HEAD = "No."

# ---- budgets -----------------------------------------------------------------------------------------------
H_ENERGY_BUDGET = "Uncertainty of the energy"
H_CORRECTED_BUDGET = "Uncertainty of the calculated capacity"
H_GROUP_BUDGET = "Uncertainties of group {n}, the limiting one"
GROUP_BUDGET_HEAD = ("Figure", "Source", "Standard uncertainty", "Share of the variance")
GROUP_BUDGET_FIGURES = {
    "capacity_ah": "capacity", "resistance_10s_ohm": "resistance after 10 s", "ohmic_ohm": "ohmic resistance", "sag_10s_v": "sag after 10 s",
    "self_discharge_ma": "leak at rest",
}

# ---- items of the regulation -------------------------------------------------------------------------------
H_HEALTH = "State of health, item by item"
HEALTH_HEAD = ("Item", "Result", "Remark")
HEALTH_ITEMS = {
    "remaining_capacity": "Remaining capacity", "remaining_power_capability": "Remaining power capability",
    "remaining_round_trip_efficiency": "Remaining round-trip efficiency", "evolution_of_self_discharge": "Self-discharge and how it develops",
    "ohmic_resistance": "Ohmic resistance", "date_of_manufacture": "Date of manufacture", "date_of_putting_into_service": "Date of putting into service",
    "energy_throughput": "Energy throughput", "capacity_throughput": "Charge throughput", "full_equivalent_cycles": "Full equivalent cycles",
    "harmful_events": "Harmful events", "status": "Status",
}
HEALTH_REMARKS = {
    "remaining_power_capability": "discharge for 10 s", "remaining_round_trip_efficiency": "energy out over energy in",
    "energy_throughput": "in and out together, in this log", "capacity_throughput": "in and out together, in this log",
    "full_equivalent_cycles": "charge in and out over twice the rated capacity, in this log", "harmful_events": "seen in this log",
    "status": "as the workshop states it",
}
HEALTH_GROUP = "group {n}, the worst"
HEALTH_CHANGE = "against the earlier test {change}"
HEALTH_NO_EVENTS = "none"
HEALTH_EVENT_GROUP = "{event} (group {n})"
HEALTH_PARTS = {"A": "Part A", "B": "Part B"}
HEALTH_ITEM = "{part}: {item}"
HEALTH_CAPTION = (
    "The items that Annex VII of Regulation (EU) 2023/1542 lists for batteries of light means of transport and for stationary storage. They are filled from this "
    "one test on a bench, not from the battery's own management system, and say nothing of its life before. No conformity with the regulation is claimed. "
    "± expanded uncertainty, k = 2."
)
