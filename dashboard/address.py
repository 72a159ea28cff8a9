"""Reading the query of an address, and the range that a zoom asks for."""

from __future__ import annotations

from typing import Any, Literal
from urllib.parse import parse_qs, quote


def query_of(search: str | None) -> dict[str, str]:
    """First value of each key of an address's query."""
    return {key: values[0] for key, values in parse_qs((search or "").lstrip("?")).items()}


def run_numbers(value: str | None, most: int) -> list[int]:
    """Run numbers of "3,1,7", each once, at most ``most``; what is no number is passed over."""
    found: list[int] = []
    for part in (value or "").split(","):
        part = part.strip()
        if part.isdecimal() and len(part) < 10 and int(part) not in found:
            found.append(int(part))
    return found[:most]


def pack_address(pack_id: str) -> str:
    """Address of a pack's page, whatever its number is written with."""
    return f"/pack/{quote(pack_id, safe='')}"


def before_after_address(pack_id: str) -> str:
    """Address of the comparison of a pack's first and last run."""
    return f"/compare?before-after={quote(pack_id, safe='')}"


def add_address(pack_id: str) -> str:
    """Address of the page that adds a test, with the pack named."""
    return f"/add?pack={quote(pack_id, safe='')}"


def plan_address(run_id: int, criteria: str = "") -> str:
    """Address of the plan of what would settle a run, by a set of criteria."""
    return f"/bench/plan?run={run_id}" + (f"&criteria={quote(criteria, safe='')}" if criteria else "")


def zoomed_edges(relayout: dict[str, Any] | None) -> tuple[float, float] | Literal["same"] | None:
    """Ends of the range, in the units of the axis, that a figure reports after a zoom; ``None`` for the whole, "same" where it is about something else."""
    if not relayout:
        return "same"
    if relayout.get("xaxis.autorange"):
        return None
    edges = relayout.get("xaxis.range") or [relayout.get("xaxis.range[0]"), relayout.get("xaxis.range[1]")]
    try:
        return float(edges[0]), float(edges[1])
    except (TypeError, ValueError, LookupError):
        return "same"
