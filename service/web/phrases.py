"""The sentences that the core makes, said in the language spoken now.

Decisions keep their sentences in English. The catalogue holds each of them as a pattern under the context "core"
(`.ci/sentences.py` collects them from the source): `{eye} is type 1 disease`. A sentence is held against the patterns,
what stands in a place is told in its turn, and numbers, ages, dates and what people wrote come through as they are.
What no pattern is about, or could be read in two ways, stays English.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Final, NamedTuple

from service.core.findings import ZONE_NAMES
from service.web.words import ENGLISH, language, sentences_of

REMEMBERED: Final = 1 << 15
"""Sentences that are told from memory: as they are, and of one language with their dates left out."""

_ISO: Final = re.compile(r"\b\d{4}-\d{2}-\d{2}\b")
_DAY: Final = "[\ue000-\uf8ff]"
"""A character of the private use area stands for each date: a sentence about another day is the same sentence."""
_FIRST_DAY: Final = 0xE000
_MOST_DAYS: Final = 100

_AGE: Final = r"\d+w(?:\d+d)?(?:\.\.\d+w\d+d)?"
_VALUE: Final = re.compile(rf"{_AGE}|\d+d|[-+]?\d+(?:[.,:]\d+)*(?: ?[gh])?|{_DAY}(?:\.\.{_DAY})?")
_TYPES: Final = {
    **dict.fromkeys(("date", "on", "until"), _DAY),
    "age": _AGE,
    "side": "right|left",
    "stage": "[0-5][ABC]?",
    "quoted": r"\".*?\"|'.*?'|\S+",
    **dict.fromkeys(("id", "policy", "revision", "key"), r"[\w.-]+"),
    **dict.fromkeys(
        ("days", "due", "closes", "latest", "best", "last", "before", "after", "gain", "gain_below",
         "lightest", "heaviest", "weight_below", "hole_days", "whole", "count", "low", "lineno", "colno", "tenths"),
        r"-?\d+(?:\.\d+)?",
    ),
}  # fmt: skip
"""Name of a place -> what alone may stand there."""
_WRITTEN: Final = frozenset(
    ("by", "to", "place", "note", "reason", "ophthalmologist", "neonatologist", "said", "msg", "known", "quoted", "id")
)
"""Places of what people, or other programs, wrote: never told."""
_OPEN: Final = frozenset(("look_for", "weigh", "words", "asks", "such"))
"""Places of a text that a unit's own variation of an edition may bring, or of codes."""
_UNMISTAKABLE: Final = 20
"""Letters of a pattern beside its places from which on it is the core's sentence, whatever stands in them."""

_JOINTS: Final = ("; ", ", ", " and ", " and no ")
_BESIDE: Final = re.compile(rf"(.+) \(({_DAY})\)")
_EYES: Final = (*ZONE_NAMES.values(), "zone not recorded")
"""How what was seen of an eye begins."""
_LONGEST_WORDS: Final = 4


class Told(NamedTuple):
    """A text in another language, and the parts of it that stayed English."""

    said: str
    untold: tuple[str, ...] = ()


def tell(text: str) -> str:
    """The core's sentence in the language spoken now; itself in English, and where nothing is known of it."""
    spoken = language()
    return text if spoken == ENGLISH else _tell(text, spoken).said


def untold(text: str) -> tuple[str, ...]:
    """The parts of a sentence that `tell` leaves in English."""
    spoken = language()
    return () if spoken == ENGLISH else _tell(text, spoken).untold


@lru_cache(maxsize=REMEMBERED)
def _tell(text: str, spoken: str) -> Told:
    days = _ISO.findall(text)
    if len(days) > _MOST_DAYS or re.search(_DAY, text):
        return Told(text, (text,))
    numbers = iter(range(_FIRST_DAY, _FIRST_DAY + len(days)))
    told = _grammar(spoken).tell(_ISO.sub(lambda _: chr(next(numbers)), text))
    back = {_FIRST_DAY + n: day for n, day in enumerate(days)}
    return Told(told.said.translate(back), tuple(part.translate(back) for part in told.untold))


@dataclass(frozen=True, slots=True)
class _Pattern:
    """One sentence with places. `shy` and `bold` are the same expression, each place as short and as long as it can
    be: where they disagree, the text could be read in two ways."""

    places: tuple[str, ...]
    shy: re.Pattern[str]
    bold: re.Pattern[str]
    letters: int
    parts: tuple[str, ...]
    """The translation: words and names of places in turn."""

    def readings(self, text: str) -> Iterator[tuple[str, ...]]:
        """What stands in the places: nothing, one reading or two."""
        if (found := self.shy.fullmatch(text)) is None:
            return
        yield found.groups()
        if (again := self.bold.fullmatch(text)) is not None and again.groups() != found.groups():
            yield again.groups()

    def open(self, place: str) -> bool:
        """Whether what stands there may stay English."""
        return place in _OPEN or self.letters >= _UNMISTAKABLE


