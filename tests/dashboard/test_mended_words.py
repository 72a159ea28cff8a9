"""What the pages say where something is wrong: page advice instead of commands, bounds, reasons, dangers."""

from __future__ import annotations

import ast
import io
import re
from pathlib import Path

import pytest

from cycler.errors import InputError, Location
from dashboard import advice, components, text, text_decision
from dashboard.data import columns_from_text, is_pack_text
from dashboard.pages import add, add_work, comparison, comparison_table, decision_scale, register, run_tables
from dashboard.uploads import Uploads

from .conftest import SAMPLES
from .test_words import criterion, item, words_of

COMMAND = re.compile(r"(?<![\w-])--[a-z]|\bcycler [a-z]")
CYCLER = Path(__file__).resolve().parents[2] / "cycler"


def test_a_page_names_the_bench_by_its_form_and_not_by_the_file():
    note = "A and B do not declare the same instrument (the same id under [instrument]): all errors are taken as independent."
    assert "(the same id under [instrument])" in (CYCLER / "compare.py").read_text("utf-8")
    assert "[instrument]" not in advice.words(note) and text.INSTRUMENT_TITLE in advice.words(note)


def test_list_of_what_was_added_tells_result_and_danger():
    runs = [{"name": "a.csv", "run": 4, "pack": "P-1", "result": "not_proven", "danger": False}, {"name": "b.csv", "run": 5, "pack": "P-2", "result": "fail", "danger": True}]
    first, second = add_work.added_list(add_work.Added(runs)).children[1].children
    assert "Not proven" in words_of(first) and "Danger" not in words_of(first)
    assert "Fail" in words_of(second) and "Danger" in words_of(second)


def test_difference_without_an_uncertainty_is_not_shown_as_a_figure():
    row = {"label": "Sag", "unit": "V", "values": [0.693, 0.077], "u": [0.0325, 0.032], "bound": [None, None], "group": [4, 8], "valid": [True, True],
           "difference": [None, -0.616], "u_difference": [None, None], "significant": [None, None], "improved": [None, None]}
    said = words_of(comparison_table.difference_cell(row, 1, 0))
    assert "616" not in said and text.COMPARE_NO_U in said and "77 ± 64 mV" in said


# ---- advice ----------------------------------------------------------------------------------------------------


def advice_in_the_program():
    """Every text of the inner modules that advises an option or a command, as it stands in the sources."""
    found = set()
    for file in sorted(CYCLER.rglob("*.py")):
        if file.parent.name in ("commands", "simulator") or file.name in ("cli.py", "__main__.py"):
            continue
        tree = ast.parse(file.read_text("utf-8"))
        docs = {id(node.body[0].value) for node in ast.walk(tree)
                if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef)) and node.body
                and isinstance(node.body[0], ast.Expr)}
        for node in ast.walk(tree):
            if isinstance(node, ast.JoinedStr):
                said = "".join(str(part.value) if isinstance(part, ast.Constant) else "7" for part in node.values)
            elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs:
                said = node.value
            else:
                continue
            if COMMAND.search(said):
                found.add(said)
    return sorted(found)


def test_no_advice_of_the_program_reaches_a_page_as_a_command():
    told = advice_in_the_program()
    assert len(told) > 5  # else the search itself is broken
    for said in told:
        error = advice.for_page(InputError(said, "a.csv", said, said))
        for part in (error.what, error.why, error.mend):
            assert not COMMAND.search(part), said
        assert error.mend


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ("see it with: cycler show 3; to keep it twice on purpose: add --again",
         f"{text.MEND_OPEN}; {text.MEND_AGAIN}"),
        ("see the numbers with: cycler list", text.MEND_NUMBERS),
        ('name the column in a columns file (--columns): [[column]] name = "U" (or position = 3), role = "voltage", unit = "V"',
         "choose under “How the columns are read” which column is the pack voltage"),
        ("export the log again, or name the time column in a columns file (--columns)",
         "export the log again, or choose the time column under “How the columns are read”"),
        ("cut what does not belong to it, or read the rest with --allow-bad-rows",
         f"cut what does not belong to it, or {text.MEND_BAD_ROWS}"),
        ("do this; if that columns file does not belong to this log: --ignore-remembered",
         f"do this; if that columns file does not belong to this log: {text.MEND_LEAVE_OUT}"),
        ("check the permissions, or name another register with --register", "check the permissions"),
        ("drift in mV/h and K/min, charge and/or discharge", "drift in mV/h and K/min, charge and/or discharge"),
    ],
)
def test_words_of_a_page(said, expected):
    assert advice.words(said) == expected


