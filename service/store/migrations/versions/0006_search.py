"""What infants are found by: the folded words of name, number and bed, with an index; and an index that
counts infants by state, however many are known."""

from __future__ import annotations

from alembic import op
from sqlalchemy import text

from service.store.lookup import words_of

revision = "0006"
down_revision = "0005"

COLUMN = """
ALTER TABLE infants ADD COLUMN words text[] DEFAULT '{}' NOT NULL;
"""

INDEXES = """
CREATE INDEX infants_words_idx ON infants USING gin (array_to_tsvector(words));
CREATE INDEX infants_state_idx ON infants (site, state);
"""


def upgrade() -> None:
    """Add the column, fill it for everybody known so far, and index it."""
    connection = op.get_bind()
    connection.exec_driver_sql(COLUMN, execution_options={"no_parameters": True})
    known = connection.execute(text("SELECT site, patient, name, identifier, bed FROM infants")).all()
    rows = [{"at": row.site, "who": row.patient, "words": words_of(row.name, row.identifier, row.bed)} for row in known]
    if rows:
        connection.execute(text("UPDATE infants SET words = :words WHERE site = :at AND patient = :who"), rows)
    connection.exec_driver_sql(INDEXES, execution_options={"no_parameters": True})
