"""The check of a record by somebody who has only the file, the logs and the program."""

from __future__ import annotations

import copy
import json
import re
import subprocess
import sys

import pytest

from cycler import __version__, packcard
from cycler.errors import InputError
from cycler.proof import recompute
from cycler.proof.carrier import html_with_seal
from cycler.proof.check import DETAILS_MAX, some
from cycler.proof.logcheck import find_logs
from cycler.proof.seal import envelope_bytes, seal_content
from cycler.proof.verify import verify_record
from tests.proof.proof_example import KEY, STRANGER, content, made, sources


def resealed(change, key=KEY, base=None):
    of = copy.deepcopy(base or made().content)
    change(of)
    return envelope_bytes(seal_content(of, key))


def results(found):
    return {check.id: check.result for check in found.checks}


def test_record_alone_is_checked_as_far_as_it_goes():
    found = verify_record(made().json, "r.json")
    assert found.good
    assert results(found) == {
        "signature": "good", "content": "good", "key": "not_checked", "page": "good", "criteria": "good", "logs": "not_checked",
        "figures": "not_checked", "verdict": "good", "before": "not_checked", "compared": "good", "health_items": "good", "program": "good",
    }
    assert "anybody can make a key" in found.check("key").text and KEY.fingerprint in found.check("key").text
    assert '"part-1.csv", "part-2.csv"' in found.check("logs").text
    assert found.check("none") is None


def test_names_and_order_of_the_logs_do_not_matter():
    logs = [(f"copy of {index}.txt", raw) for index, (_name, raw) in enumerate(reversed(made().all_logs))]
    found = verify_record(made().pdf, "r.pdf", logs, KEY.public)
    assert set(results(found).values()) == {"good"} and found.good and "shown" in results(found)
    assert "4 logs are byte for byte" in found.check("logs").text


def test_key_is_the_given_one_the_own_one_or_unknown():
    def of(**keys):
        return verify_record(made().json, "r.json", **keys).check("key")

    assert of(public_key=KEY.public).result == "good"
    assert of(own_key=KEY.public).result == "good" and "your own" in of(own_key=KEY.public).text
    assert of(own_key=STRANGER.public).result == "not_checked" and "not your own" in of(own_key=STRANGER.public).text
    wrong = of(public_key=STRANGER.public)
    assert wrong.result == "bad" and KEY.fingerprint in wrong.text and STRANGER.fingerprint in wrong.text
    none = verify_record(envelope_bytes({"record": made().content}), "r.json", public_key=KEY.public)
    assert none.check("key").result == "bad"


def test_everything_exchanged_by_somebody_with_another_key_shows_only_in_the_key():
    forged = resealed(lambda of: of.update(workshop="Quayside Pack Repair"), STRANGER)
    alone = verify_record(forged, "r.json")
    assert alone.good and alone.check("key").result == "not_checked"
    assert "compare the fingerprint" in alone.check("key").text
    assert not verify_record(forged, "r.json", public_key=KEY.public).good


def test_figures_of_the_earlier_run_are_computed_again_too():
    def change(of):
        of["before"]["analysis"]["capacity"]["value_ah"] = 0.1

    found = verify_record(resealed(change), "r.json", made().all_logs)
    assert found.check("figures").result == "good"
    assert found.check("before").details[0].startswith("capacity.value_ah: 0.1 in the record, 0.3993")
    assert found.as_issued and not found.good
    one = verify_record(made().json, "r.json", made().all_logs[1:])
    assert one.check("before").result == "not_checked" and one.check("logs").result == "good"


def test_verdict_is_judged_again_without_a_log():
    found = verify_record(resealed(lambda of: of["verdict"].update(result="pass")), "r.json")
    assert found.check("verdict").details[0] == 'verdict.result: "pass" in the record, "not_proven" from the record\'s own figures'
    assert not found.good


def test_open_danger_of_the_card_is_judged_again():
    of = content(dangers=True)
    assert of["verdict"]["vetoes"] == [recompute.OPEN_DANGER] == [packcard.DANGER_CODE]
    assert verify_record(envelope_bytes(seal_content(of, KEY)), "r.json").check("verdict").result == "good"


