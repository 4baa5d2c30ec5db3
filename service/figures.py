"""The figures of a site: whoever changed is counted again, everybody else as kept."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from service.core.figures import Tally, appraise, tally
from service.fhir.sites import Site
from service.recall import people
from service.store import figures, infants
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


class Counted:
    """The figures of every site: what is kept in the database, and what was shown last, for whoever asks again."""

    def __init__(self, database: Database, editions: Editions) -> None:
        self._database, self._editions = database, editions
        self._shown: dict[str, tuple[tuple[date, date, int], datetime, Figures]] = {}

    def figures(self, site: Site, today: date, since: date, now: datetime) -> Figures:
        """What is counted of things settled on the day `since` or later and before today. Counts whoever changed first,
        as far as that is quick; asked again before anything came in or was decided, answers as before."""
        with self._database.transaction() as connection:
            mark = (today, since, infants.high_water(connection, [site.id])[site.id])
        kept = self._shown.get(site.id)
        if kept is not None and kept[0] == mark:
            return kept[2]
        waiting = self.recount(site, today, kept and kept[1])
        with self._database.transaction() as connection:
            found = Figures(site.id, today, tally(figures.counted(connection, site.id, since), today), waiting)
        if not waiting:
            self._shown[site.id] = (mark, now, found)
        return found

    def recount(self, site: Site, today: date, since: datetime | None = None, limit: int = AT_ONCE) -> int:
        """Count again whoever changed since they were counted, a limited number at a time; how many are left. Where
        everybody was counted at an instant `since`, only who changed about then or later is looked at."""
        with self._database.transaction() as connection:
            rows = figures.stale(connection, site.id, limit, None if since is None else since - OVERLAP)
            if not rows:
                return 0
            spans = self._editions.spans(connection, site, today)
            counted = [
                (person.patient, rows[person.patient].changed_at, appraise(person.infant, person.course, spans, today))
                for person in people(connection, site, rows)
            ]
            figures.keep(connection, site.id, counted)
            return figures.count_stale(connection, site.id) if len(rows) == limit else 0
