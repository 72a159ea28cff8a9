"""The demonstration, run as a user runs it: what it prints, what it leaves, and that figures agree with the truth."""

from __future__ import annotations

import contextlib
import json
import os
import re
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from cycler import demo
from cycler.cli import run
from cycler.errors import InputError
from cycler.quantities import figure_text
from cycler.register import Register
from cycler.simulator import SAMPLES

PROJECT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    """Folder, standard output and standard error of one demonstration with the sample logs of the project."""
    folder = tmp_path_factory.mktemp("demo") / "here"
    done = subprocess.run(
        [sys.executable, "-m", "cycler", "demo", "--to", str(folder)], cwd=PROJECT, capture_output=True, text=True,
        encoding="utf-8", env=os.environ | {"XDG_DATA_HOME": str(folder.parent / "data")}, timeout=300,
    )
    assert done.returncode == 0, done.stderr
    return folder, done.stdout, done.stderr


@pytest.fixture(scope="module")
def runs(shown):
    with Register.open(shown[0] / demo.REGISTER_NAME, create=False) as register:
        rows = {row.label: row for row in register.runs()}
        return {name: (rows[label], register.run(rows[label].id).analysis) for name, label in demo.LABELS.items()}


def truths():
    return json.loads((PROJECT / "sample_logs/truth.json").read_text(encoding="utf-8"))["logs"]


def test_every_sample_has_a_label_of_its_own():
    assert set(demo.LABELS) == {sample.name for sample in SAMPLES}
    assert len(set(demo.LABELS.values())) == len(demo.LABELS)
    assert set(demo.COMPARED) <= set(demo.LABELS)


def test_demo_is_silent_on_standard_error_and_leaves_the_own_register_alone(shown):
    folder, _out, err = shown
    assert err == "" and not (folder.parent / "data").exists()


def test_demo_says_the_data_are_invented_and_takes_the_logs_that_are_there(shown):
    _folder, out, _err = shown
    assert out.startswith("Invented sample logs") and "taken from sample_logs" in out
    assert "no safety certificate" in " ".join(out.split())


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda sample: sample.name)
def test_verdict_is_the_one_a_repairer_would_give(shown, runs, sample):
    # Source: the scenario of each sample states what a repairer would say and why (sample_logs/README.md).
    row, _analysis = runs[sample.name]
    assert row.verdict == sample.expected
    word = {"pass": "PASS", "fail": "FAIL", "not_proven": "NOT PROVEN"}[sample.expected]
    part = re.split(r"\nRun ", shown[1])
    block = next(piece for piece in part if f"{row.pack_id}, {row.label}:" in " ".join(piece.split()))
    assert word in block


def test_demo_shows_a_pass_a_fail_and_a_not_proven(runs):
    assert {row.verdict for row, _analysis in runs.values()} == {"pass", "fail", "not_proven"}


def test_weak_group_is_found_before_the_repair_and_gone_after_it(runs):
    before, after = (runs[name][1] for name in demo.COMPARED[:2])
    # Source: truth of the simulator; group 4 was given 70 % of its siblings' capacity.
    assert before["limiting_group"] == truths()[demo.COMPARED[0]]["limiting_group"] == 4
    assert [f["group"] for f in before["findings"] if f["code"] == "weak_group"] == [4]
    assert not [f for f in after["findings"] if f["code"] == "weak_group"]


def test_improvement_is_printed_with_its_uncertainty(shown, runs):
    from cycler.compare import compare

    result = compare([runs[name][1] for name in demo.COMPARED[:2]], ["before", "after"])
    line = next(row for row in result["rows"] if row["quantity"] == "capacity_ah")
    text = figure_text(line["difference"][1], line["u_difference"][1], "Ah").removesuffix(" Ah")
    assert f"+{text}" in shown[1] and "better" in shown[1] and line["significant"][1] is True
    # The true gain lies inside the expanded uncertainty, k = 2, of the difference.
    names = demo.COMPARED[:2]
    true = [truths()[name]["discharge"]["delivered_with_pulses_ah"] for name in names]
    assert abs(line["difference"][1] - (true[1] - true[0])) <= 2 * line["u_difference"][1]


