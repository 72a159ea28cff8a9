"""Commands on what stands beside the figures: ``pack`` (a pack's card) and ``correct`` (a run put right)."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cycler.commands.common import Command, RunNumber, Settings, json_option, load_pack, print_json
from cycler.commands.keeping import open_register, print_earlier_dangers, remark
from cycler.commands.progress import Working

if TYPE_CHECKING:
    from cycler.register import Register

TEXT_OPTIONS = ("fault", "work", "part", "note", "danger", "number", "customer", "status")


def _texts(name: str, text: str) -> Any:
    return click.option(f"--{name}", name, metavar="TEXT", multiple=name not in ("number", "customer", "status"), help=text)


@click.command(
    cls=Command, short_help="Show a pack's card, or write on it.",
    examples=(
        'cycler pack EB-0412 --fault "group 3 weak" --photo case.jpg --by "A. Bell"',
        'cycler pack EB-0412 --close 4 --why "cells of group 3 renewed" --by "A. Bell"',
    ),
)
@click.argument("pack_id", metavar="ID")
@_texts("fault", "A fault that was found.")
@_texts("work", "Work that was done.")
@_texts("part", "A part that was fitted.")
@_texts("note", "Anything else.")
@_texts("danger", "An open danger (\"group 3 swollen\"): a veto on every verdict until it is closed.")
@_texts("number", "The workshop's own number of the pack.")
@_texts("customer", "Reference of the customer; kept out of records unless asked for there.")
@_texts("status", "Status word of the regulation: original, re-used, repurposed, remanufactured or waste.")
@click.option(
    "--photo", "photos", metavar="FILE", multiple=True,
    help="A JPEG, PNG or WebP of at most 20 MB; kept byte for byte, with the place and time that a camera may have written into it.",
)
@click.option("--caption", "captions", metavar="TEXT", multiple=True, help="What the photo shows; one for each --photo, in the same order.")
@click.option("--replace", "replaced", metavar="NO", type=click.IntRange(min=1), help="Put the one text given in the place of the entry of this number.")
@click.option("--close", "closed", metavar="NO", type=click.IntRange(min=1), help="The danger is dealt with, or the entry was a mistake: it holds no more.")
@click.option("--why", default="", metavar="TEXT", help="Reason for --replace or --close.")
@click.option("--by", "who", default="", metavar="NAME", envvar="CYCLER_BY", show_envvar=True, help="Who writes it; needed for everything that is written.")
@click.option("--new", is_flag=True, help="Begin the card of a pack that the register does not know yet.")
@click.option("--save-photos", "folder", metavar="FOLDER", help="Write the photos out, as they were taken in.")
@json_option("One JSON object: the card, with what holds no more.")
@click.pass_obj
def pack(
    settings: Settings, pack_id: str, photos: tuple[str, ...], captions: tuple[str, ...], replaced: int | None, closed: int | None,
    why: str, who: str, new: bool, folder: str | None, as_json: bool, **given: Any,
) -> None:
    """Show a pack's card: its numbers, faults found, work done, parts fitted, photos, dangers.

    Options write on it. An entry is never changed: one that is put right, or closed, stays to be seen with who, when and why.
    A danger on the card holds back every verdict of the pack until somebody closes it.
    """
    texts = [
        (name, text) for name in TEXT_OPTIONS for text in ([given[name]] if isinstance(given[name], str) else given[name] or ())
    ]
    _check_use(texts, photos, captions, replaced, closed, why, new)
    writing = bool(texts or photos or replaced or closed)
    taken = [(name, _read(name), caption) for name, caption in zip(photos, (*captions, *("",) * len(photos)), strict=False)]
    with open_register(settings, create=writing and new) as register:
        if replaced is not None:
            _replace(register, pack_id, replaced, texts, captions, who, why)
        elif closed is not None:
            register.cards.supersede(pack_id, closed, None, who=who, why=why)
        elif writing:
            register.cards.add_all(pack_id, texts, taken, who=who, new=new)
        card = register.card(pack_id, customer=True, superseded=True)
        dangers, runs = register.open_dangers(pack_id), [item.id for item in register.runs(pack_id)]
        ratings = register.run(runs[-1]).pack.to_dict() if runs else None
        saved = _save_photos(register, pack_id, card["photos"], folder) if folder is not None else ()
    if as_json:
        print_json({"schema": "cycler.card/1", "pack_id": pack_id, **card, "open_dangers": dangers, "runs": runs, "ratings": ratings})
        return
    from cycler.cardtables import ended_text, print_card
    from cycler.terminal import Sheet

    sheet = Sheet()
    if ended := [item for item in card["superseded"] if item["id"] in (replaced, closed)]:
        sheet.line(f"No. {ended[0]['id']}: {ended_text(ended[0])}")
        sheet.blank()
    print_card(sheet, pack_id, card, dangers, runs, ratings)
    for path in saved:
        sheet.path(str(path))
    if folder is not None and not saved:
        sheet.line("There is no photo to write out.")


def _check_use(
    texts: list[tuple[str, str]], photos: tuple[str, ...], captions: tuple[str, ...], replaced: int | None, closed: int | None,
    why: str, new: bool,
) -> None:
    """UsageError where options do not go together."""
    if replaced is not None and closed is not None:
        raise click.UsageError("Give one of --replace and --close.")
    if why and replaced is None and closed is None:
        raise click.UsageError("--why goes with --replace or --close.")
    if replaced is not None and (len(texts) + len(captions) != 1 or photos):
        raise click.UsageError("--replace takes exactly one text, with the option of its kind; for a photo, --caption.")
    if closed is not None and (texts or photos or captions):
        raise click.UsageError("--close takes no text but --why.")
    if replaced is None and len(captions) > len(photos):
        raise click.UsageError("There are more --caption than --photo.")
    if new and not (texts or photos):
        raise click.UsageError("--new needs something to write on the card: --number, --fault, --note ...")


def _replace(
    register: Register, pack_id: str, number: int, texts: list[tuple[str, str]], captions: tuple[str, ...], who: str, why: str,
) -> None:
    kind, text = texts[0] if texts else ("photo", captions[0])
    register.cards.supersede(pack_id, number, text, who=who, why=why, kind=kind)


def _read(name: str) -> bytes:
    """Bytes of a photo; no more of them than tell that it is too large."""
    from cycler.errors import InputError
    from cycler.packcard import PHOTO_MAX_BYTES

    try:
        with open(name, "rb") as stream:
            return stream.read(PHOTO_MAX_BYTES + 1)
    except OSError as error:
        raise InputError("the photo cannot be read", name, error.strerror or "read error", "check the path and permissions") from None
    except ValueError:
        raise InputError("the photo cannot be read", "--photo", "no file can have this name", "check the path") from None


def _save_photos(register: Register, pack_id: str, photos: list[dict[str, Any]], folder: str) -> tuple[Path, ...]:
    from cycler.files import file_stem, ready_files, target_folder
    from cycler.packcard import photo_ending

    target = target_folder(folder)
    stem = file_stem(f"photo-{pack_id[:60]}")
    contents = [
        (target / f"{stem}-{item['id']}{photo_ending(item['media_type'])}", register.photo_bytes(item["sha256"])) for item in photos
    ]
    with ready_files("photo", contents) as files:
        return files.name_them()


@click.command(
    cls=Command, short_help="Put right what was wrong about a run.",
    examples=(
        'cycler correct 3 --pack eb-0412.toml --by "A. Bell" --why "rated capacity was mistyped"',
        'cycler correct 3 --withdraw --by "A. Bell" --why "the log is of another pack"',
    ),
)
@click.argument("run_id", metavar="RUN", type=RunNumber())
@click.option("--pack", "pack_file", metavar="PACK.toml", help="Analyse and judge the raw logs again with this pack file.")
@click.option("--instrument", "instrument_file", metavar="BENCH.toml", help="Limits of error of the bench, in place of those in the pack file.")
@click.option("--label", metavar="TEXT", help="Give the run another label.")
@click.option("--withdraw", is_flag=True, help="The run counts no more: no record of it is issued. What it showed stays to be seen.")
@click.option("--reinstate", is_flag=True, help="A run that was withdrawn counts again.")
@click.option("--by", "who", default="", metavar="NAME", envvar="CYCLER_BY", show_envvar=True, help="Who corrects it.")
@click.option("--why", default="", metavar="TEXT", help="Why.")
@click.pass_obj
def correct(
    settings: Settings, run_id: int, pack_file: str | None, instrument_file: str | None, label: str | None, withdraw: bool,
    reinstate: bool, who: str, why: str,
) -> None:
    """Put right what was wrong about a run: its pack file, its label, or that it counts at all.

    Nothing is overwritten: earlier analyses, verdicts and records stay, and show says who corrected what, when and why. The raw
    logs cannot be corrected; with --pack they are analysed again, and judged by the set of the newest verdict.
    """
    if sum((pack_file is not None, label is not None, withdraw, reinstate)) != 1:
        raise click.UsageError("Give one of --pack, --label, --withdraw and --reinstate.")
    if instrument_file is not None and pack_file is None:
        raise click.UsageError("--instrument goes with --pack.")
    from cycler.workflow import known_dangers

    corrected = None
    given = load_pack(pack_file, instrument_file) if pack_file is not None else None
    with open_register(settings) as register:
        if given is not None:
            from cycler.reanalysis import correct_run

            with Working(settings, "reading and analysing again"):
                corrected = correct_run(register, run_id, given, who=who, why=why)
        elif label is not None:
            register.correct_label(run_id, label, who=who, why=why)
        else:
            (register.withdraw if withdraw else register.reinstate)(run_id, who=who, why=why)
        run, done = register.run(run_id), register.corrections(run_id)
        records, earlier = register.records(run_id), known_dangers(register, run.pack_id)
    from cycler.cardtables import correction_text
    from cycler.tables import capacity_rows, print_caution, print_grave, verdict_text
    from cycler.terminal import DASH, Sheet, sentence

    sheet = Sheet()
    sheet.pairs([
        ("Run", f"{run.id} of pack {run.pack_id}" + (f", {run.label}" if run.label else "")), ("Corrected", correction_text(done[-1])),
    ])
    if corrected is not None:
        sheet.pairs([
            pair for word, analysis in (("Before", corrected.before), ("Now", corrected.after)) for pair in (
                *((f"{word}: {name.lower()}", value) for name, value in capacity_rows(analysis) if name in ("Capacity", "State of health")),
                (f"{word}: verdict", verdict_text(analysis.get("verdict")) if analysis.get("verdict") else DASH),
            )
        ])
        for message in corrected.gone:
            sheet.line(f"The analysis before found a danger that this one does not: {sentence(message)} Look at the pack before you trust this one.")
        if corrected.contradicting:
            one = len(corrected.contradicting) == 1
            sheet.line(
                f"{'Run' if one else 'Runs'} {', '.join(map(str, corrected.contradicting))} of the pack {'has' if one else 'have'} other ratings: "
                f"correct {'it' if one else 'them'} too, unless the pack was rebuilt."
            )
        print_grave(sheet, corrected.after.get("findings") or [])
    if records:
        serials = ", ".join(item.serial for item in records)
        sheet.line(f"Records issued before, still as they were: {serials}. Tell whoever holds them" + (
            "." if run.withdrawn else f", and issue a new one with: cycler record {run_id} --to FOLDER"
        ))
    print_earlier_dangers(sheet, earlier, -1 if run.withdrawn else run_id)
    if corrected is not None:
        print_caution(sheet, corrected.after, short=True)
    remark(settings, f"What was kept before stays. See it all with: cycler show {run_id}")
