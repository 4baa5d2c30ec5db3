"""The people who look: who they are, that they are signed in, and how often a password was tried.

Nothing is deleted: somebody who leaves is retired, a session that is over says when it ended.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final
from uuid import UUID, uuid4

from sqlalchemy import Connection, Row, and_, func, insert, or_, select, text, update
from sqlalchemy.exc import IntegrityError

from service.errors import NotFound, NotUnderstood
from service.store.passwords import hash_token, make_token
from service.store.tables import ROLES, attempts, people, sessions

IDLE: Final = timedelta(minutes=30)
"""Somebody of whom nothing was heard for so long is signed out. NIST SP 800-63B, AAL2: 30 minutes (from memory)."""
LONGEST: Final = timedelta(hours=12)
"""And so is everybody after a shift. NIST SP 800-63B, AAL2: 12 hours (from memory)."""
_NOTED: Final = timedelta(minutes=1)
"""How closely it is written down when somebody was last heard of: a write for every page would be one too many."""

WITHIN: Final = timedelta(minutes=15)
MOST_BY_NAME: Final = 8
MOST_BY_ADDRESS: Final = 40
"""Tries within fifteen minutes, by one name since it last went well, and from one address: a ward shares one."""

_SIGN_IN = re.compile(r"[a-z0-9][a-z0-9._-]{1,39}")


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who looks. `sites` None: all there are. `id` None: nobody who is registered."""

    name: str
    role: str
    sites: frozenset[str] | None = None
    id: UUID | None = None
    sign_in: str = ""
    language: str = ""
    active: bool = True


# --- who they are --------------------------------------------------------------------------------------------------


def is_anybody_registered(connection: Connection) -> bool:
    """Whether anybody was ever registered: from then on everybody has to say who they are."""
    return bool(connection.execute(select(select(people.c.id).exists())).scalar_one())


def everybody(connection: Connection) -> list[Person]:
    """Everybody registered, those retired last."""
    query = select(people).order_by(people.c.active.desc(), people.c.name, people.c.sign_in)
    return [_person(row) for row in connection.execute(query)]


def id_of(connection: Connection, sign_in: str) -> UUID:
    """The id of the person with a sign-in name. Raises NotFound."""
    row = connection.execute(select(people.c.id).where(people.c.sign_in == sign_in.strip().lower())).one_or_none()
    if row is None:
        raise NotFound("nobody is registered under this sign-in name")
    id: UUID = row.id
    return id


def of_id(connection: Connection, id: UUID) -> Person:
    """The person with an id. Raises NotFound."""
    row = connection.execute(select(people).where(people.c.id == id)).one_or_none()
    if row is None:
        raise NotFound("there is no such person")
    return _person(row)


def password_of(connection: Connection, sign_in: str) -> tuple[Person | None, str]:
    """Who may sign in under a name, and what is kept of their password; (None, "") where nobody may."""
    query = select(people).where(people.c.sign_in == sign_in.strip().lower(), people.c.active)
    row = connection.execute(query.where(people.c.role != "machine")).one_or_none()
    return (None, "") if row is None else (_person(row), row.password)


def add(connection: Connection, person: Person, kept_password: str, now: datetime) -> Person:
    """Register somebody. Raises NotUnderstood for a name, role or sites that cannot be, or a name that is taken."""
    made = Person(
        _check_name(person.name), _check_role(person.role), person.sites, uuid4(), _check_sign_in(person.sign_in),
        person.language,
    )  # fmt: skip
    values = {
        "id": made.id, "sign_in": made.sign_in, "name": made.name, "role": made.role, "sites": _listed(made.sites),
        "password": kept_password, "language": made.language, "added_at": now, "changed_at": now,
    }  # fmt: skip
    try:
        with connection.begin_nested():
            connection.execute(insert(people).values(values))
    except IntegrityError:
        raise NotUnderstood("this sign-in name is taken") from None
    return made


def change(
    connection: Connection, id: UUID, now: datetime, *, name: str | None = None, role: str | None = None,
    sites: Iterable[str] | None = None, all_sites: bool = False, kept_password: str | None = None,
    active: bool | None = None, language: str | None = None,
) -> Person:  # fmt: skip
    """Change what is given and leave the rest. Whoever gets another role, other sites or another password, or is
    retired, is signed out everywhere. Raises NotFound, NotUnderstood."""
    before = of_id(connection, id)
    changes: dict[str, Any] = {
        "name": None if name is None else _check_name(name), "role": None if role is None else _check_role(role),
        "sites": None if sites is None else _listed(frozenset(sites)), "password": kept_password, "active": active,
        "language": language,
    }  # fmt: skip
    changes = {column: value for column, value in changes.items() if value is not None}
    if role is not None and (role == "machine") != (before.role == "machine"):
        raise NotUnderstood("a machine shows a token and a person types a password: add it anew instead")
    if all_sites:
        changes["sites"] = None
    connection.execute(update(people).where(people.c.id == id).values(**changes, changed_at=now))
    if changes.keys() & {"role", "password"} or active is False or (sites is not None or all_sites):
        end_all(connection, id, now)
    return of_id(connection, id)


