"""Every sentence of the comparison's page that is not shared with others."""

from __future__ import annotations

# ---- what the address asks for ------------------------------------------------------------------------------------
NOT_UNDERSTOOD = "“{key}={value}” in the address is not understood and was passed over."
NO_RUN_NUMBER = "“{value}” in the address is no number of a run and was passed over."
NO_WINDOW = "The window in the address is not understood; the whole is shown."
TOO_MANY = "The address names {n} runs; the first {most} are shown."
RUN_MISSING = "There is no run {id} in the register."
PACK_MISSING = "{pack} has no run that counts in the register."
REFERENCE_MISSING = "Run {id}, named as the reference, is not among the runs; {letter} is the reference."
TWICE = "{pack}: its newest run, {id}, is chosen already."

# ---- choosing ---------------------------------------------------------------------------------------------------
PICK = "Runs and packs"
PICK_HINT = "Type a pack, a label or a run's number."
PICK_PACK = "{pack}: its newest run that counts (run {id})"
PICK_PACK_NONE = "{pack}: no run that counts"
PICK_WITHDRAWN = "{name}, withdrawn"
EMPTY = "Choose two to eight runs."
EMPTY_ONE = "Choose at least one more run."
EMPTY_MORE = "Type above, tick them in the register, or go to a pack and press “Before and after”."
WITHDRAWN = "withdrawn"
NEWEST_OF = "newest of {pack}"

AXIS = "Laid over"
AXIS_CHOICE = {"time": "Time", "ah": "Charge / Ah", "soc": "State of charge", "voltage": "Voltage"}
QUANTITY = "Drawn"
QUANTITY_CHOICE = {"pack": "Pack", "per-group": "Pack per group", "limiting": "Limiting group", "group": "One group"}
GROUP = "Group"
GROUP_N = "group {n}"
PART = "Part"
PART_CHOICE = {"discharge": "Discharging", "charge": "Charging"}
EXTRAS = "Below it"
EXTRAS_CHOICE = {"current": "Current", "temperature": "Temperature"}
WHOLE = "Show the whole"

# ---- the figure --------------------------------------------------------------------------------------------------
NO_DISCHARGE = "no discharge was found in this log"
NO_CHARGE = "no charge was found in this log"
NO_CURRENT = "the log has no current"
NO_VOLTAGE = "the log has no pack voltage, nor that of every group"
NO_READINGS = "the log has no readings of it under current"
NO_SERIES = "the number of its groups is not known"
NO_LIMITING = "its limiting group is not known"
NO_GROUP_CHOSEN = "no group is chosen"
NO_GROUP = "it has no group {n}"
NO_GROUPS = "its log has no group voltages"
NO_SOC = "its state of charge is not known, as the discharge did not run from full to empty"
NO_SOC_CHARGE = "its state of charge is not known: that takes a charge that ended at its taper current and a discharge from full to empty"
NOTHING_DRAWN = "None of the chosen runs can be drawn so."
AXIS_TITLE = {
    "discharge": {
        "time": "Time under load / {unit}", "ah": "Charge delivered / {unit}", "soc": "State of charge / {unit}", "voltage": "Voltage / {unit}",
    },
    "charge": {"time": "Time on charge / {unit}", "ah": "Charge taken / {unit}", "soc": "State of charge / {unit}", "voltage": "Voltage / {unit}"},
}
CHARGE_TITLE = {"discharge": "Delivered down to it / Ah", "charge": "Taken up to it / Ah"}
QUANTITY_TITLE = {"pack": "Pack / V", "per-group": "Pack per group / V", "limiting": "Limiting group / V", "group": "Group {n} / V"}
DIFFERENCE_TITLE = "Minus {letter} / {unit}"
CURRENT_TITLE, TEMPERATURE_TITLE = "Current / A", "Warmest / °C"
HOW = {
    "time": "Time counts while current flows; pauses are left out, so that a pulse or a pause does not shift one run against another.",
    "ah": "Charge counts from the moment the load or charger came on.",
    "soc": "State of charge from the run's own capacity: 100 % is full, 0 % the end of its discharge. It hides how much each pack holds; charge shows that.",
    "voltage": "Over voltage the charge is drawn that had flowed when each voltage was reached. How fast it flows there (dQ/dV) stands in the last part of this page.",
}
HOW_PER_GROUP = "Pack voltage is divided by the pack's number of groups, so that packs of different builds can be compared."
HOW_CURRENT_VOLTAGE = "Current and temperature are not drawn over voltage."
DRAG = "Drag sideways to enlarge; press the button to see the whole again."
LEFT_OUT = "{letter} is not drawn: {reason}."
DIFFERENCE_NONE = "No difference is drawn: {reason}"
DIFFERENCE_NO_REFERENCE = "{letter}, the reference, cannot be drawn so."
DIFFERENCE_NO_OVERLAP = "the runs share no stretch of this axis."
DIFFERENCE_BAND = (
    "Lower part: each run minus {letter}, where both have data. The pale band is the expanded uncertainty (k = 2) from the limits of error of voltmeters, ammeters and "
    "clocks, the moment of switching on, rounding and noise; where it holds zero, the difference means nothing. It widens where a curve is steep."
)
DIFFERENCE_BAND_CHARGE = (
    "Lower part: each run minus {letter} at the same voltage, where both have data. The pale band is the expanded uncertainty (k = 2) from the limits of error of ammeters "
    "and voltmeters, rounding and noise; where it holds zero, the difference means nothing."
)
DIFFERENCE_SAID = "{run} − {base}: beyond the band over {share} of the shared stretch, most at {at}: {figure}."
DIFFERENCE_WITHIN = "{run} − {base}: within the band all along."
DIFFERENCE_UNLIKE = "Over {share} of it their currents were more than 10 % apart (a pulse, another load): there the curve shows the current, not the pack, and it does not count in this line."
DIFFERENCE_UNLIKE_ALL = "Their currents were more than 10 % apart all along: part of the difference comes from the current, not the pack."
DIFFERENCE_NO_LIMITS = "{run} − {base}: no limits of error are known; at most {figure}, at {at}."
DIFFERENCE_COMMON = "One bench: its gain and zero are common; what they have in common cancels."
DIFFERENCE_APART = "Different benches or channels: their errors count in full."

