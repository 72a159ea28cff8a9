"""Commands that keep the register safe: ``backup``, ``restore``, ``check``."""

from __future__ import annotations

import click

from cycler.commands.common import Command, Settings, json_option, print_json
from cycler.commands.progress import Working

EXIT_NOT_IN_ORDER = 3


@click.command(
    cls=Command, short_help="Copy the register into one file.",
    examples=("cycler backup stick/register-march.sqlite", "cycler --register bench2.sqlite backup bench2-copy.sqlite --json"),
)
@click.argument("file", metavar="FILE")
@json_option("One JSON object.")
@click.pass_obj
def backup(settings: Settings, file: str, as_json: bool) -> None:
    """Copy the register into FILE, which must not exist, while others may go on working with it.

    The copy is checked from end to end before it gets its name. Keep one away from this machine.
    """
    from cycler import custody

    with Working(settings, "copying and checking"):
        done = custody.backup(settings.register, file)
    if as_json:
        print_json(done.to_dict())
        return
    from cycler.terminal import Sheet

    sheet = Sheet()
    sheet.line(f"Copied and checked: {_held(done.report.counts)}, {done.bytes} bytes.")
    sheet.path(str(done.file))
    sheet.path(f"Head of the chain {done.report.entries}:{done.report.head}")
    sheet.line("The copy holds everything, customer references and photos too: keep it as safe as the register.")


@click.command(
    cls=Command, short_help="Put a backup in the place of the register.",
    examples=("cycler restore stick/register-march.sqlite", "cycler --register bench2.sqlite restore bench2-copy.sqlite --json"),
)
@click.argument("file", metavar="FILE")
@json_option("One JSON object.")
@click.pass_obj
def restore(settings: Settings, file: str, as_json: bool) -> None:
    """Put the backup FILE in the place of the register, after a full check of it.

    The register that is there is never lost: it is kept beside it under a name with the date. Programs that have it open go on
    with the content of the backup. On a database server it goes into an empty database only.
    """
    from cycler import custody

    with Working(settings, "checking and putting back"):
        done = custody.restore(settings.register, file)
    if as_json:
        print_json(done.to_dict())
        return
    from cycler.terminal import Sheet

    sheet = Sheet()
    sheet.line(f"Put back: {_held(done.report.counts)}.")
    sheet.path(str(done.file))
    if done.aside is not None:
        sheet.line("The register that was there is kept as" + (f" ({_held(done.before)})" if done.before else ""))
        sheet.path(str(done.aside))


def _held(counts: dict[str, int]) -> str:
    return ", ".join(f"{counts[key]} {word}{'s' if counts[key] != 1 else ''}" for key, word in (("packs", "pack"), ("runs", "run"), ("records", "record")))


@click.command(
    cls=Command, short_help="Check that the register is as it was written.",
    examples=("cycler check", f"cycler check --head 1:{'0' * 64} --json"),
)
@click.option("--head", "head_text", metavar="NO:DIGEST", help="A head of the chain from elsewhere, as an issued record states it: is it still there?")
@json_option("One JSON object.")
@click.pass_obj
def check(settings: Settings, head_text: str | None, as_json: bool) -> int:
    """Check the register from end to end: the file, references, digests of logs, records and photos, and the chain.

    Also written: cycler register check. Every row has an entry in a chain of digests, so that an edit past this program shows. Nothing is changed. The exit code is 3
    if anything is not as it was written.
    """
    from cycler import custody
    from cycler.chaincheck import parsed_head

    head = parsed_head(head_text) if head_text is not None else None
    with Working(settings, "checking"):
        report = custody.check(settings.register, head)
    if as_json:
        print_json(report.to_dict())
    else:
        from cycler.cardtables import print_check
        from cycler.terminal import Sheet

        print_check(Sheet(), report.to_dict())
    return 0 if report.good else EXIT_NOT_IN_ORDER
