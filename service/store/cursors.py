"""How far each feed has come at each site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, select
from sqlalchemy.dialects.postgresql import insert as upsert

from service.store.tables import cursors


@dataclass(frozen=True, slots=True)
class Cursor:
    """How far a feed has come at a site, in the feed's own words."""

    site: str
    feed: str
    value: Mapping[str, Any]


def read(connection: Connection, site: str, feed: str) -> Mapping[str, Any]:
    """What the feed kept last; {} when it never kept anything."""
    query = select(cursors.c.value).where(cursors.c.site == site, cursors.c.feed == feed)
    return connection.execute(query).scalar() or {}


def of_feed(connection: Connection, feed: str) -> dict[str, Mapping[str, Any]]:
    """How far one feed has come, by site."""
    query = select(cursors.c.site, cursors.c.value).where(cursors.c.feed == feed)
    return {row.site: row.value for row in connection.execute(query)}


def keep(connection: Connection, site: str, feed: str, value: Mapping[str, Any], now: datetime) -> None:
    """Keep how far the feed has come: in the transaction that accepts what it brought."""
    statement = upsert(cursors).values(site=site, feed=feed, value=dict(value), updated_at=now)
    connection.execute(
        statement.on_conflict_do_update(
            index_elements=["site", "feed"],
            set_={"value": statement.excluded.value, "updated_at": statement.excluded.updated_at},
        )
    )
