"""What tests of the command share: a small log, and a register with two runs of it."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from cycler.proof.keys import load_or_make_key
from tests import small_log


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
