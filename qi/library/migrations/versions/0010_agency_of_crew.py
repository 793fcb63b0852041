"""Of which agency the crew numbers on the list of people are."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    """Add the column; of the entries so far nobody has said it."""
    op.add_column("people", sa.Column("agency", sa.Text(), nullable=False, server_default=sa.text("''")))
