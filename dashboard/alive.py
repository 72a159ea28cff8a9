"""Whether a page in a browser still belongs to the program that runs: its mark, and the route that tells it."""

from __future__ import annotations

import hashlib
from pathlib import Path

from dash import Dash
from flask import Response, jsonify

ALIVE_PATH = "/alive"
HEADER = "X-Pages"


def pages_mark(app: Dash, register_name: str) -> str:
    """Mark of the pages as served: another one where callbacks, scripts, sheets or the register are others."""
    seen = hashlib.sha256(register_name.encode())
    for key in sorted(app.callback_map):
        seen.update(key.encode())
    for path in sorted(Path(app.config.assets_folder).iterdir()):
        if path.is_file():
            seen.update(path.read_bytes())
    return seen.hexdigest()[:16]


def tell_alive(app: Dash, register_name: str) -> None:
    """Put the mark into the page and into every answer, and answer ``/alive``; call when all callbacks are complete."""
    mark = pages_mark(app, register_name)
    app.index_string = app.index_string.replace("<head>", f'<head>\n<meta name="pages" content="{mark}">', 1)

    @app.server.get(ALIVE_PATH)
    def alive() -> Response:
        return jsonify(pages=mark)

    @app.server.after_request
    def add_mark(answer: Response) -> Response:
        answer.headers[HEADER] = mark
        return answer
