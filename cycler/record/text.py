"""Every sentence that a reader of the record sees, in one place for translation.

Codes of the analysis become words here. A code that is missing is shown as words with its underscores
replaced (:func:`words`), so that a newer analysis never leaves a hole in a record.
"""

from __future__ import annotations

from cycler.record import language
from cycler.record.measuretext import REASONS, SOURCES

LANGUAGE = "en"
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)
MOMENT = "{day} {month} {year}, {time}"
AND, OR, TO = "and", "or", "to"

TITLE = "Pack test record"
DOCUMENT_TITLE = "Pack test record {serial}"
SUBJECT = "Result of a charge and discharge test of one battery pack"
PAGE = "page {page} of {pages}"
FOOTER = "Record {serial}"

NOT_MEASURED = "not measured"
NOT_KNOWN = "not known"
NOT_STATED = "not stated"
NONE = "none"
YES = "yes"
NO = "no"
MORE = "… and {n} more, not listed here; all are in the stored analysis."
AT_LEAST = "at least {figure}"
AT_LEAST_SHORT = "≥ {figure}"
AT_MOST_SHORT = "≤ {figure}"
EXPANDED = "± {figure}"

# ---- verdict -------------------------------------------------------------------------------------------
RESULT_WORD = {
    "pass": "PASS", "fail": "FAIL", "not_proven": "NOT PROVEN", "none": "NO VERDICT",
}
RESULT_SMALL = {"pass": "pass", "fail": "fail", "not_proven": "not proven", "none": "not judged"}
RESULT_MEANS = {
    "pass": "Every required criterion was met by the decision rule below.",
    "fail": "A required criterion was not met, or a finding rules the pack out.",
    "not_proven": "The test does not show whether the pack meets the criteria.",
    "none": "There is no verdict on this test. The figures stand without a judgement.",
}
RESULT_DO = {
    "pass": "The verdict covers what was measured, at the time of the test, and nothing else.",
    "fail": "Do not put the pack into use on the strength of this test.",
    "not_proven": "This is neither a pass nor a fail: do not put the pack into use on the strength of this test; see what would settle it.",
    "none": "Do not read the figures as an approval.",
}
SHAPE_MEANS = {
    "pass": "Solid disc with a tick: pass", "fail": "Solid square with a cross: fail",
    "not_proven": "Half-filled ring: not proven", "none": "Empty ring: no verdict",
}
VERDICT_AGAINST = "Judged against the criteria set “{name}”."
VERDICT_RULE = "Decision rule: {rule}"
DECIDED = ("Decided by {by}.", "Remark of the person who decided, which changes nothing of the result: “{remark}”")
VERDICT_CRITERIA_HASH = "Fingerprint (SHA-256) of the criteria file: {sha256}"
RULE_WORDS = {
    "guarded": "a value counts as met only if it lies inside the limit by at least the guard band, as failed only if it lies outside the limit by as much; between the two it is not proven.",
    "simple": "a value counts as met if it is on the right side of the limit; its uncertainty is not counted (risk of a wrong decision up to 50 %).",
}
CAPACITY_INVALID_FRONT = "The capacity was not validly measured: {reasons}."

# ---- headings ------------------------------------------------------------------------------------------
H_PACK = "Pack"
H_VERDICT = "Verdict"
H_TEST = "What was tested, and how"
H_FIGURES = "Figures"
H_CRITERIA = "Criteria"
H_FINDINGS = "Findings"
H_SETTLE = "What would settle it"
H_LIMITS = "What this record does not say"
H_REASONS = "Why a criterion was not met"
H_CURVE = "Curve of the test"
H_GROUPS = "Groups"
H_STEPS = "Steps of the test"
H_BUDGET = "Uncertainty of the capacity"
H_RESISTANCE_BUDGET = "Uncertainty of the 10 s resistance"
H_READING = "How the log was read"
H_LOGS = "Raw logs"
H_CODES = "What the findings mean"
H_CAUTIONS = "Cautions"

# ---- pack ----------------------------------------------------------------------------------------------
L_SERIAL, L_MADE, L_WORKSHOP, L_RUN = "Record no.", "Made", "Workshop", "Test"
L_ID, L_CHEMISTRY, L_BUILD, L_RATED, L_VOLTAGES = "Pack", "Chemistry", "Build", "Rated", "Voltages"
L_CURRENTS = "Currents up to"
CHEMISTRY_WORDS = {
    "nmc": "lithium nickel manganese cobalt oxide (nmc)", "nca": "lithium nickel cobalt aluminium oxide (nca)",
    "lco": "lithium cobalt oxide (lco)", "lmo": "lithium manganese oxide (lmo)",
    "lfp": "lithium iron phosphate (lfp)", "lto": "lithium titanate (lto)", "nimh": "nickel-metal hydride (nimh)",
}
BUILD = "{series} groups in series, {parallel} cells in parallel each"
BUILD_SINGLE = "{series} single cells in series"
BUILD_SERIES = "{series} groups in series, number of parallel cells not stated"
VOLTAGES = ("{voltage} full", "{voltage} empty")
VOLTAGES_UNKNOWN = ("full not stated", "empty not stated")
CURRENTS = "charge {charge}, discharge {discharge}"
NO_RATED_ENERGY, NO_RATED_CAPACITY = "energy not stated", "capacity not stated"
INFERRED = "Worked out, not stated in the pack file: {keys}."
PACK_KEY_WORDS = {
    "id": "pack number", "chemistry": "chemistry", "series": "groups in series", "parallel": "cells in parallel",
    "rated_capacity_ah": "rated capacity", "rated_energy_wh": "rated energy", "charge_voltage_v": "charge voltage",
    "cutoff_voltage_v": "cut-off voltage", "group_charge_voltage_v": "charge voltage of a group",
    "group_cutoff_voltage_v": "cut-off voltage of a group", "taper_current_a": "end current of the charge",
    "max_charge_current_a": "highest charge current", "max_discharge_current_a": "highest discharge current",
}

