"""Observations of an eye to findings: one Observation's share of an exam, whether it holds one finding or a panel.

What a code asks about and what a coded answer says, the mapping files tell. The eye comes from the value, from the
code, from a component or from bodySite, and from nowhere else: an eye that is not named is never guessed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any, Final

from service.errors import NotUnderstood
from service.fhir import terms
from service.fhir.draft import Draft
from service.fhir.element import Element, Unreadable, quote
from service.fhir.instants import read_days, read_instant, read_sortable
from service.fhir.sites import Answer, Code, Site
from service.fhir.values import codings_of, meaning_of, value_keys
from service.fhir.vocabulary import TEXT

ABOUT: Final = "finding"

_UNITS: Final = {
    "clock_hours": frozenset({"clock hours", "clock hour", "{clock hours}", "{clock_hours}", "1"}),
    "avascular_extent": frozenset({"dd", "{dd}", "disc diameters", "disc diameter", "{disc diameters}", "1"}),
}
"""Unit words of the two numbers, none of which UCUM knows. Common practice, no source."""


def say_findings(draft: Draft, patient: str, certain: bool, effective: str | None) -> None:
    """What one Observation shows of the eyes it names. `effective` is when, as the Observation writes it."""
    observation, site = draft.element, draft.site
    try:
        on, at = read_when(effective, "Observation.effective", site)
        root = meaning_of(observation.element("code"), site)
        root = root if root is not None and root.concept == ABOUT else None
        panel = list(_components(observation, site))
        around = _around(observation, root, panel, site)
    except Unreadable as error:
        draft.reject(error, patient, ABOUT)
        return
    holders = [(code, component) for code, component in panel if code.of != "eyes"]
    if root is not None and (value_keys(observation) or not (holders or observation.has("hasMember"))):
        holders.insert(0, (root, observation))
    shares: list[tuple[str, dict[str, Any]]] = []
    for code, holder in holders:
        answer = draft.attempt(lambda code=code, holder=holder: _answer(code, holder, site), patient, ABOUT)  # type: ignore[misc]
        if answer is None:
            continue
        own = "" if holder is observation else code.eyes
        eyes = draft.attempt(
            lambda answer=answer, own=own, holder=holder: _which((answer.eyes, own, *around), holder),  # type: ignore[misc]
            patient, ABOUT,
        )  # fmt: skip
        if eyes is not None:
            _add(shares, eyes, dict(answer.share))
    issued = observation.fields.get("issued")
    when = read_sortable(issued if isinstance(issued, str) else effective, site.timezone) or ""
    for eyes, share in shares:
        value = {"on": on.isoformat(), **({"at": at} if at else {}), "eyes": eyes, "of": share}
        draft.say(patient, ABOUT, value, 1, certain, when)


def _components(observation: Element, site: Site) -> Iterable[tuple[Code, Element]]:
    for component in observation.elements("component"):
        code = meaning_of(component.element("code"), site)
        if code is not None and code.concept == ABOUT:
            yield code, component


def _around(
    observation: Element, root: Code | None, panel: Sequence[tuple[Code, Element]], site: Site
) -> tuple[str, ...]:
    """The eyes that the whole Observation names, the more exact place first."""
    sides = [_side(component, site) for code, component in panel if code.of == "eyes"]
    if root is not None and root.of == "eyes":
        raise Unreadable("Observation.code", "says which eye is meant and nothing that was seen of it")
    if len(set(sides)) > 1:
        raise Unreadable("Observation.component", "names two eyes")
    body = observation.element("bodySite")
    return (*sides[:1], "" if root is None else root.eyes, "" if body is None else read_eye(body, site))


def _side(component: Element, site: Site) -> str:
    """The eye that a component names as its value."""
    if (concept := component.element("valueCodeableConcept")) is not None:
        side = read_eye(concept, site)
    else:
        side = site.eyes.get((TEXT, (component.text("valueString") or "").casefold()), "")
    if not side:
        raise Unreadable(component.at("value"), "names no eye known here")
    return side


def _which(named: Sequence[str], holder: Element) -> str:
    """The eye meant, of what several places say, the more exact first: one eye may be picked out of both."""
    sides = [side for side in named if side]
    if not sides:
        raise Unreadable("Observation.bodySite", "names no eye, so nobody can say which one is meant")
    found = sides[0]
    for side in sides[1:]:
        if side not in (found, "both"):
            raise Unreadable(holder.path, f"means {found} in one place and {side} in another")
    return found


def _add(shares: list[tuple[str, dict[str, Any]]], eyes: str, share: dict[str, Any]) -> None:
    """One more finding of an eye: beside the others, or apart where it says something else of the same thing."""
    for known, together in shares:
        if known == eyes and all(together.get(key, value) == value for key, value in share.items()):
            together.update(share)
            return
    shares.append((eyes, share))


# --- what was seen -------------------------------------------------------------------------------------------------


def _answer(code: Code, holder: Element, site: Site) -> Answer | None:
    """What one finding says; None where the sender says that there is no value. Several values must agree."""
    keys = value_keys(holder)
    if not keys:
        if holder.has("dataAbsentReason"):
            return None
        raise Unreadable(holder.at("value"), "there is no value")
    first, *others = [_read(code, holder, key, site) for key in keys]
    if any((other.of, other.share) != (first.of, first.share) for other in others):
        raise Unreadable(holder.at(keys[-1]), "says something else than the value beside it")
    return Answer(first.of, first.share, _one_side([first, *others], holder.at(keys[0])))


def _read(code: Code, holder: Element, key: str, site: Site) -> Answer:
    path = holder.at(key)
    if key == "valueCodeableConcept" and (concept := holder.element(key)) is not None:
        return _coded(code, concept, site)
    if key == "valueString" and (text := holder.text(key)) is not None:
        known = _fitting(site.answers.get((TEXT, text.casefold()), ()), code.of)
        return _one(known, path) if known else _plain(code, text, path)
    if key == "valueBoolean" and (flag := holder.flag(key)) is not None:
        return _plain(code, flag, path)
    if key == "valueInteger" and (number := holder.number(key)) is not None:
        return _plain(code, number, path)
    if key == "valueQuantity" and (quantity := holder.element(key)) is not None:
        return _measured(code, quantity)
    raise Unreadable(path, "is not a way to give a finding")


def _coded(code: Code, concept: Element, site: Site) -> Answer:
    """The one thing that the codings of an answer say; the words alone where none of them is mapped."""
    known = [
        answer for coding in codings_of(concept, site) for answer in _fitting(site.answers.get(coding, ()), code.of)
    ]
    if known:
        return _one(known, concept.path)
    if code.of and not concept.elements("coding") and (text := concept.text("text")) is not None:
        return _plain(code, text, concept.at("text"))
    raise Unreadable(concept.path, f"is not an answer known here{f' about {code.of}' if code.of else ''}")


def _fitting(answers: Iterable[Answer], of: str) -> list[Answer]:
    return [answer for answer in answers if of in ("", answer.of)]


def _one(known: Sequence[Answer], path: str) -> Answer:
    """The meaning of several answers that agree. Of a stage with its letter and one without, the first."""
    exact = [answer for answer in known if not (answer.of == "stage" and "note" in answer.share)] or list(known)
    loose = [answer for answer in known if answer not in exact]
    same = all((answer.of, answer.share) == (exact[0].of, exact[0].share) for answer in exact)
    if not same or any(str(exact[0].share.get("stage"))[:1] != answer.share["stage"][:1] for answer in loose):
        raise Unreadable(path, "could mean several things")
    return Answer(exact[0].of, exact[0].share, _one_side(known, path))


def _one_side(answers: Sequence[Answer], path: str) -> str:
    sides = {answer.eyes for answer in answers if answer.eyes}
    if len(sides) > 1:
        raise Unreadable(path, "names two eyes")
    return next(iter(sides), "")


def _plain(code: Code, value: object, path: str) -> Answer:
    """An answer that needs no mapping, because the code of the Observation says what is asked."""
    if not code.of:
        raise Unreadable(path, f"{quote(value)} does not say what it is about")
    try:
        return Answer(code.of, terms.share(code.of, value))
    except NotUnderstood as error:
        raise Unreadable(path, f"{quote(value)}: {error}") from None


def _measured(code: Code, quantity: Element) -> Answer:
    if (comparator := quantity.text("comparator")) is not None:
        raise Unreadable(quantity.at("comparator"), f"says {quote(comparator)}, not an exact value")
    number = quantity.number("value")
    if number is None:
        raise Unreadable(quantity.at("value"), "is missing")
    for key in ("code", "unit"):
        word = quantity.text(key)
        if word is not None and word.casefold() not in _UNITS.get(code.of, frozenset({"1"})):
            raise Unreadable(quantity.at(key), f"{quote(word)} is not a unit of {code.of or 'a finding'} known here")
    return _plain(code, number, quantity.at("value"))


# --- which eye, and when -------------------------------------------------------------------------------------------


def read_eye(concept: Element, site: Site) -> str:
    """The eye that a CodeableConcept means: right, left, both; "" when it means none known here.

    Raises Unreadable when its codings mean different eyes, or when the words beside a code name the other eye.
    """
    means = {side for coding in codings_of(concept, site) if (side := site.eyes.get(coding))}
    if len(means) > 1:
        raise Unreadable(concept.path, "has codings of different eyes")
    if not means:
        return ""
    side = means.pop()
    words = [concept.text("text"), *(coding.text("display") for coding in concept.elements("coding"))]
    for word in words:
        if word is not None and _said(word) not in ("", side):
            raise Unreadable(concept.path, f"means {side} by its code and says {quote(word)}")
    return side


def _said(words: str) -> str:
    """The one side that words name; "" for none or two."""
    split = set("".join(letter if letter.isalpha() else " " for letter in words.casefold()).split())
    named = split & {"right", "left"}
    return named.pop() if len(named) == 1 else ""


def read_when(text: str | None, path: str, site: Site) -> tuple[date, str]:
    """The day at the site, and the time of day `HH:MM` where one is given. Raises Unreadable: no day is made up."""
    if text is None:
        raise Unreadable(path, "does not say on which day")
    if days := read_days(text):
        if days[0] != days[1]:
            raise Unreadable(path, f"{quote(text)} does not say on which day")
        return days[0], ""
    moment = read_instant(text, site.timezone)
    if moment is None:
        raise Unreadable(path, f"{quote(text)} is not a date")
    local = moment.astimezone(site.timezone)
    return local.date(), f"{local:%H:%M}"
