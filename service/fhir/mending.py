"""What a site's mapping lacks: the coding or word behind a trouble, and what it could mean.

A rejection says where in a resource the reading stopped and why. Where the reason is that a code, an answer, an eye or
a unit word has no meaning here, one entry in the site's mapping answers it, and every other resource with the same
trouble. An Observation or Procedure whose code nobody mapped gives no rejection: `find_unknown` looks for it. Both are
found as a resource is read, so that nobody has to search what is stored.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from service.core.ages import Gestation
from service.core.findings import KINDS
from service.core.infant import Reading, Trouble
from service.errors import NotUnderstood
from service.fhir import terms
from service.fhir.element import Element, Unreadable, clean
from service.fhir.sites import TEXT, Coding, Site
from service.fhir.values import codings_of, meaning_of

WEIGHTS: Final = ("g", "kg", "[lb_av]", "[oz_av]")
AGES: Final = ("wk", "d")
"""The unit words a site's own word may stand for, as `_standard.toml` has them."""

LONGEST: Final = 300
"""Letters of a code or its system; beyond that it is prose, to which no one meaning can be given."""

_STEP = re.compile(r"(?P<name>[A-Za-z_][A-Za-z0-9_]*)|\[(?P<index>\d+)\]")
_UNIT = re.compile(r'"(?P<word>[^"]+)" is not a unit known here')
_BARE = re.compile(r"the code (?P<code>\S+) has no system; map it in the site file if it is meant")
_ANSWER = re.compile(r"is not an answer known here(?: about (?P<of>\w+))?")
_KEYS: Final = ("concept", "of", "eyes", "kind", "agent", "part", "rank", "flag")
"""What a `[[code]]` table may say besides its coding and its unit."""


@dataclass(frozen=True, slots=True)
class Option:
    """One thing it could mean: `key` names it in a form, `concept` is what would stand in the table beside the coding.
    `asks` is a value that somebody must still give: the age that a code names, the flag of a risk."""

    key: str
    concept: Mapping[str, Any]
    asks: str = ""


def explain(reading: Reading, resource: Mapping[str, Any], site: Site) -> Reading:
    """The reading of a resource, with what the site's mapping lacks for it."""
    return replace(
        reading,
        rejections=tuple(
            replace(each, trouble=_kept(diagnose(resource, each.path, each.reason, each.about, site)))
            for each in reading.rejections
        ),
        silent=_kept(find_unknown(resource, site)),
    )


def _kept(trouble: Trouble | None) -> Trouble | None:
    """The trouble, where a table can hold its code word for word."""
    if trouble is None:
        return None
    for text in (trouble.system, trouble.code):
        if len(text) > LONGEST or "\0" in text or text.encode(errors="ignore").decode() != text:
            return None
    return trouble


def diagnose(resource: Mapping[str, Any], path: str, reason: str, about: str, site: Site) -> Trouble | None:
    """The coding or word that a rejection is about; None where no mapping could answer it."""
    try:
        for pattern, find in _TROUBLES:
            if match := pattern.fullmatch(reason):
                return find(resource, path, match, about, site)
    except Unreadable:
        pass
    return None


def find_unknown(resource: Mapping[str, Any], site: Site) -> Trouble | None:
    """The code of an Observation or a Procedure that means nothing here; None where it, or one of its components,
    means something, or there is none."""
    type = str(resource.get("resourceType"))
    if type not in ("Observation", "Procedure"):
        return None
    element = Element(dict(resource), type)
    try:
        concept = element.element("code")
        components = element.elements("component") if type == "Observation" else []
        if concept is None or any(meaning_of(each, site) for each in (concept, *_codes_of(components))):
            return None
    except Unreadable:
        return None  # a rejection says so
    coding = _unknown(concept, site, site.codes)
    return None if coding is None else Trouble("code", *coding, _words(concept), type)


