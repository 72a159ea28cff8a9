"""What stands on a record beside the figures of its own test: pack card, comparison, items of the regulation, proof."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cycler.quantities import display_unit
from cycler.record.blocks import Block, Bullets, Facts, Para, Section, Table
from cycler.record.content import Beside, Proof
from cycler.record.language import decimal, measuretext, text
from cycler.record.qr import record_text
from cycler.record.values import as_list, clean, figure, get, moment, named, number, phrase, sentence

MOST_ENTRIES = 60
FRONT_ENTRY = 190
"""Characters of the entries of one kind on the front page."""
FRONT_KINDS = ("fault", "work", "part")
FRONT_QUANTITIES = ("capacity_ah", "resistance_10s_ohm", "group_capacity_ratio_worst")
HASH_SHOWN = 16


# ---- pack card -------------------------------------------------------------------------------------------
def status_word(status: Any) -> str:
    """The status word of the regulation in the language of the record."""
    return text.STATUS_WORDS.get(str(status)) or named(status)


def card_rows(card: Mapping[str, Any] | None) -> list[tuple[str, str]]:
    """Name and value of what the card says of the whole pack."""
    pairs = ((text.L_STATUS, card and card.get("status")), (text.L_WORKSHOP_NUMBER, card and card.get("workshop_number")),
             (text.L_CUSTOMER, card and card.get("customer_reference")))
    return [(name, status_word(value) if name == text.L_STATUS else clean(value)) for name, value in pairs if value]


def card_lines(card: Mapping[str, Any] | None) -> Facts | None:
    """Faults, work and parts in a line each for the front page."""
    rows = []
    for kind in FRONT_KINDS:
        told = "; ".join(clean(entry.get("text")).rstrip(".") for entry in _entries(card) if entry.get("kind") == kind and entry.get("text"))
        if told:
            cut = told if len(told) <= FRONT_ENTRY else text.CARD_CUT.format(text=told[: FRONT_ENTRY - 1].rstrip() + "…")
            rows.append((text.CARD_KINDS[kind], cut))
    return Facts(tuple(rows), narrow=True) if rows else None


def card_dangers(analysis: Mapping[str, Any], card: Mapping[str, Any] | None) -> list[str]:
    """Open dangers from the pack's card, whether the verdict was made with them or not."""
    told = [found for found in as_list(get(analysis, "verdict", "veto_findings")) if get(found, "who") or get(found, "at")]
    noted = [{"message": entry.get("text"), "who": entry.get("who")} for entry in _entries(card) if entry.get("kind") == "danger"]
    lines: list[str] = []
    for found in (*told, *noted):
        message = clean(get(found, "message"))
        if message and not any(message.rstrip(".") in line or line in message for line in lines):
            lines.append(text.CARD_DANGER.format(text=message, who=named(get(found, "who"))))
    return lines


def card_sections(card: Mapping[str, Any] | None) -> list[Section]:
    """Annex: every entry with who and when, and the photos."""
    found = []
    rows = card_rows(card)
    entries = _entries(card)
    blocks: list[Block] = [Facts(tuple(rows), columns=2)] if rows else []
    if entries:
        table = tuple(
            (_day(entry.get("at")), named(entry.get("who")), text.CARD_KIND.get(str(entry.get("kind")), named(entry.get("kind"))), clean(entry.get("text"), 600))
            for entry in entries[:MOST_ENTRIES])
        strong = tuple(k for k, entry in enumerate(entries[:MOST_ENTRIES]) if entry.get("kind") == "danger")
        blocks.append(Table(text.CARD_CAPTION, text.CARD_HEAD, table, "llll", (0.19, 0.15, 0.12, 0.54), strong, dense=True, name="card"))
        if len(entries) > MOST_ENTRIES:
            blocks.append(Para(text.MORE.format(n=len(entries) - MOST_ENTRIES), "small"))
    if blocks:
        found.append(Section("card", text.H_CARD, tuple(blocks)))
    photos = [photo for photo in as_list(get(card, "photos")) if isinstance(photo, Mapping)]
    if photos:
        shown = tuple((named(photo.get("file")), named(photo.get("caption"), text.DASH), _day(photo.get("at")), named(photo.get("sha256")))
                      for photo in photos[:MOST_ENTRIES])
        found.append(Section("photos", text.H_PHOTOS, (
            Table(text.PHOTO_CAPTION, text.PHOTO_HEAD, shown, "llll", (0.18, 0.19, 0.12, 0.51), dense=True, name="photos"),)))
    return found


