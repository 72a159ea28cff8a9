"""A batch on a real Dask distributed scheduler with two workers, all on 127.0.0.1: the same to the bit, and nothing lost with a worker."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
import time
from contextlib import closing
from types import SimpleNamespace

import pytest

from cycler import crews, custody
from cycler.batch import Batch
from cycler.crews import Cluster, Here
from cycler.errors import InputError
from cycler.register import Register
from tests.batches import CRITERIA, FATES, Through, deadly, fates, kept_exactly, mixed_folder, put, run_batch
from tests.calls import PROJECT, call, parsed
from tests.test_watching import log_bytes, pack_toml

if os.environ.get("REQUIRE_SECOND_BENCH") == "1":
    import distributed  # noqa: F401
else:
    pytest.importorskip("distributed", reason="needs the cluster extra: distributed is not installed")


class _Processes:
    """A scheduler and its workers, each a process of its own; they are ended whatever happens."""

    def __init__(self, folder):
        self._folder, self._file, self._all = folder, folder / "scheduler.json", []
        self.scheduler = self._start("dask_scheduler", "--port", "0")
        end = time.monotonic() + 120
        while self.address is None:
            assert time.monotonic() < end and self.scheduler.poll() is None, (folder / "log").read_text()
            time.sleep(0.05)
        self.workers = [self.worker() for _ in range(2)]

    def _start(self, program, *arguments):
        with (self._folder / "log").open("ab") as log:
            child = subprocess.Popen(
                [
                    sys.executable, "-m", f"distributed.cli.{program}", "--host", "127.0.0.1", "--no-dashboard", "--scheduler-file", str(self._file),
                    *arguments,
                ],
                cwd=self._folder, stdout=log, stderr=log, env=os.environ | {"PYTHONPATH": str(PROJECT), "OPENBLAS_NUM_THREADS": "1"},
            )
        self._all.append(child)
        return child

    def worker(self):
        """One more worker. Without a nanny: a killed one does not come back."""
        return self._start("dask_worker", "--nthreads", "1", "--no-nanny", "--local-directory", str(self._folder / f"worker-{len(self._all)}"))

    @property
    def address(self):
        try:
            return json.loads(self._file.read_text())["address"]
        except (OSError, ValueError):
            return None

    def end(self):
        for child in self._all:
            child.kill()
        for child in self._all:
            child.wait()


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    """A scheduler and two workers that have joined."""
    running = _Processes(tmp_path_factory.mktemp("cluster"))
    try:
        with closing(Cluster(running.address)) as crew:
            crew._client.wait_for_workers(2, timeout=120)
        yield running
    finally:
        running.end()


@pytest.fixture(scope="module")
def mixed(tmp_path_factory):
    """The mixed folder, and what a batch of it in this process keeps."""
    place = tmp_path_factory.mktemp("mixed")
    run_batch(mixed_folder(place / "logs"), place / "here.sqlite", Here())
    return SimpleNamespace(path=place, folder=place / "logs", kept=kept_exactly(place / "here.sqlite"))


@pytest.mark.parametrize("shared_folder", [False, True])
def test_cluster_keeps_the_same_to_the_last_bit_and_in_the_same_order(cluster, mixed, shared_folder):
    register = mixed.path / f"cluster-{shared_folder}.sqlite"
    crew = Cluster(cluster.address, shared_folder)
    assert crew.width == 2
    assert fates(run_batch(mixed.folder, register, crew)) == FATES
    assert kept_exactly(register) == mixed.kept and custody.check(register).problems == []


def test_command_tells_what_it_kept_by_the_cluster(capfd, cluster, mixed):
    code, out, err = call(capfd, "--register", mixed.path / "command.sqlite", "--quiet", "batch", mixed.folder, "--cluster", cluster.address, "--json")
    made = parsed(out)
    assert (code, err, made["cluster"], made["workers"], made["kept"]) == (2, "", cluster.address, 2, 5)


def test_worker_of_another_version_is_refused_before_any_work(cluster, monkeypatch):
    monkeypatch.setattr(crews, "versions", lambda: (("cycler", "0.0.1"),))
    with pytest.raises(InputError) as caught:
        Cluster(cluster.address)
    assert caught.value.what == "a worker of the cluster has other versions" and "here 0.0.1" in caught.value.why


def test_address_where_no_scheduler_answers_is_told_in_one_line(capfd, mixed, monkeypatch):
    monkeypatch.setattr(crews, "CONNECT_S", 0.5)
    code, out, err = call(capfd, "--register", mixed.path / "none.sqlite", "batch", mixed.folder, "--cluster", "tcp://127.0.0.1:1")
    assert (code, out, err.count("\n")) == (2, "", 1) and "the cluster cannot be reached" in err


@pytest.mark.parametrize("words", [b"", b"HTTP/1.0 400 Bad Request\r\n" + bytes(100), b"\xff" * 100])
def test_stranger_that_takes_the_call_is_told_in_one_line_and_waited_for_no_longer(capfd, mixed, monkeypatch, words):
    """A client of the cluster waits for ever for one that says nothing, and takes the first bytes of others for a length."""
    monkeypatch.setattr(crews, "CONNECT_S", 1.0)
    with socket.create_server(("127.0.0.1", 0)) as stranger:
        def answer():
            with stranger.accept()[0] as line:
                line.sendall(words)
                line.settimeout(20)
                while line.recv(1000):
                    pass

        threading.Thread(target=answer, daemon=True).start()
        address = f"tcp://127.0.0.1:{stranger.getsockname()[1]}"
        code, out, err = call(capfd, "--register", mixed.path / "none.sqlite", "batch", mixed.folder, "--cluster", address)
    assert (code, out, err.count("\n")) == (2, "", 1) and "the cluster cannot be reached" in err


@pytest.mark.parametrize("address", ["", "bench", "tcp://192.0.2.10", "http://192.0.2.10:8786", "tcp://:8786"])
def test_address_of_no_scheduler_is_told_at_once(capfd, mixed, address):
    """A client begun with it would wait 20 s at the end of the command, and then print a traceback."""
    code, out, err = call(capfd, "--register", mixed.path / "none.sqlite", "batch", mixed.folder, "--cluster", address)
    assert (code, out, err.count("\n")) == (2, "", 1) and "the cluster's address cannot be used" in err and "tcp://192.0.2.10:8786" in err


def test_killed_worker_loses_nothing_and_lost_scheduler_keeps_what_is_kept(cluster, tmp_path):
    """The last test of the cluster: it is gone afterwards."""
    folder = tmp_path / "logs"
    folder.mkdir()
    (folder / "pack.toml").write_text(pack_toml("T-3"))
    for number in range(16):
        put(folder, f"log-{number:02}.csv", log_bytes(number), number)
    entries = []
    with Register.open(tmp_path / "r.sqlite") as register:
        crew = Cluster(cluster.address)
        with closing(crew), pytest.raises(InputError) as caught:
            for entry in Batch(folder, register, CRITERIA, crew).run():
                entries.append(entry)
                if len(entries) == 2:
                    cluster.workers[0].kill()
                if len(entries) == 9:
                    cluster.scheduler.kill()
        assert caught.value.what == "the cluster is lost" and "what is kept stays" in caught.value.mend
    assert 9 <= len(entries) < 16, "the scheduler was lost in the midst of it"
    entries += run_batch(folder, tmp_path / "r.sqlite", Here())[len(entries):]
    assert [(entry.state, entry.run_id, entry.file) for entry in entries] == [("kept", number + 1, f"log-{number:02}.csv") for number in range(16)]
    assert custody.check(tmp_path / "r.sqlite").problems == []


def test_log_that_kills_every_worker_that_takes_it_is_told(tmp_path):
    """One worker and a scheduler that gives up at the first death: the log is named, not tried for ever."""
    folder = tmp_path / "logs"
    folder.mkdir()
    (folder / "pack.toml").write_text(pack_toml("T-3"))
    for number in range(2):
        put(folder, f"log-{number}.csv", log_bytes(number), number)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES", "0")
        running = _Processes(tmp_path)
    try:
        entries = run_batch(folder, tmp_path / "r.sqlite", Through(Cluster(running.address), deadly("log-0.csv")))
    finally:
        running.end()
    assert fates(entries) == {"log-0.csv": ("failed", None, None), "log-1.csv": ("kept", 1, "T-3")}
