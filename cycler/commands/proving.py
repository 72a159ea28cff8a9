"""Commands around proof: ``key`` for the workshop's own key, ``verify`` for a record in anybody's hands."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from cycler.commands.common import Command, Settings, json_option, print_json, write_examples
from cycler.commands.progress import Working
from cycler.commands.reading import read_sources

if TYPE_CHECKING:
    from cycler.proof.keys import PublicKey, SigningKey
    from cycler.proof.verify import Verification

EXIT_NOT_AS_ISSUED = 3
NEW_PASSPHRASE_VARIABLE = "CYCLER_KEY_NEW_PASSPHRASE"
_TRIES = 3
_SHORT = 14
"""Passphrases with fewer characters are remarked upon; common practice, no source."""


def key_option() -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """``--key``: the workshop's key file, given on as ``key_file``."""
    return click.option(
        "--key", "key_file", metavar="FILE", envvar="CYCLER_KEY", show_envvar=True,
        help="Key file of the workshop instead of the one in your data directory.",
    )


def signing_key(settings: Settings, key_file: str | None = None) -> SigningKey:
    """The workshop's key, made on first use; asks for its passphrase on a terminal and tells what the owner must know."""
    from cycler.proof.keys import load_or_make_key

    return _told(settings, _opened(lambda passphrase: load_or_make_key(key_file or None, passphrase)))


def _opened(load: Callable[[str | None], SigningKey]) -> SigningKey:
    """The key, with the passphrase from the environment or as it is typed."""
    from cycler.proof.keys import PASSPHRASE_VARIABLE, KeyLocked

    try:
        return load(None)
    except KeyLocked:
        if os.environ.get(PASSPHRASE_VARIABLE) or not sys.stdin.isatty():
            raise
    for attempt in range(1, _TRIES + 1):
        typed = click.prompt("Passphrase of the workshop key", hide_input=True, err=True)
        try:
            return load(typed)
        except KeyLocked as error:
            if attempt == _TRIES:
                raise
            click.echo(f"{error.what[0].upper()}{error.what[1:]}.", err=True)
    raise AssertionError("unreachable")


def _told(settings: Settings, key: SigningKey) -> SigningKey:
    # Rights that were mended are told even with --quiet: somebody else may have the key.
    for remark in key.remarks[1:] if key.made and settings.quiet else key.remarks:
        click.echo(remark, err=True)
    return key


class _KeyGroup(click.Group):
    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        super().format_epilog(ctx, formatter)
        write_examples(formatter, ("cycler key show", "cycler key export quayside.pem"))


@click.group(cls=_KeyGroup, short_help="Show, export or protect the workshop's key.")
def key() -> None:
    """The workshop's own key, with which records are sealed.

    It is made with the first record, and only its owner can read its file. Who checks a record compares the key's
    fingerprint with the one that the workshop tells. A lost key cannot be replaced by anything: keep a copy of its
    file apart.
    """


@key.command(cls=Command, short_help="Show fingerprint, public key and where it lies.", examples=("cycler key show", "cycler key show --json"))
@key_option()
@click.option("--make", is_flag=True, help="Make the key now if there is none yet.")
@json_option("One JSON object.")
@click.pass_obj
def show(settings: Settings, key_file: str | None, make: bool, as_json: bool) -> None:
    """Show fingerprint and public key, and where the key lies; never the private key."""
    from cycler.proof.keys import KEY_VARIABLE, LOST, default_key_path, is_protected, mend_rights

    path = key_file or str(default_key_path())
    if make:
        signing_key(settings, path)
    public = _public(path)
    for remark in mend_rights(path):
        click.echo(remark, err=True)
    protected = is_protected(path)
    if as_json:
        print_json({
            "schema": "cycler.key/1", "fingerprint": public.fingerprint, "public_key": public.b64, "file": path, "protected": protected,
        })
        return
    from cycler.terminal import Sheet

    sheet = Sheet()
    sheet.pairs([
        ("Fingerprint", public.fingerprint),
        ("Public key", f"{public.b64} (Ed25519, base64)"),
        ("Passphrase", "set" if protected else "none: who can read the file can sign; set one with: cycler key protect"),
    ])
    sheet.path(f"File         {path}" + (f" (named by {KEY_VARIABLE})" if os.environ.get(KEY_VARIABLE) == path else ""))
    sheet.line(LOST)


