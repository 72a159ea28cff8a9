"""Stages that are told while a log is read, analysed and kept: real ones, in order, and none of them stores anything if it is ended."""

from __future__ import annotations

from pathlib import Path

import pytest

from cycler.analysis import STAGES, analyze
from cycler.criteria import load_criteria
from cycler.pack import load_pack
from cycler.readers import read_logs_bytes
from cycler.register import Register
from cycler.workflow import add_logs, analyse_sources

SAMPLES = Path(__file__).resolve().parents[1] / "sample_logs"
LOG = SAMPLES / "ebike-10s4p-sister.csv"
PACK = SAMPLES / "packs" / "ebike-0415.toml"
ALL_STAGES = ("reading", *STAGES, "storing")


class Stopped(Exception):
    """Somebody does not want it any more."""


@pytest.fixture(scope="module")
def log():
    return read_logs_bytes([(LOG.name, LOG.read_bytes())])


def test_analysis_is_the_same_whether_somebody_listens_or_not(log):
    told = []
    pack = load_pack(PACK)
    heard = analyze(log, pack, progress=lambda stage, share: told.append((stage, share)))
    assert heard.to_dict() == analyze(log, pack).to_dict()
    assert tuple(dict.fromkeys(stage for stage, _share in told)) == STAGES
    for stage in STAGES:
        shares = [share for name, share in told if name == stage and share is not None]
        assert shares == sorted(shares) and all(0.0 <= share <= 1.0 for share in shares)
    # Stages that take long on a large log are told in parts: ten groups each.
    assert sum(stage == "channels" for stage, _share in told) >= 10
    assert sum(stage == "incremental" for stage, _share in told) == 2 * 11


def test_every_part_that_is_read_is_told():
    parts = [(path.name, path.read_bytes()) for path in sorted((SAMPLES.parent / "tests/data/logs").glob("step-[12].csv"))]
    assert len(parts) == 2
    shares = []
    analyse_sources(parts, load_pack(PACK), progress=lambda stage, share: shares.append(share) if stage == "reading" else None)
    assert shares == [0.0, 0.5]


@pytest.mark.parametrize("last", ALL_STAGES)
def test_work_that_is_ended_at_a_stage_leaves_the_register_as_it_was(tmp_path, last):
    told = []

    def listen(stage, _share):
        told.append(stage)
        if stage == last:
            raise Stopped

    with Register.open(tmp_path / "register.sqlite") as register:
        with pytest.raises(Stopped):
            add_logs(register, [(LOG.name, LOG.read_bytes())], load_pack(PACK), "", load_criteria(), progress=listen)
        assert tuple(dict.fromkeys(told)) == ALL_STAGES[: ALL_STAGES.index(last) + 1]
        assert register.runs() == [] and register.packs() == []


def test_work_that_nobody_ends_is_kept(tmp_path):
    told = []
    with Register.open(tmp_path / "register.sqlite") as register:
        source = (LOG.name, LOG.read_bytes())
        run_id = add_logs(register, [source], load_pack(PACK), "", load_criteria(), progress=lambda stage, _share: told.append(stage))
        assert tuple(dict.fromkeys(told)) == ALL_STAGES
        assert register.raw_sources(run_id) == [source]