def test_records_are_written_in_three_forms_and_their_places_are_said(shown):
    folder, out, _err = shown
    files = sorted((folder / demo.RECORDS_NAME).iterdir())
    assert len(files) == 3 * (len(SAMPLES) + 1)  # one of them in German too
    begins = {".pdf": b"%PDF-", ".html": b"<!DOCTYPE html>", ".json": b'{"record":'}
    for file in files:
        assert f"  {file.with_suffix('')}" in [line.removesuffix(" (in German)") for line in out.splitlines()]
        assert file.read_bytes().lstrip().startswith(begins[file.suffix])


def verified(folder, record, logs):
    """Verification of one record in another process that has only the record, the logs and the program."""
    given = [part for log in logs for part in ("--log", str(PROJECT / "sample_logs" / log))]
    done = subprocess.run(
        [sys.executable, "-m", "cycler", "verify", str(record), *given, "--json"], cwd=folder, capture_output=True, text=True,
        encoding="utf-8", env=os.environ | {"XDG_DATA_HOME": str(folder / "nobody"), "CYCLER_KEY": str(folder / "nobody.pem")}, timeout=120,
    )
    return done.returncode, json.loads(done.stdout)


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda sample: sample.name)
def test_every_figure_of_a_record_comes_out_again_from_record_and_raw_logs_alone(shown, tmp_path, sample):
    (record,) = (path for path in (shown[0] / demo.RECORDS_NAME).glob(f"record-{sample.name}-2*.pdf"))
    before = next((item.files for item in SAMPLES if item.name == demo.AGAINST.get(sample.name)), ())
    code, told = verified(tmp_path, record, (*sample.files, *before))
    results = {check["id"]: check["result"] for check in told["checks"]}
    assert code == 0 and "bad" not in results.values()
    assert [name for name, result in results.items() if result == "not_checked"] == ["key"]  # nobody here knows the workshop
    assert not (tmp_path / "nobody").exists() and not (tmp_path / "nobody.pem").exists()


def test_record_in_german_holds_the_same_figures_as_the_english_one(shown):
    folder = shown[0] / demo.RECORDS_NAME
    (german,), (english,) = (
        [json.loads(path.read_bytes())["record"] for path in folder.glob(f"record-{demo.GERMAN}-{which}.json")] for which in ("deutsch-2*", "2*")
    )
    assert (german["language"], english["language"]) == ("de", "en")
    for part in ("analysis", "verdict", "compared", "before", "sources", "criteria", "pack", "health_items"):
        assert german[part] == english[part]


def test_the_seal_of_the_demo_is_by_a_key_of_its_own(shown):
    folder, _out, _err = shown
    assert (folder / demo.KEY_NAME).stat().st_mode & 0o777 == 0o600


def test_records_of_the_demo_name_the_invented_workshop(shown):
    folder, _out, _err = shown
    pages = sorted((folder / demo.RECORDS_NAME).glob("*.html"))
    assert demo.WORKSHOP == "Invented workshop (demo)"
    assert pages and all(demo.WORKSHOP in page.read_text(encoding="utf-8") for page in pages)


# --- jobs --------------------------------------------------------------------------------------------------------

# What was invented for each sheet stands in its first line: cause, group or tap; then the option a repairer would take, and what is run.
JOBS = {
    "board-fault": ("EB-0415", "discharge_switch_open", None, "repair_board", [("sister pack", "pass")]),
    "dead-group": ("CB-0222", "group_dead", 9, "repair_group", [("two files", "pass")]),
    "broken-sense-lead": ("EB-0405", "sense_lead_open", None, "repair_lead", [("charge not finished", "not_proven"), ("charge finished", "pass")]),
    "deep-discharged": ("MS-0150", "deep_discharged", None, "scrap", []),
}