# ---- test ----------------------------------------------------------------------------------------------
TEST_WHEN, TEST_WHEN_UNKNOWN = "Log started {when} (clock of the logger).", "The log carries no date."
TEST_LENGTH = "It lasts {duration} with {rows} samples, one every {sampling}."
TEST_LENGTH_PLAIN = "It lasts {duration}."
TEST_CHARGE = "Charge at {current}{rate}, {duration}, ended at {voltage}: {end}."
TEST_REST = "Rest {duration}."
TEST_DISCHARGE = "Discharge at {current}{rate}, {duration}, from {start} to {stop}: {end}."
TEST_LAST_BEFORE = "The last reading was taken shortly before the cut-off of {cutoff} was reached."
TEST_NO_CHARGE, TEST_NO_DISCHARGE = "No charge before the discharge is in the log.", "No discharge that could be counted is in the log."
TEST_RATE = " ({rate} It)"
TEST_FULL_YES = "The pack was full at the start of the discharge: {evidence}."
TEST_FULL_NO = "The pack was not shown to be full at the start of the discharge: {evidence}."
TEST_FULL_UNKNOWN = "Whether the pack was full at the start of the discharge is not known."
TEST_TEMPERATURE = "Mean temperature during the discharge {mean}."
TEST_AMBIENT = "First reading of the temperature sensor {ambient}."
TEST_NO_TEMPERATURE = "Temperature was not logged."
TEST_TEMPERATURE_UNKNOWN = "Temperature during the discharge not known."
TEST_INSTRUMENT = "Limits of error of the instrument as declared: {limits}."
TEST_INSTRUMENT_NONE = "Limits of error of the instrument were not declared; the uncertainties below rest on assumed ones: {limits}."
TEST_INSTRUMENT_UNKNOWN = "Nothing is known of the instrument's limits of error."
INSTRUMENT_CHANNEL = {
    "voltage": "pack voltage", "group_voltage": "group voltage", "current": "current",
    "temperature": "temperature", "clock": "clock",
}
OF_READING = "{percent} % of reading"
DIGIT_SIZE = " (a digit is {size})"
INSTRUMENT_FILE = "from the file {file} (SHA-256 {sha256})"
SENSE = {
    "four-wire": "pack voltage sensed at the pack (four-wire)",
    "two-wire": "pack voltage read at the load's own terminals (two-wire)",
}
LEAD = "leads {ohm}"
INSTRUMENT_NOTE = (
    "Limits of error are half-widths, taken as rectangular distributions; an expanded uncertainty U of a certificate counts as U / k."
)
CURRENT_UNKNOWN, VOLTAGE_UNKNOWN, DURATION_UNKNOWN = "a current not known", "a voltage not known", "duration not known"

STEP_WORDS = {
    "rest": "rest", "charge_cc": "charge, constant current", "charge_cv": "charge, constant voltage",
    "charge": "charge", "discharge_cc": "discharge, constant current",
    "discharge_cv": "discharge, constant voltage", "discharge_cp": "discharge, constant power",
    "discharge_cr": "discharge, constant resistance", "discharge": "discharge",
    "pulse_charge": "charge pulse", "pulse_discharge": "discharge pulse",
}
END_WORDS = {
    "charge_taper": "the charge current had tapered off", "charge_voltage": "the charge voltage was reached",
    "pack_cutoff": "the pack reached its cut-off voltage", "group_cutoff": "one group reached its cut-off voltage",
    "protection_trip": "the pack's protection switched off", "set_by_program": "switched by the test program",
    "log_end": "the log ends here", "gap": "the log breaks off here",
}
STEP_HEAD = ("No.", "Kind", "Start", "Duration", "Mean current", "Charge", "Energy", "Voltage from – to", "Ended because")
STEP_CAPTION = "Charge current is counted positive, discharge current negative."
STEP_NONE = "No steps were told apart in the log."

# ---- pack card -----------------------------------------------------------------------------------------
H_CARD, H_PHOTOS, H_REPLACES = "What the workshop did", "Photos", "Earlier records of this test"
L_STATUS, L_WORKSHOP_NUMBER, L_CUSTOMER = "Status", "Workshop no.", "Customer"
STATUS_WORDS = {
    "original": "original", "re-used": "re-used", "repurposed": "repurposed", "remanufactured": "remanufactured", "waste": "waste",
}
CARD_KINDS = {"fault": "Faults found", "work": "Work done", "part": "Parts fitted", "note": "Notes", "danger": "Danger"}
CARD_KIND = {"fault": "fault found", "work": "work done", "part": "part fitted", "note": "note", "danger": "DANGER, open", "danger_closed": "danger, closed"}
CARD_HEAD = ("When", "Who", "Kind", "Entry")
CARD_CAPTION = "As the workshop wrote it down; the test neither checks nor proves it."
CARD_DANGER = "DANGER on the pack's card: {text} ({who})"
CARD_CUT = "{text} All entries stand in the annex."
PHOTO_HEAD = ("File", "Caption", "When", "SHA-256")
PHOTO_CAPTION = "The pictures themselves lie with the workshop; the SHA-256 shows whether one was changed."
REPLACES = "This record replaces {serials}: {why}."
REPLACES_MANY = "This record replaces {n} earlier ones, the last of them {serial}: {why}."
REPLACES_HEAD = ("Record", "Of", "Why it was replaced", "By whom")
REPLACES_CAPTION = "What was issued before stays in the workshop's register as it was; this record takes its place."
REPLACES_NO_REASON = "the test was judged anew"

