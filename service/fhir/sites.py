"""A site: one hospital unit's server, time zone, policy, and its own way of coding.

A site is a TOML file. What every site shares (standard codings, units and unit words) is `_standard.toml` beside it.
Both are data: what a code means here is decided by whoever knows the site, and the file's own examples prove it
(`service.fhir.examples.run_examples`). Secrets are never in a file: it names the environment variables that hold them.

    id = "larkmoor"                   policy = "aap-2018"
    name = "Larkmoor"                 timezone = "America/Denver"

    [server]      base_url, auth = none | bearer | basic | smart-backend, and the variables that auth needs
    [hook]        secret = one variable name, or two while a secret is being changed
    [identifiers] shown = the identifier system people at the site read aloud
    [[code]]      system + code, or text: what a local coding means; replaces the standard meaning of the same coding
    [[finding]]   system + code of a coded answer that names a gestational age
    [[answer]]    system + code, or text, of an answer about an eye: what it is of, and its value
    [[eye]]       system + code, or text, that names an eye: means = right | left | both
    [[word]]      a unit word only this site uses, and the standard unit it stands for
    [units]       place reference or place name = the unit's name on the list
    [publish]     intent, channels, owner
    [calendar]    names = true: exported calendars name infants; without it they name nobody
    [round]       start = "08:00" on the site's clock, weekdays = ["monday", …] (every day without it),
                  drops_before_minutes: how long before the start the drops go in (common practice, no source)
    silent_after_hours  with nothing arriving for so long, the list says that the feed is silent
    [[example]]   a resource and the facts or the rejection it must give
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import time
from functools import cached_property
from pathlib import Path
from typing import Any, Final, Literal
from zoneinfo import ZoneInfo

from service.core.ages import Gestation
from service.errors import ConfigurationError
from service.fhir.tables import Table, read_toml
from service.fhir.vocabulary import (
    TEXT,
    Answer,
    Code,
    Coding,
    Measures,
    Standard,
    load_standard,
    read_answers,
    read_codes,
    read_eyes,
    read_findings,
    read_measures,
)

__all__ = [
    "CHANNELS", "TEXT", "Answer", "Code", "Coding", "Example", "Expected", "Measures", "Publish", "Round", "Site",
    "SiteAuth", "Standard", "load_site", "load_sites", "load_standard", "parse_site",
]  # fmt: skip

AUTHS: Final = ("none", "bearer", "basic", "smart-backend")
INTENTS: Final = ("proposal", "plan", "order")
CHANNELS: Final = ("fhir_task",)
WEEKDAYS: Final = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")

READING: Final = 2
"""One more whenever the readers of `service.fhir` make something else of the same bytes: what is stored can then be
read again."""

_ID = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,40}[a-z0-9])?")
_VARIABLE = re.compile(r"[A-Z][A-Z0-9_]*")
_TIME = re.compile(r"(?:[01]\d|2[0-3]):[0-5]\d")
_LONGEST_LEAD: Final = 240
"""Minutes. Drops that go in longer before a round than this have worn off: a typing error (common practice, no
source)."""


@dataclass(frozen=True, slots=True)
class SiteAuth:
    """How the site's server lets us in. `token`, `user`, `password`, `client_id` and `key` are *names of environment
    variables*, never the values; the rest is public. Which are set depends on `kind`:
    bearer: token; basic: user, password; smart-backend: client_id, key (a private key, PEM), and if needed
    key_id, token_url, scope."""

    kind: Literal["none", "bearer", "basic", "smart-backend"] = "none"
    token: str | None = None
    user: str | None = None
    password: str | None = None
    client_id: str | None = None
    key: str | None = None
    key_id: str | None = None
    token_url: str | None = None
    scope: str | None = None

    @property
    def variables(self) -> tuple[str, ...]:
        """Every environment variable this needs."""
        return tuple(v for v in (self.token, self.user, self.password, self.client_id, self.key) if v is not None)


@dataclass(frozen=True, slots=True)
class Publish:
    """How decisions leave. `intent` is ServiceRequest.intent; no `channels` means our own facade alone. `owner` is
    Task.owner's display (the site's name unless the file says otherwise), `owner_identifier` its (system, value)."""

    intent: Literal["proposal", "plan", "order"] = "proposal"
    channels: tuple[str, ...] = ()
    owner: str = ""
    owner_identifier: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Round:
    """When an examiner comes: `start` on the site's clock, on these weekdays (0 is Monday; empty: any day), and how
    many minutes before it the drops that widen the pupils go in (common practice, no source)."""

    start: time
    weekdays: frozenset[int] = frozenset()
    drops_before: int | None = None

    @property
    def drops_at(self) -> time | None:
        """The time of day at which the drops go in."""
        if self.drops_before is None:
            return None
        minutes = self.start.hour * 60 + self.start.minute - self.drops_before
        return time(minutes // 60, minutes % 60)


@dataclass(frozen=True, slots=True)
class Expected:
    """A fact an example must give. `rank`, `certain` and `patient` are compared only where the file gives them."""

    name: str
    value: Mapping[str, Any]
    patient: str | None = None
    rank: int | None = None
    certain: bool | None = None


@dataclass(frozen=True, slots=True)
class Example:
    """One worked example: `resource` is JSON text; it must give exactly `facts`, or a rejection at path `rejected`
    whose reason holds the words `because`."""

    says: str
    resource: str
    facts: tuple[Expected, ...] = ()
    rejected: str | None = None
    because: str = ""


@dataclass(frozen=True)
class Site:
    """One hospital unit. See the module text for what each part is."""

    id: str
    name: str
    timezone: ZoneInfo
    policy: str
    codes: Mapping[Coding, Code]
    findings: Mapping[Coding, Gestation]
    measures: Measures
    systems: Mapping[str, str]
    answers: Mapping[Coding, tuple[Answer, ...]] = field(default_factory=dict)
    eyes: Mapping[Coding, str] = field(default_factory=dict)
    base_url: str | None = None
    auth: SiteAuth = field(default_factory=SiteAuth)
    hook_secrets: tuple[str, ...] = ()
    identifier_system: str | None = None
    units: Mapping[str, str] = field(default_factory=dict)
    publish: Publish = field(default_factory=Publish)
    calendar_names: bool = False
    round: Round | None = None
    silent_after_hours: int | None = None
    examples: tuple[Example, ...] = ()

    @cached_property
    def fingerprint(self) -> str:
        """Changes whenever the same arrival could be read otherwise: a digest of what codes, answers and unit words
        mean here, of the time zone, and of the way of reading (`READING`)."""
        measures = (self.measures.weights, self.measures.ages, self.measures.parts)
        tables = (self.codes, self.findings, *measures, self.systems, self.answers, self.eyes)
        said = [sorted((str(key), str(value)) for key, value in table.items()) for table in tables]
        return hashlib.sha256(repr((READING, self.timezone.key, said)).encode()).hexdigest()

    def having(self, tables: Mapping[str, Sequence[Mapping[str, Any]]], where: str) -> Site:
        """This site with more tables in its file: section (code, finding, answer, eye, word) to tables. They replace
        what stands there of the same coding or word. Raises ConfigurationError; `where` names their origin in it."""
        top = Table({section: [dict(each) for each in listed] for section, listed in tables.items()}, where)
        measures = read_measures(top.tables("word"), self.measures)
        site = replace(
            self,
            codes={**self.codes, **read_codes(top.tables("code"), measures, self.systems)},
            findings={**self.findings, **read_findings(top.tables("finding"), self.systems)},
            measures=measures,
            answers={**self.answers, **read_answers(top.tables("answer"), self.systems)},
            eyes={**self.eyes, **read_eyes(top.tables("eye"), self.systems)},
        )
        top.done()
        return site

    def system(self, name: str) -> str:
        """The FHIR URL of a code system given under any of its names."""
        return self.systems.get(name, name)

    def unit_for(self, *places: str | None) -> str | None:
        """The unit's name of the first place (reference or name, nearest first) that the file maps; else None."""
        named = {place.casefold(): unit for place, unit in self.units.items()}
        return next((named[p.casefold()] for p in places if p is not None and p.casefold() in named), None)


