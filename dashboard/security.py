"""What keeps other pages and other machines out: trusted names, same-origin writes, content policy, size limits.

The rules follow, from memory, the OWASP Cheat Sheets "Cross-Site Request Forgery Prevention" (verifying the origin with standard headers,
Fetch Metadata), "Content Security Policy" and "HTTP Security Response Headers".
"""

from __future__ import annotations

from urllib.parse import urlsplit

import dash
from flask import Flask, Response, request
from werkzeug.exceptions import BadRequest, Forbidden, HTTPException

CALLBACK_BYTES_MAX = 2_000_000
"""Largest body of an ordinary call; dropped files go through a route of their own with its own limit."""

LOCAL_HOSTS = ("127.0.0.1", "localhost")

_SAFE_METHODS = {"GET", "HEAD", "OPTIONS"}


PERMISSIONS = ", ".join(f"{name}=()" for name in (
    "accelerometer", "camera", "display-capture", "geolocation", "gyroscope", "hid", "magnetometer", "microphone", "midi", "payment",
    "serial", "usb", "xr-spatial-tracking",
))
"""What no page may ask the browser for."""
ATTACHED_POLICY = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; frame-ancestors 'none'"
"""Content policy of a file that is handed out: should a browser show it all the same, it is a page of nobody and runs nothing."""


class ForeignName(BadRequest):
    """The pages are asked for by a name that was not given to the server."""

    description = (
        "these pages are not served under the name or address you asked for. Use the one that was printed when the program was started; "
        "whoever runs it can add yours: cycler serve --name NAME"
    )


def name_of(host: str) -> str:
    """Name or address in a Host header, without port, in small letters; "[::1]" keeps its brackets. Empty for what is none."""
    name, colon, port = host.strip().lower().rpartition(":")
    if not colon or (host.startswith("[") and host.endswith("]")):
        name, port = host.strip().lower(), "0"
    return name if port.isdecimal() and port.isascii() and (":" not in name or name.startswith("[")) else ""


def same_origin(origin: str | None, fetch_site: str | None, host: str, must_tell: bool = False, tls: bool = False) -> bool:
    """True if a call that changes something comes from a page of this very server.

    A browser always sends one of the two headers with such calls; a call without either is not from a page
    (a script on this machine) and passes, unless ``must_tell``. With ``tls`` a page of the same name that came without TLS is another
    origin (RFC 6454, 4: scheme, host and port): whoever sits in the network may have written it.
    """
    if must_tell and origin is None and fetch_site is None:
        return False
    if fetch_site is not None and fetch_site not in ("same-origin", "none"):
        return False
    try:
        if origin is None:
            return True
        parts = urlsplit(origin)
        return parts.netloc == host and (not tls or parts.scheme == "https")
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


def protect(server: Flask, hosts: tuple[str, ...] = LOCAL_HOSTS, must_tell: bool = False, tls: bool = False) -> None:
    """Guards that do not depend on the pages.

    Parameters
    ----------
    hosts : tuple of str
        Names and addresses this server answers to, IPv6 ones in brackets; others may be pages that have a name of their own lead here.
    must_tell : bool
        Refuse also calls that do not say where they come from.
    tls : bool
        Browsers reach the server by HTTPS alone.
    """
    trusted = {host.lower() for host in hosts}
    server.config["MAX_CONTENT_LENGTH"] = CALLBACK_BYTES_MAX

    @server.before_request
    def refuse_foreign_calls() -> None:
        if name_of(request.headers.get("Host", "")) not in trusted:  # before anything is read
            raise ForeignName
        if request.method in _SAFE_METHODS:
            return
        if not same_origin(request.headers.get("Origin"), request.headers.get("Sec-Fetch-Site"), request.host, must_tell, tls):
            raise Forbidden("Calls that change something must come from this program's own pages.")

    @server.errorhandler(RecursionError)
    def too_deep(_error: RecursionError) -> tuple[str, int, dict[str, str]]:
        return "400 Bad Request: nested too deeply\n", 400, {"Content-Type": "text/plain; charset=utf-8"}

    @server.errorhandler(HTTPException)
    def plain_error(error: HTTPException) -> tuple[str, int, dict[str, str]]:
        told = f": {error.description}" if isinstance(error, ForeignName) else ""
        return f"{error.code} {error.name}{told}\n", error.code or 500, {"Content-Type": "text/plain; charset=utf-8"}


def send_policy(app: dash.Dash) -> None:
    """Send the content policy with every answer; call when layout and callbacks are complete."""
    policy = content_policy(list(app.csp_hashes()))

    @app.server.after_request
    def add_headers(response: Response) -> Response:
        attached = response.headers.get("Content-Disposition", "").startswith("attachment")
        response.headers["Content-Security-Policy"] = ATTACHED_POLICY if attached else policy
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["X-Frame-Options"] = "DENY"
        response.headers["Referrer-Policy"] = "same-origin"
        response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        response.headers["Permissions-Policy"] = PERMISSIONS
        if not request.path.startswith(("/_dash-component-suites/", "/assets/", "/bundle/")):
            response.headers.setdefault("Cache-Control", "no-store")
        return response
