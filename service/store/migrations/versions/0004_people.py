"""Who may look, who is signed in, and who looked at what."""

from __future__ import annotations

from alembic import op

revision = "0004"
down_revision = "0003"

TABLES = """
CREATE TABLE people (
    id uuid NOT NULL,
    sign_in text NOT NULL,
    name text NOT NULL,
    role text NOT NULL,
    sites text[],
    password text NOT NULL,
    language text DEFAULT '' NOT NULL,
    active boolean DEFAULT true NOT NULL,
    added_at timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    CONSTRAINT people_pkey PRIMARY KEY (id),
    CONSTRAINT people_role_check CHECK (role IN ('unit', 'ophthalmologist', 'coordinator', 'it', 'auditor', 'machine')),
    CONSTRAINT people_sign_in_key UNIQUE (sign_in)
);

CREATE TABLE sessions (
    token bytea NOT NULL,
    person uuid NOT NULL,
    begun_at timestamptz NOT NULL,
    seen_at timestamptz NOT NULL,
    ends_at timestamptz,
    ended_at timestamptz,
    CONSTRAINT sessions_pkey PRIMARY KEY (token),
    CONSTRAINT sessions_people_fkey FOREIGN KEY(person) REFERENCES people (id)
);
CREATE INDEX sessions_person_idx ON sessions (person) WHERE ended_at IS NULL;

CREATE TABLE attempts (
    id bigint GENERATED ALWAYS AS IDENTITY,
    mark text NOT NULL,
    at timestamptz NOT NULL,
    good boolean NOT NULL,
    CONSTRAINT attempts_pkey PRIMARY KEY (id)
);
CREATE INDEX attempts_mark_idx ON attempts (mark, at);

CREATE TABLE looks (
    site text DEFAULT '' NOT NULL,
    id bigint GENERATED ALWAYS AS IDENTITY,
    at timestamptz NOT NULL,
    person uuid,
    kind text NOT NULL,
    about uuid,
    page text DEFAULT '' NOT NULL,
    CONSTRAINT looks_pkey PRIMARY KEY (site, id),
    CONSTRAINT looks_kind_check CHECK (
        kind IN ('signed-in', 'refused', 'signed-out', 'list', 'infant', 'change', 'export', 'people')
    )
);
CREATE INDEX looks_at_idx ON looks (at);
CREATE INDEX looks_person_idx ON looks (person, at);
CREATE INDEX looks_about_idx ON looks (about, at) WHERE about IS NOT NULL;
"""

# What somebody looked at, and how often a password was tried, may be added to and never changed.
RIGHTS = """
GRANT SELECT, INSERT, UPDATE (sign_in, name, role, sites, password, language, active, changed_at)
    ON people TO ridgeline_service;
GRANT SELECT, INSERT, UPDATE (seen_at, ended_at) ON sessions TO ridgeline_service;
GRANT SELECT, INSERT ON attempts TO ridgeline_service;
GRANT SELECT, INSERT ON looks TO ridgeline_service;
"""


def upgrade() -> None:
    """Make the tables and let the service role in."""
    for script in (TABLES, RIGHTS):
        op.get_bind().exec_driver_sql(script, execution_options={"no_parameters": True})
