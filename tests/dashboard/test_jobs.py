"""Jobs beside the pages: how they stand, that they end where they report, that one that fails does not take others along."""

from __future__ import annotations

import gc
import logging
import threading
import time
import weakref
from concurrent.futures import ThreadPoolExecutor
from types import SimpleNamespace

import pytest

from cycler.errors import InputError
from dashboard.jobs import AT_ONCE, KEPT, KEPT_S, Jobs

PATIENCE_S = 10.0


def over(jobs, token):
    """The state of a job that is over; fails if it never is."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        state = jobs.state(token)
        if state.is_over:
            return state
        time.sleep(0.002)
    pytest.fail(f"job did not end: {jobs.state(token)}")


def test_work_is_done_and_its_result_kept():
    jobs = Jobs()
    token = jobs.start("count", lambda report: [report(0.5, "half"), 7][1])
    state = over(jobs, token)
    assert (state.status, state.result, state.title, state.share, state.words) == ("done", 7, "count", 0.5, "half")
    assert jobs.state("no such job") is None


def test_share_never_goes_back_and_stays_between_0_and_1():
    jobs = Jobs()
    seen, told, go_on = [], threading.Event(), threading.Event()

    def work(report):
        for share in (0.3, 0.1, None, 7.0):
            report(share, "")
            seen.append(jobs.state(token).share)
        told.set()
        go_on.wait(PATIENCE_S)

    ready = threading.Event()
    token = jobs.start("", lambda report: (ready.wait(PATIENCE_S), work(report)))
    ready.set()
    assert told.wait(PATIENCE_S) and seen == [0.3, 0.3, 0.3, 1.0]
    assert jobs.state(token).status == "working"
    go_on.set()
    assert over(jobs, token).status == "done"


def test_job_that_is_cancelled_ends_where_it_reports():
    jobs = Jobs()
    begun, asked, after = threading.Event(), threading.Event(), []

    def work(report):
        report(0.1, "first")
        begun.set()
        asked.wait(PATIENCE_S)
        report(0.2, "second")
        after.append("went on")

    token = jobs.start("", work)
    assert begun.wait(PATIENCE_S)
    jobs.cancel(token)
    assert jobs.state(token).asked_to_end and jobs.state(token).status == "working"
    asked.set()
    assert over(jobs, token).status == "cancelled" and after == []
    jobs.cancel(token)
    jobs.cancel("no such job")


def test_cancel_after_the_last_report_comes_too_late_and_the_result_stands():
    jobs = Jobs()
    begun, asked = threading.Event(), threading.Event()

    def work(report):
        report(0.9, "storing")
        begun.set()
        asked.wait(PATIENCE_S)
        return "stored"

    token = jobs.start("", work)
    assert begun.wait(PATIENCE_S)
    jobs.cancel(token)
    asked.set()
    state = over(jobs, token)
    assert (state.status, state.result, state.asked_to_end) == ("done", "stored", True)


def test_job_that_waits_for_its_turn_can_be_cancelled_before_it_begins():
    jobs = Jobs()
    go_on, ran = threading.Event(), []
    busy = [jobs.start("", lambda report: go_on.wait(PATIENCE_S)) for _ in range(AT_ONCE)]
    last = jobs.start("", lambda report: ran.append(1))
    assert jobs.state(last).status == "waiting"
    jobs.cancel(last)
    assert jobs.state(last).status == "cancelled"
    go_on.set()
    assert [over(jobs, token).status for token in busy] == ["done"] * AT_ONCE
    assert over(jobs, jobs.start("", lambda report: 1)).result == 1 and ran == []
    assert jobs.state(last).status == "cancelled"


def test_error_of_the_input_and_a_defect_are_told_and_others_go_on(caplog):
    jobs = Jobs()

    def refuse(report):
        raise InputError("what", "where", "why", "mend")

    def break_(report):
        raise RuntimeError("secret detail")

    refused, broken, good = (over(jobs, jobs.start("", work)) for work in (refuse, break_, lambda report: 1))
    assert refused.status == "failed" and refused.error.what == "what"
    assert broken.status == "failed" and "secret" not in broken.error.one_line() and "RuntimeError" in broken.error.why
    assert good.status == "done"
    assert any("defect" in record.message for record in caplog.records)


def test_log_that_stands_still_holds_up_no_page_that_asks_how_jobs_stand():
    jobs, reached, on = Jobs(), threading.Event(), threading.Event()

    class Full(logging.Handler):
        def emit(self, record):
            reached.set()
            on.wait(PATIENCE_S)

    handler = Full()
    logging.getLogger("dashboard.defects").addHandler(handler)
    try:
        broken = jobs.start("", lambda report: 1 // 0)
        assert reached.wait(PATIENCE_S)
        with ThreadPoolExecutor(1) as asking:
            assert [state.status for state in asking.submit(jobs.states).result(PATIENCE_S / 2)] == ["working"]
            on.set()
    finally:
        on.set()
        logging.getLogger("dashboard.defects").removeHandler(handler)
    assert over(jobs, broken).status == "failed"


def test_job_for_which_there_is_no_thread_is_not_done_later(monkeypatch):
    """Unless another thread is there that comes to it."""
    jobs, ran = Jobs(), []

    class Refused(threading.Thread):
        def start(self):
            raise RuntimeError("can't start new thread")

    without = SimpleNamespace(**vars(threading) | {"Thread": Refused})
    monkeypatch.setattr("dashboard.jobs.threading", without)
    with pytest.raises(RuntimeError):
        jobs.start("", lambda report: ran.append("lost"))
    monkeypatch.setattr("dashboard.jobs.threading", threading)
    assert over(jobs, jobs.start("", lambda report: 2)).result == 2 and ran == []
    monkeypatch.setattr("dashboard.jobs.threading", without)
    assert over(jobs, jobs.start("", lambda report: 3)).result == 3
    assert [state.status for state in jobs.states()] == ["cancelled", "done", "done"]


class Large:
    """Stands for a log in memory."""


def test_job_that_is_over_holds_nothing_of_its_work():
    """Neither what the work was given, nor, through the calls an error came through, what it had read."""
    jobs = Jobs()
    given, begun = Large(), threading.Event()
    held = [weakref.ref(given)]

    def refuse(report, given=given):
        begun.wait(PATIENCE_S)
        read = Large()
        held.append(weakref.ref(read))
        raise InputError("what", "where", "why", "mend")

    token = jobs.start("", refuse)
    del refuse, given
    begun.set()
    assert over(jobs, token).error.what == "what"
    over(jobs, jobs.start("", lambda report: 1))  # the threads have gone on to other work
    end = time.monotonic() + PATIENCE_S
    while any(item() is not None for item in held) and time.monotonic() < end:
        gc.collect()
    assert len(held) == 2 and [item() for item in held] == [None, None]


def test_job_that_is_over_is_not_asked_to_end():
    jobs = Jobs()
    token = jobs.start("", lambda report: 1)
    over(jobs, token)
    jobs.cancel(token)
    assert not jobs.state(token).asked_to_end


def test_job_that_was_over_long_ago_is_forgotten():
    now = [0.0]
    jobs = Jobs(clock=lambda: now[0])
    first = jobs.start("", lambda report: 1)
    over(jobs, first)
    now[0] = KEPT_S - 1.0
    over(jobs, jobs.start("", lambda report: 1))
    assert jobs.state(first) is not None
    now[0] = KEPT_S + 1.0
    over(jobs, jobs.start("", lambda report: 1))
    assert jobs.state(first) is None


def test_jobs_that_are_over_are_forgotten_after_a_while_and_beyond_a_number():
    now = [0.0]
    jobs = Jobs(clock=lambda: now[0])
    first = jobs.start("", lambda report: 1)
    over(jobs, first)
    now[0] = KEPT_S + 1.0
    for _ in range(KEPT + 5):
        over(jobs, jobs.start("", lambda report: 1))
    assert jobs.state(first) is None and len(jobs.states()) <= KEPT + 1
