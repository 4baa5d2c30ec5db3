"""The composition root: builds the parts, joins them, and owns the clock. Nothing else asks what time it is."""

from __future__ import annotations

import logging
import socket
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache, partial
from typing import Any

import httpx
import uvicorn
from starlette.applications import Starlette
from starlette.routing import Mount

from service.announce import Sender
from service.channels import find_channels
from service.client import Auth, FhirClient
from service.core.policy import Policy
from service.errors import ConfigurationError, SiteRefused
from service.feeds.poll import catch_up
from service.feeds.rest_hook import NAME as HOOK
from service.feeds.rest_hook import GroupCommit, Hook
from service.feeds.subscription import Kept, keep_subscriptions
from service.fhir.sites import Site, load_sites
from service.flow import Clock, Cursor, Flow
from service.jobs import Jobs
from service.mending import Mending
from service.policies import FOLDER, VARIATIONS, load_document, load_policies
from service.settings import Settings
from service.store.database import Database, migrate
from service.store.people import Person, is_anybody_registered
from service.store.postgres import EmbeddedPostgres
from service.web import downtime
from service.web.application import build
from service.web.door import is_safe
from service.web.downtime import Copies
from service.web.pages import Pages

log = logging.getLogger(__name__)


def now() -> datetime:
    """The time, in UTC. The only place that reads the clock."""
    return datetime.now(UTC)


@dataclass(frozen=True)
class Service:
    """The parts of one running installation."""

    settings: Settings
    database: Database
    flow: Flow
    connect: Callable[[Site], FhirClient]
    senders: Mapping[str, Sender]
    clock: Clock

    @property
    def sites(self) -> Mapping[str, Site]:
        return self.flow.sites

    @property
    def policies(self) -> Mapping[str, Policy]:
        return self.flow.policies

    def jobs(self) -> Jobs:
        """The jobs of this process, not started yet."""
        readable = frozenset(site.id for site in self.sites.values() if site.base_url)
        telling = frozenset(id for id in readable if self.sites[id].hook_secrets and self.settings.public_url)
        copies = self.copies()
        return Jobs(
            self.flow, self.senders, self._catch_up, self.subscribe, readable, telling,
            copies.write if copies else None, downtime.EVERY,
        )  # fmt: skip

    def copies(self) -> Copies | None:
        """The copies for downtime, where a folder is set for them."""
        folder = self.settings.downtime
        return Copies(self.flow, Pages(self.sites), folder) if folder else None

    def subscribe(self, site: str) -> list[Kept]:
        """Make, renew and repair the site's subscriptions at its own server."""
        here = Mending(self.flow).mapped(site).site
        if not here.hook_secrets:
            raise ConfigurationError(f"{site}.toml: hook.secret", "name the environment variable that holds the secret")
        secret = self.settings.secret(here.hook_secrets[0])
        endpoint = f"{self.settings.url}/hooks/{site}/{HOOK}"
        header = (f"Authorization: Bearer {secret}",)
        kept = keep_subscriptions(self.connect(here), here, endpoint, header, self.clock())
        found = [{"type": each.criteria.partition("?")[0], "status": each.status} for each in kept]
        Mending(self.flow).note(Cursor(site, "subscription", {"kept": found}))
        return kept

    def _catch_up(self, site: str, cursor: Mapping[str, Any], whole: bool) -> Any:
        here = Mending(self.flow).mapped(site).site  # a code given its meaning on a page is asked for as well
        return catch_up(self.connect(here), here, cursor, whole=whole)


