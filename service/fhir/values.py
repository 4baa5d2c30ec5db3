"""The value of an Observation or a component, in every shape it comes in, as the value of a fact.

What a coding means comes from the mapping files. A value may be said in several places (two value[x], a value and
components): they must agree, and of two that agree the narrower one counts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any, Final, TypeVar

from service.core.ages import Gestation
from service.fhir.element import Element, Unreadable, clean, quote
from service.fhir.quantities import (
    BIRTH,
    BODY,
    Amount,
    Scale,
    age,
    age_of_parts,
    age_of_range,
    age_of_ratio,
    read_age_text,
    read_amount,
    read_weight_text,
    weigh,
    written_number,
)
from service.fhir.sites import Site
from service.fhir.vocabulary import TEXT, Code, Coding

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Coded:
    """What one coded thing in an Observation means, and the element whose value says it."""

    code: Code
    holder: Element


def codings_of(concept: Element, site: Site) -> Iterable[Coding]:
    """The codings of a CodeableConcept, their systems under the FHIR URL, and its text."""
    for coding in concept.elements("coding"):
        if (code := coding.text("code")) is not None:
            yield _system(coding.text("system") or "", site), code
    if (text := concept.text("text")) is not None:
        yield TEXT, text.casefold()


def _system(name: str, site: Site) -> str:
    return site.system(name.partition("|")[0].rstrip("/"))


def meaning_of(concept: Element | None, site: Site) -> Code | None:
    """What a CodeableConcept means at this site; None when none of its codings is mapped."""
    if concept is None:
        return None
    codings = list(codings_of(concept, site))
    codes = [code for coding in codings if (code := site.codes.get(coding)) is not None]
    if any(code.concept == "birth_weight" for code in codes):
        codes = [code for code in codes if code.concept != "weight"]  # the general code that US Core wants beside it
    if not codes:
        _refuse_bare(concept, codings, site)
        return None
    best = min(codes, key=lambda code: (code.concept == "ignore", code.rank))
    others = [code for code in codes if code.concept != "ignore"]
    finer = {key: {words for code in others if (words := getattr(code, key))} for key in _FINER}
    if len({(code.concept, code.flag, code.part, code.kind) for code in others}) > 1 or any(
        len(words) > 1 for words in finer.values()
    ):
        raise Unreadable(concept.path, "has codings that mean different things", best.concept)
    units = {code.unit for code in others if code.unit is not None}
    if len(units) > 1:
        raise Unreadable(concept.path, "has codings that imply different units", best.concept)
    of, eyes, agent = ("".join(finer[key]) for key in _FINER)
    return replace(best, unit=next(iter(units), None), of=of, eyes=eyes, agent=agent)


_FINER: Final = ("of", "eyes", "agent")
"""What one coding of a concept may say and another leave open."""


def _refuse_bare(concept: Element, codings: list[Coding], site: Site) -> None:
    """A standard code without its code system is too likely meant to be passed over, and too unsure to be used. A
    body weight is passed over: it may be anybody's."""
    bare = [code for system, code in codings if system == ""]
    for (_, known), meaning in site.codes.items() if bare else ():
        if known in bare and meaning.concept not in ("ignore", "weight", "respiratory"):
            reason = f"the code {known} has no system; map it in the site file if it is meant"
            raise Unreadable(concept.at("coding"), reason, meaning.concept)


def _birth_weight(group: Coded, site: Site) -> dict[str, Any] | None:
    grams = _grams(group, site, BIRTH)
    return None if grams is None else {"grams": grams}


def _body_weight(group: Coded, site: Site) -> dict[str, Any] | None:
    """The weight of an infant; the weight of somebody who is none says nothing here."""
    grams = _grams(group, site, BODY)
    return None if grams is None or grams > BODY.heaviest else {"grams": grams}


def _grams(group: Coded, site: Site, scale: Scale) -> int | None:
    code, measures = group.code, site.measures

    def read(key: str, holder: Element) -> int:
        if key == "valueQuantity" and (quantity := holder.element(key)) is not None:
            return weigh([read_amount(quantity, measures)], code.unit, measures, scale)
        if key == "valueString" and (text := holder.text(key)) is not None:
            return read_weight_text(text, holder.at(key), code.unit, measures, scale)
        if key == "valueInteger" and (number := holder.number(key)) is not None:
            return weigh([Amount(number, None, holder.at(key))], code.unit, measures, scale)
        raise Unreadable(holder.at(key), "is not a way to give a weight")

    values = _root_values(group.holder, read)
    parts = _parts(group, site, ("pounds", "ounces"))
    if parts:
        pair = [Amount(a.number, a.unit or _PART_UNITS[p], a.path) for p, a in sorted(parts.items(), reverse=True)]
        values.append((group.holder.at("component"), weigh(pair, None, measures, scale)))
    return _agreed(group.holder, values, lambda one, other: one if one == other else None)


