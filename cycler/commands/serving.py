"""Commands that open the pages in a browser: ``serve``, and ``demo`` with its own register."""

from __future__ import annotations

import os
import signal
import socket
import sys
import threading
from pathlib import Path
from typing import Any

import click

from cycler.commands.common import Command, Settings
from cycler.commands.keeping import remark
from cycler.commands.progress import Working
from cycler.errors import InputError

HOST = "127.0.0.1"
"""This computer only; never an address that others on the network can reach."""

DEFAULT_PORT = 8765
_THREADS = 6


def _port_option() -> Any:
    return click.option(
        "--port", type=click.IntRange(0, 65535), default=DEFAULT_PORT, show_default=True, metavar="PORT",
        help="Port on 127.0.0.1; 0 takes a free one.",
    )


def listening_socket(port: int) -> socket.socket:
    """A socket bound to ``port`` of this computer. InputError if the port is taken or not allowed."""
    bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name == "posix":  # elsewhere the option would let two programs share the port
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound.bind((HOST, port))
        # Waitress listens on it later; by then the address printed must be answered.
        bound.listen(128)
    except OSError as error:
        bound.close()
        raise InputError(
            f"cannot open port {port}", "--port", error.strerror or "the port is taken",
            "name another port, or --port 0 for a free one",
        ) from None
    return bound


def serve_register(
    settings: Settings, register: str | Path | None, port: int, open_page: bool, key_path: str | Path | None = None,
) -> None:
    """Serve the pages until interrupted. ``key_path``: of the key that seals records, if it is not the workshop's own."""
    from cycler.database import check_place

    check_place(register)
    bound = listening_socket(port)
    try:
        with Working(settings, "starting the pages"):
            from waitress.server import create_server

            from dashboard.app import create_app

            app = create_app(register, key_path=key_path)
            server = create_server(app.server, sockets=[bound], threads=_THREADS, ident=None)
    except BaseException:
        bound.close()
        raise
    address = f"http://{HOST}:{bound.getsockname()[1]}/"
    click.echo(f"Dashboard: {address}")
    remark(settings, "Reachable from this computer only. Stop with Ctrl+C.")
    if open_page:
        import webbrowser

        webbrowser.open(address)
    _end_in_order()
    try:
        server.run()
    finally:
        server.close()
        app.server.extensions["dashboard_door"].close()


def _end_in_order() -> None:
    """Being asked to end, at log-off or with the window, is as Ctrl+C: what was dropped and waits in a temporary folder goes, too."""
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):  # not every system has both
            if hasattr(signal, name):
                signal.signal(getattr(signal, name), lambda *_: sys.exit(0))


@click.command(
    cls=Command, short_help="Show the register in a browser.",
    examples=("cycler serve", "cycler --register bench2.sqlite serve --port 0 --open"),
)
@_port_option()
@click.option("--open/--no-open", "open_page", default=False, help="Open the page in the browser.")
@click.pass_obj
def serve(settings: Settings, port: int, open_page: bool) -> None:
    """Show the register in a browser: runs, curves, comparison, verdicts, records.

    The pages work without the internet and are served to this computer alone. Log files can be dropped in.
    """
    serve_register(settings, settings.register, port, open_page)


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
    with Working(settings, "demonstration", steps_of_demo()) as work:
        made = run_demo(place, progress=work.begin)
    print_demo(made)
    if open_dashboard:
        serve_register(settings, made.register, port, open_page=False, key_path=made.key)
