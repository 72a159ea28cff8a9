"""Files that the program itself keeps: whole or as before, whatever happens while one is written."""

from __future__ import annotations

import os

import pytest

from cycler.errors import InputError
from cycler.files import ready_files, replace_file


def test_replaced_file_is_whole_or_as_before(tmp_path, monkeypatch):
    file = tmp_path / "new" / "bench.toml"
    replace_file("the equipment", file, b"first\n")
    replace_file("the equipment", file, b"second\n")
    assert file.read_bytes() == b"second\n" and os.listdir(file.parent) == ["bench.toml"]

    def full(_descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("cycler.files.os.fsync", full)
    with pytest.raises(InputError, match="cannot keep the equipment") as told:
        replace_file("the equipment", file, b"third\n")
    assert told.value.where == str(file) and "No space left" in told.value.why and told.value.mend
    assert file.read_bytes() == b"second\n" and os.listdir(file.parent) == ["bench.toml"]


def test_replaced_file_where_a_folder_cannot_be_is_one_message(tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(InputError, match="cannot keep the workshop"):
        replace_file("the workshop's figures", tmp_path / "taken" / "x.toml", b"")


@pytest.mark.parametrize("name", ["x" * 300 + ".toml", "a\0b.toml", "none/x.toml"], ids=["too long", "zero byte", "no folder"])
def test_ready_file_of_a_name_that_cannot_be_is_one_message(tmp_path, name):
    with pytest.raises(InputError, match="cannot write the bench sheet"), ready_files("bench sheet", [(tmp_path / name, b"x")]):
        pass
    assert os.listdir(tmp_path) == []
