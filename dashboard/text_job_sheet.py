"""Sentences of the page: the bench sheet of a job: quick entry, questions at once, and what the readings say."""

from __future__ import annotations

TITLE_OF = "Bench sheet: pack {pack}"
HEAD = "Job {job}: {words}"
HOW = "Type a number, then Enter: on to the next reading. Leave empty what you did not measure. Every entry is kept as you type."
TO_RESULT = "To what the readings say"
TO_JOB = "To the job"
TO_OPTIONS = "Repair, salvage or scrap"
KEPT_AT = "Kept as a draft"
KEPT_NONE = "Nothing entered yet"
KEPT_BEFORE = "A draft of this sheet was kept: go on where you stopped."
KEPT_SHEETS = {1: "1 sheet of this job is kept; the newest counts.", 2: "{n} sheets of this job are kept; the newest counts."}
CLOSED = "This job is closed: nothing more is kept with it. Open it again on the job's page to add a sheet."
NOT_KEPT = "The draft could not be kept: {why}"
UNREAD = "“{text}” is no number: it is kept as you typed it, and counts for nothing."

# ---- parts of the form -----------------------------------------------------------------------------------------
PACK = "Pack"
PACK_MORE = "From its label. The number of series groups says how many taps there are."
PACK_FIELDS = (
    ("series", "Groups in series", "such as 10", "decimal"), ("parallel", "Cells in parallel", "such as 4", "decimal"),
    ("rated_capacity_ah", "Rated capacity / Ah", "", "decimal"), ("charge_voltage_v", "Charge voltage of the pack / V", "", "decimal"),
    ("cutoff_voltage_v", "Cut-off voltage of the pack / V", "", "decimal"),
)
CHEMISTRY = "Chemistry"
CHEMISTRY_NONE = "not known"
TOLD = "What was told"
COMPLAINT, COMPLAINT_HINT = "Complaint", "in the customer's words, such as: went dead on a hill, does not charge since"
LAMPS, LAMPS_HINT = "Lamps and beeps", "such as: three red blinks when the key is pressed"
LOOK = "Look and smell"
LOOK_MORE = "Before the meter comes out. “Not looked” is not a no."
LOOK_ITEMS = {
    "swollen": "A cell or the case is swollen", "leaking": "Something leaks", "smell": "It smells sweet or sharp", "hot": "A place is warm or hot",
    "burnt": "Burnt, melted or sooted", "wet": "Wet, or traces of water", "dented": "Dented or dropped", "corroded": "Green or white on metal",
    "leads_damaged": "A wire is pinched or bare", "joint_torn": "A weld or joint is torn", "opened_before": "Opened or repaired before",
}
LOOK_CHOICES = {"": "not looked", "no": "no", "yes": "yes"}
LOOK_REMARK, LOOK_REMARK_HINT = "What else is seen", "where, how large"
METER = "Meter"
METER_MORE = "Copy the lines of its data sheet: they say how far each reading can be trusted. This browser keeps them for the next sheet."
METER_FIELDS = (
    ("name", "Meter", "its name in the workshop", "text"), ("voltage", "D.C. voltage", "±(0.5 % rdg + 2 digits)", "text"),
    ("voltage_digit_v", "Last digit of the voltage / V", "0.001", "decimal"), ("resistance", "Resistance", "±(0.8 % rdg + 2 digits)", "text"),
    ("resistance_digit_ohm", "Last digit of the resistance / Ω", "1", "decimal"), ("current", "D.C. current", "±(1.2 % rdg + 3 digits)", "text"),
    ("current_digit_a", "Last digit of the current / A", "0.0001", "decimal"),
)
METER_UNKNOWN = "Nothing stated: usual limits of a hand-held meter are taken, and said so"
READINGS = "Readings"
READINGS_MORE = "Nothing charges, nothing draws. Probes with shrouded tips; mind that the tips never bridge two taps."
READING_FIELDS = (
    ("rested_h", "Hours at rest before", "no current", "decimal"), ("days_low", "Days lain this empty", "if known", "decimal"),
    ("ambient_c", "Room temperature / °C", "", "decimal"), ("cells_v", "Across all cells / V", "before board", "decimal"),
    ("terminal_v", "At the discharge contacts / V", "behind board", "decimal"),
    ("charge_contact_v", "At the charge contacts / V", "pack alone", "decimal"), ("charger_v", "Charger alone / V", "unplugged", "decimal"),
    ("board_current_ma", "The board draws / mA", "at rest", "decimal"),
)
TAPS = "Balance taps"
TAPS_FROM = "How the taps were read"
TAPS_WAYS = {
    "pack_negative": ("From pack −", "Black probe stays on pack −, red goes up tap by tap: each reading is one group more than the one before."),
    "pack_positive": ("From pack +", "Red probe stays on pack +, black goes down tap by tap: each reading is one group more than the one before."),
    "each_group": ("Each group", "Both probes move: black below and red above one group, one reading for each group, group 1 at pack −."),
}
TAP_NAMES = {
    "": ("Tap 0", "Tap {n}"),
    "pack_negative": ("Tap 0 · pack −", "Tap {n} · + of group {n}"), "pack_positive": ("Tap 0 · pack +", "Tap {n} · {n} below pack +"),
    "each_group": ("Group 1 · at pack −", "Group {m}"),
}
TAPS_MORE = "Empty or “-”: this tap was not read. A decimal comma is fine."
STEP = "group {n}: {figure}"
STEP_DOUBTED = "group {n} reads {figure}"
TAP_MORE = "One more tap"
NEXT_READING = "Next reading"
PROBES = "Thermistors"
PROBES_MORE = "Plug pulled from the board. Without a temperature of its own a sensor counts at the room's."
PROBE_NAME = "Thermistor {n}"
PROBE_FIELDS = (("name", "Name", "such as T1", "text"), ("ohm", "Resistance / Ω", "", "decimal"), ("place", "Place", "such as between groups 4 and 5", "text"),
                ("temperature_c", "Temperature there / °C", "if not the room's", "decimal"))
