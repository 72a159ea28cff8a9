"""An empty bench sheet to fill in, each key explained; what is already known of the pack stands in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from cycler.pack import Pack
from cycler.repair.causes import observations
from cycler.repair.sheet import FROM_NEGATIVE, LOOK_ITEMS, PACK_KEYS, stated_values
from cycler.tomlsource import toml_value

_LOOK_WORDS = {
    "swollen": "case or a cell bulges", "leaking": "wet or crusted cells", "smell": "solvent, sweet or burnt", "hot": "warm without load", "burnt": "marks of heat or arcs",
    "wet": "water was in it", "dented": "case or a cell dented", "corroded": "green, white or brown on metal", "leads_damaged": "a lead pinched, chafed or bare",
    "joint_torn": "a strip or weld torn off", "opened_before": "somebody had it open",
}
_PACK_EXAMPLES: tuple[tuple[str, Any, str], ...] = (
    ("id", "EB-0412", "as on the pack, or of your own"), ("chemistry", "nmc", "nmc, nca, lco, lmo, lfp, lto or nimh"), ("series", 10, "groups in series: one less than balance taps"),
    ("parallel", 4, "cells in each group"), ("rated_capacity_ah", 14.0, "from the label"), ("charge_voltage_v", 42.0, "of the full pack, from the label or the charger"),
    ("cutoff_voltage_v", 30.0, "at which the pack counts as empty"),
)
_TAPS = """\
# From where the balance taps were read:
#   "pack_negative"  one probe stays at pack negative, the other goes from wire to wire: 0 first, then each tap
#   "pack_positive"  one probe stays at pack positive: 0 first, then each tap on the way down
#   "each_group"     both probes go along: one voltage a group, group 1 at pack negative
# "-" stands for a reading that was not taken; N groups have N + 1 taps."""
_SAFETY = """\
# Before you begin: rings and watch off, insulated tools, fused leads with thin sleeved tips, one probe at a time. A pack that is swollen, warm,
# leaking or smells is not opened. Above 60 V d.c. this is work for licensed people. Local rules and the makers' limits come first."""


@dataclass(frozen=True, slots=True)
class _Lines:
    """Lines of the file, one on the other."""

    rows: list[str]

    def head(self, header: str, note: str) -> None:
        self.rows.extend(["", header, f"# {note}"])

    def known(self, key: str, value: Any, note: str = "") -> None:
        self.rows.append(f"{key} = {toml_value(value)}" + (f"  # {note}" if note else ""))

    def empty(self, key: str, example: Any, note: str = "") -> None:
        self.rows.append(f"# {key} = {toml_value(example)}" + (f"  # {note}" if note else ""))


def template_toml(pack: Pack | None = None) -> str:
    """A sheet to fill in: what is known of ``pack`` stands, the rest is commented out with an example and what it means."""
    pack = pack or Pack()
    out = _Lines(["# Bench sheet: what was told, seen and measured before anything is done to the pack.", "# Take the # away from a line to fill it in. Every line may stay away: a sheet half filled is a sheet.", *_SAFETY.splitlines()])
    out.head("[pack]", "Ratings from the label; further keys as in a pack file.")
    examples = {key: (example, note) for key, example, note in _PACK_EXAMPLES}
    for key in [*examples, *(key for key in PACK_KEYS if key not in examples)]:
        value = getattr(pack, key) if key not in ("thermistor", "correction") else None
        if value is not None:
            out.known(key, value, examples.get(key, (None, ""))[1])
        elif key in examples:
            out.empty(key, *examples[key])
    for key in ("thermistor", "correction"):
        if (part := getattr(pack, key)) is not None:
            out.rows.extend(["", f"[pack.{key}]", *(f"{name} = {toml_value(value)}" for name, value in stated_values(part).items())])
    out.head("[told]", "In the words of whoever brought it.")
    out.empty("complaint", "drives two hundred metres, then dead")
    out.empty("lamps", "charger stays green, pack blinks twice red")
    out.head("[look]", 'Look and smell first: "yes" or "no". What was not looked for stays out.')
    for item in LOOK_ITEMS:
        out.empty(item, "no", _LOOK_WORDS[item])
    out.empty("remark", "label torn off")
    out.head("[meter]", "The lines of its data sheet. Without them 1 % and 5 mV are assumed for voltages, 1 % and 1 ohm for resistances.")
    out.empty("name", "bench meter 2")
    out.empty("voltage", "±(0.5 % rdg + 2 digits)")
    out.empty("voltage_digit_v", 0.001, "the last place of the display")
    out.empty("resistance", "±(0.8 % rdg + 2 digits)")
    out.empty("resistance_digit_ohm", 10)
    out.empty("current", "±(1.5 % rdg + 3 digits)")
    out.empty("current_digit_a", 0.00001, "in the smallest range of the display")
    out.head("[readings]", "Voltages in V.")
    out.empty("taken_at", "2026-03-14 09:30")
    out.empty("taken_by", "M. O.")
    out.empty("rested_h", 12.0, "hours without current before the readings")
    out.empty("days_low", 20.0, "days it is known to have lain as empty as now")
    out.empty("ambient_c", 21.0)
    out.empty("cells_v", 36.4, "across all cells, before the board")
    out.empty("terminal_v", 0.02, "at the discharge contacts")
    out.empty("charge_contact_v", 36.4, "at the charge contacts, without charger")
    out.empty("board_current_ma", 0.045, "what the board draws at rest")
    out.empty("charger_v", 42.0, "of the charger alone")
    out.rows.extend(_TAPS.splitlines())
    out.empty("taps_from", FROM_NEGATIVE)
    series = pack.series or 10
    out.empty("taps_v", [0.0, *["-"] * series], f"{series + 1} taps")
    out.head("# [[probe]]", "One such part for each thermistor, its plug pulled. Its curve if it is known: r25_ohm and b_k, or a, b and c.")
    out.empty("name", "1")
    out.empty("ohm", 11800, '"open" if the meter shows overload')
    out.empty("place", "between groups 3 and 4")
    out.empty("r25_ohm", 10000)
    out.empty("b_k", 3435)
    out.head("[observed]", "Further measurements, as the evaluation asks for them; _N at the end is the number of the group or tap.")
    for asked in observations():
        key = asked.key + ("_4" if asked.place else "")
        words = "; ".join(f"{value}: {text}" for value, text in asked.choices)
        out.empty(key, asked.choices[0][0] if asked.choices else 0.0, asked.question + (f" [{asked.unit}]" if asked.unit else "") + (f" ({words})" if words else ""))
    return "\n".join(out.rows) + "\n"
