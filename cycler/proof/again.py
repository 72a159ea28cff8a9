"""The checks of a record that compute something again: criteria, logs, figures, verdict, comparison, items, program."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from cycler.errors import InputError, quote
from cycler.proof.carrier import Carried
from cycler.proof.check import BAD, GOOD, NOT_CHECKED, Check, count, some
from cycler.proof.leaves import MISSING, differences
from cycler.proof.logcheck import LogsFound, find_logs
from cycler.proof.recompute import (
    BESIDE_FIGURES,
    analysis_again,
    compared_again,
    criteria_again,
    criteria_agree,
    health_items_again,
    page_again,
    verdict_again,
)
from cycler.proof.showing import shown

if TYPE_CHECKING:
    from cycler.criteria import Criteria


def checks(carried: Carried, logs: Sequence[tuple[str, bytes]] | None, page_is_sealed: bool) -> list[Check]:
    """Everything about a record that can be computed; a page is made again only if it is the one that was sealed.

    Raises
    ------
    InputError, KeyError, TypeError, ValueError ...
        The content is not of the form of a record.
    """
    from cycler import __version__

    content = carried.content
    made_by = str(content["software"]["version"])
    run = _Run(content, made_by)
    found = find_logs(content["sources"], (content["before"] or {}).get("sources") or (), logs) if logs else None
    done = [_criteria(content)]
    criteria = criteria_again(content["criteria"])
    done.append(found.check if found else Check(
        "logs", NOT_CHECKED, "No log was given. To have the figures computed again, name the raw logs with --log: "
        + _names(content["sources"]) + ".",
    ))
    log, analysis, figures = _figures(run, content, found, criteria, "figures", "figure")
    before, earlier = _before(run, found, criteria)
    verdict, check = _verdict(run, analysis, before, criteria)
    done += [figures, check, *earlier]
    compared, compared_check = _compared(run, analysis, before)
    items, items_check = _health_items(run, analysis, compared)
    done += [*compared_check, items_check]
    if page_is_sealed and carried.kind != "json" and analysis is not None and all(item.result != BAD for item in done):
        seal = carried.envelope["seal"]
        page = page_again(
            content, carried.kind, log, analysis, verdict, compared, items, seal["record_sha256"], seal["fingerprint"],
        )
        done.append(shown(carried, page, content["issued_with"]["version"] != __version__))
    return [*done, _program(made_by, __version__)]


class _Run:
    """The content, and whether another version of the program computed its figures."""

    def __init__(self, content: dict[str, Any], made_by: str) -> None:
        from cycler import __version__

        self.content = content
        self.made_by = made_by
        self.other_version = made_by != __version__

    def differences(self, recorded: Any, computed: Any, source: str = "from the log") -> list[str]:
        """Every leaf that differs, told. What a newer version knows besides is no difference; a finding, group or criterion that is not there is one."""
        found = sorted(differences(recorded, computed), key=lambda item: _weight(item.path))
        return [
            item.told(computed=source) for item in found
            if not (self.other_version and item.recorded is MISSING) or _ENTRY.search(item.path)
        ]

    def told(self, good: str, what: str, found: list[str], name: str) -> Check:
        """The check of ``name``, good if nothing differs."""
        if not found:
            return Check(name, GOOD, good)
        version = (
            f" They were computed by version {quote(self.made_by)[1:-1]} of the program: check with that one before you conclude anything."
            if self.other_version else ""
        )
        head, of, whole = what.partition(" of ")  # "parts of the verdict"
        return Check(name, BAD, f"{count(len(found), f'{what} does', f'{head}s{of}{whole} do')} not come out again.{version}", some(found))


_ENTRY = re.compile(r"(?:^|\.)(?:findings|groups|steps|criteria)\[[^\]]*\]$")
"""A whole entry of what was found, measured or judged, which no other version leaves out unsaid."""
_FIRST = ("verdict.result", "capacity.value_ah", "capacity.", "resistance.headline", "limiting_group", "findings", "groups", "verdict.")


def _weight(path: str) -> int:
    """What a reader asks for first stands first."""
    return next((place for place, start in enumerate(_FIRST) if path.startswith(start)), len(_FIRST))


def _criteria(content: Mapping[str, Any]) -> Check:
    part = content["criteria"]
    agree = criteria_agree(part)
    if agree is False:
        return Check("criteria", BAD, "The text of the criteria in the record does not have the hash that stands beside it: limits or hash were changed.")
    if content["verdict"].get("criteria_sha256") != part["sha256"]:
        return Check("criteria", BAD, "The verdict was made by criteria of another hash than those in the record.")
    if agree is None:
        return Check("criteria", GOOD, "The criteria are in the record, with the hash that the verdict names.")
    return Check("criteria", GOOD, f"The criteria {quote(part['name'])} are in the record, as the verdict names them.")


def _figures(
    run: _Run, kept: Mapping[str, Any], found: LogsFound | None, criteria: Criteria, name: str, what: str,
) -> tuple[Any, dict[str, Any] | None, Check]:
    """Log and analysis of a run computed again, if its logs are there, and what differs."""
    if found is None:
        return None, None, Check(name, NOT_CHECKED, "The figures were not computed again: that needs the raw logs.")
    if not found.has(kept["sources"]):
        return None, None, Check(name, NOT_CHECKED, "The figures were not computed again: not all logs given are those that were measured.")
    try:
        log, analysis = analysis_again(kept, found.by_sha256, criteria)
    except InputError as error:
        return None, None, Check(name, BAD, f"The logs cannot be read with the settings in the record: {error.what} ({error.why}).")
    recorded = {key: value for key, value in kept["analysis"].items() if key not in BESIDE_FIGURES}
    good = f"All {_leaves(recorded)} figures and words of the analysis come out of the logs again."
    return log, analysis, run.told(good, what, run.differences(recorded, analysis), name)


def _before(run: _Run, found: LogsFound | None, criteria: Criteria) -> tuple[dict[str, Any] | None, list[Check]]:
    """The earlier run's analysis, computed again if its logs were given, else as the record keeps it."""
    before = run.content["before"]
    if before is None:
        return None, []
    if found is None or not any(source["sha256"] in found.by_sha256 for source in before["sources"]):
        names = _names(before["sources"])
        return before["analysis"], [Check("before", NOT_CHECKED, f"The figures of the earlier run were not computed again: its logs ({names}) were not given.")]
    software = before["analysis"].get("software") or run.content["software"]
    _log, analysis, check = _figures(_Run(run.content, str(software["version"])), before, found, criteria, "before", "figure of the earlier run")
    return analysis if analysis is not None else before["analysis"], [check]


