"""What comes in and goes out at a site, in words: whether it is well, and what to do where it is not.

Silence is judged by what is usual at the site: a feed is silent when nothing has come for twice the longest time that
passed between two arrivals in the last fourteen days, and never before an hour. A choice of this project, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final, Literal

from markupsafe import Markup

from service.fhir.sites import Site
from service.store.traffic import DAYS, Feed, Said, Traffic
from service.web import view
from service.web.words import N_, _, ngettext_

PATIENCE: Final = 2
SHORTEST: Final = timedelta(hours=1)
ENOUGH: Final = 10
"""Times between arrivals that must be known before silence is judged."""
LATE: Final = timedelta(hours=1)
"""A server that is read every quarter of an hour and was not read for this long is in trouble."""

NAMES: Final = {
    "rest-hook": N_("Messages from the site's server (hook)"),
    "poll": N_("Reading the site's server"),
    "hand": N_("Typed in here"),
    "file": N_("Files"),
    "demo": N_("The demonstration"),
}
"""Name of a feed -> words; any other goes by its own name."""

Standing = Literal["well", "watch", "trouble"]


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something that is not well, and what to do about it. `action` names a button of the page, or ""."""

    standing: Standing
    says: str
    do: str
    action: str = ""
    link: str = ""


@dataclass(frozen=True, slots=True)
class FeedWords:
    """One way in, in words. `bars` is the picture, `numbers` the same as (day, number)."""

    name: str
    says: str
    standing: Standing
    bars: Markup
    numbers: tuple[tuple[date, int], ...]
    total: int


@dataclass(frozen=True, slots=True)
class Health:
    """One site in words: `says` first, then what is not well, worst first."""

    standing: Standing
    says: str
    troubles: tuple[Trouble, ...]
    feeds: tuple[FeedWords, ...]
    out: str
    subscription: str
    reading: str


def say_health(site: Site, seen: Traffic, otherwise: int, asked: bool, now: datetime, today: date) -> Health:
    """The health of a site. `otherwise` arrivals were last read under an earlier mapping; `asked`: they are being read
    again."""
    troubles = tuple(
        sorted(_troubles(site, seen, otherwise, asked, now, today), key=lambda each: each.standing != "trouble")
    )
    standing: Standing = troubles[0].standing if troubles else "well"
    last = max((feed.last for feed in seen.feeds), default=None)
    if last is None:
        says = _("Nothing has ever arrived from here.")
        standing = "watch" if standing == "well" else standing
    else:
        says = _("Heard from %(ago)s.", ago=say_ago(now - last))
        if standing == "well":
            says += " " + _("All is well.")
    return Health(
        standing, says, troubles, tuple(_feed(feed, site, now, today) for feed in seen.feeds), _out(site, seen),
        _subscription(site, seen), _reading(site, seen, now, today),
    )  # fmt: skip


