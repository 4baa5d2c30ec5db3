"""Finding infants by name, number or bed, on the list and off it.

What can be looked for is folded when it is written: no case, no accents, split into words. A search folds what was
typed in the same way and asks an index for words that begin so, which stays quick however many infants are known.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from typing import Any, Final

from sqlalchemy import Connection, Row, select, text

from service.store.tables import infants

_LONGEST: Final = 64
_MOST: Final = 8
_LETTERS: Final = str.maketrans({"ø": "o", "ł": "l", "đ": "d", "ð": "d", "ı": "i", "æ": "ae", "œ": "oe", "þ": "th"})
"""Letters that Unicode does not take apart into a plain one and a mark."""


def fold(said: str) -> list[str]:
    """The words of a text without case and accents: `Zoë O'Neill-Žák` -> zoe, o, neill, zak."""
    apart = unicodedata.normalize("NFKD", said.casefold())
    plain = "".join(letter for letter in apart if unicodedata.category(letter) != "Mn").translate(_LETTERS)
    parts = "".join(letter if letter.isalnum() or unicodedata.category(letter) == "Mc" else " " for letter in plain)
    return [word[:_LONGEST] for word in parts.split()]


def words_of(name: str, identifier: str, bed: str) -> list[str]:
    """All the words an infant is found by: those of the name and the bed, and the number whole and in its parts."""
    number, lies = fold(identifier), fold(bed)
    whole = "".join(number)[:_LONGEST]
    return sorted({*fold(name), *number, *([whole] if whole else []), *lies, *(["bed"] if lies else [])})


def search(connection: Connection, sites: Sequence[str], said: str, limit: int) -> list[Row[Any]]:
    """At most `limit` infants of these sites of whom every word begins so, those on the list first; a word of one
    letter or digit is taken whole. Nobody where nothing was typed that can be looked for."""
    words = list(dict.fromkeys(fold(said)))[:_MOST]
    if not words or not sites:
        return []
    asked = " & ".join(f"'{word}':*" if len(word) > 1 else f"'{word}'" for word in words)
    matches = text("array_to_tsvector(infants.words) @@ CAST(:asked AS tsquery)").bindparams(asked=asked)
    found: list[Row[Any]] = []
    for on_the_list in ("infants.kind <> 'none'", "infants.kind = 'none'"):
        query = select(infants).where(matches, infants.c.site.in_(sites), text(on_the_list)).limit(limit - len(found))
        found += sorted(connection.execute(query), key=lambda row: (row.name.casefold(), row.identifier, row.site))
    return found
