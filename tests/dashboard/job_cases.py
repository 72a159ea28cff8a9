"""Invented jobs for the tests of their pages: a dead group, a job without a sheet, one that was given up, one that was closed."""

from __future__ import annotations

import tomllib

from .conftest import SAMPLES

PACK, WHO = "CB-2207", "A. Bell"
SHEET = '[told]\ncomplaint = "does not switch on"\n'
DEAD, VOLTS, U_VOLTS = 5, 1.204, 0.0061
PROBABILITY = 0.934


def groups(dead=DEAD, series=13):
    return [
        {"group": n, "voltage_v": VOLTS if n == dead else 3.65 + 0.003 * n, "u_voltage_v": U_VOLTS, "level": "no_charge" if n == dead else "ok", "findings": []}
        for n in range(1, series + 1)
    ]


def evaluation(pack_id=PACK, **changes):
    """What a bench sheet of an invented pack with a dead group says (``cycler.bench/1``, the parts that the page shows)."""
    message = f"Group {DEAD} stands at 1.204 ± 0.012 V, below the level under which a cell is never charged again."
    usual = {
        "schema": "cycler.bench/1", "pack": {"id": pack_id}, "taps": {"groups": groups()},
        "remarks": [
            {"code": "spread_wide", "severity": "caution", "group": None, "message": "The groups lie 2.485 V apart.", "evidence": ""},
            {"code": "group_no_charge", "severity": "danger", "group": DEAD, "message": message, "evidence": ""},
            {"code": "note", "severity": "info", "group": None, "message": "The lamps were not looked at.", "evidence": ""},
        ],
        "causes": [
            {"code": "group_dead", "title": "A group is dead", "part": "cells", "group": DEAD, "probability": PROBABILITY, "words": "It lies far below its siblings.",
             "for": [{"reading": "taps.5", "words": "group 5 reads 1.204 V, its siblings 3.67 V", "factor": 30.0}],
             "against": [{"reading": "look", "words": "nothing swollen was seen", "factor": 0.7}]},
            {"code": "sense_lead_open", "title": "Sense lead of tap 5 broken", "part": "wiring", "group": 5, "probability": 0.05, "words": "", "for": [], "against": []},
        ],
        "ruled_out": [{"code": "fuse_open", "title": "Fuse open", "group": None, "by": []}],
        "next": [{"key": "group_direct_v_5", "words": "Measure group 5 at its own tabs"}], "missing": [], "cautions": [],
    }
    return usual | changes


def begin(register, pack_id=PACK, *, words="Does not switch on after the winter", sheet=True, **changes):
    """Open a job with a kept sheet; returns its number."""
    number = register.jobs.open_job(pack_id, words, who=WHO)
    if sheet:
        register.jobs.keep_sheet(number, SHEET, evaluation(pack_id, **changes), who=WHO)
    return number


def begin_sample(register, name="dead-group"):
    """Open a job on the pack of an invented sample sheet and keep that; returns its number."""
    from cycler.jobsteps import keep_sheet_text

    text = (SAMPLES / "jobs" / f"{name}.toml").read_text("utf-8")
    number = register.jobs.open_job(tomllib.loads(text)["pack"]["id"], "Runs two minutes, then cuts out", who=WHO)
    keep_sheet_text(register, number, text, name, who=WHO)
    return number


def job(**changes):
    """A job as the page is handed it (``cycler.job/1`` with its evaluation)."""
    states = ("done", "done", "next", "open", "open", "open", "open", "open")
    codes = ("sheet", "cause", "decision", "work", "test", "verdict", "record", "closed")
    usual = {
        "schema": "cycler.job/1", "id": 7, "pack_id": PACK, "words": "Does not switch on", "opened_at": "2026-03-10T08:00:00Z", "opened_by": WHO, "state": "open",
        "next": {"words": "Decide what becomes of it.", "link_kind": "options", "id": None},
        "steps": [
            {"code": code, "title": code.capitalize(), "state": state, "words": f"about {code}", "at": "2026-03-10T09:00:00Z" if state == "done" else None,
             "links": [{"kind": "options", "id": None, "words": "Options"}] if code == "decision" else []}
            for code, state in zip(codes, states, strict=True)
        ],
        "sheets": [{"id": 3, "sha256": "0" * 64, "who": WHO, "at": "2026-03-10T09:00:00Z", "cause": "A group is dead", "probability": PROBABILITY, "remarks": {}}],
        "entries": [], "runs": [], "dangers": [], "cautions": [], "evaluation": evaluation(),
    }
    return usual | changes


def entry(number, kind, text="", data=None, who=WHO, card=None):
    return {"id": number, "kind": kind, "text": text, "data": data, "card_entry_id": card, "run_id": None, "who": who, "at": "2026-03-11T10:00:00Z"}