def options(trouble: Trouble, site: Site) -> tuple[Option, ...]:
    """What the coding or word could mean, the likeliest first."""
    match trouble.section:
        case "word":
            return tuple(Option(unit, {"means": unit}) for unit in (AGES if trouble.kind == "gestation" else WEIGHTS))
        case "eye":
            return tuple(Option(side, {"means": side}) for side in terms.WORDS["eyes"])
        case "finding":
            return (Option("age", {}, "age"),)
        case "answer":
            return tuple(_answers(trouble.kind))
        case _:
            return tuple(_concepts(trouble, site))


def concept_of(option: Option, given: str) -> dict[str, Any]:
    """The rest of the table that an option makes, with the value that it asks for. Raises NotUnderstood."""
    given = given.strip()
    if option.asks == "age":
        Gestation.parse(given)
        return {**option.concept, "age": given}
    if option.asks == "flag":
        if not re.fullmatch(r"[a-z][a-z0-9-]*", given):
            raise NotUnderstood("a risk is named by one lower-case word, such as sepsis")
        return {**option.concept, "flag": given}
    return dict(option.concept)


def in_toml(section: str, table: Mapping[str, Any]) -> str:
    """A table as it would stand in a site file."""
    lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in table.items()]
    return "\n".join([f"[[{section}]]", *lines])


# --- what is behind a rejection ------------------------------------------------------------------------------------


def _unit(_: Mapping[str, Any], __: str, match: re.Match[str], about: str, ___: Site) -> Trouble:
    return Trouble("word", "", match["word"].casefold(), "", about)


def _bare(resource: Mapping[str, Any], path: str, match: re.Match[str], _: str, __: Site) -> Trouble:
    type = str(resource.get("resourceType"))
    found = _at(resource, path)
    displays = [each.get("display") for each in found if isinstance(each, dict)] if isinstance(found, list) else []
    return Trouble("code", "", match["code"], clean(str(next(filter(None, displays), "")), 100), type)


def _no_unit(resource: Mapping[str, Any], path: str, _: re.Match[str], about: str, site: Site) -> Trouble | None:
    """The known code whose number came without a unit: the component's own, else that of the whole."""
    whole = Element(dict(resource), str(resource.get("resourceType")))
    holders = [whole]
    if part := re.match(r"\w+\.component\[(\d+)\]", path):
        holders.insert(0, whole.elements("component")[int(part[1])])
    for holder in holders:
        concept = holder.element("code")
        for coding in codings_of(concept, site) if concept is not None else ():
            if coding in site.codes and site.codes[coding].concept == about:
                return Trouble("code", *coding, _words(concept) if concept else "", "unit")
    return None


def _age(resource: Mapping[str, Any], path: str, _: re.Match[str], __: str, site: Site) -> Trouble | None:
    return _of_concept("finding", resource, path, "gestation", site, site.findings)


def _answer(resource: Mapping[str, Any], path: str, match: re.Match[str], _: str, site: Site) -> Trouble | None:
    return _of_concept("answer", resource, path, match["of"] or "", site, {})


def _eye(resource: Mapping[str, Any], path: str, _: re.Match[str], __: str, site: Site) -> Trouble | None:
    if path.endswith(".value"):
        holder = _at(resource, path.removesuffix(".value"))
        if isinstance(holder, dict) and "valueCodeableConcept" in holder:
            path = path.removesuffix(".value") + ".valueCodeableConcept"
    return _of_concept("eye", resource, path, "eyes", site, site.eyes)


_TROUBLES: Final[tuple[tuple[re.Pattern[str], Callable[..., Trouble | None]], ...]] = (
    (_UNIT, _unit),
    (_BARE, _bare),
    (re.compile(r".* has no unit, and the code does not imply one"), _no_unit),
    (re.compile(r"is not a coded gestational age known here"), _age),
    (_ANSWER, _answer),
    (re.compile(r"names no eye.*"), _eye),
)
"""The reasons of the readers that one entry of a mapping can answer. A test holds each against its reader."""


