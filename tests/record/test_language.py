"""Every language has every word, with the same braces, and two languages do not get into each other's way."""

from __future__ import annotations

import string
import threading

import pytest

from cycler.errors import InputError
from cycler.record import language, measuretext, measuretext_de, text, text_de

PAIRS = [(text, text_de), (measuretext, measuretext_de)]
# Equal in both languages: symbols, units, names of standards and files, and words that German took over.
ALIKE = {
    "≥ {figure}", "≤ {figure}", "± {figure}", "●", "■", "◐", "○", "–", "SHA-256", "Text", " ({rate} It)", "{severity}: {label}{place}.", "{name}:", "R0 / mΩ", "R1 / mΩ",
    "τ1 / s", "R2 / mΩ", "τ2 / s", "Transport", "April", "August", "September", "November",
    "{part}: {item}", "{event} (Gruppe {n})", "Status", "original", "Register", "Code", "(k = 2)",
}


def leaves(value, path=""):
    """Every string in a constant, with where it stands."""
    if isinstance(value, str):
        yield path, value
    elif isinstance(value, dict):
        for key, item in value.items():
            yield from leaves(item, f"{path}[{key!r}]")
    elif isinstance(value, tuple):
        for k, item in enumerate(value):
            yield from leaves(item, f"{path}[{k}]")


def strings_of(module):
    """Every string of a module of words, by its place."""
    return {
        path: shown for name, value in vars(module).items() if name.isupper() and not name.startswith("_") for path, shown in leaves(value, name)
    }


def braces(value):
    return sorted(name for _, name, _, _ in string.Formatter().parse(value) if name is not None)


@pytest.mark.parametrize(("english", "german"), PAIRS)
def test_german_has_every_word_in_the_same_form(english, german):
    here, there = strings_of(english), strings_of(german)
    assert (sorted(here.keys() - there.keys()), sorted(there.keys() - here.keys())) == ([], [])


@pytest.mark.parametrize(("english", "german"), PAIRS)
def test_german_has_the_same_braces(english, german):
    there = strings_of(german)
    # A date in figures needs the number of the month in place of its name.
    other = [path for path, shown in strings_of(english).items() if path in there and path != "MOMENT" and braces(shown) != braces(there[path])]
    assert other == []


@pytest.mark.parametrize(("english", "german"), PAIRS)
def test_german_leaves_no_english_by_accident(english, german):
    there = strings_of(german)
    assert [path for path, shown in strings_of(english).items() if shown and shown == there.get(path) and shown not in ALIKE] == []


def test_words_come_in_the_language_that_holds():
    assert language.text.H_VERDICT == "Verdict"
    with language.speaking("de"):
        assert (language.current(), language.text.H_VERDICT, language.measuretext.H_POWER) == ("de", "Urteil", "Entladeleistung über 10 s")
        assert language.text.code_label("weak_group") == "schwache Gruppe"
        with language.speaking("en"):
            assert language.text.H_VERDICT == "Verdict"
        assert language.text.H_VERDICT == "Urteil"
    assert language.text.H_VERDICT == "Verdict"


def test_a_language_that_lacks_a_name_or_a_key_falls_back_to_english(monkeypatch):
    monkeypatch.setattr(text, "ONLY_ENGLISH", "only English", raising=False)
    monkeypatch.setitem(text.CODES, "brand_new", ("brand new", "It is brand new."))
    language._translated.cache_clear()
    with language.speaking("de"):
        assert language.text.ONLY_ENGLISH == "only English"
        assert language.text.code_label("brand_new") == "brand new"
        with pytest.raises(AttributeError):
            _ = language.text.NOWHERE
    language._translated.cache_clear()


def test_unknown_language_is_refused_with_those_there_are():
    with pytest.raises(InputError, match=r"'fr'.*en \(English\), de \(Deutsch\)"), language.speaking("fr"):
        pass
    assert language.current() == "en"


def test_command_offers_the_languages_that_there_are():
    from cycler.commands.recording import LANGUAGES

    assert tuple(LANGUAGES) == tuple(language.LANGUAGES)


def test_two_threads_speak_two_languages_at_once():
    meeting, found = threading.Barrier(2, timeout=10), {}

    def speak(code):
        with language.speaking(code):
            meeting.wait()
            found[code] = language.text.H_CAUTIONS
            meeting.wait()

    threads = [threading.Thread(target=speak, args=(code,)) for code in language.LANGUAGES]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert found == {"en": "Cautions", "de": "Vorsichtshinweise"}


def test_decimal_mark_follows_the_language():
    assert language.decimal("9.84 ± 0.04 Ah") == "9.84 ± 0.04 Ah"
    with language.speaking("de"):
        assert language.decimal("9.84 ± 0.04 Ah at 12. step") == "9,84 ± 0,04 Ah at 12. step"


def test_german_sentence_inside_another_keeps_the_capital_of_a_noun():
    assert text_de.inside("Die Ladung endete.") == "die Ladung endete"
    assert text_de.inside("Textzeilen wurden übergangen.") == "Textzeilen wurden übergangen"
