"""What a site's mapping lacks, kept as arrivals are read: so that all of it can be counted, however much there is.

What was read before gets it when it is read again, which the page Feeds offers.
"""

from __future__ import annotations

from alembic import op

revision = "0008"
down_revision = "0007"

TABLES = """
CREATE TABLE troubles (
    site text NOT NULL,
    id bigint GENERATED ALWAYS AS IDENTITY,
    section text NOT NULL,
    system text NOT NULL,
    code text NOT NULL,
    kind text NOT NULL,
    words text NOT NULL,
    CONSTRAINT troubles_pkey PRIMARY KEY (site, id),
    CONSTRAINT troubles_site_section_system_code_kind_key UNIQUE (site, section, system, code, kind)
);

CREATE TABLE silent (
    site text NOT NULL,
    trouble bigint NOT NULL,
    arrival bigint NOT NULL,
    resource text NOT NULL,
    number integer NOT NULL,
    mapping bigint NOT NULL,
    CONSTRAINT silent_pkey PRIMARY KEY (site, trouble, arrival),
    CONSTRAINT silent_arrivals_fkey FOREIGN KEY (site, arrival) REFERENCES arrivals (site, id),
    CONSTRAINT silent_troubles_fkey FOREIGN KEY (site, trouble) REFERENCES troubles (site, id)
);

ALTER TABLE rejections ADD COLUMN trouble bigint,
    ADD CONSTRAINT rejections_troubles_fkey FOREIGN KEY (site, trouble) REFERENCES troubles (site, id);
CREATE INDEX rejections_open_idx ON rejections (site, recorded_at, id) WHERE superseded_at IS NULL;
"""

RIGHTS = """
GRANT SELECT, INSERT ON troubles TO ridgeline_service;
GRANT SELECT, INSERT, UPDATE (resource, number, mapping) ON silent TO ridgeline_service;
GRANT UPDATE (trouble) ON rejections TO ridgeline_service;
"""


def upgrade() -> None:
    """Make the tables, the column and an index, and let the service role in."""
    for script in (TABLES, RIGHTS):
        op.get_bind().exec_driver_sql(script, execution_options={"no_parameters": True})
