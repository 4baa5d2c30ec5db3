"""FHIR dates and times to calendar days at the site, and to UTC text that sorts.

Days are what the rules count, so a time is turned into the day it was *there*. What cannot be read as a time gives
None: these dates order and annotate facts; only the date of birth is worth a rejection (see `patients`).
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta, tzinfo

_DATE = re.compile(r"(\d{4})(?:-(\d{2})(?:-(\d{2}))?)?")
_TIME = re.compile(
    r"(?P<day>\d{4}-\d{2}-\d{2})[T ](?P<hour>\d{2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:\.(?P<part>\d+))?)?"
    r"(?P<zone>Z|z|[+-]\d{2}:?\d{2})?"
)
FIRST_YEAR, LAST_YEAR = 1850, 2199
"""Dates outside are typing errors; the bounds keep date arithmetic safe."""


def read_days(text: str) -> tuple[date, date] | None:
    """First and last day of `2025-11-01`, `2025-11` or `2025`; None when it is no such date."""
    match = _DATE.fullmatch(text)
    if match is None:
        return None
    year, month, day = int(match[1]), match[2], match[3]
    if not FIRST_YEAR <= year <= LAST_YEAR:
        return None
    try:
        low = date(year, int(month or 1), int(day or 1))
    except ValueError:
        return None
    if day:
        return low, low
    following = date(year + 1, 1, 1) if month in (None, "12") else date(year, int(month) + 1, 1)
    return low, following - timedelta(days=1)


def read_instant(text: str, zone: tzinfo) -> datetime | None:
    """The moment a dateTime names, in UTC. Seconds and offset may be missing (common, though FHIR asks for them):
    without offset the time is the site's. A date without time is its first moment at the site."""
    match = _TIME.fullmatch(text)
    if match is None:
        days = read_days(text)
        return None if days is None else datetime.combine(days[0], time(), zone).astimezone(UTC)
    days = read_days(match["day"])
    try:
        at = time(int(match["hour"]), int(match["minute"]), int(match["second"] or 0) - (match["second"] == "60"))
        offset = _offset(match["zone"], zone)
    except ValueError:
        return None
    if days is None:
        return None
    part = int(((match["part"] or "") + "000000")[:6])
    return datetime.combine(days[0], at.replace(microsecond=part), offset).astimezone(UTC)


def sortable(moment: datetime) -> str:
    """`2025-11-01T03:12:00.000000Z`: text that sorts as the moments do."""
    return moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def read_sortable(text: str | None, zone: tzinfo) -> str | None:
    """`sortable` of a FHIR date, dateTime or instant; None when it cannot be read."""
    moment = None if text is None else read_instant(text, zone)
    return None if moment is None else sortable(moment)


def read_local_day(text: str | None, zone: tzinfo) -> date | None:
    """The calendar day at the site of a date or dateTime; None when it is partial or cannot be read."""
    if text is None:
        return None
    if days := read_days(text):
        return days[0] if days[0] == days[1] else None
    moment = read_instant(text, zone)
    return None if moment is None else moment.astimezone(zone).date()


def _offset(text: str | None, zone: tzinfo) -> tzinfo:
    if text is None:
        return zone
    return UTC if text in "Zz" else datetime.strptime(text.replace(":", ""), "%z").tzinfo or UTC
