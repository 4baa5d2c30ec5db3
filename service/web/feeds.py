"""/feeds: what comes in from each site and what does not, for whoever looks after the connections.

Each site's health in words, what could not be read with equal troubles together, one step to give a code its meaning,
and reading again what is stored.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Depends
from starlette.responses import HTMLResponse, RedirectResponse, Response

from service.errors import Forbidden, NotUnderstood
from service.fhir.mending import in_toml, options
from service.fhir.sites import Site
from service.mending import Mending
from service.store.meanings import Given, beside_file
from service.web import mend, view
from service.web.entry import read_typed
from service.web.looking import Look, Looking
from service.web.paging import From, Part
from service.web.traffic_words import Health, say_ago, say_health, say_moment
from service.web.typed import first
from service.web.words import N_, _, ngettext_

DONE: Mapping[str, str] = {
    "meaning": N_("The meaning is kept, and what had this trouble has been read again. Everything else that is stored "
                  "is read again in the background."),
    "withdrawn": N_("The meaning does not count any more. What was read by it is read again without it, in the "
                    "background."),
    "replay": N_("What is stored is being read again, in the background."),
    "say-again": N_("What the site's server refused will be said again."),
}  # fmt: skip
"""What was just done, as an address says it -> the words of it."""

Typed = Annotated[dict[str, list[str]], Depends(read_typed)]


class Connections:
    """The pages of one look."""

    def __init__(self, look: Looking) -> None:
        self._flow, self._pages, self._person, self._mends = look.flow, look.pages, look.person, look.mends
        self._mending = Mending(look.flow)

    def all(self) -> Response:
        """Every site's health, in one sentence each."""
        sites = [(site, self._health(site)) for site in self._flow.sites.values()]
        order = ("trouble", "watch", "well")
        sites.sort(key=lambda pair: order.index(pair[1].standing))
        return HTMLResponse(self._pages.render("feeds.html", here="feeds", sites=sites))

    def one(self, id: str, done: str = "", problem: str = "", status: int = 200, begin: int = 0) -> Response:
        """One site: its feeds, its troubles, what could not be read, and the meanings given here."""
        site = self._flow.site(id)
        groups = mend.find_groups(self._mending, id)
        health = self._health(site)
        part = Part.of(groups, begin, f"/feeds/{id}")
        page = self._pages.render(
            "feed.html", here="feeds", site=site, health=health, done=_(DONE[done]) if done in DONE else "",
            problem=problem, part=part, groups=[(group, self._say(group, site)) for group in part.rows],
            rejected=sum(group.number for group in groups),
            latest=[
                (say_ago(self._flow.clock() - kept.received_at), say_moment(kept.received_at, site, self._today(site)),
                 kept.arrival.feed, len(kept.arrival.body))
                for kept in self._mending.latest(id, 8)
            ],
            meanings=[self._given(each, site) for each in reversed(self._mending.meanings(id))], name=self._person.name,
            mends=self._mends,
        )  # fmt: skip
        return HTMLResponse(page, status)

    def silent(self, id: str, begin: int = 0) -> Response:
        """Codes that say nothing because nobody gave them a meaning."""
        site = self._flow.site(id)
        part = Part.of(mend.find_silent(self._mending, id), begin, f"/feeds/{id}/codes")
        page = self._pages.render(
            "feed-codes.html", here="feeds", site=site, kept=self._mending.kept(id), part=part,
            otherwise=self._mending.to_read_again(id), groups=[(group, self._say(group, site)) for group in part.rows],
        )  # fmt: skip
        return HTMLResponse(page)

    def trouble(self, id: str, name: str, given: Mapping[str, list[str]] | None = None) -> Response:
        """One trouble: the original, what it could mean, what would follow; and saved where that has been seen."""
        site = self._flow.site(id)
        group = mend.find_group(self._mending, id, name)
        mapped = self._mending.mapped(id).site
        came, arrived = self._mending.came(id, group.gathered, silent=not group.rejected)
        chosen, effect, changes, problem, status = None, list[str](), list[mend.Changed](), "", 200
        if given is not None:
            self._may_mend()
            key = first(given, "means")
            chosen = mend.choose(group, mapped, key, first(given, f"asks-{key}"))
            problem = chosen.problem
            if chosen.meaning is not None:
                if first(given, "do") == "save" and first(given, "shown") == chosen.digest:
                    try:
                        self._mending.give(id, chosen.meaning, self._by(given), came)
                        return RedirectResponse(f"/feeds/{id}?done=meaning", 303)
                    except NotUnderstood:
                        problem = _("Say who gives the code this meaning: it is kept with your name.")
                would = self._mending.weigh(id, chosen.meaning, came)
                effect = mend.say_effect(would, group.rejected, arrived)
                changes = sorted(map(mend.say_change, would.changes), key=lambda each: (not each.off, each.key))
            status = 422 if problem else 200
        page = self._pages.render(
            "feed-trouble.html", here="feeds", site=site, group=group, says=self._say(group, site),
            options=[(each, mend.say_option(each)) for each in options(group.trouble, mapped)] if group.trouble else [],
            system=mend.say_system(group.trouble) if group.trouble else "",
            original=mend.show_original(self._mending, id, group), chosen=chosen, effect=effect, changes=changes,
            toml=in_toml(chosen.meaning.section, chosen.meaning.table) if chosen and chosen.meaning else "",
            problem=problem, by=first(given or {}, "by") or self._person.name, mends=self._mends,
        )  # fmt: skip
        return HTMLResponse(page, status)

    def withdraw(self, id: str, meaning: int, given: Mapping[str, list[str]]) -> Response:
        """Let a meaning count no more."""
        return self._act(id, "withdrawn", lambda by: self._mending.withdraw(id, meaning, by), given)

    def replay(self, id: str, given: Mapping[str, list[str]]) -> Response:
        """Let everything stored be read again under the mapping of now."""
        return self._act(id, "replay", lambda by: self._mending.ask_replay(id, by), given)

    def say_again(self, id: str) -> Response:
        """Let what the site's server refused be said once more."""
        self._may_mend()
        self._flow.say_again(id)
        return RedirectResponse(f"/feeds/{id}?done=say-again", 303)

    def _act(self, id: str, done: str, act: Any, given: Mapping[str, list[str]]) -> Response:
        self._may_mend()
        try:
            act(self._by(given))
        except NotUnderstood:
            return self.one(
                id, problem=_("Say who you are: it is kept with your name. Nothing was changed."), status=422
            )
        return RedirectResponse(f"/feeds/{id}?done={done}", 303)

    def _may_mend(self) -> None:
        if not self._mends:
            raise Forbidden(_("what a code means is said by hospital IT; your role looks at this page only"))

    def _by(self, given: Mapping[str, list[str]]) -> str:
        return self._person.name or first(given, "by")

    def _health(self, site: Site) -> Health:
        otherwise = self._mending.to_read_again(site.id)
        asked = bool(otherwise) and site.id in self._mending.asked()
        traffic = self._mending.traffic(site.id)
        return say_health(site, traffic, otherwise, asked, self._flow.clock(), self._today(site))

    def _today(self, site: Site) -> Any:
        return self._flow.today(site.id)

    def _say(self, group: mend.Group, site: Site) -> dict[str, str]:
        """A group in words."""
        if group.trouble is None:
            title, does = view.capitalize(group.reason), _("Correct it at the site; the new version is read by itself.")
        elif group.trouble.section == "word":
            title = _("“%(word)s” is not a unit known here", word=group.trouble.code)
            does = _("Say once what the word means.")
        elif group.trouble.kind == "unit":
            title = _("Numbers with the code %(code)s come without a unit", code=group.trouble.code)
            does = _("Say once in which unit they are.")
        else:
            title = _("The code %(code)s has no meaning here", code=group.trouble.code)
            does = _("Say once what the code means.")
        times = ngettext_("%(n)s time", "%(n)s times", group.number)
        today = self._today(site)
        since = _("since %(moment)s", moment=say_moment(group.first, site, today))
        who = ngettext_("%(n)s infant known", "%(n)s infants known", group.infants) if group.infants else ""
        about = view.say_missing([group.about]) if group.about and group.trouble is None else ""
        return {
            "title": title, "does": does, "count": ", ".join(filter(None, [times, since, who])),
            "words": group.trouble.words if group.trouble else "", "about": about,
        }  # fmt: skip

    def _given(self, each: Given, site: Site) -> dict[str, Any]:
        today = self._today(site)
        ended = each.withdrawn_at
        return {
            "id": each.id, "code": each.meaning.code, "toml": in_toml(each.meaning.section, each.meaning.table),
            "given": _("%(who)s, %(moment)s", who=each.by, moment=say_moment(each.at, site, today)),
            "ended": ended and _("withdrawn by %(who)s, %(moment)s", who=each.withdrawn_by,
                                 moment=say_moment(ended, site, today)),
            "beside": beside_file(site, each.meaning) if ended is None else "",
        }  # fmt: skip


