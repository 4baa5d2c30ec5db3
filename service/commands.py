"""What each command does. The parts a command does not need are not imported: `--help` and `assess` start quickly."""

from __future__ import annotations

import argparse
import json
import logging
import sys
import threading
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import orjson

from service.errors import NotFound, RidgelineError
from service.settings import Settings, read_settings
from service.terminal import Progress, clean, draw_table, width_here, write_csv

if TYPE_CHECKING:
    from service.app import Service
    from service.core.policy import Policy
    from service.fhir.sites import Site

DEFAULT_POLICY: Final = "aap-2018"


class BadUsage(RidgelineError):
    """The command was not used as it is meant: exit code 2."""


# --- the service -----------------------------------------------------------------------------------------------------


def demo(options: argparse.Namespace) -> int:
    """A fictional network, until Ctrl-C."""
    from service.app import now
    from service.demo import play

    settings = read_settings()
    _log(logging.WARNING)
    try:
        play(
            settings.having(data=options.data or settings.data / "demo"), now, sys.stdout,
            port=options.port, browser=not options.no_browser, pace=options.pace,
        )  # fmt: skip
    except KeyboardInterrupt:
        print("\nStopped. Everything is kept; `ridgeline demo` goes on from here.")
    return 0


def serve(options: argparse.Namespace) -> int:
    """Everything, until Ctrl-C."""
    from service.app import running

    _log(logging.INFO)
    try:
        with (
            _service(options, host=options.host, port=options.port) as service,
            running(service, jobs=not options.no_jobs) as url,
        ):
            _say(f"listening on {url}/ with {_count(len(service.sites), 'site')}; stop with Ctrl-C")
            threading.Event().wait()
    except KeyboardInterrupt:
        _say("stopped")
    return 0


def work(options: argparse.Namespace) -> int:
    """The jobs alone, until Ctrl-C."""
    _log(logging.INFO)
    try:
        with _service(options) as service:
            jobs = service.jobs()
            jobs.start()
            try:
                _say(f"working for {_count(len(service.sites), 'site')}; stop with Ctrl-C")
                threading.Event().wait()
            finally:
                jobs.stop()
    except KeyboardInterrupt:
        _say("stopped")
    return 0


def migrate(options: argparse.Namespace) -> int:
    """The schema, brought up to date."""
    from service.store import database
    from service.store.postgres import EmbeddedPostgres

    settings = read_settings().having(data=options.data)
    if settings.database_url:
        applied = database.migrate(settings.database_url)
    else:
        with EmbeddedPostgres() as postgres:
            applied = database.migrate(postgres.start(settings.data / "postgres"))
    print(f"applied {', '.join(applied)}" if applied else "the schema is up to date")
    return 0


# --- in --------------------------------------------------------------------------------------------------------------


def ingest(options: argparse.Namespace) -> int:
    """Files into the database. 1 when a file could not be read or something is waiting to be read; what was read and
    not understood is kept and shown, and only said."""
    from service.feeds.files import Tally
    from service.feeds.files import ingest as bring_in

    for path in options.files:
        _must_be_file(path)
    with _service(options) as service:
        flow, total, unread = service.flow, Counter[str](), dict[str, str]()
        site = _known(flow.site, options.site).id
        before = {rejection["id"] for rejection in flow.rejections(site)}
        for path in options.files:
            try:
                with Progress(f"reading {path.name}", sys.stderr) as progress:
                    tally = Tally()
                    for after in bring_in(flow, site, path):
                        progress.advance(after.arrivals - tally.arrivals)
                        tally = after
            except RidgelineError as error:
                unread[path.name] = str(error)
                _say(str(error))
                continue
            for name in ("arrivals", "undigested", "facts", "rejections"):
                total[name] += getattr(tally, name)
        refused = [rejection for rejection in flow.rejections(site) if rejection["id"] not in before]
        states = flow.census(site)
    reasons = Counter((rejection["path"], rejection["reason"]) for rejection in refused)
    waiting = total["undigested"]
    if options.json:
        _print_json(
            {
                "site": site, "files": len(options.files), "unread": unread,
                **{name: total[name] for name in ("arrivals", "undigested", "facts", "rejections")},
                "reasons": [{"path": path, "reason": why, "count": n} for (path, why), n in reasons.most_common()],
                "infants": states,
            }
        )  # fmt: skip
    else:
        print(f"{_count(total['arrivals'], 'arrival')}, {_count(total['facts'], 'new fact')}, "
              f"{_count(total['rejections'], 'value')} not read")  # fmt: skip
        for (path_in, why), number in reasons.most_common(20):
            print(f"  {number} x {path_in}: {clean(why)}")
        if len(reasons) > 20:
            print(f"  and {len(reasons) - 20} other reasons")
        print(f"{site} now: " + ", ".join(f"{number} {state.replace('-', ' ')}" for state, number in states.items()))
    if total["rejections"]:
        _say("what could not be read is kept and shown, and its infants stay on the list")
    if waiting:
        _say(f"{_count(waiting, 'arrival')} stored but not digested yet; the jobs try again")
    return 1 if unread or waiting else 0