# ---- comparison with an earlier run --------------------------------------------------------------------
H_COMPARED, H_COMPARED_ALL = "Compared with {name}", "Compared with {name}, every figure"
COMPARED_NAME, COMPARED_POINTS = "an earlier test", "percentage points"
COMPARED_LABELS = {
    "capacity_ah": "Capacity", "energy_wh": "Energy", "state_of_health": "State of health", "resistance_10s_ohm": "Resistance after 10 s",
    "ohmic_ohm": "Ohmic resistance", "group_resistance_10s_ohm_worst": "Resistance after 10 s, worst group",
    "group_capacity_ratio_worst": "Capacity of the worst group over its siblings", "limiting_group": "Limiting group",
    "group_sag_end_v_worst": "Sag of the worst group at the end", "spread_rest_v": "Spread of the groups at rest",
    "coulombic_efficiency": "Coulombic efficiency", "energy_efficiency": "Energy efficiency", "temperature_rise_k": "Temperature rise",
    "self_discharge_worst_ma": "Self-discharge of the worst group",
}
COMPARED_HIGHER = "higher by {amount}{judged}; it was {there} there."
COMPARED_LOWER = "lower by {amount}{judged}; it was {there} there."
COMPARED_JUDGED = {True: ", better", False: ", worse"}
COMPARED_SAME = "no difference shown: {amount}; it was {there} there."
COMPARED_INVALID = "no difference is claimed, since the capacity of one of the tests is not valid; it was {there} there."
COMPARED_UNKNOWN_U = "the uncertainty of the difference is not known; it was {there} there."
COMPARED_HEAD = ("Quantity (number of the group)", "There", "Here", "Difference", "Meaning")
COMPARED_MEANING = {"better": "better", "worse": "worse", "same": "no difference shown", "invalid": "not valid, none claimed", "none": "–"}
COMPARED_CAPTION = (
    "There: {there}. Here: {here}. ± expanded uncertainty, k = 2, of the difference too: what one instrument does alike in both tests is not counted twice. "
    "Differences of shares are percentage points. Capacities are counted from true full here, so their ± holds what the voltmeter leaves open of it besides."
)
COMPARED_GROUP_HEAD = (
    "Group", "Capacity there / Ah", "Capacity here / Ah", "Difference / Ah", "10 s resistance there / mΩ", "10 s resistance here / mΩ", "Difference / mΩ")
COMPARED_GROUPS = "The groups of both tests by their numbers. Bold: the difference is more than its uncertainty explains."

# ---- proof ---------------------------------------------------------------------------------------------
H_SEAL = "What proves this record"
L_HASH, L_KEY, L_CODE, L_CHECK, L_REGISTER = "Hash", "Signing key", "Code", "How to check", "Register"
QR_MEANS = "QR code with the number and the SHA-256 of this record"
CHECK_FRONT = "To check it with the free program packreturn: cycler verify FILE --log LOG. The code holds number and hash."
CHECK_ANNEX = (
    "cycler verify FILE --log LOG, with this file and the raw log: tells whether the signature is good and whose it is, what was changed, "
    "and whether the figures come out again from the log."
)
SEAL_NOTES = (
    "The signature shows that whoever holds the workshop's key issued this record, and that nothing in it was changed since.",
    "It does not show that the figures are true, that the pack named here is the one in your hands, or that it is safe.",
    "A forger can sign too, with a key of his own. Ask the workshop for the fingerprint of its key by a way that does not pass through this record.",
    "On paper alone nothing is proved: compare number and hash in the code with the file from the workshop.",
)
REGISTER_STATE = "{n} entries, the newest with the SHA-256 {head}"

# ---- label ---------------------------------------------------------------------------------------------
LABEL_ASK = "Ask: {workshop}"
LABEL_COVERAGE = "(k = 2)"
LABEL_DO_NOT_USE = "DO NOT USE"
LABEL_NO_CAPACITY = "capacity not shown"
LABEL_NO_CERTIFICATE = "test result, no safety certificate"
LABEL_NOT_CLEARED = "not cleared for use"
LABEL_RECORD, LABEL_RECORD_OF = "Record {serial}", "Record {serial} of {date}"
LABEL_TESTED = "tested {date}"

