"""The tables, as SQLAlchemy Core sees them. The migrations build the same; a test compares the two.

Every key starts with `site`, but for the people who look, who belong to the whole installation. Texts are never NULL
where "" says the same; an instant is `timestamptz`, a day is `date` in the site's own calendar. Facts and decisions are
append-only, and so is the body of an arrival: the service role has no right to change them (`RIGHTS`).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Date,
    DateTime,
    ForeignKeyConstraint,
    Identity,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    SmallInteger,
    Table,
    Text,
    UniqueConstraint,
    Uuid,
    text,
)
from sqlalchemy.dialects.postgresql import ARRAY, JSONB

SERVICE_ROLE: Final = "ridgeline_service"
"""The role every connection of the service works under: it owns nothing and cannot log in."""

metadata: Final = MetaData(
    naming_convention={
        "pk": "%(table_name)s_pkey",
        "fk": "%(table_name)s_%(referred_table_name)s_fkey",
        "uq": "%(table_name)s_%(column_0_N_name)s_key",
        "ck": "%(table_name)s_%(constraint_name)s_check",
    }
)
"""All tables of the service."""


def _site() -> Column[Any]:
    return Column("site", Text, nullable=False)


def _id() -> Column[Any]:
    return Column("id", BigInteger, Identity(always=True), nullable=False)


def _text(name: str, default: str | None = None) -> Column[Any]:
    return Column(name, Text, nullable=False, server_default=default)


def _instant(name: str, nullable: bool = False) -> Column[Any]:
    return Column(name, DateTime(timezone=True), nullable=nullable)


def _one_of(column: str, words: Iterable[str]) -> CheckConstraint:
    listed = ", ".join(f"'{word}'" for word in words)
    return CheckConstraint(f"{column} IN ({listed})", name=column)


def _judgement() -> tuple[Column[Any] | CheckConstraint, ...]:
    """Where an infant stands, with the rule that nobody is in limbo: whoever is not done has a next step and a date."""
    return (
        _text("state"),
        _text("eligible"),
        _text("kind"),
        Column("opens", Date),
        Column("due", Date),
        Column("closes", Date),
        _one_of("state", ("eligible", "unknown", "not-eligible", "closed")),
        _one_of("eligible", ("yes", "no", "unknown")),
        CheckConstraint("(state IN ('eligible', 'unknown')) = (kind <> 'none')", name="no_limbo"),
        CheckConstraint("num_nulls(opens, due, closes) = CASE kind WHEN 'none' THEN 3 ELSE 0 END", name="dated"),
        CheckConstraint("opens <= due AND due <= closes", name="window"),
    )


arrivals: Final = Table(
    "arrivals",
    metadata,
    _site(),
    _id(),
    _instant("received_at"),
    _text("feed"),
    _text("method"),
    _text("path"),
    Column("body", LargeBinary, nullable=False),
    _text("state", "new"),
    Column("attempts", Integer, nullable=False, server_default="0"),
    Column("problem", Text),
    _instant("digested_at", nullable=True),
    Column("mapping", BigInteger, nullable=False, server_default="0"),
    PrimaryKeyConstraint("site", "id"),
    _one_of("state", ("new", "digested", "failed")),
    CheckConstraint("(state = 'digested') = (digested_at IS NOT NULL)", name="digested"),
    Index("arrivals_open_idx", "site", "id", postgresql_where=text("state <> 'digested'")),
    Index("arrivals_mapping_idx", "site", "mapping", "id"),
    Index("arrivals_feed_idx", "site", "feed", "received_at"),
)
"""What came in, byte for byte, before anybody tried to read it; `mapping`: the one it was last read under, 0 before
anybody wrote that down."""

facts: Final = Table(
    "facts",
    metadata,
    _site(),
    _id(),
    Column("arrival", BigInteger, nullable=False),
    _text("resource"),
    Column("version_number", BigInteger),
    _text("version_updated"),
    _text("version_label"),
    _text("patient"),
    _text("name"),
    Column("value", JSONB, nullable=False),
    Column("rank", SmallInteger, nullable=False),
    Column("certain", Boolean, nullable=False),
    _text("issued"),
    _instant("recorded_at"),
    Column("version_reading", BigInteger, nullable=False, server_default="0"),
    PrimaryKeyConstraint("site", "id"),
    ForeignKeyConstraint(["site", "arrival"], ["arrivals.site", "arrivals.id"]),
    Index("facts_patient_idx", "site", "patient"),
    Index("facts_resource_idx", "site", "resource"),
)
"""One row per `core.infant.Fact`; append-only."""

rejections: Final = Table(
    "rejections",
    metadata,
    _site(),
    _id(),
    Column("arrival", BigInteger, nullable=False),
    _text("resource"),
    Column("version_number", BigInteger),
    _text("version_updated"),
    _text("version_label"),
    _text("patient"),
    _text("about"),
    _text("path"),
    _text("reason"),
    _instant("recorded_at"),
    _instant("superseded_at", nullable=True),
    Column("version_reading", BigInteger, nullable=False, server_default="0"),
    Column("trouble", BigInteger),
    PrimaryKeyConstraint("site", "id"),
    ForeignKeyConstraint(["site", "arrival"], ["arrivals.site", "arrivals.id"]),
    ForeignKeyConstraint(["site", "trouble"], ["troubles.site", "troubles.id"]),
    Index("rejections_current_idx", "site", "resource", postgresql_where=text("superseded_at IS NULL")),
    Index("rejections_open_idx", "site", "recorded_at", "id", postgresql_where=text("superseded_at IS NULL")),
)
"""One row per `core.infant.Rejection`; current while neither a newer version of the resource nor a later reading of the
same one has answered it. `trouble`: what one entry of the mapping would answer; NULL where none would."""

troubles: Final = Table(
    "troubles",
    metadata,
    _site(),
    _id(),
    _text("section"),
    _text("system"),
    _text("code"),
    _text("kind"),
    _text("words"),
    PrimaryKeyConstraint("site", "id"),
    UniqueConstraint("site", "section", "system", "code", "kind"),
)
"""One row per `core.infant.Trouble` that ever came: a coding or word without a meaning, `words` as first seen."""

silent: Final = Table(
    "silent",
    metadata,
    _site(),
    Column("trouble", BigInteger, nullable=False),
    Column("arrival", BigInteger, nullable=False),
    _text("resource"),
    Column("number", Integer, nullable=False),
    Column("mapping", BigInteger, nullable=False),
    PrimaryKeyConstraint("site", "trouble", "arrival"),
    ForeignKeyConstraint(["site", "arrival"], ["arrivals.site", "arrivals.id"]),
    ForeignKeyConstraint(["site", "trouble"], ["troubles.site", "troubles.id"]),
)
"""Arrivals with resources that say nothing because of a code without a meaning: how many, and one of them. True of an
arrival as long as `mapping` is the one that it was last read under."""

mappings: Final = Table(
    "mappings",
    metadata,
    _site(),
    _id(),
    _text("fingerprint"),
    _instant("since"),
    PrimaryKeyConstraint("site", "id"),
)
"""Every mapping a site's arrivals were read under, in order: its file and the meanings in force; append-only."""

