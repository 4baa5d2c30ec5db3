"""The list to take away: cells for a spreadsheet (CSV, XLSX) and days for a calendar (iCalendar, RFC 5545).

A calendar leaves the hospital's own machines more easily than a page does: it names nobody unless the site's file says
so (`[calendar] names = true`). A text that a spreadsheet would run as a formula is kept a text.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final, cast
from zoneinfo import ZoneInfo

from fastapi import APIRouter
from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Font
from openpyxl.worksheet._write_only import WriteOnlyWorksheet
from starlette.responses import Response

from service.core.decision import on_day
from service.core.worklist import Entry, days_over
from service.errors import NotFound
from service.fhir.sites import Site
from service.terminal import clean, write_csv
from service.web.api import AsOf
from service.web.looking import Look
from service.web.view import describe, flag_bookings, say_standing, say_task
from service.web.words import _

HEADINGS: Final = (
    "rank", "site", "unit", "bed", "name", "identifier", "standing", "task", "opens", "due", "closes", "days_over",
    "gestational_age_at_birth", "birth_weight_g", "postnatal_days", "postmenstrual_age", "left_hospital", "policy",
    "rule", "reason", "source", "flags", "clock_runs_out", "eye", "also", "exams", "treatments", "booked",
)  # fmt: skip
_DAYS: Final = ("opens", "due", "closes")

CSV: Final = "text/csv; charset=utf-8"
XLSX: Final = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
ICS: Final = "text/calendar; charset=utf-8"

Cell = str | int | None


def list_cells(
    entries: Iterable[Entry], today: Mapping[str, date], site_names: Mapping[str, str]
) -> Iterator[Sequence[Cell]]:
    """The cells of the list under HEADINGS; `today` holds each site's day."""
    for rank, entry in enumerate(entries, start=1):
        day, decision, window = today[entry.site], entry.decision, entry.window
        row, ages = describe(entry, day, site_names[entry.site]), on_day(entry.decision, day).ages
        booked = (" ".join(filter(None, [b.day.isoformat(), b.time, b.place, b.examiner])) for b in decision.bookings)
        yield (
            rank, entry.site, entry.unit, entry.bed, entry.name, entry.identifier, row.standing, row.task,
            window.opens.isoformat(), window.due.isoformat(), window.closes.isoformat(), days_over(entry, day),
            ages.gestation, decision.birth_weight, ages.postnatal_days, ages.postmenstrual,
            "yes" if entry.left_hospital else "no", f"{decision.policy} revision {decision.revision}",
            decision.next.reason.rule, decision.next.reason.text, decision.next.reason.cite,
            "; ".join([*flag_bookings(decision, day), *decision.flags]), decision.next.by, decision.next.eye,
            "; ".join(step.kind for step in decision.also), decision.exams, decision.treatments, "; ".join(booked),
        )  # fmt: skip


def write_xlsx(rows: Iterable[Sequence[Cell]]) -> bytes:
    """A workbook of one sheet: days are days and numbers are numbers, every text is a text and never a formula."""
    book = Workbook(write_only=True)
    sheet = cast(WriteOnlyWorksheet, book.create_sheet("list"))
    sheet.freeze_panes = "A2"
    headings = [WriteOnlyCell(sheet, heading) for heading in HEADINGS]
    for cell in headings:
        cell.font = Font(bold=True)
    sheet.append(headings)
    for row in rows:
        sheet.append([_cell(sheet, heading, value) for heading, value in zip(HEADINGS, row, strict=True)])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _cell(sheet: WriteOnlyWorksheet, heading: str, value: Cell) -> Any:
    if heading in _DAYS and isinstance(value, str):
        cell = WriteOnlyCell(sheet, datetime.fromisoformat(value))
        cell.number_format = "yyyy-mm-dd"
        return cell
    cell = WriteOnlyCell(sheet, clean(value) if isinstance(value, str) else value)
    if isinstance(value, str):
        cell.data_type = "s"  # openpyxl takes a text that begins with = for a formula
        cell.quotePrefix = True
    return cell


# --- a calendar ----------------------------------------------------------------------------------------------------


def write_ics(entries: Iterable[Entry], today: Mapping[str, date], sites: Mapping[str, Site], made: datetime) -> str:
    """A calendar of what the entries ask for: the days of each window, and each booking ahead.

    An entry whose site does not allow names is told by site and task alone; its UID is the opaque key. Times of a
    booking are the site's, written in UTC.
    """
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Ridgeline//list//EN", "CALSCALE:GREGORIAN", "METHOD:PUBLISH"]
    for entry in entries:
        lines += _window(entry, today[entry.site], sites[entry.site], made)
        lines += _bookings(entry, today[entry.site], sites[entry.site], made)
    return "".join(f"{_fold(line)}\r\n" for line in [*lines, "END:VCALENDAR"])


