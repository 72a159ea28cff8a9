"""The page to sign in on: a plain form that needs no script."""

from __future__ import annotations

from flask import render_template_string

from dashboard import text, text_access

SHEETS = ("0-palette.css", "1-base.css", "2-frame.css", "3-forms.css", "4-parts.css", "login.css")
"""Style sheets of the page, by name, in their order."""
OPEN_ASSETS = frozenset(f"/assets/{name}" for name in (*SHEETS, "scheme.js", "favicon.svg"))
"""All that is handed out without a session, besides the page itself."""

_PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<meta name="robots" content="noindex">
<title>{{ words.TITLE }} · {{ product }}</title>
<script src="/assets/scheme.js"></script>
<link rel="icon" type="image/svg+xml" href="/assets/favicon.svg">
{% for sheet in sheets %}<link rel="stylesheet" href="/assets/{{ sheet }}">
{% endfor %}</head>
<body>
<main class="login">
<div class="brand"><span class="brand-mark" aria-hidden="true"></span><strong>{{ product }}</strong></div>
<h1>{{ words.TITLE }}</h1>
<p>{{ words.LEAD }}</p>
{% if message %}<p class="{{ 'login-said' if calm else 'error-panel' }}" role="{{ 'status' if calm else 'alert' }}" id="login-message">{{ message }}</p>
{% endif %}<form method="post" action="/login" class="part">
<input type="hidden" name="form" value="{{ form }}">
<input type="hidden" name="next" value="{{ next }}">
<div class="field"><label for="login-name">{{ words.NAME }}</label>
<input id="login-name" name="name" type="text" autocomplete="username" autocapitalize="none" spellcheck="false" maxlength="60" required value="{{ name }}"{{ '' if name else ' autofocus' }}></div>
<div class="field"><label for="login-password">{{ words.PASSWORD }}</label>
<input id="login-password" name="password" type="password" autocomplete="current-password" maxlength="200" required{{ ' autofocus' if name else '' }}></div>
<button type="submit" class="button button-main">{{ words.GO }}</button>
</form>
<p class="hint">{{ words.FORGOTTEN }}</p>
{% if not tls %}<p class="caution"><span class="flag flag-caution" aria-hidden="true"></span><span>{{ words.NO_TLS }}</span></p>
{% endif %}</main>
</body>
</html>
"""


def login_page(form: str, next_path: str, message: str = "", name: str = "", tls: bool = False, calm: bool = False) -> str:
    """The page as HTML; every value is escaped. ``form`` is the token of the form, ``calm`` a message that is no error; without ``tls`` it is told that others can read along."""
    return render_template_string(
        _PAGE, words=text_access, product=text.PRODUCT, sheets=SHEETS, form=form, next=next_path, message=message, name=name, tls=tls, calm=calm,
    )