def _verdict(run: _Run, analysis: dict[str, Any] | None, before: dict[str, Any] | None, criteria: Criteria) -> tuple[dict[str, Any], Check]:
    decided = run.content["verdict"].get("decided")  # what a person said: sealed, but nothing that can be computed
    recorded = {key: value for key, value in run.content["verdict"].items() if key != "decided"}
    made = verdict_again(analysis if analysis is not None else run.content["analysis"], run.content, criteria, before)
    source = "from the log" if analysis is not None else "from the record's own figures"
    word = str(made["result"]).replace("_", " ")
    return made | ({"decided": decided} if decided else {}), run.told(
        f"The verdict, {word}, comes out again {source} by the criteria in the record.", "part of the verdict",
        run.differences({"verdict": recorded}, {"verdict": made}, source), "verdict",
    )


def _compared(run: _Run, analysis: dict[str, Any] | None, before: dict[str, Any] | None) -> tuple[Any, list[Check]]:
    recorded = run.content["compared"]
    if recorded is None or before is None:
        if recorded is None and before is None:
            return None, []
        return recorded, [Check("compared", BAD, "The record holds an earlier run or a comparison, but not both.")]
    made = compared_again(before, analysis if analysis is not None else run.content["analysis"], recorded["names"])
    found = run.differences({"compared": recorded}, {"compared": made}, "computed")
    return made, [run.told("The comparison with the earlier run comes out again.", "part of the comparison", found, "compared")]


def _health_items(run: _Run, analysis: dict[str, Any] | None, compared: Any) -> tuple[Any, Check]:
    recorded = run.content["health_items"]
    made = health_items_again(run.content, analysis if analysis is not None else run.content["analysis"], compared)
    found = run.differences({"health_items": recorded}, {"health_items": made}, "computed")
    return made, run.told("The items of state of health follow from the figures.", "item", found, "health_items")


def _program(made_by: str, version: str) -> Check:
    if made_by == version:
        return Check("program", GOOD, f"The figures were computed by this version of the program, {version}.")
    return Check(
        "program", NOT_CHECKED, f"The figures were computed by version {quote(made_by)[1:-1]} of the program, and this is {version}: they may differ for that alone.",
    )


def _names(rows: Sequence[Mapping[str, Any]]) -> str:
    return ", ".join(some([quote(row["file"], 80) for row in rows]))


def _leaves(value: Any) -> int:
    number, stack = 0, [value]
    while stack:
        item = stack.pop()
        if isinstance(item, (dict, list)):
            stack += item.values() if isinstance(item, dict) else item
        else:
            number += 1
    return number
