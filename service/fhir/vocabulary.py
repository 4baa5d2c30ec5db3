"""What codings and unit words mean: the part of a mapping file that reading resources needs."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any, Final, TypeVar

from service.core.ages import Gestation
from service.core.findings import EYE_KEYS, KINDS
from service.errors import ConfigurationError, NotUnderstood
from service.fhir import terms
from service.fhir.tables import Table, read_toml

Coding = tuple[str, str]
"""(system, code). A coding known by its words alone is (TEXT, the words in lower case)."""

TEXT: Final = "(text)"
CONCEPTS: Final = ("birth_weight", "weight", "gestation", "risk", "finding", "treatment", "respiratory", "ignore")
PARTS: Final = ("weeks", "days", "pounds", "ounces")

_T = TypeVar("_T")
_WORD = re.compile(r"[a-z][a-z0-9-]*")


@dataclass(frozen=True, slots=True)
class Code:
    """What a coding means. `rank` 1 is the first choice, higher is weaker evidence; `unit` is the unit of a number
    that comes without one (None: such a number is not read); `flag` names the risk when the concept is "risk";
    `part` says which half of a two-part value a component with this coding holds (PARTS). A finding may say what it is
    `of` (a key of an eye, or "eyes": which eye is meant), a finding or a treatment which `eyes`, a treatment says its
    `kind`, and an injection may name its `agent`."""

    concept: str
    rank: int = 1
    unit: str | None = None
    flag: str = ""
    part: str | None = None
    of: str = ""
    eyes: str = ""
    kind: str = ""
    agent: str = ""


@dataclass(frozen=True, slots=True)
class Answer:
    """What a coded answer says of an eye: `of` is the key, `share` what it adds to the eye (`terms.share`), `eyes`
    which eye is meant where the code itself names it."""

    of: str
    share: Mapping[str, Any]
    eyes: str = ""


@dataclass(frozen=True, slots=True)
class Measures:
    """Unit words, in lower case: `weights` to grams, `ages` to days, `parts` to one of PARTS."""

    weights: Mapping[str, Decimal]
    ages: Mapping[str, int]
    parts: Mapping[str, str]

    def knows(self, unit: str) -> bool:
        """Whether this is a unit of weight or of age."""
        return unit.casefold() in self.weights or unit.casefold() in self.ages


@dataclass(frozen=True, slots=True)
class Standard:
    """What all sites share. `systems` maps other names of a code system to its FHIR URL."""

    codes: Mapping[Coding, Code]
    findings: Mapping[Coding, Gestation]
    measures: Measures
    systems: Mapping[str, str]
    answers: Mapping[Coding, tuple[Answer, ...]]
    eyes: Mapping[Coding, str]


def load_standard(path: Path) -> Standard:
    """The codings, units and words all sites share. Raises ConfigurationError."""
    if not path.exists():
        raise ConfigurationError(path.name, "does not exist; copy the program's own into this folder of site files")
    top = Table(read_toml(path), path.name)
    weights = _words(top.tables("weight_unit"), lambda table: _factor(table, "grams"))
    ages = _words(top.tables("age_unit"), lambda table: int(_factor(table, "days")))
    parts = _words(top.tables("part"), lambda table: table.word("part", PARTS))
    measures = Measures(weights, ages, parts)
    systems = top.mapping("systems")
    standard = Standard(
        codes={**_own_codes(), **read_codes(top.tables("code"), measures, systems)},
        findings=read_findings(top.tables("finding"), systems),
        measures=measures,
        systems=systems,
        answers={**_own_answers(), **read_answers(top.tables("answer"), systems)},
        eyes={**_own_eyes(), **read_eyes(top.tables("eye"), systems)},
    )
    top.done()
    return standard


def _words(tables: list[Table], meaning: Callable[[Table], _T]) -> dict[str, _T]:
    """Every word of some tables, in lower case, and what its table means."""
    words: dict[str, _T] = {}
    for table in tables:
        means = meaning(table)
        table.need_text("source")
        for word in table.texts("words"):
            if words.setdefault(word.casefold(), means) != means:
                raise ConfigurationError(f"{table.where}.words", f"{word!r} already means something else")
        table.done()
    return words


def _factor(table: Table, key: str) -> Decimal:
    try:
        value = Decimal(table.need_text(key))
    except InvalidOperation:
        raise ConfigurationError(f"{table.where}.{key}", "must be a number written as text") from None
    if not value.is_finite() or value <= 0:
        raise ConfigurationError(f"{table.where}.{key}", "must be more than zero")
    return value


def read_measures(tables: list[Table], standard: Measures) -> Measures:
    """The standard measures and a site's own unit words (`[[word]]`)."""
    weights, ages = dict(standard.weights), dict(standard.ages)
    for table in tables:
        says, means = table.need_text("says").casefold(), table.need_text("means").casefold()
        table.done()
        if means in standard.weights:
            weights[says] = standard.weights[means]
        elif means in standard.ages:
            ages[says] = standard.ages[means]
        else:
            allowed = ("g", "kg", "wk", "d")
            raise ConfigurationError(f"{table.where}.means", f"{means!r} is not a unit known here", allowed)
    return Measures(weights, ages, standard.parts)


def _coding(table: Table, systems: Mapping[str, str]) -> Coding:
    system, code, text = table.take("system", str, "text"), table.text("code"), table.text("text")
    if text is not None and system is None and code is None:
        return TEXT, text.casefold()
    if system is None or code is None or text is not None:
        raise ConfigurationError(table.where, 'needs system and code (system = "" where the site sends none), or text')
    return systems.get(system, system), code