def _entries(card: Mapping[str, Any] | None) -> list[Mapping[str, Any]]:
    return [entry for entry in as_list(get(card, "entries")) if isinstance(entry, Mapping)]


def _day(value: Any) -> str:
    return moment(value) or text.NOT_STATED


# ---- earlier records -------------------------------------------------------------------------------------
def replaces_line(beside: Beside) -> str:
    """One line on the records that this one replaces, empty if there are none."""
    rows = beside.replaces
    if not rows:
        return ""
    why = clean(rows[-1].get("why") or text.REPLACES_NO_REASON).rstrip(".")
    if len(rows) == 1:
        return text.REPLACES.format(serials=named(rows[0].get("serial")), why=why)
    return text.REPLACES_MANY.format(n=len(rows), serial=named(rows[-1].get("serial")), why=why)


def replaces_sections(beside: Beside) -> list[Section]:
    """Annex: the earlier records with the reason of each."""
    rows = tuple((named(row.get("serial")), _day(row.get("at")), clean(row.get("why") or text.REPLACES_NO_REASON), named(row.get("who"), text.DASH))
                 for row in beside.replaces[-MOST_ENTRIES:])
    if not rows:
        return []
    table = Table(text.REPLACES_CAPTION, text.REPLACES_HEAD, rows, "llll", (0.18, 0.2, 0.42, 0.2), dense=True, name="replaces")
    return [Section("replaces", text.H_REPLACES, (table,))]


# ---- comparison ------------------------------------------------------------------------------------------
def compared_front(beside: Beside) -> Section | None:
    """The differences that matter most, a sentence each."""
    points = []
    for row in _compared_rows(beside):
        told = _difference_sentence(row) if row.get("quantity") in FRONT_QUANTITIES else ""
        if told:
            points.append((f"{_compared_label(row)}:", told))
    return Section("compared", _compared_title(beside, text.H_COMPARED), (Bullets(tuple(points)),), together=True) if points else None


def compared_sections(beside: Beside) -> list[Section]:
    """Annex: every quantity of both tests with its difference, the groups, and what stands between the tests."""
    rows: list[tuple[str, ...]] = []
    strong: list[int] = []
    for row in _compared_rows(beside):
        there, here = (_compared_value(row, index) for index in (0, 1))
        if there == here == text.NOT_MEASURED:
            continue
        kind = _kind(row)
        if kind in ("better", "worse"):
            strong.append(len(rows))
        amount = figure(_at(row, "difference"), _at(row, "u_difference"), str(row.get("unit") or "")) if number(_at(row, "difference")) is not None else text.DASH
        rows.append((_compared_label(row), there, here, _signed(amount), text.COMPARED_MEANING[kind]))
    if not rows:
        return []
    names = [clean(name, 60) for name in as_list(get(beside.compared, "names"))] or [text.NOT_STATED] * 2
    caption = text.COMPARED_CAPTION.format(there=names[0], here=names[-1])
    blocks: list[Block] = [Table(
        caption, text.COMPARED_HEAD, tuple(rows), "lfffl", (0.3, 0.19, 0.19, 0.17, 0.15), tuple(strong), (0, 3, 4), dense=True, name="compared")]
    notes = [sentence(note) for note in as_list(get(beside.compared, "notes"))]
    if notes:
        blocks.append(Bullets(tuple(("", note) for note in notes)))
    groups = _group_table(beside)
    return [Section("compared-all", _compared_title(beside, text.H_COMPARED_ALL), (*blocks, *([groups] if groups else [])))]


def _compared_title(beside: Beside, shape: str) -> str:
    return shape.format(name=named(beside.before_name, text.COMPARED_NAME))


def _compared_rows(beside: Beside) -> list[Mapping[str, Any]]:
    return [row for row in as_list(get(beside.compared, "rows")) if isinstance(row, Mapping)]