# ---- figures -------------------------------------------------------------------------------------------
FIGURE_HEAD = ("Quantity", "Result", "Remark")
FIGURE_CAPTION = "Expanded uncertainty after ±, coverage factor k = 2 (about 95 % for a normal distribution)."
F_CAPACITY, F_ENERGY, F_HEALTH = "Capacity", "Energy", "State of health"
F_R10, F_OHMIC = "Resistance after 10 s", "Ohmic resistance"
F_EFFICIENCIES = "Coulombic, energy efficiency"
F_COULOMBIC, F_ENERGY_EFFICIENCY = "Coulombic efficiency", "Energy efficiency"
F_RISE = "Temperature rise"
F_LIMITING = "Limiting group"
N_MATCHED = "estimate: about {capacity} if it matched its siblings (uncertainty not stated)"
N_MATCHED_U = "estimate: {capacity} if it matched its siblings"
GROUP_N = "group {n}"
NO_LIMITING = "none stands out"
N_VALID = "valid as the pack's capacity under the conditions of this test"
N_LOWER = "not valid as the pack's capacity, a lower bound: {reasons}"
N_LOWER_FRONT = "a lower bound, not valid as the pack's capacity (see the verdict)"
N_AS_ABOVE = "as above"
N_INVALID = "not valid as the pack's capacity: {reasons}"
N_UNKNOWN_VALID = "whether the figure is valid is not known"
N_NO_REASON = "reason not stated"
N_HIGHEST = "highest temperature {temperature}"
N_MEAN_VOLTAGE = "mean voltage {voltage}"
N_RATED = "capacity over the rated {rated}"
N_FROM_INVALID = "shares the doubt of the capacity"
N_GROUP_SUM = "sum of the groups, without the joints outside the taps"
N_PACK = "whole pack, {at}"
N_AT = "edge at {time}"
N_ABOUT = "about {figure}"
N_STATE_OF_CHARGE = "about {soc} charged"
W_CAPACITY = "no discharge in the log from which charge could be counted"
W_ENERGY = "needs pack voltage and current during a discharge"
W_HEALTH = "needs a capacity and the rated capacity; rated capacity {rated}"
W_RESISTANCE = "needs a step of the current and samples close enough to it"
W_R10 = "needs a step of the current that holds for 10 s"
W_OHMIC = "needs samples one second apart or closer around a step of the current"
W_EFFICIENCY = "needs a charge and a discharge between the same end states, full or empty"
W_TEMPERATURE = "no temperature in the log"
W_TEMPERATURE_FIGURE = "the logged temperature does not give it"
W_GROUPS = "no group voltages in the log"
W_LIMITING = "not found from the group voltages"

# ---- criteria ------------------------------------------------------------------------------------------
CRITERIA_HEAD = ("Criterion", "Measured", "Limit", "Guard band", "Acceptance limit", "Probability", "Result")
CRITERIA_WIDTHS = (0.285, 0.155, 0.135, 0.085, 0.105, 0.105, 0.13)
"""Shares of the line that the columns of criteria take; words are of other length in other languages."""
CRITERIA_TOGETHER = "That the pack meets all of these, every group counted: {probability} (lower bound)."
CRITERIA_CAPTION = "Probability: that the true value lies inside the limit. {marks}."
CRITERIA_NONE = "No criteria were applied."
H_ADVISORY = "Advisory criteria"
ADVISORY_IN_ANNEX = "Criteria that decide the verdict. {n} advisory ones stand in the annex."
ADVISORY_IN_ANNEX_ONE = "Criteria that decide the verdict. One advisory one stands in the annex."
ADVISORY_NOTE = "Shown for information; the verdict does not depend on them."
ADVISORY = "{label} (advisory)"
DOES_NOT_APPLY = "does not apply"
ACCEPTANCE_NO_U = "none: the uncertainty is not known, so no guard band can be set"
ACCEPTANCE_NO_ROOM = "none: the guard band is wider than the limit; probability {probability}"
AGAINST_NOT_PROVEN = "The criterion “{label}” is not proven all the same: {reason}"
AGAINST_PASS = "The criterion “{label}” is met all the same: {reason}"
DIRECTION = {
    "min": "at least {limit}", "max": "at most {limit}", "equal": "must be {limit}",
    "at_least": "at least {limit}", "at_most": "at most {limit}", ">=": "at least {limit}", "<=": "at most {limit}",
    "lower": "at least {limit}", "upper": "at most {limit}", "above": "above {limit}", "below": "below {limit}",
    "is": "must be {limit}",
}
MARK = {"pass": "●", "fail": "■", "not_proven": "◐", "none": "○"}

# ---- findings ------------------------------------------------------------------------------------------
SEVERITY = {"danger": "DANGER", "defect": "Defect", "caution": "Caution", "info": "Note"}
FINDINGS_DANGER = "The danger stands under the verdict."
FINDING_EVIDENCE = "Measured: {evidence}."
FINDING_READING = "The reading is good to {expanded} (k = 2)."
FINDING_SAME = "The same was found in {groups}; each stands in the annex."
FINDING_GROUP, FINDING_GROUPS = "group {n}", "groups {n}"
FINDINGS_NONE = "No finding besides the figures. That nothing was found does not prove that nothing is wrong."
FINDINGS_ONLY_NOTES = "Only notes, in the annex; none weighs against the pack. That does not prove that nothing is wrong."
FINDING_PLACE_GROUP = "group {n}"
FINDING_LEAD = "{severity}: {label}{place}."
H_SETTLE_DANGER = "Before anything else"
H_SETTLE_OPEN = "What would settle what is still open"
SETTLE_NONE = "The analysis names nothing that would settle it."
NOTES_IN_ANNEX = "{n} further findings stand in the annex."
NOTES_IN_ANNEX_ONE = "One further finding stands in the annex."
H_NOTES = "Further findings"
H_MORE_SETTLE = "What would settle it, continued"
SETTLE_IN_ANNEX = "More in the annex."

