"""What is said in another language: all of it, with everything in its place."""

from __future__ import annotations

import ast
import re
import runpy
from datetime import date
from pathlib import Path
from typing import Any

import httpx
import pytest
from babel.messages.catalog import Catalog, Message
from babel.messages.pofile import read_po

from service.web.language import choose
from service.web.view import say_day, say_long_day
from service.web.words import LANGUAGES, _, languages, speaking

SCRIPT = runpy.run_path(str(Path(__file__).parents[2] / ".ci" / "words"))
OTHERS = [code for code in languages() if code != "en"]


@pytest.fixture(scope="module")
def marked() -> Catalog:
    """What the code and the templates say."""
    found: Catalog = SCRIPT["collect"]()
    assert len(found) > 5
    return found


def test_nothing_is_asked_for_where_the_collector_does_not_look(marked: Catalog) -> None:
    """It does not read the inside of an f-string, nor what is put together where it is asked for."""
    known = {text for each in marked if each.id for text in ([each.id] if isinstance(each.id, str) else each.id)}
    for path in sorted(LANGUAGES.parent.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Name)
                and node.func.id in ("_", "N_", "ngettext_")
            ):
                asked = [each for each in node.args[:2] if isinstance(each, ast.Constant | ast.JoinedStr)]
                assert all(isinstance(each, ast.Constant) for each in asked), f"{path.name}:{node.lineno}"
                for each in asked:
                    assert not isinstance(each.value, str) or each.value in known, f"{path.name}:{node.lineno}"


def texts(message: Message) -> list[tuple[str, str]]:
    """(English, the other language) of each number of a text."""
    if isinstance(message.id, str):
        return [(message.id, str(message.string))]
    return [(message.id[min(n, 1)], said) for n, said in enumerate(message.string)]


@pytest.mark.parametrize("code", OTHERS)
def test_a_catalogue_holds_every_text_translated_and_no_other(code: str, marked: Catalog) -> None:
    with (LANGUAGES / f"{code}.po").open("rb") as file:
        catalogue = read_po(file, locale=code)
    known = {(message.context, message.id): message for message in catalogue if message.id}
    assert known.keys() == {(message.context, message.id) for message in marked if message.id}, "run .ci/words"
    assert [message.id for message in known.values() if message.fuzzy] == []
    for message in known.values():
        assert SCRIPT["done"](message.string), message.id
        for english, other in texts(message):
            if isinstance(message.id, str):  # "1 day" need not name its number
                assert sorted(places(english, message.context)) == sorted(places(other, message.context)), english
            else:
                assert set(places(other)) <= set(places(message.id[-1]) + places(english)), english
            assert (english[-1] in ".?!:") == (other[-1] in ".?!:"), english


def places(text: str, context: str | None = None) -> list[str]:
    """Places to be filled: `%(name)s`, and `{name}` in a sentence of the core."""
    return re.findall(r"\{\w+\}" if context == "core" else r"%\(\w+\)[sd]", text)


def test_a_language_is_spoken_within_its_block_and_english_where_there_is_none() -> None:
    with speaking("es"):
        assert _("All sites") == "Todas las unidades"
        assert say_day(date(2031, 6, 1), date(2031, 7, 1)) == "dom 1 jun"
        assert say_long_day(date(2031, 6, 1)) == "domingo 1 de junio de 2031"
    with speaking("tlh"):
        assert _("All sites") == "All sites"
    assert say_day(date(2031, 6, 1), date(2032, 7, 1)) == "Sun 1 Jun 2031"
    assert say_long_day(date(2031, 6, 1)) == "Sunday 1 June 2031"


@pytest.mark.parametrize(
    ("chosen", "asked", "spoken"),
    [
        ("", "", "en"), ("", "es", "es"), ("", "es-MX,es;q=0.9,en;q=0.8", "es"), ("", "fr, es;q=0.4, en;q=0.6", "en"),
        ("", "fr", "en"), ("", "*", "en"), ("es", "en", "es"), ("xx", "es", "es"), ("", "es;q=0, en;q=0.1", "en"),
        ("", "es;q=often", "en"),
    ],
)  # fmt: skip
def test_the_language_is_the_one_chosen_else_the_one_asked_for(chosen: str, asked: str, spoken: str) -> None:
    assert choose(chosen, asked) == spoken


def test_a_page_changes_its_language_and_stays_where_it_was(ward: httpx.Client) -> None:
    with httpx.Client(base_url=ward.base_url, timeout=30) as reader:
        assert reader.get("/").headers["content-language"] == "en"
        assert reader.get("/", headers={"Accept-Language": "es"}).headers["content-language"] == "es"
        sent: dict[str, Any] = {
            "Sec-Fetch-Site": "same-origin",
            "Referer": f"{ward.base_url}/site/northbank?as_of=2031-06-02",
        }
        changed = reader.post("/language", data={"language": "es"}, headers=sent)
        assert (changed.status_code, changed.headers["location"]) == (303, "/site/northbank?as_of=2031-06-02")
        page = reader.get("/site/northbank")
        assert page.headers["content-language"] == "es"
        assert '<html lang="es">' in page.text
        assert "Todas las unidades" in page.text
        elsewhere = reader.post(
            "/language", data={"language": "en"}, headers=sent | {"Referer": "https://elsewhere.example/x"}
        )
        assert elsewhere.headers["location"] == "/"
        assert reader.post("/language", data={"language": "xx"}, headers=sent).status_code == 400
