"""What the worklist shows of a case, outcomes read in, and removals. The library fills the states from the journal afterwards."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

MOMENT = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Add the columns; a case that is there already waits since it came in, until its journal has been read."""
    for name in ("call_at", "waiting_since", "signed_at", "feedback_at"):
        op.add_column("cases", sa.Column(name, MOMENT))
    for name in ("station", "shift", "unit"):
        op.add_column("cases", sa.Column(name, sa.Text()))
    for name in ("concern_words", "assigned_to", "signed_by", "excluded", "second_status"):
        op.add_column("cases", sa.Column(name, sa.Text(), nullable=False, server_default=sa.text("''")))
    for name in ("agreement", "outcome_told"):
        op.add_column("cases", sa.Column(name, sa.JSON()))
    op.add_column("cases", sa.Column("duration_s", sa.Float()))
    op.add_column("cases", sa.Column("concern", sa.Float(), nullable=False, server_default="0"))
    op.add_column("cases", sa.Column("status", sa.Text(), nullable=False, server_default="waiting"))
    op.add_column("cases", sa.Column("version", sa.Integer(), nullable=False, server_default="1"))
    op.add_column("cases", sa.Column("drawn", sa.Boolean(), nullable=False, server_default=sa.false()))
    op.execute("UPDATE cases SET waiting_since = entered_at")
    op.create_index("ix_cases_status", "cases", ["status"])
    op.create_table(
        "outcome_imports",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("imported_at", MOMENT, nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("rows", sa.Integer(), nullable=False),
        sa.Column("matched", sa.Integer(), nullable=False),
        sa.Column("written", sa.Integer(), nullable=False),
        sa.Column("mismatches", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_outcome_imports"),
    )
    op.create_table(
        "removals",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("case_key", sa.Text(), nullable=False),
        sa.Column("removed_at", MOMENT, nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("lines", sa.Integer(), nullable=False),
        sa.Column("invented", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_removals"),
    )