def subscribe(options: argparse.Namespace) -> int:
    """A site's subscriptions. 1 when one of them will not deliver."""
    with _service(options) as service:
        site = _known(service.flow.site, options.site)
        kept = service.subscribe(site.id)
    if options.json:
        _print_json([{"criteria": k.criteria, "reference": k.reference, "action": k.action, "status": k.status,
                      "missed": k.missed} for k in kept])  # fmt: skip
    else:
        for each in kept:
            missed = "; events may have been missed: the service reads them up" if each.missed else ""
            print(f"{each.criteria}: {each.action}, now {each.status}{missed}")
    return 1 if any(each.status in ("error", "off") for each in kept) else 0


# --- answers without a database --------------------------------------------------------------------------------------


def assess(options: argparse.Namespace) -> int:
    """A file's infants, one line of JSON each. 1 when the file cannot be read or an example is not as expected."""
    from service import assess as assessing
    from service.app import now
    from service.feeds.files import bodies

    path: Path = options.file
    _must_be_file(path)
    settings = read_settings()
    site = _site(settings, options.site) if options.site else None
    (policy,) = _policies(settings, options.policy or (site.policy if site else DEFAULT_POLICY))
    today: date = options.as_of or (now().astimezone(site.timezone if site else None)).date()
    states: Counter[str] = Counter()
    differences = 0
    if path.suffix.lower() == ".toml":
        answers = assessing.answer_cases(assessing.read_cases(path), policy, today)
        homeless = 0
    else:
        records = assessing.Records(site or _any_site(settings), f"{now():%Y-%m-%dT%H:%M:%S.%fZ}")
        with Progress(f"reading {path.name}", sys.stderr) as progress:
            for body in bodies(path):
                before = records.resources
                records.add(body)
                progress.advance(records.resources - before)
        answers = records.answers(policy, today)
        homeless = len(records.homeless)
        for rejection in records.homeless[:20]:
            parts = (rejection.resource, rejection.path, rejection.reason)
            _say(f"not read: {' '.join(part for part in parts if part)}")
    with Progress("deciding", sys.stderr) as progress:
        for answer in answers:
            _print_line(answer.as_json())
            states[answer.decision.state] += 1
            progress.advance()
            for difference in answer.differences:
                differences += 1
                _say(difference)
    if not states:
        _say(f"{path.name} holds no record of an infant")
        return 1
    said = ", ".join(f"{number:,} {state.replace('-', ' ')}" for state, number in sorted(states.items()))
    _say(f"{sum(states.values()):,} under {policy.id} revision {policy.revision}: {said}")
    return 1 if differences or homeless else 0


def cohort(options: argparse.Namespace) -> int:
    """Whom each policy selects out of a file. 1 when it holds nobody, or values about nobody in particular."""
    from service.app import now
    from service.selection import draw_selections, select, selections_json
    from service.web.api import CAUTION

    path: Path = options.file
    _must_be_file(path)
    settings = read_settings()
    wanted = options.policy or [DEFAULT_POLICY]
    if len({*wanted}) < len(wanted):
        raise BadUsage("name each policy once: --policy aap-2018 --policy uk-2022")
    policies = _policies(settings, *wanted)
    with Progress(f"reading {path.name}", sys.stderr) as progress:
        found = select(path, _any_site(settings), policies, now(), progress.advance)
    if found.unused:
        _say(f"not used: {', '.join(found.unused)}")
    for (where, why), number in found.unread.most_common(20):
        _say(f"not read, {number:,} x: {where} {why}")
    if found.unread:
        number = sum(found.unread.values())
        _say(f"{_count(number, 'value')} not read; what is not known of an infant takes nobody off a list")
    if not found.ids:
        _say(f"{path.name} holds no record of an infant")
        return 1
    if options.json:
        _print_json(selections_json(found.selections, found.ids))
    else:
        print(f"{_count(len(found.ids), 'infant')} in {clean(path.name)}\n")
        print(f"{draw_selections(found.selections, found.ids, width_here())}\n\n{CAUTION}")
    return 1 if found.homeless else 0