# code: (label, what it means)
CODES: dict[str, tuple[str, str]] = {
    **REASONS,
    # reading
    "unit_inferred": ("unit worked out", "The log does not name the unit of a column, or how its times are written; it was worked out from the values."),
    "sign_inferred": ("sign of the current worked out", "The log does not say which sign means discharge; it was worked out from how the voltage moves."),
    "rows_dropped": ("rows left out", "Some rows of the log could not be used and were left out."),
    "truncated_row": ("cut row", "A row of the log is cut short, as happens when a logger is stopped while it writes."),
    "repeated_header": ("repeated header", "The header line occurs again inside the log; the repeats were skipped."),
    "clock_wrapped": ("clock ran over", "The logger's clock ran over and began again from zero; the times were put in line."),
    "clock_jump": ("clock jump", "The logger's clock jumps, so times across the jump are less certain."),
    "duplicate_time": ("repeated times", "Some samples carry the same time."),
    "log_gap": ("gap in the log", "Samples are missing for a while, and what happened meanwhile was not seen."),
    "current_missing": ("readings of the current missing", "Some rows hold no current; short runs were bridged by straight lines, long ones count as gaps."),
    "voltage_missing": ("readings of the voltage missing", "The log holds no voltage for a while, so energy and cut-off are less certain."),
    "zero_in_doubt": ("zero of the current in doubt", "A small steady current was counted as a load or charge but may be the zero of the ammeter."),
    "clock_in_doubt": ("clock in doubt", "The clock runs back time and again during the discharge, so the times between rows are uncertain."),
    "counter_mismatch": ("counter disagrees", "The instrument's own counter and the charge summed from the samples differ."),
    "step_clock_joined": ("step clocks joined", "The clock starts again at every step; the steps were put one behind the other."),
    "cell_unreadable": ("unreadable fields", "Some fields of the log hold no number and count as missing."),
    "clock_coarse": ("coarse clock", "The logger's clock ticks more slowly than it takes samples, so several samples share a time."),
    "clock_disorder": ("rows out of order", "Some rows of the log stand out of order of time and were put in order."),
    "date_order_inferred": ("order of the date worked out", "Whether the day or the month comes first was worked out from the dates."),
    "group_missing": ("a group is missing", "A group between the logged ones has no column of its own."),
    "group_unused": ("group columns not used", "Some columns that look like group voltages hold none and were not used."),
    "parts_do_not_fit": ("parts do not fit", "The files of this test differ in a way that raises doubt whether they belong together."),
    "parts_in_given_order": ("parts in the order given", "The files carry no date, so they were joined in the order in which they were named."),
    "taps_end_open": ("end of the taps not known", "Nothing shows from which end the taps are counted: the groups may be numbered from the other end."),
    "parts_without_pause": ("parts without a pause", "The files hold no common clock; it was stated that they follow one another without a pause."),
    "taps_converted": ("taps made into groups", "Tap voltages against one end of the pack were turned into group voltages by subtraction."),
    "text_lines": ("lines of text", "Lines of text between the rows of numbers were skipped."),
    "value_impossible": ("impossible values", "Values that no pack can have were left out."),
    "current_zero": ("no current in the log", "The current is zero in every row, or was not recorded."),
    "footer_skipped": ("text behind the rows", "Text after the last row was skipped."),
    "rows_above": ("rows above the log", "Rows of numbers of another width stand above the rows of the log and were left out."),
    "summary_skipped": ("table of results skipped", "A table beside the rows of the log was skipped."),
    "group_name_repeated": ("two groups of one name", "Two columns of groups have the same heading; they were counted in their order."),
    "header_long": ("more headings than fields", "The line of headings has more fields than the rows."),
    "header_short": ("fewer headings than fields", "The line of headings has fewer fields than the rows."),
    "header_missing": ("no headings", "The log has no headings; what its columns are was proved from the readings."),
    "rows_interleaved": ("readings in turn", "Rows carry voltage and current in turn; each reading was held until the next."),
    "sign_doubtful": ("direction of the current in doubt", "The voltage speaks against the direction of the current that was stated."),
    "time_in_parts": ("time put together", "The time was put together from several columns."),
    "unit_unusual": ("unit unlike the readings", "The readings alone would have given another unit than the columns file states."),
    "unit_doubtful": ("unit in doubt", "A stated unit gives readings that are unusual for a pack."),
    "voltage_reversed": ("leads changed over", "Negative voltages were taken as positive, as if the leads were changed over."),
    # test
    "charge_incomplete": ("charge not complete", "The charge ended before the pack was full."),
    "discharge_incomplete": ("discharge not complete", "The discharge ended before the pack was empty."),
    "protection_trip": ("protection switched off", "The pack's own protection ended the discharge, not the test."),
    "start_unknown": ("state at the start not known", "Nothing shows that the pack was full when the discharge began."),
    "rest_too_short": ("rest too short", "The rest was too short for the voltages to settle."),
    "sampling_too_coarse": ("samples too far apart", "The samples lie too far apart to tell the quick part of a voltage drop from the slow one."),
    "current_unsteady": ("current not steady", "The current was not steady during the discharge."),
    "temperature_out_of_range": ("temperature out of range", "The test ran outside the temperature range in which its figures can be compared."),
    "lead_drop": ("drop in the leads", "The pack voltage includes a drop in leads, plug or board outside the group taps."),
    "joint_outside_taps": ("joint outside the group taps", "A plug, strip, wire or board between the groups and the terminals has too much resistance; it may run hot under load."),
    "voltage_sum_mismatch": ("voltages do not add up", "The group voltages do not add up to the pack voltage."),
    "no_group_voltages": ("no group voltages", "The groups were not logged; a weak group cannot be seen."),
    "current_offset": ("zero error of the current", "The current does not read zero at rest, or charge and discharge do not balance."),
    # pack
    "weak_group": ("weak group", "One group of cells holds clearly less charge than its siblings and ends the discharge for the whole pack."),
    "group_out_of_balance": ("group out of balance", "One group stood at another state of charge than its siblings, though it may hold as much."),
    "high_joint_resistance": ("high joint resistance", "A weld, link or terminal between the groups has too much resistance; it may run hot under load."),
    "high_resistance": ("high resistance", "The resistance is high; the voltage drops and the pack warms more under load."),
    "self_discharge": ("self-discharge", "Charge is lost while nothing is connected."),
    "group_reversed": ("group reversed", "A group was driven below 0 V; its cells are damaged inside."),
    "group_reading_dead": ("group reads 0 V", "A group read 0 V all through: its tap lead is off or the group is dead."),
    "group_reading_frozen": ("group reading frozen", "The reading of a group stood still while the others moved; it was left out."),
    "group_reading_impossible": ("group reading impossible", "The readings of a group are none that a cell can have; they were left out."),
    "group_reading_jumped": ("group reading jumped", "The reading of a group leapt without a reason in the current; it was left out."),
    "group_readings_missing": ("group readings missing", "Readings of a group are missing over part of the log."),
    "group_channels_exchanged": ("group channels exchanged", "Two groups changed places within the log, as if their leads had been exchanged."),
    "group_not_logged": ("group not logged", "One group is not in the log."),
    "tap_missing": ("tap lead off", "A tap lead was off: one group read nothing and its neighbour read both."),
    "group_undervoltage": ("group driven too low", "A group was driven below the voltage at which its cells may be damaged for good."),
    "group_overvoltage": ("group charged too high", "A group was charged above its highest allowed voltage; that is a fire hazard."),
    "temperature_high": ("high temperature", "The pack or a part of it became hotter than it should."),
    "sensor_hotter_than_siblings": ("one sensor hotter", "One temperature sensor read clearly more than the others at the same time."),
    "temperature_sensor_doubtful": ("temperature sensor in doubt", "A temperature sensor gave readings that cannot be temperatures, or none that changed; they were left out."),
    "thermistor_curve_unknown": ("thermistor curve not stated", "The log holds resistances of thermistors, but no curve was stated to turn them into temperatures."),
    "low_capacity": ("low capacity", "The pack gives clearly less charge than its rating."),
    "low_efficiency": ("low efficiency", "Clearly less comes out of the pack than went in."),
    "capacity_above_rating": (
        "more than the rating", "The charge counted is more than the rating allows: the unit of time or current, the meter or the stated rating is in doubt."
    ),
    # reasons and warnings beside the findings
    "not_full": ("not full at the start", "The pack was not full when the discharge began."),
    "not_full_at_start": ("not full at the start", "The pack was not full when the discharge began."),
    "stopped_early": ("discharge stopped early", "The discharge was stopped before the pack was empty."),
    "cutoff_unknown": ("cut-off voltage not known", "The cut-off voltage of the pack is not known, so nothing shows that it was empty at the end."),
    "no_discharge": ("no discharge", "The log holds no discharge that could be counted."),
    "no_rated_capacity": ("no rated capacity", "The rated capacity of the pack is not stated."),
    "group_cutoff": ("one group ended the discharge", "One group reached its cut-off voltage before the pack did."),
    "not_measured": ("not measured", "The quantity was not measured."),
    "unit_unknown": ("unit not known", "The unit of a column is not known."),
    "no_temperature": ("no temperature", "No temperature was logged."),
    "cv_taper": ("charged to the taper", "The charge before it went on until the current had tapered off."),
    "charge_stopped_before_taper": ("charge stopped before the taper", "The charge before it stopped before the current had tapered off."),
    "charge_held_too_low": ("charge held too low", "The charge before it was held below the charge voltage that is stated for the pack."),
    "charge_voltage_unknown": ("charge voltage not known", "The charge voltage of the pack is not known."),
    "no_rest_before_load": ("no rest before the load", "There is neither a charge nor a rest before the load in the log."),
    "no_pack_voltage": ("no pack voltage", "The pack voltage was not logged."),
    "rest_voltage": ("rest voltage close to full", "The voltage at rest before it was close to the charge voltage."),
    "rest_voltage_below_full": ("rest voltage below full", "The voltage at rest before it was well below the charge voltage."),
    "rest_voltage_inconclusive": ("rest voltage not conclusive", "The voltage at rest before it does not decide it."),
    "group_count_mismatch": ("number of groups disagrees", "The log and the pack file do not name the same number of groups."),
    "two_wire_sense": ("voltage read at the load", "The voltage was read at the load's own terminals, so the figure includes the test leads."),
    "instrument_not_declared": ("instrument not declared", "The instrument's limits of error were not declared."),
}