def parse_site(data: dict[str, Any], where: str, standard: Standard) -> Site:
    """A site from the data of its file; `where` names the file in errors. Raises ConfigurationError with the path
    of what is wrong and, where there is a list, the words allowed there."""
    top = Table(data, where)
    name = top.need_text("name")
    systems = standard.systems
    measures = read_measures(top.tables("word"), standard.measures)
    site = Site(
        id=top.need("id", top.matching("id", _ID, "lower-case letters, digits and dashes")),
        name=name,
        timezone=_zone(top),
        policy=top.need_text("policy"),
        codes={**standard.codes, **read_codes(top.tables("code"), measures, systems)},
        findings={**standard.findings, **read_findings(top.tables("finding"), systems)},
        measures=measures,
        systems=systems,
        answers={**standard.answers, **read_answers(top.tables("answer"), systems)},
        eyes={**standard.eyes, **read_eyes(top.tables("eye"), systems)},
        base_url=_base_url(server := top.table("server")),
        auth=_auth(server),
        hook_secrets=_hook(top.table("hook")),
        identifier_system=_identifiers(top.table("identifiers")),
        units=top.mapping("units"),
        publish=_publish(top.table("publish"), name),
        calendar_names=_calendar(top.table("calendar")),
        round=_round(top.table("round")),
        silent_after_hours=_hours(top, "silent_after_hours"),
        examples=tuple(_example(table) for table in top.tables("example")),
    )
    top.done()
    return site


def load_site(path: Path, standard: Standard) -> Site:
    """The site in one file, whose name is the site's id. Raises ConfigurationError."""
    site = parse_site(read_toml(path), path.name, standard)
    if site.id != path.stem:
        raise ConfigurationError(f"{path.name}.id", f"must be {path.stem!r}, like the file's name")
    return site


