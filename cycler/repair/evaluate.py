"""A bench sheet to everything it says: groups, thermistors, remarks, causes, what to measure next, and what to heed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from cycler import __distribution__, __version__
from cycler.quantities import significant_text
from cycler.repair.causes import doubts, explain
from cycler.repair.cautions import DANGEROUS_LOOKS, TOUCH_LIMIT_V, caution_codes, caution_list
from cycler.repair.levels import GRAVE, Levels, full_pack_v
from cycler.repair.probes import evaluate_probes
from cycler.repair.questions import REFUSE, questions
from cycler.repair.remarks import CAUTION, DANGER, DEFECT, INFO, SEVERITIES, Remark
from cycler.repair.sheet import LOOK_ITEMS, BenchSheet
from cycler.repair.taps import group_table

SCHEMA = "cycler.bench/1"
BOARD_MUCH_A = 0.001
"""A board at rest draws less; with more a stored pack is empty in months. Common practice, no source. [A]"""
DEAD_SHARE = 0.5
"""Share of the cells' voltage below which contacts count as dead. Common practice, no source."""
DROP_V, DROP_SHARE = 0.5, 0.02
"""What board, fuse and contacts may take without load: the larger of the two. Common practice, no source."""
_HOURS_A_MONTH = 720.0

LOOK_WORDS: dict[str, tuple[str, str]] = {
    "swollen": (DANGER, "A cell or the pack is swollen: gas has formed in it. It is not charged, loaded or opened any more."),
    "leaking": (DANGER, "A cell leaks: it is not charged again."),
    "smell": (DANGER, "It smells of solvent or of burning: a cell has opened or something was overheated. Look no further before it lay outdoors."),
    "hot": (DANGER, "It is warm without load: something inside carries current. Keep away from it and watch it from a distance."),
    "burnt": (DANGER, "There are marks of burning. What was burnt, cells beside it too, is not charged again before someone competent has judged it."),
    "wet": (DANGER, "Water was in it: leaks, corrosion and fire follow days later. It stands apart, outdoors, and is not charged again."),
    "dented": (DEFECT, "The case is dented: a cell inside may be, too. A dented cell is not used again."),
    "corroded": (DEFECT, "There is corrosion: joints and leads lie before cells as the cause."),
    "leads_damaged": (DEFECT, "A lead is damaged: find out what it touched."),
    "joint_torn": (DEFECT, "A joint is torn: the group beyond it may look dead or weak and be sound."),
    "opened_before": (INFO, "Somebody had it open before: cells, board and settings may not be those of the maker."),
}
"""Severity and words of each item of the look that is "yes"."""


def evaluate_sheet(sheet: BenchSheet, levels: Mapping[str, Levels] | None = None) -> dict[str, Any]:
    """Everything that a sheet, whole or half filled, says.

    Parameters
    ----------
    sheet : BenchSheet
    levels : mapping of chemistry to Levels, optional
        Voltages below which groups are not charged again, instead of :data:`cycler.repair.levels.LEVELS`.

    Returns
    -------
    dict
        ``cycler.bench/1``: plain values, no NaN, unknown is None. Voltages in V, ``u_...`` standard uncertainties (k = 1), groups from 1 at pack negative.
    """
    table = group_table(sheet, levels)
    probes, probe_remarks = evaluate_probes(sheet)
    own = [*_look(sheet), *table.remarks, *_contacts(sheet, table.figures), *_board(sheet), *_over_60(sheet, table.figures)]
    remarks = [*(remark.to_dict() for remark in own), *probe_remarks]
    remarks += doubts(sheet, table.figures, probes, remarks)
    remarks.sort(key=lambda remark: -SEVERITIES.index(remark["severity"]))
    causes, ruled_out, following = explain(sheet, table.figures, probes, remarks)
    pack = {key: value for key, value in sheet.pack.to_dict().items() if key not in ("instrument", "inferred")}
    codes = caution_codes(sheet.look, [group["level"] for group in table.figures["groups"]], any(remark["code"] == "over_60_v" for remark in remarks))
    return _plain({
        "schema": SCHEMA, "software": {"name": __distribution__, "version": __version__}, "pack": pack, "complaint": sheet.complaint, "lamps": sheet.lamps,
        "look": dict(sheet.look), "not_looked_for": [item for item in LOOK_ITEMS if item not in sheet.look], "remark": sheet.remark,
        "taken_at": sheet.taken_at, "taken_by": sheet.taken_by, "meter": {"name": sheet.meter.name, "stated": dict(sheet.meter.stated), "defaulted": list(sheet.meter.defaulted)},
        "readings": {
            "rested_h": sheet.rested_h, "days_low": sheet.days_low, "ambient_c": sheet.ambient_c, "cells_v": sheet.cells_v, "terminal_v": sheet.terminal_v,
            "charge_contact_v": sheet.charge_contact_v, "charger_v": sheet.charger_v, "board_current_a": sheet.board_current_a,
        },
        "observed": dict(sheet.observed), "unread": [list(pair) for pair in sheet.unread], "taps": table.figures, "probes": probes, "remarks": remarks, "causes": causes,
        "ruled_out": ruled_out, "next": following, "missing": [*table.missing, *_missing(sheet)], "cautions": caution_list(codes),
    })


