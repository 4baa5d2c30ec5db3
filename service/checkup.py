"""Looks at everything somebody configured and says in plain words what is right and what is not."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import Final

from service.client import FhirClient
from service.core.case import check_case, parse_case
from service.core.policy import Policy
from service.errors import ConfigurationError, RidgelineError, SiteError
from service.feeds.poll import why_whole
from service.fhir.examples import run_examples
from service.fhir.mending import in_toml
from service.fhir.sites import Site, load_site, load_standard
from service.policies import FOLDER, VARIATIONS, read_policy, read_variation, variation_files
from service.settings import Settings
from service.store.database import Database, pending
from service.store.meanings import Given, beside_file, in_force
from service.store.postgres import EmbeddedPostgres, is_running

READ: Final = ("Patient", "Observation", "Encounter", "Location", "Procedure", "QuestionnaireResponse")
"""What we would like to read at a site."""


@dataclass(frozen=True, slots=True)
class Tally:
    """An edition in numbers: how many rules it has, and how many of them were read in the source, remembered, common
    practice or computed, or are unconfirmed, as all borrowed ones are; which edition it borrows from, and
    which one it is a variation of."""

    id: str
    revision: int
    rules: int
    read: int
    memory: int
    practice: int
    unconfirmed: int
    borrowed: str
    extends: str
    examples: int

    @classmethod
    def of(cls, policy: Policy) -> Tally:
        """The numbers of an edition or a variation."""
        sure = Counter(origin.surety for origin in policy.origins)
        return cls(
            policy.id, policy.revision, sure.total(), sure["read"], sure["memory"], sure["practice"] + sure["computed"],
            sure["unconfirmed"], policy.care.borrowed, policy.extends, len(policy.examples),
        )  # fmt: skip

    def cells(self) -> tuple[str, ...]:
        """What stands under `TALLY_HEADINGS`."""
        base = f"extends {self.extends}" if self.extends else self.borrowed or "-"
        numbers = (self.rules, self.read, self.memory, self.practice, self.unconfirmed)
        return (self.id, str(self.revision), *map(str, numbers), base, str(self.examples))


TALLY_HEADINGS: Final = (
    "edition", "revision", "rules", "read", "memory", "practice/computed", "unconfirmed", "borrowed from", "examples",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at. `about` is a site id, a policy id, or the name of a setting; `edition` says what an edition
    whose examples hold is made of."""

    about: str
    ok: bool
    says: str
    edition: Tally | None = None


def _fine(about: str, says: str) -> Finding:
    return Finding(about, ok=True, says=says)


def _wrong(about: str, says: str) -> Finding:
    return Finding(about, ok=False, says=says)


def check_everything(
    settings: Settings, connect: Callable[[Site], FhirClient], today: date, *, site: str | None = None,
    live: bool = False, meanings: bool = False,
) -> Iterator[Finding]:  # fmt: skip
    """Everything there is to say, or what there is about `site`. `live` also asks the sites' servers (`connect`).
    `meanings` starts the embedded database to read what was given on a page, where nobody has started it."""
    policies: dict[str, Policy] = {}
    folder = settings.policies or FOLDER
    files: list[tuple[Path, Callable[[Path], Policy]]] = [(path, read_policy) for path in sorted(folder.glob("*.toml"))]
    files += [
        (path, partial(read_variation, folder=folder)) for path in variation_files(settings.mappings / VARIATIONS)
    ]
    for path, read in files:
        for finding in _check_policy(path, read, today, policies):
            if site is None:
                yield finding
    if site is None:
        if not policies:
            yield _wrong("RIDGELINE_POLICIES", f"there is no usable policy edition in {folder}")
        yield from _check_settings(settings)
    asleep = settings.database_url is None and (settings.data / "postgres").is_dir() and not meanings
    asleep = asleep and not is_running(settings.data / "postgres")
    if asleep:
        says = "the embedded database is not running, so meanings given on a page were not read: --meanings starts it"
        yield _fine("DATABASE_URL", says)
    given = {} if asleep else _meanings(settings)
    for path, here, problem in _read_sites(settings.mappings):
        if site in (None, path.stem):
            if here is None:
                yield _wrong(path.stem, problem)
            else:
                yield from _check_site(here, policies, settings, today)
                yield from _check_meanings(here, given.get(here.id, ()))
                if live:
                    yield from _ask_server(here, connect)


