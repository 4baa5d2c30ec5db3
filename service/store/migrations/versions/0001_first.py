"""The first schema: every table, the job queue's own schema, and what the service role may do with them."""

from __future__ import annotations

from alembic import op
from procrastinate.schema import SchemaManager

revision = "0001"
down_revision = None

TABLES = """
CREATE TABLE arrivals (
    site text NOT NULL,
    id bigint GENERATED ALWAYS AS IDENTITY,
    received_at timestamptz NOT NULL,
    feed text NOT NULL,
    method text NOT NULL,
    path text NOT NULL,
    body bytea NOT NULL,
    state text DEFAULT 'new' NOT NULL,
    attempts integer DEFAULT '0' NOT NULL,
    problem text,
    digested_at timestamptz,
    CONSTRAINT arrivals_pkey PRIMARY KEY (site, id),
    CONSTRAINT arrivals_state_check CHECK (state IN ('new', 'digested', 'failed')),
    CONSTRAINT arrivals_digested_check CHECK ((state = 'digested') = (digested_at IS NOT NULL))
);
CREATE INDEX arrivals_open_idx ON arrivals (site, id) WHERE state <> 'digested';

CREATE TABLE facts (
    site text NOT NULL,
    id bigint GENERATED ALWAYS AS IDENTITY,
    arrival bigint NOT NULL,
    resource text NOT NULL,
    version_number bigint,
    version_updated text NOT NULL,
    version_label text NOT NULL,
    patient text NOT NULL,
    name text NOT NULL,
    value jsonb NOT NULL,
    rank smallint NOT NULL,
    certain boolean NOT NULL,
    issued text NOT NULL,
    recorded_at timestamptz NOT NULL,
    CONSTRAINT facts_pkey PRIMARY KEY (site, id),
    CONSTRAINT facts_arrivals_fkey FOREIGN KEY(site, arrival) REFERENCES arrivals (site, id)
);
CREATE INDEX facts_patient_idx ON facts (site, patient);
CREATE INDEX facts_resource_idx ON facts (site, resource);

CREATE TABLE rejections (
    site text NOT NULL,
    id bigint GENERATED ALWAYS AS IDENTITY,
    arrival bigint NOT NULL,
    resource text NOT NULL,
    version_number bigint,
    version_updated text NOT NULL,
    version_label text NOT NULL,
    patient text NOT NULL,
    about text NOT NULL,
    path text NOT NULL,
    reason text NOT NULL,
    recorded_at timestamptz NOT NULL,
    superseded_at timestamptz,
    CONSTRAINT rejections_pkey PRIMARY KEY (site, id),
    CONSTRAINT rejections_arrivals_fkey FOREIGN KEY(site, arrival) REFERENCES arrivals (site, id)
);
CREATE INDEX rejections_current_idx ON rejections (site, resource) WHERE superseded_at IS NULL;

CREATE TABLE infants (
    site text NOT NULL,
    patient text NOT NULL,
    key uuid NOT NULL,
    known_since date NOT NULL,
    first_seen timestamptz NOT NULL,
    changed_at timestamptz NOT NULL,
    decision bigint,
    state text NOT NULL,
    eligible text NOT NULL,
    kind text NOT NULL,
    opens date,
    due date,
    closes date,
    name text DEFAULT '' NOT NULL,
    identifier text DEFAULT '' NOT NULL,
    unit text DEFAULT '' NOT NULL,
    bed text DEFAULT '' NOT NULL,
    left_hospital boolean DEFAULT false NOT NULL,
    CONSTRAINT infants_pkey PRIMARY KEY (site, patient),
    CONSTRAINT infants_state_check CHECK (state IN ('eligible', 'unknown', 'not-eligible', 'closed')),
    CONSTRAINT infants_eligible_check CHECK (eligible IN ('yes', 'no', 'unknown')),
    CONSTRAINT infants_no_limbo_check CHECK ((state IN ('eligible', 'unknown')) = (kind <> 'none')),
    CONSTRAINT infants_dated_check CHECK (num_nulls(opens, due, closes) = CASE kind WHEN 'none' THEN 3 ELSE 0 END),
    CONSTRAINT infants_window_check CHECK (opens <= due AND due <= closes),
    CONSTRAINT infants_site_key_key UNIQUE (site, key)
);
CREATE INDEX infants_due_idx ON infants (site, closes) WHERE kind <> 'none';

CREATE TABLE aliases (
    site text NOT NULL,
    alias text NOT NULL,
    patient text NOT NULL,
    CONSTRAINT aliases_pkey PRIMARY KEY (site, alias)
);
CREATE INDEX aliases_patient_idx ON aliases (site, patient);

CREATE TABLE decisions (
    site text NOT NULL,
    id bigint GENERATED ALWAYS AS IDENTITY,
    patient text NOT NULL,
    decided_at timestamptz NOT NULL,
    as_of date NOT NULL,
    policy text NOT NULL,
    revision integer NOT NULL,
    state text NOT NULL,
    eligible text NOT NULL,
    kind text NOT NULL,
    opens date,
    due date,
    closes date,
    body jsonb NOT NULL,
    CONSTRAINT decisions_pkey PRIMARY KEY (site, id),
    CONSTRAINT decisions_state_check CHECK (state IN ('eligible', 'unknown', 'not-eligible', 'closed')),
    CONSTRAINT decisions_eligible_check CHECK (eligible IN ('yes', 'no', 'unknown')),
    CONSTRAINT decisions_no_limbo_check CHECK ((state IN ('eligible', 'unknown')) = (kind <> 'none')),
    CONSTRAINT decisions_dated_check CHECK (num_nulls(opens, due, closes) = CASE kind WHEN 'none' THEN 3 ELSE 0 END),
    CONSTRAINT decisions_window_check CHECK (opens <= due AND due <= closes)
);
CREATE INDEX decisions_patient_idx ON decisions (site, patient, id);

CREATE TABLE publications (
    site text NOT NULL,
    type text NOT NULL,
    id text NOT NULL,
    version integer NOT NULL,
    patient text NOT NULL,
    key uuid NOT NULL,
    step text NOT NULL,
    decision bigint NOT NULL,
    status text NOT NULL,
    owner text NOT NULL,
    identifier text NOT NULL,
    period_start date,
    period_end date,
    updated timestamptz NOT NULL,
    current boolean NOT NULL,
    body jsonb NOT NULL,
    CONSTRAINT publications_pkey PRIMARY KEY (site, type, id, version),
    CONSTRAINT publications_type_check CHECK (type IN ('ServiceRequest', 'Task')),
    CONSTRAINT publications_version_check CHECK (version >= 1),
    CONSTRAINT publications_period_check CHECK (period_start <= period_end)
);
CREATE UNIQUE INDEX publications_current_idx ON publications (site, type, id) WHERE current;
CREATE INDEX publications_identifier_idx ON publications (identifier) WHERE current;
CREATE INDEX publications_patient_idx ON publications (site, patient) WHERE current;
CREATE INDEX publications_updated_idx ON publications (type, updated, site, id) WHERE current;

CREATE TABLE outbox (
    site text NOT NULL,
    id bigint GENERATED ALWAYS AS IDENTITY,
    channel text NOT NULL,
    patient text NOT NULL,
    step text NOT NULL,
    decision bigint NOT NULL,
    state text DEFAULT 'waiting' NOT NULL,
    attempts integer DEFAULT '0' NOT NULL,
    due_at timestamptz NOT NULL,
    created_at timestamptz NOT NULL,
    sent_at timestamptz,
    receipt jsonb,
    problem text,
    CONSTRAINT outbox_pkey PRIMARY KEY (site, id),
    CONSTRAINT outbox_state_check CHECK (state IN ('waiting', 'done', 'refused'))
);
CREATE INDEX outbox_due_idx ON outbox (site, due_at) WHERE state = 'waiting';
CREATE UNIQUE INDEX outbox_waiting_idx ON outbox (site, channel, patient, step) WHERE state = 'waiting';

CREATE TABLE cursors (
    site text NOT NULL,
    feed text NOT NULL,
    value jsonb NOT NULL,
    updated_at timestamptz NOT NULL,
    CONSTRAINT cursors_pkey PRIMARY KEY (site, feed)
);
"""