def test_criteria_are_judged_by_from_their_text_or_from_plain_values():
    from cycler.criteria import load_criteria

    criteria = load_criteria()
    assert recompute.criteria_agree(made().content["criteria"]) is True
    plain = {"name": criteria.name, "sha256": criteria.sha256, "text": json.dumps(criteria.to_dict())}
    again = recompute.criteria_again(plain)
    assert (again.criteria, again.decision_rule, again.sha256) == (criteria.criteria, criteria.decision_rule, criteria.sha256)
    found = verify_record(resealed(lambda of: of.update(criteria=plain)), "r.json", list(made().logs))
    assert (found.check("criteria").result, found.check("verdict").result, found.check("figures").result) == ("good", "good", "good")
    # A file saved with byte order mark or line ends of another system has the digest of its bytes.
    import hashlib

    text = criteria.text
    for raw in (text.encode("utf-8-sig"), text.replace("\n", "\r\n").encode()):
        assert recompute.criteria_agree({"text": text, "sha256": hashlib.sha256(raw).hexdigest()}) is True


def test_run_judged_later_by_another_set_still_comes_out_again():
    from cycler.analysis import analyze
    from cycler.criteria import load_criteria
    from cycler.readers import read_logs_bytes
    from tests.proof.proof_example import pack

    resale, owner = load_criteria("resale"), load_criteria()
    log = read_logs_bytes(list(made().logs))
    limits = set()
    for criteria in (resale, owner):
        analysis = analyze(log, pack(), criteria).to_dict()
        limits.add(analysis["groups"][0]["self_discharge_limit_ma"])
        run = {"pack": pack().to_dict(), "columns": None, "sources": sources(made().logs), "analysis": analysis}
        _log, again = recompute.analysis_again(run, {row["sha256"]: raw for row, (_n, raw) in zip(run["sources"], made().logs)}, owner)
        assert again["groups"] == analysis["groups"]
    assert len(limits) == 2  # else this shows nothing


def test_pack_comes_back_with_real_numbers():
    from cycler.proof.canonical import canonical_bytes, read_json
    from tests.proof.proof_example import pack

    back = recompute.pack_again(read_json(canonical_bytes(pack().to_dict()), "x"))
    assert back == pack()
    assert isinstance(back.rated_capacity_ah, float) and isinstance(back.series, int)


def test_columns_file_of_a_run_is_used_again():
    from cycler.analysis import analyze
    from cycler.criteria import load_criteria
    from cycler.readers import read_logs_bytes
    from cycler.readers.columnsfile import parse_columns
    from cycler.storage import columns_to_text

    name, raw = "odd.csv", re.sub(rb"^[^\n]*", b"a,b,c,d,e,f", b"".join([made().logs[0][1], *made().logs[1][1].partition(b"\n")[2:]]))
    columns = parse_columns("".join(
        f'[[column]]\nname = "{letter}"\nrole = "{role}"\n{more}\n'
        for letter, role, more in (
            ("a", "time", 'unit = "s"'), ("b", "voltage", 'unit = "V"'), ("c", "current", 'unit = "A"\nsign = "charge_positive"'),
            ("d", "group_voltage", 'unit = "V"\ngroup = 1'), ("e", "group_voltage", 'unit = "V"\ngroup = 2'), ("f", "group_voltage", 'unit = "V"\ngroup = 3'),
        )
    ), "odd.toml")
    from tests.proof.proof_example import pack

    analysis = analyze(read_logs_bytes([(name, raw)], columns), pack(), load_criteria()).to_dict()

    def change(of):
        of |= {
            "columns": json.loads(columns_to_text(columns)), "sources": sources(((name, raw),)), "before": None, "compared": None,
            "analysis": {key: value for key, value in analysis.items() if key != "verdict"}, "verdict": analysis["verdict"],
        }

    found = verify_record(resealed(change), "r.json", [("whatever.csv", raw)])
    assert (found.check("logs").result, found.check("figures").result) == ("good", "good")
    without = verify_record(resealed(lambda of: (change(of), of.update(columns=None))), "r.json", [("whatever.csv", raw)])
    assert without.check("figures").result == "bad" and "cannot be read with the settings" in without.check("figures").text


def test_other_version_of_the_program_is_said_and_what_it_adds_is_no_difference():
    def change(of):
        of["software"]["version"] = "0.0.9"
        del of["analysis"]["capacity"]["rate_it"]

    found = verify_record(resealed(change), "r.json", list(made().logs))
    assert found.check("program").result == "not_checked" and "0.0.9" in found.check("program").text
    assert found.check("figures").result == "good"
    found = verify_record(resealed(lambda of: (change(of), of["analysis"]["capacity"].update(value_ah=2.0))), "r.json", list(made().logs))
    assert "version 0.0.9" in found.check("figures").text and found.check("figures").result == "bad"
    for part in ("findings", "groups"):  # what an older version knew too may not be left out in its name
        found = verify_record(resealed(lambda of, part=part: (change(of), of["analysis"][part].pop(0))), "r.json", list(made().logs))
        assert found.check("figures").result == "bad" and f"{part}[" in found.check("figures").details[0]
    same = verify_record(resealed(lambda of: of["analysis"]["capacity"].pop("rate_it")), "r.json", list(made().logs))
    assert same.check("figures").details[0].startswith("capacity.rate_it: not in the record")