def _check_policy(
    path: Path, read: Callable[[Path], Policy], today: date, found: dict[str, Policy]
) -> Iterator[Finding]:
    try:
        policy = read(path)
        problems = [
            problem
            for number, example in enumerate(policy.examples)
            for problem in check_case(parse_case(example, f"{path.name}: example[{number}]"), policy, today)
        ]
    except ConfigurationError as error:
        yield _wrong(path.stem, str(error))
        return
    found[policy.id] = policy
    for problem in problems:
        yield _wrong(policy.id, f"a worked example does not hold: {problem}")
    if not problems:
        says = f"{policy.title}: {len(policy.examples)} worked examples hold"
        if policy.effective is not None:
            says += f"; extends {policy.extends} from {policy.effective} on, approved by {policy.approved_by}"
        yield Finding(policy.id, ok=True, says=says, edition=Tally.of(policy))


def _check_settings(settings: Settings) -> Iterator[Finding]:
    # Whether anybody is registered stands in the database, which may not be there yet; the start looks.
    needs = settings.beyond and not settings.open
    guarded = "; it starts once somebody is registered (ridgeline people add)" if needs else ""
    yield _fine("RIDGELINE_HOST", f"listens on {settings.host} port {settings.port}{guarded}")
    if settings.database_url is None:
        where = settings.data / "postgres"
        state = "is there" if where.is_dir() else "will be made at the first start"
        yield _fine("DATABASE_URL", f"not set: the embedded database in {where} {state}")
        return
    try:
        todo = pending(settings.database_url)
    except ConfigurationError as error:
        yield _wrong("DATABASE_URL", error.problem)
        return
    if todo:
        count = f"{len(todo)} schema change{'s' * (len(todo) != 1)}"
        yield _fine("DATABASE_URL", f"answers; the next start applies {count} (or `ridgeline migrate`)")
    else:
        yield _fine("DATABASE_URL", "answers, and its schema is up to date")


def _read_sites(folder: Path) -> Iterator[tuple[Path, Site | None, str]]:
    """Each site file, read or with what is wrong with it; one broken file hides no other."""
    standard_path = folder / "_standard.toml"
    paths = [path for path in sorted(folder.glob("*.toml")) if not path.name.startswith("_")]
    try:
        standard = load_standard(standard_path)
    except ConfigurationError as error:
        for path in paths or [standard_path]:
            yield path, None, str(error)
        return
    if not paths:
        yield folder, None, f"there is no site file in {folder}"
    for path in paths:
        try:
            yield path, load_site(path, standard), ""
        except ConfigurationError as error:
            yield path, None, str(error)


def _check_site(site: Site, policies: Mapping[str, Policy], settings: Settings, today: date) -> Iterator[Finding]:
    problems = run_examples(site)
    for problem in problems:
        yield _wrong(site.id, f"a worked example does not hold: {problem.removeprefix(f'{site.id}: ')}")
    if not problems:
        yield _fine(site.id, f"{site.name}: {len(site.examples)} worked examples hold")
    if site.policy in policies:
        begins = policies[site.policy].effective
        later = f" (from {begins} on)" if begins is not None and begins > today else ""
        yield _fine(site.id, f"uses {site.policy}{later}, in the time zone {site.timezone.key}")
    else:
        yield _wrong(site.id, f"uses the policy {site.policy!r}; known: {', '.join(sorted(policies)) or 'none'}")
    for variable in (*site.hook_secrets, *site.auth.variables):
        if not settings.secrets.get(variable):
            yield _wrong(site.id, f"the environment variable {variable}, which its file names, is not set")
    if not site.hook_secrets:
        yield _fine(site.id, "its server cannot tell us anything: the file names no hook secret")
    if site.base_url is None and site.publish.channels:
        yield _wrong(site.id, f"publishes through {', '.join(site.publish.channels)} but its file names no server")


