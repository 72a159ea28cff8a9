"""What the reader doubts reaches the capacity and the verdict: such a figure may not be quoted."""

from __future__ import annotations

import pytest

from cycler.analysis import analyze
from cycler.criteria import load_criteria
from cycler.pack import Pack
from cycler.readers import read_log_bytes
from cycler.readers.columnsfile import ColumnRule, ColumnsFile
from tests import small_log

PACK = Pack(
    id="EB-0001", chemistry="nmc", series=3, rated_capacity_ah=0.9, charge_voltage_v=12.6, cutoff_voltage_v=9.0, taper_current_a=0.06,
)


def judged(columns=None, text=None):
    log = read_log_bytes((text or small_log.log_text()).encode(), "log.csv", columns)
    return analyze(log, PACK, load_criteria()).to_dict()


def test_doubtful_unit_makes_the_capacity_invalid_and_is_told_first_in_what_would_settle_it():
    right = judged()
    assert right["capacity"]["valid"]
    # kA stated for a current in A: no bench has 1000 A.
    wrong = judged(ColumnsFile(columns=(ColumnRule("Current (A)", role="current", unit="kA"),)))
    assert not wrong["capacity"]["valid"] and "unit_doubtful" in wrong["capacity"]["reasons"]
    assert wrong["verdict"]["result"] != "pass"
    assert any("read rightly" in sentence for sentence in wrong["verdict"]["to_settle"])
    finding = next(item for item in wrong["findings"] if item["code"] == "unit_doubtful")
    assert finding["severity"] == "caution"


@pytest.mark.parametrize("code", ["unit_doubtful", "sign_doubtful"])
def test_doubt_is_put_in_words_everywhere(code):
    from cycler.conduct import INVALID_WORDS
    from cycler.criteria_quantities import _REASONS
    from cycler.record.text import CODES

    assert all(code in table for table in (INVALID_WORDS, _REASONS, CODES))