def _of_concept(
    section: str, resource: Mapping[str, Any], path: str, kind: str, site: Site, known: Mapping[Coding, Any]
) -> Trouble | None:
    found = _at(resource, path)
    for each in found if isinstance(found, list) else [found]:
        if isinstance(each, dict):
            concept = Element(each, path)
            coding = _unknown(concept, site, known)
            if coding is not None:
                return Trouble(section, *coding, _words(concept), kind)
    return None


def _unknown(concept: Element, site: Site, known: Mapping[Coding, Any]) -> Coding | None:
    """The coding to map: one with a code rather than words alone."""
    codings = [coding for coding in codings_of(concept, site) if coding not in known and coding[1].strip()]
    return next((coding for coding in codings if coding[0] != TEXT), codings[0] if codings else None)


def _words(concept: Element) -> str:
    words = [coding.text("display") for coding in concept.elements("coding")]
    return clean(next(filter(None, [*words, concept.text("text")]), ""), 100)


def _codes_of(components: list[Element]) -> Iterator[Element]:
    for component in components:
        if (code := component.element("code")) is not None:
            yield code


def _at(resource: Any, path: str) -> Any:
    """What stands at a FHIRPath-like place; a list of one counts as its element, as in the paths of the readers."""
    at = resource
    for step in list(_STEP.finditer(path))[1:]:
        name: str | int = step["name"] if step["name"] is not None else int(step["index"])
        if isinstance(at, list) and isinstance(name, str) and len(at) == 1:
            at = at[0]
        try:
            at = at[name]
        except (LookupError, TypeError):
            return None
    return at


# --- what it could mean --------------------------------------------------------------------------------------------


def _concepts(trouble: Trouble, site: Site) -> Iterator[Option]:
    if trouble.kind == "unit":
        known = site.codes.get((trouble.system, trouble.code))
        if known is None:  # the file has changed since, and what is stored has not been read again yet
            return
        as_known = {key: getattr(known, key) for key in _KEYS if getattr(known, key)}
        for unit in AGES if known.concept == "gestation" else WEIGHTS[:2]:
            yield Option(unit, {**as_known, "unit": unit})
        return
    if trouble.kind == "Procedure":
        for kind in KINDS:
            yield Option(f"treatment:{kind}", {"concept": "treatment", "kind": kind})
        for agent in terms.AGENTS:
            yield Option(f"agent:{agent}", {"concept": "treatment", "kind": "injection", "agent": agent})
        yield Option("respiratory", {"concept": "respiratory"})
    else:
        meant = [code for (_, each), code in site.codes.items() if trouble.system == "" and each == trouble.code]
        first = [code.concept for code in meant]
        plain = [
            Option("gestation", {"concept": "gestation"}), Option("birth_weight", {"concept": "birth_weight"}),
            Option("weight", {"concept": "weight"}),
            Option("gestation:general", {"concept": "gestation", "rank": 3}),
        ]  # fmt: skip
        yield from sorted(plain, key=lambda option: option.concept["concept"] not in first)
        yield Option("risk", {"concept": "risk"}, "flag")
        yield Option("respiratory", {"concept": "respiratory"})
        for of in (*terms.EYE_TYPES, "eyes"):
            yield Option(f"finding:{of}", {"concept": "finding", "of": of})
        yield Option("finding", {"concept": "finding"})
    yield Option("ignore", {"concept": "ignore"})


def _answers(of: str) -> Iterator[Option]:
    for key, type in terms.EYE_TYPES.items():
        if of in ("", key) and type == "choice":
            for word in terms.WORDS[key]:
                yield Option(f"{key}:{word}", {"of": key, "value": word})
        elif of in ("", key) and type == "boolean":
            for value in (True, False):
                yield Option(f"{key}:{'yes' if value else 'no'}", {"of": key, "value": value})
