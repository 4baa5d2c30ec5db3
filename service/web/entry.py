"""Typing in at the bedside: a sheet, what would follow from it, and only then saving.

What is typed takes the one way in that everything takes: it becomes a QuestionnaireResponse, is tried out
(`Flow.try_out`), shown, and accepted as an arrival of the feed "hand". A record keeps its id from the moment the empty
sheet is shown, and a correction is the next version of the same id, so that pressing twice saves once and nothing is
written over that the person has not seen. Whoever is signed in is offered as the author and kept beside the name typed.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Annotated, Any, Final
from urllib.parse import parse_qs
from uuid import UUID, uuid4

import orjson
from fastapi import APIRouter, Depends
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from service.core.findings import SIDES, Side, parse_exam
from service.core.infant import Fact
from service.errors import ConfigurationError, Forbidden, NotFound, NotUnderstood
from service.fhir.forms import fill
from service.fhir.read import read_body
from service.fhir.step import is_closed
from service.flow import ONLY_LOOKS, InfantView
from service.store.arrivals import Arrival
from service.web import typed as sheet_typed
from service.web.looking import Look, Looking, Person
from service.web.past import HAND, Written, say_details, say_fact, version_of, written
from service.web.retina import draw_retina
from service.web.round import back_to_round, start_typed
from service.web.sheets import EYE, EYES, SHEETS, Sheet
from service.web.typed import SAME, Answers, as_drawn, first
from service.web.view import Asked, capitalize, say_dates_in, say_steps
from service.web.weigh import bookings, last_time, say_before, warn
from service.web.words import _

MOST_BYTES: Final = 64 * 1024
"""The largest body that a sheet can be sent as."""


@dataclass(frozen=True, slots=True)
class Follows:
    """What would follow if a sheet were saved: what would be on record, what could not be read of it, what is asked for
    then and was asked for before, what to weigh, what is said of the infant then that is, or is not, new, and each eye
    in all the words there are for it."""

    says: tuple[tuple[str, str], ...]
    refused: tuple[str, ...]
    steps: tuple[Asked, ...]
    before: tuple[Asked, ...]
    warnings: tuple[str, ...]
    flags: tuple[str, ...]
    as_before: tuple[str, ...]
    state: str
    eyes: tuple[tuple[Side, str], ...] = ()


async def read_typed(request: Request) -> dict[str, list[str]]:
    """The fields of a form as they were sent. Raises HTTPException for what is no form, or too large."""
    if request.headers.get("content-type", "").partition(";")[0] != "application/x-www-form-urlencoded":
        raise HTTPException(415, _("This is not a form as a browser sends it."))
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_BYTES:
            raise HTTPException(413, _("This is more than a form can hold. Nothing was saved."))
    try:
        return parse_qs(body.decode(), keep_blank_values=True, strict_parsing=bool(body), max_num_fields=300)
    except ValueError:
        raise HTTPException(400, _("The form cannot be read. Nothing was saved.")) from None


class Bedside:
    """Shows sheets, tries out what was typed, and saves it."""

    def __init__(self, look: Looking) -> None:
        self._flow, self._pages, self._look = look.flow, look.pages, look

    # --- a sheet -----------------------------------------------------------------------------------------------------

    def show(self, key: str, path: str, id: str | None = None, round: str = "") -> Response:
        """An empty sheet, or one filled in with what is on record under an id, to be corrected. `round`: opened from
        the sheet of a round, to which it leads back."""
        sheet, seen, now = self._open(key, path)
        if path == "reopen":
            closing = _closing(seen)
            return self._sheet(sheet, seen, now, self._start(sheet, now), closing.id, closing.version)
        if id is None:
            typed = self._start(sheet, now)
            typed = start_typed(typed, round, now) if round else typed
            return self._sheet(sheet, seen, now, typed, str(uuid4()), 0)
        known = _find(seen, path, id)
        typed = sheet_typed.typed_of(sheet, known.says) or self._start(sheet, now)  # opened again: nothing of it stands
        return self._sheet(sheet, seen, now, typed, id, known.version, known=known)

    def take(self, key: str, path: str, given: Mapping[str, list[str]]) -> Response:
        """What was typed: shown with what would follow, or saved where that has been seen."""
        sheet, seen, now = self._open(key, path)
        if path == "newborn" and "id" not in given and first(given, "do") == "show":
            given = {**given, "id": [str(uuid4())], "base": ["0"]}  # from the form in place on a list
        id, base = _address(given)
        known = next((each for each in written(seen) if each.id == id), None)
        if (wanted := first(given, "do").removeprefix("last.")) in SIDES and sheet.eyes:
            return self._sheet(sheet, seen, now, _take_over(seen, given, wanted, now.date()), id, base, known=known)
        answers = sheet_typed.read(sheet, given, now, _born(seen))
        basis = seen.course.until(now.date()).basis
        moved = path == "close" and first(given, "basis") != basis
        if path == "close":
            answers = replace(answers, value={**answers.value, "basis": basis})
        if not answers.problems:
            try:
                self._body(sheet, seen, answers, id, base + 1, now)
            except NotUnderstood as error:
                answers = replace(answers, problems={"": f"{capitalize(str(error))}."})
        if answers.problems:
            return self._sheet(sheet, seen, now, given, id, base, answers, known=known, status=422)
        stands = version_of(seen, id)
        if stands > base:
            if says_already(seen, self._body(sheet, seen, answers, id, stands, now), id, stands):
                return _saved(seen, path, id, given)
            return self._conflict(sheet, seen, now, given, id, stands, answers)
        body = self._body(sheet, seen, answers, id, base + 1, now)
        follows = self._try(sheet, seen, body, f"QuestionnaireResponse/{id}", base + 1, now.date(), answers)
        ready = first(given, "do") == "save" and first(given, "shown") == answers.digest and not follows.refused
        if not ready or moved:
            note = ""
            if moved:
                note = _(
                    "An exam or a treatment came in, or was changed, since this page was opened. Look at it again."
                )
            elif first(given, "do") == "save" and not follows.refused:
                note = _("This is not what was shown before. Look at what follows now, then save.")
            return self._sheet(sheet, seen, now, given, id, base, answers, follows, known, note)
        (receipt,) = self._flow.accept([Arrival(seen.site.id, HAND, body)])
        if not receipt.digested:
            return _saved(seen, "waiting", id, given)
        if not receipt.facts:  # somebody saved the same version a moment before
            seen = self._flow.infant(key)
            if not says_already(seen, body, id, base + 1):
                return self._conflict(sheet, seen, now, given, id, version_of(seen, id), answers)
        return _saved(seen, path, id, given)

    def _conflict(
        self, sheet: Sheet, seen: InfantView, now: datetime, given: Mapping[str, list[str]], id: str, stands: int,
        answers: Answers,
    ) -> Response:  # fmt: skip
        known = next((each for each in written(seen) if each.id == id), None)
        note = _(
            "Something else was saved here since this page was opened. What you typed is not saved, and not lost: it "
            "is below. Compare it with what is on record now; if yours is right, let it be shown again and save it."
        )
        return self._sheet(sheet, seen, now, given, id, stands, answers, known=known, note=note, status=409)

    # --- entered in error --------------------------------------------------------------------------------------------

    def show_error(self, key: str, path: str, id: str) -> Response:
        """What would follow if something typed in here were marked as entered in error."""
        sheet, seen, now = self._open(key, path)
        return self._error(sheet, seen, now, _find(seen, path, id), by=self._look.person.name)

    def take_error(self, key: str, path: str, id: str, given: Mapping[str, list[str]]) -> Response:
        """Mark it. What it said stays on record as taken back, and can be entered again."""
        sheet, seen, now = self._open(key, path)
        known = _find(seen, path, id)
        if known.withdrawn:
            return _saved(seen, _taken_back(path), id)
        by = first(given, "by")
        if not by:
            return self._error(sheet, seen, now, known, _("Say who takes it back."), status=422)
        if first(given, "base") != str(known.version):
            note = _("It was changed since this page was opened. Look at it again.")
            return self._error(sheet, seen, now, known, note, by, status=409)
        self._flow.accept([Arrival(seen.site.id, HAND, self._retraction(sheet, seen, known, by, now))])
        return _saved(seen, _taken_back(path), id)

    def _error(
        self, sheet: Sheet, seen: InfantView, now: datetime, known: Written, note: str = "", by: str = "",
        status: int = 200,
    ) -> Response:  # fmt: skip
        body = self._retraction(sheet, seen, known, by or "nobody yet", now)
        follows = self._try(sheet, seen, body, known.resource, known.version + 1, now.date(), None)
        was = [(label, say_dates_in(words, now.date())) for label, words in map(say_fact, known.says)]
        return self._page(
            "withdraw.html", sheet, seen, now, status, known=known, follows=follows, note=note, by=by, was=was
        )

    def _retraction(self, sheet: Sheet, seen: InfantView, known: Written, by: str, now: datetime) -> bytes:
        return orjson.dumps(
            fill(
                sheet.form, {}, id=known.id, version=known.version + 1, patient=seen.patient, author=by, authored=now,
                status="entered-in-error", recorder=self._recorder,
            )
        )  # fmt: skip

    # --- the parts ---------------------------------------------------------------------------------------------------

    def _open(self, key: str, path: str) -> tuple[Sheet, InfantView, datetime]:
        """The sheet, the infant, and now on the site's wall."""
        if path not in SHEETS:
            raise NotFound("there is nothing at this address")
        if not self._look.enters:
            raise Forbidden(ONLY_LOOKS)
        seen = self._flow.infant(key)
        if seen.infant.record != "infant":
            raise HTTPException(409, _("This record is not followed here: nothing can be entered for it."))
        return SHEETS[path], seen, self._flow.clock().astimezone(seen.site.timezone)

    def _start(self, sheet: Sheet, now: datetime) -> dict[str, list[str]]:
        """An empty sheet, with the name of whoever is signed in where they can be the one it asks for: a nurse types in
        what somebody else saw."""
        person = self._look.person
        theirs = person.name and (person.role == "ophthalmologist" or sheet.path not in ("exam", "treatment"))
        return sheet_typed.start(sheet, now) | ({sheet.author: [person.name]} if theirs else {})

    @property
    def _recorder(self) -> str:
        """Whoever is signed in, by id: the name that is typed is the examiner's, and may be somebody else's."""
        return str(self._look.person.id or "")

    def _body(self, sheet: Sheet, seen: InfantView, answers: Answers, id: str, version: int, now: datetime) -> bytes:
        return orjson.dumps(
            fill(
                sheet.form, answers.value, id=id, version=version, patient=seen.patient, author=answers.author,
                authored=now, recorder=self._recorder,
            )
        )  # fmt: skip

    def _try(
        self, sheet: Sheet, seen: InfantView, body: bytes, resource: str, version: int, today: date,
        answers: Answers | None,
    ) -> Follows:  # fmt: skip
        then = self._flow.try_out(Arrival(seen.site.id, HAND, body), seen.key)
        says = [
            fact
            for fact in then.facts
            if fact.resource == resource and fact.version.number == version and fact.name != "retracted"
        ]
        known = {each["reason"] for each in seen.rejections if each["resource"] == resource}
        refused = [
            each["reason"]
            for each in then.rejections
            if each["resource"] == resource and each["reason"] not in known
        ]  # fmt: skip
        warnings = () if answers is None else tuple(warn(sheet, seen, then.decision, answers, today))
        before, said = (
            [capitalize(say_dates_in(flag, today)) for flag in view.decision.flags] for view in (seen, then)
        )
        return Follows(
            says=tuple((label, say_dates_in(text, today)) for label, text in map(say_fact, says)),
            refused=tuple(capitalize(reason) for reason in refused),
            steps=say_steps(then.decision, today),
            before=say_steps(seen.decision, today),
            warnings=warnings,
            flags=tuple(flag for flag in said if flag not in before),
            as_before=tuple(flag for flag in said if flag in before),
            state=then.decision.state,
            eyes=tuple(_eyes(says)),
        )

    def _sheet(
        self, sheet: Sheet, seen: InfantView, now: datetime, typed: Mapping[str, list[str]], id: str, base: int,
        answers: Answers | None = None, follows: Follows | None = None, known: Written | None = None, note: str = "",
        status: int = 200,
    ) -> Response:  # fmt: skip
        policy = self._flow.policy_on(seen.site.id, now.date())
        return self._page(
            "entry.html", sheet, seen, now, status,
            typed=typed, drawn=as_drawn(typed), draw_retina=draw_retina,
            last=last_time(seen, now.date()) if sheet.eyes and not base else {},
            draft=f"{seen.key}/{sheet.path}" + (f"/{id}" if base else ""), mark=_mark(self._look.person),
            id=id, base=base, follows=follows, known=known, note=note,
            booked=list(bookings(seen, now.date())) if sheet.path == "book" and not base else (),
            problems=dict(answers.problems) if answers else {},
            digest=answers.digest if answers and follows else "",
            basis=seen.course.until(now.date()).basis if sheet.path == "close" else "",
            about=tuple(say_before(sheet, seen, policy.care.surveillance_age, now.date())),
            eye_fields=EYE, sides=SIDES, eyes=EYES, same=SAME,
            choices={"risk_flags": list(policy.risk_flags.items())},
            was=[say_dates_in(say_fact(fact)[1], now.date()) for fact in known.says] if known else [],
        )  # fmt: skip

    def _page(
        self, template: str, sheet: Sheet, seen: InfantView, now: datetime, status: int, **values: Any
    ) -> HTMLResponse:
        today = now.date()
        return HTMLResponse(
            self._pages.render(
                template, here=seen.site.id, sheet=sheet, seen=seen, site=seen.site, today=today,
                name=seen.infant.name or "Name not known", standing=say_steps(seen.decision, today), **values,
            ),
            status,
        )  # fmt: skip