# ---- groups --------------------------------------------------------------------------------------------
GROUP_HEAD = ("Group", "At rest / V", "End of discharge / V", "Sag after 10 s / mV", "Resistance after 10 s / mΩ", "Capacity / Ah",
              "Short of full at start / Ah", "Leak at rest / mA", "Findings")
GROUP_CAPTION = (
    "Groups count from 1 at pack negative. Expanded uncertainty after ±, k = 2. Sag: drop of the voltage 10 s after the load came on. "
    "“est.”: worked out, the group itself did not reach its cut-off. {limiting}"
)
GROUP_NOT_LOGGED = "not logged"
GROUP_LIMITING = "★ marks the limiting group."
ESTIMATE = "est."
GROUP_NONE = "Group voltages were not logged. The record cannot say anything about single groups; a pack that looks sound as a whole may hold a weak one."
DASH = "–"

SPREAD = "Spread of the group voltages (highest less lowest): {parts}."
JOINTS = "Resistance of the joints and links between the groups: {figure}."
SPREAD_WHEN = {"rest_v": "at rest", "full_v": "charged", "load_v": "under load", "end_v": "at the end of the discharge"}

# ---- curves --------------------------------------------------------------------------------------------
CURVE_TITLE = "Pack voltage and current over time"
CURVE_CAPTION = (
    "Bar on top: steps of the test, dark = discharge, grey = charge, white = rest; the line under it marks the discharge "
    "from which the capacity was counted. Charge current is positive. Drawn from {rows} samples, thinned so that every peak stays."
)
CURVE_NONE = "The log holds no curve that could be drawn."
AXIS_PACK_VOLTAGE, AXIS_SUM_VOLTAGE, AXIS_CURRENT = "Pack voltage / V", "Sum of group voltages / V", "Current / A"
AXIS_TIME, AXIS_SINCE = "Time / {unit}", "Time from the start of the discharge / {unit}"
AXIS_GROUP_VOLTAGE = "Group voltage / V"
GROUPS_TITLE = "Group voltages during the discharge"
GROUPS_CAPTION = "Heavy line: {limiting}. Thin lines: the other groups."
GROUPS_CAPTION_NONE = "No group stands out as limiting."
GROUPS_CAPTION_BAND = "Grey band: from the lowest to the highest of the other groups. Heavy line: {limiting}."
GROUPS_CURVE_NONE = "No group voltages during a discharge to draw."
LABEL_LIMITING, LABEL_OTHERS, LABEL_CUTOFF = "group {n}, limiting", "other groups", "cut-off {voltage}"
LABEL_ALL, LABEL_COUNTED = "groups", "counted for capacity"
STRIP = {"charge": "charge", "discharge": "discharge", "rest": "rest"}

