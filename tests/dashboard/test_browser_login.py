"""One walk in a browser where everybody signs in: from the page that was wanted over the form, a field that knows the name, and out."""

from __future__ import annotations

from cycler import users as module
from cycler.users import Users
from dashboard.access import Access

from .conftest import Served
from .test_browser_access import faults

NAME, PASSWORD = "A. Bell", "three moss green kettles"


def test_sign_in_work_and_sign_out(page, browser, tmp_path, monkeypatch):
    monkeypatch.setattr(module, "METHOD", "scrypt:1024:8:1")
    users = Users(tmp_path / "u.json")
    users.add(NAME, PASSWORD)
    served = Served(tmp_path / "register.sqlite", access=Access(users))
    try:
        plain = browser.new_context(java_script_enabled=False)  # the form needs no script
        bare = plain.new_page()
        bare.goto(served.address)
        bare.fill("#login-name", NAME)
        bare.fill("#login-password", "not the password")
        bare.keyboard.press("Enter")
        assert bare.locator("[role=alert]").inner_text() == "Name or password is wrong." and bare.input_value("#login-name") == NAME
        bare.wait_for_selector("#login-password:focus")
        assert bare.input_value("#login-password") == ""
        plain.close()

        page.goto(f"{served.address}/jobs?status=open")
        assert page.url.startswith(f"{served.address}/login?next=") and page.title().startswith("Sign in")
        page.wait_for_selector("#login-name:focus")
        assert faults(page) == []
        page.evaluate("document.documentElement.dataset.scheme = 'dark'")
        assert faults(page) == []
        page.keyboard.type("a. bell")
        page.keyboard.press("Tab")
        page.keyboard.type(PASSWORD)
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.wait_for_selector(".content h1")
        assert page.url.startswith(f"{served.address}/jobs") and page.locator(".signed-in").inner_text().startswith(f"Signed in as {NAME}")
        page.wait_for_function("name => document.querySelector('.who-field input')?.value === name", arg=NAME)

        assert page.watched.errors == []
        users.remove(NAME)  # by whoever runs the program, while the page is open
        page.click("nav a[href='/bench']")
        page.wait_for_selector("#standing:visible")
        assert "You are signed out" in page.locator("#standing").inner_text()
        users.add(NAME, PASSWORD)
        page.click("[data-load-again]")
        page.wait_for_selector("#login-name")
        page.watched.errors.clear()  # the refused call, which the browser and the library wrote down
        page.fill("#login-name", NAME)
        page.fill("#login-password", PASSWORD)
        page.click("button[type=submit]")
        page.wait_for_selector(".signed-in")
        page.click(".signed-in button")
        page.wait_for_selector("#login-message")
        assert "You are signed out." in page.locator("#login-message").inner_text()
        page.goto(served.address)
        page.wait_for_load_state("networkidle")
        assert "/login" in page.url
        page.watched.errors[:] = [line for line in page.watched.errors if "401" not in line]  # another refused call, answered late
    finally:
        served.close()