meanings: Final = Table(
    "meanings",
    metadata,
    _site(),
    _id(),
    _text("section"),
    _text("system"),
    _text("code"),
    Column("concept", JSONB, nullable=False),
    _instant("given_at"),
    _text("given_by"),
    _instant("withdrawn_at", nullable=True),
    Column("withdrawn_by", Text),
    PrimaryKeyConstraint("site", "id"),
    _one_of("section", ("code", "finding", "answer", "eye", "word")),
    CheckConstraint("(withdrawn_at IS NULL) = (withdrawn_by IS NULL)", name="withdrawn"),
    Index(
        "meanings_in_force_idx", "site", "section", "system", "code", unique=True,
        postgresql_where=text("withdrawn_at IS NULL"),
    ),
)  # fmt: skip
"""What somebody at a site said a code or unit word means, beside what the site's file says. `section` is the table of
the site file it would stand in, `concept` the rest of that table. Never changed, only withdrawn."""

infants: Final = Table(
    "infants",
    metadata,
    _site(),
    _text("patient"),
    Column("key", Uuid, nullable=False),
    Column("known_since", Date, nullable=False),
    _instant("first_seen"),
    _instant("changed_at"),
    Column("decision", BigInteger),
    *_judgement(),
    _text("name", ""),
    _text("identifier", ""),
    _text("unit", ""),
    _text("bed", ""),
    Column("left_hospital", Boolean, nullable=False, server_default=text("false")),
    Column("words", ARRAY(Text), nullable=False, server_default=text("'{}'")),
    Column("leaves_on", Date),
    _text("support", ""),
    PrimaryKeyConstraint("site", "patient"),
    UniqueConstraint("site", "key"),
    Index("infants_due_idx", "site", "closes", postgresql_where=text("kind <> 'none'")),
    Index("infants_state_idx", "site", "state"),
    Index("infants_words_idx", text("array_to_tsvector(words)"), postgresql_using="gin"),
)
"""Every infant a site knows, with where it stands by the last decision. `key` is the only name used outside; `words`
are what somebody may look for, folded (`store.lookup.fold`); `support` is what helps to breathe."""

