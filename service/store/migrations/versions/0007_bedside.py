"""What matters at the bedside: the day on which an infant is to leave, and what helps it to breathe."""

from __future__ import annotations

from alembic import op

revision = "0007"
down_revision = "0006"

SCRIPT = """
ALTER TABLE infants ADD COLUMN leaves_on date, ADD COLUMN support text NOT NULL DEFAULT '';
"""


def upgrade() -> None:
    """Two columns more; they fill as infants are decided anew."""
    op.get_bind().exec_driver_sql(SCRIPT, execution_options={"no_parameters": True})
