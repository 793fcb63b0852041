"""Of each line of a journal marks of whoever wrote it, which tell people of one name apart."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"


def upgrade() -> None:
    """Add the column; the lines so far hold a name alone, and none of them is written anew."""
    op.add_column("lines", sa.Column("marks", sa.Text(), nullable=False, server_default=sa.text("''")))
