"""From facts to an infant: which fact wins, which disagree, what is missing.

A *fact* is one thing one version of one resource says about one infant. Facts are append-only: a correction is a
newer version of the same resource, a retraction is a newer version that says nothing. The names and the JSON values
a fact may carry:

    born           {"low": "2025-11-01", "high": "2025-11-01"}    a partial date is a range of days
    gestation      {"low": 178, "high": 178, "observed": date}    days; gestational age at birth; when observed, if said
    birth_weight   {"grams": 780}
    sex            {"code": "male" | "female" | "other" | "unknown"}
    multiple       {"order": 2} or {"order": null}                birth order, if given; part of a multiple birth
    deceased       {"on": "2025-11-09"} or {"on": null}
    fetal          {}                                             a record of a fetus
    identifier     {"system": "...", "value": "..."}
    name           {"text": "..."}
    replaced_by    {"patient": "4711"}                            this record was merged into that one
    mother         {"patient": "88"}                              the mother's own record, where linked
    risk           {"flag": "sepsis"}
    stay           {"encounter": status, "open": true|false, "place": "Location/bed-3"|null, "place_text": str|null,
                    "since": date|null, "until": date|null, "disposition": str|null}    open, until: to end then
    place          {"name": str|null, "part_of": "Location/..."|null, "kind": "bed"|"room"|"ward"|...|null}
    respiratory    {"what": "nasal CPAP", "on": date|null, "until": date|null}    shown, and decides nothing
    leaving        {"on": date, "date": date|null, "by": "..."}   planned day of leaving; null: none is planned any more
    weight         {"on": "2031-05-11", "grams": 790}             body weight on a day; never the birth weight
    exam           {"on": "2031-06-09", "at": "09:30", "right": {...}, "left": {...}, ...}    core.findings.parse_exam
    finding        {"on": date, "at": "09:30", "eyes": "right"|"left"|"both", "of": {...}}    one share of an exam
    treatment      {"on": date, "eyes": "right"|"left"|"both", "kind": "laser", "agent": ""}
    closing        {"on": date, "by": "...", "why": word of core.course.CLOSINGS, "note": "...", "basis": "..."}
    reopening      {"on": date, "by": "...", "why": "..."}        a newer version of what closed the course
    deferral       {"on": date, "until": date, "reason": "...", "ophthalmologist": "...", "neonatologist": "..."}
    hand_over      {"on": date, "to": "...", "place": "...", "date": date, "by": "...", "parents_told": bool}
    booking        {"on": date, "date": date, "time": "09:30", "place": "...", "examiner": "...", "by": "..."}
    long_term      {"on": date, "by": "...", "where": "..."}      refraction and alignment: looked at or handed over
    unreadable     {"of": "birth_weight", "reason": "..."}        something was said and could not be read
    retracted      {}                                             this version says nothing about this infant

`place` facts belong to no infant: their `patient` is "". `"silent": true` in an unreadable or retracted fact says that
the version itself did not name the infant: what it means for them depends on what was said before (`newest`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, Final, Generic, TypeVar

from service.core.ages import Gestation, date_at_postnatal
from service.core.stays import support, whereabouts

T = TypeVar("T")

FACT_NAMES: Final = frozenset(
    {
        "born", "gestation", "birth_weight", "sex", "multiple", "deceased", "fetal", "identifier", "name",
        "replaced_by", "mother", "risk", "stay", "place", "unreadable", "retracted", "weight", "exam", "finding",
        "treatment", "closing", "reopening", "deferral", "hand_over", "booking", "long_term", "respiratory",
        "leaving",
    }
)  # fmt: skip

SUPPORTS: Final = (
    "invasive ventilation", "non-invasive ventilation", "CPAP", "high flow", "low-flow oxygen", "no support",
)  # fmt: skip
"""What may help an infant to breathe, where a person says so; the last says that nothing does."""

SETTLED: Final = 0
"""Rank of a value a clinician settled by hand: it ends every disagreement."""


@dataclass(frozen=True, slots=True)
class Version:
    """Where a resource version stands among its siblings.

    `number` is the server's versionId when it is a whole number; `updated` is meta.lastUpdated as UTC text
    `YYYY-MM-DDTHH:MM:SS.ffffffZ`, or the time of arrival when the resource has none. `label` names the version
    (versionId, or a hash of the content) so that the same version is stored once. `reading` is the number of the
    site's mapping it was read under: the same version read again under a later mapping says what that reading says.
    """

    number: int | None
    updated: str
    label: str
    reading: int = 0

    def order(self, numbered: bool) -> tuple[int, str, str, int]:
        """Sort key among versions of one resource; `numbered` when every one of them has a number."""
        return (self.number or 0 if numbered else 0, self.updated, self.label, self.reading)

    def is_version(self, other: Version) -> bool:
        """Whether both are one version, under whichever mapping it was read."""
        return (self.number, self.updated, self.label) == (other.number, other.updated, other.label)


@dataclass(frozen=True, slots=True)
class Fact:
    """One thing one version of one resource says. `rank`: 0 settled by hand, 1 first choice of code, 2 and up weaker.

    `certain` is False when the value may mean something else (a preliminary result; a general gestational-age code
    observed long after birth; what was said before a correction that cannot be read): it can make an infant eligible,
    never ineligible.
    """

    patient: str
    name: str
    value: Mapping[str, Any]
    resource: str
    version: Version
    rank: int = 1
    certain: bool = True
    issued: str = ""


@dataclass(frozen=True, slots=True)
class Trouble:
    """A coding or word without a meaning at a site. `section` is the table of the site file that would give it one;
    `words` is what stands beside the code; `kind` says what may be chosen: a resource type for a code, the fact or
    question it is about for the rest, "unit" where the code is known and its unit is not."""

    section: str
    system: str
    code: str
    words: str = ""
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Rejection:
    """Something that could not be read without guessing: kept, shown, never dropped.

    `path` is a FHIRPath-like place (`Observation.valueQuantity.value`), `reason` a plain sentence for a person
    at the site, `patient` the infant it is about where that is certain, `about` the fact name it would have been.
    `reason` may quote the value: it is shown to signed-in people, never logged. `trouble` is what one entry in the
    site's mapping would answer; None where none would.
    """

    resource: str
    path: str
    reason: str
    patient: str = ""
    about: str = ""
    trouble: Trouble | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class Reading:
    """All that one version of one resource says. No facts and no rejections: it says nothing (any more). `silent` is
    the code because of which it says nothing: nobody gave it a meaning."""

    resource: str
    version: Version
    facts: tuple[Fact, ...] = ()
    rejections: tuple[Rejection, ...] = ()
    silent: Trouble | None = field(default=None, compare=False)


# --- the infant ----------------------------------------------------------------------------------------------------

OLDEST_TRACKED_DAYS: Final = 730
"""Someone first seen more than this many days after birth is not a newborn of ours (a parent, an older child)."""

GENERAL_CODE_DAYS: Final = 3
"""A general gestational-age code (rank 2 and up) observed later than this after birth may be a postmenstrual age: not
certain. The bound is a choice of this project (common practice, no source)."""

PLAUSIBLE_GESTATION: Final = range(22 * 7, 45 * 7)
"""Days a missing gestational age at birth may be."""

MEDIAN_GIRL_GRAMS: Final = {
    23: 537, 24: 606, 25: 694, 26: 792, 27: 899, 28: 1017, 29: 1152, 30: 1306, 31: 1482, 32: 1681,
    33: 1897, 34: 2126, 35: 2362, 36: 2602, 37: 2835, 38: 3050, 39: 3239, 40: 3415,
}  # fmt: skip
"""Median birth weight of girls on the first day of each week: Fenton TR, Kim JH, BMC Pediatrics 2013;13:59 (LMS)."""


@dataclass(frozen=True, slots=True)
class Candidate(Generic[T]):
    """One value somebody recorded, and where. `certain` is False when it may mean something else."""

    value: T
    certain: bool = True
    resource: str = ""
    rank: int = 1


@dataclass(frozen=True, slots=True)
class Known(Generic[T]):
    """All that is known of one attribute: the values on record, preferred first; `unreadable` when something was
    sent that could not be read and so might be anything."""

    candidates: tuple[Candidate[T], ...] = ()
    unreadable: bool = False

    @property
    def value(self) -> T | None:
        """The preferred value, for display. Decisions look at every candidate."""
        return self.candidates[0].value if self.candidates else None

    @property
    def values(self) -> tuple[T, ...]:
        return tuple(candidate.value for candidate in self.candidates)

    @property
    def conflicting(self) -> bool:
        return len(self.candidates) > 1

    @property
    def unsettled(self) -> bool:
        """True when the truth may not be on record: nothing certain was recorded, or something could not be read."""
        return self.unreadable or not any(candidate.certain for candidate in self.candidates)


def known(value: T | None) -> Known[T]:
    """One certain value, or nothing known for None."""
    return Known() if value is None else Known((Candidate(value),))


@dataclass(frozen=True, slots=True, order=True)
class Days:
    """A date known to the day (`low == high`), or only to a month or year (`low` to `high`)."""

    low: date
    high: date

    @property
    def exact(self) -> bool:
        return self.low == self.high

    def __str__(self) -> str:
        return self.low.isoformat() if self.exact else f"{self.low.isoformat()}..{self.high.isoformat()}"


@dataclass(frozen=True, slots=True, order=True)
class Weighing:
    """A body weight in grams on a day. `certain` is False when it may turn out to be another: a provisional result, or
    one whose correction could not be read."""

    on: date
    grams: int
    certain: bool = True


@dataclass(frozen=True, slots=True)
class Infant:
    """What the facts say, taken together, of one person. `known_since` is the day the site first named them.

    `came_back`: the day the last stay began, after an earlier one had ended.

    `record` is "infant", or says why this is nobody to screen: "fetus", "older" (a parent, an older child),
    "unborn-or-empty" (no birth date and nothing else that a newborn's record has), "merged".
    """

    patient: str
    known_since: date
    born: Known[Days]
    gestation: Known[Gestation]
    birth_weight: Known[int]
    risk_flags: tuple[str, ...] = ()
    record: str = "infant"
    deceased: bool = False
    deceased_on: date | None = None
    replaced_by: str | None = None
    sex: str | None = None
    multiple: bool = False
    birth_order: int | None = None
    name: str = ""
    identifier: str = ""
    place: str | None = None
    place_text: str = ""
    in_hospital: bool | None = None
    left_on: date | None = None
    came_back: date | None = None
    disposition: str = ""
    leaves_on: date | None = None
    support: str = ""
    weights: tuple[Weighing, ...] = ()

    @property
    def earliest(self) -> date | None:
        """The earliest day of birth on record."""
        return min((value.low for value in self.born.values), default=None)


def standing(versions: Iterable[Version]) -> list[Version]:
    """Versions of one resource, oldest first, each in the latest of its readings: by number where every one has a
    number, else by time."""
    known = list(versions)
    numbered = all(version.number is not None for version in known)
    known.sort(key=lambda version: version.order(numbered))
    return [v for n, v in enumerate(known) if n + 1 == len(known) or not v.is_version(known[n + 1])]


def newest(facts: Iterable[Fact]) -> tuple[list[Fact], list[Fact]]:
    """Facts of the newest version of each resource, and the readable facts of the version before an unreadable one.

    Versions decide, not the order of arrival; of one version, its latest reading. When the newest version says
    something that cannot be read, what the last readable version said stays on record as well: it may be right, and
    dropping it could drop an exam.
    """
    by_resource: dict[str, dict[Version, list[Fact]]] = {}
    for fact in facts:
        by_resource.setdefault(fact.resource, {}).setdefault(fact.version, []).append(fact)
    current: list[Fact] = []
    earlier: list[Fact] = []
    for versions in by_resource.values():
        told = _told(versions)
        if not told:
            continue
        current.extend(told[-1])
        lost = {fact.value.get("of") for fact in told[-1] if fact.name == "unreadable"}
        for name in sorted(str(name) for name in lost):
            for before in reversed(told[:-1]):
                said = [fact for fact in before if fact.name == name]
                if said or any(fact.name == "retracted" for fact in before):
                    earlier.extend(said)
                    break
    return current, earlier


def _told(versions: Mapping[Version, list[Fact]]) -> list[list[Fact]]:
    """What each version of a resource says of one infant, oldest first. One that does not name the infant (`silent`)
    takes back what was said before it, or leaves in doubt what it may have been about; where nothing was said before,
    it says nothing."""
    told: list[list[Fact]] = []
    said: set[str] = set()
    for version in standing(versions):
        own = [fact for fact in versions[version] if not _silent(fact)]
        if not own and said:
            silent = versions[version]
            own = [fact for fact in silent if fact.name == "unreadable" and fact.value.get("of") in said]
            own = own or [fact for fact in silent if fact.name == "retracted"]
        if own:
            told.append(own)
        said |= {fact.name for fact in own} - {"retracted", "unreadable"}
    return told


def _silent(fact: Fact) -> bool:
    return bool(fact.value.get("silent"))


def assemble(patient: str, facts: Iterable[Fact], known_since: date) -> Infant:
    """The infant the facts describe. Facts of merged records come along under their old patient ids.

    A value settled by hand (rank 0) ends a disagreement, until a later version of what was settled by hand cannot be
    read; otherwise every value on record stays a candidate, first choice of code first, then the latest issued. What
    was said before a correction that cannot be read is not certain, and a death told so ends nothing.
    """
    facts = list(facts)
    current, earlier = newest(facts)
    doubtful = [replace(fact, certain=False) for fact in earlier if fact.name != "deceased"]
    said: dict[str, list[Fact]] = {}
    for fact in [*current, *doubtful]:
        said.setdefault(fact.name, []).append(fact)
    for same in said.values():  # three stable sorts, the most important last
        same.sort(key=lambda fact: (fact.resource, str(sorted(fact.value.items()))))
        same.sort(key=lambda fact: fact.issued, reverse=True)
        same.sort(key=lambda fact: (fact.patient != patient, fact.rank))

    born = _narrow(_known(said, "born", lambda v: Days(_day(v["low"]), _day(v["high"]))))
    gestation = _narrow(_gestation(said, born))
    weight: Known[int] = _known(said, "birth_weight", lambda v: int(v["grams"]))
    replaced = next((str(f.value["patient"]) for f in said.get("replaced_by", []) if f.patient == patient), None)
    deaths = said.get("deceased", [])
    died = next((_day(f.value["on"]) for f in deaths if f.value.get("on")), None)
    multiple = said.get("multiple", [])
    return Infant(
        patient=patient,
        known_since=known_since,
        born=born,
        gestation=gestation,
        birth_weight=weight,
        risk_flags=tuple(sorted({str(f.value["flag"]) for f in said.get("risk", [])})),
        record=_record(said, born, known_since, replaced),
        deceased=bool(deaths),
        deceased_on=died,
        replaced_by=replaced,
        sex=_first(said, "sex", "code"),
        multiple=bool(multiple),
        birth_order=next((int(f.value["order"]) for f in multiple if f.value.get("order")), None),
        name=_first(said, "name", "text") or "",
        identifier=_first(said, "identifier", "value") or "",
        weights=_weighings(said.get("weight", [])),
        support=support(said.get("respiratory", [])),
        **whereabouts(said.get("stay", []), said.get("leaving", [])),
    )


def _known(said: Mapping[str, list[Fact]], name: str, read: Callable[[Mapping[str, Any]], T]) -> Known[T]:
    facts = said.get(name, [])
    lost = [fact for fact in said.get("unreadable", []) if fact.value["of"] == name]
    by_hand = {fact.resource for fact in facts if fact.rank == SETTLED}
    settled = [fact for fact in facts if fact.rank == SETTLED and fact.certain]
    latest = max(settled, key=lambda fact: fact.version.updated, default=None)
    if latest is not None and not any(
        fact.resource in by_hand and fact.version.updated >= latest.version.updated for fact in lost
    ):
        return Known((Candidate(read(latest.value), resource=latest.resource, rank=SETTLED),))
    found: dict[T, Candidate[T]] = {}
    for fact in facts:
        value = read(fact.value)
        if value not in found or (fact.certain and not found[value].certain):
            found[value] = Candidate(value, fact.certain, fact.resource, fact.rank)
    return Known(tuple(found.values()), bool(lost))


def _gestation(said: Mapping[str, list[Fact]], born: Known[Days]) -> Known[Gestation]:
    """A general code observed well after birth (the earliest on record; none: whenever it was observed) may be a
    postmenstrual age: it stays, but is not certain."""
    first = min((value.low for value in born.values), default=None)
    limit = None if first is None else date_at_postnatal(first, GENERAL_CODE_DAYS)
    facts = []
    for fact in said.get("gestation", []):
        observed = fact.value.get("observed")
        doubtful = fact.rank > 1 and observed and (limit is None or _day(observed) > limit)
        facts.append(replace(fact, certain=False) if doubtful else fact)
    told = {**said, "gestation": facts}
    return _known(told, "gestation", lambda v: Gestation(int(v["low"]), int(v["high"])))


R = TypeVar("R", Days, Gestation)


def _narrow(values: Known[R]) -> Known[R]:
    """Drop a range when a certain narrower value inside it is on record: they agree, one is more precise."""
    kept = tuple(
        candidate
        for candidate in values.candidates
        if not any(
            other.certain and other.value != candidate.value
            and candidate.value.low <= other.value.low and other.value.high <= candidate.value.high
            for other in values.candidates
        )
    )  # fmt: skip
    return Known(kept, values.unreadable)


def _weighings(said: Iterable[Fact]) -> tuple[Weighing, ...]:
    """Every body weight once, in the order of days: certain where any record of it is."""
    found: dict[tuple[date, int], bool] = {}
    for fact in said:
        key = _day(fact.value["on"]), int(fact.value["grams"])
        found[key] = found.get(key, False) or fact.certain
    return tuple(Weighing(on, grams, certain) for (on, grams), certain in sorted(found.items()))


def _record(said: Mapping[str, list[Fact]], born: Known[Days], known_since: date, replaced: str | None) -> str:
    if replaced:
        return "merged"
    if "fetal" in said:
        return "fetus"
    old = all((known_since - value.high).days > OLDEST_TRACKED_DAYS for value in born.values)
    if old and not born.unsettled:
        return "older"
    newborn = {"birth_weight", "gestation", "stay", "unreadable", "born", "risk", "exam", "finding", "treatment"}
    unread = {fact.value.get("of") for fact in said.get("unreadable", [])}
    told = said.keys() - ({"unreadable"} if unread <= {"weight"} else set())  # a body weight may be anybody's
    return "infant" if newborn & told else "unborn-or-empty"


def plausible_gestation(birth_weight: int | None) -> range:
    """Days a missing gestational age at birth may be, given the weight: not so old that the infant would weigh less
    than half the median girl. Used for dates only, never to call an infant ineligible. The bound of one half is a
    choice of this project (common practice, no source)."""
    if birth_weight is None:
        return PLAUSIBLE_GESTATION
    too_old = [week for week, median in MEDIAN_GIRL_GRAMS.items() if birth_weight * 2 < median]
    return range(PLAUSIBLE_GESTATION.start, min(too_old) * 7) if too_old else PLAUSIBLE_GESTATION


def _first(said: Mapping[str, list[Fact]], name: str, key: str) -> str | None:
    return next((str(fact.value[key]) for fact in said.get(name, []) if fact.value.get(key)), None)


def _day(text: Any) -> date:
    return date.fromisoformat(str(text))
