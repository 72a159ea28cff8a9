"""What two plugs differ by as a whole: reversed, shifted, a pair exchanged, another number of groups, thermistors in the wrong place."""

from __future__ import annotations

from typing import Any

from cycler.repair.connector_levels import Side

Keys = dict[int, tuple[Any, Any]]
"""By pin what it is on the pack's and on the board's side: ("tap", 4), ("thermistor",), ("nothing",) ...; None: not known."""
_TAPS_LEAST = 3
"""So many sense lines must fall into place before a pattern is named."""
_SHIFT_MAX = 6


def patterns(pins: list[dict[str, Any]], keys: Keys, mine: Side, theirs: Side) -> list[dict[str, Any]]:
    """Remarks on the plug as a whole, the pattern first. ``stops`` is "differs" on each that says do not connect."""
    found: list[dict[str, Any]] = []

    def say(code: str, words: str, numbers: Any = (), stops: str | None = "differs") -> None:
        found.append({"code": code, "words": words, "pins": list(numbers), "stops": stops})

    wrong = [item["pin"] for item in pins if item["verdict"] == "wrong"]
    if wrong:
        _say_order(keys, wrong, say)
    a, b = mine.series, theirs.series
    if a and b and a != b:
        how = "" if mine.connector.series and theirs.connector.series else ", as far as the taps show"
        say(
            "series_differs", f"The pack has {a} groups, the board is made for {b}{how}: it would watch {'groups that are not there' if b > a else f'only {b} of them'}.", (),
            "differs" if wrong or (mine.connector.series and theirs.connector.series) else None,
        )
    counts = [len(side.connector.pins) for side in (mine, theirs)]
    if counts[0] != counts[1]:
        say("pins_differ", f"The pack's plug has {counts[0]} pins, the board's {counts[1]}.")
    _say_lines(keys, say)
    _say_thermistors(pins, keys, say)
    if wrong:
        _say_pairs(pins, keys, mine, say)
    return found


def _taps(keys: Keys, side: int) -> dict[int, int]:
    return {number: pair[side][1] for number, pair in keys.items() if pair[side] and pair[side][0] == "tap"}


def _say_order(keys: Keys, wrong: list[int], say: Any) -> None:
    numbers = sorted(keys)
    own, donor = _taps(keys, 0), _taps(keys, 1)
    both = sorted(set(own) & set(donor))
    differ = [number for number in both if own[number] != donor[number]]
    if len(wrong) == 2 and keys[wrong[0]][0] == keys[wrong[1]][1] and keys[wrong[1]][0] == keys[wrong[0]][1] and keys[wrong[0]][0] is not None:
        say("swapped", f"Pins {wrong[0]} and {wrong[1]} are exchanged.", wrong)
        return
    turned = {number: numbers[-1 - k] for k, number in enumerate(numbers)}
    if sum(1 for number in own if turned[number] in donor) >= _TAPS_LEAST and all(keys[number][0] == keys[turned[number]][1] for number in numbers):
        say("reversed", "The whole plug is reversed: what the pack has on the first pin, the board expects on the last.", numbers)
        return
    if len(differ) >= 2 and len(both) >= _TAPS_LEAST and len({own[number] + donor[number] for number in both}) == 1:
        say("reversed", f"The sense lines run the other way round: pin {both[0]} is tap {own[both[0]]} here and tap {donor[both[0]]} on the board.", both)
        return
    if len(differ) >= _TAPS_LEAST - 1 and len(both) >= _TAPS_LEAST and len({own[number] - donor[number] for number in both}) == 1:
        by = own[both[0]] - donor[both[0]]
        say("shifted", f"Every sense line is shifted by {_count(abs(by), 'tap')}: the board would get tap {own[both[0]]} where it expects tap {donor[both[0]]}.", both)
        return
    for by in (step * sign for step in range(1, _SHIFT_MAX + 1) for sign in (1, -1)):
        fits = [number for number in own if number - by in donor]
        if len(fits) >= _TAPS_LEAST and all(own[number] == donor[number - by] for number in fits) and len(fits) >= len(own) - abs(by):
            way = "further on than" if by > 0 else "before where"
            say("shifted", f"The plug is shifted by {_count(abs(by), 'pin')}: each line sits {_count(abs(by), 'pin')} {way} the board expects it.", fits)
            return
    if differ and sorted(own[number] for number in differ) == sorted(donor[number] for number in differ):
        say("order_differs", f"The sense lines on pins {', '.join(map(str, differ))} are in another order.", differ)