def people(options: argparse.Namespace) -> int:
    """Who may look."""
    from service import enrol

    with _service(options) as service:
        if options.what == "list" and options.json:
            _print_json(enrol.people_json(enrol.everybody(service.flow)))
        elif options.what == "list":
            print(draw_table(enrol.HEADINGS, enrol.cells(enrol.everybody(service.flow)), width_here()))
        else:
            print(enrol.run(service.flow, options))
    return 0


# --- looking ---------------------------------------------------------------------------------------------------------


def worklist(options: argparse.Namespace) -> int:
    """The ranked list."""
    from service.printed import draw_worklist
    from service.web.api import CAUTION, list_json
    from service.web.exports import HEADINGS, list_cells
    from service.web.pages import Pages

    with _service(options, existing=True) as service:
        flow = service.flow
        if options.site:
            _known(flow.site, options.site)
        entries = flow.worklist(options.site, options.as_of, options.known_at)
        moment = options.known_at or service.clock()
        today = {id: options.as_of or moment.astimezone(site.timezone).date() for id, site in service.sites.items()}
        names = {id: site.name for id, site in service.sites.items()}
        if options.json:
            _print_json(list_json(entries, today, service.sites))
        elif options.csv:
            sys.stdout.write(write_csv(HEADINGS, list_cells(entries, today, names)))
        elif options.html:
            page = Pages(service.sites).worklist(
                entries, today.__getitem__, service.clock(), census=flow.census(options.site),
                unread=flow.unread(options.site), site=options.site, as_of=options.as_of, self_contained=True,
            )  # fmt: skip
            sys.stdout.write(page)
        elif entries:
            print(draw_worklist(entries, today, names, width_here()))
            print(f"\n{_count(len(entries), 'infant')}. {CAUTION}")
        else:
            print("Nobody is on the list.")
    return 0


def explain(options: argparse.Namespace) -> int:
    """One infant. 2 when nobody, or more than one, is meant."""
    from service.explained import draw_infant, infant_json

    with _service(options, existing=True) as service:
        flow = service.flow
        if options.site:
            _known(flow.site, options.site)
        key = _find(service, options.patient, options.site)
        view = _known(lambda wanted: flow.infant(wanted, options.as_of, options.known_at), key)
        if options.json:
            _print_json(infant_json(view))
        else:
            print(draw_infant(view, width_here()))
    return 0


def impact(options: argparse.Namespace) -> int:
    """What another edition would change at a site. Changes nothing."""
    from service.explained import draw_impact, impact_json

    with _service(options, existing=True) as service:
        flow = service.flow
        site = _known(flow.site, options.site)
        other = flow.policies.get(options.policy or site.policy)
        if other is None:
            raise BadUsage(f"there is no policy {options.policy!r}; known: {', '.join(sorted(flow.policies))}")
        used, known = flow.policy_on(site.id, flow.today(site.id)), sum(flow.census(site.id).values())
        found = flow.impact(site.id, other)
        if options.json:
            _print_json(impact_json(found, used, other, known))
        else:
            print(draw_impact(found, used, other, known, width_here()))
    return 0


def activate(options: argparse.Namespace) -> int:
    """Put what the files say in use at a site, after saying what that changes. 1 when it is refused."""
    from service.explained import draw_impact

    with _service(options, existing=True) as service:
        flow = service.flow
        site = _known(flow.site, options.site)
        if not options.by.strip():
            raise BadUsage("an edition is activated by somebody: say who with --by")
        waiting = flow.waiting(site.id)
        used, known = flow.policy_on(site.id, flow.today(site.id)), sum(flow.census(site.id).values())
        if waiting is not None:
            print(draw_impact(flow.impact(site.id, waiting), used, waiting, known, width_here()), end="\n\n")
        changed = flow.activate(site.id, options.by)
    if waiting is None:
        print(f"{used.id} revision {used.revision} is in use at {site.id}, as its file says")
    else:
        print(f"{waiting.id} revision {waiting.revision} was activated at {site.id} by {clean(options.by.strip())}; "
              f"{_count(changed, 'infant')} decided otherwise than before")  # fmt: skip
    return 0


def _find(service: Service, wanted: str, site: str | None) -> str:
    """The key of the infant meant by a Patient id, by a number people read aloud, or by a key."""
    found = service.flow.find(wanted.removeprefix("Patient/"), site)
    if len(found) > 1:
        sites = ", ".join(sorted({id for id, _ in found}))
        raise BadUsage(f"more than one infant is known by that name, at {sites}; say which with --site")
    return found[0][1] if found else wanted


# --- checking --------------------------------------------------------------------------------------------------------


