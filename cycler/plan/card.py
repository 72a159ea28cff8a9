"""The bench card: a plan on one sheet of paper, with boxes to tick and room for what is read by hand."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from cycler.plan import text

TEMPLATE_FOLDER = Path(__file__).parent.parent / "data" / "plan"
GROUPS_A_ROW = 14
"""Groups that stand beside one another in the table for readings by hand."""
READINGS = ("before", "full, rested", "empty, load on", "last")
"""When the groups are read by hand."""


@cache
def _template() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(loader=FileSystemLoader(TEMPLATE_FOLDER), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return environment.get_template("card.html")


def plan_card_html(plan: Mapping[str, Any]) -> str:
    """A plan as a self-contained page that prints on A4: styles inside, no script, nothing loaded from elsewhere."""
    series = int(plan["pack"].get("series") or 0)
    rows = [list(range(first, min(first + GROUPS_A_ROW, series + 1))) for first in range(1, series + 1, GROUPS_A_ROW)]
    danger = [item for item in plan["warnings"] if item["severity"] == "danger"]
    others = [item for item in plan["warnings"] if item["severity"] != "danger"]
    return _template().render(plan=plan, words=text, group_rows=rows, readings=READINGS, danger=danger, others=others)
