"""Every sentence of the pages, in one place for translation. Words for codes are those of the record."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Any

from cycler.record import text as record_text

PRODUCT = "packreturn"
PRODUCT_LINE = "tests of repaired packs"
SKIP = "Skip to the content"
NAV_REGISTER, NAV_JOBS, NAV_ADD, NAV_COMPARE, NAV_BENCH = "Register", "Jobs", "Add a test", "Compare", "At the bench"
ADD_TITLE = "Add a test"
NAME_SHOWN = 5
LOADING = "Reading …"
NOT_KNOWN = "not known"
DASH = "–"
CLOSE = "Close"
BACK = "Back to the register"

PAGE_MISSING = "There is no such page."
PAGE_MISSING_MORE = "The address may be mistyped, or the run was added to another register."
DEFECT_WHAT = "the program met a defect of its own"
DEFECT_WHY = "{kind}; nothing was written by this step"
DEFECT_MEND = "try once more; if it stays, report it with the lines that the window running the program shows under {mark}"

# ---- errors ------------------------------------------------------------------------------------------------
ERROR_TITLE = "Cannot go on: {what}"
ERROR_WHERE, ERROR_WHY, ERROR_MEND = "Where", "Why", "How to mend"
NOTHING_STORED = "Nothing was stored."
THE_PAGE = "this page"
MEND_COLUMNS = "under “How the columns are read”"
MEND_COLUMNS_ROLE = "choose under “How the columns are read” which column is the {role}"
MEND_COLUMNS_TAPS = "say under “How the columns are read” from which end taps are counted"
MEND_COLUMNS_JOIN = "say under “How the columns are read” what the columns of all parts are"
MEND_BAD_ROWS = "tick “Read it although many rows cannot be used” under “How the columns are read”"
MEND_LEAVE_OUT = "tick “Read without it” under Files"
MEND_OPEN = "open that run in the register"
MEND_AGAIN = "to keep it twice on purpose, tick “Add even if this pack already has these logs”"
MEND_RATINGS = "tick “The pack was rebuilt: take its new ratings”"
MEND_NUMBERS = "choose a run that the register lists"
MEND_ELSE = "correct what is named here and try once more"

# ---- verdict words: shape and word, colour only beside them ------------------------------------------------
RESULT_WORD = {"pass": "Pass", "fail": "Fail", "not_proven": "Not proven", "none": "Not judged"}
RESULT_MEANS = record_text.RESULT_MEANS

CAUTION_TEST = (
    "Before a test: let no damaged, wet, swollen or over-discharged pack stand on charge unwatched; keep tools from "
    "bridging the terminals. The maker's limits and local rules come first."
)
DANGER_TITLE = "Danger: {pack}, run {id}"
DANGER_TITLE_GROUP = "Danger: {pack}, run {id}, {place}"
DANGER_DO = (
    "Do not charge, use or send this pack. Keep it apart from people, from other packs and from what can burn; guard its "
    "terminals. Have a trained person decide."
)
DANGER_SEE = "See the finding"

# ---- register ----------------------------------------------------------------------------------------------
REGISTER_TITLE = "Register"
H_PACK = "Pack"
STATE_CAUTION, STATE_CAUTIONS = {1: "1 caution"}, "cautions"
STATE_SOUND = "nothing found"
STATE_DANGER = {1: "1 danger"}
STATE_DEFECT = {1: "1 defect"}
STATE_DANGERS, STATE_DEFECTS = "dangers", "defects"
ADDED = "added {when}"
LAST_VERDICT = "Last verdict"
STATE_NOT_QUOTABLE = "capacity not quotable"
STATE_NO_CAPACITY = "no capacity"
AT_LEAST = "at least {figure}"
AT_MOST = "at most {figure}"
NOT_VALID = "{figure}, not valid"
SCROLL_HINT = "More columns to the right: scroll sideways."

# ---- adding ------------------------------------------------------------------------------------------------
ADD_HOW = "Label and criteria"
DROP_HERE = "Drop log files here"
DROP_CHOOSE = "Choose files …"
FILES_TITLE = "Files"
FILE_REMOVE = "Remove {name}"
FILE_KIND = {"pack": "pack file", "columns": "columns file", "log": "log"}
REMOVE = "Remove"
REMOVE_ALL = "Remove all"
SAME_FILE = "this file is here already"
SAME_FILE_WHY = "it holds exactly the same bytes as {name}"
SAME_FILE_MEND = "nothing is needed: the first one stays; drop another part if you meant another file"
LOOK_COLUMNS = " Read with {names}."
USED_FILE = "the columns file {name}"
USED_KNOWN = "the {name}"
LEAVE_OUT = "Read without it"
KNOWN_USED = "A log with these headings was added before, so its columns file is used again."
KNOWN_LEFT_OUT = "A log with these headings was added before; {names} is left out."
WILL_REMEMBER = "Once the run is added, logs with these headings will be read so from then on."
CANNOT_REMEMBER = (
    "A log without headings cannot be known again: keep the columns file (Download) and drop it with the next log of this kind."
)
LOOK_REST = "The other files: "
MENDED_BY_FORM = "As the form below now stands, this log can be read: press “Use these columns” there."
FORGET, FORGET_SURE, FORGET_NOT = "Forget it …", "Forget it for good", "Keep it"
FORGET_ASK = (
    "Forget {names} for good? The next log with these headings will be read as it stands. Runs that were added already stay as they "
    "are, with the columns file that they were read with."
)
FORGOTTEN = "Forgotten: {names}. Runs that were added already stay as they are."
TWO_FILES = {"pack": "two pack files were dropped", "columns": "two columns files were dropped"}
TWO_FILES_WHY = "{name} is there already"
TWO_FILES_MEND = "remove one of them"
NOT_UTF8, NOT_UTF8_WHY, NOT_UTF8_MEND = "the file is not UTF-8 text", "some bytes cannot be read as text", "save it as UTF-8"
LOOK = "Read as {rows} samples over {duration}; {groups}; {temperatures}. Discharge is {sign} in the file."
LOOK_GROUPS = {0: "no group voltages", 1: "1 group"}
LOOK_TEMPERATURES = {0: "no temperature", 1: "1 temperature"}
LOOK_WARNINGS = "Noted while reading"
COLUMNS_TITLE = "How the columns are read"
COLUMNS_LINE = {
    "error": "the log cannot be read yet; say here what its columns are",
    "doubt": "partly worked out from the readings; please check",
    "used": "as {names} says",
    "": "all found; open to see or change it",
    "none": "the fields of the rows cannot be told apart",
}
COLUMNS_LINE_READS = "read as the form now stands, but not used yet"
COLUMNS_OF = "Columns of {name}."
COLUMNS_OF_ALL = "Columns of {name}; what is said here holds for all {n} logs."
COLUMNS_CHECK_BARE = (
    "The log has no headings: all parts and units below are worked out from the readings. Hold them against the display of the "
    "instrument, and correct what is wrong."
)
COLUMNS_CHECK = (
    "The log does not say all of this itself. Hold the parts and units below against the display of the instrument; if they are "
    "right, use these columns, and logs with these headings will not ask again."
)
COLUMNS_MANY = "The first {shown} of {n} columns; for the others drop a columns file (.toml) with the log."
COLUMNS_LINES = "First lines of the file"
H_CELLS = "In the file"
COLUMN_N = "column {n}"
CELL_EMPTY = "empty"
AS_FOUND = "as found"
AS_FOUND_IS = "found: {what}"
FIELD_ROLE, FIELD_UNIT, FIELD_GROUP, FIELD_SIGN = "Read as", "Unit", "Group (1 = at pack negative)", "Direction"
H_GROUP_SIGN = "Group (1 = at pack negative), direction"
H_WHY = "Found because"
NO_UNIT = "no unit"
STEP_TIME_UNIT = "{unit} (time within the step)"
GROUP_HINT = "number"
FILL_ON = "Same for the columns below"
FILLED = "Columns {first} to {last} are read as {role} too, numbers {low} to {high}."
FILLED_ONE = "Column {first} is read as {role} too, number {low}."
FILLED_NONE = "The column below {name} holds no readings like it; nothing was changed."
SIGN_WORDS = {
    "charge_positive": "charge positive", "discharge_positive": "discharge positive", "unsigned": "no sign",
}
HEAD_FIELDS = {
    "delimiter": "Columns are parted by", "decimal": "Decimal mark", "header_row": "Headings in line (0 = none)",
    "clock": "Clock", "date_order": "Day and month",
    "taps_from": "Taps are counted from",
}
HEAD_WORDS = {
    "delimiter": {",": "comma", ";": "semicolon", "\t": "tab", "|": "vertical bar", " ": "blanks"},
    "decimal": {".": "point", ",": "comma"},
    "clock": {"elapsed": "runs on", "wall": "date or time of day", "step": "restarts each step"},
    "date_order": {"day_first": "day first", "month_first": "month first", "year_first": "year first"},
    "taps_from": {"pack_negative": "pack negative", "pack_positive": "pack positive"},
}
LINE_N = "line {n}"
NO_HEADINGS = "none"
ALLOW_BAD_ROWS = "Read it although many rows cannot be used"
NO_PAUSE = "The files followed one another without a pause"
COLUMNS_USE, COLUMNS_BACK, COLUMNS_DOWNLOAD = "Use these columns", "Back to what was found", "Download as a columns file"
COLUMNS_NOTHING = "Everything stands as found; there is nothing to use."
COLUMNS_CHANGED = "Not used yet; the preview shows what it gives."
COLUMNS_NOT_YET = "These columns cannot be used yet; see the preview."
COLUMNS_SAME = "Used as it stands here."
HEADER_ROW_WHAT, HEADER_ROW_WHY = "the line of the headings is no line number", "it is a whole number, 0 for a log without headings"
HEADER_ROW_MEND = "count the lines of the file from 1, or leave it empty"
COLUMNS_TOO_LONG, COLUMNS_TOO_LONG_WHY = "the columns file would be too long", "its headings alone are more than {kb} kB"
COLUMNS_TOO_LONG_MEND = "set the line of the headings, or export the log with shorter ones"
PREVIEW_TITLE = "Preview"
PREVIEW_NONE = "Rows and the curve appear here once the log can be read."
PREVIEW_ROWS = "{shown} of {n} rows as understood: the first, those after the first switches, the last; charge counts positive."
PREVIEW_ROWS_ALL = "All {n} rows as understood; charge counts positive."
PREVIEW_LOWEST = "Lowest at the end of discharge: {groups} with {low}"
PREVIEW_LOWEST_NEXT = "; the next has {next}"
PREVIEW_HEAD = "The preview reads the first {n} rows of this large log; it is read whole when you use these columns."
PREVIEW_HEAD_ERROR = "Only the first part of this large log was tried here; the whole of it may say more."
PREVIEW_TIME, PREVIEW_PACK, PREVIEW_CURRENT = "Time", "Pack", "Current"
PREVIEW_GROUP, PREVIEW_TEMPERATURE = "Group {n}", "Temperature"
PREVIEW_READ = "{rows} rows over {duration}; discharge is {sign} in the file."
TOML_REMARKS = (
    "How {log} is read. Drop this file with the next log of the same kind, or name it on the command line:",
    "cycler add LOG --columns THIS_FILE --pack PACK.toml",
)
PACK_WHICH = "Pack"
PACK_KIND = {"existing": "In the register", "new": "New pack", "file": "From the pack file"}
PACK_EXISTING = "Choose a pack"
PACK_FILE_NONE = "Drop a pack file (.toml) above, or choose another way."
PACK_FILE_READ = "{name}: pack {id}, {build}"
PACK_FILE_BAD = "{name} cannot be used; the reason stands beside it under Files."
PACK_NO_ID_WHAT, PACK_NO_ID_WHY = "the pack file names no pack", "the register keeps runs together by the pack's number"
PACK_NO_ID_MEND = "add a line id = \"…\" and drop it again"
PACK_FIELDS = (
    ("id", "Pack number", "text", "as on its label"),
    ("series", "Groups in series", "number", ""),
    ("parallel", "Cells in parallel", "number", ""),
    ("rated_capacity_ah", "Rated capacity / Ah", "number", ""),
    ("charge_voltage_v", "End of charge, pack / V", "number", ""),
    ("cutoff_voltage_v", "End of discharge, pack / V", "number", ""),
    ("group_charge_voltage_v", "End of charge, group / V", "number", ""),
    ("group_cutoff_voltage_v", "End of discharge, group / V", "number", ""),
    ("taper_current_a", "Charge is complete at / A", "number", ""),
    ("max_discharge_current_a", "Discharge at most / A", "number", ""),
)
CHEMISTRY = "Chemistry"
UNKNOWN_CHOICE = "not known"
INSTRUMENT_TITLE = "Limits of error of the instrument"
INSTRUMENT_MORE = (
    "As the data sheet has them, such as 0.5 % of reading + 2 digits of 10 mA, or U = 0.2 %, k = 2 from a certificate. Left "
    "empty, 1 % of the reading and a couple of digits are assumed and said so. Runs share their bench if its name and limits are the same."
)
INSTRUMENT_FIELDS = (
    ("id", "Name of the bench", "text", "such as: bench 1"),
    ("voltage", "Pack voltage", "text", "0.1 % of reading + 20 mV"),
    ("group_voltage", "Group voltages", "text", "0.05 % of reading + 2 mV"),
    ("current", "Current", "text", "0.2 % of reading + 5 mA"),
    ("temperature", "Temperature", "text", "1 °C"),
    ("clock", "Clock", "text", "50 ppm"),
    ("lead_resistance_ohm", "Leads (two-wire) / Ω", "number", ""),
)
SENSE = "Pack voltage is sensed"
SENSE_CHOICE = {"four-wire": "at the pack (four-wire)", "two-wire": "at the load (two-wire)"}
OPTIONAL = "Only the number is a must. State of health needs the rated capacity. What you leave empty is worked out from the log where it proves it, else it stays unknown."
LABEL = "Label of the test"
LABEL_HINT = "such as: before repair"
CRITERIA = "Judge by"
ADD = "Add test"
ADD_WAIT = {
    "reading": "The files are being read.",
    "no_log": "No log was dropped yet.",
    "bad_file": "A file cannot be used: {name}. Mend or remove it.",
    "bad_parts": "The logs do not fit together; see under Files.",
    "columns_read": "The form reads the log now: press “Use these columns”.",
    "columns": "The columns were changed but not used: press “Use these columns” or “Back to what was found”.",
    "no_pack": "No pack is chosen yet.",
    "no_number": "The new pack has no number yet.",
    "no_pack_file": "No pack file was dropped yet.",
}
ADD_AGAIN = "Add even if this pack already has these logs"
ADD_RATINGS = "The pack was rebuilt: take its new ratings"
ADD_NO_LOG_WHAT = "there is no log to add"
ADD_NO_LOG_WHY = "no log file was dropped yet"
ADD_NO_LOG_MEND = "drop at least one log"
ADD_NO_PACK_WHAT = "the pack is not named"
ADD_NO_PACK_WHY = "the register keeps runs together by pack"
ADD_NO_PACK_MEND = "choose a pack, or give the new one a number"
THE_FORM = "form of the run"

ROLE_WORDS = {
    **record_text.ROLE_WORDS, "group_voltage": "group voltage", "tap_voltage": "tap voltage", "resistance": "resistance",
    "charge_capacity": "charge put in", "discharge_capacity": "charge taken out", "time": "time from start",
    "step": "step number", "cycle": "cycle number", "mode": "mode in words",
}
"""Parts of columns in words that a closed choice shows whole."""

CHEMISTRY_WORDS = {
    "nmc": "NMC (lithium nickel manganese cobalt)", "nca": "NCA (lithium nickel cobalt aluminium)", "lco": "LCO (lithium cobalt)",
    "lmo": "LMO (lithium manganese)", "lfp": "LFP (lithium iron phosphate)", "lto": "LTO (lithium titanate)",
    "nimh": "NiMH (nickel-metal hydride)",
}

# ---- run ---------------------------------------------------------------------------------------------------
RUN_SUB = "Run {id} · {tested} · added {added}"
RUN_TESTED, RUN_NO_DATE = "tested {when}", "the log carries no date"
RUN_REMEMBERS = "Read with {names}. Logs with these headings will be read so from now on."
RUN_READ_WITH = "Read with {names}."
RUN_NO_HEADINGS = (
    "Read with {names}. The log has no headings, so it cannot be known again: keep the columns file and drop it with the next one."
)
RUN_TO_VERDICT = "Verdict and record"
DOUBTS_TITLE = "Look at this first"
CARD_DANGER = "Danger on the pack's card, still open: {message} (written by {who}). No verdict of this pack is a pass until it is closed."
CORRECTED = {
    "analysis": "Analysed again with another pack file by {who} on {at}: {why}",
    "label": "Given another label by {who} on {at}: {why}",
    "withdraw": "Withdrawn by {who} on {at}: {why}",
    "reinstate": "Counts again since {at}, says {who}: {why}",
}
COUNTS_NO_MORE = "The run counts no more, and no record of it is issued."
WITHDRAWN = "withdrawn"
KEY_CAPACITY, KEY_ENERGY, KEY_HEALTH, KEY_RESISTANCE = "Capacity", "Energy", "State of health", "Resistance over 10 s"
KEY_LIMITING, KEY_RISE = "Limiting group", "Temperature rise"
KEY_MAX = "highest {figure}"
KEY_VALID = "full to empty, valid"
KEY_SOURCE = {"pack": "at the pack's terminals", "group_sum": "sum of the groups"}
FINDINGS = "Findings"
CURVE = "Curve"
CURVE_COUNTED = "Shaded: the stretch whose charge is the capacity."
CURVE_HOW = "Drag across to zoom, double-click for the whole test; point to read every trace."
CURVE_WHOLE = "Every sample of this window is drawn."
CURVE_THINNED = "Lowest and highest sample of each stretch are drawn, so no spike is lost; zoom in for every sample."
CURVE_ALL = "Whole test"
CURVE_NONE = "The curve cannot be drawn: {what}."
MARK_GROUP = "Mark a group"
MARK_NONE = "none"
READ_AT = "Read at / {unit}"
READ_HINT = "or click on the curve"
NO_READING = "no reading"
READ_RESULT = "Sample at {time}"
GROUPS = "Groups"
GROUPS_CAPTION = (
    "Expanded uncertainty (k = 2). Hatched: the limiting group. “est.”: worked out, the group itself did not reach its cut-off."
)
GROUPS_NONE = "No group voltages in this log: a weak group cannot be seen, however sound the pack looks as a whole."
TABLE_STEPS, TABLE_RESISTANCE = "Steps", "Resistance at the current edges"
TABLE_BUDGET, TABLE_READING, TABLE_PACK = "Where the uncertainty comes from", "How the log was read", "Pack and instrument"
H_GROUP = (
    "Group", "At rest / V", "End of discharge / V", "Sag 10 s / mV", "Resistance 10 s / mΩ", "Capacity / Ah",
    "Short of full / Ah", "Leak at rest / mA",
)
H_STEP = (
    "No.", "Kind", "Start", "Duration", "Mean current / A", "Charge / Ah", "Energy / Wh", "From – to / V", "Ended because",
)
H_EDGE = ("At", "After", "Current step / A", "Resistance / mΩ", "Ohmic part / mΩ", "Way of measuring")
H_BUDGET = ("Source", "Standard uncertainty / {unit}")
H_COLUMN = ("Heading in the file", "Read as", "Unit", "Group")
H_SOURCE = ("File", "Rows read", "Left out", "SHA-256")
H_HOW = "How the log was read"
LIMITING_MARK = "limiting"
FROM_LOG = "taken from the log"
INSTRUMENT_DECLARED = "As declared with the pack."
INSTRUMENT_ASSUMED = "Not declared; these were assumed."
INSTRUMENT_STATED = {
    "voltage": "Pack voltage, as stated", "group_voltage": "Group voltages, as stated", "current": "Current, as stated",
    "temperature": "Temperature, as stated", "clock": "Clock, as stated",
}
INSTRUMENT_KEYS = {
    "voltage_gain": "Pack voltage, gain (fraction of reading)", "voltage_offset_v": "Pack voltage, zero / V",
    "group_voltage_gain": "Group voltage, gain (fraction of reading)",
    "group_voltage_offset_v": "Group voltage, zero / V", "current_gain": "Current, gain (fraction of reading)",
    "current_offset_a": "Current, zero / A", "temperature_offset_c": "Temperature, zero / °C",
    "temperature_gain": "Temperature, gain (fraction of reading)", "voltage_digit_v": "Pack voltage, a digit / V",
    "group_voltage_digit_v": "Group voltage, a digit / V", "current_digit_a": "Current, a digit / A",
    "temperature_digit_c": "Temperature, a digit / °C", "file": "Instrument file", "sha256": "SHA-256 of that file",
    "id": "Name of the bench", "defaulted": "Not stated, so assumed",
    "clock_gain": "Clock (fraction of the time)", "sense": "Pack voltage is sensed",
    "lead_resistance_ohm": "Leads / Ω",
}
METHOD = {
    "current_step": "one edge of the current", "iec61960_dc": "two currents, 10 s and 1 s (pattern from memory of IEC 61960-3; no conformity claimed)",
    "iec62620_dc": "two currents, 30 s and 5 s (pattern from memory of IEC 62620; no conformity claimed)",
}
ESTIMATED = "{figure} est."
BUDGET_CAPACITY, BUDGET_RESISTANCE = "Capacity", "Resistance over 10 s"
BUDGET_ENERGY, BUDGET_CORRECTED = "Energy", "Capacity at the conditions of the rating (calculated)"
BUDGET_GROUPS = "{figure} of each group: standard uncertainties in {unit}"
MATCHED = "If the limiting group matched its siblings: {figure}."

# ---- charge per volt (dQ/dV) ---------------------------------------------------------------------------------
INCREMENTAL_CAPTION = (
    "How much charge flows per volt (dQ/dV, first picture), and how steep the voltage is (dV/dQ, second; cut off where it shoots up). Blue and shaded: the pack per group with its expanded "
    "uncertainty (k = 2); thin: its groups; wide: the marked group. Constant-voltage phases, rests and the first minute are left out. Peaks lie current times "
    "resistance away from those at rest: upward on charge, downward on discharge."
)
INCREMENTAL_WAY = {"discharge": "Discharge", "charge": "Charge"}
INCREMENTAL_STRETCH = "Step {step} at {rate} It{of}."
INCREMENTAL_RATE_FROM = {
    "measured_capacity": " (by the measured capacity)", "charge_of_this_step": " (by the charge of this step)", "rated_capacity": "",
}
INCREMENTAL_WINDOW = (
    "Window {window} mV per group ({points} points {grid} mV apart), Savitzky-Golay of order {order}; for dV/dQ {window_ah} Ah."
)
INCREMENTAL_SOURCE = {
    "pack": "Pack voltage divided by its {n} groups, so that packs can be compared.",
    "group_sum": "Sum of the groups divided by their number, {n}, so that packs can be compared.",
}
INCREMENTAL_ONE = "Voltage of one cell or group."
INCREMENTAL_WITHHELD = "Peaks are withheld:"
INCREMENTAL_DOUBTED = "To be read with doubt:"
INCREMENTAL_REASON = "{reason}. Next time: {mend}."
INCREMENTAL_OLD = "This run was analysed by an earlier version, which did not look at dQ/dV; add its log once more to see it."
INCREMENTAL_OLD_SHORT = "it was analysed by an earlier version, which did not look at dQ/dV"
INCREMENTAL_COMPARE = (
    "The packs per group, first dQ/dV, then dV/dQ. Compare runs at like current and temperature: a peak moves with current times resistance. A peak lower with "
    "the same place speaks of lost active material, one moved of lost lithium or grown resistance (common practice, no source)."
)
INCREMENTAL_OVERLAY = "Window {window} mV per group for all runs. {rates}."
INCREMENTAL_RATE = "{letter}: {rate} It"
H_PEAK = ("Peak at / V", "Height / (Ah/V)", "Width / mV", "Charge / Ah")
PEAKS_CAPTION = (
    "Peaks of the pack per group, with expanded uncertainty (k = 2), gain and zero of the instrument included; width at half "
    "prominence, charge between the valleys beside it. “At least”: the peak is narrower than the window, which "
    "flattens it."
)
PEAKS_NONE = "No peak stands out of the uncertainty."
H_PEAKS_COMPARE = ("Run", "Discharge peaks of the pack per group: place and height, each with its own window, expanded uncertainty (k = 2)")

# ---- compare -----------------------------------------------------------------------------------------------
COMPARE_TITLE = "Compare runs"
COMPARE_REFERENCE = "Reference"
COMPARE_LEFT_OUT = "{letter} is not drawn: {reason}."
COMPARE_DIFFERENCES = "Differences from {letter}"
COMPARE_CAPTION = (
    "Under each figure its difference from the reference, with expanded uncertainty (k = 2). “Better” and “worse” stand only "
    "where the difference exceeds its uncertainty. Capacity and energy hold here, too, what the voltmeter leaves open of a full pack, so that their "
    "uncertainty may be larger than on the run's own page."
)
COMPARE_MISSING = "run {id} (not in the register)"
COMPARE_INVALID = "not valid: no difference shown"
COMPARE_NO_U = "no difference shown: its uncertainty is not known"
POINTS = "percentage points"
WITHIN, BEYOND, BETTER, WORSE = "within the uncertainty", "differs", "better", "worse"
COMPARE_KEY = "Runs, their lines and last verdicts"
COMPARE_GROUPS = "Groups"
COMPARE_GROUP_TITLE = {
    "capacity_ah": "Capacity of each group", "resistance_10s_ohm": "Resistance over 10 s of each group",
    "sag_10s_v": "Sag of each group after 10 s of load",
}
COMPARE_GROUPS_CAPTION = (
    "Group 1 is at pack negative. Beside each figure its difference from the same group of the reference, with expanded "
    "uncertainty (k = 2), and whether it exceeds that uncertainty."
)
COMPARE_GROUPS_NONE = "No run has group voltages: single groups cannot be compared."


def group_name(group: dict[str, Any]) -> str:
    """ "group 4", or "A1 (group 4)" where the log's heading ends in a short name of its own."""
    number = record_text.GROUP_N.format(n=group["group"])
    heading = re.sub(r"[\s,/]*[\[(]?(m?V|Volt)[\])]?$", "", str(group.get("name") or "").strip())
    name = heading.split()[-1] if heading.split() else ""
    own = 0 < len(name) <= NAME_SHOWN and any(ch.isalpha() for ch in name)
    return f"{name} ({number})" if own else number