aliases: Final = Table(
    "aliases",
    metadata,
    _site(),
    _text("alias"),
    _text("patient"),
    PrimaryKeyConstraint("site", "alias"),
    Index("aliases_patient_idx", "site", "patient"),
)
"""Other names of an infant: an old Patient id, or `system|value` of an identifier."""

namings: Final = Table(
    "namings",
    metadata,
    _site(),
    _id(),
    _text("alias"),
    _text("patient"),
    _instant("learned_at"),
    PrimaryKeyConstraint("site", "id"),
    Index("namings_alias_idx", "site", "alias"),
    Index("namings_patient_idx", "site", "patient"),
)
"""Everything `aliases` ever said, and since when: who was taken for whom on any day. Append-only."""

decisions: Final = Table(
    "decisions",
    metadata,
    _site(),
    _id(),
    _text("patient"),
    _instant("decided_at"),
    Column("as_of", Date, nullable=False),
    _text("policy"),
    Column("revision", Integer, nullable=False),
    *_judgement(),
    Column("body", JSONB, nullable=False),
    PrimaryKeyConstraint("site", "id"),
    Index("decisions_patient_idx", "site", "patient", "id"),
)
"""Every decision that differed from the one before it; append-only."""

editions: Final = Table(
    "editions",
    metadata,
    _site(),
    _id(),
    _text("policy"),
    Column("revision", Integer, nullable=False),
    _text("content"),
    Column("effective", Date),
    Column("document", JSONB, nullable=False),
    _instant("activated_at"),
    _text("activated_by"),
    PrimaryKeyConstraint("site", "id"),
)
"""Every policy edition put in use at a site, word for word (`document`, its digest in `content`); append-only. Without
`effective` it counts from the day it was activated on."""

publications: Final = Table(
    "publications",
    metadata,
    _site(),
    _text("type"),
    _text("id"),
    Column("version", Integer, nullable=False),
    _text("patient"),
    Column("key", Uuid, nullable=False),
    _text("step"),
    Column("decision", BigInteger, nullable=False),
    _text("status"),
    _text("owner"),
    _text("identifier"),
    Column("period_start", Date),
    Column("period_end", Date),
    _instant("updated"),
    Column("current", Boolean, nullable=False),
    Column("body", JSONB, nullable=False),
    PrimaryKeyConstraint("site", "type", "id", "version"),
    _one_of("type", ("ServiceRequest", "Task")),
    CheckConstraint("version >= 1", name="version"),
    CheckConstraint("period_start <= period_end", name="period"),
    Index("publications_current_idx", "site", "type", "id", unique=True, postgresql_where=text("current")),
    Index("publications_patient_idx", "site", "patient", postgresql_where=text("current")),
    Index("publications_updated_idx", "type", "updated", "site", "id", postgresql_where=text("current")),
    Index("publications_identifier_idx", "identifier", postgresql_where=text("current")),
)
"""What the service's own FHIR endpoint shows, every version; one of them is current."""

_WAITING: Final = text("state = 'waiting'")

outbox: Final = Table(
    "outbox",
    metadata,
    _site(),
    _id(),
    _text("channel"),
    _text("patient"),
    _text("step"),
    Column("decision", BigInteger, nullable=False),
    _text("state", "waiting"),
    Column("attempts", Integer, nullable=False, server_default="0"),
    _instant("due_at"),
    _instant("created_at"),
    _instant("sent_at", nullable=True),
    Column("receipt", JSONB(none_as_null=True)),
    Column("problem", Text),
    PrimaryKeyConstraint("site", "id"),
    _one_of("state", ("waiting", "done", "refused")),
    Index("outbox_waiting_idx", "site", "channel", "patient", "step", unique=True, postgresql_where=_WAITING),
    Index("outbox_due_idx", "site", "due_at", postgresql_where=_WAITING),
)
"""What still has to be said, and what was said: written in the transaction of the decision it speaks of."""

figures: Final = Table(
    "figures",
    metadata,
    _site(),
    _text("patient"),
    _instant("changed_at"),
    Column("definition", SmallInteger, nullable=False),
    Column("counted", ARRAY(Text), nullable=False),
    Column("last", Date),
    PrimaryKeyConstraint("site", "patient"),
    Index("figures_last_idx", "site", "last"),
)
"""What is counted of each infant (`core.figures`), kept so that no page has to count it: "figure day outcome", and the
last of the days. It is true as long as `changed_at` is that of `infants` and `definition` that of the code."""

