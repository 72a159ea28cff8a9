"""A string of groups that is interrupted: what is read beyond the gap has nothing to do with the cells there.

Readings against one end rise from wire to wire only as far as the string holds together. Beyond an open joint, strip or fuse the meter reads nothing,
or what the board and the meter themselves lift the loose part to. Such groups are not known: neither dead nor reversed (common practice, no source).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from cycler.repair.remarks import DEFECT, Remark, listed

NOTHING_SHARE = 0.1
"""Share of the usual step below which a group reads nothing. Common practice, no source."""
NOTHING_V = 0.1
"""Where no step tells what a group has: readings up to it are nothing. Common practice, no source. [V]"""
_FALL_SHARE = 0.5
_FEW = 3


def loose_from(readings_v: Sequence[float | None], usual_v: float | None) -> int | None:
    """Place from which on the readings are not tied to the reference; None if all are.

    Parameters
    ----------
    readings_v : sequence of (float or None)
        Rising from the reference, which stands first. [V]
    usual_v : float or None
        Usual step between two readings; None if there is none. [V]

    Notes
    -----
    Before that place the readings rise; there they fall by more than half a group to nothing, and beyond it none rises again. A group that is
    dead or reversed does not do so: the ones beyond it still stand on it.
    """
    taken = [place for place, reading in enumerate(readings_v) if reading is not None]
    if usual_v is None:
        nothing = len(taken) > _FEW and all(abs(readings_v[place]) <= NOTHING_V for place in taken)
        return taken[1] if nothing else None
    steps = [(last, readings_v[last] - readings_v[first]) for first, last in itertools.pairwise(taken)]
    fall = next((at for at, (_place, volts) in enumerate(steps) if volts < -_FALL_SHARE * usual_v), None)
    if not fall:
        return None
    beyond = [readings_v[place] for place, _volts in steps[fall:]]
    flat = all(abs(volts) <= NOTHING_SHARE * usual_v for _place, volts in steps[fall + 1 :])
    nothing = all(abs(reading) <= NOTHING_SHARE * usual_v for reading in beyond)
    return steps[fall][0] if flat and (nothing or len(beyond) > 2) else None


def loose_remark(tap: int, before: int, groups: Sequence[int], highest_v: float, evidence: str) -> Remark:
    """Of groups beyond a gap, which lies between tap ``before`` and tap ``tap``; ``highest_v`` is the size of the greatest reading before it. [V]"""
    subject = listed(groups).capitalize()
    if highest_v <= NOTHING_V:
        return Remark(
            "string_open", DEFECT,
            f"Nothing is read at any tap: the probe that stayed at its end, the lead there or a joint of the pack has no contact, or the cells hold nothing at all. {subject} are not known. Measure each group by itself, "
            "both probes at its own cells. Until then charge nothing.", evidence, tap=tap,
        )
    one = len(groups) == 1
    gap = f"a lead (tap {tap})" if one else "a joint, strip or fuse"
    return Remark(
        "string_open", DEFECT,
        f"Up to tap {before} the readings rise as they should, from tap {tap} on nothing of the cells is read: {gap}{' or a joint, strip or fuse' if one else ''} between the two has no contact. "
        f"{subject} {'is' if one else 'are'} not known, and not dead by this reading. Measure {'it by itself' if one else 'each by itself'}, both probes at its own cells; then across the joint between tap {before} and tap {tap}, "
        "where the voltage of the whole pack can stand. Do not bridge the gap.", evidence, tap=tap,
    )


def open_group_remark(groups: Sequence[int], whole_v: float, total_v: float) -> Remark:
    """Of groups that read nothing in a string that has nothing across it either, though the others have voltage."""
    one = len(groups) == 1
    return Remark(
        "string_open", DEFECT,
        f"{listed(groups).capitalize()} {'reads' if one else 'read'} nothing, and across all cells stands nothing either, though the other groups have voltage. A dead group would leave theirs there: the string is open at "
        f"{'this group' if one else 'one of them'}, a joint, strip or fuse, and what its cells have is not known. Measure {'it' if one else 'each'} at the cells' own ends.",
        f"across all cells {whole_v:.2f} V, sum of the groups {total_v:.2f} V", group=groups[0] if one else None,
    )
