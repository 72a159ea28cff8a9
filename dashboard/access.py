"""Logins: nothing is answered without a session but the page to sign in on. Only where the pages are served beyond this computer."""

from __future__ import annotations

import hashlib
import hmac
import logging
import secrets
import threading
from urllib.parse import quote, urlencode, urlsplit

from flask import Flask, Response, g, has_request_context, redirect, request
from werkzeug.http import parse_cookie
from werkzeug.wrappers import Response as AnyResponse

from cycler.errors import InputError
from cycler.users import PASSWORD_MAX, Users, clean_name
from dashboard import text_access
from dashboard.login_page import OPEN_ASSETS, login_page
from dashboard.sessions import Attempts, Session, Sessions, seconds_in_words

LOGIN_PATH, LOGOUT_PATH = "/login", "/logout"
_FORM_BYTES_MAX = 20_000
_NAME_MAX = 200
_NEXT_MAX = 2000
_HASH_WAIT_S = 8.0
"""Passwords are worked on one after the other, since each takes much memory; whoever waits longer is told to come again. [s]"""
_HASHES_MAX = 3
"""As many sign-ins wait or are worked on at once, so that a burst of them leaves threads for those who are signed in."""
_LOGGER = logging.getLogger(__name__)


class Access:
    """Sessions of one server, and the cookies that stand for them.

    Parameters
    ----------
    users : Users
        Who may sign in.
    behind_tls : bool
        Browsers reach the server by HTTPS: cookies are never sent otherwise.
    """

    def __init__(self, users: Users, behind_tls: bool = False, sessions: Sessions | None = None, attempts: Attempts | None = None) -> None:
        self.users = users
        self.behind_tls = behind_tls
        self.sessions = sessions or Sessions()
        self.attempts = attempts or Attempts()
        self._hashing, self._in_line = threading.Lock(), threading.BoundedSemaphore(_HASHES_MAX)
        self._secret = secrets.token_bytes(32)
        # Cookies of one host are shared by all its ports: servers of two registers must not sign each other's users out.
        own = hashlib.sha256(str(users.path).encode()).hexdigest()[:8]
        begin = "__Host-" if behind_tls else ""
        self.cookie, self.form_cookie = f"{begin}bench-{own}", f"{begin}bench-form-{own}"

    # ---- sessions ------------------------------------------------------------------------------------------------

    def session_of(self, token: str | None) -> Session | None:
        """The session of a cookie, if its user is still there with the same password."""
        found = self.sessions.find(token)
        if found is None:
            return None
        try:
            user = self.users.one(found.user.name)
        except InputError as error:
            _LOGGER.error("%s", error)
            return None
        if user is None or user.mark != found.user.mark:
            self.sessions.end(token)
            return None
        return found

    def knows(self, cookies: str) -> bool:
        """Whether a Cookie header holds a session."""
        return self.session_of(parse_cookie(cookies).get(self.cookie)) is not None

    def guard(self) -> AnyResponse | None:
        """Before every call: the session, or the way to one."""
        g.session = self.session_of(request.cookies.get(self.cookie))
        if g.session is not None or request.path == LOGIN_PATH or (request.path in OPEN_ASSETS and request.method in ("GET", "HEAD")):
            return None
        if request.method == "GET" and "text/html" in request.headers.get("Accept", "") and request.path != LOGOUT_PATH:
            query = request.query_string.decode("ascii", "replace")
            wanted = own_path(quote(request.path) + (f"?{query}" if query else ""))
            return redirect(f"{LOGIN_PATH}?{urlencode({'next': wanted})}" if wanted != "/" else LOGIN_PATH, 303)
        return Response(text_access.NOT_SIGNED_IN, 401, mimetype="text/plain")

    # ---- the form ------------------------------------------------------------------------------------------------

    def show_form(self, message: str = "", status: int = 200, wait_s: float = 0.0, name: str = "", calm: bool = False) -> Response:
        """The page to sign in on, with a token of its own that is held against a cookie (login CSRF)."""
        nonce = secrets.token_urlsafe(24)
        wanted = own_path(request.form.get("next", "") if request.method == "POST" else request.args.get("next", ""))
        answer = Response(login_page(self._form_token(nonce), wanted, message, name[:_NAME_MAX], self.behind_tls or _asked_here(), calm), status, mimetype="text/html")
        self._set(answer, self.form_cookie, nonce)
        if wait_s > 0:
            answer.headers["Retry-After"] = str(int(-(-wait_s // 1)))
        return answer

    def sign_in(self) -> AnyResponse:
        """``POST /login``."""
        request.max_content_length = _FORM_BYTES_MAX
        form = request.form
        nonce = request.cookies.get(self.form_cookie, "")
        if not nonce or not hmac.compare_digest(self._form_token(nonce).encode(), form.get("form", "").encode()):
            return self.show_form(text_access.OLD_FORM, 403)
        name, password = clean_name(form.get("name", "")[:_NAME_MAX]), form.get("password", "")[: PASSWORD_MAX + 1]
        address = request.remote_addr or ""
        wait = self.attempts.begin(name, address)
        if wait > 0:
            _LOGGER.warning("too many tries to sign in, the last one from %s", address)
            return self.show_form(text_access.WAIT.format(wait=seconds_in_words(wait, text_access.WAIT_WORDS)), 429, wait, name)
        if not self._in_line.acquire(blocking=False):
            return self.show_form(text_access.BUSY, 503, _HASH_WAIT_S, name)
        try:
            if not self._hashing.acquire(timeout=_HASH_WAIT_S):
                return self.show_form(text_access.BUSY, 503, _HASH_WAIT_S, name)
            try:
                user = self.users.check(name, password)
            finally:
                self._hashing.release()
        except InputError as error:
            _LOGGER.error("%s", error)
            return self.show_form(text_access.NO_FILE.format(what=error.what), 503, 60.0, name)
        finally:
            self._in_line.release()
        if user is None:
            return self.show_form(text_access.WRONG, 401, name=name)
        self.attempts.right(name, address)
        self.sessions.end(request.cookies.get(self.cookie))  # a session that was there before the sign-in never goes on
        answer = redirect(own_path(form.get("next", "")), 303)
        self._set(answer, self.cookie, self.sessions.begin(user))
        self._drop(answer, self.form_cookie)
        return answer

    def sign_out(self) -> AnyResponse:
        """``POST /logout``: the session ends here, whoever has its cookie."""
        self.sessions.end(request.cookies.get(self.cookie))
        answer = redirect(f"{LOGIN_PATH}?out=1", 303)
        self._drop(answer, self.cookie)
        return answer

    def _form_token(self, nonce: str) -> str:
        return hmac.new(self._secret, nonce.encode("utf-8", "replace"), hashlib.sha256).hexdigest()

    def _set(self, answer: AnyResponse, name: str, value: str) -> None:
        answer.set_cookie(name, value, httponly=True, samesite="Strict", secure=self.behind_tls, path="/")

    def _drop(self, answer: AnyResponse, name: str) -> None:
        answer.delete_cookie(name, httponly=True, samesite="Strict", secure=self.behind_tls, path="/")


def demand_logins(server: Flask, access: Access) -> None:
    """Put the guard before every route of ``server``, and add the page to sign in on; call before any other route is added."""
    server.before_request(access.guard)

    @server.get(LOGIN_PATH)
    def show_login() -> AnyResponse:
        if g.session is not None:
            return redirect(own_path(request.args.get("next", "")), 303)
        out = request.args.get("out") == "1"
        return access.show_form(text_access.SIGNED_OUT if out else "", calm=out)

    server.add_url_rule(LOGIN_PATH, "sign_in", access.sign_in, methods=["POST"])
    server.add_url_rule(LOGOUT_PATH, "sign_out", access.sign_out, methods=["POST"])

    @server.after_request
    def keep_nothing(answer: Response) -> Response:
        """What needs a session is not left in a browser that others may use after the sign-out."""
        if not request.path.startswith(("/assets/", "/bundle/", "/_dash-component-suites/")):
            answer.headers["Cache-Control"] = "no-store"
        return answer


def signed_in() -> str:
    """Name of whoever makes the call that is being answered; empty without logins."""
    session = g.get("session") if has_request_context() else None
    return session.user.name if session is not None else ""


def _asked_here() -> bool:
    """True if the page is asked for at this computer's own address from this computer: by a browser on it, or through an SSH tunnel."""
    host = request.host.rpartition(":")[0] or request.host
    return host in ("127.0.0.1", "localhost", "[::1]") and request.remote_addr in ("127.0.0.1", "::1")


def session_key() -> str:
    """What tells the sign-ins apart, of the call that is being answered; empty without logins."""
    session = g.get("session") if has_request_context() else None
    return session.key if session is not None else ""


def own_path(wanted: str) -> str:
    """``wanted`` if it is a page of this server by path alone, else ``/`` (OWASP "Unvalidated Redirects and Forwards", from memory)."""
    plain = 0 < len(wanted) <= _NEXT_MAX and wanted.isascii() and wanted.isprintable() and "\\" not in wanted
    if not plain or not wanted.startswith("/") or wanted.startswith("//"):
        return "/"
    try:
        parts = urlsplit(wanted)
    except ValueError:
        return "/"
    return "/" if parts.scheme or parts.netloc or parts.path in (LOGIN_PATH, LOGOUT_PATH) else wanted
