"""What the command line shows of a pack's card, of corrections, and of a check of the register."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.text import Text

from cycler.tables import CAUTION, CAUTION_DANGER, build_parts, print_dangers
from cycler.terminal import DASH, Sheet, items, row, ruled, sentence

KIND_WORDS = {
    "number": "workshop number", "customer": "customer reference", "status": "status", "fault": "fault found", "work": "work done",
    "part": "part fitted", "note": "note", "danger": "danger", "photo": "photo",
}
CORRECTION_WORDS = {
    "analysis": "analysed again with another pack file", "withdraw": "withdrawn", "reinstate": "counts again",
}


def print_card(
    sheet: Sheet, pack_id: str, card: Mapping[str, Any], dangers: Sequence[Mapping[str, Any]], runs: Sequence[int],
    ratings: Mapping[str, Any] | None,
) -> None:
    """A card as it holds now, what held before, and the caution where a danger is open; ``ratings`` are those of the newest run."""
    sheet.pairs([
        ("Pack", ", ".join([pack_id, *build_parts(ratings or {})])), ("Runs", ", ".join(map(str, runs)) or "none yet"),
    ])
    values = {"number": card.get("workshop_number"), "customer": card.get("customer_reference"), "status": card.get("status")}
    sheet.pairs(
        (KIND_WORDS[kind].capitalize(), f"{values[kind]} (no. {number}{', not on records unless asked' if kind == 'customer' else ''})")
        for kind, number in card["numbers"].items()
    )
    lines = [
        *((item["id"], KIND_WORDS[item["kind"]], item["text"], item) for item in items(card.get("entries"))),
        *((item["id"], "photo", f"{item['file']}, {item['bytes']} bytes" + (f": {item['caption']}" if item["caption"] else ""), item)
          for item in items(card.get("photos"))),
    ]
    if lines:
        sheet.blank()
        table = ruled(("No.", "n"), ("Kind", "t"), ("", "t"), ("By", "t"), ("On\nUTC", "t"))
        for number, kind, text, item in sorted(lines, key=lambda line: line[0]):
            row(table, str(number), kind, text, item["who"], item["at"][:10])
        sheet.table(table)
    else:
        sheet.line("Nothing else stands on its card.")
    ended = items(card.get("superseded"))
    if ended:
        sheet.title("Holds no more")
        sheet.pairs((f"No. {item['id']}", ended_text(item)) for item in ended)
    if dangers:
        sheet.title("Open danger")
        print_dangers(sheet, [(f"{item['who']}, {item['at'][:10]}", sentence(item["message"])) for item in dangers])
        sheet.line(f"Every verdict of the pack is a fail until it is closed: cycler pack {pack_id} --close {dangers[0]['id']} --why TEXT --by NAME")
        sheet.blank()
        sheet.line(Text(CAUTION_DANGER, style="bold red"))
        sheet.line(CAUTION)


def ended_text(item: Mapping[str, Any]) -> str:
    """How an entry of a card came to hold no more, in one sentence."""
    end = item["ended"]
    how = {"close": "closed", "replace": f"replaced by no. {end['id']}"}.get(end["act"], f"followed by no. {end['id']}")
    why = f": {sentence(end['why'])}" if end.get("why") else "."
    return f"{KIND_WORDS[item['kind']]}, {item['text'] or DASH} ({item['who']}, {item['at'][:10]}); {how} by {end['who']} on {end['at'][:10]}{why}"


def print_corrections(sheet: Sheet, corrections: Sequence[Mapping[str, Any]]) -> None:
    """What was corrected of a run, oldest first: who, when, why."""
    if corrections:
        sheet.title("Corrections")
        sheet.pairs((item["at"], correction_text(item)) for item in corrections)


def correction_text(item: Mapping[str, Any]) -> str:
    """One correction in a sentence."""
    what = f"label is now {item['label'] or 'empty'}" if item["kind"] == "label" else CORRECTION_WORDS[item["kind"]]
    return f"{what}, by {item['who']}: {sentence(item['why'])}"


def print_check(sheet: Sheet, report: Mapping[str, Any]) -> None:
    """What a check looked at, and what it found."""
    counts = report["counts"]
    held = (("packs", "pack"), ("runs", "run"), ("logs", "log file"), ("records", "record"), ("attachments", "photo"), ("jobs", "job"))
    sheet.pairs([
        ("Register", report["name"]),
        ("Holds", ", ".join(f"{counts[key]} {word}{'s' if counts[key] != 1 else ''}" for key, word in held if key in counts)),
        *(
            [("Chain", f"{report['entries']} entries"), ("Head", f"{report['entries']}:{report['head']}")] if report["chained"]
            else [("Chain", f"none yet: the register is of version {report['version']} and gets one when it is next used")]
        ),
    ])
    if report["head_given"] is not None:
        sheet.line(f"The head given, {report['head_given']}, is {'still' if report['head_found'] else 'NOT'} in the chain.")
    sheet.blank()
    if report["problems"]:
        sheet.line(Text("The register is not as it was written:", style="bold red"))
        for number, item in enumerate(report["problems"], 1):
            sheet.line(f"{number}. {sentence(item['text'])}")
        if report["more_problems"]:
            sheet.line(f"And {report['more_problems']} more.")
        sheet.line("Keep this file as it is, and put back the last good copy with: cycler restore FILE")
        return
    sheet.line(
        "In order: the file, all references, every raw log, record and photo against its digest"
        + (", every row against its entry in the chain, and the chain from end to end." if report["chained"] else ".")
    )
    if report["chained"]:
        sheet.line(report["limits"])
