"""Putting a mapping right: equal troubles as one, what the code could mean, what would follow, and only then saving.

Troubles are grouped by the coding or word that lacks a meaning, so that one answer serves them all; what no mapping can
answer is grouped by its reason. A group's name in an address is a digest: no code or value stands there.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from markupsafe import Markup

from service.core.decision import Decision
from service.core.infant import Trouble
from service.errors import ConfigurationError, NotFound, NotUnderstood
from service.fhir import terms
from service.fhir.mending import Option, concept_of, options
from service.fhir.sites import TEXT, Site
from service.mending import Mending, Weighed
from service.store.infants import Change
from service.store.meanings import Meaning
from service.store.troubles import Gathered
from service.web import view
from service.web.original import mark_original, pick_resource
from service.web.words import N_, _, ngettext_

CONCEPTS: Final[Mapping[str, str]] = {
    "gestation": N_("Gestational age at birth"),
    "gestation:general": N_("A gestational age, perhaps not the one at birth"),
    "birth_weight": N_("Birth weight"),
    "weight": N_("Body weight on a later day"),
    "risk": N_("A risk that a clinician flags"),
    "finding": N_("An eye finding; the answer says of what"),
    "respiratory": N_("What helps the infant to breathe"),
    "ignore": N_("Nothing that decides about eye exams: pass it over"),
    "treatment:laser": N_("Treatment: laser"),
    "treatment:injection": N_("Treatment: injection, agent not named"),
    "treatment:surgery": N_("Treatment: surgery"),
    "age": N_("A gestational age at birth"),
    "right": N_("Right eye"),
    "left": N_("Left eye"),
    "both": N_("Both eyes"),
    "g": N_("Grams"),
    "kg": N_("Kilograms"),
    "[lb_av]": N_("Pounds"),
    "[oz_av]": N_("Ounces"),
    "wk": N_("Weeks"),
    "d": N_("Days"),
}
"""Key of an option -> words. Those of eyes and answers are the terms of our own CodeSystem."""


@dataclass(frozen=True, slots=True)
class Group:
    """Equal troubles at a site, as one answer would serve them. `trouble` is None where no mapping can answer them;
    `reason` is then what they share. `infants` are those known about whom they are, `sample` is the last of them
    (arrival, reference, path); not `rejected`: resources that say nothing at all."""

    id: str
    gathered: tuple[Gathered, ...]
    rejected: bool

    @property
    def trouble(self) -> Trouble | None:
        return self.gathered[0].trouble

    @property
    def reason(self) -> str:
        return self.gathered[0].reason

    @property
    def about(self) -> str:
        return self.gathered[0].about

    @property
    def number(self) -> int:
        return sum(each.number for each in self.gathered)

    @property
    def infants(self) -> int:
        return sum(each.infants for each in self.gathered)

    @property
    def first(self) -> datetime:
        return min(each.first for each in self.gathered)

    @property
    def sample(self) -> tuple[int, str, str]:
        one = self.gathered[0]
        return one.arrival, one.resource, one.path

    @property
    def meant(self) -> str:
        """The code or word, as people at the site know it."""
        return self.trouble.code if self.trouble else ""


def group_id(site: str, *parts: str) -> str:
    """The name of a group in an address."""
    return hashlib.sha256("\x1f".join((site, *parts)).encode()).hexdigest()[:16]


def find_groups(mending: Mending, site: str) -> list[Group]:
    """All that could not be read at a site, equal troubles together: those that an entry in the mapping answers first,
    the largest first. Raises NotFound."""
    return _group(site, mending.refused(site), rejected=True)


def find_silent(mending: Mending, site: str) -> list[Group]:
    """The codes of all Observations and Procedures kept which nobody gave a meaning, and which therefore say nothing;
    those whose words sound like what decides about eye exams first. Raises NotFound."""
    known = mending.mapped(site).site.codes
    silent = [
        each
        for each in mending.silent(site)
        if each.trouble and (each.trouble.system, each.trouble.code) not in known  # not read again since
    ]
    return sorted(_group(site, silent, rejected=False), key=lambda group: not _LIKELY.search(_sound(group)))


_LIKELY: Final = re.compile(
    r"weight|gest|\bage\b|birth|\bga\b|\bbw\b|\brop\b|eye|retin|ophth|laser|injection|zone|stage|plus"
)


def _sound(group: Group) -> str:
    return f"{group.trouble.words} {group.trouble.code}".casefold() if group.trouble else ""


def find_group(mending: Mending, site: str, id: str) -> Group:
    """One group by its name, among the rejections and the codes without a meaning. Raises NotFound."""
    for find in (find_groups, find_silent):
        for group in find(mending, site):
            if group.id == id:
                return group
    raise NotFound(_("there is no such trouble here any more: it has been answered, or newer versions have come"))


def _group(site: str, gathered: Iterable[Gathered], rejected: bool) -> list[Group]:
    """One meaning answers a code whatever it stands in: an Observation, a Procedure, or a number without a unit."""
    groups: dict[str, list[Gathered]] = {}
    for each in gathered:
        if each.trouble is not None:
            id = group_id(site, each.trouble.section, each.trouble.system, each.trouble.code)
        else:
            id = group_id(site, "reason", each.about, each.place, each.reason)
        groups.setdefault(id, []).append(each)
    return [Group(id, tuple(each), rejected) for id, each in groups.items()]


# --- choosing ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Chosen:
    """What somebody picked: the meaning it makes, or the problem with it. `digest` names it in the form that saves."""

    key: str
    given: str
    meaning: Meaning | None
    problem: str = ""

    @property
    def digest(self) -> str:
        """The same for the same choice: what is saved is what was shown."""
        return group_id(self.key, self.given) if self.meaning else ""


def choose(group: Group, site: Site, key: str, given: str) -> Chosen:
    """The meaning that a choice makes, checked as the site's file would be."""
    trouble = group.trouble
    option = next((each for each in options(trouble, site) if each.key == key), None) if trouble else None
    if trouble is None or option is None:
        return Chosen(key, given, None, _("Choose one of these."))
    try:
        meaning = Meaning(trouble.section, trouble.system, trouble.code, concept_of(option, given))
        site.having({meaning.section: [meaning.table]}, site.id)
    except NotUnderstood as error:
        return Chosen(key, given, None, view.capitalize(f"{error}."))
    except ConfigurationError as error:
        return Chosen(key, given, None, view.capitalize(f"{error.problem}."))
    return Chosen(key, given, meaning)


