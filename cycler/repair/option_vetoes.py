"""What bars a repair or salvage before any money is counted, and what has to be looked at before anyone can say.

Every rule here is common practice of the trade, no source, unless it says otherwise. The maker's limits and local rules come first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

BOARD, GROUP, LEAD, REBALANCE, HARVEST, SCRAP = "repair_board", "repair_group", "repair_lead", "rebalance", "harvest", "scrap"
OPTIONS = (BOARD, GROUP, LEAD, REBALANCE, HARVEST, SCRAP)
_REPAIRS_WITHOUT_CELLS = (BOARD, LEAD, REBALANCE)
_ALL_BUT_SCRAP = (BOARD, GROUP, LEAD, REBALANCE, HARVEST)

NOT_MEASURED = "groups_not_measured"
NEVER_AGAIN = {"no_charge": "below the level from which a cell is charged again", "reversed": "reversed"}
"""Levels of a group that is never charged again."""

# What is seen of the whole pack: it goes into quarantine and then to waste, whatever it would bring.
_LOOK_ALL = {
    "swollen": "Cells are swollen", "leaking": "Electrolyte leaks", "smell": "It smells of electrolyte", "burnt": "There are signs of burning",
    "wet": "Water has been inside", "hot": "It is warm without any current",
}
_LOOK_CELLS = {"dented": "The pack is dented: its cells count as damaged until each of them has been looked at"}
_MUST_LOOK = ("swollen", "leaking", "smell", "burnt", "wet", "hot", "dented")
_LOOK_WORDS = {
    "swollen": "swollen cells", "leaking": "leaking electrolyte", "smell": "a smell of electrolyte", "burnt": "signs of burning", "wet": "water inside",
    "hot": "warmth without current", "dented": "dents",
}


@dataclass(frozen=True, slots=True)
class Veto:
    """A reason that bars options; ``groups`` are those it is about."""

    code: str
    words: str
    bars: tuple[str, ...]
    groups: tuple[int, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        return {"code": self.code, "words": self.words, "bars": list(self.bars), "groups": list(self.groups)}


def vetoes(evaluation: Mapping[str, Any]) -> list[Veto]:
    """What bars which options, gravest first. Scrap is never barred."""
    found = [*_of_the_look(evaluation), *_of_the_groups(evaluation)]
    found += _of_other_dangers(evaluation, found)
    return sorted(found, key=lambda veto: -len(veto.bars))


def ends_all(found: list[Veto]) -> bool:
    """Whether scrap alone is left whatever else is measured."""
    return any(veto.bars == _ALL_BUT_SCRAP and veto.code != NOT_MEASURED for veto in found)


def _of_the_look(evaluation: Mapping[str, Any]) -> list[Veto]:
    look = looked(evaluation)
    found = [
        Veto(f"look_{item}", f"{words}: quarantine, then waste. Nothing of this pack is charged, repaired or used again.", _ALL_BUT_SCRAP)
        for item, words in _LOOK_ALL.items() if look.get(item) == "yes"
    ]
    return found + [
        Veto(f"look_{item}", f"{words}. They are not used for other work.", (HARVEST,)) for item, words in _LOOK_CELLS.items() if look.get(item) == "yes"
    ]


def looked(evaluation: Mapping[str, Any]) -> dict[str, str]:
    """What was looked for, from the sheet and from the remarks on it."""
    look = {str(key): str(value) for key, value in (evaluation.get("look") or {}).items()}
    for remark in evaluation.get("remarks") or ():
        if str(remark.get("code", "")).startswith("look_"):
            look[remark["code"].removeprefix("look_")] = "yes"
    return look


def levels(evaluation: Mapping[str, Any]) -> dict[int, str]:
    """Level of every group of the pack, "unknown" where no voltage is known."""
    groups = (evaluation.get("taps") or {}).get("groups") or []
    found = {int(item["group"]): str(item.get("level") or "unknown") for item in groups}
    series = (evaluation.get("pack") or {}).get("series")
    return {number: found.get(number, "unknown") for number in range(1, int(series) + 1)} | found if series else found


def _of_the_groups(evaluation: Mapping[str, Any]) -> list[Veto]:
    level = levels(evaluation)
    dead = [number for number, word in level.items() if word in NEVER_AGAIN]
    found: list[Veto] = []
    if not any(word != "unknown" for word in level.values()):
        why = "The chemistry is not stated" if _chemistry_alone_lacks(evaluation) else "No group voltage is known"
        found.append(Veto(
            NOT_MEASURED, f"{why}. As long as a group may be below the level from which a cell is charged again, nothing "
            "is charged or repaired.", _ALL_BUT_SCRAP,
        ))
    if len(dead) == 1:
        number = dead[0]
        found.append(Veto(
            "group_never_charged_again", f"Group {number} is {NEVER_AGAIN[level[number]]}: with it the pack is not charged again. Either its cells are replaced, or "
            "the pack is scrapped. The cells taken out go to waste.", _REPAIRS_WITHOUT_CELLS, (number,),
        ))
    elif dead:
        found.append(Veto(
            "groups_never_charged_again", f"{_groups(dead)} are {_reasons(level, dead)}. Several such groups show that the whole pack was emptied or damaged: it is scrapped, "
            "and its cells are not used for other work.", _ALL_BUT_SCRAP, tuple(dead),
        ))
    over = [number for number, word in level.items() if word == "over_full"]
    if over:
        found.append(Veto(
            "group_over_full", f"{_groups(over)} {'is' if len(over) == 1 else 'are'} charged above the limit: such cells are not used for other work, and levelling groups does not mend what "
            "let it happen.", (REBALANCE, HARVEST), tuple(over),
        ))
    return found


def _chemistry_alone_lacks(evaluation: Mapping[str, Any]) -> bool:
    """Whether groups were measured, and no level is known for want of the chemistry."""
    measured = any(item.get("voltage_v") is not None for item in (evaluation.get("taps") or {}).get("groups") or [])
    return measured and not (evaluation.get("pack") or {}).get("chemistry")


def _groups(numbers: list[int]) -> str:
    if len(numbers) == 1:
        return f"Group {numbers[0]}"
    if len(numbers) > 2 and numbers == list(range(numbers[0], numbers[-1] + 1)):
        return f"Groups {numbers[0]} to {numbers[-1]}"
    return f"Groups {', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"


def _reasons(level: Mapping[int, str], numbers: list[int]) -> str:
    return " or ".join(dict.fromkeys(NEVER_AGAIN[level[number]] for number in numbers))


_OF_LEVEL = {"group_no_charge": "no_charge", "group_reversed": "reversed", "group_over_full": "over_full"}


def _of_other_dangers(evaluation: Mapping[str, Any], found: list[Veto]) -> list[Veto]:
    """Dangers of the evaluation that no rule above knows: those of one group bar what leaves its cells in, others bar all but scrap."""
    level = set(levels(evaluation).values())
    groups = {group for veto in found for group in veto.groups}
    more: list[Veto] = []
    for remark in evaluation.get("remarks") or ():
        code, group = str(remark.get("code", "")), remark.get("group")
        told = code.removeprefix("look_") in {*_LOOK_ALL, *_LOOK_CELLS} or _OF_LEVEL.get(code) in level
        if remark.get("severity") != "danger" or told or group in groups:
            continue
        words = f"{str(remark.get('message') or code).rstrip('.')}. This danger of the bench sheet is dealt with first."
        bars = _ALL_BUT_SCRAP if group is None else (*_REPAIRS_WITHOUT_CELLS, HARVEST)
        more.append(Veto(code, words, bars, () if group is None else (int(group),)))
    return more


def look_first(evaluation: Mapping[str, Any]) -> list[dict[str, str]]:
    """What nobody has looked at or measured yet and could bar an option: {code, words, why}."""
    found = []
    look = looked(evaluation)
    left = [item for item in _MUST_LOOK if item not in look]
    if left:
        found.append({
            "code": "not_looked_for", "words": f"Look for {_list([_LOOK_WORDS[item] for item in left])}, and note it on the bench sheet.",
            "why": "Any of it ends every repair, or forbids the use of the cells; a sheet that says nothing of it is no all-clear.",
        })
    level = levels(evaluation)
    unknown = [number for number, word in level.items() if word == "unknown"]
    if unknown and len(unknown) < len(level):
        found.append({
            "code": "groups_unknown", "words": f"Measure {_groups(unknown).lower()} at the cells themselves, not at the plug.",
            "why": "A lead that is off and a group that must never be charged again look alike at the plug.",
        })
    elif _chemistry_alone_lacks(evaluation):
        found.append({"code": "chemistry_unknown", "words": "State the chemistry of the cells on the bench sheet.", "why": "The voltage below which a cell is not charged again is another one for each."})
    elif unknown or not level:
        found.append({"code": "groups_unknown", "words": "Measure the voltage of every group.", "why": "Below a certain voltage a cell is not charged again."})
    low = [number for number, word in level.items() if word == "precharge"]
    if low:
        found.append({
            "code": "groups_low", "words": f"Find out for how long {_groups(low).lower()} {'has' if len(low) == 1 else 'have'} been so low, and keep to the cell maker's way of bringing "
            "such a cell up, if he allows any.",
            "why": "A cell that lay low for long may have dissolved copper in it and short inside when it is charged. Such cells are not counted for other work.",
        })
    return found


def _list(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