@key.command(cls=Command, short_help="Write the public key to a file.", examples=("cycler key export quayside.pem",))
@click.argument("target", metavar="FILE")
@key_option()
@click.pass_obj
def export(settings: Settings, target: str, key_file: str | None) -> None:
    """Write the public key to a new file, for those who check records.

    They use it with: cycler verify RECORD --key FILE. It cannot sign anything. A file is never overwritten.
    """
    from cycler.proof.keys import default_key_path, export_public_key
    from cycler.terminal import Sheet

    public = _public(key_file or str(default_key_path()))
    export_public_key(public, target)
    sheet = Sheet()
    sheet.path(f"Wrote the public key to {target}")
    sheet.line(f"Fingerprint {public.fingerprint}: tell it on another way than the file, so that it can be compared.")


@key.command(cls=Command, short_help="Set, change or remove the passphrase.", examples=("cycler key protect", "cycler key protect --remove"))
@key_option()
@click.option("--remove", is_flag=True, help="Keep the key without a passphrase from now on.")
@click.pass_obj
def protect(settings: Settings, key_file: str | None, remove: bool) -> None:
    """Set, change or remove the passphrase of the key; the key stays the same.

    Passphrases are asked for on the terminal, or taken from CYCLER_KEY_PASSPHRASE (the present one) and
    CYCLER_KEY_NEW_PASSPHRASE. A forgotten passphrase cannot be got back: write it down and keep it apart from the key.
    """
    from cycler.proof.keys import default_key_path, is_protected, load_key, protect_key
    from cycler.terminal import Sheet

    path = key_file or str(default_key_path())
    was = is_protected(path)
    sheet = Sheet()
    if remove and not was:
        sheet.line("The key has no passphrase; nothing was changed.")
        return
    known: list[str | None] = [None]

    def load(passphrase: str | None) -> SigningKey:
        known[0] = passphrase
        return load_key(path, passphrase)

    _told(settings, _opened(load))
    new = None if remove else _new_passphrase()
    made = protect_key(path, known[0], new)
    what = "removed: who can read the file can sign" if remove else "changed" if was else "set"
    sheet.line(f"The passphrase was {what}. The key is the same, fingerprint {made.fingerprint}.")
    if new is not None:
        if len(new) < _SHORT:
            sheet.line(f"It has fewer than {_SHORT} characters: who gets hold of the file can try many. Several words are safer.")
        sheet.line("Copies of the file made before still open as they did. A forgotten passphrase cannot be got back.")


def _new_passphrase() -> str:
    from cycler.errors import InputError
    from cycler.proof.keys import check_passphrase

    given = os.environ.get(NEW_PASSPHRASE_VARIABLE)
    if given is None:
        if not sys.stdin.isatty():
            raise InputError(
                "no new passphrase", "cycler key protect", "there is no terminal to ask on",
                f"put it into the variable {NEW_PASSPHRASE_VARIABLE}",
            )
        given = click.prompt(
            "New passphrase (several words are better than one)", hide_input=True, err=True, confirmation_prompt=True,
        )
    return check_passphrase(given)


def _public(path: str) -> PublicKey:
    """The public key of a key file; the passphrase is asked for only if the file does not say it."""
    from cycler.proof.keys import KeyLocked, load_key, own_public_key

    try:
        found = own_public_key(path)
    except KeyLocked:
        return _opened(lambda passphrase: load_key(path, passphrase)).public
    return found if found is not None else load_key(path).public  # which tells that there is none


