"""Remarks on a bench sheet: coded, with what a repairer should know or do, and the evidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

INFO, CAUTION, DEFECT, DANGER = "info", "caution", "defect", "danger"
SEVERITIES = (INFO, CAUTION, DEFECT, DANGER)


@dataclass(frozen=True, slots=True)
class Remark:
    """One remark; ``group`` counts from 1 at pack negative, ``tap`` from 0 there, ``probe`` is a name; None where it is of none or of several."""

    code: str
    severity: str
    message: str
    evidence: str = ""
    group: int | None = None
    tap: int | None = None
    probe: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """The contract's form."""
        return asdict(self)


def listed(numbers: Sequence[int], word: str = "group") -> str:
    """"group 4", "groups 4 and 5", "groups 1 to 10"."""
    numbers = sorted(numbers)
    if len(numbers) == 1:
        return f"{word} {numbers[0]}"
    if len(numbers) > 2 and numbers[-1] - numbers[0] == len(numbers) - 1:
        return f"{word}s {numbers[0]} to {numbers[-1]}"
    return f"{word}s {', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"