def test_register_keeps_a_run_and_a_record_within_the_stated_size(shown, runs):
    """DEVELOPERS.md, "How much room a register takes"."""
    with contextlib.closing(sqlite3.connect(shown[0] / demo.REGISTER_NAME)) as connection:
        taken = dict(connection.execute("SELECT name, sum(pgsize) FROM dbstat GROUP BY name"))
        records = connection.execute("SELECT count(*) FROM records").fetchone()[0]
        kept = connection.execute("SELECT sum(length(raw_zlib)), sum(bytes) FROM logs").fetchone()
    assert records > 0 and taken["record_files"] < 900_000 * records
    assert sum(size for name, size in taken.items() if not name.startswith(("record", "logs", "photo"))) < 220_000 * len(runs)
    assert kept[0] < 0.3 * kept[1], "logs are kept packed"


@pytest.fixture(scope="module")
def jobs(shown):
    from cycler.jobsteps import standing

    with Register.open(shown[0] / demo.REGISTER_NAME, create=False) as register:
        lines = {line.pack_id: line.id for line in register.jobs.jobs()}
        return {pack_id: (standing(register, number), register.jobs.job(number).sheets[-1]) for pack_id, number in lines.items()}


def test_sheets_of_the_package_are_those_of_the_sample_folder():
    own = {path.name: path.read_bytes() for path in demo.SHEETS.glob("*.toml")}
    assert own == {path.name: path.read_bytes() for path in (PROJECT / "sample_logs" / "jobs").glob("*.toml")}
    assert set(own) == {f"{story.sheet}.toml" for story in demo.STORIES} == {f"{name}.toml" for name in JOBS}


@pytest.mark.parametrize("name", JOBS)
def test_job_runs_from_its_bench_sheet_to_the_record(jobs, name):
    pack_id, cause, group, option, tests = JOBS[name]
    stands, sheet = jobs[pack_id]
    first = sheet.evaluation["causes"][0]
    assert (first["code"], first["group"]) == (cause, group) and first["probability"] > 0.8 and first["for"]
    (decided,) = [item["data"] for item in stands["entries"] if item["kind"] == "decision"]
    assert (decided["option"], decided["cause"]) == (option, cause)
    assert [(run["label"], run["verdict"]) for run in stands["runs"]] == tests and all(run["serials"] for run in stands["runs"])
    states = {step["code"]: step["state"] for step in stands["steps"]}
    if option == "scrap":
        assert {states[code] for code in ("work", "test", "verdict", "record")} == {"not_needed"} and stands["state"] == "closed" and stands["dangers"]
        assert [item["code"] for item in stands["cautions"]] == ["quarantine", "transport_damaged"]
    else:
        assert {states[code] for code in ("sheet", "cause", "decision", "work", "test", "verdict", "record")} == {"done"} and not stands["dangers"]


@pytest.mark.parametrize("name", JOBS)
def test_option_of_a_job_is_the_one_that_pays_and_no_veto_bars_it(jobs, name):
    from cycler.repair.options import rank_options
    from cycler.repair.workshop import default_workshop

    pack_id, _cause, _group, option, _tests = JOBS[name]
    assert rank_options(jobs[pack_id][1].evaluation, default_workshop())["first"] == option


def test_lead_that_looks_like_a_dead_group_puts_no_danger_on_the_card_and_the_dead_group_does(shown):
    with Register.open(shown[0] / demo.REGISTER_NAME, create=False) as register:
        danger = {pack_id: [item.text for item in register.cards.entries(pack_id) if item.kind == "danger" and item.act == "new"] for pack_id in ("EB-0405", "CB-0222")}
        assert danger["EB-0405"] == [] and len(danger["CB-0222"]) == 1 and "Group 9" in danger["CB-0222"][0]
        (closed,) = [item for item in register.card("CB-0222", superseded=True)["superseded"] if item["kind"] == "danger"]
        assert closed["ended"]["act"] == "close" and "quarantine" in closed["ended"]["why"]


