"""Bytes that nobody meant, to everything that takes a file: only our own errors may come out.

    python -m tests.fuzz --target reader --executions 1000000 --jobs 2 --minutes 60

``mutate`` and ``logs`` make inputs from numbers, ``targets`` says what is called with them and what must hold, ``engine`` runs
ranges of numbers in processes with limits of time and memory, ``coverage`` lets atheris steer instead. What was found lies in
``tests/data/fuzz`` and is read at every change by ``test_kept_inputs.py``.
"""