def _say_lines(keys: Keys, say: Any) -> None:
    own, donor = _taps(keys, 0), _taps(keys, 1)
    if not own or not donor:
        return
    missing = sorted(set(donor.values()) - set(own.values()))
    extra = sorted(set(own.values()) - set(donor.values()))
    if any(pair[0] is None for pair in keys.values()):
        missing = [tap for tap in missing if any(pair[1] == ("tap", tap) and pair[0] is not None for pair in keys.values())]
    if any(pair[1] is None for pair in keys.values()):
        extra = [tap for tap in extra if any(pair[0] == ("tap", tap) and pair[1] is not None for pair in keys.values())]
    if missing:
        say("line_missing", f"The board reads {_list(missing)}, which the pack's plug does not have{': pack negative is not there' if 0 in missing else ''}.", [n for n, tap in donor.items() if tap in missing])
    if extra:
        say("line_extra", f"The pack's plug has {_list(extra)}, which the board does not read.", [n for n, tap in own.items() if tap in extra])


def _say_thermistors(pins: list[dict[str, Any]], keys: Keys, say: Any) -> None:
    onto = [number for number, pair in keys.items() if pair[0] and pair[0][0] == "tap" and pair[1] == ("thermistor",)]
    of = [number for number, pair in keys.items() if pair[0] == ("thermistor",) and pair[1] and pair[1][0] == "tap"]
    if onto:
        worst = max((item["across_v"] for item in pins if item["pin"] in onto and item["across_v"] is not None), key=abs, default=None)
        volts = "" if worst is None else f" Up to {worst:.1f} V would stand on an input made for a few volts."
        say("tap_on_thermistor_input", f"A sense line would come to the thermistor input on pin{'s' if len(onto) > 1 else ''} {', '.join(map(str, onto))}.{volts}", onto)
    if of:
        say("thermistor_on_tap_input", f"A thermistor lies where the board expects a sense line, on pin{'s' if len(of) > 1 else ''} {', '.join(map(str, of))}.", of)
    inside = [item["pin"] for item in pins if item["verdict"] == "wrong" and keys[item["pin"]] == (("thermistor",), ("thermistor",))]
    if inside:
        say("thermistors_exchanged", f"The thermistor ends on pin{'s' if len(inside) > 1 else ''} {', '.join(map(str, inside))} are not those that the board expects there.", inside)


def _say_pairs(pins: list[dict[str, Any]], keys: Keys, mine: Side, say: Any) -> None:
    """The worst voltage between two neighbouring inputs, which is what the chip behind them has to bear."""
    volts = {item["pin"]: item["own_v"] for item in pins if item["own_v"] is not None}
    place: dict[int, int] = {}
    for number, tap in _taps(keys, 1).items():
        place.setdefault(tap, number)
    pairs = [(place[tap - 1], place[tap], tap) for tap in sorted(place) if tap - 1 in place and place[tap] in volts and place[tap - 1] in volts]
    if not pairs or mine.step_v is None:
        return
    low, high, tap = max(pairs, key=lambda item: abs(volts[item[1]] - volts[item[0]] - mine.step_v))
    across = volts[high] - volts[low]
    if abs(across - mine.step_v) > 0.6 * mine.step_v:
        say(
            "input_pair", f"Between the inputs for tap {tap - 1} (pin {low}) and tap {tap} (pin {high}) would stand {across:.2f} V; they are made for one group, here {mine.step_v:.2f} V.", (low, high), None,
        )


def _count(number: int, word: str) -> str:
    return f"{'one' if number == 1 else number} {word}{'' if number == 1 else 's'}"


def _list(taps: list[int]) -> str:
    if len(taps) == 1:
        return f"tap {taps[0]}"
    if len(taps) > 3 and taps == list(range(taps[0], taps[-1] + 1)):
        return f"taps {taps[0]} to {taps[-1]}"
    return f"taps {', '.join(map(str, taps[:-1]))} and {taps[-1]}"