def read_codes(tables: list[Table], measures: Measures, systems: Mapping[str, str]) -> dict[Coding, Code]:
    """What the codings of some `[[code]]` tables mean."""
    codes: dict[Coding, Code] = {}
    for table in tables:
        coding = _coding(table, systems)
        concept = table.word("concept", CONCEPTS)
        rank = table.integer("rank")
        unit = table.text("unit")
        flag = table.matching("flag", _WORD, "one lower-case word")
        part = table.word("part", (*PARTS, "whole"), "whole")
        eye = _read_eye_code(table, concept)
        table.text("source")
        table.done()
        if rank is not None and not 1 <= rank <= 9:
            raise ConfigurationError(f"{table.where}.rank", "must be 1 to 9; 1 is the first choice")
        if unit is not None:
            fitting = {"birth_weight": measures.weights, "weight": measures.weights, "gestation": measures.ages}.get(
                concept, {}
            )
            if unit.casefold() not in fitting:
                raise ConfigurationError(f"{table.where}.unit", f"{unit!r} is not a unit of {concept}")
        if (concept == "risk") != (flag is not None):
            raise ConfigurationError(f"{table.where}.flag", 'goes with concept = "risk", and only with it')
        if coding in codes:
            raise ConfigurationError(table.where, f"{coding[1]!r} is given twice")
        codes[coding] = Code(concept, rank or 1, unit, flag or "", None if part == "whole" else part, **eye)
    return codes


_EYE_WORDS: Final[Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]]] = {
    "of": ((*EYE_KEYS, "eyes"), ("finding",)),
    "eyes": (terms.WORDS["eyes"], ("finding", "treatment")),
    "kind": (KINDS, ("treatment",)),
    "agent": (terms.AGENTS, ("treatment",)),
}
"""What a `[[code]]` may say of an eye: the words allowed, and the concepts they go with."""


def _read_eye_code(table: Table, concept: str) -> dict[str, str]:
    said = {key: table.word(key, allowed) for key, (allowed, _) in _EYE_WORDS.items() if table.text(key) is not None}
    for key in said:
        if concept not in (concepts := _EYE_WORDS[key][1]):
            words = " or ".join(f'concept = "{each}"' for each in concepts)
            raise ConfigurationError(f"{table.where}.{key}", f"goes with {words}, and only with it")
    if concept == "treatment" and "kind" not in said:
        raise ConfigurationError(f"{table.where}.kind", "is missing", KINDS)
    if "agent" in said and said["kind"] != "injection":
        raise ConfigurationError(f"{table.where}.agent", 'goes with kind = "injection", and only with it')
    return said


def read_findings(tables: list[Table], systems: Mapping[str, str]) -> dict[Coding, Gestation]:
    """The gestational ages that the codings of some `[[finding]]` tables name."""
    findings: dict[Coding, Gestation] = {}
    for table in tables:
        coding = _coding(table, systems)
        try:
            findings[coding] = Gestation.parse(table.need_text("age"))
        except NotUnderstood as error:
            raise ConfigurationError(f"{table.where}.age", str(error)) from None
        table.text("source")
        table.done()
    return findings


def read_answers(tables: list[Table], systems: Mapping[str, str]) -> dict[Coding, tuple[Answer, ...]]:
    """What the codings of some `[[answer]]` tables say of an eye. One coding may answer several questions (`none`)."""
    answers: dict[Coding, tuple[Answer, ...]] = {}
    for table in tables:
        coding = _coding(table, systems)
        of = table.word("of", EYE_KEYS)
        value = table.need("value", table.take("value", object, "a value"))
        eyes = table.word("eyes", terms.WORDS["eyes"], "both") if table.text("eyes") is not None else ""
        table.text("source")
        table.done()
        try:
            answer = Answer(of, terms.share(of, value), eyes)
        except NotUnderstood as error:
            raise ConfigurationError(f"{table.where}.value", str(error)) from None
        if any(other.of == of for other in answers.get(coding, ())):
            raise ConfigurationError(table.where, f"{coding[1]!r} is given twice for {of}")
        answers[coding] = (*answers.get(coding, ()), answer)
    return answers


def read_eyes(tables: list[Table], systems: Mapping[str, str]) -> dict[Coding, str]:
    """Which eye the codings of some `[[eye]]` tables mean: right, left or both."""
    eyes: dict[Coding, str] = {}
    for table in tables:
        coding = _coding(table, systems)
        means = table.word("means", terms.WORDS["eyes"])
        table.text("source")
        table.done()
        if coding in eyes:
            raise ConfigurationError(table.where, f"{coding[1]!r} is given twice")
        eyes[coding] = means
    return eyes


# --- our own CodeSystem --------------------------------------------------------------------------------------------


def _own_codes() -> dict[Coding, Code]:
    questions = {(terms.SYSTEM, code): Code("finding", of=key) for code, key in terms.QUESTIONS.items()}
    kinds = {(terms.SYSTEM, terms.code_of("treatment", kind)): Code("treatment", kind=kind) for kind in KINDS}
    return {**questions, **kinds}


def _own_answers() -> dict[Coding, tuple[Answer, ...]]:
    return {
        (terms.SYSTEM, code): (Answer(key, terms.share(key, word)),)
        for code, (key, word) in terms.MEANINGS.items()
        if key in EYE_KEYS
    }


def _own_eyes() -> dict[Coding, str]:
    return {(terms.SYSTEM, code): word for code, (key, word) in terms.MEANINGS.items() if key == "eyes"}