# Nothing may be deleted; facts, decisions and the body of an arrival may not be changed either.
RIGHTS = """
REVOKE CREATE ON SCHEMA public FROM PUBLIC;
GRANT USAGE ON SCHEMA public TO ridgeline_service;
GRANT SELECT, INSERT, UPDATE (state, attempts, problem, digested_at) ON arrivals TO ridgeline_service;
GRANT SELECT, INSERT ON facts TO ridgeline_service;
GRANT SELECT, INSERT, UPDATE (superseded_at) ON rejections TO ridgeline_service;
GRANT SELECT, INSERT, UPDATE ON infants TO ridgeline_service;
GRANT SELECT, INSERT, UPDATE ON aliases TO ridgeline_service;
GRANT SELECT, INSERT ON decisions TO ridgeline_service;
GRANT SELECT, INSERT, UPDATE (current) ON publications TO ridgeline_service;
GRANT SELECT, INSERT, UPDATE ON outbox TO ridgeline_service;
GRANT SELECT, INSERT, UPDATE ON cursors TO ridgeline_service;
"""

# A queue is worked off: its rows come and go.
JOBS = """
CREATE SCHEMA procrastinate;
SET LOCAL search_path TO procrastinate;
{schema}
SET LOCAL search_path TO DEFAULT;
GRANT USAGE ON SCHEMA procrastinate TO ridgeline_service;
GRANT SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA procrastinate TO ridgeline_service;
GRANT USAGE ON ALL SEQUENCES IN SCHEMA procrastinate TO ridgeline_service;
"""


def upgrade() -> None:
    """Build everything. The statements run as they stand: `%` and `:` in them are not parameters."""
    for script in (TABLES, RIGHTS, JOBS.format(schema=SchemaManager.get_schema())):
        op.get_bind().exec_driver_sql(script, execution_options={"no_parameters": True})