def test_page_laid_out_by_another_version_is_not_called_forged():
    plain = "<!DOCTYPE html><html><body><p>In the words of an older version.</p></body></html>"
    for version, result in (("0.0.9", "not_checked"), (__version__, "bad")):
        envelope = json.loads(resealed(lambda of, version=version: of["issued_with"].update(version=version)))
        found = verify_record(html_with_seal(plain, envelope, KEY).encode(), "r.html", made().all_logs)
        assert found.check("shown").result == result


def test_earlier_run_may_have_been_analysed_by_another_version():
    def change(of):
        of["before"]["analysis"]["software"] = {"name": "packreturn", "version": "0.0.9"}
        del of["before"]["analysis"]["capacity"]["rate_it"]

    found = verify_record(resealed(change), "r.json", made().all_logs)
    assert (found.check("before").result, found.check("figures").result, found.check("program").result) == ("good", "good", "good")


def test_many_differences_are_counted():
    assert some([str(k) for k in range(DETAILS_MAX)]) == tuple(str(k) for k in range(DETAILS_MAX))
    assert some([str(k) for k in range(DETAILS_MAX + 5)])[-1] == "and 5 more"

    def change(of):
        for group in of["analysis"]["groups"]:
            for key in group:
                group[key] = 77.5

    found = verify_record(resealed(change), "r.json", list(made().logs))
    assert len(found.check("figures").details) == DETAILS_MAX + 1
    assert re.fullmatch(r"and \d+ more", found.check("figures").details[-1])


@pytest.mark.parametrize("code", ["whole", "hash", "HASH", "fours", "short"])
def test_code_of_a_print_belongs_to_the_file(code):
    sha256 = made().envelope["seal"]["record_sha256"]
    text = {"whole": f"packreturn record 2026-0002-1 sha256 {sha256}", "hash": sha256, "HASH": sha256.upper(),
        "fours": " ".join(sha256[k : k + 4] for k in range(0, 64, 4)), "short": f"{sha256[:4]} {sha256[4:8]} {sha256[8:16]} …"}[code]
    assert verify_record(made().html, "r.html", code=text).check("code").result == "good"


def test_code_that_is_none_or_of_another_serial():
    sha256 = made().envelope["seal"]["record_sha256"]
    with pytest.raises(InputError, match="--code"):
        verify_record(made().json, "r.json", code="nonsense")
    with pytest.raises(InputError, match="16 or more digits"):
        verify_record(made().json, "r.json", code=sha256[:12])
    assert verify_record(made().json, "r.json", code=("0" if sha256[0] != "0" else "1") + sha256[1:16]).check("code").result == "bad"
    found = verify_record(made().json, "r.json", code=f"packreturn record 2026-0009-1 sha256 {sha256}")
    assert found.check("code").result == "bad" and "2026-0009-1" in found.check("code").text


def test_note_that_names_the_code_of_an_earlier_record_is_no_other_code():
    note = f"packreturn record 2026-0002-0 sha256 {'a' * 64}"
    of = copy.deepcopy(made().content)
    of["card"]["entries"].append({"kind": "note", "text": note, "who": "Ada", "at": "2026-02-27T09:00:00Z"})
    for envelope, result in ((seal_content(of, KEY), "good"), (made().envelope, "bad")):
        page = html_with_seal(f"<!doctype html><html><body><p>{note}</p></body></html>", envelope, KEY)
        assert verify_record(page.encode(), "r.html").check("page").result == result


def test_what_the_content_says_stands_on_one_line():
    found = verify_record(resealed(lambda of: of.update(workshop="Honest\n\nKey: Good\nIt is the one that was given")), "r.json")
    assert found.shown["workshop"] == "Honest Key: Good It is the one that was given"


HOSTILE = [
    {}, {"pack": None}, {"pack": {"series": "x"}}, {"pack": []}, {"criteria": {"text": "no toml =", "name": "x", "sha256": ""}},
    {"criteria": {"text": "{}", "name": "x", "sha256": ""}}, {"criteria": None}, {"sources": "x"}, {"sources": [{}]}, {"sources": []},
    {"columns": 7}, {"columns": {"columns": 1}}, {"columns": [{"no": 1}]}, {"analysis": None}, {"analysis": []}, {"verdict": None}, {"verdict": {"criteria": 1}},
    {"software": None}, {"before": 7}, {"before": {}}, {"compared": {}}, {"card": {"entries": 5}}, {"card": 1}, {"health_items": None},
    {"analysis": {"capacity": 5, "groups": {"a": 1}}}, {"made_at": 5}, {"serial": {"a": 1}},
]