PROBE_TYPE, PROBE_UNKNOWN, PROBE_OWN = "Type", "not known", "R25 and B from its data sheet"
PROBE_OWN_FIELDS = (("r25_ohm", "R25 / Ω", "10000", "decimal"), ("b_k", "B / K", "3435", "decimal"))
PROBE_OPEN, PROBE_OPEN_WORD = "Meter shows OL", "open"
PROBE_MORE = "One more thermistor"
OBSERVED = "Further measurements"
OBSERVED_MORE = "Those that would tell most as things stand come up here as the readings come in, shortest first; the result follows each answer."
OBSERVED_ALL = "Show all {n} of them"
OBSERVED_AT = {"group": " (group {n})", "tap": " (tap {n})"}
OBSERVED_NOW = "tells most now"
OBSERVED_MINUTES = "about {n} min"
OBSERVED_NONE = "not done"

# ---- what the readings say -------------------------------------------------------------------------------------
RESULT = "What the readings say"
RESULT_EMPTY = "Nothing measured yet"
RESULT_EMPTY_MORE = "What you looked and smelt for counts already. Then the voltages: groups in series, across all cells, and the taps one by one."
RESULT_FAILED = "The sheet stays as you typed it."
TOP_CAUSE = "Most likely so far: {title}, {share}"
TOP_NONE = "No cause stands out yet"
CAUTIONS = "Before you go on"
GROUPS = "Groups"
GROUPS_HEADS = ("Group", "Voltage", "Charge", "Level")
GROUPS_CAPTION = "± expanded uncertainty (k = 2). Group 1 is at pack negative. Charge: between the bounds that the voltage supports."
LEVELS = {
    "ok": ("pass", "in its range"), "low": ("not_proven", "below its normal end"), "precharge": ("not_proven", "too low for a normal charge"),
    "no_charge": ("fail", "never charge again"), "reversed": ("fail", "reversed"), "over_full": ("fail", "over full"), "unknown": ("none", "not known"),
}
GROUP = "Group {n}"
CHARGE_RANGE = "{low} to {high}"
NOT_KNOWN = "not known"
TAPS_FOUND = "{found} of {expected} taps read."
SUM = "Sum of the groups: {sum}."
SUM_PART = "Sum of the groups that were read: {sum}; it is a part of the pack."
SUM_AGAINST = {"cells_v": "Against the voltage across all cells it differs by {difference}.", "terminal_v": "Against the discharge contacts it differs by {difference}."}
SPREAD = "Median {median}; highest less lowest {spread}."
FIGURE_TITLE = "Voltage of each group / V"
FIGURE_X = "Group, 1 at pack negative"
FIGURE_SPOKEN = "Voltages of the groups; the same figures stand in the table below."
REMARKS = "What stands out"
REMARKS_NONE = "Nothing stands out in the readings so far."
PROBES_RESULT = "Thermistors"
PROBE_READS, PROBE_OVERLOAD = "it reads {ohm}", "overload"
PROBE_SHOWS, PROBE_PLACE = ", that is {figure}", "; its place has {figure}"
PROBE_BELIEVES = "The board believes it sees {figure}"
PROBE_FROM = {"stated": "as stated", "matched": "matched by the reading", None: ""}
PROBE_CANDIDATES = "not known, could be {types}"
PROBE_FINDINGS = {"probe_open": "open", "probe_shorted": "shorted", "probe_out_of_place": "out of place", "probes_differ": "differs from the other",
                  "probe_type_unknown": "type not known", "probe_not_read": "not read", "board_refuses_charge": "the board will refuse to charge",
                  "board_refuses_discharge": "the board will refuse to discharge"}