# ---- budget --------------------------------------------------------------------------------------------
BUDGET_HEAD = ("Source", "Standard uncertainty", "Share of the variance")
BUDGET_TOTAL = "Combined standard uncertainty"
BUDGET_EXPANDED = "Expanded uncertainty, k = 2"
BUDGET_FROM_FULL = "State of health counts besides what the voltmeter leaves open of full, u = {u}: capacity from true full ± {expanded}, k = 2."
BUDGET_NONE = "No budget: there is no capacity figure, or its uncertainty is not known."
BUDGET_CAPTION = "Combined as the root of the sum of squares; the contributions are taken as independent."
SOURCE_WORDS = {
    **SOURCES,
    "current gain": "gain of the current reading", "current offset": "zero error of the current", "clock": "clock", "clock gain": "clock",
    "cut-off voltage": "voltage at the cut-off", "cutoff voltage": "voltage at the cut-off", "voltage gain": "gain of the voltage reading",
    "voltage offset": "zero error of the voltage", "sample instant": "instants at which samples were taken", "gap": "what a counter bridged across a gap",
    "full start": "how full the pack was at the start", "charge voltage": "voltage it was charged to", "leads": "voltage lost in the leads",
    "power lost in leads": "power lost in the leads", "current noise and resolution": "noise and resolution of the current",
    "voltage noise and resolution": "noise and resolution of the voltage", "voltage resolution": "resolution of the voltage",
    "instant of the edge": "instant of the step in the current",
}

# ---- reading -------------------------------------------------------------------------------------------
COLUMN_HEAD = ("Heading in the file", "Read as", "Unit", "Group")
COLUMN_NONE = "How the columns were read is not known."
ROLE_WORDS = {
    "time": "time since the start", "clock": "time of day", "date": "date", "voltage": "pack voltage",
    "current": "pack current", "charge_current": "charge current", "discharge_current": "discharge current",
    "power": "power", "capacity": "charge counter", "charge_capacity": "counter of charge put in",
    "discharge_capacity": "counter of charge taken out", "energy": "energy counter", "temperature": "temperature",
    "group_voltage": "voltage of a group", "tap_voltage": "voltage of a tap",
    "step": "number of the step", "cycle": "number of the cycle", "mode": "word for the mode",
    "resistance": "resistance as the instrument gives it", "thermistor": "resistance of a thermistor", "ignored": "not used",
}
L_ENCODING, L_CLOCK, L_SIGN, L_SAMPLING, L_GAPS, L_DROPPED, L_WARNINGS = (
    "Text", "Clock", "Sign of the current", "Sampling", "Gaps", "Rows left out", "Warnings while reading")
