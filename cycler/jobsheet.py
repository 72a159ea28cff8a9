"""A job as one page to print and hand over: what was told, measured, concluded, decided, done and tested. No script, nothing loaded.

Nothing of the pack's card is read for it but open dangers, so a customer's reference never stands on it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cycler.chain import utc_now
from cycler.errors import InputError
from cycler.files import file_stem
from cycler.jobbook import CLOSED, DANGER, DECISION, OPTIONS, REOPENED, RUN, Job
from cycler.jobsteps import STEPS, cause_text, standing
from cycler.quantities import capacity_text, figure_text, significant_text
from cycler.repair.cautions import DEFERENCE, caution_list
from cycler.repair.chances import WITHIN_WORDS, chance_text

if TYPE_CHECKING:
    from cycler.register import Register
    from cycler.repair.sheet import BenchSheet

TEMPLATE_FOLDER = Path(__file__).parent / "data" / "record"

SHOWN_SHARE = 0.01
"""Probability from which a cause is shown with what speaks for and against it; those below are only named. [-]"""

STATE_WORDS = {"done": "done", "next": "next", "open": "open", "not_needed": "not needed", "blocked": "held back"}
LEVEL_WORDS = {
    "ok": "", "low": "below its normal end", "precharge": "too low for normal charging", "no_charge": "never to be charged again",
    "reversed": "reversed", "over_full": "above full", "unknown": "not known",
}
LOOK_WORDS = {
    "swollen": "swollen", "leaking": "leaking", "smell": "smells", "hot": "warm or hot", "burnt": "burnt", "wet": "was wet", "dented": "dented",
    "corroded": "corroded", "leads_damaged": "leads damaged", "joint_torn": "joint torn", "opened_before": "opened before",
}
TAPS_FROM_WORDS = {
    "pack_negative": "each tap against pack negative", "pack_positive": "each tap against pack positive", "each_group": "each group by itself",
}
SEVERITY_WORDS = {"danger": "Danger", "defect": "Defect", "caution": "Caution", "info": "Note"}
KIND_WORDS = {
    "fault": "Fault found", "work": "Work done", "part": "Part fitted", "note": "Note", "donor_check": "Donor board compared", "plan": "Test plan",
    "decision": "Decision", CLOSED: "Closed", REOPENED: "Opened again", DANGER: "Danger found", RUN: "Run",
}
RESULT_WORDS = {"pass": "PASS", "fail": "FAIL", "not_proven": "NOT PROVEN"}


def job_page(register: Register, job_id: int) -> tuple[str, bytes]:
    """File name and bytes of a job's page. InputError if there is no such job."""
    content = job_content(register, job_id)
    return f"job-{job_id}-{file_stem(content['pack_id'])}.html", job_html(content).encode("utf-8")