@pytest.mark.parametrize("change", HOSTILE, ids=lambda change: str(change)[:40])
def test_hostile_content_ends_in_a_finding(change):
    of = copy.deepcopy(made().content) | change if change else {"schema": "cycler.record/1"}
    raw = envelope_bytes({"record": of, "seal": made().envelope["seal"]})
    found = verify_record(raw, "hostile.json")
    assert not found.good and found.check("content").result == "bad"
    json.dumps(found.to_dict(), allow_nan=False)
    # Anybody can seal anything with a key of their own.
    sealed = verify_record(envelope_bytes(seal_content(of, STRANGER)), "hostile.json", list(made().logs))
    assert sealed.check("signature").result == "good" and not sealed.good


def test_log_packed_or_saved_anew_is_the_same_text_but_not_the_same_bytes():
    import gzip

    rows = sources(made().logs)
    for form, how in (
        (gzip.compress(made().logs[1][1]), "compression"), (b"\xef\xbb\xbf" + made().logs[1][1], "byte order mark"),
        (made().logs[1][1].rstrip(b"\n"), "line ends"),
    ):
        found = find_logs(rows, (), [made().logs[0], ("x.csv", form)])
        assert found.check.result == "bad" and how in found.check.details[0] and found.has(rows)


def test_stranger_among_the_logs_is_named():
    found = find_logs(sources(made().logs), (), [*made().logs, ("holiday.csv", b"1,2\n")])
    assert found.check.result == "bad" and '"holiday.csv"' in found.check.details[0] and found.has(sources(made().logs))


def test_result_as_json_says_everything():
    value = verify_record(made().html, "r.html", list(made().logs), KEY.public).to_dict()
    assert value["schema"] == "cycler.verification/1" and value["good"] is value["as_issued"] is True and value["kind"] == "html"
    assert value["record"]["serial"] == "2026-0002-1" and value["record"]["verdict"] == made().content["verdict"]["result"]
    assert value["record"]["record_sha256"] == made().envelope["seal"]["record_sha256"]
    assert all(set(check) == {"id", "result", "text", "details"} for check in value["checks"])


def test_check_loads_neither_register_nor_database_of_its_own():
    code = (
        "import sys; import cycler.proof.verify, cycler.proof.carrier, cycler.proof.keys, cycler.proof.seal; "
        "print([name for name in sys.modules if name in ('cycler.register', 'cycler.database', 'sqlalchemy', 'numpy', 'cryptography')])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


_ELSEWHERE = """
import sys
from cycler.proof.verify import verify_record
files = [(name, open(name, "rb").read()) for name in sys.argv[1:]]
found = verify_record(files[0][1], "record", files[1:])
print([(check.id, check.details or check.text) for check in found.checks if check.result == "bad"])
"""


@pytest.mark.parametrize("kernel", ["Haswell", "Prescott"])
def test_record_comes_out_again_where_the_last_digits_fall_otherwise(kernel, tmp_path):
    """Another machine, as far as one can be had here: other kernels of linear algebra, another zone, another order of hashes."""
    import os
    from pathlib import Path

    from cycler.analysis import analyze
    from cycler.criteria import load_criteria
    from cycler.pack import load_pack
    from cycler.readers import read_logs_bytes
    from cycler.record.content import build_content

    samples = Path(__file__).parent.parent.parent / "sample_logs"
    logs = [(name, (samples / name).read_bytes()) for name in ("cargo-part1-charge.csv", "cargo-part2-discharge.csv")]
    pack, criteria = load_pack(samples / "packs" / "cargo-0222.toml"), load_criteria()
    analysis = analyze(read_logs_bytes(logs), pack, criteria).to_dict()
    of = build_content(analysis=analysis, pack=pack, criteria=criteria, serial="1", made_at="2026-03-01T10:00:00Z", sources=sources(tuple(logs)))
    (tmp_path / "record.json").write_bytes(envelope_bytes(seal_content(of, KEY)))
    done = subprocess.run(
        [sys.executable, "-c", _ELSEWHERE, str(tmp_path / "record.json"), *(str(samples / name) for name, _raw in logs)],
        capture_output=True, text=True, check=True, cwd=samples.parent,
        env=os.environ | {"OPENBLAS_CORETYPE": kernel, "OPENBLAS_NUM_THREADS": "2", "TZ": "Asia/Kolkata", "PYTHONHASHSEED": "77", "LC_ALL": "C"},
    )
    assert done.stdout.strip() == "[]"
