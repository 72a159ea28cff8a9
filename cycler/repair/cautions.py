"""What to heed with a pack on the bench, in plain words, each with when it applies.

The thresholds behind them are common practice unless a constant says otherwise; the cell maker's limits, local electrical, fire, waste and
dangerous-goods rules, and licensed practice come first.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

STORED_ENERGY, SHORT_CIRCUIT_PROBES, OPENED_CELLS, DEEP_DISCHARGE = "stored_energy", "short_circuit_probes", "opened_cells", "deep_discharge"
SWOLLEN_OR_HOT, QUARANTINE, TRANSPORT_DAMAGED, OVER_60_V = "swollen_or_hot", "quarantine", "transport_damaged", "over_60_v"

TOUCH_LIMIT_V = 60.0
"""Direct voltage above which parts that can be touched count as hazardous (IEC 60598-1:2008, 8.2.3, read; IEC 62368-1, ES1, from memory). [V]"""

CAUTIONS: dict[str, str] = {
    STORED_ENERGY: (
        "The pack holds its energy with the board dead and the switch off. Take off rings, watch and chains, work with insulated tools on a surface that "
        "neither conducts nor burns, and keep a clear way out."
    ),
    SHORT_CIRCUIT_PROBES: (
        "Balance taps lie close together, and each can give the current of a whole group. Use meter leads with fuses and thin sleeved tips, put one probe "
        "down before you move the other, and check before each reading that the meter is not set to measure current."
    ),
    OPENED_CELLS: (
        "Cells that leak, smell or were opened give off vapour that burns and harms lungs and eyes. Gloves and eye protection, moving air, nothing that "
        "sparks; do not open, solder or press a cell."
    ),
    DEEP_DISCHARGE: (
        "Cells that lay too empty can short inside when they are charged, at once or days later. Do not charge below the limit that the cell maker "
        "gives; where a trial charge is allowed, only with very little current, watched, on a surface that does not burn."
    ),
    SWOLLEN_OR_HOT: (
        "A pack that is swollen, warm without load, hissing or smells can catch fire without further warning. Do not charge, load or open it; bring it outdoors "
        "if that can be done without danger, keep away and call the fire service if it smokes."
    ),
    QUARANTINE: (
        "Set the pack apart from everything that burns, outdoors or in a cabinet made for it, and look at voltage and temperature again: a day at least, "
        "usually three, up to two weeks after a crash or water (common practice). Mark it so that nobody charges it."
    ),
    TRANSPORT_DAMAGED: (
        "A damaged or defective lithium battery is not posted and does not fly; by road it needs the packing and papers of the dangerous-goods rules. Ask the "
        "waste carrier or a dangerous-goods adviser before it leaves the workshop."
    ),
    OVER_60_V: (
        "Full, this pack stands above 60 V d.c.: touching two points can hurt or kill. Work on it belongs to people licensed for it, with gloves and tools "
        "for that voltage, and never alone."
    ),
}
"""Words by code, in the order in which they are shown."""

DEFERENCE = (
    "The cell and pack maker's limits, local electrical, fire, waste and dangerous-goods rules and licensed practice come before anything said here. "
    "Readings that look sound are no proof of safety."
)
"""Stands below the cautions, once."""

DANGEROUS_LOOKS = frozenset({"swollen", "leaking", "smell", "hot", "burnt", "wet"})
"""Items of the look that set a pack apart at once. Common practice, no source."""
_WORDS_OF_LOOK = {
    "swollen": (SWOLLEN_OR_HOT, QUARANTINE, TRANSPORT_DAMAGED), "hot": (SWOLLEN_OR_HOT, QUARANTINE, TRANSPORT_DAMAGED),
    "smell": (OPENED_CELLS, SWOLLEN_OR_HOT, QUARANTINE, TRANSPORT_DAMAGED), "leaking": (OPENED_CELLS, QUARANTINE, TRANSPORT_DAMAGED),
    "burnt": (OPENED_CELLS, QUARANTINE, TRANSPORT_DAMAGED), "wet": (QUARANTINE, TRANSPORT_DAMAGED), "dented": (QUARANTINE, TRANSPORT_DAMAGED),
    "opened_before": (OPENED_CELLS,),
}
_WORDS_OF_LEVEL = {
    "precharge": (DEEP_DISCHARGE,), "no_charge": (DEEP_DISCHARGE, QUARANTINE, TRANSPORT_DAMAGED), "reversed": (DEEP_DISCHARGE, QUARANTINE, TRANSPORT_DAMAGED),
    "over_full": (QUARANTINE,),
}


def caution_list(codes: Iterable[str]) -> list[dict[str, str]]:
    """``[{"code", "words"}]`` of the codes, each once, in the order of :data:`CAUTIONS`."""
    wanted = set(codes)
    return [{"code": code, "words": words} for code, words in CAUTIONS.items() if code in wanted]


def caution_codes(look: Mapping[str, str], levels: Iterable[str], over_60_v: bool) -> set[str]:
    """Codes that apply to a pack on the bench.

    Parameters
    ----------
    look : mapping of str to str
        Items that were looked for, "yes" or "no".
    levels : iterable of str
        Levels of its groups, as :mod:`cycler.repair.taps` gives them.
    over_60_v : bool
        Whether it stands above :data:`TOUCH_LIMIT_V` when full.
    """
    codes = {STORED_ENERGY, SHORT_CIRCUIT_PROBES}
    for item, word in look.items():
        if word == "yes":
            codes.update(_WORDS_OF_LOOK.get(item, ()))
    for level in levels:
        codes.update(_WORDS_OF_LEVEL.get(level, ()))
    if over_60_v:
        codes.add(OVER_60_V)
    return codes


def cautions_of(evaluation: Mapping[str, Any]) -> list[dict[str, str]]:
    """Those that apply to an evaluated sheet (``cycler.bench/1``), from its look, the levels of its groups and its remarks."""
    groups = (evaluation.get("taps") or {}).get("groups") or []
    remarks = {remark.get("code") for remark in evaluation.get("remarks") or []}
    return caution_list(caution_codes(evaluation.get("look") or {}, [group.get("level") for group in groups], "over_60_v" in remarks))