def job_content(register: Register, job_id: int) -> dict[str, Any]:
    """All that stands on the page, figures as text with their units; for :func:`job_html`.

    Raises
    ------
    InputError
        No such job, or the register is damaged.
    """
    from cycler import __distribution__, __version__

    job, stands = register.jobs.job(job_id), standing(register, job_id)
    kept = job.sheets[-1] if job.sheets else None
    evaluation: Mapping[str, Any] = kept.evaluation if kept else {}
    sheet = _parsed(kept.text) if kept else None
    taps, causes = evaluation.get("taps") or {}, evaluation.get("causes") or ()
    codes = {item["code"] for item in (*(evaluation.get("cautions") or ()), *stands["cautions"])}
    seq, digest = register.chain_head()
    return {
        "id": job.id, "pack_id": job.pack_id, "words": job.words, "opened_at": day(job.opened_at), "opened_by": job.opened_by,
        "state": stands["state"], "next": stands["next"]["words"], "made_at": utc_now(), "software": f"{__distribution__} {__version__}",
        "steps": [
            {"title": STEPS[step["code"]], "state": STATE_WORDS[step["state"]], "mark": step["state"], "words": step["words"], "at": day(step["at"])}
            for step in stands["steps"]
        ],
        "dangers": [
            {"message": item["message"], "by": ", ".join(filter(None, (item["who"], day(item["at"])))), "entry": item["entry"], "run": item["run"]}
            for item in stands["dangers"]
        ],
        "pack": pack_facts(evaluation.get("pack") or {}), "told": _told(evaluation), "look": _look(evaluation.get("look") or {}),
        "kept": {"id": kept.id, "who": kept.who, "at": day(kept.at), "earlier": len(job.sheets) - 1} if kept else None,
        "readings": reading_rows(sheet) if sheet else [], "groups": [_group_row(row) for row in taps.get("groups") or ()],
        "sums": _sums(taps), "probes": [_probe_row(row) for row in evaluation.get("probes") or ()],
        "remarks": [
            {"severity": SEVERITY_WORDS.get(item.get("severity"), ""), "message": item.get("message"), "evidence": _evidence(item.get("evidence"))}
            for item in evaluation.get("remarks") or () if item.get("severity") != "info"
        ],
        "causes": [_cause(row) for row in causes if _likely(row)], "unlikely": "; ".join(str(row.get("title")) for row in causes if not _likely(row)),
        "ruled_out": [_ruled_out(row) for row in evaluation.get("ruled_out") or ()],
        "bases": [f"{words}. {WITHIN_WORDS}".rstrip(".") for words in _unique(str(row.get("basis") or "").rstrip(".") for row in causes)], "ahead": _ahead(job, evaluation), "missing": [
            {key: _sentence(item.get(key), capital=key != "what") for key in ("what", "why", "how")} for item in evaluation.get("missing") or ()
        ],
        "decisions": [_decision(item) for item in job.entries if item.kind == DECISION],
        "thread": [
            {"kind": KIND_WORDS[item.kind], "text": _entry_text(item), "who": item.who, "at": day((item.data or {}).get("done_on") or item.at)}
            for item in job.entries if item.kind not in (DECISION, RUN, DANGER)
        ],
        "runs": [_run(row) for row in stands["runs"]], "cautions": [item["words"] for item in caution_list(codes)], "deference": DEFERENCE,
        "sheets": [{"id": item.id, "who": item.who, "at": item.at, "sha256": item.sha256} for item in job.sheets],
        "head": f"{seq}:{digest}",
    }


def job_html(content: Mapping[str, Any]) -> str:
    """The content of :func:`job_content` as a page: style inside, no script, every text escaped."""
    return _template().render(job=content)


@cache
def _template() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATE_FOLDER), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )
    return environment.get_template("job.html")


# --- parts of the page -------------------------------------------------------------------------------------------


def day(stamp: str | None) -> str:
    """"2026-03-12" of a time; empty for none."""
    return str(stamp or "")[:10]


def pack_facts(pack: Mapping[str, Any]) -> list[str]:
    """What is known of a pack, in a few words: "10S 4P", "nmc", "10.4 Ah"."""
    parts = []
    if pack.get("series"):
        parts.append(f"{pack['series']}S" + (f" {pack['parallel']}P" if pack.get("parallel") else ""))
    if pack.get("chemistry"):
        parts.append(str(pack["chemistry"]).upper())
    for key, unit in (("rated_capacity_ah", "Ah"), ("rated_energy_wh", "Wh")):
        if pack.get(key) is not None:
            parts.append(f"{significant_text(float(pack[key]), 5)} {unit}")
    if pack.get("charge_voltage_v") is not None:
        parts.append(f"charged to {significant_text(float(pack['charge_voltage_v']), 5)} V")
    return parts