@click.command(
    cls=Command, short_help="Check a record: its seal, its logs, its figures.",
    examples=(
        "cycler verify record-EB-0412-2026-0003-1.pdf", "cycler verify record.json --log before.csv --log after.csv --key quayside.pem",
    ),
)
@click.argument("record", metavar="RECORD")
@click.option("--log", "logs", metavar="FILE", multiple=True, help="A raw log of the record, to have the figures computed again. Once for each file; names and order do not matter.")
@click.option("--key", "public_file", metavar="PUBLIC.pem", help="Public key that the workshop is known by. Without it your own key, if you have one, is compared.")
@click.option("--code", metavar="TEXT", help="Text of the QR code on a print or label, or the hash printed beside it: does it belong to this file?")
@json_option("One JSON object: every check with its result.")
@click.pass_obj
def verify(settings: Settings, record: str, logs: tuple[str, ...], public_file: str | None, code: str | None, as_json: bool) -> int:
    """Check a record as anybody can: page, PDF or JSON, with nothing but the file, the logs and this program.

    Told is whether the seal is good and whose it is, whether content and page are as issued or what was changed, whether
    the logs are the same, and whether figures, verdict and comparison come out of them again. No register is asked.

    Exit code 0: all that was looked at is as it should be; what was not looked at is said. 3: something is not. 2: the file
    cannot be used.
    """
    from cycler.proof.carrier import load_file
    from cycler.proof.keys import load_public_key
    from cycler.proof.verify import verify_record

    public = load_public_key(public_file) if public_file is not None else None
    raw = load_file(record)
    with Working(settings, "checking the record") as work:
        sources = read_sources(logs, whole_path=False, work=work) if logs else None
        found = verify_record(raw, record, sources, public, _own_key(settings) if public is None else None, code)
    if as_json:
        print_json(found.to_dict())
    else:
        _print(found, bool(logs))
    return 0 if found.good else EXIT_NOT_AS_ISSUED


def _own_key(settings: Settings) -> PublicKey | None:
    """The key of whoever checks, if there is one; one that cannot be used stops no check of somebody else's record."""
    from cycler.errors import InputError
    from cycler.proof.keys import own_public_key

    try:
        return own_public_key()
    except InputError as error:
        if not settings.quiet:
            click.echo(f"Your own key is left out: {error.what} ({error.why}).", err=True)
        return None


_WORDS = {"good": "Good", "bad": "NOT GOOD", "not_checked": "Not checked"}
_TITLES = {
    "signature": "Seal", "content": "Content", "key": "Key", "page": "File", "code": "Code", "criteria": "Criteria", "logs": "Logs",
    "figures": "Figures", "verdict": "Verdict", "before": "Earlier run", "compared": "Comparison", "health_items": "Items", "shown": "What is shown", "program": "Program",
}


def _print(found: Verification, with_logs: bool) -> None:
    from cycler.proof.leaves import RULE
    from cycler.proof.verify import LIMITS
    from cycler.terminal import Sheet, figure

    shown = found.shown
    sheet = Sheet()
    sheet.path(found.name)
    open_ = [_TITLES[check.id].lower() for check in found.checks if check.result == "not_checked"]
    bad = ", ".join(_TITLES[check.id].lower() for check in found.checks if check.result == "bad")
    if found.good:
        sheet.line("Everything that was looked at is as it should be.")
    else:
        sheet.line(f"{'DOES NOT HOLD' if found.as_issued else 'NOT AS ISSUED'}: {bad}.")
        if not found.as_issued:
            sheet.line("Do not rely on this file: ask the workshop for it as it was issued, byte for byte.")
    if open_:
        sheet.line(f"Not checked: {', '.join(open_)}.")
    for check in found.checks:
        sheet.title(f"{_TITLES[check.id]}: {_WORDS[check.result]}")
        sheet.line(check.text)
        for detail in check.details:
            sheet.line(f"- {detail}")
    sheet.title(
        "What the sealed content says; hold it against what is printed" if found.sealed
        else "What the content says now; IT IS NOT THE SEALED ONE, do not rely on it"
    )
    capacity = figure(shown["capacity_ah"], shown["u_capacity_ah"], "Ah") + ("" if shown["capacity_valid"] is True else " (no valid capacity test)")
    sheet.pairs([
        ("Record", f"{shown['serial']} of {shown['made_at']}" + (f", {shown['workshop']}" if shown["workshop"] else "")),
        ("Pack", f"{shown['pack'] or 'not stated'}" + (f", {shown['run_label']}" if shown["run_label"] else "")),
        ("Verdict", str(shown["verdict"] or "none").replace("_", " ").upper()),
        *([("", str(shown["summary"]))] if shown["summary"] else []),
        *([("Decided by", str(shown["decided_by"]))] if shown["decided_by"] else []),
        *([("Remark", str(shown["remark"]))] if shown["remark"] else []),
        ("Capacity", capacity),
        ("Key", shown["fingerprint"] or "none"),
    ])
    sheet.path(f"Hash      {shown['record_sha256']}")
    sheet.blank()
    if with_logs:
        sheet.line(f"Rule: {RULE}.")
    sheet.line(LIMITS)
