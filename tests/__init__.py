"""Tests of cycler and dashboard."""

import os

# Matrices here are small: threads that wait for a shared processor cost ten times what they save. Read when numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
