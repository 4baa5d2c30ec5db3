"""What has to be said and what was said: publications (our own FHIR endpoint, every version) and the outbox (other
servers). Both are written in the transaction of the decision they speak of."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, and_, func, insert, select, text, tuple_, update
from sqlalchemy.dialects.postgresql import insert as upsert

from service.store.tables import decisions, infants, outbox, publications


def current(connection: Connection, site: str, patients: Iterable[str]) -> dict[tuple[str, str, str], Row[Any]]:
    """Publications in force by (patient, step, type), each with when it was first made (`authored_on`)."""
    first = publications.alias("first")
    query = (
        select(publications, first.c.updated.label("authored_on"))
        .join(
            first,
            and_(
                first.c.site == publications.c.site, first.c.type == publications.c.type,
                first.c.id == publications.c.id, first.c.version == 1,
            ),
        )
        .where(publications.c.site == site, publications.c.current, publications.c.patient.in_(list(patients)))
    )  # fmt: skip
    return {(row.patient, row.step, row.type): row for row in connection.execute(query)}


@dataclass(frozen=True, slots=True)
class Version:
    """A new version of a ServiceRequest or Task, to be put in force after the version `before` (0: the first)."""

    body: Mapping[str, Any]
    before: int
    patient: str
    key: UUID
    step: str
    decision: int
    period: tuple[date, date] | None


def publish(connection: Connection, site: str, versions: Sequence[Version], now: datetime) -> None:
    """Put new versions in force."""
    if not versions:
        return
    old = [(str(v.body["resourceType"]), str(v.body["id"]), v.before) for v in versions if v.before]
    if old:
        connection.execute(
            update(publications)
            .where(publications.c.site == site)
            .where(tuple_(publications.c.type, publications.c.id, publications.c.version).in_(old))
            .values(current=False)
        )
    at = now.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    connection.execute(
        insert(publications),
        [
            {
                "site": site, "type": v.body["resourceType"], "id": v.body["id"], "version": v.before + 1,
                "patient": v.patient, "key": v.key, "step": v.step, "decision": v.decision,
                "status": v.body["status"], "owner": v.body.get("owner", {}).get("display") or "",
                "identifier": v.body["identifier"][0]["value"],
                "period_start": v.period and v.period[0], "period_end": v.period and v.period[1],
                "updated": now, "current": True,
                "body": {**v.body, "meta": {"versionId": str(v.before + 1), "lastUpdated": at}},
            }
            for v in versions
        ],
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Saying:
    """A channel is to bring its copy of a step up to date with a decision."""

    channel: str
    patient: str
    step: str
    decision: int


def say(connection: Connection, site: str, sayings: Sequence[Saying], now: datetime) -> None:
    """Let channels know. One row waits per channel and step: the newest decision is what counts."""
    if not sayings:
        return
    statement = upsert(outbox)
    connection.execute(
        statement.on_conflict_do_update(
            index_elements=["site", "channel", "patient", "step"],
            index_where=text("state = 'waiting'"),
            set_={"decision": statement.excluded.decision, "due_at": statement.excluded.due_at},
        ),
        [
            {"site": site, "channel": s.channel, "patient": s.patient, "step": s.step, "decision": s.decision,
             "due_at": now, "created_at": now}
            for s in sayings
        ],
    )  # fmt: skip


def lease(connection: Connection, site: str, now: datetime, until: datetime, limit: int) -> list[Row[Any]]:
    """What is to be said now, oldest first, taken until `until` so that no other worker says it too; with the
    decision, the infant, the step's status and when it was first announced."""
    task = publications.alias("task")
    first = publications.alias("first")
    query = (
        select(outbox, decisions.c.body, infants.c.key, infants.c.unit, task.c.status)
        .add_columns(first.c.updated.label("authored_on"))
        .join(decisions, and_(decisions.c.site == outbox.c.site, decisions.c.id == outbox.c.decision))
        .join(infants, and_(infants.c.site == outbox.c.site, infants.c.patient == outbox.c.patient))
        .join(
            task,
            and_(
                task.c.site == outbox.c.site, task.c.patient == outbox.c.patient, task.c.step == outbox.c.step,
                task.c.type == "Task", task.c.current,
            ),
        )
        .join(
            first,
            and_(first.c.site == task.c.site, first.c.type == "Task", first.c.id == task.c.id, first.c.version == 1),
        )
        .where(outbox.c.site == site, outbox.c.state == "waiting", outbox.c.due_at <= now)
        .order_by(outbox.c.due_at, outbox.c.id)
        .limit(limit)
        .with_for_update(of=outbox, skip_locked=True)
    )  # fmt: skip
    rows = list(connection.execute(query))
    taken = [row.id for row in rows]
    connection.execute(update(outbox).where(outbox.c.site == site, outbox.c.id.in_(taken)).values(due_at=until))
    return rows


def said(connection: Connection, site: str, id: int, decision: int, receipt: Mapping[str, Any], now: datetime) -> None:
    """This decision has been said, and this came back. A newer decision that took its place meanwhile still waits."""
    _finish(connection, site, id, decision, state="done", receipt=dict(receipt), sent_at=now, problem=None)


def refused(connection: Connection, site: str, id: int, decision: int, problem: str, now: datetime) -> None:
    """It will not be taken until somebody changes something."""
    _finish(connection, site, id, decision, state="refused", problem=problem, sent_at=now)


def put_off(connection: Connection, site: str, id: int, decision: int, problem: str, until: datetime) -> None:
    """Try again at `until`."""
    _finish(connection, site, id, decision, problem=problem, due_at=until)


def retry_refused(connection: Connection, site: str, now: datetime) -> int:
    """Say everything refused at the site once more, unless something newer is waiting already; how many."""
    waiting = select(outbox.c.patient, outbox.c.step).where(outbox.c.site == site, outbox.c.state == "waiting")
    latest = (
        select(func.max(outbox.c.id))
        .where(outbox.c.site == site)
        .group_by(outbox.c.channel, outbox.c.patient, outbox.c.step)
    )
    done = connection.execute(
        update(outbox)
        .where(outbox.c.site == site, outbox.c.state == "refused", outbox.c.id.in_(latest))
        .where(tuple_(outbox.c.patient, outbox.c.step).not_in(waiting))
        .values(state="waiting", due_at=now, sent_at=None)
    )
    return done.rowcount


def sites_waiting(connection: Connection, now: datetime) -> set[str]:
    """Sites with something to be said now."""
    query = select(outbox.c.site).where(outbox.c.state == "waiting", outbox.c.due_at <= now).distinct()
    return set(connection.execute(query).scalars())


def _finish(connection: Connection, site: str, id: int, decision: int, **values: Any) -> None:
    connection.execute(
        update(outbox)
        .where(outbox.c.site == site, outbox.c.id == id, outbox.c.decision == decision, outbox.c.state == "waiting")
        .values(attempts=outbox.c.attempts + 1, **values)
    )
