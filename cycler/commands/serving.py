"""Commands that open the pages in a browser: ``serve``, and ``demo`` with its own register."""

from __future__ import annotations

import errno
import os
import signal
import socket
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cycler.commands.common import Command, Settings
from cycler.commands.keeping import remark
from cycler.commands.progress import Working
from cycler.commands.reach import LOCAL, LOCAL_ADDRESS, Reach, reach_of, remarks
from cycler.errors import InputError

if TYPE_CHECKING:
    from cycler.users import Users

DEFAULT_PORT = 8765
UPLOAD_LIMIT_MB = 512
_THREADS = 6
_STRANGERS_BYTES_MAX = 65_536
"""Largest body that is taken in from somebody who is not signed in. [byte]"""


def _port_option() -> Any:
    return click.option(
        "--port", type=click.IntRange(0, 65535), default=DEFAULT_PORT, show_default=True, metavar="PORT",
        help="Port to serve at; 0 takes a free one.",
    )


def listening_socket(port: int, reach: Reach = LOCAL) -> socket.socket:
    """A socket bound to ``port`` of the address. InputError if the port is taken or not allowed, or the address is none of this computer."""
    try:
        bound = socket.socket(reach.family, socket.SOCK_STREAM)
    except OSError:
        raise InputError(
            "cannot serve at this address", "--host", f"this computer does not speak the protocol of {reach.address}", "give an address of another kind, or leave --host out",
        ) from None
    if os.name == "posix":  # elsewhere the option would let two programs share the port
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound.bind((reach.address, port))
        # Waitress listens on it later; by then the address printed must be answered.
        bound.listen(128)
    except OSError as error:
        bound.close()
        if error.errno == errno.EADDRNOTAVAIL or isinstance(error, socket.gaierror):
            raise InputError(
                "cannot serve at this address", "--host", f"{reach.address} is no address of this computer", "give one of its own, or leave --host out",
            ) from None
        raise InputError(
            f"cannot open port {port}", "--port", error.strerror or "the port is taken",
            "name another port, or --port 0 for a free one",
        ) from None
    return bound


def serve_register(
    settings: Settings, register: str | Path | None, port: int, open_page: bool, key_path: str | Path | None = None, reach: Reach = LOCAL,
    upload_limit_mb: int = UPLOAD_LIMIT_MB,
) -> None:
    """Serve the pages until interrupted.

    Parameters
    ----------
    key_path : str, Path or None
        Of the key that seals records, if it is not the workshop's own.
    reach : Reach
        From where the pages can be reached.
    upload_limit_mb : int
        Largest dropped file. [MB]

    Raises
    ------
    InputError
        The register or the port cannot be used, or users are needed and there are none.
    """
    from cycler.database import check_place

    check_place(register)
    users = _users(register) if reach.logins else None
    bound = listening_socket(port, reach)
    try:
        with Working(settings, "starting the pages"):
            from waitress.server import create_server

            from dashboard.access import Access
            from dashboard.app import create_app

            access = Access(users, reach.behind_tls) if users is not None else None
            limit = upload_limit_mb * 1_000_000
            app = create_app(register, key_path=key_path, upload_bytes_max=limit, hosts=reach.hosts, access=access)
            # A file somewhat above the limit still hears from the page why it is refused.
            options: dict[str, Any] = {"threads": _THREADS, "ident": None, "max_request_body_size": 2 * limit + 1_000_000}
            if reach.behind_tls:
                # What calls at 127.0.0.5 of this computer comes from 127.0.0.1.
                options |= {"trusted_proxy": "127.0.0.1" if "." in reach.address else reach.address, "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-proto"}}
            server = create_server(app.server, sockets=[bound], **options)
            if access is not None:
                _take_little_from_strangers(server, access.knows)
    except BaseException:
        bound.close()
        raise
    address = reach.url(bound.getsockname()[1])
    click.echo(f"Dashboard: {address}")
    if reach.behind_tls:
        remark(settings, f"Listening for the proxy at {reach.address}, port {bound.getsockname()[1]}.")
    for text in remarks(reach, len(users.all()) if users is not None else 0):
        remark(settings, text)
    if open_page:
        import webbrowser

        webbrowser.open(address)
    _end_in_order()
    try:
        server.run()
    finally:
        server.close()
        app.server.extensions["dashboard_door"].close()


