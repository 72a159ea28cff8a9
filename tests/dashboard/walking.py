"""What the walks through the pages in a real browser share."""

from __future__ import annotations

from .conftest import SAMPLES

BEFORE = SAMPLES / "ebike-10s4p-before-repair.csv"
SISTER = SAMPLES / "ebike-10s4p-sister.csv"

# Figures take the new width a moment after the window: that is waited for, for three seconds at most.
WIDEST = """async () => { const root = document.documentElement, edge = root.clientWidth, end = performance.now() + 3000;
    while (root.scrollWidth > edge && performance.now() < end) await new Promise(done => requestAnimationFrame(done));
    const out = Array.from(document.querySelectorAll('.frame *')).filter(e => e.checkVisibility() && e.getBoundingClientRect().right > edge + 1
        && !e.closest('.table-scroll, .for-readers, .skip-link, svg')).slice(-3).map(e => e.outerHTML.slice(0, 100));
    return [root.scrollWidth - edge, out]; }"""


def open_page(page, served, path="/"):
    page.goto(served.address + path)
    page.wait_for_selector("h1")


def words(page, selector):
    return page.locator(selector).first.inner_text()


def drop(page, files):
    """Choose files through the page's own button, as a drop does."""
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose files").click()
    chooser.value.set_files(files)


def search(page, typed):
    """Type into the list that a drop-down has just opened, once it listens."""
    page.locator(".dash-dropdown-search:focus").wait_for()
    page.keyboard.type(typed)


def hold(page, *marks):
    """Keep back the next call of the page that has all marks in it; the list takes what was held, to be let go on."""
    kept = []

    def look(route):
        if not kept and all(mark in (route.request.post_data or "") for mark in marks):
            kept.append(route)
        else:
            route.continue_()

    page.route("**/_dash-update-component*", look)
    return kept


def until(page, claim):
    """Wait for what the page brings about but does not show."""
    for _turn in range(400):
        if claim():
            return
        page.wait_for_timeout(50)
    raise AssertionError("did not happen in time")


def called(served, output, changed, inputs, states):
    """The answer to a call of a page, as the browser makes it; ``output`` names a callback of several outputs."""
    body = {
        "output": output, "changedPropIds": list(changed), "inputs": inputs, "state": states,
        "outputs": [dict(zip(("id", "property"), part.split("@")[0].rsplit(".", 1))) for part in output.strip(".").split("...")],
    }
    answer = served.app.server.test_client().post("/_dash-update-component", json=body, base_url=served.address, headers={"Origin": served.address})
    assert answer.status_code in (200, 204), answer.data
    return answer


def drawn(page, selector, trace=0):
    """Points of a trace of a figure as the browser holds them."""
    script = "([s, n]) => { const d = document.querySelector(s + ' .js-plotly-plot')._fullData[n]; return [d.x.length, d.name]; }"
    return page.evaluate(script, [selector, trace])
