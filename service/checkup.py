"""Looks at everything somebody configured and says in plain words what is right and what is not."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

from service.client import FhirClient
from service.core.case import check_case, parse_case
from service.core.policy import Policy
from service.errors import ConfigurationError, RidgelineError, SiteError
from service.fhir.examples import run_examples
from service.fhir.sites import Site, load_site, load_standard
from service.policies import FOLDER, read_policy
from service.settings import Settings
from service.store.database import pending

READ: Final = ("Patient", "Observation", "Encounter", "Location")
"""What we would like to read at a site."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at. `about` is a site id, a policy id, or the name of a setting."""

    about: str
    ok: bool
    says: str


def _fine(about: str, says: str) -> Finding:
    return Finding(about, ok=True, says=says)


def _wrong(about: str, says: str) -> Finding:
    return Finding(about, ok=False, says=says)


def check_everything(
    settings: Settings, connect: Callable[[Site], FhirClient], today: date, *, site: str | None = None,
    live: bool = False,
) -> Iterator[Finding]:  # fmt: skip
    """Everything there is to say, or what there is about `site`. `live` also asks the sites' servers (`connect`)."""
    policies: dict[str, Policy] = {}
    for path in sorted((settings.policies or FOLDER).glob("*.toml")):
        for finding in _check_policy(path, today, policies):
            if site is None:
                yield finding
    if site is None:
        if not policies:
            yield _wrong("RIDGELINE_POLICIES", f"there is no usable policy edition in {settings.policies or FOLDER}")
        yield from _check_settings(settings)
    for path, here, problem in _read_sites(settings.mappings):
        if site in (None, path.stem):
            if here is None:
                yield _wrong(path.stem, problem)
            else:
                yield from _check_site(here, policies, settings)
                if live:
                    yield from _ask_server(here, connect)


def _check_policy(path: Path, today: date, found: dict[str, Policy]) -> Iterator[Finding]:
    try:
        policy = read_policy(path)
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
        rules = [rule.origin for rule in policy.criteria] + [rule.origin for rule in policy.first_exams]
        sure = [origin.surety for origin in (*rules, *policy.care.origins)]
        unsure, open_ = sure.count("memory"), sure.count("unconfirmed")
        doubt = f"; {unsure} of its rules have numbers from memory, not yet read in the source" if unsure else ""
        doubt += f"; {open_} are unconfirmed" if open_ else ""
        yield _fine(policy.id, f"{policy.title}: {len(policy.examples)} worked examples hold{doubt}")


def _check_settings(settings: Settings) -> Iterator[Finding]:
    try:
        settings.check_listening()
        yield _fine("RIDGELINE_HOST", f"listens on {settings.host} port {settings.port}")
    except ConfigurationError as error:
        yield _wrong("RIDGELINE_HOST", error.problem)
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


def _check_site(site: Site, policies: Mapping[str, Policy], settings: Settings) -> Iterator[Finding]:
    problems = run_examples(site)
    for problem in problems:
        yield _wrong(site.id, f"a worked example does not hold: {problem.removeprefix(f'{site.id}: ')}")
    if not problems:
        yield _fine(site.id, f"{site.name}: {len(site.examples)} worked examples hold")
    if site.policy in policies:
        yield _fine(site.id, f"uses {site.policy}, in the time zone {site.timezone.key}")
    else:
        yield _wrong(site.id, f"uses the policy {site.policy!r}; known: {', '.join(sorted(policies)) or 'none'}")
    for variable in (*site.hook_secrets, *site.auth.variables):
        if not settings.secrets.get(variable):
            yield _wrong(site.id, f"the environment variable {variable}, which its file names, is not set")
    if not site.hook_secrets:
        yield _fine(site.id, "its server cannot tell us anything: the file names no hook secret")
    if site.base_url is None and site.publish.channels:
        yield _wrong(site.id, f"publishes through {', '.join(site.publish.channels)} but its file names no server")


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
        yield Finding(site.id, type == "Location", f"its server says nothing of {type}: {_WITHOUT[type]}")
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
}