def reading_rows(sheet: BenchSheet) -> list[tuple[str, str]]:
    """The readings of the whole pack: (name, figure with expanded uncertainty of the meter, k = 2)."""
    from cycler.uncertainty import rectangular, voltage_reading_u

    meter = sheet.meter
    rows = [
        (name, figure_text(value, voltage_reading_u(meter.voltage, value, 0.0, True), "V"))
        for name, value in (
            ("At the discharge contacts", sheet.terminal_v), ("At the charge contacts", sheet.charge_contact_v),
            ("Across all groups, before the board", sheet.cells_v), ("Charger alone", sheet.charger_v),
        ) if value is not None
    ]
    if sheet.board_current_a is not None:
        u_a = math.hypot(rectangular(meter.current_gain * abs(sheet.board_current_a)), rectangular(meter.current_offset_a))
        rows.append(("The board draws", figure_text(1e3 * sheet.board_current_a, 1e3 * u_a, "mA")))
    rows += [
        (name, f"{significant_text(value, 4)} {unit}")
        for name, value, unit in (
            ("Without current before", sheet.rested_h, "h"), ("Known to have lain so low for", sheet.days_low, "days"), ("Ambient", sheet.ambient_c, "°C"),
        ) if value is not None
    ]
    if sheet.taps_v and sheet.taps_from:
        rows.append(("Taps were read", TAPS_FROM_WORDS[sheet.taps_from]))
    rows.append(("Meter", meter.name or "not named"))
    assumed = [name for name in meter.defaulted if name in ("voltage", "resistance", "current")]
    if assumed:
        rows.append(("Its limits of error", f"assumed for {', '.join(assumed)}: the sheet states none"))
    return rows


def _parsed(text: str) -> BenchSheet | None:
    """The sheet as it was kept; None where this program's checks would not take it any more."""
    from cycler.repair.sheet import sheet_from_text

    try:
        return sheet_from_text(text, "bench sheet")
    except InputError:
        return None


def _told(evaluation: Mapping[str, Any]) -> list[tuple[str, str]]:
    rows = [("Complaint", evaluation.get("complaint")), ("Lamps", evaluation.get("lamps")), ("Remark", evaluation.get("remark"))]
    taken = ", ".join(str(part) for part in (evaluation.get("taken_by"), evaluation.get("taken_at")) if part)
    return [(name, str(value)) for name, value in (*rows, ("Readings by", taken)) if value]


def _look(look: Mapping[str, str]) -> dict[str, str]:
    return {
        word: ", ".join(LOOK_WORDS.get(item, item) for item, said in look.items() if said == word) for word in ("yes", "no")
    } | {"open": ", ".join(words for item, words in LOOK_WORDS.items() if item not in look)}


def _group_row(row: Mapping[str, Any]) -> dict[str, str]:
    low, high, share = row.get("low_state_of_charge"), row.get("high_state_of_charge"), ""
    if low is not None and high is not None:
        share = f"{100 * low:.0f} to {100 * high:.0f} %"
    elif row.get("state_of_charge") is not None:
        share = figure_text(row["state_of_charge"], row.get("u_state_of_charge"), "share")
    volts = "not measured"
    if row.get("voltage_v") is not None:
        volts = figure_text(row["voltage_v"], row.get("u_voltage_v"), "V")
    elif row.get("apparent_v") is not None:
        volts = f"in doubt, reads {row['apparent_v']:.3f} V"
    elif "string_open" in (row.get("findings") or ()):
        volts = "in doubt, beyond an open string"
    return {"group": str(row.get("group")), "voltage": volts, "charge": share, "level": LEVEL_WORDS.get(str(row.get("level")), str(row.get("level") or ""))}


def _sums(taps: Mapping[str, Any]) -> list[tuple[str, str]]:
    rows = []
    if taps.get("sum_v") is not None:
        part = " (a part: groups are missing)" if taps.get("sum_is_part") else ""
        rows.append(("Sum of the groups", figure_text(taps["sum_v"], taps.get("u_sum_v"), "V") + part))
    if taps.get("difference_v") is not None:
        against = {"cells_v": "the reading across all groups", "terminal_v": "the discharge contacts"}.get(str(taps.get("compared_with")), "the pack's voltage")
        rows.append((f"Sum less {against}", figure_text(taps["difference_v"], taps.get("u_difference_v"), "V")))
    if taps.get("spread_v") is not None:
        rows.append(("Spread of the groups", figure_text(1e3 * taps["spread_v"], 1e3 * taps["u_spread_v"] if taps.get("u_spread_v") else None, "mV")))
    if taps.get("expected_taps") and taps.get("found_taps") not in (None, taps["expected_taps"]):
        rows.append(("Taps", f"{taps['found_taps']} read, {taps['expected_taps']} expected"))
    return rows


