"""The route under which labels are downloaded."""

from __future__ import annotations

import re

from flask import Flask, Response

from cycler.errors import InputError
from dashboard import advice
from dashboard.data import LABEL_KINDS, Door

LABEL_PATH = "/label"
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
        answer = Response(content, 200, mimetype=LABEL_KINDS[kind])
        answer.headers["Content-Disposition"] = f'attachment; filename="pack-label-{serial}.{kind}"'
        return answer


def label_address(run_id: int, serial: str, kind: str) -> str:
    """Address under which a label is downloaded."""
    return f"{LABEL_PATH}/{run_id}/{serial}.{kind}"