def _meanings(settings: Settings) -> dict[str, list[Given]]:
    """The meanings in force at each site, where there is a database of the newest schema to ask."""
    with ExitStack() as stack:
        url, folder = settings.database_url, settings.data / "postgres"
        if url is None:
            if not folder.is_dir():
                return {}
            url = stack.enter_context(EmbeddedPostgres()).start(folder)
        try:
            if pending(url):
                return {}
        except ConfigurationError:
            return {}  # said already
        database = Database(url)
        stack.callback(database.close)
        with database.transaction() as connection:
            return {id: in_force(connection, id) for id in (path.stem for path in settings.mappings.glob("*.toml"))}


def _check_meanings(site: Site, given: Sequence[Given]) -> Iterator[Finding]:
    """Which meanings live in the database only, as lines for the site's file."""
    for each in given:
        on = each.at.astimezone(site.timezone).date()
        what = f"what {each.meaning.code!r} means was given by {each.by} on {on}"
        lines = " ".join(in_toml(each.meaning.section, each.meaning.table).split("\n"))
        match beside_file(site, each.meaning):
            case "adds":
                yield _fine(site.id, f"{what} and lives in the database only; for the file: {lines}")
            case "same":
                yield _fine(site.id, f"{what}; the file says the same, so it can be withdrawn on the page Feeds")
            case _:
                yield _wrong(site.id, f"{what}, cannot be read any more and does not count: {lines}")


def _ask_server(site: Site, connect: Callable[[Site], FhirClient]) -> Iterator[Finding]:
    """What will and will not work with a site's own server."""
    if site.base_url is None:
        yield _fine(site.id, "its file names no server: nothing to ask")
        return
    try:
        client = connect(site)
        client.read("metadata")
        capabilities = client.capabilities()
        next(client.pages("Patient", [("_count", "1")]), None)
    except SiteError as error:
        yield _wrong(site.id, f"its server: {error}")
        return
    except RidgelineError as error:
        yield _wrong(site.id, str(error))
        return
    yield _fine(site.id, "its server answers, and lets us search Patient")
    for type in READ:
        if type in capabilities.types:
            continue
        optional = type in ("Location", "Procedure", "QuestionnaireResponse")
        yield Finding(site.id, optional, f"its server says nothing of {type}: {_WITHOUT[type]}")
    for type in READ:
        why = why_whole(type, site, capabilities) if type in capabilities.types else ""
        if why:
            yield _fine(site.id, f"{why}: every {type} is read, whatever it is about; nothing is missed")
    if "Subscription" in capabilities.types:
        yield _fine(site.id, f"it has Subscription: `ridgeline subscribe --site {site.id}` sets them up")
    else:
        yield _fine(site.id, "it has no Subscription: it is read on a schedule instead")
    writable = [type for type in ("ServiceRequest", "Task") if capabilities.creates(type)]
    if "fhir_task" in site.publish.channels and len(writable) < 2:
        lacking = " and ".join(type for type in ("ServiceRequest", "Task") if type not in writable)
        yield _wrong(site.id, f"it takes no new {lacking}: remove the channel; our own facade still publishes")
    elif "fhir_task" in site.publish.channels:
        yield _fine(site.id, "it takes new ServiceRequests and Tasks, or does not say that it refuses them")


_WITHOUT: Final = {
    "Patient": "nobody can be found there",
    "Observation": "birth weights and gestational ages must come another way",
    "Encounter": "who has left hospital cannot be seen",
    "Location": "beds and units are shown as the stay words them",
    "Procedure": "treatments are typed in by hand, or come another way",
    "QuestionnaireResponse": "exams are typed in here, or come as Observations",
}
