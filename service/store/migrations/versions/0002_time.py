"""What any day was like: editions in use, word for word, and since when two records were taken for one infant."""

from __future__ import annotations

from alembic import op

revision = "0002"
down_revision = "0001"

TABLES = """
CREATE TABLE namings (
    site text NOT NULL,
    id bigint GENERATED ALWAYS AS IDENTITY,
    alias text NOT NULL,
    patient text NOT NULL,
    learned_at timestamptz NOT NULL,
    CONSTRAINT namings_pkey PRIMARY KEY (site, id)
);
CREATE INDEX namings_alias_idx ON namings (site, alias);
CREATE INDEX namings_patient_idx ON namings (site, patient);

CREATE TABLE editions (
    site text NOT NULL,
    id bigint GENERATED ALWAYS AS IDENTITY,
    policy text NOT NULL,
    revision integer NOT NULL,
    content text NOT NULL,
    effective date,
    document jsonb NOT NULL,
    activated_at timestamptz NOT NULL,
    activated_by text NOT NULL,
    CONSTRAINT editions_pkey PRIMARY KEY (site, id)
);
"""

# Nobody wrote down when these names were learned: as far back as anybody can ask.
KNOWN_ALREADY = """
INSERT INTO namings (site, alias, patient, learned_at)
SELECT site, alias, patient, TIMESTAMPTZ '1970-01-01 00:00:00Z' FROM aliases ORDER BY site, alias;
"""

RIGHTS = """
GRANT SELECT, INSERT ON namings TO ridgeline_service;
GRANT SELECT, INSERT ON editions TO ridgeline_service;
"""


def upgrade() -> None:
    """Make the tables, remember the names known so far, and let the service role in."""
    for script in (TABLES, KNOWN_ALREADY, RIGHTS):
        op.get_bind().exec_driver_sql(script, execution_options={"no_parameters": True})
