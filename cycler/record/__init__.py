"""The record that is handed over: one page of HTML and one PDF from an analysis, its pack and its log."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from cycler.record.content import Beside, Proof

if TYPE_CHECKING:
    from cycler.log import Log
    from cycler.pack import Pack

__all__ = ["Beside", "Proof", "Record", "build_record"]


@dataclass(frozen=True, slots=True)
class Record:
    """A finished record. ``html`` is one self-contained page, ``pdf`` the bytes of an A4 document."""

    html: str
    pdf: bytes


def build_record(analysis: dict[str, Any], pack: Pack, log: Log, *, serial: str, made_at: str | datetime,
                 run_label: str | None = "", workshop: str | None = None, language: str = "en", beside: Beside | None = None,
                 proof: Proof | None = None) -> Record:
    """Lay out the record of one run.

    Pure: reads no clock, no settings and no file but the package's own template and fonts; the same input gives
    the same bytes.

    Parameters
    ----------
    analysis : dict
        The object that ``analyze --json`` prints, ``verdict`` included. A missing or null key prints as not known.
    pack : Pack
        Ratings, used where the analysis holds none.
    log : Log
        The log behind the analysis; the curves are drawn from it.
    serial : str
        Number of the record.
    made_at : str or datetime
        When the record was made, ISO 8601.
    run_label : str, optional
        The workshop's own name for the test.
    workshop : str, optional
        Name of the workshop.
    language : str
        "en" or "de".
    beside : Beside, optional
        Pack card, comparison with an earlier run, items of the regulation, records that this one replaces.
    proof : Proof, optional
        Digest of the content and key that signs it; with it serial, QR code and how to check stand on the front page.

    Returns
    -------
    Record

    Raises
    ------
    InputError
        The language is not known.
    """
    from cycler.record.html import render_html
    from cycler.record.language import speaking
    from cycler.record.model import build_view, with_english_told
    from cycler.record.pdf import render_pdf

    with speaking(language):
        view = with_english_told(build_view(
            analysis, pack, log, serial=serial, made_at=made_at, run_label=run_label or "", workshop=workshop, beside=beside, proof=proof))
        return Record(html=render_html(view), pdf=render_pdf(view))
