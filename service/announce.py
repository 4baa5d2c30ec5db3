"""Say what was decided: publications and outbox rows in the decision's own transaction, other servers later."""

from __future__ import annotations

import logging
import secrets
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Row

from service.core.decision import Decision, from_json
from service.errors import RidgelineError, SiteUnavailable
from service.fhir import write
from service.fhir.sites import Site
from service.fhir.step import Status, Step, asked_for, is_done
from service.store import outbox
from service.store.database import Database

log = logging.getLogger(__name__)

Sender = Callable[[Step], Mapping[str, Any]]
"""Brings one step up to date somewhere and gives a receipt. Raises SiteUnavailable or SiteRefused."""

_FINAL: Final = ("completed", "cancelled", "entered-in-error")
_LEASE: Final = timedelta(minutes=2)
_LONGEST_WAIT: Final = 15 * 60.0


@dataclass(frozen=True, slots=True)
class Decided:
    """A new decision, its id, and the infant's opaque key and unit."""

    decision: Decision
    id: int
    key: UUID
    unit: str


@dataclass(frozen=True, slots=True)
class Sent:
    """What one round of publishing did: steps done, put off until the server answers, refused."""

    done: int = 0
    put_off: int = 0
    refused: int = 0


def announce(connection: Connection, site: Site, decided: Sequence[Decided], now: datetime) -> None:
    """Bring the publications of each decision up to date, and let the site's channels know of what changed.

    What a decision asks for is requested. What was requested and is asked for no longer is completed when what it
    asked for has been done, and else cancelled.
    """
    patients = [each.decision.patient for each in decided]
    current = outbox.current(connection, site.id, patients)
    known: dict[str, list[str]] = {}
    for patient, name, type in current:
        if type == "Task":
            known.setdefault(patient, []).append(name)
    versions: list[outbox.Version] = []
    sayings: list[outbox.Saying] = []
    for each in decided:
        patient = each.decision.patient
        asked = asked_for(each.decision)
        for name in dict.fromkeys((*asked, *sorted(known.get(patient, ())))):
            before = current.get((patient, name, "Task"))
            status = _status(name, name in asked, each.decision, before)
            if status is None:
                continue
            step = Step(
                site=site, key=str(each.key), patient=patient, name=name, status=status, decision=each.decision,
                evidence=each.decision.evidence, authored_on=now if before is None else before.authored_on,
                changed_at=now, unit=each.unit,
            )  # fmt: skip
            new = list(_versions(step, current, each.id))
            versions.extend(new)
            if new:
                sayings.extend(outbox.Saying(channel, patient, name, each.id) for channel in site.publish.channels)
    outbox.publish(connection, site.id, versions, now)
    outbox.say(connection, site.id, sayings, now)


def publish(
    database: Database, site: Site, senders: Mapping[str, Sender], clock: Callable[[], datetime], limit: int
) -> Sent:
    """Send what is due at the site. When its server cannot be reached, everything left is put off: full jitter, up to
    15 minutes, or what the server asked for. One site's outage holds up nobody else.

    Rows are leased before they are sent, so that nothing is locked while a server takes its time; a process that dies
    in between sends again after the lease, which the receiver does not see as a second Task.
    """
    now = clock()
    with database.transaction() as connection:
        rows = outbox.lease(connection, site.id, now, now + _LEASE, limit)
    done = refused = 0
    for position, row in enumerate(rows):
        try:
            receipt = senders[row.channel](_step(site, row, now))
        except SiteUnavailable as error:
            left = rows[position:]
            until = clock() + timedelta(seconds=_wait(row.attempts, error.retry_after))
            with database.transaction() as connection:
                for each in left:
                    outbox.put_off(connection, site.id, each.id, each.decision, str(error), until)
            log.warning("%s cannot be reached: %d steps put off", site.id, len(left))
            return Sent(done, len(left), refused)
        except (
            Exception
        ) as error:  # refused there, or not to be said as it stands: it must not hold up what is behind it
            refused += 1
            problem = str(error) if isinstance(error, RidgelineError) else type(error).__name__
            log.error("outbox row %d for %s was not taken: %s", row.id, site.id, type(error).__name__)
            with database.transaction() as connection:
                outbox.refused(connection, site.id, row.id, row.decision, problem, clock())
        else:
            done += 1
            with database.transaction() as connection:
                outbox.said(connection, site.id, row.id, row.decision, receipt, clock())
    return Sent(done, 0, refused)


def _status(name: str, asked: bool, decision: Decision, before: Row[Any] | None) -> Status | None:
    """What becomes of a step: asked for, done with, called off, or (None) no business of this decision."""
    if asked:
        return "requested"
    if before is None or before.status in _FINAL:
        return None
    return "completed" if is_done(name, decision) else "cancelled"


def _versions(step: Step, current: Mapping[tuple[str, str, str], Row[Any]], decision: int) -> Iterator[outbox.Version]:
    """The step's resources where they say something new."""
    window = step.asked[0].window if step.asked else None
    period = (window.opens, window.closes) if window is not None else None
    for body in (write.service_request(step, "facade"), write.task(step, "facade")):
        if body is None:
            continue
        before = current.get((step.patient, step.name, body["resourceType"]))
        if before is None or _content(before.body) != _content(body):
            yield outbox.Version(
                body,
                0 if before is None else int(before.version),
                step.patient,
                UUID(step.key),
                step.name,
                decision,
                period,
            )


def _content(body: Mapping[str, Any]) -> dict[str, Any]:
    """A resource without what changes at every writing."""
    return {key: value for key, value in body.items() if key not in ("meta", "lastModified")}


def _step(site: Site, row: Row[Any], now: datetime) -> Step:
    decision = from_json(row.body)
    return Step(
        site=site, key=str(row.key), patient=row.patient, name=row.step, status=row.status, decision=decision,
        evidence=decision.evidence, authored_on=row.authored_on, changed_at=now, unit=row.unit,
    )  # fmt: skip


def _wait(attempts: int, asked: float | None) -> float:
    """Seconds to the next try: full jitter up to twice as long after each, at most 15 minutes; never sooner than the
    server asked."""
    longest = min(_LONGEST_WAIT, 2.0 ** min(attempts + 1, 20))
    jitter = longest * secrets.randbelow(1001) / 1000
    return max(jitter, asked or 0.0, 0.05)
