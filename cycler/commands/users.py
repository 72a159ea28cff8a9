"""The command ``users``: who may sign in to the pages from another computer."""

from __future__ import annotations

import sys

import click

from cycler.commands.common import Command, Settings, global_options, json_option, print_json, write_examples
from cycler.commands.keeping import remark


class _Group(click.Group):
    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        super().format_epilog(ctx, formatter)
        write_examples(formatter, ('cycler users add "A. Bell"', "cycler users --json"))


@click.group(
    cls=_Group, invoke_without_command=True, params=global_options(hidden=True), short_help="List, add or remove who may sign in to the pages.",
)
@json_option("One JSON object: the users, without anything of their passwords.")
@click.pass_context
def users(ctx: click.Context, as_json: bool) -> None:
    """List who may sign in to the pages of `cycler serve --host`.

    They stand in a file beside the register, which only you can read; passwords are kept hashed. The pages ask for no
    sign-in as long as they are served to this computer alone.
    """
    if ctx.invoked_subcommand is not None:
        if as_json:
            raise click.UsageError("--json stands alone.")
        return
    from cycler.users import Users, users_path

    settings = ctx.ensure_object(Settings)
    file = users_path(settings.register)
    known = Users(file).all()
    if as_json:
        print_json({"schema": "cycler.users/1", "file": str(file), "users": [{"name": user.name, "password_since": user.since} for user in known]})
        return
    from cycler.terminal import Sheet, row, ruled

    sheet = Sheet()
    if not known:
        sheet.line("Nobody may sign in yet. Add a user with: cycler users add NAME")
        return
    table = ruled(("User", "t"), ("Password since (UTC)", "t"))
    for user in known:
        row(table, user.name, user.since[:16].replace("T", " "))
    sheet.table(table)
    sheet.path(str(file))


@users.command(
    cls=Command, short_help="Add a user, or give one a new password.",
    examples=('cycler users add "A. Bell"', 'cycler users add "A. Bell" --password-stdin < password.txt'),
)
@click.argument("name", metavar="NAME")
@click.option("--password-stdin", "from_stdin", is_flag=True, help="Take the password from the first line of standard input; nothing is asked.")
@click.pass_obj
def add(settings: Settings, name: str, from_stdin: bool) -> None:
    """Add a user, or give one a new password, which signs that user out everywhere.

    The password is asked for twice and not shown. It has at least 12 characters; several words are better than one.
    """
    from cycler.users import Users, check_name, users_path

    name = check_name(name)  # before anything is asked
    user, new = Users(users_path(settings.register)).add(name, _password(from_stdin))
    remark(settings, f"{user.name} may sign in." if new else f"{user.name} has a new password and is signed out everywhere.")


def _password(from_stdin: bool) -> str:
    from cycler.errors import InputError

    if from_stdin:
        try:
            line = sys.stdin.readline(100_000)
        except UnicodeDecodeError:
            raise InputError("the password cannot be read", "--password-stdin", f"it is not written in {sys.stdin.encoding}", "write it in that encoding") from None
        return line.removesuffix("\n").removesuffix("\r")
    if not sys.stdin.isatty():
        raise InputError("no password", "cycler users add", "there is no terminal to ask on", "give it with --password-stdin")
    from cycler.users import PASSWORD_MIN

    return str(click.prompt(f"Password, at least {PASSWORD_MIN} characters (several words are better than one; not shown)", hide_input=True, err=True, confirmation_prompt=True))


@users.command(cls=Command, short_help="Remove a user.", examples=('cycler users remove "A. Bell"', 'cycler --register bench2.sqlite users remove "A. Bell"'))
@click.argument("name", metavar="NAME")
@click.pass_obj
def remove(settings: Settings, name: str) -> None:
    """Remove a user, who is signed out at once. What that user wrote stays, under the name it was written with."""
    from cycler.users import Users, users_path

    gone = Users(users_path(settings.register)).remove(name)
    remark(settings, f"{gone.name} may no longer sign in.")