@pytest.mark.parametrize(
    ("where", "shown"),
    [
        (Location("/home/lee/logs/a.csv", 3, 2), "a.csv:3:2"), ("/home/lee/register.sqlite", "register.sqlite"),
        ("C:\\logs\\a.csv", "a.csv"), ("sqlite:////srv/packs/register.sqlite", "register.sqlite"),
        ("pack EB-0412", "pack EB-0412"), ("a.csv:3", "a.csv:3"),
    ],
)
def test_place_of_an_error_names_no_folder(where, shown):
    assert str(advice.for_page(InputError("w", where, "y", "m")).where) == shown


def test_warnings_of_the_reading_begin_with_a_capital():
    from dashboard.data import Look

    look = Look(10, 60.0, 0, 0, "negative", "", None, ("two rows were left out",))
    assert "Two rows were left out" in words_of(add.look_words(look))


# ---- danger ----------------------------------------------------------------------------------------------------


def test_danger_box_names_run_group_and_what_to_do_with_word_and_shape():
    analysis = {"groups": [{"group": 2, "name": "C2 mV"}], "findings": [
        {"code": "group_overvoltage", "severity": "danger", "group": 2, "message": "Group 2 reached 4.41 V.", "evidence": ""},
        {"code": "weak_group", "severity": "defect", "group": 4, "message": "Group 4 is weak.", "evidence": ""},
    ]}
    box = components.danger_box(analysis, "EB-0666", 12)
    said = words_of(box)
    assert all(part in said for part in (
        "Danger: EB-0666, run 12, C2 (group 2)", "Group charged too high", "Group 2 reached 4.41 V.",
        "Do not charge, use or send this pack", "Keep it apart", "See the finding"))
    assert "Group 4" not in said
    assert "flag-danger" in str(box) and "/run/12#findings" in str(box)


def test_danger_box_without_danger_is_none():
    assert components.danger_box({"findings": [{"code": "weak_group", "severity": "defect", "group": 4}]}, "A", 1) is None


def test_state_of_a_run_with_danger_has_its_shape_in_the_register():
    assert "flag-danger" in str(register.state_cell(item(dangers=1)))
    assert "flag-danger" not in str(register.state_cell(item(defects=1)))


# ---- bounds, acceptance, ends of scales ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "u_key", "unit", "value", "u", "words"),
    [
        ("state_of_health", "u_state_of_health", "share", 0.6816, 0.0011, "at least 68.16 ± 0.22 %"),
        ("energy_wh", "u_energy_wh", "Wh", 255.3, 0.35, "at least 255.30 ± 0.70 Wh"),
    ],
)
def test_figure_of_a_lower_bound_says_at_least(key, u_key, unit, value, u, words):
    capacity = {key: value, u_key: u, "valid": False, "is_lower_bound": True}
    assert run_tables.bound_words(capacity, key, u_key, unit) == words
    assert not run_tables.bound_words({**capacity, "valid": True}, key, u_key, unit).startswith("at least")


def test_criterion_of_a_lower_bound_says_at_least():
    assert decision_scale.value_text(criterion(bound="lower")) == "at least 93.00 ± 0.20 %"


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"value": None, "u_value": None, "guard_band": None}, text_decision.ACCEPT_NO_VALUE),
        ({"u_value": None, "guard_band": None}, text_decision.ACCEPT_NO_U),
        ({"direction": "at_most", "limit": 0.05, "guard_band": 0.08}, text_decision.ACCEPT_NO_ROOM),
    ],
)
def test_acceptance_limit_that_is_none_says_none_and_why(changes, reason):
    row = criterion(acceptance_limit=None, **changes)
    assert decision_scale.accept_text(row) == f"none: {reason}"
    assert f"none: {reason}" in words_of(decision_scale.criterion_item(row))