def _users(register: str | Path | None) -> Users:
    """Who may sign in. InputError if nobody may."""
    from cycler.users import Users, users_path

    users = Users(users_path(register))
    if not users.all():
        raise InputError(
            "nobody may sign in yet", "cycler serve", "beyond this computer, and with --login, the pages are served to users only", "add one first with: cycler users add NAME",
        )
    return users


def _take_little_from_strangers(server: Any, knows: Callable[[str], bool]) -> None:
    """Have waitress refuse a large body before it is taken in, unless it comes with the cookie of a session; else anybody could fill the disk."""
    from waitress.channel import HTTPChannel
    from waitress.parser import HTTPRequestParser
    from waitress.utilities import Error

    class NotSignedIn(Error):
        code, reason = 401, "Unauthorized"

    class Parser(HTTPRequestParser):
        looked_at = False

        def received(self, data: bytes) -> int:
            consumed = int(super().received(data))
            if self.headers_finished and not self.looked_at:
                self.looked_at = True
                asked: Any = self
                large = asked.chunked or asked.content_length > _STRANGERS_BYTES_MAX
                if large and asked.error is None and not knows(asked.headers.get("COOKIE", "")):
                    asked.error, asked.completed = NotSignedIn("sign in first"), True
                    asked.expect_continue = False  # who asks for leave to send is not told to go on: waitress would take it all in then
            return consumed

    class Channel(HTTPChannel):
        parser_class = Parser

    server.channel_class = Channel


def _end_in_order() -> None:
    """Being asked to end, at log-off or with the window, is as Ctrl+C: what was dropped and waits in a temporary folder goes, too."""
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):  # not every system has both
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) != signal.SIG_IGN:  # nohup: it is to outlive the log-off
                signal.signal(number, lambda *_: sys.exit(0))


@click.command(
    cls=Command, short_help="Show the register in a browser.",
    examples=("cycler serve", "cycler serve --host 192.0.2.7 --name bench.example"),
)
@_port_option()
@click.option(
    "--host", metavar="ADDRESS", default=LOCAL_ADDRESS, show_default=True,
    help="Address of this computer to serve at. Beyond this computer everybody has to sign in (cycler users).",
)
@click.option("--name", "names", metavar="NAME", multiple=True, help="A further name or address that browsers ask for. May be given more than once.")
@click.option("--behind-tls", is_flag=True, help="A reverse proxy on this computer speaks TLS with the browsers.")
@click.option("--login", is_flag=True, help="Demand logins on this computer, too.")
@click.option(
    "--upload-limit", "upload_limit_mb", type=click.IntRange(1, 4000), default=UPLOAD_LIMIT_MB, show_default=True, metavar="MB",
    help="Largest log that may be dropped on a page.",
)
@click.option("--open/--no-open", "open_page", default=False, help="Open the page in the browser.")
@click.pass_obj
def serve(
    settings: Settings, port: int, host: str, names: tuple[str, ...], behind_tls: bool, login: bool, upload_limit_mb: int, open_page: bool,
) -> None:
    """Show the register in a browser: runs, curves, comparison, verdicts, records.

    The pages work without the internet and are served to this computer alone, unless --host says otherwise. Log files can be dropped in.
    """
    serve_register(settings, settings.register, port, open_page, reach=reach_of(host, names, behind_tls, login), upload_limit_mb=upload_limit_mb)


@click.command(cls=Command, examples=("cycler demo", "cycler demo --to demo --serve"))
@click.option("--to", "folder", metavar="FOLDER", help="Where everything goes instead of a new temporary folder.")
@click.option("--serve", "open_dashboard", is_flag=True, help="Serve the pages with the result.")
@_port_option()
@click.pass_obj
def demo(settings: Settings, folder: str | None, open_dashboard: bool, port: int) -> None:
    """Take the invented sample logs through the whole job.

    Adds them to a register in a scratch folder, compares an e-bike pack before and after its repair with its
    sister pack, prints all verdicts and writes the records. Your own register is not touched.
    """
    from cycler.commands.demo_output import print_demo
    from cycler.demo import run_demo, steps_of_demo, target_folder

    place = target_folder(folder)
    if settings.register is not None:
        remark(settings, "--register counts for nothing here: the demonstration makes a register of its own, in its folder.")
    with Working(settings, "demonstration", steps_of_demo()) as work:
        made = run_demo(place, progress=work.begin)
    print_demo(made)
    if open_dashboard:
        serve_register(settings, made.register, port, open_page=False, key_path=made.key)
