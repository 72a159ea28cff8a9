"""Component ids of the page: the bench sheet of a job: quick entry, questions at once, and what the readings say."""

from __future__ import annotations

FIELD = "sheet-field"  # pattern: {"type": FIELD, "key": key of the form}: a choice; read by assets/sheet.js
TEXT = "sheet-text"  # pattern: {"type": TEXT, "key": key of the form}: a line or area to type into; read by assets/sheet.js
PART = "sheet-part"  # pattern: {"type": PART, "part": name}: a part of what the readings say
SHOWN = "sheet-shown"  # digests of the parts that stand in the page
PLACE = "sheet-place"  # job and mark of the page, for assets/sheet.js
TYPED = "sheet-typed"  # written by assets/sheet.js
ACK = "sheet-ack"
SINK = "sheet-sink"
ACK_SINK = "sheet-ack-sink"
FORM = "sheet-form"  # read by assets/sheet.js
TAPS = "sheet-taps"
KEPT = "sheet-kept"
RESULT = "sheet-result"
TOP = "sheet-top"
PAPER = "sheet-paper"
OBSERVED_HEEDS = "sheet-observed-heeds"
OBSERVED_LIST = "sheet-observed-list"
KEEP = "sheet-keep"
KEEP_BUSY = "sheet-keep-busy"
KEEP_DONE = "sheet-keep-done"
METER_GLANCE = "sheet-meter-glance"
CAUTIONS = "sheet-cautions"
WANTED = "sheet-wanted"  # further measurements that tell most now; read by assets/sheet.js
OBSERVED_BOX = "sheet-observed-box"  # read by assets/sheet.js
