"""Sentences of the page: where the aids of the bench are found."""

from __future__ import annotations

TITLE = "At the bench"
LEAD = "Before a test and around it."
ENTRIES = (
    ("/bench/plan", "Test plan", "Pack, instruments and criteria give the steps of one test: currents, limits, when to stop, how to log, how long it takes. Prints as a card for the bench."),
    ("/bench/donor", "Donor board", "Measured potentials of two connectors, pin by pin: what agrees, and what would be connected to the wrong potential."),
    ("/bench/cells", "Cells for other work", "A list of measured cells gives grades with reasons, and packs whose groups match best."),
)
JOBS_WORDS = "What comes in with a complaint begins as a job, with a bench sheet."
JOBS_LINK = "Jobs"
