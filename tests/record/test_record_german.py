"""A whole record in German: page and PDF say what the English ones say, and leave every name and number of a thing alone."""

from __future__ import annotations

import re
import subprocess
from concurrent.futures import ThreadPoolExecutor
from functools import cache

import pytest
from record_example import example, hostile, make_log, nulled

from cycler.errors import InputError
from cycler.pack import Pack
from cycler.record import build_record
from cycler.record.sentences import END, START
from cycler.record.text import CAUTIONS

SERIAL = "PR-1.5-2026"
FIGURE = re.compile(r"\d+[.,]\d+ ± \d+[.,]\d+")


@cache
def parts():
    analysis = example()
    return analysis, make_log(analysis, rows=2000)


@cache
def record(language):
    analysis, log = parts()
    return build_record(analysis, Pack(id="EB 0.7"), log, serial=SERIAL, made_at="2026-11-28T17:45:00Z", workshop="Werkstatt 1.1", language=language)


def words_of(page):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", re.sub(r"<style>.*?</style>", " ", page, flags=re.DOTALL)))


def test_page_and_pdf_name_their_language():
    assert '<html lang="de">' in record("de").html and '<html lang="en">' in record("en").html
    assert b"/Lang (de)" in record("de").pdf and b"/Lang (en)" in record("en").pdf


def test_every_figure_of_the_english_page_stands_on_the_german_one_with_a_comma():
    english, german = (FIGURE.findall(words_of(record(language).html)) for language in ("en", "de"))
    assert len(english) > 50
    assert [figure.replace(".", ",") for figure in english] == [figure.replace(".", ",") for figure in german]
    # The invented analysis holds a few sentences that no analysis makes: they stay English, as a whole and marked.
    translated = re.sub(r'<span lang="en">.*?</span>', "", record("de").html)
    assert [figure for figure in FIGURE.findall(words_of(translated)) if "." in figure] == []


def test_names_numbers_of_things_and_digests_are_not_touched():
    analysis, _ = parts()
    page = record("de").html
    source = analysis["sources"][0]
    for kept in (SERIAL, "Werkstatt 1.1", source["sha256"], source["file"].rsplit("/", 1)[-1], analysis["software"]["version"], analysis["schema"]):
        assert str(kept) in page, kept


def test_no_heading_or_caution_of_the_english_page_is_left():
    page = words_of(record("de").html)
    assert [line for _, line in CAUTIONS if line in page] == []
    for word in ("Verdict", "Figures", "Criteria", "Findings", "Cautions", "not known", "not measured", "at least"):
        assert word not in page, word


def test_two_records_in_two_languages_at_once_are_those_made_alone():
    alone = {language: record(language) for language in ("en", "de")}
    analysis, log = parts()
    with ThreadPoolExecutor(2) as pool:
        made = list(pool.map(
            lambda language: (language, build_record(
                analysis, Pack(id="EB 0.7"), log, serial=SERIAL, made_at="2026-11-28T17:45:00Z", workshop="Werkstatt 1.1", language=language)),
            ["en", "de", "en", "de"],
        ))
    assert all(one.html == alone[language].html and one.pdf == alone[language].pdf for language, one in made)


def test_unknown_language_is_refused():
    analysis, log = parts()
    with pytest.raises(InputError, match="'xx' is not known"):
        build_record(analysis, Pack(id="EB 0.7"), log, serial=SERIAL, made_at="2026-11-28", language="xx")


def test_page_says_how_many_sentences_stayed_english():
    left = record("de").html.count('<span lang="en">')
    assert f"weil keine Übersetzung bekannt ist: {left}." in record("de").html
    assert "keine Übersetzung" not in record("en").html and "no translation" not in record("en").html


def test_marks_of_english_text_reach_neither_page_nor_pdf(tmp_path):
    assert record("de").html.count('<span lang="en">') > 0
    (tmp_path / "record.pdf").write_bytes(record("de").pdf)
    shown = subprocess.run(["pdftotext", "-layout", str(tmp_path / "record.pdf"), "-"], capture_output=True, text=True, check=True).stdout
    for text in (record("de").html, shown):
        assert START not in text and END not in text and "U+E00" not in text


@pytest.mark.parametrize("text", ["{x} {0} %s <b>", "a. B; c, d and e: f", f"{START}x{END}", "Group {n}: 1.5 ± 0.5 %. Log the balance taps next time."])
def test_hostile_text_in_every_place_gives_a_german_record(text):
    analysis, log = parts()
    made = build_record(hostile(analysis, text), Pack(id=text), log, serial=text, made_at=text, workshop=text, run_label=text, language="de")
    assert START not in made.html and END not in made.html
    assert made.pdf.startswith(b"%PDF")


def test_record_of_an_analysis_that_knows_nothing_is_made_in_german():
    analysis, log = parts()
    assert "nicht bekannt" in build_record(nulled(analysis), Pack(), log, serial=SERIAL, made_at="", language="de").html
