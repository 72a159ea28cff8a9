"""Donor boards held against the board that was fitted."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from cycler.errors import InputError
from dashboard.door.base import Opened

PINS, PINS_MOST = "pins", 64
"""Entry of the form that says how many pins the plug has, and the most there may be."""


@dataclass(frozen=True, slots=True)
class PlugsCompared:
    """Two plugs as typed: the result if both can be read, and what is wrong with which entry of which side."""

    result: dict[str, Any] | None
    wrong: dict[str, dict[str, InputError]]


class Donors(Opened):
    """Donor boards held against the board that was fitted."""

    write_job: Callable[..., int]

    def compare_plugs(self, own: Mapping[str, str], donor: Mapping[str, str], places: tuple[str, str]) -> PlugsCompared:
        """Two plugs held against each other (``cycler.donor/1``); ``places`` name the two sides in messages."""
        from cycler.repair.connector import connector_from_form
        from cycler.repair.donor import compare_connectors

        sides = [connector_from_form(with_pins(values), place) for values, place in zip((own, donor), places, strict=True)]
        wrong = {name: found for name, (_connector, found) in zip(("own", "donor"), sides, strict=True) if found}
        first, second = sides[0][0], sides[1][0]
        if wrong or first is None or second is None:
            return PlugsCompared(None, wrong)
        return PlugsCompared(compare_connectors(first, second), {})

    def plug_values(self, name: str, content: bytes) -> dict[str, str]:
        """Entries of the form from a connector file. InputError with the line where it cannot be read."""
        from cycler.repair.connector import connector_from_text, form_from_connector

        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError:
            raise InputError("the connector file is not UTF-8 text", name, "some bytes of it are no text", "save it as UTF-8") from None
        connector = connector_from_text(text, name)
        return form_from_connector(connector) | {PINS: str(max(pin.number for pin in connector.pins))}

    def pasted_values(self, text: str, place: str) -> dict[str, str]:
        """Entries of the form from a pasted list of readings, or a pasted connector file."""
        from cycler.repair.connector import form_from_readings

        if "[[pin]]" in text or "[[thermistor]]" in text:
            return self.plug_values(place, text.encode("utf-8", "replace"))
        return form_from_readings(text)

    def plug_file(self, values: Mapping[str, str], place: str) -> bytes:
        """A connector file of what was typed. InputError where an entry cannot be read."""
        from cycler.repair.connector import connector_from_form, connector_to_toml

        connector, wrong = connector_from_form(with_pins(values), place)
        if wrong:
            raise next(iter(wrong.values()))
        if connector is None:
            raise InputError("there is no pin to write", place, "nothing is typed yet", "type in a reading first")
        return connector_to_toml(connector).encode("utf-8", "replace")

    def keep_donor_check(self, job_id: int, own: Mapping[str, str], donor: Mapping[str, str], who: str, places: tuple[str, str]) -> int:
        """Keep the result on a job, with both plugs as files; returns its number. InputError where there is no result."""
        compared = self.compare_plugs(own, donor, places)
        if compared.result is None:
            raise InputError("there is no result to keep", places[0], "not both plugs can be read", "mend the entries that are marked first")
        files = {f"{name}_file": self.plug_file(values, place).decode() for name, values, place in zip(("own", "donor"), (own, donor), places, strict=True)}
        return self.write_job(job_id, "donor_check", compared.result["words"], who, compared.result | files)


def with_pins(values: Mapping[str, str]) -> dict[str, str]:
    """With as many pins as the form says, or to the last one in which something is typed."""
    kept = {key: text or "" for key, text in values.items() if not key.startswith("pin.") and key != PINS}
    for number in range(1, pins_of(values) + 1):
        kept |= {f"pin.{number}.{part}": values.get(f"pin.{number}.{part}") or "" for part in ("v", "role")}
    return kept


def pins_of(values: Mapping[str, str]) -> int:
    """Pins of a plug as typed: at least to the last one that says something, at most :data:`PINS_MOST`."""
    said = [int(key.split(".")[1]) for key, text in values.items() if key.startswith("pin.") and (text or "").strip()]
    stated = (values.get(PINS) or "").strip()
    return min(PINS_MOST, max([int(stated) if stated.isascii() and stated.isdecimal() and len(stated) < 4 else 0, *said]))