# --- pure pieces ---------------------------------------------------------------------------------------------------


def _address(given: Mapping[str, list[str]]) -> tuple[str, int]:
    """The id and the version that a sheet was made from. Raises HTTPException."""
    base = first(given, "base")
    try:
        if not (base.isascii() and base.isdigit() and len(base) < 6):
            raise ValueError
        return str(UUID(first(given, "id"))), int(base)
    except ValueError:
        raise HTTPException(400, _("This is not a page as it was sent from here. Nothing was saved.")) from None


def _find(seen: InfantView, path: str, id: str) -> Written:
    found = next((each for each in written(seen) if (each.sheet, each.id) == (path, id)), None)
    if found is None:
        raise NotFound("this was not typed in here: what a site sent is corrected at the site")
    return found


def _closing(seen: InfantView) -> Written:
    """The closing that stands, typed in here."""
    here = [
        (fact.value["on"], fact.version.updated, each)
        for each in written(seen)
        for fact in each.says
        if fact.name == "closing" and not each.withdrawn
    ]
    if not here or not is_closed(seen.decision):
        raise HTTPException(409, _("There is no closing here that stands, so there is nothing to open again."))
    return max(here, key=lambda each: each[:2])[2]


def says_already(seen: InfantView, body: bytes, id: str, version: int) -> bool:
    """Whether the version on record says exactly what this body says: it was sent twice."""
    resource = f"QuestionnaireResponse/{id}"
    stands = [fact for fact in seen.facts if fact.resource == resource and fact.version.number == version]
    return _content(stands) == _content(_facts(seen, body))