def test_jobs_of_the_demo_are_told_and_their_pages_lie_in_the_folder(shown, jobs):
    folder, out, _err = shown
    told = " ".join(out.split("Jobs, from the bench sheet on")[1].split("Look at it")[0].split())
    for number, pack_id in enumerate([JOBS[story.sheet][0] for story in demo.STORIES], 1):
        assert f"Job {number} {pack_id}:" in told and (folder / demo.JOBS_NAME / f"job-{number}-{pack_id}.html").read_bytes().startswith(b"<!DOCTYPE")
        assert jobs[pack_id][0]["id"] == number
    assert told.count("Closed.") == 3 and "Next: Hand the pack over with its record" in told and "dangerous-goods" in told


def test_register_of_the_demo_is_in_order(shown):
    from cycler import custody

    assert custody.check(shown[0] / demo.REGISTER_NAME).good


def test_demo_says_how_to_open_the_pages(shown):
    folder, out, _err = shown
    assert f"python -m cycler --register {folder / demo.REGISTER_NAME} serve" in out


def test_lines_to_copy_name_the_command_as_it_was_called(monkeypatch, tmp_path):
    from cycler.commands.demo_output import program

    script = tmp_path / "my bin" / "cycler"
    script.parent.mkdir()
    script.touch()
    for called, shown_as in ((str(script), f"'{script}'"), ("/x/cycler/__main__.py", "python -m cycler"), ("pytest", "cycler")):
        monkeypatch.setattr(sys, "argv", [called])
        assert program() == shown_as


def test_demo_says_that_a_register_named_with_it_counts_for_nothing(tmp_path, capfd, monkeypatch):
    monkeypatch.setattr(demo, "run_demo", lambda *_args, **_more: 1 // 0)
    assert run(["--register", str(tmp_path / "mine.sqlite"), "demo", "--to", str(tmp_path / "demo")]) == 1
    assert "--register counts for nothing here" in capfd.readouterr().err and not (tmp_path / "mine.sqlite").exists()


def test_demo_into_a_folder_that_holds_one_is_refused(shown, capfd):
    folder, _out, _err = shown
    before = (folder / demo.REGISTER_NAME).read_bytes()
    assert run(["demo", "--to", str(folder)]) == 2
    out, err = capfd.readouterr()
    assert out == "" and err.count("\n") == 1 and "holds a demonstration already" in err
    assert (folder / demo.REGISTER_NAME).read_bytes() == before


def test_target_folder_is_a_new_one_by_default(monkeypatch, tmp_path):
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    first, second = demo.target_folder(None), demo.target_folder(None)
    assert first != second and first.parent == second.parent == tmp_path


def test_target_that_is_a_file_is_refused(tmp_path):
    (tmp_path / "x").touch()
    with pytest.raises(InputError, match="not a folder"):
        demo.target_folder(tmp_path / "x")


def test_samples_are_made_anew_where_there_are_none(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert not demo.has_samples(demo.SAMPLE_FOLDER)
    few = tuple(sample for sample in SAMPLES if sample.name in demo.COMPARED[:2])
    monkeypatch.setattr("cycler.simulator.SAMPLES", few)
    monkeypatch.setattr("cycler.simulator.samples.SAMPLES", few)
    steps = []
    expected = demo.steps_of_demo()
    made = demo.run_demo(demo.target_folder(tmp_path / "out"), progress=steps.append)
    assert (made.logs_were_there, made.logs) == (False, tmp_path / "out" / demo.LOGS_NAME)
    assert len(steps) == expected == 4 and [item.name for item in made.runs] == list(demo.COMPARED[:2])
    assert (tmp_path / "out" / demo.RECORDS_NAME).is_dir() and sorted(path.name for path in tmp_path.iterdir()) == ["out"]
    # The same bytes as those that lie in the project: the simulator is seeded.
    for sample in few:
        for name in sample.files:
            assert (made.logs / name).read_bytes() == (PROJECT / "sample_logs" / name).read_bytes()
