"""A whole record in German: page and PDF say what the English ones say, and leave every name and number of a thing alone."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from functools import cache

import pytest
from record_example import example, make_log

from cycler.errors import InputError
from cycler.pack import Pack
from cycler.record import build_record
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