def _saved(seen: InfantView, what: str, id: str, given: Mapping[str, list[str]] | None = None) -> Response:
    """To the infant's page, which can undo what was saved; or back to the round from which the sheet was opened."""
    onward = back_to_round(first(given, "round"), seen.key, what) if given else None
    return RedirectResponse(onward or f"/infant/{seen.key}?saved={what}&record={id}", 303)


def _taken_back(path: str) -> str:
    """What is said of something taken back: a booking is cancelled, everything else was entered in error."""
    return "cancelled" if path == "book" else "withdrawn"


def _take_over(seen: InfantView, given: Mapping[str, list[str]], side: str, today: date) -> dict[str, list[str]]:
    """What was typed, with the findings of one eye replaced by those of the last time. Nothing is saved by that."""
    last = last_time(seen, today).get("right" if side == "right" else "left")
    if last is None:
        return dict(given)
    kept = {f"{side}.{each.name}" for each in EYE} - {f"{side}.view", f"{side}.note"}
    again = {f"{side}.{name}": said for name, said in last.typed.items()}
    same = {SAME} if side == "left" else set()
    return {name: said for name, said in given.items() if name not in kept | same} | again


def _eyes(says: list[Fact]) -> Iterator[tuple[Side, str]]:
    """Each eye of an exam in all the words there are for it."""
    value = next((fact.value for fact in says if fact.name == "exam"), None)
    if value is None:
        return
    try:
        exam = parse_exam(value, "exam")
    except ConfigurationError:  # a withdrawn one, written under rules that have been tightened since
        return
    for side in SIDES:
        eye = exam.eye(side)
        yield side, "; ".join([capitalize(str(eye)), *say_details(eye)])


