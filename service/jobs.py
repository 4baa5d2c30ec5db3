"""What runs when, and where.

APScheduler says *when*: a ticker looks for work every few seconds, each site is read up on its own schedule, a wide
re-read comes at night in the site's own time zone. Midnight is no alarm, because in some zones there are nights without
one: the ticker sees that a site's day has not been decided yet. procrastinate says *where*: any number of processes
take the jobs from the database. Jobs are coarse, one per site, and drain what there is; all state is in rows, so a lost
tick or a killed worker costs a few seconds and nothing else. A job may run twice at once without harm: the one that is
not alone leaves.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import timedelta
from typing import Any, Final

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.interval import IntervalTrigger
from procrastinate import App, PsycopgConnector, SyncPsycopgConnector
from procrastinate.exceptions import AlreadyEnqueued
from procrastinate.jobs import DeleteJobCondition

from service.announce import Sender
from service.errors import RidgelineError
from service.flow import Cursor, Flow
from service.mending import Mending
from service.store.arrivals import Arrival

log = logging.getLogger(__name__)

TICK: Final = 5.0
"""Seconds between two looks for work that nobody announced: a retry that has come due, something left undigested."""
CATCH_UP: Final = timedelta(minutes=15)
NIGHT: Final = 3
"""Hour of the site's own day at which all of it is read again."""
QUEUE: Final = "ridgeline"
CONCURRENCY: Final = 4


class JobFailed(RidgelineError):
    """A job ended early. Its own error stays out of the logs: a database's words may quote a patient."""


Catch = Callable[[str, Mapping[str, Any], bool], Any]
"""(site, cursor, whole) -> batches of `feeds.poll.catch_up`."""