CAUSES = "Likely causes"
CAUSES_MORE = "Chances by the readings entered so far, not certainties: what is not measured is not ruled out."
CAUSES_NONE = "No cause can be told yet."
CAUSES_REST = {1: "1 less likely cause", 2: "{n} less likely causes"}
CHANCE_WORDS = ((0.9, "very likely"), (0.6, "likely"), (0.3, "possible"), (0.1, "less likely"), (0.0, "unlikely"))
PARTS = {"cells": "cells", "sensors": "sensors", "wiring": "wiring and joints", "board": "protection board", "charger": "charger or its contact", "pack": "whole pack"}
FOR, AGAINST = "Speaks for it", "Speaks against it"
FOR_NONE, AGAINST_NONE = "No reading yet.", "No reading yet."
TIMES = {True: "{factor} times as likely with this cause", False: "{factor} times less likely with this cause"}
BASIS = "Basis: {basis}"
RULED_OUT = "Ruled out"
RULED_OUT_BY = " – {readings}"
NEXT = "Measure next"
NEXT_MORE = "The one that would split what is left at the least effort stands first."
NEXT_NONE = "No further measurement of the list would split what is left."
NEXT_ENTER = "Enter it"
NEXT_MINUTES = "about {n} min"
NEXT_NEEDS = "needs {needs}"
NEXT_SPLITS = "tells apart: {causes}"
MISSING = "What cannot be told"

READING_NAMES = {
    "taps": "taps", "board_current": "what the board draws", "probes": "thermistors", "taps_read_at": "where the taps were read", "drives": "in the vehicle",
    "charges": "on its charger", "group_direct_v": "group at its cells", "lead_ohm": "sense lead", "fuse_ohm": "main fuse",
    "terminal_with_charger_v": "contacts after the charger", "discharge_gate_v": "gate of the discharge switch", "known_charger": "another charger",
    "charge_current_a": "charge current", "charge_contact_ohm": "charge contact", "sag_ratio": "sag of the group", "joint_drop_mv": "drop along the joints",
    "group_drop_mv": "fall of the group at rest", "capacity_share": "measured capacity", "wires_in_order": "order of the sense leads",
}

# ---- keeping ---------------------------------------------------------------------------------------------------
KEEP = "Keep this sheet"
KEEP_MORE = "It is kept with the job as it stands, for good; a later sheet counts in its place. Dangers go on the pack's card and hold back every pass."
KEEP_GO, KEEP_BUSY = "Keep this sheet", "Keeping …"
KEEP_DONE = "The sheet is kept with job {job}."
KEEP_DANGERS = {1: "1 danger is written on the pack's card and holds back every pass until it is closed there:",
                2: "{n} dangers are written on the pack's card and hold back every pass until they are closed there:"}
KEEP_NOTHING_WHAT, KEEP_NOTHING_WHY, KEEP_NOTHING_MEND = "nothing was entered", "a sheet tells nothing before something was seen or measured", "answer what you looked for, or enter a reading"
KEEP_FAILED = "Nothing was kept. The draft stays."
FORM_NAME = "The bench sheet"

# ---- paper -----------------------------------------------------------------------------------------------------
PAPER_FACTS = "Pack, complaint and look"
PAPER_BLANK = "not entered"
PAPER_LOOKED = {"yes": "Yes", "no": "No", "": "Not looked for"}
PAPER_READINGS = "Readings as entered"
PAPER_HEADS = ("Reading", "As entered")
PAPER_SIGN = "Measured by, date: ______________________________"