L_COLUMNS_FILES = "Read with"
CLOCK_WORDS = {"elapsed": "elapsed", "wall": "wall", "step": "step"}
SIGN_WORDS = {"negative": "negative", "positive": "positive"}
ENCODING = "{encoding}, columns parted by {delimiter}, decimal mark {decimal}, header in line {header}"
ENCODING_NO_HEADER = "{encoding}, columns parted by {delimiter}, decimal mark {decimal}, no header line"
QUOTED = "“{text}”"
DELIMITER = {",": "comma", ";": "semicolon", "\t": "tab", " ": "blank", "|": "vertical bar", "blanks": "blanks"}
DECIMAL = {",": "comma", ".": "point"}
CLOCK_WRAPPED = "{kind}; it ran over and was put in line"
SIGN = "discharge is {sign} in the file; {evidence}"
SIGN_PLAIN = "discharge is {sign} in the file"
SAMPLING = "one sample every {median} (median), longest distance {max}"
GAP = "{duration} from {start}"
DROPPED = "{n} of {rows}"
WARNINGS_NONE = "none"
WARNING_REPEATS = "{text} ({n} times)"
L_FILE, L_BYTES, L_ROWS, L_SHA = "File", "Size", "Rows read", "SHA-256"
BYTES = "{n} bytes"
LOGS_NOTE = "Whoever holds the file can compute its SHA-256 again; if it differs by one character, it is not the file this record was made from."
LOGS_NONE = "The raw log is not named in the analysis."
ENGLISH_LEFT = "Sentences of the analysis that stand in English, because no translation of them is known: {n}."
SOFTWARE = "Figures computed with {name} {version}, form of the analysis {schema}."

# ---- signature, limits, cautions -----------------------------------------------------------------------
SIGN_LINES = ("Tested by (name)", "Place and date", "Signature")
LIMITS_FRONT = "A figure is no safety certificate. Limits of the statement and cautions: see the annex."
LIMITS = (
    "The figures and the verdict describe this one pack at the time of the test, with the load, temperature and settings stated. They do not foretell how it ages.",
    "A figure is no safety certificate. Insulation, case, seals, wiring, connectors, protection board and charger were not examined by this test unless a finding says so.",
    "The record claims conformity with no standard. Where a way of measuring resembles that of a standard, the whole procedure of that standard was not followed.",
    "What is marked “not measured” or “not known” is not known; nothing here stands in for it. Values of the whole pack say nothing about a single group.",
    "The uncertainties rest on the limits of error stated for the instrument. If the instrument was worse than stated, so are the figures.",
)
CAUTION_LEAD = (
    "Lithium and other rechargeable packs store enough energy to burn, and cannot be switched off inside. The limits of the cell maker and pack maker, "
    "local electrical, fire, waste and dangerous-goods rules, and the judgement of a licensed or trained person come before anything printed here."
)
CAUTION_DANGER = (
    "This test found a danger. Do not charge, use or send this pack. Keep it apart from people and from whatever can burn, outdoors or in a place made for it, "
    "and have a trained person decide what to do."
)
CAUTION_CARD_DANGER = (
    "An open danger stands on this pack's card. Do not charge, use or send it before that is settled. Keep it apart from people and from whatever can burn, "
    "and have a trained person decide what to do."
)
CAUTION_HIGH_VOLTAGE = (
    "This pack goes above 60 V d.c. Touching live parts can kill. Only persons licensed or trained for such voltages may open or test it."
)
CAUTION_FAILED = "This pack did not pass. Mark it clearly, keep it apart from sound packs, and do not hand it over for use."
CAUTIONS = (
    ("Use", "Do not use the pack if it is swollen, dented, wet, smells, hisses or grows hot. Stay inside the currents, voltages and temperatures its maker allows. Do not bridge the terminals, open the case or bypass the protection."),
    ("Charging", "Charge only with a charger made for this chemistry and voltage, inside the temperatures the cell maker allows, on a surface that does not burn, away from ways of escape, and not unwatched after a repair. Stop at once if the pack grows hot, swells or smells."),
    ("Storage", "Store it cool, dry and part charged, apart from what can burn, and look at its voltage from time to time as its maker says. Do not recharge a pack that was found deeply discharged before a trained person has judged it."),
    ("Transport", "Lithium batteries are dangerous goods. Protect the terminals against short circuit. A rebuilt pack may need transport test evidence of its own; damaged or faulty ones fall under special rules and may be barred from the air. Ask the carrier or a dangerous-goods adviser before sending any."),
    ("If it smokes or burns", "Leave, keep others away, call the fire service and say that a battery is burning. Do not breathe the smoke. A battery can flare up again hours later."),
    ("End of life", "Hand it to a collection point for batteries; never put it in household waste."),
)


def words(code: object) -> str:
    """A code as words when nothing better is known: ``"odd_new_code"`` gives ``"odd new code"``."""
    return language.text.NOT_STATED if code is None else str(code).replace("_", " ").strip() or language.text.NOT_STATED


def code_label(code: object) -> str:
    """Short name of a finding, reason or warning code, in the current language."""
    entry = language.text.CODES.get(str(code))
    return entry[0] if entry else words(code)


def code_sentence(code: object) -> str:
    """What a code means, as a full sentence; for an unknown code its words."""
    entry = language.text.CODES.get(str(code))
    if entry:
        return entry[1]
    text = words(code)
    return text[:1].upper() + text[1:] + "."


def code_phrase(code: object) -> str:
    """The sentence of a code without capital and full stop, to stand inside another sentence."""
    if str(code) in END_WORDS and str(code) not in CODES:
        return language.text.END_WORDS[str(code)]
    return language.text.inside(code_sentence(code))


def inside(sentence: str) -> str:
    """A sentence without capital and full stop, to stand inside another one."""
    return lowered(sentence.rstrip("."))


def lowered(sentence: str) -> str:
    """A sentence that goes on after a colon or inside another one."""
    return sentence[:1].lower() + sentence[1:]