def _check_name(name: str) -> str:
    if not (0 < len(name.strip()) <= 80) or not name.isprintable():
        raise NotUnderstood("a shown name has up to 80 characters, on one line")
    return name.strip()


def _check_role(role: str) -> str:
    if role not in ROLES:
        raise NotUnderstood(f"a role is one of: {', '.join(ROLES)}")
    return role


def _check_sign_in(sign_in: str) -> str:
    lower = sign_in.strip().lower()
    if not _SIGN_IN.fullmatch(lower):
        raise NotUnderstood("a sign-in name has 2 to 40 letters a to z, digits, dots, dashes and underscores")
    return lower


def _listed(sites: frozenset[str] | None) -> list[str] | None:
    if sites is not None and not sites:
        raise NotUnderstood("say which sites may be seen")
    return None if sites is None else sorted(sites)


def _person(row: Row[Any]) -> Person:
    sites = None if row.sites is None else frozenset(row.sites)
    return Person(row.name, row.role, sites, row.id, row.sign_in, row.language, row.active)


# --- signed in -----------------------------------------------------------------------------------------------------


def begin(connection: Connection, person: Person, now: datetime) -> str:
    """Sign somebody in: the token to show from now on, of which only the hash is kept. A machine's has no end."""
    token = make_token()
    ends = None if person.role == "machine" else now + LONGEST
    connection.execute(
        insert(sessions).values(token=hash_token(token), person=person.id, begun_at=now, seen_at=now, ends_at=ends)
    )
    return token


def whose(connection: Connection, token: str, now: datetime, machine: bool, awake: bool = True) -> Person | None:
    """Who shows this token; None where nobody may (any more). `machine`: it was shown as a program shows it, which no
    person's may be, nor a machine's as a browser does. Not `awake`: a page asked by itself, nobody was heard of."""
    shown = hash_token(token)
    alive = or_(sessions.c.ends_at.is_(None), and_(sessions.c.ends_at > now, sessions.c.seen_at > now - IDLE))
    query = (
        select(people, sessions.c.seen_at)
        .join(sessions, sessions.c.person == people.c.id)
        .where(sessions.c.token == shown, sessions.c.ended_at.is_(None), alive, people.c.active)
        .where((people.c.role == "machine") == machine)
    )
    row = connection.execute(query).one_or_none()
    if row is None:
        return None
    if awake and row.seen_at < now - _NOTED:
        connection.execute(update(sessions).where(sessions.c.token == shown).values(seen_at=now))
    return _person(row)


def end(connection: Connection, token: str, now: datetime) -> None:
    """Sign out."""
    mine = (sessions.c.token == hash_token(token), sessions.c.ended_at.is_(None))
    connection.execute(update(sessions).where(*mine).values(ended_at=now))


def end_all(connection: Connection, person: UUID, now: datetime) -> int:
    """Sign out everywhere; of how many sessions."""
    theirs = (sessions.c.person == person, sessions.c.ended_at.is_(None))
    return connection.execute(update(sessions).where(*theirs).values(ended_at=now)).rowcount


# --- tries ---------------------------------------------------------------------------------------------------------


def try_again_after(connection: Connection, name: str, address: str, now: datetime) -> timedelta | None:
    """Count one more try under the marks of a name and an address; how long to wait where there were too many. The try
    is counted before the password is looked at, one at a time for each mark, so that many at once gain nothing."""
    waits: list[timedelta] = []
    for each, most in ((name, MOST_BY_NAME), (address, MOST_BY_ADDRESS)):
        connection.execute(text("SELECT pg_advisory_xact_lock(hashtext(:mark))"), {"mark": each})
        good = select(func.max(attempts.c.id)).where(attempts.c.mark == each, attempts.c.good).scalar_subquery()
        recent = connection.execute(
            select(func.count(), func.min(attempts.c.at)).where(
                attempts.c.mark == each, attempts.c.at > now - WITHIN, ~attempts.c.good,
                attempts.c.id > func.coalesce(good, 0),
            )
        ).one()  # fmt: skip
        if recent[0] >= most:
            waits.append(recent[1] + WITHIN - now)
    if waits:
        return max(waits)
    connection.execute(insert(attempts), [{"mark": each, "at": now, "good": False} for each in (name, address)])
    return None


def went_well(connection: Connection, name: str, now: datetime) -> None:
    """The name's tries up to now do not count against it any more. Those of the address do: whoever has an account of
    their own must not be able to go on guessing other people's."""
    connection.execute(insert(attempts).values(mark=name, at=now, good=True))


def names_of(connection: Connection, ids: Sequence[UUID]) -> dict[UUID, str]:
    """The shown name of each of these people."""
    query = select(people.c.id, people.c.name).where(people.c.id.in_(ids))
    return {row.id: row.name for row in connection.execute(query)}