def check(options: argparse.Namespace) -> int:
    """Settings, policies, site files and their examples. 1 when anything is wrong."""
    from service.app import now
    from service.checkup import TALLY_HEADINGS, check_everything
    from service.client import Auth, FhirClient

    settings = read_settings().having(data=options.data)

    def connect(site: Site) -> FhirClient:
        return FhirClient(site.base_url or "", Auth.of(site.auth, settings.secret), clock=now)

    findings = list(
        check_everything(
            settings, connect, now().date(), site=options.site, live=options.live, meanings=options.meanings
        )
    )
    if options.site and not findings:
        raise BadUsage(f"there is no site file {options.site}.toml in {settings.mappings}")
    if options.json:
        _print_json(
            [
                {"about": f.about, "ok": f.ok, "says": f.says, **({"edition": asdict(f.edition)} if f.edition else {})}
                for f in findings
            ]
        )
    else:
        for finding in findings:
            print(f"{'ok   ' if finding.ok else 'WRONG'}  {finding.about}: {clean(finding.says)}")
        tallies = [(finding.edition.cells(), "") for finding in findings if finding.edition]
        if tallies:
            numeric = frozenset({1, 2, 3, 4, 5, 6, 8})
            print(f"\n{draw_table(TALLY_HEADINGS, tallies, width_here(), numeric)}")
        wrong = sum(not finding.ok for finding in findings)
        print(f"\n{_count(wrong, 'thing')} to put right" if wrong else "\nAll is well.")
    return 0 if all(finding.ok for finding in findings) else 1


# --- shared ----------------------------------------------------------------------------------------------------------


@contextmanager
def _service(options: argparse.Namespace, *, existing: bool = False, **changes: Any) -> Iterator[Service]:
    """The parts on the configured database. `existing`: looking makes no new database where there is none."""
    from service.app import open_service

    settings = read_settings().having(data=options.data, **changes)
    if existing and not settings.database_url and not (settings.data / "postgres").is_dir():
        demo = settings.data / "demo"
        hint = f"; the demonstration's is seen with --data {demo}" if demo.is_dir() else ""
        raise RidgelineError(f"there is no database in {settings.data} yet{hint}")
    with open_service(settings) as service:
        yield service


def _known(find: Any, wanted: str) -> Any:
    """What `find` finds; asking for what does not exist is a wrong use of the command."""
    try:
        return find(wanted)
    except NotFound as error:
        raise BadUsage(str(error)) from None


def _policies(settings: Settings, *wanted: str) -> list[Policy]:
    from service.policies import FOLDER, VARIATIONS, load_policies

    policies = load_policies(settings.policies or FOLDER, settings.mappings / VARIATIONS)
    for id in wanted:
        if id not in policies:
            raise BadUsage(f"there is no policy {id!r}; known: {', '.join(sorted(policies))}")
    return [policies[id] for id in wanted]


def _site(settings: Settings, wanted: str) -> Site:
    from service.fhir.sites import load_sites

    sites = load_sites(settings.mappings)
    if wanted not in sites:
        raise BadUsage(f"there is no site {wanted!r}; known: {', '.join(sorted(sites)) or 'none'}")
    return sites[wanted]


def _any_site(settings: Settings) -> Site:
    """A site with nothing of its own: standard codes and units alone."""
    from service.fhir.sites import load_standard, parse_site

    standard = load_standard(settings.mappings / "_standard.toml")
    data = {"id": "file", "name": "a file", "timezone": "UTC", "policy": DEFAULT_POLICY}
    return parse_site(data, "file", standard)


def _must_be_file(path: Path) -> None:
    if not path.exists():
        raise BadUsage(f"{path}: there is no such file")
    if path.is_dir():
        raise BadUsage(f"{path} is a folder; name a file in it")


def _count(number: int, noun: str) -> str:
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def _say(sentence: str) -> None:
    print(clean(sentence), file=sys.stderr, flush=True)


def _print_json(value: Any) -> None:
    print(json.dumps(value, ensure_ascii=False, indent=2, default=str))


def _print_line(value: Mapping[str, Any]) -> None:
    sys.stdout.write(f"{orjson.dumps(value).decode()}\n")


def _log(level: int) -> None:
    """Logs of a running service go to standard error; they hold ids and counts, never names or values."""
    logging.basicConfig(level=level, format="%(asctime)s %(levelname)s %(name)s: %(message)s", stream=sys.stderr)
    for noisy in ("alembic", "apscheduler", "procrastinate", "uvicorn", "httpx", "httpcore"):
        logging.getLogger(noisy).setLevel(logging.WARNING)