def say_option(option: Option) -> str:
    """An option in words."""
    if option.key in CONCEPTS:
        return _(CONCEPTS[option.key])
    head, _sep, word = option.key.partition(":")
    if head == "agent":
        return _("Treatment: injection of %(agent)s", agent=word)
    if head == "finding":
        return _("Eye finding: %(what)s", what=_question(word))
    if "value" in option.concept and isinstance(option.concept["value"], bool):
        answer = _("yes") if option.concept["value"] else _("no")
        return f"{_question(head)}: {answer}"
    return terms.TERMS[terms.code_of(head, word)].display


def _question(key: str) -> str:
    return terms.TERMS[terms.question_code("side" if key == "eyes" else key)].display


def say_system(trouble: Trouble) -> str:
    """Where a code comes from."""
    if trouble.section == "word":
        return _("a unit word")
    if trouble.system == TEXT:
        return _("known by its words alone")
    return trouble.system or _("without a code system")


def say_effect(would: Weighed, rejected: bool, came: int) -> list[str]:
    """What a meaning would do, in sentences; `came`: how many arrivals have the trouble."""
    said = []
    if came > would.arrivals:
        said.append(
            _("Tried on the newest %(n)s of %(all)s arrivals; the others are read again in the background, and who is "
              "decided about otherwise because of them is not shown here.", n=would.arrivals, all=came)
        )  # fmt: skip
    if rejected:
        said.append(
            ngettext_(
                "%(n)s of these rejections would be answered.", "%(n)s of these rejections would be answered.",
                would.answered,
            )
        )  # fmt: skip
        if would.left:
            said.append(
                ngettext_(
                    "%(n)s rejection of the same arrivals would stay: another trouble.",
                    "%(n)s rejections of the same arrivals would stay: another trouble.", would.left,
                )
            )  # fmt: skip
    else:
        said.append(
            ngettext_(
                "%(n)s arrival would say something that it does not say now.",
                "%(n)s arrivals would say something that they do not say now.", would.speaking,
            )
        )  # fmt: skip
    if would.refused:
        said.append(
            ngettext_(
                "%(n)s value would be read and refused: look whether this is the right meaning.",
                "%(n)s values would be read and refused: look whether this is the right meaning.", would.refused,
            )
        )  # fmt: skip
    if not would.changes:
        said.append(_("No infant would be decided about otherwise."))
    return said


@dataclass(frozen=True, slots=True)
class Changed:
    """One infant about whom something else would be decided."""

    key: str
    name: str
    identifier: str
    before: str
    after: str
    off: bool


def say_change(change: Change) -> Changed:
    """The change in words; `off` says that nothing would be asked for any more."""
    return Changed(
        change.key,
        change.name or _("Name not known"),
        change.identifier,
        _say(change.before) if change.before else _("not known"),
        _say(change.after),
        change.before is not None and change.before.next.window is not None and change.after.next.window is None,
    )


_STATES: Final = {
    "eligible": N_("to be examined"),
    "unknown": N_("cannot be judged yet"),
    "not-eligible": N_("not to be examined by the policy"),
    "closed": N_("closed"),
}


def _say(decision: Decision) -> str:
    words = _(_STATES[decision.state])
    window = decision.next.window
    if window is None:
        return words
    task = view.say_task(decision.next.kind, decision.missing, [decision.next.eye])
    by = view.say_day(window.closes, decision.as_of)
    return _("%(state)s: %(task)s, by %(day)s", state=words, task=task, day=by)


def show_original(mending: Mending, site: str, group: Group) -> Markup:
    """One of the originals, with the place of the trouble marked."""
    arrival, reference, path = group.sample
    body = mending.bodies(site, [arrival])[arrival]
    return mark_original(pick_resource(body, reference), path)
