"""/policies: every edition as the tables it is, what differs between two, what another would change at a site, and
putting one in use.

What decides at a site is what somebody activated there, word for word. An edition that waits is announced here, its
impact is shown, and a named person activates what was shown: where it has changed meanwhile, it is shown again first.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends
from starlette.responses import HTMLResponse, RedirectResponse, Response

from service.core.decision import Decision
from service.core.impact import DIFFERENCES, Impact
from service.core.policy import Policy
from service.errors import ConfigurationError, Forbidden, NotFound
from service.fhir.sites import Site
from service.flow import Flow
from service.store.editions import FIRST_START
from service.web.edition_words import compare_editions, count_sureties, say_edition
from service.web.entry import read_typed
from service.web.examples_words import say_examples
from service.web.looking import Look, Looking
from service.web.typed import first
from service.web.view import capitalize, say_dates_in, say_day, say_missing, say_task, say_window
from service.web.words import N_, _, ngettext_

MOST_SHOWN: Final = 500
"""Infants shown one by one on the page of an impact; whoever falls off the list comes first."""

IMPACTS: Final[Mapping[str, str]] = {
    "no-longer-eligible": N_("No longer to be examined"), "newly-eligible": N_("Newly to be examined"),
    "later": N_("Later"), "earlier": N_("Earlier"), "other-step": N_("Another step"),
    "other-reasons": N_("Same dates, other reasons"),
}  # fmt: skip
"""How another edition decides otherwise -> in words."""

_STANDS: Final = {
    "eligible": N_("Something is to come"), "unknown": N_("Cannot be judged yet"),
    "not-eligible": N_("Not to be examined"), "closed": N_("Closed"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Use:
    """An edition at a site: since which day, activated by whom and when, and whether it decides there today. `same`:
    the file says the same still."""

    site: str
    name: str
    policy: str
    revision: int
    since: date
    by: str
    on: date
    now: bool
    ahead: bool
    same: bool


@dataclass(frozen=True, slots=True)
class Waiting:
    """A site where what the files say is not in use: `used` decides there until somebody activates `said`."""

    site: str
    name: str
    said: Policy
    used: Policy


@dataclass(frozen=True, slots=True)
class Affected:
    """One infant about whom another edition decides otherwise, in words."""

    key: str
    name: str
    identifier: str
    how: tuple[str, ...]
    grave: bool
    before: str
    after: str
    why: str


def uses(flow: Flow, site: Site) -> list[Use]:
    """Everything ever put in use at a site, the last first."""
    today = flow.today(site.id)
    now = flow.policy_on(site.id, today)
    known = flow.activations(site.id)
    found = []
    for number, each in enumerate(known):
        said = flow.policies.get(each.policy)
        later = [other.policy == each.policy and other.content == each.content for other in known[number + 1 :]]
        decides = (each.policy, each.revision, each.content) == (now.id, now.revision, now.content) and not any(later)
        found.append(
            Use(
                site.id, site.name, each.policy, each.revision, each.starts, _by(each.by), each.on, decides,
                each.starts > today, said is not None and said.content == each.content,
            )
        )  # fmt: skip
    return found[::-1]


def _by(name: str) -> str:
    return _("the first start of the service") if name == FIRST_START else name


def waiting_at(flow: Flow) -> Iterator[Waiting]:
    """Sites where an edition waits."""
    for id, site in flow.sites.items():
        said = flow.waiting(id)
        if said is not None:
            yield Waiting(id, site.name, said, flow.policy_on(id, flow.today(id)))


def say_affected(found: Sequence[Impact], today: date) -> list[Affected]:
    """The infants of an impact in words, the gravest first."""
    return [
        Affected(
            each.key, each.name or _("Name not known"), each.identifier,
            tuple(_(IMPACTS[difference]) for difference in each.differences),
            each.differences[0] in ("no-longer-eligible", "later"),
            _stand(each.before, today), _stand(each.after, today),
            capitalize(say_dates_in(each.after.next.reason.text, today)),
        )
        for each in found
    ]  # fmt: skip


def _stand(decision: Decision, today: date) -> str:
    step = decision.next
    if step.window is None:
        return _(_STANDS[decision.state])
    dates, advice = say_window(step.kind, step.window, step.by, today)
    return f"{say_task(step.kind, decision.missing)}: {dates}. {advice}".strip()


def digest(found: Sequence[Impact], policy: Policy) -> str:
    """What an impact says, so that nobody activates anything but what was shown."""
    told = [(each.key, each.differences, each.before.next, each.after.next) for each in found]
    return hashlib.sha256(repr((policy.id, policy.revision, policy.content, told)).encode()).hexdigest()[:24]


def count_impacts(found: Sequence[Impact]) -> list[tuple[str, str, int]]:
    """(difference, in words, how many infants) by the gravest of each infant, the gravest first."""
    counted = Counter(each.differences[0] for each in found)
    return [(each, _(IMPACTS[each]), counted[each]) for each in DIFFERENCES]


# --- routes --------------------------------------------------------------------------------------------------------

Given = Annotated[dict[str, list[str]], Depends(read_typed)]


def policy_routes() -> APIRouter:
    """/policies, /policies/{id}, …/against/{other} and …/impact/{site}, which is where one is activated."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    read = ["GET", "HEAD"]

    @router.api_route("/policies", methods=read)
    def all_editions(look: Look) -> Response:
        flow, day = look.flow, _today(look.flow)
        used = {id: uses(flow, site) for id, site in flow.sites.items()}
        current = [each for site in used.values() for each in site if each.now or each.ahead]
        editions = [
            {
                "policy": policy, "rules": len(policy.origins), "sureties": count_sureties(policy),
                "uses": [each for each in current if each.policy == id],
                "named": [site.name for site in flow.sites.values() if site.policy == id and not used[site.id]],
            }
            for id, policy in flow.policies.items()
        ]  # fmt: skip
        editions.sort(key=lambda each: not (each["uses"] or each["named"]))  # what decides somewhere comes first
        gone = [each for each in current if each.policy not in flow.policies]
        history = [each for site in used.values() for each in site]
        return _page(look, "policies.html", editions=editions, waiting=list(waiting_at(flow)), gone=gone,
                     history=history, today=day)  # fmt: skip

    @router.api_route("/policies/{id}", methods=read)
    def one_edition(look: Look, id: str, activated: str = "", changed: int = 0) -> Response:
        flow, policy, day = look.flow, _find(look.flow, id), _today(look.flow)
        history = [each for site in flow.sites.values() for each in uses(flow, site) if each.policy == id]
        examples = say_examples(policy, day)
        site = flow.sites.get(activated)
        return _page(
            look, "policy.html", policy=policy, parts=say_edition(policy), sureties=count_sureties(policy),
            uses=history, examples=examples, wrong=[each for each in examples if each.wrong], today=day,
            others=[each for each in flow.policies.values() if each.id != id], all_sites=list(flow.sites.values()),
            waiting=[each for each in waiting_at(flow) if each.said.id == id],
            done=_say_done(site, history, changed, day) if site is not None else "",
        )  # fmt: skip

    @router.api_route("/policies/{id}/against", methods=read)
    def choose_other(look: Look, id: str, other: str = "") -> Response:
        _find(look.flow, id)
        against = f"/against/{_find(look.flow, other).id}" if other else ""
        return RedirectResponse(f"/policies/{id}{against}", 303)

    @router.api_route("/policies/{id}/against/{other}", methods=read)
    def differences(look: Look, id: str, other: str) -> Response:
        one, two = _find(look.flow, id), _find(look.flow, other)
        return _page(look, "policy-differences.html", one=one, two=two, parts=compare_editions(one, two),
                     editions=list(look.flow.policies.values()))  # fmt: skip

    @router.api_route("/policies/{id}/impact/{site}", methods=read)
    def show_impact(look: Look, id: str, site: str) -> Response:
        return _impact(look, id, site)

    @router.api_route("/policies/{id}/impact/{site}", methods=["POST"])
    def activate(look: Look, id: str, site: str, given: Given) -> Response:
        flow, policy = look.flow, _find(look.flow, id)
        waits = flow.waiting(site)
        if not look.activates:
            raise Forbidden(NOT_YOURS)
        if waits is None or waits.id != id:
            return _impact(look, id, site, _("It does not wait at this site, so nothing was activated."), 409)
        by = look.person.name or first(given, "by").strip()
        if not by:
            return _impact(look, id, site, _("An edition is activated by somebody: say who."), 422)
        if not first(given, "seen"):
            return _impact(look, id, site, _("Look at what would change, and say that you have."), 422)
        if first(given, "shown") != digest(flow.impact(site, policy), policy):
            return _impact(look, id, site, _("What would change is not what you were shown: look at it again."), 409)
        try:
            changed = flow.activate(site, by)
        except ConfigurationError as error:
            return _impact(look, id, site, capitalize(error.problem), 409)
        return RedirectResponse(f"/policies/{id}?activated={site}&changed={changed}", 303)

    return router


