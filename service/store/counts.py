"""Numbers about the rows, for a monitoring system: how many, never who. Each is answered from an index."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import text

from service.store.database import Database

PerSite = Mapping[str, int]
PerSiteAndWord = Mapping[tuple[str, str], int]


@dataclass(frozen=True, slots=True)
class Counts:
    """Rows at one moment. Keys are a site id, or (site id, state).

    `arrivals` counts those not digested; those that were are history and grow without end, so they are told by
    `numbered`, the last number given out, and `last_arrival`, when each site was last heard of.
    """

    arrivals: PerSiteAndWord
    numbered: int
    last_arrival: Mapping[str, datetime]
    infants: PerSiteAndWord
    overdue: PerSite
    outbox: PerSiteAndWord
    rejections: PerSite


def take_counts(database: Database, today: Mapping[str, date]) -> Counts:
    """Count once; `today` holds the calendar day of every site that is to be counted."""
    sites = {"sites": sorted(today), "days": [today[site] for site in sorted(today)]}
    with database.transaction() as connection:

        def pairs(sql: str) -> dict[tuple[str, str], int]:
            return {(row[0], row[1]): row[2] for row in connection.execute(text(sql), sites)}

        def singles(sql: str) -> dict[str, int]:
            return {row[0]: row[1] for row in connection.execute(text(sql), sites)}

        newest = connection.execute(
            text("""
                SELECT asked.site, newest.id, newest.received_at FROM unnest(CAST(:sites AS text[])) AS asked(site)
                CROSS JOIN LATERAL (SELECT id, received_at FROM arrivals WHERE arrivals.site = asked.site
                                    ORDER BY id DESC LIMIT 1) AS newest
            """),
            sites,
        ).all()
        return Counts(
            arrivals=pairs("""
                SELECT site, state, count(*) FROM arrivals
                WHERE site = ANY(:sites) AND state <> 'digested' GROUP BY site, state
            """),
            numbered=max((row.id for row in newest), default=0),
            last_arrival={row.site: row.received_at for row in newest},
            infants=pairs("SELECT site, state, count(*) FROM infants WHERE site = ANY(:sites) GROUP BY site, state"),
            overdue=singles("""
                SELECT infants.site, count(*) FROM infants
                JOIN unnest(CAST(:sites AS text[]), CAST(:days AS date[])) AS asked(site, today) USING (site)
                WHERE kind <> 'none' AND closes < asked.today GROUP BY infants.site
            """),
            outbox=pairs("""
                SELECT site, channel, count(*) FROM outbox
                WHERE site = ANY(:sites) AND state = 'waiting' GROUP BY site, channel
            """),
            rejections=singles("""
                SELECT site, count(*) FROM rejections
                WHERE site = ANY(:sites) AND superseded_at IS NULL GROUP BY site
            """),
        )