def _compared_label(row: Mapping[str, Any]) -> str:
    return text.COMPARED_LABELS.get(str(row.get("quantity"))) or named(row.get("label"))


def _at(row: Mapping[str, Any], key: str, index: int = 1) -> Any:
    """The entry of a list of the comparison: 0 = the run before, 1 = this one."""
    values = as_list(row.get(key))
    return values[index] if index < len(values) else None


def _compared_value(row: Mapping[str, Any], index: int, group_shape: str = "{n}") -> str:
    value = number(_at(row, "values", index))
    if value is None:
        return text.NOT_MEASURED
    if row.get("quantity") == "limiting_group":
        return text.GROUP_N.format(n=f"{value:.0f}")
    shown = figure(value, _at(row, "u", index), str(row.get("unit") or ""))
    if _at(row, "bound", index) == "lower":
        shown = text.AT_LEAST_SHORT.format(figure=shown)
    group = _at(row, "group", index)
    return f"{shown} ({group_shape.format(n=clean(group, 12))})" if group is not None else shown


def _kind(row: Mapping[str, Any]) -> str:
    """better, worse, same, invalid (no difference may be claimed) or none (nothing to judge)."""
    if number(_at(row, "difference")) is None:
        return "none"
    if False in (_at(row, "valid", 0), _at(row, "valid", 1)):
        return "invalid"
    if _at(row, "significant") is None:
        return "none"
    improved = _at(row, "improved")
    return "same" if not _at(row, "significant") or improved is None else "better" if improved else "worse"


def _difference_sentence(row: Mapping[str, Any]) -> str:
    difference, u, unit = number(_at(row, "difference")), number(_at(row, "u_difference")), str(row.get("unit") or "")
    if difference is None:
        return ""
    there, kind = _compared_value(row, 0, text.FINDING_PLACE_GROUP), _kind(row)
    if kind == "invalid":
        return text.COMPARED_INVALID.format(there=there)
    if u is None:
        return text.COMPARED_UNKNOWN_U.format(there=there)
    if kind == "same":
        return text.COMPARED_SAME.format(amount=_signed(_amount(difference, u, unit)), there=there)
    shape = text.COMPARED_HIGHER if difference > 0 else text.COMPARED_LOWER
    judged = text.COMPARED_JUDGED.get(_at(row, "improved"), "")
    return shape.format(amount=_amount(abs(difference), u, unit), judged=judged, there=there)


def _amount(difference: float, u: float, unit: str) -> str:
    """A difference with its uncertainty; that of two shares is no share of anything."""
    shown = figure(difference, u, unit)
    return shown.removesuffix("%") + text.COMPARED_POINTS if unit == "share" else shown


def _signed(shown: str) -> str:
    """A difference with its sign: +2.838 ± 0.029 Ah."""
    if shown in (text.DASH, text.NOT_KNOWN):
        return shown
    if shown.startswith("-"):
        return "−" + shown[1:]
    return f"+{shown}" if shown.split(" ")[0].strip("0.,") else shown


def _group_table(beside: Beside) -> Table | None:
    rows: list[tuple[str, ...]] = []
    strong: list[int] = []
    for group in as_list(get(beside.compared, "groups")):
        if not isinstance(group, Mapping):
            continue
        cells = [clean(group.get("group"), 12)]
        for key in ("capacity_ah", "resistance_10s_ohm"):
            column = group.get(key) if isinstance(group.get(key), Mapping) else {}
            unit = str(column.get("unit") or "")
            for index in (0, 1):
                shown = _bare(_at(column, "values", index), _at(column, "u", index), unit)
                cells.append(f"{text.ESTIMATE} {shown}" if _at(column, "estimate", index) and shown != text.DASH else shown)
            cells.append(_signed(_bare(_at(column, "difference"), _at(column, "u_difference"), unit)))
            if _at(column, "significant"):
                strong.append(len(rows))
        if any(cell != text.DASH for cell in cells[1:]):
            rows.append(tuple(cells))
    if not rows:
        return None
    return Table(text.COMPARED_GROUPS, text.COMPARED_GROUP_HEAD, tuple(rows), "lffffff", (0.07, 0.165, 0.165, 0.155, 0.15, 0.15, 0.145),
                 tuple(dict.fromkeys(strong)), dense=True, name="compared-groups")


