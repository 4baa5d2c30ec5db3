"""The demonstration: a network of three units that do not exist, on an embedded database of its own.

The records are posted to our own hooks over HTTP, as a hospital's server would; nothing is put into the database by
any other way. The data folder keeps a journal of when the story began and when each event was told, so that another
run, on the same day or later, goes on from there and brings nobody in twice.
"""

from __future__ import annotations

import fcntl
import secrets
import sys
import time
import webbrowser
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import IO, Final, TextIO

import httpx
import orjson

from service.app import Service, open_service, running
from service.demo.chart import Event
from service.demo.records import STYLES, Scribe, bundle
from service.demo.staff import STAFF
from service.demo.story import Story
from service.errors import ConfigurationError, RidgelineError, SiteUnavailable
from service.feeds.rest_hook import NAME as HOOK
from service.fhir.sites import Site, load_sites
from service.flow import Clock
from service.settings import Settings
from service.terminal import Progress

CAUTION: Final = "Decision support, not a medical device: local guidelines and licensed clinicians decide."
PACES: Final = ((40, 5.0), (200, 15.0))
"""(up to this many events in one run, seconds between two of them); after the last, one a minute."""
ATTEMPTS: Final = 5


def play(
    settings: Settings, clock: Clock, out: TextIO, *, port: int | None = None, browser: bool = True,
    pace: float | None = None,
) -> None:  # fmt: skip
    """Run the demonstration until Ctrl-C (KeyboardInterrupt). `settings.data` is its own folder; whatever database the
    settings name is left alone. Without `port` the usual one is taken, or any free one when that is in use.

    Raises ConfigurationError when a port that was asked for is taken, or another demonstration uses the folder.
    """
    sites = _demo_sites(settings.mappings)
    keys = {variable: secrets.token_urlsafe(32) for site in sites.values() for variable in site.hook_secrets}
    settings = replace(
        settings, database_url=None, policies=None, host="127.0.0.1", port=port or settings.port, public_url=None,
        secrets={**settings.secrets, **keys},
    )  # fmt: skip
    _print(out, "A network of three units that do not exist; every infant, name and number is invented.", CAUTION, "")
    with ExitStack() as stack:
        journal = stack.enter_context(_open_journal(settings.data, clock))
        _print(out, "Starting the database ...")
        service = stack.enter_context(open_service(settings, clock, sites=sites))
        url = stack.enter_context(_listening(service, anywhere=port is None))
        client = stack.enter_context(httpx.Client(base_url=url, timeout=30, trust_env=False))
        post = _Poster(client, list(sites.values()), settings)
        story = Story([Scribe(site) for site in sites.values()], journal.began)
        opening = list(story.opening())
        with Progress("Sending what is on file", out, len(opening)) as progress:
            for event in opening:
                post(event)
                progress.advance()
        for position, told in enumerate(journal.told, start=1):
            event = story.tell(told)
            if position == len(journal.told):  # written down before it was sent: it may not have got there
                post(event)
        days = (clock() - journal.began).days
        older = f"  Story      began {days} {'day' if days == 1 else 'days'} ago: everyone is older now"
        _print(
            out, "", f"  Worklist   {url}/", f"  Data       {settings.data}",
            "             (the next run goes on from there; delete the folder to begin again)",
            *([older] if days else []),
            "  Stop       Ctrl-C", "",
        )  # fmt: skip
        if browser and _has_display(settings.secrets):
            webbrowser.open(url)
        for number in _forever():
            time.sleep(pace if pace is not None else _pace(number))
            at = journal.write(clock())
            event = story.tell(at)
            post(event)
            _print(out, f"{at.astimezone():%H:%M:%S}  {event.says}")


def _print(out: TextIO, *lines: str) -> None:
    out.write("".join(f"{line}\n" for line in lines))
    out.flush()


def _forever() -> Iterator[int]:
    number = 0
    while True:
        yield number
        number += 1


def _pace(number: int) -> float:
    return next((seconds for most, seconds in PACES if number < most), 60.0)


