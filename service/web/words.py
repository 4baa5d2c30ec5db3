"""What is said to people, in the language they read: catalogues under `languages/`, English in the code.

A sentence is marked where it stands, with `_("…")` in Python and in templates; a table at the top of a module marks its
words with `N_("…")` and asks for them with `_` when they are shown. The language is that of the request.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import date
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, Final

from babel import Locale
from babel.dates import format_date
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.support import NullTranslations, Translations
from jinja2 import Environment

CORE: Final = "core"
"""The context under which catalogues hold the sentences of the core."""
LANGUAGES: Final = Path(__file__).parent / "languages"
ENGLISH: Final = "en"

_language: ContextVar[str] = ContextVar("language", default=ENGLISH)


def language() -> str:
    """The language that is spoken now: "en", "es" …"""
    return _language.get()


@cache
def languages() -> tuple[str, ...]:
    """The languages there is a catalogue of, English first."""
    return (ENGLISH, *sorted(path.stem for path in LANGUAGES.glob("*.po")))


@cache
def named() -> list[tuple[str, str]]:
    """(code, name in itself) of every language there is."""
    return [(code, str(Locale.parse(code).get_language_name(code)).capitalize()) for code in languages()]


@contextmanager
def speaking(language: str) -> Iterator[None]:
    """Speak a language within the block; English where there is no catalogue of it."""
    before = _language.set(language if language in languages() else ENGLISH)
    try:
        yield
    finally:
        _language.reset(before)


def _(text: str, /, **values: Any) -> str:
    """The sentence in the language spoken now; `values` take the places of its `%(name)s`."""
    said: str = _catalogue(_language.get()).ugettext(text)
    return said % values if values else said


def ngettext_(one: str, many: str, n: int, /, **values: Any) -> str:
    """As `_`, by number: `%(n)s` is the number itself."""
    said: str = _catalogue(_language.get()).ungettext(one, many, n)
    return said % {"n": n, **values}


def N_(text: str, /) -> str:  # noqa: N802 -- the mark that catalogues are collected by
    """Marks words that are asked for with `_` later."""
    return text


def sentences_of(language: str) -> list[tuple[str, str]]:
    """(English, the other language) of every sentence of the core: `service/web/phrases.py` tells them."""
    with (LANGUAGES / f"{language}.po").open("rb") as file:
        catalogue = read_po(file, locale=language)
    said = [
        (str(message.id), str(message.string)) for message in catalogue if message.context == CORE and not message.fuzzy
    ]
    return [(english, other) for english, other in said if other]


def say_date(day: date, pattern: str) -> str:
    """A day by a pattern of Unicode LDML, in the language spoken now: `EEE d MMM` is `Sun 1 Jun`, `dom 1 jun`."""
    return _dated(day, pattern, _language.get())


@lru_cache(maxsize=4096)  # a list says the same few days thousands of times
def _dated(day: date, pattern: str, language: str) -> str:
    return format_date(day, pattern, locale=language)


def teach(environment: Environment) -> None:
    """Let templates speak: `_`, `ngettext` and `{% trans %}`. There every text takes values, so a percent sign is
    written twice."""
    environment.add_extension("jinja2.ext.i18n")
    install: Callable[..., None] = environment.install_gettext_callables  # type: ignore[attr-defined]
    install(
        lambda text: _catalogue(_language.get()).ugettext(text),
        lambda one, many, n: _catalogue(_language.get()).ungettext(one, many, n),
        newstyle=True,
    )


@cache
def _catalogue(language: str) -> NullTranslations:
    path = LANGUAGES / f"{language}.po"
    if language == ENGLISH or not path.exists():
        return NullTranslations()
    compiled = io.BytesIO()
    with path.open("rb") as file:
        write_mo(compiled, read_po(file, locale=language))
    compiled.seek(0)
    return Translations(compiled)
