"""Freed memory is used again by the next array. Outside: the kernel's own count of page faults (getrusage(2))."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

FAULTS = """
import resource, sys
import numpy as np
from cycler.heap import keep_freed_memory
if sys.argv[1] == "kept":
    assert keep_freed_memory()
faults = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_minflt
np.ones(12_000_000)
before = faults()
for _ in range(10):
    np.ones(12_000_000)
print(faults() - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another C library")
def test_arrays_of_a_long_log_do_not_come_fresh_from_the_system_each_time():
    fresh, kept = (int(subprocess.run([sys.executable, "-c", FAULTS, how], capture_output=True, text=True, check=True).stdout)
                   for how in ("fresh", "kept"))
    assert kept < 30 < 200 < fresh, (kept, fresh)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another C library")
def test_commands_that_read_logs_switch_it_on(tmp_path):
    code = (
        "import sys; from cycler.cli import run; from cycler import heap; "
        "run(['inspect', sys.argv[1]]); sys.exit(heap.keep_freed_memory.cache_info().currsize - 1)"
    )
    log = tmp_path / "log.csv"
    log.write_text("Time (s),Voltage (V),Current (A)\n0,36,1\n1,36.1,1\n2,36.1,1\n")
    assert subprocess.run([sys.executable, "-c", code, str(log)], capture_output=True).returncode == 0
