"""Sentences of the page: two connectors held against each other, pin by pin."""

from __future__ import annotations

TITLE = "Donor board"
LEAD = "Before another board is put in: hold the plug of the pack against the plug that the board was made for, pin by pin."
MEASURE = (
    "Measure on the harness with the board unplugged: black probe at pack negative, red probe from pin to pin. Two pins bridged by a probe give the current of the "
    "whole stack: fused leads, thin sleeved tips, no rings, the meter not set to current."
)
SIDES = {"own": "The pack's plug, as measured", "donor": "The board's plug, as it should be"}
SIDE_MORE = {
    "own": "What stands at each pin of the harness of the pack that is to get the board.",
    "donor": "What stood at each pin of the harness that the board comes from, or what its maker states. A pin that is only named counts as expected.",
}
PLACES = ("the pack's plug", "the board's plug")
FIELDS = {
    "name": ("Name", "EB-0431"), "series": ("Groups in series", ""), "chemistry": ("Chemistry", "nmc, lfp ..."), "pins": ("Number of pins", ""),
    "keying": ("Keying, and where pin 1 is", "latch up, pin 1 left"), "reference": ("Black probe at", "pack negative"),
}
MORE_FIELDS = {"pack_v": ("Voltage of the whole pack / V", ""), "meter.voltage": ("Meter, as in its data sheet", "0.5 % rdg + 2 digits"), "meter.voltage_digit_v": ("One digit / V", "0.01")}
MORE = "Meter and other reference"
H_PIN, H_V, H_ROLE = "Pin", "Potential / V", "What it is, if known"
V_OF, ROLE_OF = "Potential of pin {n} / V, {side}", "What pin {n} is, {side}"
V_HINT, ROLE_HINT = "–", ""
ROW_MORE = "A dash, or nothing, where it was not measured. Both columns may be filled from a list: see below."
PROBES = "Thermistors: between which two pins, and how many ohm"
PROBE_FIELDS = {"pins": ("Pins", "12-13"), "ohm": ("Ohm", "10.1k"), "temperature_c": ("At °C", "21")}
PROBE_OF = "{label}, thermistor {n}, {side}"
PASTE = "Paste a list, or take a file"
PASTE_MORE = "A reading a line, counted from pin 1; or “pin reading what it is”; or “12-13 10.1k 21” for a thermistor. The text of a connector file is taken too."
PASTE_LABEL = "Readings of {side}"
PASTE_GO = "Put into the form"
FILE_DROP = "Connector file (.toml)"
FILE_CHOOSE = "Choose files"
SAVE = "Download as a file"
NOTHING_TAKEN = "The form stands as it was."
CLEAR = "Empty both plugs"
PRINT = "Print the result"
RESULT_TITLE = "Result"
NONE_TITLE = "Nothing to compare yet"
NONE_MORE = "Type in the readings of both plugs; the result follows each of them."
WRONG_TITLE = "Entries that cannot be read"
WRONG_MORE = "They stay in the form as you typed them. Without them there is no result."
WRONG_LINE = "{where}: {what}, {why}. {mend}"
RESULT_WORD = {"do_not_connect": "Do not connect", "agrees": "Potentials agree", "not_known": "Not known"}
VERDICT_WORD = {"same": "Same", "wrong": "Wrong", "not_measured": "Not known"}
PIN_N = "Pin {n}"
OWN_SIDE, DONOR_SIDE = "Pack", "Board"
V_AT = "{role}, {v}"
ACROSS = "Stands across this input: {figure}"
PIN_LIST = "Pin by pin"
REMARKS = "What they differ by, and what else is to be said"
FACTS = "{side}: {words}"
FACT_SERIES = "{n} groups"
FACT_STEP = "{v:.3f} V a group"
FACT_NONE = "groups not known"
VOLTS_NOTE = "Potentials stand against pack negative. Across an input: potential of the pack's pin less what the input is made for, at the charge of the pack, ± with k = 2."
METER_NOTE = "The limits of error of the meter are not stated; ± is counted with those of a simple one (1 % of reading, 5 mV)."
JOB_TITLE = "Keep it on job {n}"
JOB_MORE = "The result is written on the job with both plugs."
JOB_GO = "Keep on the job"
JOB_DONE = "Kept on the job."
JOB_BACK = "Job {n}"
CAUTION_TITLE = "Before anything is plugged"
BACK = "Tools of the bench"