def _probe_row(row: Mapping[str, Any]) -> dict[str, str]:
    ohm = row.get("ohm")
    if ohm is None:
        reading = "open" if "probe_open" in (row.get("findings") or ()) else "not read"
    else:
        reading = f"{significant_text(ohm / 1e3, 4)} kΩ" if ohm >= 1e3 else f"{significant_text(ohm, 4)} Ω"
    believes = row.get("board_believes_c")
    return {
        "name": str(row.get("name") or ""), "place": str(row.get("place") or ""), "reading": reading,
        "temperature": figure_text(row.get("temperature_c"), row.get("u_temperature_c"), "degC"),
        "type": str(row.get("type") or "not known") + {"matched": ", by its reading", "stated": ""}.get(str(row.get("type_from")), ""),
        "board": f"{believes:.0f} °C" if isinstance(believes, (int, float)) else str(believes or ""),
    }


def _sentence(words: Any, capital: bool = True) -> str:
    said = " ".join(str(words or "").split()).rstrip(".")
    return f"{said[:1].upper() if capital else said[:1]}{said[1:]}." if said else ""


def _evidence(evidence: Any) -> str:
    if isinstance(evidence, str):
        return evidence
    return "; ".join(map(str, evidence)) if isinstance(evidence, (list, tuple)) else ""


def _likely(row: Mapping[str, Any]) -> bool:
    share = row.get("probability")
    return share is None or float(share) >= SHOWN_SHARE


def _cause(row: Mapping[str, Any]) -> dict[str, Any]:
    share, title = row.get("probability"), str(row.get("title") or row.get("code"))
    return {
        "title": title[:1].upper() + title[1:], "share": chance_text(row) if share is not None else "",
        "words": row.get("words") or "",
        "for": [str(item.get("words")) for item in row.get("for") or ()], "against": [str(item.get("words")) for item in row.get("against") or ()],
    }


def _ruled_out(row: Mapping[str, Any]) -> dict[str, Any]:
    return {"title": row.get("title") or row.get("code"), "by": [str(item.get("words")) for item in row.get("by") or ()]}


def _ahead(job: Job, evaluation: Mapping[str, Any]) -> str:
    """The next measurement, as long as nothing is decided."""
    steps = evaluation.get("next") or ()
    return str(steps[0].get("words") or "") if steps and not any(item.kind == DECISION for item in job.entries) else ""


def _decision(item: Any) -> dict[str, Any]:
    data = item.data or {}
    turning = data.get("turning")
    return {
        "title": data.get("title") or OPTIONS.get(str(data.get("option")), str(data.get("option"))), "why": item.text, "who": item.who, "at": day(item.at),
        "turning": str(turning.get("words") or "") if isinstance(turning, Mapping) else str(turning or ""),
    }


def _entry_text(item: Any) -> str:
    """Text of an entry; of a donor check and a plan what their result says, too."""
    words = str((item.data or {}).get("words") or (item.data or {}).get("title") or "") if item.kind in ("donor_check", "plan") else ""
    return ". ".join(_unique((item.text.rstrip("."), words.rstrip(".")))) + ("." if item.text or words else "")


def _unique(texts: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(text for text in texts if text))


def _run(row: Mapping[str, Any]) -> dict[str, Any]:
    verdict = RESULT_WORDS.get(row["verdict"], "not judged") + (f" by {row['criteria_name']}" if row["verdict"] and row["criteria_name"] else "")
    return {
        "id": row["id"], "label": row["label"], "at": day(row["started_at"] or row["added_at"]), "withdrawn": row["withdrawn"], "verdict": verdict,
        "capacity": capacity_text(row), "serials": ", ".join(row["serials"]), "lapsed": row["record_lapsed"],
    }


__all__ = ["cause_text", "job_content", "job_html", "job_page", "pack_facts", "reading_rows"]