def _mark(person: Person) -> str:
    """Whose drafts these are, without saying so: a draft of somebody else on the same machine is thrown away."""
    return hashlib.sha256(f"{person.id} {person.name}".encode()).hexdigest()[:12]


def _born(seen: InfantView) -> date | None:
    return min((value.low for value in seen.infant.born.values), default=None)


def _facts(seen: InfantView, body: bytes) -> list[Fact]:
    return [fact for reading in read_body(body, seen.site, "") for fact in reading.facts]  # our own carry their time


def _content(facts: list[Fact]) -> set[str]:
    return {json.dumps([fact.name, fact.value], sort_keys=True) for fact in facts}


# --- routes --------------------------------------------------------------------------------------------------------

Given = Annotated[dict[str, list[str]], Depends(read_typed)]


def entry_routes() -> APIRouter:
    """/infant/{key}/{sheet}, …/{id} to correct, …/{id}/error to take back. Every sheet posts to its own address."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    read = ["GET", "HEAD"]

    @router.api_route("/infant/{key}/{path}", methods=read)
    def empty(look: Look, key: str, path: str, round: str = "") -> Response:
        return Bedside(look).show(key, path, round=round)

    @router.api_route("/infant/{key}/{path}", methods=["POST"])
    def take(look: Look, key: str, path: str, given: Given) -> Response:
        return Bedside(look).take(key, path, given)

    @router.api_route("/infant/{key}/{path}/{id}", methods=read)
    def correct(look: Look, key: str, path: str, id: str) -> Response:
        return Bedside(look).show(key, path, id)

    @router.api_route("/infant/{key}/{path}/{id}/error", methods=read)
    def show_error(look: Look, key: str, path: str, id: str) -> Response:
        return Bedside(look).show_error(key, path, id)

    @router.api_route("/infant/{key}/{path}/{id}/error", methods=["POST"])
    def take_error(look: Look, key: str, path: str, id: str, given: Given) -> Response:
        return Bedside(look).take_error(key, path, id, given)

    return router
