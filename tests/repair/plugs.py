"""Invented plugs for the donor check: a harness of so many groups with thermistors, and ways of wiring it wrong."""

from __future__ import annotations

from dataclasses import replace

from cycler.repair.connector import Connector, Pin, Thermistor

SPREAD_V = (0.000, 0.001, -0.003, 0.002, 0.000, -0.001, 0.003, -0.002, 0.001, 0.000, 0.002, -0.001, 0.000, 0.001)
"""How the groups differ from their usual voltage."""


def plug(series=10, step_v=3.65, probes=1, first_pin=1, stated=True, chemistry=None, ohm=10000.0, temperature_c=25.0):
    """Taps 0 to N on the first pins, then a pair of pins for each thermistor."""
    pins, volts = [Pin(first_pin, 0.0)], 0.0
    for group in range(series):
        volts += step_v + SPREAD_V[group % len(SPREAD_V)]
        pins.append(Pin(first_pin + group + 1, round(volts, 3)))
    at = first_pin + series + 1
    resistances = ohm if isinstance(ohm, tuple) else (ohm,) * probes
    thermistors = tuple(Thermistor((at + 2 * k, at + 2 * k + 1), resistances[k], temperature_c) for k in range(probes))
    pins += [Pin(at + k, role="thermistor") for k in range(2 * probes)]
    return Connector(tuple(pins), series=series if stated else None, chemistry=chemistry, keying="latch up, pin 1 left", thermistors=thermistors)


def moved(connector, places):
    """The same plug with what is on pin p moved to pin ``places[p]``; pins that are not named stay."""
    def to(number):
        return places.get(number, number)

    pins = sorted((replace(pin, number=to(pin.number)) for pin in connector.pins), key=lambda pin: pin.number)
    thermistors = tuple(replace(item, pins=tuple(sorted(map(to, item.pins)))) for item in connector.thermistors)
    return replace(connector, pins=tuple(pins), thermistors=thermistors)


def reversed_plug(connector):
    numbers = [pin.number for pin in connector.pins]
    return moved(connector, dict(zip(numbers, reversed(numbers), strict=True)))


def shifted(connector, by):
    """Everything ``by`` pins further on, the plug staying as long: what falls off is gone, what is left free has nothing on it."""
    numbers = {pin.number for pin in connector.pins}
    pins = {pin.number + by: replace(pin, number=pin.number + by) for pin in connector.pins if pin.number + by in numbers}
    thermistors = tuple(
        replace(item, pins=tuple(number + by for number in item.pins)) for item in connector.thermistors if all(number + by in numbers for number in item.pins)
    )
    kept = [pins.get(number, Pin(number, role="nothing")) for number in sorted(numbers)]
    return replace(connector, pins=tuple(kept), thermistors=thermistors)


def changed(connector, **pins):
    """Pins replaced: ``p3=Pin(3, ...)``; None takes a pin away."""
    new = {int(key[1:]): pin for key, pin in pins.items()}
    kept = {pin.number: pin for pin in connector.pins} | new
    return replace(connector, pins=tuple(kept[number] for number in sorted(kept) if kept[number] is not None))