def test_every_scale_of_the_samples_ends_at_round_figures_of_three_digits(door):
    for item_ in door.runs():
        for row in door.judged(item_.id)[0]["criteria"]:
            said = words_of(decision_scale.scale_bar(row)).replace(text_decision.ACCEPTED_SIDE, "")
            left, right = said.split("limit")[0].split()[0], said.split()[-2 if row["unit"] else -1]
            for end in (left, right):
                assert len(end.lstrip("−0.").replace(".", "")) <= 3, said
            if row["quantity"] not in decision_scale.MAY_BE_NEGATIVE:
                assert not left.startswith("−"), said


# ---- tables ----------------------------------------------------------------------------------------------------


def test_step_table_rounds_under_headings_with_units():
    step = {"index": 1, "kind": "discharge_cc", "start_s": 0.0, "end_s": 60.0, "duration_s": 60.0, "mean_current_a": -5.2000311,
            "capacity_ah": 6.8006338, "energy_wh": 255.31264, "start_voltage_v": 41.8841, "end_voltage_v": 33.0022,
            "end_reason": "pack_cutoff"}
    said = words_of(run_tables._step_table({"steps": [step]}))
    assert all(part in said for part in ("Mean current / A", "Charge / Ah", "Energy / Wh", "From – to / V"))
    assert all(part in said for part in ("−5.200", "6.801", "255.3", "41.88 – 33.00")) and "5.20003" not in said


def test_group_table_shows_the_uncertainty_of_every_figure_that_has_one():
    group = {"group": 1, "name": None, "rest_voltage_v": 4.185, "u_rest_voltage_v": 0.0013, "end_voltage_v": 3.511,
             "u_end_voltage_v": 0.0015, "sag_10s_v": 0.0808, "u_sag_10s_v": 0.0011}
    said = words_of(run_tables.group_table({"groups": [group]}))
    assert all(part in said for part in ("4.1850 ± 0.0026", "3.5110 ± 0.0030", "80.8 ± 2.2", "At rest / V", "Sag 10 s / mV"))
    # A figure without an uncertainty in the analysis stands without one.
    said = words_of(run_tables.group_table({"groups": [{**group, "u_end_voltage_v": None}]}))
    assert "3.511" in said and "3.511 ±" not in said


def group_row(**changes):
    usual = {"label": "Capacity", "unit": "Ah", "values": [6.85, 9.92], "u": [0.0365, 0.075], "estimate": [False, True],
             "difference": [None, 3.07], "u_difference": [None, 0.08], "significant": [None, True], "improved": [None, True]}
    return {"group": 4, "limiting": [True, False], "capacity_ah": {**usual, **changes}}


def test_group_cell_tells_figure_difference_and_whether_it_exceeds_the_uncertainty():
    said = " ".join(words_of(comparison.group_cell(group_row(), "capacity_ah", 1, 0, [True, True])).split())
    assert said == "9.92 ± 0.15 Ah est. +3.07 ± 0.16 Ah better"
    assert "limiting" in words_of(comparison.group_cell(group_row(), "capacity_ah", 0, 0, [True, True]))
    within = group_row(significant=[None, False], improved=[None, None])
    assert "within the uncertainty" in words_of(comparison.group_cell(within, "capacity_ah", 1, 0, [True, True]))


def test_group_cell_of_an_invalid_capacity_claims_no_difference():
    said = words_of(comparison.group_cell(group_row(), "capacity_ah", 1, 0, [True, False]))
    assert "no difference shown" in said and "+3.07" not in said
    said = words_of(comparison.group_cell(group_row(), "capacity_ah", 1, 0, [False, True]))
    assert "+3.07" not in said


# ---- dropped files ---------------------------------------------------------------------------------------------


def dropped(uploads, name, raw):
    return {"token": uploads.receive(name, io.BytesIO(raw)).token}


