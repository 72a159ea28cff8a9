"""How long the page of a long run takes: ``python -m tests.dashboard.speed_run --rows 1000000``.

The log is invented: a sample log drawn out to that many rows with noise of half a digit. Times are those of this computer, by the clock;
where others work on it, the time of the processor tells more. Asked: first curve under 1 s with a copy of the columns, a zoom under 150 ms on the server, an answer under 1 MB. Exit code 1 if
one of them is not met.
"""

from __future__ import annotations

import argparse
import io
import math
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

SAMPLES = Path(__file__).resolve().parents[2] / "sample_logs"
FIRST_S, ZOOM_S, ANSWER_BYTES = 1.0, 0.150, 1_000_000


def long_log(rows: int, seed: int = 1) -> bytes:
    """A log of that many rows with 14 columns."""
    import pandas as pd

    table = pd.read_csv(SAMPLES / "ebike-10s4p-after-repair.csv", sep=";", decimal=",", encoding="utf-8-sig").select_dtypes("number")
    noise = np.random.default_rng(seed)
    clock = table.iloc[:, 0].to_numpy(float)
    when = np.linspace(clock[0], clock[-1], rows)
    finest = max(2, math.ceil(-math.log10(when[1] - when[0])))  # a clock that tells the rows apart at every size
    columns = {table.columns[0]: np.round(when, finest)}
    for name in table.columns[1:]:
        values = table[name].to_numpy(float)
        digit = float(np.min(np.diff(np.unique(values.round(6)))))
        columns[name] = np.round(np.round((np.interp(when, clock, values) + noise.normal(0, 0.4 * digit, rows)) / digit) * digit, 6)
    text = io.StringIO()
    pd.DataFrame(columns).to_csv(text, index=False)
    return text.getvalue().encode()


class Asker:
    """Calls of the figure's callback as the page makes them."""

    OUTPUTS = (("run-curve", "figure"), ("run-curve-note", "children"), ("run-window", "data"))
    INPUTS = (("run-id", "data"), ("run-mark", "value"), ("run-along", "value"), ("run-go", "data"), ("run-curve", "relayoutData"))

    def __init__(self, app, run_id):
        self.client, self.run_id = app.server.test_client(), run_id

    def draw(self, changed, along="time", go=None, relayout=None, window=None, note=""):
        """Seconds by the clock, seconds of processor and bytes of one answer."""
        values = dict(zip(self.INPUTS, (self.run_id, 4, along, go, relayout)))
        body = {
            "output": ".." + "...".join(f"{name}.{key}" for name, key in self.OUTPUTS) + "..",
            "outputs": [{"id": name, "property": key} for name, key in self.OUTPUTS],
            "inputs": [{"id": name, "property": key, "value": value} for (name, key), value in values.items()],
            "changedPropIds": [changed],
            "state": [{"id": "run-window", "property": "data", "value": window}, {"id": "run-curve-note", "property": "children", "value": note}],
        }
        start, worked = time.perf_counter(), time.process_time()
        answer = self.client.post("/_dash-update-component", json=body)
        taken, worked = time.perf_counter() - start, time.process_time() - worked
        assert answer.status_code == 200, (answer.status_code, answer.data[:300])
        return taken, worked, len(answer.data)


def browser_s(app, run_id):
    """Seconds from the link in the list of packs to the first line of the curve in Chromium; None without one."""
    import logging
    import threading

    from werkzeug.serving import make_server

    from tests.dashboard.conftest import ARGUMENTS, CHROMIUM

    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        return None
    if not Path(CHROMIUM).exists():
        return None
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server = make_server("127.0.0.1", 0, app.server, threaded=True)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    times = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        page.goto(f"http://127.0.0.1:{server.port}/")
        page.wait_for_selector("h1")  # the program of the page is loaded
        for _ in range(3):
            start = time.perf_counter()
            page.goto(f"http://127.0.0.1:{server.port}/run/{run_id}")
            page.wait_for_selector("#run-curve .scatterlayer path.js-line")
            times.append(time.perf_counter() - start)
        browser.close()
    server.shutdown()
    return times


def main(arguments=None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--log", type=Path, help="a log to take instead, with the columns of the sample")
    wanted = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        os.environ["CYCLER_CURVES"] = str(Path(folder) / "curves")
        os.environ.setdefault("CYCLER_KEY", str(Path(folder) / "key.pem"))
        from cycler.pack import load_pack
        from dashboard.app import create_app
        from dashboard.data import Door

        register = Path(folder) / "register.sqlite"
        door = Door(register)
        log = wanted.log.read_bytes() if wanted.log else long_log(wanted.rows)
        run_id = door.add([("long.csv", log)], load_pack(SAMPLES / "packs" / "ebike-0412.toml"), "long", "return-to-owner")
        analysis = door.run(run_id).analysis
        rows, end_s = analysis["log"]["rows"], analysis["log"]["duration_s"]
        door.close()
        print(f"{rows} rows, {analysis['log']['series']} groups, {len(log) / 1e6:.0f} MB")
        for path in Path(folder).glob("curves/*"):
            path.unlink()

        def opened(words):
            app = create_app(register)
            asker = Asker(app, run_id)
            taken, worked, size = asker.draw("run-id.data")
            print(f"{words:38} {taken:7.3f} s ({worked:.3f} s of processor)  {size / 1e3:6.0f} kB")
            return app, asker, taken, size

        opened("first figure, log read from its text")
        app, asker, first_s, size = opened("first figure, copy of the columns")
        again_s, worked, _ = asker.draw("run-id.data")
        print(f"{'figure again':38} {again_s:7.3f} s ({worked:.3f} s of processor)")
        sizes, draws = [size], np.random.default_rng(2)
        worst = 0.0
        for along in ("time", "ah"):
            top = 1.0 if along == "ah" else 3600.0
            limit = end_s / top if along == "time" else 15.0
            asker.draw("run-along.value", along, note="drawn")
            times, works = [], []
            for _ in range(10):
                low, high = np.sort(draws.uniform(0, limit, 2))
                taken, worked, size = asker.draw("run-curve.relayoutData", along, relayout={"xaxis.range[0]": low, "xaxis.range[1]": high}, note="drawn")
                times.append(taken)
                works.append(worked)
                sizes.append(size)
            worst = max(worst, *times)
            print(f"ten zooms along {along:22} {statistics.median(times):7.3f} s in the middle, {max(times):.3f} s at most ({max(works):.3f} s of processor)")
        print(f"{'largest answer':38} {max(sizes) / 1e3:6.0f} kB")
        seen = browser_s(app, run_id)
        print(f"{'link to first curve, Chromium':38} " + ("no browser" if seen is None else ", ".join(f"{taken:.2f} s" for taken in seen)))
        app.server.extensions["dashboard_door"].close()
    met = first_s < FIRST_S and worst < ZOOM_S and max(sizes) < ANSWER_BYTES
    print("met" if met else f"not met: first figure {FIRST_S} s, zoom {ZOOM_S} s, answer {ANSWER_BYTES} bytes")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
