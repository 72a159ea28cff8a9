"""What tests of the command share: a small log, and a register with two runs of it."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from cycler.proof.keys import load_or_make_key
from tests import places, small_log

LONGEST_FIRST = (
    "dashboard/test_browser_add.py", "test_accuracy_table.py", "dashboard/test_browser_columns.py", "dashboard/test_browser_mended.py",
    "dashboard/test_browser_pack.py", "dashboard/test_browser_run.py", "dashboard/test_browser_access.py", "dashboard/test_browser_robust.py",
    "test_demo.py", "test_settle_done.py", "dashboard/test_browser_compare.py", "dashboard/test_browser_verdict.py",
    "measures/test_gapped_groups.py", "dashboard/test_browser_sheet.py", "dashboard/test_browser_job.py", "dashboard/test_browser_frame.py",
    "test_standing.py", "dashboard/test_browser_register.py", "dashboard/test_browser_watching.py", "dashboard/test_browser_donor.py",
    "dashboard/test_browser_plan.py", "dashboard/test_browser_cells.py", "dashboard/test_incremental_figure.py", "test_analysis_progress.py",
    "test_efficiencysheet.py", "test_reading_doubts.py", "plan/test_plan_carried_out.py",
)
"""Files that take longest, as measured: begun first where several processes share the files, so that none of them ends alone with a long one."""


def pytest_configure(config):
    """xdist's own order, most tests first, leaves the long files of few tests, those of the browser, to the end."""
    config.addinivalue_line("markers", "files(why): about a register in a file; skipped where registers lie on a server (tests/places.py)")
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


def pytest_collection_modifyitems(config, items):
    """The longest files first, in the processes of xdist alone; inside a file nothing moves."""
    if hasattr(config, "workerinput"):
        rank = {config.rootpath / "tests" / name: place for place, name in enumerate(LONGEST_FIRST)}
        items.sort(key=lambda item: rank.get(item.path, len(rank)))


@pytest.fixture(scope="session", autouse=True)
def key_of_the_tests(tmp_path_factory):
    """Records made by tests are sealed with a key of their own: the user's is neither made nor used."""
    with pytest.MonkeyPatch.context() as patch:
        key = tmp_path_factory.mktemp("key") / "key.pem"
        patch.setenv("CYCLER_KEY", str(key))
        load_or_make_key(key, "")  # so that no test is the first, which is told
        patch.delenv("CYCLER_KEY_PASSPHRASE", raising=False)
        yield


@pytest.fixture(scope="session", autouse=True)
def registers_on_a_server():
    """Registers lie on a PostgreSQL server of this test run, if the environment says so (tests/places.py)."""
    if not places.on_server():
        yield
        return
    with places.started() as server, pytest.MonkeyPatch.context() as patch:
        places.stand_in(server, patch)
        yield


def pytest_runtest_setup(item):
    """A test about files has nothing to say of a server."""
    about = item.get_closest_marker("files")
    if about is not None and places.on_server():
        pytest.skip(f"about files: {about.args[0]}")


@pytest.fixture(scope="session", autouse=True)
def no_copies_of_curves():
    """Logs are read from their bytes in tests; those of the copies name a folder of their own."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CYCLER_CURVES", "off")
        yield


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A folder with a log, the same test stopped early, and a pack file."""
    folder = tmp_path_factory.mktemp("logs")
    log, pack = small_log.write(folder)
    early, _pack = small_log.write(folder, "early.csv", stop_at_v=11.0)
    return SimpleNamespace(folder=folder, log=str(log), early=str(early), pack=str(pack))


@pytest.fixture(scope="module")
def kept(made, tmp_path_factory):
    """A register with two runs: 1 complete, 2 stopped early."""
    from cycler.cli import run

    file = tmp_path_factory.mktemp("register") / "r.sqlite"
    for log, label in ((made.log, "complete"), (made.early, "stopped early")):
        assert run(["--register", str(file), "--quiet", "add", log, "--pack", made.pack, "--label", label]) == 0
    return file