def _window(entry: Entry, today: date, site: Site, made: datetime) -> Iterator[str]:
    window, decision = entry.window, entry.decision
    task = say_task(entry.kind, decision.missing)
    said = [say_standing(entry, today), _("best on %(day)s", day=window.due.isoformat())]
    said += [f"{decision.policy} revision {decision.revision}: {decision.next.reason.rule}"]
    yield from _event(f"{entry.key}-{entry.kind}", _whose(entry, site, task), said, site, made)
    yield f"DTSTART;VALUE=DATE:{window.opens:%Y%m%d}"
    yield f"DTEND;VALUE=DATE:{window.closes + timedelta(days=1):%Y%m%d}"  # the day after, RFC 5545 3.6.1
    yield "TRANSP:TRANSPARENT"
    yield "END:VEVENT"


def _bookings(entry: Entry, today: date, site: Site, made: datetime) -> Iterator[str]:
    for each in entry.decision.bookings:
        if each.day < today:
            continue
        # Where and who was typed freely, and may name anybody.
        said = [each.place, each.examiner] if site.calendar_names else []
        title = _whose(entry, site, _("Booked: eye exam"))
        uid = f"{entry.key}-booked-{each.day.isoformat()}{each.time.replace(':', '')}"
        yield from _event(uid, title, [*filter(None, said)], site, made)
        if each.time:
            start = datetime.combine(each.day, time.fromisoformat(each.time), site.timezone).astimezone(UTC)
            yield f"DTSTART:{start:%Y%m%dT%H%M%SZ}"
            yield "DURATION:PT30M"  # half an hour is nobody's rule: an event has to end
        else:
            yield f"DTSTART;VALUE=DATE:{each.day:%Y%m%d}"
            yield f"DTEND;VALUE=DATE:{each.day + timedelta(days=1):%Y%m%d}"
        yield "END:VEVENT"


def _event(uid: str, title: str, said: Sequence[str], site: Site, made: datetime) -> Iterator[str]:
    yield "BEGIN:VEVENT"
    yield f"UID:{uid}@ridgeline.invalid"
    yield f"DTSTAMP:{made.astimezone(UTC):%Y%m%dT%H%M%SZ}"
    yield f"SUMMARY:{_escape(title)}"
    yield f"LOCATION:{_escape(site.name)}"
    if said:
        yield f"DESCRIPTION:{_escape('. '.join(said))}"
    yield "CLASS:CONFIDENTIAL"


def _whose(entry: Entry, site: Site, task: str) -> str:
    if not site.calendar_names:
        return f"{task} · {site.name}"
    who = " ".join(filter(None, [entry.name or _("Name not known"), entry.identifier, entry.bed]))
    return f"{task} · {who} · {site.name}"


def _escape(text: str) -> str:
    """A TEXT value (RFC 5545 3.3.11)."""
    return clean(text).replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")


def _fold(line: str) -> str:
    """A content line in pieces of at most 75 octets, none cut inside a character (RFC 5545 3.1)."""
    pieces: list[str] = []
    piece = ""
    for character in line:
        if len(f"{piece}{character}".encode()) > (75 if not pieces else 74):
            pieces.append(piece)
            piece = ""
        piece += character
    return "\r\n ".join([*pieces, piece])


# --- routes --------------------------------------------------------------------------------------------------------


def export_routes() -> APIRouter:
    """/list.csv, .xlsx, .ics and the same under /site/{id}: the list of a day, by `as_of`."""
    router = APIRouter(include_in_schema=False)

    def answer(look: Look, site: str | None, kind: str, as_of: date | None) -> Response:
        flow = look.flow
        entries = flow.worklist(site, as_of)
        today = {id: as_of or flow.today(id) for id in flow.sites}
        day = as_of or (flow.today(site) if site else flow.clock().astimezone(_zone(flow.sites)).date())
        name = f"ridgeline-{site or 'all'}-{day.isoformat()}.{kind}"
        headers = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
        if kind == "ics":
            return Response(write_ics(entries, today, flow.sites, flow.clock()), media_type=ICS, headers=headers)
        rows = list_cells(entries, today, {id: each.name for id, each in flow.sites.items()})
        if kind == "csv":
            # The mark at the beginning tells spreadsheets that it is UTF-8.
            return Response("\ufeff" + write_csv(HEADINGS, rows), media_type=CSV, headers=headers)
        return Response(write_xlsx(rows), media_type=XLSX, headers=headers)

    @router.api_route("/list.{ending}", methods=["GET", "HEAD"])
    def all_sites(look: Look, ending: str, as_of: AsOf = None) -> Response:
        return answer(look, None, _known(ending), as_of)

    @router.api_route("/site/{id}/list.{ending}", methods=["GET", "HEAD"])
    def one_site(look: Look, id: str, ending: str, as_of: AsOf = None) -> Response:
        return answer(look, id, _known(ending), as_of)

    return router


def _known(ending: str) -> str:
    if ending not in ("csv", "xlsx", "ics"):
        raise NotFound("the list is given as list.csv, list.xlsx or list.ics")
    return ending


def _zone(sites: Mapping[str, Site]) -> ZoneInfo:
    zones = {site.timezone for site in sites.values()}
    return zones.pop() if len(zones) == 1 else ZoneInfo("UTC")
