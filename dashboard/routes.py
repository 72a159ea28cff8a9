"""Plain routes beside the pages: files in, records out."""

from __future__ import annotations

import re
from typing import IO
from urllib.parse import unquote

from flask import Flask, Response, jsonify, request
from werkzeug.exceptions import ClientDisconnected

from cycler.errors import InputError
from dashboard import advice
from dashboard.access import session_key
from dashboard.data import RECORD_KINDS, Door
from dashboard.downloads import attachment
from dashboard.uploads import FILES_MAX, Uploads, clean_name, not_whole, too_large

UPLOAD_PATH = "/drop"
FORGET_PATH = "/drop/forget"
RECORD_PATH = "/record"


def four_parts(error: InputError) -> dict[str, str]:
    """An error as the page's script and the components take it."""
    return advice.for_page(error).parts()


def add_routes(server: Flask, door: Door, uploads: Uploads) -> None:
    """Routes for dropped files and for records."""

    @server.put(UPLOAD_PATH)
    def receive() -> tuple[Response, int]:
        request.max_content_length = uploads.bytes_max
        name = clean_name(unquote(request.headers.get("X-File-Name", "log")))
        length = request.content_length
        if length is None and "Transfer-Encoding" not in request.headers:
            length = 0
        if length is None:
            error = InputError("the length of the file is not stated", name, "no Content-Length", "send the whole file")
            return jsonify(error=four_parts(error)), 411
        if length > uploads.bytes_max:
            return jsonify(error=four_parts(too_large(name, uploads.bytes_max))), 413
        try:
            folder = unquote(request.headers.get("X-File-Folder", ""))
            dropped = uploads.receive(name, request.stream, folder, length, request.headers.get("X-File-For") == "log", session_key())
        except InputError as error:
            _rest_of(request.stream)
            return jsonify(error=four_parts(error)), 422
        except ClientDisconnected:
            return jsonify(error=four_parts(not_whole(name, 0, length))), 422
        return jsonify(token=dropped.token, name=dropped.name, bytes=dropped.bytes), 201

    @server.post(FORGET_PATH)
    def forget() -> tuple[str, int]:
        """A page that is left throws away what was dropped for it alone; logs wait on."""
        named = request.get_json(silent=True)
        for token in named[:FILES_MAX] if isinstance(named, list) else []:
            uploads.remove(str(token))
        return "", 204

    @server.get(f"{RECORD_PATH}/<int:record_id>/<name>")
    def record(record_id: int, name: str) -> Response:
        kind = name.rsplit(".", 1)[-1]
        if kind not in RECORD_KINDS or not re.fullmatch(r"[A-Za-z0-9._-]{1,120}", name):
            return Response("No such record.\n", 404, mimetype="text/plain")
        try:
            content = door.record_file(record_id, kind)
        except InputError as error:
            return Response(advice.for_page(error).one_line() + "\n", 404, mimetype="text/plain")
        return attachment(content, RECORD_KINDS[kind], name)


def _rest_of(stream: IO[bytes]) -> None:
    """Let the rest of a refused file come: a browser hears no answer while it is still sending."""
    try:
        while stream.read(1 << 20):
            pass
    except ClientDisconnected:
        return


def record_address(record_id: int, serial: str, kind: str) -> str:
    """Address under which a record is downloaded."""
    safe = re.sub(r"[^A-Za-z0-9._-]+", "-", serial)[:80]
    return f"{RECORD_PATH}/{record_id}/pack-record-{safe}.{kind}"