class _Grammar:
    """The sentences of one language."""

    def __init__(self, sentences: Sequence[tuple[str, str]]) -> None:
        self._whole = {english: said for english, said in sentences if "{" not in english}
        self._joints = {joint: joint.replace(" and no ", " ni ").replace(" and ", " y ") for joint in _JOINTS}
        patterns = [(english, _compile(english, said)) for english, said in sentences if "{" in english]
        self._by_word = _index(patterns)
        self.tell = lru_cache(maxsize=REMEMBERED)(self._tell)

    def _tell(self, text: str) -> Told:
        if (said := self._whole.get(text)) is not None:
            return Told(said)
        if _VALUE.fullmatch(text):
            return Told(text)
        best = Told(text, (text,))
        for told in self._attempts(text):
            if not told.untold:
                return told
            if sum(map(len, told.untold)) < sum(map(len, best.untold)):
                best = told
        return best

    def _attempts(self, text: str) -> Iterator[Told]:
        words = set(re.findall(r"[A-Za-z-]+", text))
        found = {id(each): each for word in words for each in self._by_word.get(word, ())}
        for pattern in sorted(found.values(), key=lambda each: -each.letters):
            read = [told for places in pattern.readings(text) if (told := self._fill(pattern, places)) is not None]
            whole = {told.said: told for told in read if not told.untold} or {told.said: told for told in read}
            if len(whole) == 1:
                yield from whole.values()
        if text.startswith(_EYES) and (eye := self._eye(text.split(" "))) is not None:
            yield Told(eye)
        if (beside := _BESIDE.fullmatch(text)) is not None and not (told := self.tell(beside[1])).untold:
            yield Told(f"{told.said} ({beside[2]})")
        for joint in _JOINTS:
            for cut in re.finditer(re.escape(joint), text):
                first, rest = self.tell(text[: cut.start()]), self.tell(text[cut.end() :])
                if not first.untold and not rest.untold:
                    yield Told(first.said + self._joints[joint] + rest.said)

    def _fill(self, pattern: _Pattern, values: tuple[str, ...]) -> Told | None:
        """The translation with its places filled; None where something in them is not what stands there."""
        said: dict[str, str] = {}
        lost: list[str] = []
        for place, value in zip(pattern.places, values, strict=True):
            name = place.rstrip("0123456789")
            if name in _WRITTEN or (name in _TYPES and name != "side"):
                said[place] = value
                continue
            told = self.tell(value)
            if told.untold and not pattern.open(name):
                return None
            said[place] = told.said
            lost += told.untold
        words = "".join(part if n % 2 == 0 else said[part] for n, part in enumerate(pattern.parts))
        return Told(words, tuple(lost))

    def _eye(self, words: list[str]) -> str | None:
        """What was seen of an eye, a few words after another: `zone II stage 2 with pre-plus disease`."""
        if not words:
            return ""
        for n in range(min(len(words), _LONGEST_WORDS), 0, -1):
            head = self._phrase(" ".join(words[:n]))
            if head is not None and (rest := self._eye(words[n:])) is not None:
                return f"{head} {rest}".strip()
        return None

    def _phrase(self, text: str) -> str | None:
        if text in self._whole:
            return self._whole[text]
        for pattern in (each for word in text.split(" ") for each in self._by_word.get(word, ())):
            for places in pattern.readings(text):
                if (told := self._fill(pattern, places)) is not None and not told.untold:
                    return told.said
        return None


def _compile(english: str, said: str) -> _Pattern:
    pieces = re.split(r"\{(\w+)\}", english)
    places = tuple(pieces[1::2])

    def expression(else_: str) -> re.Pattern[str]:
        written = [re.escape(piece) for piece in pieces]
        for n in range(1, len(pieces), 2):
            written[n] = f"({_TYPES.get(pieces[n].rstrip('0123456789'), else_)})"
        return re.compile(re.sub(r"\d{4}\\-\d{2}\\-\d{2}", _DAY, "".join(written)))  # the day of an example

    letters = sum(map(str.isalpha, "".join(pieces[::2])))
    return _Pattern(places, expression(".+?"), expression(".+"), letters, tuple(re.split(r"\{(\w+)\}", said)))


def _index(patterns: Sequence[tuple[str, _Pattern]]) -> dict[str, list[_Pattern]]:
    """Each pattern under that word of it which the fewest patterns have: whoever lacks it need not be tried."""
    words = {english: set(_own_words(english)) for english, _ in patterns}
    often: dict[str, int] = {}
    for own in words.values():
        for word in own:
            often[word] = often.get(word, 0) + 1
    found: dict[str, list[_Pattern]] = {}
    for english, pattern in patterns:
        found.setdefault(min(sorted(words[english]), key=lambda word: often[word]), []).append(pattern)
    return found


def _own_words(english: str) -> Iterator[str]:
    """The words of a pattern that no place touches."""
    for match in re.finditer(r"(?<![\w}-])[A-Za-z-]+(?![\w{-])", re.sub(r"\{\w+\}", "{}", english)):
        yield match[0]


@cache
def _grammar(spoken: str) -> _Grammar:
    return _Grammar(sentences_of(spoken))
