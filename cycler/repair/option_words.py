"""Words of the options: titles, what each needs, what the figures are called, cautions."""

from __future__ import annotations

TITLES: dict[str, str] = {
    "repair_board": "Another protection board",
    "repair_group": "Replace the cells of one group",
    "repair_lead": "Mend a lead, joint or sensor",
    "rebalance": "Bring the groups to one level",
    "harvest": "Take cells out for other work",
    "scrap": "Scrap",
}

NEEDS: dict[str, tuple[str, ...]] = {
    "repair_board": (
        "A board for the same number of groups, the same chemistry and at least the same current, its plug held against the old one pin by pin before it is put in.",
        "The test of the pack afterwards, with the limits of the board tried out as its maker says.",
    ),
    "repair_group": (
        "New or measured cells of the same type for the whole group, alike in capacity (within about 5 %) and resistance (within about 10 to 15 %) to those that stay "
        "(common practice, no source).",
        "Welding of strips, insulation and fuses as they were, by someone trained for it.",
        "A look at the rules: a pack with other cells in it is a changed design. Its transport test summary and its approval may not cover it any more; ask the maker or an expert.",
        "The test of the pack afterwards, groups measured each by itself.",
    ),
    "repair_lead": (
        "The lead, joint, contact or thermistor that is at fault, found by a reading at the cell and one at the plug.",
        "The test of the pack afterwards.",
    ),
    "rebalance": (
        "A charger or load for single groups that keeps the cell maker's limits, somebody beside it, and a rest of days after it: a group that falls behind again leaks.",
        "The test of the pack afterwards.",
    ),
    "harvest": (
        "A place and tools for opening the pack without shorting cells, by someone trained for it.",
        "Capacity, resistance and a rest of days of every cell, and its origin noted on it.",
        "A waste collector for what is not used.",
    ),
    "scrap": (
        "A place of quarantine, outdoors or in a fire-resistant cabinet, with voltage and temperature looked at.",
        "Packing and papers by the dangerous-goods rules that hold for damaged or waste cells; a waste collector who takes them.",
    ),
}

QUANTITIES: dict[str, str] = {
    "hour_cost": "the cost of an hour",
    "pack.value_per_wh": "what a mended pack brings for each Wh",
    "pack.value": "what the mended pack brings",
    "repair_board.hours": "the time for another board",
    "repair_board.parts_cost": "the cost of the board",
    "repair_board.passes_percent": "the share of packs that pass after another board",
    "repair_group.hours": "the time for a replaced group",
    "repair_group.parts_cost_per_cell": "the cost of one new cell",
    "repair_group.passes_percent": "the share of packs that pass with a replaced group",
    "repair_lead.hours": "the time for a lead, joint or sensor",
    "repair_lead.parts_cost": "the cost of a lead, joint or sensor",
    "repair_lead.passes_percent": "the share of packs that pass after a lead, joint or sensor",
    "rebalance.hours": "the time for levelling the groups",
    "rebalance.parts_cost": "the cost of levelling the groups",
    "rebalance.passes_percent": "the share of packs that pass after levelling the groups",
    "harvest.hours": "the time for opening the pack",
    "harvest.minutes_per_cell": "the time for each cell",
    "harvest.cell_value": "the worth of one sound cell",
    "harvest.usable_percent": "the share of cells that are usable",
    "scrap.hours": "the time for scrapping",
    "scrap.fee": "the fee for scrapping",
    # of the pack
    "rated_energy_wh": "the rated energy of the pack (or capacity, series and chemistry)",
    "parallel": "the number of cells in parallel",
    "series": "the number of groups",
    "currency": "the currency",
}
"""What a figure is called within a sentence."""

OWN_CAUTIONS: dict[str, str] = {
    "changed_design": "A pack rebuilt with other cells is a changed design. Whether it may be sent, sold or used is for its maker, an expert and the local rules to say.",
    "first_charge": "The first charge after any work is small (0.1 to 0.2 It at most; common practice), watched, on a surface that does not burn, and stopped if a group runs away or warms.",
}
"""Beside those of :mod:`cycler.repair.cautions`."""
