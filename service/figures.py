"""The figures of a site: whoever changed is counted again, everybody else as kept."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from service.core.figures import Tally, appraise, tally
from service.fhir.sites import Site
from service.recall import people
from service.store import figures
from service.store.database import Database
from service.store.editions import Editions

OVERLAP: Final = timedelta(minutes=10)
"""What was changed may be seen so much later than the instant it carries: its transaction had to end first."""
AT_ONCE: Final = 1000
"""Infants counted again within one question, at most: about a second."""


@dataclass(frozen=True, slots=True)
class Figures:
    """What was counted at a site up to the day before `today`; `waiting` infants changed and are not counted again
    yet: what is kept of them is out of date."""

    site: str
    today: date
    tally: Tally
    waiting: int


def recount(
    database: Database, site: Site, editions: Editions, today: date, since: datetime | None = None,
    limit: int = AT_ONCE,
) -> int:  # fmt: skip
    """Count again whoever changed since they were counted, a limited number at a time; how many are left. Where
    everybody was counted at an instant `since`, only who changed about then or later is looked at."""
    with database.transaction() as connection:
        rows = figures.stale(connection, site.id, limit, None if since is None else since - OVERLAP)
        if not rows:
            return 0
        spans = editions.spans(connection, site, today)
        figures.keep(
            connection, site.id,
            [
                (person.patient, rows[person.patient].changed_at, appraise(person.infant, person.course, spans, today))
                for person in people(connection, site, rows)
            ],
        )  # fmt: skip
        return figures.count_stale(connection, site.id) if len(rows) == limit else 0


def look_up(database: Database, site: Site, today: date, since: date, waiting: int) -> Figures:
    """What is kept of a site, of things settled on the day `since` or later."""
    with database.transaction() as connection:
        return Figures(site.id, today, tally(figures.counted(connection, site.id, since), today), waiting)
