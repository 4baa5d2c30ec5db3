"""Copies for when there is no server: the list of each site and of all, and each site's round sheet of today, as files
that need nothing but a browser.

A file cannot know that it has grown old, so each says until when it is good; its time of change is the instant it was
made at, so that whoever watches over the folder sees as well when the writing stopped.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from service.flow import Flow
from service.web.pages import Pages
from service.web.round import RoundOf, lines_of
from service.web.rounds import draw_sheet

log = logging.getLogger(__name__)

EVERY: Final = timedelta(minutes=5)
"""How often the copies are written."""
GOOD_FOR: Final = timedelta(minutes=15)
"""How long one is good: two that failed may pass unnoticed, three may not."""

ALL: Final = "all-sites"


class Copies:
    """The copies in one folder, which is made where it is missing."""

    def __init__(self, flow: Flow, pages: Pages, folder: Path) -> None:
        self._flow, self._pages, self._folder = flow, pages, folder

    @property
    def names(self) -> list[str]:
        """The files: `all-sites.html`, `<site>.html` and `<site>-round.html` of every site."""
        return [name for name, _ in self._copies()]

    def write(self) -> list[str]:
        """Write all of them, each whole or not at all: whoever has one open never sees half of it. What cannot be
        written is logged, and keeps what it said before; the names of those files."""
        made = self._flow.clock()
        failed = []
        for name, draw in self._copies():
            try:
                _replace(self._folder / name, draw(made), made)
            except OSError as error:
                log.error("the downtime copy %s was not written: %s", name, os.strerror(error.errno or 0))
                failed.append(name)
            except Exception as error:  # whatever it is, the other files are written; its text may quote a row
                log.error("the downtime copy %s was not made: %s", name, type(error).__name__)
                failed.append(name)
        return failed

    def oldest(self) -> datetime | None:
        """When the oldest of the files was made; None where one is missing or the folder cannot be read."""
        try:
            times = [(self._folder / name).stat().st_mtime for name in self.names]
        except OSError:
            return None
        return datetime.fromtimestamp(min(times), UTC)

    def problem(self) -> str | None:
        """What is wrong with the copies, in a sentence without a name; None when all are good."""
        oldest = self.oldest()
        if oldest is None:
            return "at least one copy is missing: the folder of RIDGELINE_DOWNTIME cannot be written or read"
        if self._flow.clock() - oldest > GOOD_FOR:
            return f"the oldest copy was made at {oldest:%Y-%m-%dT%H:%MZ}: writing has stopped"
        return None

    # --- one file ----------------------------------------------------------------------------------------------------

    def _copies(self) -> Iterator[tuple[str, Callable[[datetime], str]]]:
        yield f"{ALL}.html", lambda made: self._list(None, made)
        for site in self._flow.sites:
            yield f"{site}.html", lambda made, site=site: self._list(site, made)  # type: ignore[misc]
            yield f"{site}-round.html", lambda made, site=site: self._round(site, made)  # type: ignore[misc]

    def _list(self, site: str | None, made: datetime) -> str:
        flow = self._flow
        return self._pages.worklist(
            flow.worklist(site), flow.today, made, census=flow.census(site), unread=flow.unread(site),
            site=site, self_contained=True, valid_until=self._pages.clock_time(made + GOOD_FOR, site),
        )  # fmt: skip

    def _round(self, site: str, made: datetime) -> str:
        flow, of = self._flow, RoundOf(site, self._flow.today(site))
        return draw_sheet(
            self._pages, lines_of(flow, of), of, site=flow.site(site), today=of.day, self_contained=True,
            policy=flow.policy_on(site, of.day), made_at=self._pages.clock_time(made, site),
            valid_until=self._pages.clock_time(made + GOOD_FOR, site),
        )  # fmt: skip


def _replace(path: Path, text: str, made: datetime) -> None:
    """The file with this text, in the place of what was there. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        # Readable by the folder's group and by nobody else: it holds names.
        with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o640), "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.utime(draft, (made.timestamp(), made.timestamp()))
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)
