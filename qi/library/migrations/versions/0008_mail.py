"""Of each crew number that a sheet went to: when the message about it was mailed, and why it could not be."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    """Add the columns; nothing was mailed so far."""
    op.add_column("sheet_crew", sa.Column("mailed_at", sa.DateTime(timezone=True)))
    op.add_column("sheet_crew", sa.Column("mail_trouble", sa.Text(), nullable=False, server_default=sa.text("''")))
