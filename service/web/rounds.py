"""Pages of a round: the sheet of a day, booking many infants for it at once, and typing it in afterwards."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final
from uuid import UUID, uuid4, uuid5

import orjson
from fastapi import APIRouter
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse, Response

from service.core.course import Booking
from service.errors import Forbidden, NotUnderstood
from service.fhir.forms import fill
from service.flow import ONLY_LOOKS, InfantView
from service.store.arrivals import Arrival
from service.web.entry import Given, says_already
from service.web.looking import Look, Looking
from service.web.past import HAND, version_of
from service.web.round import MOST_AHEAD, ORDERS, Line, RoundOf, ahead_of, days_from, lines_of, next_on_sheet, order_of
from service.web.sheets import SHEETS
from service.web.typed import first, read
from service.web.view import capitalize, count_days, say_booking, say_day, say_steps
from service.web.words import _, ngettext_

MOST_BOOKED: Final = 100
"""Infants that can be booked at once."""


@dataclass(frozen=True, slots=True)
class Consequence:
    """What a booking means for one infant: what is asked for and by when, and what to weigh."""

    line: Line
    task: str
    dates: str
    warnings: tuple[str, ...]


def weigh_booking(seen: InfantView, day: date, today: date) -> Iterator[str]:
    """What to weigh before an infant is booked for a day."""
    window = seen.decision.next.window
    if window is None:
        yield _("Nothing is due: the booking is kept, and nothing asks for it.")
    elif day > window.closes:
        yield _(
            "After the window closes: %(days)s after the last day, %(last)s. It counts as overdue until then.",
            days=count_days((day - window.closes).days), last=say_day(window.closes, today),
        )  # fmt: skip
    elif day < window.opens:
        yield _(
            "Before the window opens, %(opens)s: %(days)s early.",
            opens=say_day(window.opens, today), days=count_days((window.opens - day).days),
        )  # fmt: skip
    for each in seen.decision.bookings:
        said = say_booking(each, today)
        if each.day == day:
            yield _("Booked for this day already: %(booking)s.", booking=said)
        elif each.day >= today:
            yield _("Booked already for %(booking)s. That booking stands beside this one.", booking=said)
        else:
            yield _("Missed before: %(booking)s.", booking=said)


# --- booking many --------------------------------------------------------------------------------------------------


class ManyBooked:
    """Books the ticked infants of one site for one day: shown first, then saved, each booking a record of its own."""

    def __init__(self, look: Looking, of: RoundOf, given: Mapping[str, list[str]]) -> None:
        if not look.enters:
            raise Forbidden(ONLY_LOOKS)
        self._flow, self._of, self._recorder = look.flow, of, str(look.person.id or "")
        self.site = look.flow.site(of.site)
        self.now = look.flow.clock().astimezone(self.site.timezone)
        typed = {**given, "on": [self.now.date().isoformat()], "date": [of.day.isoformat()]}
        self.answers = read(SHEETS["book"], typed, self.now)
        self.lines = [line for line in lines_of(look.flow, of) if line.key in given.get("infant", ())]
        self.problems = dict(self.answers.problems)
        if "date" in self.problems:
            self.problems["date"] = _("This day is over: nothing can be booked for it.")
        if not self.lines:
            self.problems["infant"] = _("Nobody is ticked: tick the infants to be booked.")
        if len(self.lines) > MOST_BOOKED:
            self.problems["infant"] = _("Too many at once: tick at most %(most)s infants.", most=MOST_BOOKED)
        try:
            self.batch = UUID(first(given, "batch"))
        except ValueError:
            raise HTTPException(400, "This is not a page as it was sent from here. Nothing was saved.") from None
        if not self.problems:
            try:
                self._bodies = {line.key: self._body(look.flow.infant(line.key)) for line in self.lines}
            except NotUnderstood as error:
                self.problems[""] = f"{capitalize(str(error))}."
        self.seen = {} if self.problems else {line.key: look.flow.infant(line.key) for line in self.lines}

    @property
    def booking(self) -> Booking:
        """What is booked, of anybody."""
        value = {key: str(self.answers.value.get(key, "")) for key in ("time", "place", "examiner", "by")}
        return Booking(self.now.date(), self._of.day, **value)

    def consequences(self) -> list[Consequence]:
        """One for each infant, in the order of the sheet."""
        today = self.now.date()
        found = []
        for line in self.lines:
            seen = self.seen[line.key]
            asked = say_steps(seen.decision, today)
            warnings = tuple(weigh_booking(seen, self._of.day, today))
            task, dates = (asked[0].task, asked[0].dates) if asked else (_("Nothing is due"), "")
            found.append(Consequence(line, task, dates, warnings))
        return found

    @property
    def digest(self) -> str:
        """Changes with who is booked for what, and with what follows from it: what was shown is what is saved."""
        shown = [[each.line.key, each.task, each.dates, each.warnings] for each in self.consequences()]
        text = json.dumps([self.answers.digest, str(self.batch), shown])
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    def kept(self) -> bool:
        """Whether all of these bookings are on record already: the page was sent twice."""
        return all(self._stands(key) and self._says(key) for key in self.seen)

    def taken(self) -> bool:
        """Whether something else was saved under the names of these bookings: the page was sent twice, with changes."""
        return any(self._stands(key) and not self._says(key) for key in self.seen)

    def _stands(self, key: str) -> bool:
        return version_of(self.seen[key], self._id(key)) > 0

    def _says(self, key: str) -> bool:
        return says_already(self.seen[key], self._bodies[key], self._id(key), 1)

    def save(self) -> bool:
        """Keep all of them in one transaction. Whether all could be worked out at once."""
        receipts = self._flow.accept([Arrival(self.site.id, HAND, body) for body in self._bodies.values()])
        return all(receipt.digested for receipt in receipts)

    def _id(self, key: str) -> str:
        return str(uuid5(self.batch, key))

    def _body(self, seen: InfantView) -> bytes:
        return orjson.dumps(
            fill(
                "booking", self.answers.value, id=self._id(seen.key), version=1, patient=seen.patient,
                author=self.answers.author, authored=self.now, recorder=self._recorder,
            )
        )  # fmt: skip


# --- pages ---------------------------------------------------------------------------------------------------------


def draw_sheet(pages: Any, lines: Sequence[Line], of: RoundOf, **more: Any) -> str:
    """The sheet as a page; `more` are values of the template. Self-contained, it has no links and no forms."""
    listed = [line for line in lines if line.listed]
    values = {
        "problems": {}, "typed": {}, "batch": "", "saved": "", "others": (), "can_book": False, "orders": ORDERS,
        "ahead_days": range(MOST_AHEAD + 1), "self_contained": False, "valid_until": "", "made_at": "", "name": "",
        **more,
    }  # fmt: skip
    done = sum(bool(line.done) for line in listed)
    return str(pages.render("round.html", here=of.site, of=of, lines=listed, done=done, **values))


def round_routes() -> APIRouter:
    """/round, /site/{id}/round, /site/{id}/round/{day} (also to book), and …/typing."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    safe = ["GET", "HEAD"]

    def sheet(look: Looking, of: RoundOf, status: int = 200, **more: Any) -> Response:
        lines, today = lines_of(look.flow, of), look.flow.today(of.site)
        return HTMLResponse(
            draw_sheet(
                look.pages, lines, of, site=look.flow.site(of.site), today=today,
                policy=look.flow.policy_on(of.site, of.day), can_book=of.day >= today and look.enters,
                others=[line for line in lines if not line.listed],
                **{"batch": str(uuid4()), "name": look.person.name, **more},
            ),
            status,
        )  # fmt: skip

    @router.api_route("/round", methods=safe)
    def all_rounds(look: Look) -> Response:
        flow = look.flow
        sites = [(site, list(days_from(flow.today(site.id), 7))) for site in flow.sites.values()]
        return HTMLResponse(look.pages.render("rounds.html", here="round", sites=sites))

    @router.api_route("/site/{id}/round", methods=safe)
    def today(look: Look, id: str) -> Response:
        return sheet(look, RoundOf(id, look.flow.today(id)))

    @router.api_route("/site/{id}/round/{day}", methods=safe)
    def one(
        look: Look, id: str, day: date, order: str = "bed", ahead: str = "0", saved: str = "", n: int = 0
    ) -> Response:
        look.flow.site(id)
        said = {
            "booked": ngettext_("%(n)s infant is booked. What is due stays due as it was.",
                                "%(n)s infants are booked. What is due stays due as it was.", n),
            "waiting": _("It is kept, but could not be worked out just now. It will be tried again by itself."),
        }.get(saved, "")  # fmt: skip
        return sheet(look, RoundOf(id, day, order_of(order), ahead_of(ahead)), saved=said)

    @router.api_route("/site/{id}/round/{day}", methods=["POST"])
    def book(look: Look, id: str, day: date, given: Given) -> Response:
        order, ahead = first(given, "order") or "bed", first(given, "ahead") or "0"
        of = RoundOf(id, day, order_of(order), ahead_of(ahead))
        many = ManyBooked(look, of, given)
        if many.problems:
            return sheet(look, of, 422, problems=many.problems, typed=given, batch=str(many.batch))
        if many.taken():
            again = {**given, "batch": [str(uuid4())]}
            note = _("This page was saved before, with other words. Look at what would be booked now.")
            return confirm(look, of, ManyBooked(look, of, again), again, note, 409)
        if many.kept():
            return RedirectResponse(f"{of.path}?{of.query}&saved=booked&n={len(many.lines)}", 303)
        if first(given, "do") != "save" or first(given, "shown") != many.digest:
            changed = first(given, "do") == "save"
            note = _("This is not what was shown before. Look at what follows now, then save.") if changed else ""
            return confirm(look, of, many, given, note)
        what = "booked" if many.save() else "waiting"
        return RedirectResponse(f"{of.path}?{of.query}&saved={what}&n={len(many.lines)}", 303)

    def confirm(
        look: Looking, of: RoundOf, many: ManyBooked, given: Mapping[str, list[str]], note: str, status: int = 200
    ) -> Response:
        consequences = many.consequences()
        page = look.pages.render(
            "book-many.html", here=of.site, of=of, site=many.site, today=many.now.date(), note=note, typed=given,
            booking=say_booking(many.booking, many.now.date()), consequences=consequences, batch=str(many.batch),
            digest=many.digest, weighed=sum(bool(each.warnings) for each in consequences),
        )  # fmt: skip
        return HTMLResponse(page, status)

    @router.api_route("/site/{id}/round/{day}/typing", methods=safe)
    def typing(
        look: Look, id: str, day: date, order: str = "bed", ahead: str = "0", after: str = "", saved: str = ""
    ) -> Response:
        site = look.flow.site(id)
        of = RoundOf(id, day, order_of(order), ahead_of(ahead))
        lines = lines_of(look.flow, of)
        here = next((line for line in lines if line.key == after), None)
        steps = say_steps(look.flow.infant(here.key).decision, look.flow.today(id)) if here else ()
        page = look.pages.render(
            "typing.html", here=id, of=of, site=site, today=look.flow.today(id), before=here, steps=steps,
            saved=SHEETS[saved].saved if here and saved in SHEETS else "", following=next_on_sheet(lines, after),
            lines=[line for line in lines if line.listed],
        )  # fmt: skip
        return HTMLResponse(page)

    return router