class Jobs:
    """The jobs of one process. `senders` are the channels by name; `catch_up` reads the server of a `readable` site;
    `renew` keeps the subscriptions of a `telling` one alive; `copy` writes this host's copies for downtime, each
    `copy_every`: they are files, so it is no job that another host could take."""

    def __init__(
        self, flow: Flow, senders: Mapping[str, Sender], catch_up: Catch, renew: Callable[[str], object],
        readable: frozenset[str], telling: frozenset[str], copy: Callable[[], object] | None = None,
        copy_every: timedelta = timedelta(minutes=5),
    ) -> None:  # fmt: skip
        self._flow, self._senders, self._catch_up, self._renew = flow, senders, catch_up, renew
        self._readable, self._telling, self._copy, self._copy_every = readable, telling, copy, copy_every
        self._mending = Mending(flow)
        conninfo = flow.database.conninfo
        self._deferring = App(connector=SyncPsycopgConnector(conninfo=conninfo, min_size=1, max_size=2))
        self._working = App(connector=PsycopgConnector(conninfo=conninfo, min_size=1, max_size=CONCURRENCY + 3))
        for app in (self._deferring, self._working):
            for name, run in (
                ("publish", self.publish),
                ("digest", self.digest),
                ("read-up", self.read_up),
                ("renew", self.renew),
                ("reassess", self.reassess),
                ("replay", self.replay),
            ):
                app.task(name=name, queue=QUEUE)(_guarded(name, run))
        self._ticker = BackgroundScheduler(
            timezone="UTC", job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 1}
        )
        self._worker: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._asked_to_stop = asyncio.Event()

    # --- the work --------------------------------------------------------------------------------------------------

    def publish(self, site: str) -> None:
        """Send what is due at a site until nothing is. Looks once more after letting go, so that what came meanwhile
        is not left to the ticker."""
        while self._flow.work()[site][1]:
            with self._flow.database.alone(f"publish {site}") as alone:
                if not alone:
                    return
                while (sent := self._flow.publish(site, self._senders)).done or sent.refused:
                    if sent.put_off:
                        return

    def digest(self, site: str) -> None:
        """Try what could not be digested, once each."""
        with self._flow.database.alone(f"digest {site}") as alone:
            if alone:
                receipts = self._flow.digest(site)
                self.wake({site: False} if any(receipt.digested for receipt in receipts) else {})

    def replay(self, site: str) -> None:
        """Read what is stored again under the mapping of now, a batch at a time, until nothing is left. Stopped in
        between, the next one goes on where this one was: which mapping an arrival was read under stands beside it."""
        with self._flow.database.alone(f"replay {site}") as alone:
            if not alone:
                return
            again = 0
            while receipts := self._mending.replay(site):
                again += sum(receipt.digested for receipt in receipts)
                if self._asked_to_stop.is_set():
                    break
            log.info("%s: %d arrivals were read again", site, again)
        self.wake({site: False})

    def read_up(self, site: str, whole: bool = False) -> None:
        """Read what changed at a site's server since the last time; `whole` reads all of it again."""
        with self._flow.database.alone(f"read up {site}") as alone:
            if not alone:
                return
            try:
                cursor = self._flow.cursor(site, "poll").value
                for batch in self._catch_up(site, cursor, whole):
                    came = [Arrival(site, "poll", batch.body)] if batch.body is not None else []
                    self._flow.accept(came, Cursor(site, "poll", batch.cursor))
                problem = ""
            except RidgelineError as error:  # the server is down or refuses: the next schedule comes
                problem = str(error)
                log.warning("reading up %s: %s", site, problem)
            self._mending.note(Cursor(site, "reading", {"problem": problem}))
        self.wake({site: False})

    def renew(self, site: str) -> None:
        """Keep the site's subscriptions alive: they end, and a server gives up on us after a few failures."""
        try:
            self._renew(site)
        except RidgelineError as error:  # tomorrow again; meanwhile the server is read on its schedule
            log.warning("renewing the subscriptions at %s: %s", site, error)
            self._mending.note(Cursor(site, "subscription", {"problem": str(error)}))

    def reassess(self, site: str) -> None:
        """Decide what the day that has begun changes, and after a start what another edition does; then
        bring the figures up to date."""
        with self._flow.database.alone(f"reassess {site}") as alone:
            if alone:
                changed = self._flow.reassess(site)
                log.info("%s: %d infants decided otherwise than before", site, changed)
                while self._flow.recount(site):
                    pass
        self.wake({site: False})

    # --- when ------------------------------------------------------------------------------------------------------

    def wake(self, sites: Mapping[str, bool]) -> None:
        """Something came in: let a worker publish, and read up where a server only rang the bell."""
        for site, rung in sites.items():
            if self._flow.sites[site].publish.channels:
                self._defer("publish", site)
            if rung and site in self._readable:
                self._defer("read-up", site)

    def _tick(self) -> None:
        for site in self._flow.overtaken():
            self._defer("reassess", site)
        for site, (to_digest, to_send) in self._flow.work().items():
            if to_send:
                self._defer("publish", site)
            if to_digest:
                self._defer("digest", site)
        for site in self._mending.asked():
            self._defer("replay", site)

    def _defer(self, name: str, site: str, **arguments: Any) -> None:
        with suppress(AlreadyEnqueued):  # one waits already: it will see what we saw
            self._deferring.configure_task(name, queue=QUEUE, queueing_lock=f"{name} {site}").defer(
                site=site, **arguments
            )

    # --- this process ----------------------------------------------------------------------------------------------

    def start(self, defer_only: bool = False) -> None:
        """Open the queue; unless `defer_only`, start the ticker and a worker in this process."""
        self._deferring.open()
        if defer_only:
            return
        started = threading.Event()
        self._worker = threading.Thread(target=self._work, args=(started,), name="worker", daemon=True)
        self._worker.start()
        started.wait()
        for site in self._flow.sites:
            self._defer("reassess", site)  # a start often follows a change
        self._tick()  # at once; a job for it, taken off the list once it has run, would race with a stop
        self._ticker.add_job(self._tick, IntervalTrigger(seconds=TICK))
        if self._copy is not None:
            self._copy()
            self._ticker.add_job(self._copy, IntervalTrigger(seconds=self._copy_every.total_seconds()))
        for site in sorted(self._readable):
            zone = self._flow.sites[site].timezone
            self._ticker.add_job(
                self._defer, IntervalTrigger(seconds=CATCH_UP.total_seconds(), jitter=60), ["read-up", site]
            )
            self._ticker.add_job(
                self._defer, CronTrigger(hour=NIGHT, jitter=600, timezone=zone), ["read-up", site], {"whole": True}
            )
            self._defer("read-up", site)
            if site in self._telling:
                self._ticker.add_job(self._defer, CronTrigger(hour=NIGHT, jitter=600, timezone=zone), ["renew", site])
        self._ticker.start()

    def stop(self) -> None:
        """Let running jobs finish, then end."""
        if self._ticker.running:
            self._ticker.shutdown(wait=True)
        if self._worker is not None and self._loop is not None:
            with suppress(RuntimeError):  # the worker ended by itself, and its loop with it
                self._loop.call_soon_threadsafe(self._asked_to_stop.set)
            self._worker.join()
        self._deferring.close()

    def _work(self, started: threading.Event) -> None:
        async def run() -> None:
            self._loop = asyncio.get_running_loop()
            started.set()
            # Whoever cancels a pool of connections while it opens waits for ever: let it open, then see.
            async with self._working.open_async():
                working = asyncio.create_task(
                    self._working.run_worker_async(
                        queues=[QUEUE], concurrency=CONCURRENCY, install_signal_handlers=False,
                        delete_jobs=DeleteJobCondition.ALWAYS, shutdown_graceful_timeout=30,
                    )
                )  # fmt: skip
                asked = asyncio.create_task(self._asked_to_stop.wait())
                await asyncio.wait([working, asked], return_when=asyncio.FIRST_COMPLETED)
                for task in (working, asked):
                    task.cancel()
                with suppress(asyncio.CancelledError):
                    await working

        try:
            asyncio.run(run())
        finally:
            started.set()


def _guarded(name: str, run: Callable[..., None]) -> Callable[..., None]:
    def guarded(site: str, **arguments: Any) -> None:
        try:
            run(site, **arguments)
        except Exception as error:
            raise JobFailed(f"{name} {site}: {type(error).__name__}") from None

    return guarded
