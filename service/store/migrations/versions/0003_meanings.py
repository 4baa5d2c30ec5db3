"""What people at a site say a code means, under which mapping everything was read, and reading it again."""

from __future__ import annotations

from alembic import op

revision = "0003"
down_revision = "0002"

TABLES = """
CREATE TABLE mappings (
    site text NOT NULL,
    id bigint GENERATED ALWAYS AS IDENTITY,
    fingerprint text NOT NULL,
    since timestamptz NOT NULL,
    CONSTRAINT mappings_pkey PRIMARY KEY (site, id)
);

CREATE TABLE meanings (
    site text NOT NULL,
    id bigint GENERATED ALWAYS AS IDENTITY,
    section text NOT NULL,
    system text NOT NULL,
    code text NOT NULL,
    concept jsonb NOT NULL,
    given_at timestamptz NOT NULL,
    given_by text NOT NULL,
    withdrawn_at timestamptz,
    withdrawn_by text,
    CONSTRAINT meanings_pkey PRIMARY KEY (site, id),
    CONSTRAINT meanings_section_check CHECK (section IN ('code', 'finding', 'answer', 'eye', 'word')),
    CONSTRAINT meanings_withdrawn_check CHECK ((withdrawn_at IS NULL) = (withdrawn_by IS NULL))
);
CREATE UNIQUE INDEX meanings_in_force_idx ON meanings (site, section, system, code) WHERE withdrawn_at IS NULL;

ALTER TABLE arrivals ADD COLUMN mapping bigint NOT NULL DEFAULT '0';
CREATE INDEX arrivals_mapping_idx ON arrivals (site, mapping, id);
CREATE INDEX arrivals_feed_idx ON arrivals (site, feed, received_at);
ALTER TABLE facts ADD COLUMN version_reading bigint NOT NULL DEFAULT '0';
ALTER TABLE rejections ADD COLUMN version_reading bigint NOT NULL DEFAULT '0';
"""

RIGHTS = """
GRANT SELECT, INSERT ON mappings TO ridgeline_service;
GRANT SELECT, INSERT, UPDATE (withdrawn_at, withdrawn_by) ON meanings TO ridgeline_service;
GRANT UPDATE (mapping) ON arrivals TO ridgeline_service;
"""


def upgrade() -> None:
    """Make the tables and columns, and let the service role in."""
    for script in (TABLES, RIGHTS):
        op.get_bind().exec_driver_sql(script, execution_options={"no_parameters": True})