@contextmanager
def open_service(
    settings: Settings, clock: Clock = now, transport: httpx.BaseTransport | None = None,
    sites: Mapping[str, Site] | None = None,
) -> Iterator[Service]:  # fmt: skip
    """All parts, built and joined, on a database that is up to date; closed again when the block ends.

    `transport` replaces the network towards sites, `sites` those in the folder of site files. Raises
    ConfigurationError when a file or setting is wrong.
    """
    sites = load_sites(settings.mappings) if sites is None else sites
    folder, variations = settings.policies or FOLDER, settings.mappings / VARIATIONS
    policies = load_policies(folder, variations)
    with ExitStack() as stack:
        url = settings.database_url or stack.enter_context(EmbeddedPostgres()).start(settings.data / "postgres")
        for revision in migrate(url):
            log.info("schema brought to %s", revision)
        database = Database(url)
        stack.callback(database.close)
        flow = Flow(database, sites, policies, clock, partial(load_document, folder=folder, variations=variations))

        @cache
        def client(site: str) -> FhirClient:
            here = sites[site]
            if here.base_url is None:
                raise SiteRefused(f"{site}: the site's file names no server")
            made = FhirClient(here.base_url, Auth.of(here.auth, settings.secret), transport=transport, clock=clock)
            stack.callback(made.close)
            return made

        def connect(site: Site) -> FhirClient:
            return client(site.id)

        channels = find_channels(connect)
        yield Service(settings, database, flow, connect, {name: c.send for name, c in channels.items()}, clock)


@contextmanager
def running(service: Service, jobs: bool = True, invented: Sequence[Person] = ()) -> Iterator[str]:
    """The service listening, hooks and pages and (unless told otherwise) jobs, until the block ends; yields its URL.

    `invented` people can be looked as by anybody, and nobody has to sign in: for the demonstration. Port 0 takes a free
    one. Raises ConfigurationError when the address cannot be had.
    """
    settings = service.settings
    with service.database.transaction() as connection:
        settings.check_listening(is_anybody_registered(connection))
    if settings.beyond and not is_safe(settings.public_url):
        log.warning(
            "other machines reach this service without encryption unless something in front brings it; then set "
            "RIDGELINE_PUBLIC_URL to its https address"
        )
    listening = _listen(settings.host, settings.port)
    port = listening.getsockname()[1]
    url = settings.having(port=port).url
    with ExitStack() as stack:
        stack.callback(listening.close)
        working = service.jobs()
        working.start(defer_only=not jobs)
        stack.callback(working.stop)
        writer = GroupCommit(service.flow, working.wake)
        writer.start()
        stack.callback(writer.stop)
        web = build(
            service.flow,
            base_url=settings.public_url,
            invented=invented,
            copies=service.copies(),
        )
        hook = Hook(service.flow, writer, _hook_secrets(service), settings.max_body)
        application = Starlette(routes=[*hook.routes(), Mount("/", web)])
        config = uvicorn.Config(application, log_config=None, access_log=False, timeout_graceful_shutdown=5)
        logging.getLogger("uvicorn.access").disabled = True  # addresses carry the ids of patients
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, args=([listening],), name="web", daemon=True)
        thread.start()

        def stop() -> None:
            web.state.announcer.close()
            server.should_exit = True
            thread.join()

        stack.callback(stop)
        for site in service.sites:
            service.flow.say_again(site)  # a start often follows a change
            waiting = service.flow.waiting(site)
            if waiting is not None:
                used = service.flow.policy_on(site, service.flow.today(site))
                log.warning(
                    "%s: the files say %s revision %d; %s revision %d as it was activated decides until somebody "
                    "activates what they say", site, waiting.id, waiting.revision, used.id, used.revision,
                )  # fmt: skip
        yield url


def _listen(host: str, port: int) -> socket.socket:
    """Listen before anything else starts, so that a taken port is a sentence and not a stack of threads, and whoever
    comes while the rest starts waits and is not refused."""
    listening: socket.socket | None = None
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        listening = socket.socket(family, socket.SOCK_STREAM)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
        listening.listen(socket.SOMAXCONN)
    except OSError as error:
        if listening is not None:
            listening.close()
        raise ConfigurationError(
            "RIDGELINE_PORT", f"cannot listen on {host} port {port}: {error.strerror or 'no such address'}"
        ) from None
    return listening


def _hook_secrets(service: Service) -> dict[str, list[str]]:
    return {
        site.id: [service.settings.secret(variable) for variable in site.hook_secrets]
        for site in service.sites.values()
    }