# ---- danger, before and after --------------------------------------------------------------------------------------
DANGER_LINE = "Danger: {letter}, {name}: {what}. Do not charge, use or send it."
BEFORE_AFTER_TITLE = "{pack}: before and after"
BEFORE, AFTER = "Before", "After"
BEFORE_AFTER_NONE = "{pack} has {n} that counts; a before and after takes two."
BEFORE_AFTER_RUNS = {0: "no run", 1: "one run"}
BEFORE_AFTER_ODD = "The address names no two runs of {pack} to hold against each other; its first and its newest run are shown."
BEFORE_AFTER_SAME = "Before and after are the same run; choose two."
FREELY = "Compare with other runs"
SUM_LEAD = "After ({after}) against before ({before}): "
SUM_NOTHING = "no figure differs by more than its uncertainty"
SUM_WITHIN = "No difference shown: {labels}."
SUM_UNCLAIMED = "Not compared, as a test was not valid or its uncertainty is not known: {labels}."
DOUBTS = "What else differs between the two tests"

# ---- tables, groups, export ----------------------------------------------------------------------------------------
TABLE_CSV = "Table as CSV"
PICTURE_SVG, PICTURE_PNG = "Picture as SVG", "Picture as PNG"
GROUPS_FIGURE = "Bars with their expanded uncertainty (k = 2); letter and hatching tell the run. Group 1 is at pack negative."
GROUPS_LIMITING = "Limiting group: {groups}."
GROUPS_LIMITING_ONE = "{letter} {group}"
GROUPS_TABLES = "Tables of the groups, with differences"
GROUP_MEASURE = {"capacity_ah": "Capacity", "resistance_10s_ohm": "Resistance over 10 s", "sag_10s_v": "Sag after 10 s"}
GROUP_AXIS = "Group, 1 at pack negative"
DERIVED = "Charge per volt (dQ/dV)"
ESTIMATE = "estimated"

CSV_FIGURE, CSV_GROUP, CSV_UNIT = "Figure", "Group", "Unit"
CSV_HEADS = {
    "value": "{letter}: value", "u": "{letter}: standard uncertainty u", "U": "{letter}: expanded uncertainty U (k = 2)",
    "difference": "{letter} - {base}: difference", "u_difference": "{letter} - {base}: u of the difference", "U_difference": "{letter} - {base}: U of the difference (k = 2)",
    "significant": "{letter} - {base}: significant", "judged": "{letter} - {base}: better or worse", "remark": "{letter}: remark",
}
CSV_RUN = "{letter} = {name}"
CSV_REFERENCE = "reference"
CSV_YES, CSV_NO = "yes", "no"
CSV_LOWER, CSV_INVALID, CSV_WORST = "lower bound", "not a valid test: no difference claimed", "group {group}"
LIMITING = "limiting group"
DANGER_CARD = "a danger stands open on the card of the pack"
DANGER_SEE_CARD = "See the pack"
PICTURE_TITLE = {
    False: "{part}: {quantity} over {axis}; below, each run minus {letter} with its expanded uncertainty (k = 2)",
    True: "{part}: charge over {axis} ({quantity}); below, each run minus {letter} with its expanded uncertainty (k = 2)",
}
PICTURE_GROUPS_TITLE = "Groups side by side, with expanded uncertainty (k = 2)"
MISSING_WHY = "it was never added here, or belongs to another register"
NO_LABEL = "no label"
BEFORE_AFTER_TWO = "A before and after takes two runs of one pack that count."
BEFORE_AFTER_MORE = "Add a test of the pack after its repair, or compare any runs in “Compare”."
SUM_RUN = "{label}, run {id}"
