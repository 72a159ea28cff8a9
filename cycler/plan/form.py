"""Equipment as a form of texts and ticks, and as the TOML file that a workshop keeps."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, fields
from typing import Any

from cycler.plan.equipment import Charger, Equipment, Load, Logger, equipment_from_dict
from cycler.quantities import significant_text

PARTS = {"charger": Charger, "load": Load, "logger": Logger}
AT_HAND = "at_hand"
ALL_TAPS = "all"
"""What stands in the form where the logger has taps for any pack."""


def equipment_from_form(values: Mapping[str, Any], base: Equipment | None = None, place: str = "the form") -> Equipment:
    """Equipment from what was typed; keys dotted, as ``charger.max_current_a``, with ``charger.at_hand`` for the part itself.

    Parameters
    ----------
    values : mapping of str to (str or bool)
        A decimal comma is taken; empty entries are left out.
    base : Equipment, optional
        What the form does not show is taken from it: extras and limits of error.

    Raises
    ------
    InputError
        As :func:`cycler.plan.equipment.load_equipment`; ``place`` names the form.
    """
    data: dict[str, Any] = {}
    for part, kind in PARTS.items():
        if not values.get(f"{part}.{AT_HAND}"):
            continue
        entries = {item.name: _value(item.name, values.get(f"{part}.{item.name}")) for item in fields(kind)}
        data[part] = {key: value for key, value in entries.items() if value is not None}
    kept = base.to_dict() if base else {}
    data |= {key: kept[key] for key in ("extra", "instrument") if kept.get(key)}
    if name := str(values.get("name") or "").strip():
        data["name"] = name
    return equipment_from_dict(data, place)


def _value(key: str, value: Any) -> Any:
    if value is None or isinstance(value, (bool, list)):
        return value
    text = str(value).strip()
    if not text:
        return None
    if key == "name":
        return text
    if key == "taps" and text.lower() == ALL_TAPS:
        return True
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return text


def form_from_equipment(equipment: Equipment) -> dict[str, Any]:
    """The form that gives this equipment: texts, ticks and lists of words."""
    values: dict[str, Any] = {"name": equipment.name}
    for part, kind in PARTS.items():
        held = getattr(equipment, part)
        values[f"{part}.{AT_HAND}"] = held is not None
        for key, value in asdict(held if held is not None else kind()).items():
            if isinstance(value, bool):
                shown: Any = value
            elif isinstance(value, tuple):
                shown = list(value)
            elif key == "taps" and value == -1:
                shown = ALL_TAPS
            elif isinstance(value, (int, float)):
                shown = significant_text(value, 9) if value or held is not None else ""
            else:
                shown = value or ""
            values[f"{part}.{key}"] = shown
    return values


def equipment_to_toml(equipment: Equipment) -> str:
    """The equipment as a file that :func:`cycler.plan.equipment.load_equipment` reads back to the same.

    Limits of error are written in numbers; a line of a data sheet stays the line.
    """
    lines = ["# Charger, load and logger at hand, for test plans."]
    if equipment.name:
        lines.append(f"name = {json.dumps(equipment.name, ensure_ascii=False)}")
    held = equipment.to_dict()
    for part in PARTS:
        if part in held:
            lines += ["", f"[{part}]", *(f"{key} = {_toml(key, value)}" for key, value in held[part].items() if value not in (None, "", []))]
    for item in held["extra"]:
        lines += ["", "[[extra]]", *(f"{key} = {_toml(key, value)}" for key, value in item.items() if value)]
    if "instrument" in held:
        lines += ["", "[instrument]", *_instrument_lines(held["instrument"])]
    return "\n".join(lines) + "\n"


def _toml(key: str, value: Any) -> str:
    if key == "taps" and value == -1:
        return "true"
    return json.dumps(value, ensure_ascii=False)


def _instrument_lines(kept: Mapping[str, Any]) -> list[str]:
    stated = kept["stated"]
    lines = [f"{channel} = {json.dumps(words, ensure_ascii=False)}" for channel, words in stated.items()]
    covered = tuple(f"{channel}_" for channel in stated)
    left_out = ("declared", "defaulted", "stated", "file", "sha256", "id")
    if kept.get("id"):
        lines.append(f"id = {json.dumps(kept['id'], ensure_ascii=False)}")
    for key, value in kept.items():
        if key in left_out or value is None or key in kept["defaulted"] or key.startswith(covered):
            continue
        lines.append(f"{key} = {json.dumps(value, ensure_ascii=False)}")
    return lines