def _gestation(group: Coded, site: Site) -> dict[str, Any] | None:
    code, measures = group.code, site.measures

    def read(key: str, holder: Element) -> Gestation:
        element = holder.element(key) if key in _OBJECTS else None
        if key == "valueQuantity" and element is not None:
            return age(read_amount(element, measures), code.unit, measures)
        if key == "valueString" and (text := holder.text(key)) is not None:
            return read_age_text(text, holder.at(key), code.unit, measures)
        if key == "valueInteger" and (number := holder.number(key)) is not None:
            return age(Amount(number, None, holder.at(key)), code.unit, measures)
        if key == "valueRange" and element is not None:
            low, high = (_amount(element, end, site) for end in ("low", "high"))
            return age_of_range(low, high, code.unit, measures)
        if key == "valueRatio" and element is not None:
            top, bottom = (_amount(element, end, site) for end in ("numerator", "denominator"))
            return age_of_ratio(top, bottom, measures)
        if key == "valueCodeableConcept" and element is not None:
            return _finding(element, site)
        raise Unreadable(holder.at(key), "is not a way to give a gestational age")

    values = _root_values(group.holder, read)
    parts = _parts(group, site, ("weeks", "days"))
    if "weeks" in parts:
        values.append((group.holder.at("component"), age_of_parts(parts["weeks"], parts.get("days"))))
    elif "days" in parts:
        values.append((group.holder.at("component"), age(parts["days"], "d", measures)))
    gestation = _agreed(group.holder, values, _narrower)
    return None if gestation is None else {"low": gestation.low, "high": gestation.high}


def _risk(group: Coded, _site: Site) -> dict[str, Any] | None:
    """A risk is flagged by `true`, or by being recorded without any value; `false` says that it is not there."""
    keys = value_keys(group.holder)
    if not keys:
        return None if group.holder.has("dataAbsentReason") else {"flag": group.code.flag}
    if keys != ["valueBoolean"]:
        raise Unreadable(group.holder.at(keys[0]), "is not true or false")
    return {"flag": group.code.flag} if group.holder.flag("valueBoolean") else None


def _respiratory(group: Coded, site: Site) -> dict[str, Any] | None:  # noqa: ARG001 -- as every reader is called
    """What helps the infant to breathe, as the site says it: the name of the code, with a value if it has one."""
    holder = group.holder
    said = [say_concept(code)] if (code := holder.element("code")) is not None else []
    if (quantity := holder.element("valueQuantity")) is not None and (number := quantity.number("value")) is not None:
        said.append(f"{number} {quantity.text('unit') or quantity.text('code') or ''}".strip())
    elif (concept := holder.element("valueCodeableConcept")) is not None:
        said.append(say_concept(concept))
    elif (text := holder.text("valueString")) is not None:
        said.append(text)
    what = clean(" ".join(filter(None, said)), 120)
    return {"what": what} if what else None


def say_concept(concept: Element) -> str:
    """A CodeableConcept as a person reads it: its text, else the first name of a code, else the code."""
    if (text := concept.text("text")) is not None:
        return text
    codings = list(concept.elements("coding"))
    names = [coding.text("display") for coding in codings] + [coding.text("code") for coding in codings]
    return next((name for name in names if name), "")


READERS: Final[dict[str, Callable[[Coded, Site], dict[str, Any] | None]]] = {
    "birth_weight": _birth_weight,
    "weight": _body_weight,
    "gestation": _gestation,
    "risk": _risk,
    "respiratory": _respiratory,
}
_OBJECTS: Final = ("valueQuantity", "valueRange", "valueRatio", "valueCodeableConcept")
_PART_UNITS: Final = {"weeks": "wk", "days": "d", "pounds": "[lb_av]", "ounces": "[oz_av]"}


def value_keys(holder: Element) -> list[str]:
    """The `value[x]` elements that are filled in."""
    return sorted(key for key in holder.fields if key.startswith("value") and holder.has(key))


def _root_values(holder: Element, read: Callable[[str, Element], T]) -> list[tuple[str, T]]:
    """Path and value of every value[x] of an element; a Quantity whose value is absent on purpose is none."""
    keys = [key for key in value_keys(holder) if key != "valueQuantity" or not _absent_quantity(holder)]
    return [(holder.at(key), read(key, holder)) for key in keys]


