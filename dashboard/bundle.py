"""The sheets and scripts of all pages as two files, made at the start: a page asks for two instead of thirty-five."""

from __future__ import annotations

import hashlib
from pathlib import Path

from dash import Dash
from flask import Response
from werkzeug.exceptions import NotFound

BUNDLE_PATH = "/bundle"
APART = ("scheme.js",)
"""Scripts that a page names itself."""
_KINDS = {"css": "text/css", "js": "text/javascript"}


def bundle_assets(app: Dash) -> None:
    """Serve the assets in the order of their names, and put them into every page; call before the mark of the pages is made.

    The address of a file is the digest of its bytes, so that a browser never has to ask whether it still holds.
    """
    folder = Path(app.config.assets_folder)
    whole: dict[str, tuple[bytes, str]] = {}
    names: dict[str, str] = {}
    for kind, media_type in _KINDS.items():
        parts = [path.read_text("utf-8") for path in sorted(folder.glob(f"*.{kind}")) if path.name not in APART]
        content = "\n".join(parts).encode()
        names[kind] = f"{hashlib.sha256(content).hexdigest()[:20]}.{kind}"
        whole[names[kind]] = (content, media_type)
    sheet = f'<link rel="stylesheet" href="{BUNDLE_PATH}/{names["css"]}">'
    script = f'<script src="{BUNDLE_PATH}/{names["js"]}"></script>'
    app.index_string = app.index_string.replace("{%css%}", f"{{%css%}}\n{sheet}", 1).replace("{%scripts%}", f"{script}\n{{%scripts%}}", 1)

    @app.server.get(f"{BUNDLE_PATH}/<name>")
    def bundled(name: str) -> Response:
        if name not in whole:
            raise NotFound
        content, media_type = whole[name]
        answer = Response(content, mimetype=media_type)
        answer.headers["Cache-Control"] = "private, max-age=31536000, immutable"
        return answer
