"""Who may use the app: how sign-in knows them, their roles, and their numbers as crew."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0006"
down_revision = "0005"

WORD = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")
MOMENT = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Make the table, empty; of one subject at most one row is in force."""
    op.create_table(
        "people",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("subject", WORD, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("roles", sa.JSON(), nullable=False),
        sa.Column("crew_ids", sa.JSON(), nullable=False),
        sa.Column("added_by", sa.Text(), nullable=False),
        sa.Column("added_at", MOMENT, nullable=False),
        sa.Column("ended_by", sa.Text(), nullable=False, server_default=sa.text("''")),
        sa.Column("ended_at", MOMENT),
        sa.PrimaryKeyConstraint("id", name="pk_people"),
    )
    in_force = sa.text("ended_at IS NULL")
    op.create_index("ix_people_subject", "people", ["subject"], unique=True, sqlite_where=in_force, postgresql_where=in_force)