def _bare(value: Any, u: Any, unit: str) -> str:
    if number(value) is None:
        return text.DASH
    name = display_unit(unit)[1] if unit else ""
    return figure(value, u, unit).removesuffix(f" {name}") if name else figure(value, u, unit)


# ---- items of the regulation -----------------------------------------------------------------------------
def health_sections(beside: Beside) -> list[Section]:
    """Annex: each item of the regulation with its figure, or why there is none."""
    rows, strong = [], []
    for item in beside.health_items:
        part = measuretext.HEALTH_PARTS.get(str(item.get("part")))
        label = measuretext.HEALTH_ITEMS.get(str(item.get("item"))) or clean(text.words(item.get("item")))
        shown = _health_value(item)
        rows.append((measuretext.HEALTH_ITEM.format(part=part, item=label) if part else label, shown, _health_remark(item)))
        if item.get("value") is not None:
            strong.append(len(rows) - 1)
    if not rows:
        return []
    table = Table(measuretext.HEALTH_CAPTION, measuretext.HEALTH_HEAD, tuple(rows), "lfl", (0.31, 0.19, 0.5), tuple(strong), (1,), name="health")
    return [Section("health", measuretext.H_HEALTH, (table,), together=True)]


def _health_value(item: Mapping[str, Any]) -> str:
    name, value = item.get("item"), item.get("value")
    if name == "status":
        return status_word(value) if value else text.NOT_STATED
    if str(name).startswith("date_"):
        return moment(value) or text.NOT_STATED
    if number(value) is None:
        return text.NOT_MEASURED
    if name == "harmful_events":
        return decimal(f"{value:.0f}") if value else measuretext.HEALTH_NO_EVENTS
    shown = figure(value, item.get("u_value"), str(item.get("unit") or ""))
    return text.AT_LEAST.format(figure=shown) if item.get("bound") == "lower" else shown


def _health_remark(item: Mapping[str, Any]) -> str:
    parts = []
    if item.get("value") is not None:
        parts.append(measuretext.HEALTH_REMARKS.get(str(item.get("item")), ""))
    if item.get("group") is not None:
        parts.append(measuretext.HEALTH_GROUP.format(n=clean(item["group"], 12)))
    if number(item.get("change")) is not None:
        parts.append(measuretext.HEALTH_CHANGE.format(change=_signed(figure(item["change"], item.get("u_change"), str(item.get("unit") or "")))))
    for event in as_list(item.get("events"))[:12]:
        label = clean(text.code_label(get(event, "code")))
        group = get(event, "group")
        parts.append(label if group is None else measuretext.HEALTH_EVENT_GROUP.format(event=label, n=clean(group, 12)))
    parts += [phrase(code) for code in as_list(item.get("reasons"))]
    return "; ".join(dict.fromkeys(part for part in parts if part))


# ---- proof -----------------------------------------------------------------------------------------------
def proof_rows(proof: Proof) -> list[tuple[str, str]]:
    """Short hash and key for the head of the record."""
    return [(text.L_HASH, f"{in_fours(proof.record_sha256[:HASH_SHOWN])} …"), (text.L_KEY, clean(proof.fingerprint, 60))]


def in_fours(digits: str) -> str:
    """Hexadecimal digits in groups of four, to be compared by eye."""
    return " ".join(digits[k:k + 4] for k in range(0, len(digits), 4))


def seal_section(proof: Proof, serial: str, beside: Beside) -> Section:
    """Annex: hash and key in full, how to check them, and what they do not show."""
    rows = [(text.L_HASH, clean(proof.record_sha256)), (text.L_KEY, clean(proof.fingerprint, 60)), (text.L_CODE, record_text(serial, proof.record_sha256)),
            (text.L_CHECK, text.CHECK_ANNEX)]
    entries = number(get(beside.register, "entries"))
    if entries is not None:
        rows.append((text.L_REGISTER, text.REGISTER_STATE.format(n=f"{entries:.0f}", head=named(get(beside.register, "head")))))
    return Section("seal", text.H_SEAL, (Facts(tuple(rows)), Bullets(tuple(("", note) for note in text.SEAL_NOTES))))
