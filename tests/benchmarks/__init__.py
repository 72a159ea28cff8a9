"""How fast and how frugal reading and analysing are, beside other parsers, in one run: ``python -m tests.benchmarks``.

No part of the tests. ``__main__`` asks, ``cases`` measures one thing in a process of its own, ``table`` puts figures against targets.
"""
