"""What the tests of ``batch`` share: folders of invented logs, batches run to their end, and registers compared to the bit."""

from __future__ import annotations

import json
import os
import struct
import sys
from contextlib import closing
from dataclasses import replace

from cycler.batch import Batch
from cycler.criteria import load_criteria
from cycler.register import Register
from tests.test_watching import log_bytes, pack_toml

CRITERIA = load_criteria()
FIRST = 1_780_000_000
"""Time of change of the first file; the next ones follow second by second. [s since 1970]"""


def put(folder, name, raw, order):
    """A log that was last changed ``order`` seconds after the first."""
    path = folder / name
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(raw)
    os.utime(path, (FIRST + order, FIRST + order))
    return path


def mixed_folder(folder):
    """Logs of two packs told in three ways, one of a pack that only a later log makes known, the same bytes twice, and a note."""
    folder.mkdir()
    put(folder, "T-4 early.csv", log_bytes(1), 1)  # whose it is, is known once EB-4 was kept, below
    put(folder, "one.csv", log_bytes(2), 2)
    (folder / "one.toml").write_text(pack_toml("T-3"))
    put(folder, "t-3/two.csv", log_bytes(3), 3)
    put(folder, "copy of one.csv", log_bytes(2), 4)
    put(folder, "note.txt", b"to do: buy tape\n", 5)
    put(folder, "four.csv", log_bytes(4), 6)
    (folder / "four.toml").write_text(pack_toml("T-4").replace("rated_capacity_ah", "rated_energy_wh = 11.0\nrated_capacity_ah"))
    put(folder, "T-4 late.csv", log_bytes(5), 7)
    put(folder, "nobody's.csv", log_bytes(6), 8)
    return folder


FATES = {
    "one.csv": ("kept", 1, "T-3"), "t-3/two.csv": ("kept", 2, "T-3"), "copy of one.csv": ("known", 1, "T-3"), "note.txt": ("refused", None, None),
    "four.csv": ("kept", 3, "T-4"), "T-4 late.csv": ("kept", 4, "T-4"), "T-4 early.csv": ("kept", 5, "T-4"), "nobody's.csv": ("waiting", None, None),
}


def fates(entries):
    return {entry.file: (entry.state, entry.run_id, entry.pack_id) for entry in entries}


def run_batch(folder, register_file, crew, **keywords):
    """All entries of a batch; the crew is sent home."""
    with closing(crew), Register.open(register_file) as register:
        return list(Batch(folder, register, CRITERIA, crew, **keywords).run())


def kept_exactly(register_file):
    """All that was kept, but for the times of keeping: comparable to the last bit, as JSON writes each float so that it comes back."""
    with Register.open(register_file, create=False) as register:
        return [
            (
                row.id, row.label, row.pack_id, register.raw_sources(row.id), json.dumps(run.analysis, sort_keys=True), json.dumps(run.pack.to_dict()),
                run.columns_text, json.dumps(register.latest_verdict(row.id).verdict, sort_keys=True),
            )
            for row in register.runs() for run in [register.run(row.id)]
        ]


class Through:
    """A crew that hands on to another one; ``change`` may put another job in place of each. ``seen`` are the names of the jobs."""

    def __init__(self, crew, change=lambda job: job):
        self._crew, self._change, self.width, self.seen = crew, change, crew.width, []

    def submit(self, number, job):
        self.seen.append(job.name)
        self._crew.submit(number, self._change(job))

    def outcomes(self):
        return self._crew.outcomes()

    def close(self):
        self._crew.close()


class Deadly:
    """What ends the process that opens it, as lack of memory does."""

    def __reduce__(self):
        return _die, ()


def _die():
    """A Dask scheduler opens what it hands on, too: it is spared, the worker is not."""
    if "dask_scheduler" in sys.argv[0]:
        return Deadly()
    os._exit(9)


def deadly(name):
    """A change for :class:`Through`: the job of that file kills whoever takes it."""
    return lambda job: replace(job, raw=Deadly()) if job.name == name else job


class HalfTold:
    """What ends the process that opens it while it hands over a result: the head of a long message is written, and no more."""

    def __reduce__(self):
        return _tell_half, ()


def _tell_half():
    frame = sys._getframe()
    while "result_queue" not in frame.f_locals:
        frame = frame.f_back
    os.write(frame.f_locals["result_queue"]._writer.fileno(), struct.pack("!i", 1_000_000) + b"the first part")
    os._exit(9)