def test_same_content_twice_is_refused_with_words_and_thrown_away():
    uploads = Uploads()
    first, second = dropped(uploads, "a.csv", b"1;2\n"), dropped(uploads, "b.csv", b"1;2\n")
    files, errors = add.received({"files": [first, second, {"token": "gone"}]}, [], uploads)
    assert [entry["name"] for entry in files] == ["a.csv"]
    assert errors[0].what == text.SAME_FILE and "a.csv" in errors[0].why and errors[0].where == "b.csv"
    # A file that is gone has a message of its own and hides nothing.
    assert "no longer there" in errors[1].what
    with pytest.raises(InputError):
        uploads.get(second["token"])


@pytest.mark.parametrize(
    ("name", "raw", "kind"),
    [
        ("a.csv", b"1;2\n", "log"), ("p.toml", b'id = "CB-1"\n', "pack"),
        ("c.toml", b'[[column]]\nname = "U"\nrole = "voltage"\n', "columns"), ("c.toml", b'[[column]]\nname = \n', "columns"),
        ("c.toml", b'decimal = "comma"\n', "columns"), ("p.toml", b"id = \n", "pack"),
    ],
)
def test_kind_of_a_dropped_file(name, raw, kind):
    uploads = Uploads()
    files, _errors = add.received({"files": [dropped(uploads, name, raw)]}, [], uploads)
    assert files[0]["kind"] == kind


def test_each_file_that_fails_has_its_own_error_and_the_others_are_still_read(door):
    uploads = Uploads()
    good = (SAMPLES / "ebike-10s4p-sister.csv").read_bytes()
    event = {"files": [dropped(uploads, "bad-1.csv", b"name,colour\nsun,yellow\n"), dropped(uploads, "good.csv", good),
                       dropped(uploads, "bad-2.csv", b"name,colour\nsea,blue\nsky,grey\n"),
                       dropped(uploads, "pack.toml", b'id = "CB-1"\nserie = 10\n'),
                       dropped(uploads, "c.toml", b'[[column]]\nnamee = "U"\n')]}
    files, _errors = add.received(event, [], uploads)
    found = add.seen(files, door, uploads)
    names = {entry["token"]: entry["name"] for entry in files}
    assert {names[token] for token in found.bad} == {"bad-1.csv", "bad-2.csv", "pack.toml", "c.toml"}
    for token, error in found.bad.items():
        assert names[token] in str(error.where)
    assert found.look is not None and found.look.groups == 10
    assert all(name in found.why_not(files) for name in ("bad-1.csv", "bad-2.csv", "pack.toml", "c.toml"))


def test_two_pack_files_or_one_without_a_number_cannot_be_used(door):
    uploads = Uploads()
    event = {"files": [dropped(uploads, "p.toml", b"series = 10\n"), dropped(uploads, "q.toml", b'id = "CB-1"\n')]}
    files, _errors = add.received(event, [], uploads)
    found = add.seen(files, door, uploads)
    assert sorted(error.what for error in found.bad.values()) == [text.PACK_NO_ID_WHAT, text.TWO_FILES["pack"]]


@pytest.mark.parametrize(
    ("state", "kind", "existing", "number", "why"),
    [
        (None, "new", None, "CB-1", "reading"), ({"why": ""}, "existing", None, None, "no_pack"),
        ({"why": ""}, "new", None, "  ", "no_number"), ({"why": "", "pack_file": False}, "file", None, None, "no_pack_file"),
    ],
)
def test_adding_waits_with_its_reason(state, kind, existing, number, why):
    assert add.wait_words(state, kind, existing, number) == text.ADD_WAIT[why]


@pytest.mark.parametrize(
    ("state", "kind", "existing", "number"),
    [({"why": ""}, "existing", "EB-1", None), ({"why": ""}, "new", None, "CB-1"), ({"why": "", "pack_file": True}, "file", None, None)],
)
def test_adding_is_allowed_when_nothing_is_missing(state, kind, existing, number):
    assert add.wait_words(state, kind, existing, number) == ""


def test_columns_file_names_its_own_line():
    with pytest.raises(InputError) as caught:
        columns_from_text('decimal = "comma"\ndelimiter = "colon"\n', "bench.toml")
    assert "bench.toml:2" in str(caught.value.where)
    assert columns_from_text('[[column]]\nposition = 2\nrole = "voltage"\n', "bench.toml").columns[0].position == 2
    assert not is_pack_text('[[column]]\nposition = 2\n')
