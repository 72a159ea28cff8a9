"""The language a record is written in: words looked up in it, figures written its way.

``text`` and ``measuretext`` stand for the modules of that name. What is looked up in them comes from the module of
the current language; a name or a key that it lacks comes from the English one. The language holds for the current
thread or task only, so two records can be made in two languages at once. Nothing may take a word out of these two
when it is imported: it would stay in the language of that moment.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from importlib import import_module
from typing import Any

from cycler.errors import InputError

__all__ = ["ENGLISH", "LANGUAGES", "check_language", "current", "decimal", "measuretext", "speaking", "text"]

ENGLISH = "en"
LANGUAGES = {"en": "English", "de": "Deutsch"}
"""Code of each language (ISO 639-1) and its own name."""

_CURRENT: ContextVar[str] = ContextVar("cycler_record_language", default=ENGLISH)
_POINT = re.compile(r"(?<=\d)\.(?=\d)")


def current() -> str:
    """Code of the language that holds now."""
    return _CURRENT.get()


def check_language(language: Any) -> str:
    """The code of a language that records can be written in.

    Raises
    ------
    InputError
        There are no words in this language.
    """
    code = str(language).strip().lower()
    if code not in LANGUAGES:
        raise InputError(
            f"the language {str(language)!r} is not known", "in the language of the record", "a record can be written in the languages that have a file of words",
            f"give one of {', '.join(f'{known} ({name})' for known, name in LANGUAGES.items())}",
        )
    return code


@contextmanager
def speaking(language: Any) -> Iterator[None]:
    """Within the block every word and figure of a record comes in ``language``; refused as :func:`check_language` does."""
    token = _CURRENT.set(check_language(language))
    try:
        yield
    finally:
        _CURRENT.reset(token)


def decimal(figures: str) -> str:
    """Figures with the decimal mark of the current language: ``"9.84 ± 0.04 Ah"`` as it is, or ``"9,84 ± 0,04 Ah"``.

    Only for text that this program formatted itself; a name, a version or a hash would come out altered.
    """
    return figures if current() == ENGLISH else _POINT.sub(",", figures)


@cache
def _translated(module: str, language: str, name: str) -> Any:
    """A name of a module of words in another language, filled up from English. Raises AttributeError if neither has it."""
    english = getattr(import_module(f"cycler.record.{module}"), name)
    value = getattr(import_module(f"cycler.record.{module}_{language}"), name, english)
    return {**english, **value} if isinstance(english, dict) else value


class _Words:
    """Looks like a module of words and answers in the current language."""

    def __init__(self, module: str) -> None:
        self._module = module

    def __getattr__(self, name: str) -> Any:
        language = _CURRENT.get()
        if language == ENGLISH:
            return getattr(import_module(f"cycler.record.{self._module}"), name)
        return _translated(self._module, language, name)


text: Any = _Words("text")
measuretext: Any = _Words("measuretext")
