"""An invented list of 440 cells out of used e-bike packs of an invented workshop; ``python -m tests.matching.stock`` writes the sample anew.

Spreads as one sees them in cells of one type and like age (common practice, no source): capacity 4 %, a.c. resistance 9 %, some leakers, dead and
dented ones among them.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

SAMPLE = Path(__file__).resolve().parents[2] / "sample_logs" / "stock" / "cells-invented.csv"
RATED_AH = 2.6
SEED = 20260314


def invented_list(count: int = 440, seed: int = SEED) -> str:
    """The list as a text of CSV: semicolons, decimal commas, mAh and mOhm."""
    rng = np.random.default_rng(seed)
    capacity = np.clip(rng.normal(2290, 85, count), 2085, 2590)
    resistance = np.clip(38.0 * (2290 / capacity) * rng.normal(1.0, 0.075, count), 27.0, 46.0)
    first = rng.normal(3.655, 0.012, count)
    fall = np.abs(rng.normal(0.25, 0.10, count))  # mV a day
    remarks = [""] * count
    odd = iter(rng.permutation(count))
    for _ in range(round(count / 73)):  # worn
        k = next(odd)
        capacity[k], resistance[k] = rng.uniform(1600, 2040), rng.uniform(48, 58)
    for _ in range(round(count / 88)):  # spent
        k = next(odd)
        capacity[k], resistance[k] = rng.uniform(600, 1500), rng.uniform(60, 110)
    for _ in range(round(count / 88)):  # leaks inside
        fall[next(odd)] = rng.uniform(3.5, 9.0)
    for value in (1.82, 0.0):  # too deep
        first[next(odd)] = value
    for words in ("rust at the minus end", "dented", "wrapper torn", "smells", "no rust, label lost", "bulge at the top"):
        remarks[next(odd)] = words
    second = np.maximum(first - 14e-3 * fall + rng.normal(0.0, 0.0006, count), 0.0)
    gone = [next(odd) for _ in range(3)]  # not measured the second time
    mild = [next(odd) for _ in range(3)]  # between sound and leaking
    second[mild] = first[mild] - 14e-3 * 2.0

    def german(value: float, places: int) -> str:
        return f"{value:.{places}f}".replace(".", ",")

    lines = [
        "# Invented cells of an invented workshop: no real cell, maker or bench is behind them.",
        "id;capacity / mAh;a.c. resistance / mOhm;rest voltage 1 / V;date 1;rest voltage 2 / V;date 2;remarks",
    ]
    for k in range(count):
        later = "-" if k in gone else german(second[k], 3)
        lines.append(f"H{k + 1:03d};{capacity[k]:.0f};{german(resistance[k], 1)};{german(first[k], 3)};2026-02-27;{later};2026-03-13;{remarks[k]}")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    SAMPLE.parent.mkdir(exist_ok=True)
    SAMPLE.write_text(invented_list(), encoding="utf-8", newline="\n")
