"""A sealed record to check and to tamper with: page, PDF and JSON of one invented pack, with an earlier run and a card.

The pack is that of ``tests/small_log.py``; its log lies in two files, and the earlier test stopped early. The keys are
those of fixed seeds, so that nothing here differs from day to day.
"""

from __future__ import annotations

import functools
import hashlib
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cycler.analysis import analyze
from cycler.compare import compare
from cycler.criteria import load_criteria
from cycler.pack import load_pack
from cycler.proof.carrier import html_with_seal, pdf_with_seal
from cycler.proof.keys import SigningKey, key_from_seed
from cycler.proof.recompute import verdict_again
from cycler.proof.seal import envelope_bytes, seal_content
from cycler.readers import read_logs_bytes
from cycler.record import Beside, Proof, build_record
from cycler.record.content import build_content
from tests import small_log

KEY = key_from_seed(bytes(range(32)))
STRANGER = key_from_seed(bytes(range(1, 33)))
DECIDED = {"by": "Ada Pohl", "remark": "Straps pulled by hand, none gave way."}
CARD = {
    "workshop_number": "W-17", "status": "re-used",
    "entries": [{"kind": "work", "text": "Cleaned the connector.", "who": "Ada", "at": "2026-02-27T09:00:00Z"}], "photos": [],
}


@dataclass(frozen=True)
class Made:
    """A record in its three forms, and the logs it was made from."""

    content: dict[str, Any]
    envelope: dict[str, Any]
    json: bytes
    html: bytes
    pdf: bytes
    logs: tuple[tuple[str, bytes], ...]
    before_logs: tuple[tuple[str, bytes], ...]

    @property
    def all_logs(self) -> list[tuple[str, bytes]]:
        return [*self.before_logs, *self.logs]


def parts(text: str) -> tuple[tuple[str, bytes], ...]:
    """One log as the two files of a bench that began a new one during the rest."""
    head, *rows = text.splitlines(keepends=True)
    rows = rows[::5]  # a sample every 5 s: enough for figures, and quick
    half = len(rows) // 2
    return (("part-1.csv", (head + "".join(rows[:half])).encode()), ("part-2.csv", (head + "".join(rows[half:])).encode()))


def sources(logs: tuple[tuple[str, bytes], ...]) -> list[dict[str, Any]]:
    return [{"file": name, "sha256": hashlib.sha256(raw).hexdigest(), "bytes": len(raw)} for name, raw in logs]


@functools.cache
def pack():
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "pack.toml"
        file.write_text(small_log.PACK_TOML)
        return load_pack(file)


@functools.cache
def analysed(stop_at_v: float = small_log.CUTOFF_V):
    """Logs, Log and analysis of the invented test."""
    logs = parts(small_log.log_text(stop_at_v))
    log = read_logs_bytes(list(logs))
    return logs, log, analyze(log, pack(), load_criteria()).to_dict()


@functools.cache
def content(serial: str = "2026-0002-1", stop_at_v: float = small_log.CUTOFF_V, dangers: bool = False) -> dict[str, Any]:
    """The content of a record of that pack, compared with the test that stopped early. Not to be changed: copy it."""
    logs, _log, analysis = analysed(stop_at_v)
    before_logs, _log, earlier = analysed(11.0)
    before = {
        "name": "T-3, first test", "run_label": "first test", "started_at": None, "pack": pack().to_dict(), "columns": None,
        "sources": sources(before_logs), "analysis": earlier,
    }
    card = CARD
    if dangers:
        card = CARD | {"entries": [*CARD["entries"], {"kind": "danger", "text": "Smells of solvent", "who": "Ada", "at": "2026-02-27T09:05:00Z"}]}
    criteria = load_criteria()
    figures = {key: value for key, value in analysis.items() if key != "verdict"}
    earlier_figures = {key: value for key, value in earlier.items() if key != "verdict"}
    return build_content(
        analysis=figures, pack=pack(), criteria=criteria, serial=serial, made_at="2026-03-01T10:00:00Z",
        verdict=verdict_again(figures, {"card": card}, criteria, earlier_figures) | {"decided": DECIDED},
        run_label="after repair", workshop="Quayside Pack Repair", sources=sources(logs), before=before,
        compared=compare([earlier, analysis], ["T-3, first test", "T-3, after repair"]), card=card, register={"entries": 7, "head": "0" * 64},
    )


@functools.cache
def made(serial: str = "2026-0002-1", stop_at_v: float = small_log.CUTOFF_V, key: SigningKey = KEY) -> Made:
    """The record as it is issued."""
    logs, log, analysis = analysed(stop_at_v)
    of = content(serial, stop_at_v)
    envelope = seal_content(of, key)
    page = build_record(
        analysis | {"verdict": of["verdict"]}, pack(), log, serial=serial, made_at=of["made_at"], run_label=of["run_label"],
        workshop=of["workshop"], beside=Beside.of(of), proof=Proof(envelope["seal"]["record_sha256"], key.fingerprint),
    )
    return Made(
        of, envelope, envelope_bytes(envelope), html_with_seal(page.html, envelope, key).encode(), pdf_with_seal(page.pdf, envelope, key),
        logs, analysed(11.0)[0],
    )