def say_ago(passed: timedelta) -> str:
    """How long ago, as people say it."""
    minutes = int(passed.total_seconds() // 60)
    if minutes < 1:
        return _("less than a minute ago")
    if minutes < 60:
        return ngettext_("%(n)s minute ago", "%(n)s minutes ago", minutes)
    if minutes < 48 * 60:
        return ngettext_("%(n)s hour ago", "%(n)s hours ago", minutes // 60)
    return ngettext_("%(n)s day ago", "%(n)s days ago", minutes // (24 * 60))


def say_long(passed: timedelta) -> str:
    """A length of time, rounded up, as people say it."""
    minutes = max(1, round(passed.total_seconds() / 60))
    if minutes < 60:
        return ngettext_("%(n)s minute", "%(n)s minutes", minutes)
    if minutes < 48 * 60:
        return ngettext_("%(n)s hour", "%(n)s hours", -(-minutes // 60))
    return ngettext_("%(n)s day", "%(n)s days", -(-minutes // (24 * 60)))


def say_moment(moment: datetime, site: Site, today: date) -> str:
    """An instant on the site's clock."""
    local = moment.astimezone(site.timezone)
    if local.date() == today:
        return _("today at %(time)s", time=f"{local:%H:%M}")
    return _("%(day)s at %(time)s", day=view.say_day(local.date(), today), time=f"{local:%H:%M}")


def is_silent(feed: Feed, now: datetime) -> bool:
    """Whether nothing has come for longer than is usual. What people bring by hand is never judged."""
    if feed.name not in ("rest-hook", "poll") or feed.longest is None or feed.gaps < ENOUGH:
        return False
    return now - feed.last > max(PATIENCE * feed.longest, SHORTEST)


def _feed(feed: Feed, site: Site, now: datetime, today: date) -> FeedWords:
    ago = say_ago(now - feed.last)
    if is_silent(feed, now):
        says = _("Silent since %(moment)s: nothing has come for longer than is usual here.",
                 moment=say_moment(feed.last, site, today))  # fmt: skip
    else:
        says = _("Last arrival %(ago)s (%(moment)s).", ago=ago, moment=say_moment(feed.last, site, today))
        if feed.longest is not None and feed.gaps >= ENOUGH:
            says += " " + _("The longest pause in %(n)s days was %(long)s.", n=DAYS, long=say_long(feed.longest))
    name = _(NAMES[feed.name]) if feed.name in NAMES else feed.name
    total = sum(number for _day, number in feed.by_day)
    return FeedWords(
        name, says, "trouble" if is_silent(feed, now) else "well", draw_bars(feed.by_day, name), feed.by_day, total
    )


# --- what is not well ----------------------------------------------------------------------------------------------


def _troubles(site: Site, seen: Traffic, otherwise: int, asked: bool, now: datetime, today: date) -> Iterator[Trouble]:
    for feed in seen.feeds:
        if is_silent(feed, now):
            yield Trouble(
                "trouble",
                _("%(feed)s: silent since %(moment)s. Nothing has come for longer than is usual here.",
                  feed=_(NAMES[feed.name]), moment=say_moment(feed.last, site, today)),
                _("Ask the site whether its server is up and still sends to this address; `ridgeline subscribe --site "
                  "%(site)s` repairs its subscriptions, `ridgeline check --live` says what does not work.",
                  site=site.id),
            )  # fmt: skip
    for stuck in seen.stuck:
        yield Trouble(
            "trouble",
            ngettext_(
                "%(n)s arrival is kept and could not be worked out (%(problem)s), tried %(times)s times since "
                "%(moment)s.",
                "%(n)s arrivals are kept and could not be worked out (%(problem)s), tried up to %(times)s times since "
                "%(moment)s.",
                stuck.number, problem=stuck.problem or _("not tried yet"), times=stuck.attempts,
                moment=say_moment(stuck.since, site, today),
            ),
            _("They are tried again by themselves every few seconds. If the number stays, it is a fault in the "
              "service: send the log's lines about them to whoever looks after it."),
        )  # fmt: skip
    if seen.rejected:
        yield Trouble(
            "watch",
            ngettext_("%(n)s thing could not be read.", "%(n)s things could not be read.", seen.rejected),
            _("Equal troubles stand together below: say once what a code means, and all of them are read."),
        )
    yield from _not_said(site, seen, today)
    yield from _not_told(site, seen, now)
    if otherwise and not asked:
        yield Trouble(
            "watch",
            ngettext_(
                "%(n)s arrival was last read under an earlier mapping than today's.",
                "%(n)s arrivals were last read under an earlier mapping than today's.", otherwise,
            ),
            _("The site's file has changed since. Let what is stored be read again: nothing is fetched, nothing is "
              "lost, and nothing is said twice."),
            "replay",
        )  # fmt: skip
    elif otherwise:
        yield Trouble(
            "watch",
            ngettext_(
                "%(n)s arrival is still to be read again.", "%(n)s arrivals are still to be read again.", otherwise
            ),
            _("This happens by itself, in the background. It goes on after a restart."),
        )


def _not_said(site: Site, seen: Traffic, today: date) -> Iterator[Trouble]:
    for said in seen.said:
        since = say_moment(said.since, site, today)
        if said.state == "refused":
            yield Trouble(
                "trouble",
                ngettext_(
                    "The site's server refused %(n)s step: %(problem)s.",
                    "The site's server refused %(n)s steps: %(problem)s.", said.number,
                    problem=said.problem.rstrip("."),
                ),
                _("They are not tried again by themselves. When somebody has changed what is in the way, let them be "
                  "said again."),
                "say-again",
            )  # fmt: skip
        elif said.state == "put-off":
            yield Trouble(
                "trouble" if said.attempts > 5 else "watch",
                ngettext_(
                    "%(n)s step waits since %(since)s, tried %(times)s times: %(problem)s.",
                    "%(n)s steps wait since %(since)s, tried up to %(times)s times: %(problem)s.", said.number,
                    since=since, times=said.attempts, problem=said.problem.rstrip("."),
                ),
                _("The next attempt is %(moment)s. Nothing is lost meanwhile: the list here is right.",
                  moment=say_moment(said.next, site, today)),
            )  # fmt: skip


def _not_told(site: Site, seen: Traffic, now: datetime) -> Iterator[Trouble]:
    """Reading the server, and the subscriptions there."""
    note, at = seen.cursors.get("reading", ({}, now))
    if note.get("problem"):
        yield Trouble(
            "trouble",
            _("The site's server could not be read: %(problem)s.", problem=str(note["problem"]).rstrip(".")),
            _("It is tried every quarter of an hour; `ridgeline check --live --site %(site)s` says what is in the way.",
              site=site.id),
        )  # fmt: skip
    elif site.base_url and "reading" in seen.cursors and now - at > LATE:
        yield Trouble(
            "trouble",
            _("The site's server was last read %(ago)s; it should be every quarter of an hour.",
              ago=say_ago(now - at)),
            _("Look whether the service's jobs run: `ridgeline work`, or `ridgeline serve` without its jobs switched "
              "off."),
        )  # fmt: skip
    kept, _at = seen.cursors.get("subscription", ({}, now))
    off = [str(each["type"]) for each in kept.get("kept", ()) if each["status"] == "error"]
    if kept.get("problem") or off:
        problem = kept.get("problem") or _("it does not deliver %(types)s", types=view.join_words(off))
        yield Trouble(
            "trouble",
            _("Subscriptions at the site's server: %(problem)s.", problem=str(problem).rstrip(".")),
            _("They are repaired every night; `ridgeline subscribe --site %(site)s` does it now. The server is read on "
              "its schedule meanwhile.", site=site.id),
        )  # fmt: skip


# --- how it stands, where nothing is wrong -------------------------------------------------------------------------


def _out(site: Site, seen: Traffic) -> str:
    if not site.publish.channels:
        return _("Nothing is written to the site's server: its file names no channel. Other systems read our own FHIR "
                 "endpoint.")  # fmt: skip
    count = {state: _count(seen.said, state) for state in ("waiting", "put-off", "refused")}
    if not any(count.values()):
        return _("Everything decided has been said to the site's server.")
    return _("To be said to the site's server: %(waiting)s waiting, %(off)s put off, %(refused)s refused.",
             waiting=count["waiting"], off=count["put-off"], refused=count["refused"])  # fmt: skip


def _count(said: tuple[Said, ...], state: str) -> int:
    return sum(each.number for each in said if each.state == state)


def _subscription(site: Site, seen: Traffic) -> str:
    if not site.hook_secrets:
        return _("The site's server cannot tell us anything: its file names no hook secret.")
    kept, at = seen.cursors.get("subscription", ({}, None))
    if at is None or not kept.get("kept"):
        return _("Whether the site's server has subscriptions of ours was not asked yet.")
    kinds = view.join_words([_("%(type)s (%(status)s)", **each) for each in kept["kept"]])
    return _("Subscriptions at the site's server: %(kinds)s.", kinds=kinds)


def _reading(site: Site, seen: Traffic, now: datetime, today: date) -> str:
    if "poll" not in seen.cursors:
        if site.base_url is None:
            return _("The site's file names no server, so none is read.")
        return _("The site's server was not read yet.")
    value, kept_at = seen.cursors["poll"]
    at = seen.cursors.get("reading", ({}, kept_at))[1]
    marks = []
    for type, each in sorted(value.items()):
        mark = each.get("mark") if isinstance(each, dict) else None
        if mark:
            try:
                moment = datetime.fromisoformat(str(mark))
            except ValueError:
                continue
            marks.append(f"{type} {say_moment(moment, site, today)}")
    told = _("The site's server was last read %(ago)s.", ago=say_ago(now - at))
    return told if not marks else told + " " + _("Read up to: %(marks)s.", marks=", ".join(marks))


# --- the picture ---------------------------------------------------------------------------------------------------

_WIDE, _HIGH, _TOP, _FOOT = 22, 60, 14, 16


def draw_bars(by_day: tuple[tuple[date, int], ...], name: str) -> Markup:
    """Arrivals of each day as bars with their numbers; the day of the month beneath."""
    most = max((number for _day, number in by_day), default=0) or 1
    total = sum(number for _day, number in by_day)
    width, height = _WIDE * len(by_day), _TOP + _HIGH + _FOOT
    label = _("%(feed)s: %(total)s arrivals in %(n)s days", feed=name, total=total, n=len(by_day))
    parts = [
        Markup('<svg class="bars" viewBox="0 0 {} {}" role="img" aria-label="{}">').format(width, height, label),
        Markup('<line class="floor" x1="0" y1="{0}" x2="{1}" y2="{0}"/>').format(_TOP + _HIGH, width),
    ]
    for number, (day, count) in enumerate(by_day):
        tall = round(_HIGH * count / most, 1) if count else 0
        left, middle = _WIDE * number, _WIDE * number + _WIDE / 2
        if count:
            parts.append(
                Markup('<rect x="{}" y="{}" width="{}" height="{}"/>').format(
                    left + 3, _TOP + _HIGH - max(tall, 1.5), _WIDE - 6, max(tall, 1.5)
                )
            )
            parts.append(Markup('<text x="{}" y="{}">{}</text>').format(middle, _TOP + _HIGH - tall - 3, _short(count)))
        parts.append(Markup('<text class="day" x="{}" y="{}">{}</text>').format(middle, height - 4, day.day))
    return Markup("").join([*parts, Markup("</svg>")])


def _short(number: int) -> str:
    """A number in at most four characters: 1234 as 1.2k."""
    if number < 1000:
        return str(number)
    if number < 10_000:
        return f"{number / 1000:.1f}k"
    return f"{number // 1000}k"