def load_sites(folder: Path) -> dict[str, Site]:
    """Every `<id>.toml` of a folder beside its `_standard.toml`, by id. Raises ConfigurationError."""
    standard = load_standard(folder / "_standard.toml")
    paths = [path for path in sorted(folder.glob("*.toml")) if not path.name.startswith("_")]
    return {path.stem: load_site(path, standard) for path in paths}


def _zone(top: Table) -> ZoneInfo:
    name = top.need_text("timezone")
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        problem = f"{name!r} is not an IANA time zone such as Europe/Oslo"
        raise ConfigurationError(f"{top.where}.timezone", problem) from None


def _base_url(server: Table | None) -> str | None:
    if server is None:
        return None
    url = server.need_text("base_url")
    if not re.fullmatch(r"https?://[^\s?#]+", url):
        raise ConfigurationError(f"{server.where}.base_url", "must be an http or https address without query")
    return url.rstrip("/")


def _auth(server: Table | None) -> SiteAuth:
    if server is None:
        return SiteAuth()
    kind = server.word("auth", AUTHS, "none")
    needed = {"bearer": ("token",), "basic": ("user", "password"), "smart-backend": ("client_id", "key")}.get(kind, ())
    what = "the name of an environment variable"
    variables = {key: server.need(key, server.matching(key, _VARIABLE, what)) for key in needed}
    public = {key: server.text(key) for key in ("key_id", "token_url", "scope")} if kind == "smart-backend" else {}
    server.done()
    return SiteAuth(kind, **variables, **public)  # type: ignore[arg-type]


def _hook(hook: Table | None) -> tuple[str, ...]:
    if hook is None:
        return ()
    names = hook.texts("secret")
    hook.done()
    if not 1 <= len(names) <= 2 or not all(_VARIABLE.fullmatch(name) for name in names):
        problem = "must be the name of an environment variable, or two during a change"
        raise ConfigurationError(f"{hook.where}.secret", problem)
    return names


def _identifiers(identifiers: Table | None) -> str | None:
    if identifiers is None:
        return None
    shown = identifiers.need_text("shown")
    identifiers.done()
    return shown


def _publish(publish: Table | None, name: str) -> Publish:
    if publish is None:
        return Publish(owner=name)
    channels = publish.texts("channels")
    if unknown := next((channel for channel in channels if channel not in CHANNELS), None):
        raise ConfigurationError(f"{publish.where}.channels", f"{unknown!r} is not a channel", CHANNELS)
    system, value = publish.text("owner_system"), publish.text("owner_value")
    if (system is None) != (value is None):
        raise ConfigurationError(f"{publish.where}.owner_system", "and owner_value go together")
    result = Publish(
        intent=publish.word("intent", INTENTS, "proposal"),  # type: ignore[arg-type]
        channels=channels,
        owner=publish.text("owner") or name,
        owner_identifier=(system, value) if system is not None and value is not None else None,
    )
    publish.done()
    return result


def _calendar(calendar: Table | None) -> bool:
    if calendar is None:
        return False
    names = calendar.flag("names")
    calendar.done()
    return bool(names)


def _round(table: Table | None) -> Round | None:
    if table is None:
        return None
    start = table.need("start", table.matching("start", _TIME, "a time of day such as 08:00"))
    named = table.texts("weekdays")
    if unknown := next((day for day in named if day not in WEEKDAYS), None):
        raise ConfigurationError(f"{table.where}.weekdays", f"{unknown!r} is not a weekday", WEEKDAYS)
    lead = table.integer("drops_before_minutes")
    opening = time.fromisoformat(start)
    if lead is not None and not 0 <= lead <= min(_LONGEST_LEAD, opening.hour * 60 + opening.minute):
        problem = f"must be minutes from 0 to {_LONGEST_LEAD}, and on the day of the round"
        raise ConfigurationError(f"{table.where}.drops_before_minutes", problem)
    table.done()
    return Round(opening, frozenset(WEEKDAYS.index(day) for day in named), lead)


def _hours(top: Table, key: str) -> int | None:
    hours = top.integer(key)
    if hours is not None and hours < 1:
        raise ConfigurationError(f"{top.where}.{key}", "must be one hour or more")
    return hours


def _example(table: Table) -> Example:
    facts = []
    for fact in table.tables("fact"):
        facts.append(
            Expected(
                name=fact.need_text("name"),
                value=fact.values("value"),
                patient=fact.take("patient", str, "text"),
                rank=fact.integer("rank"),
                certain=fact.flag("certain"),
            )
        )
        fact.done()
    example = Example(
        says=table.need_text("says"),
        resource=table.need_text("resource"),
        facts=tuple(facts),
        rejected=table.text("rejected"),
        because=table.text("because") or "",
    )
    table.done()
    if (example.rejected is None) != (not example.because):
        raise ConfigurationError(f"{table.where}.because", "goes with rejected: words the reason must hold")
    return example
