"""What keeps other pages and other machines out: trusted names, same-origin writes, content policy, size limits."""

from __future__ import annotations

from urllib.parse import urlsplit

import dash
from flask import Flask, Response, request
from werkzeug.exceptions import Forbidden, HTTPException

CALLBACK_BYTES_MAX = 2_000_000
"""Largest body of an ordinary call; dropped files go through a route of their own with its own limit."""

LOCAL_HOSTS = ("127.0.0.1", "localhost")

_SAFE_METHODS = {"GET", "HEAD", "OPTIONS"}


def same_origin(origin: str | None, fetch_site: str | None, host: str) -> bool:
    """True if a call that changes something comes from a page of this very server.

    A browser always sends one of the two headers with such calls; a call without either is not from a page
    (a script on this machine) and passes.
    """
    if fetch_site is not None and fetch_site not in ("same-origin", "none"):
        return False
    try:
        return origin is None or urlsplit(origin).netloc == host
    except ValueError:  # no address at all
        return False


def content_policy(script_hashes: list[str]) -> str:
    """Content policy: nothing from elsewhere, no inline script but those whose hash is given, no eval."""
    return "; ".join(
        (
            "default-src 'self'",
            " ".join(("script-src 'self'", *script_hashes)),
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "font-src 'self' data:",
            "connect-src 'self'",
            "object-src 'none'",
            "base-uri 'none'",
            "form-action 'self'",
            "frame-ancestors 'none'",
        )
    )


def protect(server: Flask, hosts: tuple[str, ...] = LOCAL_HOSTS) -> None:
    """Guards that do not depend on the pages. ``hosts`` are the names this server answers to."""
    server.config["TRUSTED_HOSTS"] = list(hosts)
    server.config["MAX_CONTENT_LENGTH"] = CALLBACK_BYTES_MAX

    @server.before_request
    def refuse_foreign_calls() -> None:
        _ = request.host  # a name that is not trusted raises here, before anything is read
        if request.method in _SAFE_METHODS:
            return
        if not same_origin(request.headers.get("Origin"), request.headers.get("Sec-Fetch-Site"), request.host):
            raise Forbidden("Calls that change something must come from this program's own pages.")

    @server.errorhandler(HTTPException)
    def plain_error(error: HTTPException) -> tuple[str, int, dict[str, str]]:
        return f"{error.code} {error.name}\n", error.code or 500, {"Content-Type": "text/plain; charset=utf-8"}


def send_policy(app: dash.Dash) -> None:
    """Send the content policy with every answer; call when layout and callbacks are complete."""
    policy = content_policy(list(app.csp_hashes()))

    @app.server.after_request
    def add_headers(response: Response) -> Response:
        response.headers["Content-Security-Policy"] = policy
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["X-Frame-Options"] = "DENY"
        response.headers["Referrer-Policy"] = "same-origin"
        response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        if not request.path.startswith(("/_dash-component-suites/", "/assets/")):
            response.headers.setdefault("Cache-Control", "no-store")
        return response
