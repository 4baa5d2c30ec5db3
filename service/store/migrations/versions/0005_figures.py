"""What is counted of each infant, so that no page has to count two hundred thousand."""

from __future__ import annotations

from alembic import op

revision = "0005"
down_revision = "0004"

SCRIPT = """
CREATE TABLE figures (
    site text NOT NULL,
    patient text NOT NULL,
    changed_at timestamptz NOT NULL,
    definition smallint NOT NULL,
    counted text[] NOT NULL,
    last date,
    CONSTRAINT figures_pkey PRIMARY KEY (site, patient)
);
CREATE INDEX figures_last_idx ON figures (site, last);
GRANT SELECT, INSERT, UPDATE ON figures TO ridgeline_service;
"""


def upgrade() -> None:
    """Make the table and let the service role in."""
    op.get_bind().exec_driver_sql(SCRIPT, execution_options={"no_parameters": True})
