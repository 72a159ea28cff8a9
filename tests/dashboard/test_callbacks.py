"""Every callback names components that some page has, with properties that they have.

Pages are served without the library's own check of this, which would put all pages into each of them; it is made here instead.
"""

from __future__ import annotations

import json

import pytest

from dashboard.app import create_app, whole_layout


@pytest.fixture(scope="module")
def app(filled):
    made = create_app(filled)
    yield made
    made.server.extensions["dashboard_door"].close()


def named(app):
    """(id, property) of everything that callbacks name; the id of a pattern is a dict."""
    for callback in app._callback_list:
        output = callback["output"]
        outputs = output[2:-2].split("...") if output.startswith("..") else [output] if "." in output else []  # one has none
        pairs = [item.split("@")[0].rsplit(".", 1) for item in outputs]
        pairs += [(item["id"], item["property"]) for item in (*callback["inputs"], *callback["state"])]
        for name, prop in pairs:
            yield json.loads(name) if name.startswith("{") else name, prop


def has(component, prop):
    wild = tuple(component.available_wildcard_properties)
    return prop in component.available_properties or (bool(wild) and prop.startswith(wild))


def fits(component_id, pattern):
    return isinstance(component_id, dict) and component_id.keys() == pattern.keys() and all(
        isinstance(value, list) or component_id[key] == value for key, value in pattern.items()
    )


def test_callbacks_name_what_is_there(app):
    parts = [part for part in whole_layout(app.server.extensions["dashboard_door"])._traverse() if getattr(part, "id", None) is not None]
    by_name = {part.id: part for part in parts if isinstance(part.id, str)}
    pairs = list(named(app))
    assert len(pairs) > 500
    missing = {name for name, _prop in pairs if isinstance(name, str) and name not in by_name}
    assert missing == set()
    assert {(name, prop) for name, prop in pairs if isinstance(name, str) and not has(by_name[name], prop)} == set()
    wrong = {(str(name), prop) for name, prop in pairs if isinstance(name, dict) for part in parts if fits(part.id, name) and not has(part, prop)}
    assert wrong == set()
    assert len([part for part in parts if isinstance(part.id, str)]) == len(by_name), "an id stands on two pages"


def test_page_is_light(app):
    """Without the check above in it, and with one sheet and one script of its own, a page is a few kilobytes."""
    client = app.server.test_client()
    page = client.get("/", headers={"Host": "127.0.0.1"})
    assert len(page.data) < 12_000 and page.text.count("/bundle/") == 2 and page.text.count("<link rel=\"stylesheet\"") == 1
    for address in (part.split('"')[0] for part in page.text.split('"')[1::2] if part.startswith("/bundle/")):
        answer = client.get(address, headers={"Host": "127.0.0.1"})
        assert answer.status_code == 200 and "immutable" in answer.headers["Cache-Control"]
    sheet = client.get(page.text.split('rel="stylesheet" href="')[1].split('"')[0], headers={"Host": "127.0.0.1"}).text
    assert sheet.index("Every colour of the pages") < sheet.index("/* Elements as they come. */") < sheet.rindex("@media print")
    assert client.get("/bundle/other.css", headers={"Host": "127.0.0.1"}).status_code == 404