def _plain(value: Any) -> Any:
    """The same without NaN, infinities, tuples and numbers of other libraries: what JSON can hold."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    return value


def _look(sheet: BenchSheet) -> list[Remark]:
    return [Remark(f"look_{item}", *LOOK_WORDS[item], evidence="seen") for item in LOOK_ITEMS if sheet.look.get(item) == "yes"]


def _contacts(sheet: BenchSheet, taps: Mapping[str, Any]) -> list[Remark]:
    """Discharge and charge contacts against the cells behind them."""
    if sheet.cells_v is not None:
        cells, whence = abs(sheet.cells_v), "across the cells"
    elif taps["sum_v"] is not None and not taps["sum_is_part"]:
        cells, whence = taps["sum_v"], "all groups together"
    else:
        return []
    found: list[Remark] = []
    if cells < 1.0:
        return found
    evidence = f"{whence} {cells:.2f} V"
    if sheet.terminal_v is not None:
        terminal = abs(sheet.terminal_v)
        if terminal < DEAD_SHARE * cells:
            sound = bool(taps["groups"]) and all(group["level"] == "ok" for group in taps["groups"])
            found.append(Remark(
                "terminal_dead", DEFECT,
                ("The contacts are dead while all groups are sound" if sound else "The contacts are dead while the cells have voltage")
                + ": between them the board, a fuse or a joint is open. A board opens on purpose too: after a short circuit, at a low group or a sensor out of its window.",
                f"contacts {terminal:.2f} V, {evidence}",
            ))
        elif cells - terminal > max(DROP_V, DROP_SHARE * cells):
            found.append(Remark(
                "terminal_low", CAUTION, "The contacts have less than the cells: an open switch of the board that leaks a little shows so on a meter, or a joint of high resistance. Put a small lamp across the contacts and look whether the "
                "voltage stays.", f"contacts {terminal:.2f} V, {evidence}",
            ))
    if sheet.charge_contact_v is not None and abs(sheet.charge_contact_v) < DEAD_SHARE * cells:
        found.append(Remark(
            "charge_contact_dead", INFO, "The charge contacts show no voltage. Many boards block there and it is as it should be; others show the cells. Compare with a sound pack of the kind.",
            f"charge contacts {abs(sheet.charge_contact_v):.2f} V, {evidence}",
        ))
    return found


def _board(sheet: BenchSheet) -> list[Remark]:
    current = sheet.board_current_a
    if current is None or abs(current) <= BOARD_MUCH_A:
        return []
    month = abs(current) * _HOURS_A_MONTH
    rated = sheet.pack.rated_capacity_ah
    share = f", {100.0 * month / rated:.0f} % of the rated capacity" if rated else ""
    return [Remark(
        "board_draws_much", DEFECT, f"The board draws more at rest than boards do (up to {1000.0 * BOARD_MUCH_A:g} mA, common practice): it takes {month:.1f} Ah a month{share}. It did not go to sleep, or a part of it leaks.",
        f"{significant_text(1000.0 * abs(current), 3)} mA",
    )]


def _over_60(sheet: BenchSheet, taps: Mapping[str, Any]) -> list[Remark]:
    full = full_pack_v(sheet.pack)
    measured = max([abs(value) for value in (sheet.cells_v, sheet.terminal_v, taps["sum_v"]) if value is not None], default=0.0)
    if max(full or 0.0, measured) <= TOUCH_LIMIT_V:
        return []
    evidence = f"{full:.1f} V when full" if full and full > TOUCH_LIMIT_V else f"{measured:.1f} V measured"
    return [Remark(
        "over_60_v", CAUTION, f"The pack stands above {TOUCH_LIMIT_V:g} V d.c.: touching it can injure. Only people licensed for it work on it.", evidence,
    )]


def _missing(sheet: BenchSheet) -> list[dict[str, str]]:
    """Figures that the sheet cannot support, each with what to measure."""
    found = [
        {"what": item.key, "why": item.words, "how": "correct the entry"} for item in (questions(sheet) if sheet.unread else ()) if item.severity == REFUSE
    ]
    if sheet.pack.chemistry is None:
        found.append({
            "what": "levels and state of charge of the groups", "why": "the chemistry is not stated", "how": "look on the label or the cells; a full lithium pack has 4.2 V a group, one of iron phosphate 3.65 V",
        })
    if sheet.rested_h is None and any(tap is not None for tap in sheet.taps_v):
        found.append({"what": "state of charge to better than a rough interval", "why": "how long the pack rested is not stated", "how": "let it rest an hour and read the taps again, or state rested_h"})
    if sheet.cells_v is None:
        found.append({"what": "whether the groups are the whole pack", "why": "the voltage across all cells, before the board, was not measured", "how": "measure it between the first and the last joint and enter cells_v"})
    if sheet.probes and sheet.ambient_c is None and any(probe.temperature_c is None for probe in sheet.probes):
        found.append({"what": "whether the thermistors read right", "why": "the temperature of the room is not stated", "how": "enter ambient_c"})
    unseen = [item for item in LOOK_ITEMS if item in DANGEROUS_LOOKS and item not in sheet.look]
    if unseen:
        found.append({"what": "whether it is safe to go on by its look", "why": f"not looked for: {', '.join(unseen)}", "how": "look and smell before anything else, and enter yes or no"})
    return found


def has_grave_group(evaluation: Mapping[str, Any]) -> bool:
    """Whether a group of an evaluated sheet must never be charged again."""
    return any(group["level"] in GRAVE for group in evaluation["taps"]["groups"])