NOT_YOURS: Final = "an ophthalmologist or a coordinator puts an edition in use: ask one of them"


def _say_done(site: Site, history: Sequence[Use], changed: int, today: date) -> str:
    """What an activation that was just made has done."""
    last = next((each for each in history if each.site == site.id), None)
    if last is None:
        return ""
    if last.ahead:
        return _("It is in use at %(site)s and decides from %(day)s on.", site=site.name,
                 day=_say_date(last.since, today))  # fmt: skip
    return ngettext_(
        "It decides at %(site)s now. %(n)s infant is decided otherwise than before.",
        "It decides at %(site)s now. %(n)s infants are decided otherwise than before.",
        changed, site=site.name,
    )  # fmt: skip


def _impact(look: Looking, id: str, site: str, problem: str = "", status: int = 200) -> Response:
    flow, policy = look.flow, _find(look.flow, id)
    here, today = flow.site(site), flow.today(site)
    found = flow.impact(site, policy)
    waits = flow.waiting(site)
    return _page(
        look, "impact.html", status, policy=policy, site=here, used=flow.policy_on(site, today), today=today,
        known=sum(flow.census(site).values()), number=len(found), counts=count_impacts(found),
        infants=say_affected(found[:MOST_SHOWN], today), most=MOST_SHOWN, shown=digest(found, policy),
        waits=waits is not None and waits.id == id, problem=problem, signed=look.person.name, activates=look.activates,
    )  # fmt: skip


def _page(look: Looking, template: str, status: int = 200, **values: Any) -> Response:
    words = {"say_date": _say_date, "say_missing": say_missing}
    return HTMLResponse(look.pages.render(template, here="policies", **words, **values), status)


def _say_date(day: date, beside: date) -> str:
    """A day with its year, always: what is in use may have been for years."""
    return say_day(day, beside) if day.year != beside.year else f"{say_day(day, beside)} {day.year}"


def _find(flow: Flow, id: str) -> Policy:
    if id not in flow.policies:
        raise NotFound("there is no such edition")
    return flow.policies[id]


def _today(flow: Flow) -> date:
    return max((flow.today(id) for id in flow.sites), default=flow.clock().date())