def _agreed(holder: Element, values: list[tuple[str, T]], meet: Callable[[T, T], T | None]) -> T | None:
    """The one value an element gives; `meet` joins two that agree. None when the sender says that there is none."""
    if not values:
        if holder.has("dataAbsentReason") or _absent_quantity(holder) or any(map(holder.absent_reason, _PRIMITIVES)):
            return None
        if holder.has("component"):
            raise Unreadable(holder.at("component"), "none of the components is one known here")
        raise Unreadable(holder.at("value"), "there is no value")
    (first, agreed), *others = values
    for path, value in others:
        joined = meet(agreed, value)
        if joined is None:
            raise Unreadable(path, f"says {value}, but {first} says {agreed}")
        agreed = joined
    return agreed


def _narrower(one: Gestation, other: Gestation) -> Gestation | None:
    """Of 28w and 28w3d the second; None when neither lies within the other."""
    low, high = max(one.low, other.low), min(one.high, other.high)
    return next((each for each in (one, other) if (each.low, each.high) == (low, high)), None)


_PRIMITIVES: Final = ("valueString", "valueInteger", "valueBoolean", "valueDateTime")


def _absent_quantity(holder: Element) -> bool:
    """Whether a Quantity says that it has no value on purpose."""
    value = holder.fields.get("valueQuantity")
    quantity = Element(value if isinstance(value, dict) else {}, "")
    return not quantity.has("value") and quantity.absent_reason("value")


def _amount(element: Element, key: str, site: Site) -> Amount:
    quantity = element.element(key)
    if quantity is None:
        raise Unreadable(element.at(key), "is missing, so the value has no end there")
    return read_amount(quantity, site.measures)


def _finding(concept: Element, site: Site) -> Gestation:
    """A coded answer that names a week, or text in one of the notations."""
    found = {site.findings[coding] for coding in codings_of(concept, site) if coding in site.findings}
    if len(found) > 1:
        raise Unreadable(concept.path, "has codings that name different weeks")
    if found:
        return found.pop()
    if (text := concept.text("text")) is not None:
        return read_age_text(text, concept.at("text"), None, site.measures)
    raise Unreadable(concept.path, "is not a coded gestational age known here")


def _parts(group: Coded, site: Site, wanted: tuple[str, ...]) -> dict[str, Amount]:
    """The components that hold one half of a value, told apart by their code, their words, or else their unit."""
    parts: dict[str, Amount] = {}
    for component in group.holder.elements("component"):
        part = _part(component, group.code, site, wanted)
        if part is None or component.has("dataAbsentReason"):
            continue
        amount = _component_amount(component, site)
        if amount.unit is not None and not _fits(amount.unit, part, site):
            raise Unreadable(amount.path, f"is given in {quote(amount.unit)}, but its code says {part}")
        if part in parts and parts[part].number != amount.number:
            raise Unreadable(component.path, f"is a second number of {part}")
        parts[part] = amount
    return parts


def _part(component: Element, whole: Code, site: Site, wanted: tuple[str, ...]) -> str | None:
    code = component.element("code")
    if code is None:
        return None
    meaning = meaning_of(code, site)
    if meaning is not None and meaning.part in wanted:
        return meaning.part
    words = " ".join([code.text("text") or "", *(c.text("display") or "" for c in code.elements("coding"))]).casefold()
    named = {part for word, part in site.measures.parts.items() if part in wanted and word in _split(words)}
    if len(named) == 1:
        return named.pop()
    if meaning is not None and meaning.concept == whole.concept:
        amount = _component_amount(component, site)
        return next((part for part in wanted if amount.unit and _fits(amount.unit, part, site)), None)
    return None


def _split(words: str) -> set[str]:
    return set("".join(ch if ch.isalpha() else " " for ch in words).split())


def _fits(unit: str, part: str, site: Site) -> bool:
    standard, unit = _PART_UNITS[part], unit.casefold()
    measures = site.measures
    return (measures.weights.get(unit), measures.ages.get(unit)) == (
        measures.weights.get(standard),
        measures.ages.get(standard),
    )


def _component_amount(component: Element, site: Site) -> Amount:
    """Number and unit of a component. Text and integers have no unit of their own."""
    if (quantity := component.element("valueQuantity")) is not None:
        return read_amount(quantity, site.measures)
    if (number := component.number("valueInteger")) is not None:
        return Amount(number, None, component.at("valueInteger"))
    if (text := component.text("valueString")) is not None:
        return Amount(written_number(text, component.at("valueString")), None, component.at("valueString"))
    raise Unreadable(component.at("value"), "there is no value")