cursors: Final = Table(
    "cursors",
    metadata,
    _site(),
    _text("feed"),
    Column("value", JSONB, nullable=False),
    _instant("updated_at"),
    PrimaryKeyConstraint("site", "feed"),
)
"""How far each feed has come."""

ROLES: Final = ("unit", "ophthalmologist", "coordinator", "it", "auditor", "machine")
"""What a person may be. `machine` is another program, which shows a token and no password."""

LOOKS: Final = ("signed-in", "refused", "signed-out", "list", "infant", "change", "export", "people")
"""What of a look is written down: a sign-in that went well or not, a sign-out, a list or an infant shown, an infant's
record changed, a list carried away, a person's record changed."""

people: Final = Table(
    "people",
    metadata,
    Column("id", Uuid, nullable=False),
    _text("sign_in"),
    _text("name"),
    _text("role"),
    Column("sites", ARRAY(Text)),
    _text("password"),
    _text("language", ""),
    Column("active", Boolean, nullable=False, server_default=text("true")),
    _instant("added_at"),
    _instant("changed_at"),
    PrimaryKeyConstraint("id"),
    UniqueConstraint("sign_in"),
    _one_of("role", ROLES),
)
"""Who may look. They belong to the installation, not to a site: `sites` are those they may see, NULL all there are.
`password` is an Argon2 hash, "" of a machine."""

sessions: Final = Table(
    "sessions",
    metadata,
    Column("token", LargeBinary, nullable=False),
    Column("person", Uuid, nullable=False),
    _instant("begun_at"),
    _instant("seen_at"),
    _instant("ends_at", nullable=True),
    _instant("ended_at", nullable=True),
    PrimaryKeyConstraint("token"),
    ForeignKeyConstraint(["person"], ["people.id"], name="sessions_people_fkey"),
    Index("sessions_person_idx", "person", postgresql_where=text("ended_at IS NULL")),
)
"""Who is signed in: `token` is the SHA-256 of what the browser (or the machine) shows. A machine's has no end."""

attempts: Final = Table(
    "attempts",
    metadata,
    _id(),
    _text("mark"),
    _instant("at"),
    Column("good", Boolean, nullable=False),
    PrimaryKeyConstraint("id"),
    Index("attempts_mark_idx", "mark", "at"),
)
"""Every try to sign in, under a mark of the name and one of the address, neither of which can be read back."""

looks: Final = Table(
    "looks",
    metadata,
    Column("site", Text, nullable=False, server_default=""),
    _id(),
    _instant("at"),
    Column("person", Uuid),
    _text("kind"),
    Column("about", Uuid),
    _text("page", ""),
    PrimaryKeyConstraint("site", "id"),
    _one_of("kind", LOOKS),
    Index("looks_at_idx", "at"),
    Index("looks_person_idx", "person", "at"),
    Index("looks_about_idx", "about", "at", postgresql_where=text("about IS NOT NULL")),
)
"""Who looked at what and changed what, when; append-only. `person` NULL: somebody who did not have to say who they are.
`about` is an infant's key (or, of a change to people, that person's id), `page` the pattern of the address."""

RIGHTS: Final[dict[str, str]] = {
    "arrivals": "SELECT, INSERT, UPDATE (state, attempts, problem, digested_at, mapping)",
    "facts": "SELECT, INSERT",
    "rejections": "SELECT, INSERT, UPDATE (superseded_at, trouble)",
    "troubles": "SELECT, INSERT",
    "silent": "SELECT, INSERT, UPDATE (resource, number, mapping)",
    "mappings": "SELECT, INSERT",
    "meanings": "SELECT, INSERT, UPDATE (withdrawn_at, withdrawn_by)",
    "infants": "SELECT, INSERT, UPDATE",
    "aliases": "SELECT, INSERT, UPDATE",
    "namings": "SELECT, INSERT",
    "decisions": "SELECT, INSERT",
    "editions": "SELECT, INSERT",
    "publications": "SELECT, INSERT, UPDATE (current)",
    "outbox": "SELECT, INSERT, UPDATE",
    "figures": "SELECT, INSERT, UPDATE",
    "cursors": "SELECT, INSERT, UPDATE",
    "people": "SELECT, INSERT, UPDATE (sign_in, name, role, sites, password, language, active, changed_at)",
    "sessions": "SELECT, INSERT, UPDATE (seen_at, ended_at)",
    "attempts": "SELECT, INSERT",
    "looks": "SELECT, INSERT",
}
"""What the service role may do with each table. Nothing may be deleted."""
