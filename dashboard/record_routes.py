"""The routes under which labels, the pages of jobs and kept bench sheets are downloaded."""

from __future__ import annotations

import re
from collections.abc import Callable

from flask import Flask, Response

from cycler.errors import InputError
from dashboard import advice
from dashboard.data import LABEL_KINDS, Door
from dashboard.downloads import attachment

LABEL_PATH = "/label"
HANDOVER_PATH = "/handover"
SHEET_PATH = "/job-sheet"
_SERIAL = re.compile(r"[A-Za-z0-9._-]{1,80}")


def add_label_route(server: Flask, door: Door) -> None:
    """``/label/RUN/SERIAL.pdf`` and ``.png``: the label of a record that still holds."""

    @server.get(f"{LABEL_PATH}/<int:run_id>/<name>")
    def label(run_id: int, name: str) -> Response:
        serial, _dot, kind = name.rpartition(".")
        if kind not in LABEL_KINDS or not _SERIAL.fullmatch(serial):
            return Response("No such label.\n", 404, mimetype="text/plain")
        try:
            content = door.label_file(run_id, serial, kind)
        except InputError as error:
            return Response(advice.for_page(error).one_line() + "\n", 409, mimetype="text/plain")
        return attachment(content, LABEL_KINDS[kind], f"pack-label-{serial}.{kind}")


def add_job_routes(server: Flask, door: Door) -> None:
    """``/handover/JOB``: a job as one page; ``/job-sheet/JOB/SHEET.toml``: a bench sheet as it was kept."""

    @server.get(f"{HANDOVER_PATH}/<int:job_id>")
    def handover(job_id: int) -> Response:
        return _attached(lambda: door.job_page_file(job_id), "text/html")

    @server.get(f"{SHEET_PATH}/<int:job_id>/<int:sheet_id>.toml")
    def kept_sheet(job_id: int, sheet_id: int) -> Response:
        return _attached(lambda: door.job_sheet_file(job_id, sheet_id), "application/toml")


def _attached(made: Callable[[], tuple[str, bytes]], kind: str) -> Response:
    """A file to be saved; what the register has not is 404 in one line."""
    try:
        name, content = made()
    except InputError as error:
        return Response(advice.for_page(error).one_line() + "\n", 404, mimetype="text/plain")
    return attachment(content, kind, name)


def handover_address(job_id: int) -> str:
    """Address under which a job is downloaded as one page."""
    return f"{HANDOVER_PATH}/{job_id}"


def job_sheet_address(job_id: int, sheet_id: int) -> str:
    """Address under which a kept bench sheet is downloaded."""
    return f"{SHEET_PATH}/{job_id}/{sheet_id}.toml"


def label_address(run_id: int, serial: str, kind: str) -> str:
    """Address under which a label is downloaded."""
    return f"{LABEL_PATH}/{run_id}/{serial}.{kind}"