def feed_routes() -> APIRouter:
    """/feeds, /feeds/{site} and what stands beneath it."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    read = ["GET", "HEAD"]

    @router.api_route("/feeds", methods=read)
    def all_feeds(look: Look) -> Response:
        return Connections(look).all()

    @router.api_route("/feeds/{site}", methods=read)
    def one_site(look: Look, site: str, done: str = "", begin: From = 0) -> Response:
        return Connections(look).one(site, done, begin=begin)

    @router.api_route("/feeds/{site}/codes", methods=read)
    def codes(look: Look, site: str, begin: From = 0) -> Response:
        return Connections(look).silent(site, begin)

    @router.api_route("/feeds/{site}/trouble/{group}", methods=read)
    def show_trouble(look: Look, site: str, group: str) -> Response:
        return Connections(look).trouble(site, group)

    @router.post("/feeds/{site}/trouble/{group}")
    def take_trouble(look: Look, site: str, group: str, given: Typed) -> Response:
        return Connections(look).trouble(site, group, given)

    @router.post("/feeds/{site}/meaning/{id}/withdraw")
    def withdraw(look: Look, site: str, id: int, given: Typed) -> Response:
        return Connections(look).withdraw(site, id, given)

    @router.post("/feeds/{site}/replay")
    def replay(look: Look, site: str, given: Typed) -> Response:
        return Connections(look).replay(site, given)

    @router.post("/feeds/{site}/say-again")
    def say_again(look: Look, site: str) -> Response:
        return Connections(look).say_again(site)

    return router
