"""The route under which photos of pack cards are shown: as pictures, never as pages."""

from __future__ import annotations

from flask import Flask, Response

from cycler.errors import InputError
from dashboard import advice
from dashboard.data import Door
from dashboard.downloads import disposition

PHOTO_PATH = "/photo"
_ENDING = {"image/jpeg": "jpg", "image/png": "png", "image/webp": "webp"}


def add_photo_routes(server: Flask, door: Door) -> None:
    """The route for photos, by the digest of their bytes."""

    @server.get(f"{PHOTO_PATH}/<sha256>")
    def photo(sha256: str) -> Response:
        if len(sha256) != 64 or not set(sha256) <= set("0123456789abcdef"):
            return Response("No such photo.\n", 404, mimetype="text/plain")
        try:
            content, media_type = door.photo(sha256)
        except InputError as error:
            return Response(advice.for_page(error).one_line() + "\n", 404, mimetype="text/plain")
        answer = Response(content, 200, mimetype=media_type)
        # The address is the digest of the bytes, and a card may hold ten photos of 20 MB: a browser need not fetch them for every look.
        answer.headers["Cache-Control"] = "private, max-age=3600, immutable"
        answer.headers["Content-Disposition"] = disposition(f"photo-{sha256[:12]}.{_ENDING[media_type]}", "inline")
        return answer


def photo_address(sha256: str) -> str:
    """Address under which a photo is shown."""
    return f"{PHOTO_PATH}/{sha256}"
