"""Cells for other work: measured cells graded, and put together to packs whose groups are alike."""

from __future__ import annotations

from cycler.matching.cells import Cell, CellList, cells_from_bytes, load_cells
from cycler.matching.grades import Graded, grade
from cycler.matching.packs import assignment_csv, grades_only, make_packs, not_enough
from cycler.matching.rules import Rules, load_rules, rules_from_text

__all__ = [
    "Cell", "CellList", "Graded", "Rules", "assignment_csv", "cells_from_bytes", "grade", "grades_only", "load_cells", "load_rules", "make_packs",
    "not_enough", "rules_from_text",
]