def date_text(when: str | None) -> str:
    """An ISO 8601 time as "2026-03-01 09:30", with UTC named where the text says so."""
    if not when:
        return DASH
    try:
        parsed = datetime.fromisoformat(str(when).replace("Z", "+00:00"))
    except ValueError:
        return str(when)
    zone = " UTC" if parsed.tzinfo is not None and not parsed.utcoffset() else ""
    return parsed.strftime("%Y-%m-%d %H:%M") + zone


def day_text(when: str | None) -> str:
    """The day of an ISO 8601 time, as the log or the register's clock (UTC) has it."""
    return date_text(when).split(" ", 1)[0]


def duration_text(seconds: float | None) -> str:
    """A time span as "5 h 12 min", "12 min 03 s" or "4.5 s"."""
    if seconds is None:
        return NOT_KNOWN
    if seconds < 60:
        return f"{seconds:.4g} s"
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, second = divmod(rest, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {second:02d} s"


def share_text(share: float) -> str:
    """A probability in percent; never "100 %" or "0 %" for what is only nearly certain."""
    if share > 0.999:
        return "above 99.9 %"
    if share < 0.001:
        return "below 0.1 %"
    return f"{100 * share:.1f} %"


def is_known(file: str) -> bool:
    """True for the name of a columns file that the register knew for the headings of a log."""
    return file.startswith("columns file of run ")


def used_name(file: str) -> str:
    """ "the columns file charger.toml", "the columns file of run 3 (charger.toml)"."""
    return (USED_KNOWN if is_known(file) else USED_FILE).format(name=file)


def rows_text(rows: int) -> str:
    """A number of rows with a thin space between thousands."""
    return f"{rows:,}".replace(",", "\N{NARROW NO-BREAK SPACE}")


def size_text(size: int) -> str:
    """A file size as "1.4 MB" or "812 kB"."""
    return f"{size / 1e6:.1f} MB" if size >= 1e6 else f"{max(1, round(size / 1e3))} kB"


def count_text(number: int, words: dict[int, str], many: str) -> str:
    """Words for 0 and 1, else "{number} {many}"."""
    return words.get(number, f"{number} {many}")


def build_text(pack: Any) -> str:
    """ "NMC 10S4P" from anything with chemistry, series and parallel."""
    parts = []
    if pack.chemistry:
        parts.append("NiMH" if pack.chemistry == "nimh" else str(pack.chemistry).upper())
    if pack.series:
        parts.append(f"{pack.series}S{pack.parallel}P" if pack.parallel else f"{pack.series}S")
    return " ".join(parts) or DASH