def _demo_sites(folder: Path) -> Mapping[str, Site]:
    """The three units, each with a hook whose secret this run makes up."""
    known = load_sites(folder)
    missing = [f"{id}.toml" for id in STYLES if id not in known]
    if missing:
        raise ConfigurationError("RIDGELINE_MAPPINGS", f"the demonstration needs {', '.join(missing)} in {folder}")
    return {id: replace(known[id], base_url=None, hook_secrets=(_variable(id),)) for id in STYLES}


def _variable(site: str) -> str:
    return f"RIDGELINE_DEMO_{site.upper().replace('-', '_')}"


def _has_display(environment: Mapping[str, str]) -> bool:
    """Whether a browser could open a window. Without one, a text browser would take over the terminal."""
    return sys.platform in ("darwin", "win32") or any(environment.get(n) for n in ("DISPLAY", "WAYLAND_DISPLAY"))


@contextmanager
def _listening(service: Service, anywhere: bool) -> Iterator[str]:
    with ExitStack() as stack:
        try:
            url = stack.enter_context(running(service, invented=STAFF))
        except ConfigurationError:
            if not anywhere:
                raise
            url = stack.enter_context(
                running(replace(service, settings=replace(service.settings, port=0)), invented=STAFF)
            )
        yield url


class _Poster:
    """Sends an event to the unit's hook, again when the answer is "later"."""

    def __init__(self, client: httpx.Client, sites: list[Site], settings: Settings) -> None:
        self._client, self._sites = client, sites
        keys = [settings.secret(site.hook_secrets[0]) for site in sites]
        self._headers = [{"Authorization": f"Bearer {key}", "Content-Type": "application/fhir+json"} for key in keys]

    def __call__(self, event: Event) -> None:
        body = orjson.dumps(bundle(event.resources))
        for attempt in range(ATTEMPTS):
            try:
                answer = self._client.post(
                    f"/hooks/{self._sites[event.unit].id}/{HOOK}", content=body, headers=self._headers[event.unit]
                )
            except httpx.TransportError as error:
                words = f"the demonstration's own service does not answer ({type(error).__name__})"
                raise SiteUnavailable(words) from None
            if answer.status_code == 200:
                return
            if answer.status_code != 503:
                break
            time.sleep(2**attempt / 4)
        raise RidgelineError(f"the demonstration's own hook answered {answer.status_code}")


class _Journal:
    """When the story began, and when each event was told, one instant a line."""

    def __init__(self, file: IO[str], began: datetime, told: list[datetime]) -> None:
        self._file, self.began, self.told = file, began, told

    def write(self, at: datetime) -> datetime:
        """Write down that an event is told at `at`, or at the last one's instant should the clock have gone back."""
        at = max([at, *self.told[-1:]])
        self.told.append(at)
        self._file.write(f"{at.isoformat()}\n")
        self._file.flush()
        return at


@contextmanager
def _open_journal(folder: Path, clock: Clock) -> Iterator[_Journal]:
    path = folder / "story"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        file = path.open("a+", encoding="utf-8")
    except OSError as error:
        raise ConfigurationError(str(folder), f"cannot be used as data folder: {error.strerror}") from None
    with file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise ConfigurationError(str(folder), "another demonstration is running on this folder") from None
        file.seek(0)
        lines = file.read().split("\n")
        whole = lines[:-1]  # a line without its end was being written when the machine stopped
        file.truncate(sum(len(line) + 1 for line in whole))
        try:
            instants = [datetime.fromisoformat(line) for line in whole]
            sound = all(instant.tzinfo for instant in instants) and instants == sorted(instants)
        except ValueError:
            sound = False
        if not sound:
            raise ConfigurationError(str(path), "is damaged; delete the folder to begin again, or name another")
        journal = _Journal(file, instants[0] if instants else clock(), instants[1:])
        if not instants:
            file.write(f"{journal.began.isoformat()}\n")
            file.flush()
        yield journal
