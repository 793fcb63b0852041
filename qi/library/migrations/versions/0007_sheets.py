"""Feedback sheets: as written, to whom sent, who has read them, and what they answered."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0007"
down_revision = "0006"

WORD = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")
MOMENT = sa.DateTime(timezone=True)
OF_A_SHEET = ("sheets.case_key", "sheets.number")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "sheets",
        sa.Column("case_key", WORD, nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("made_by", sa.Text(), nullable=False),
        sa.Column("made_at", MOMENT, nullable=False),
        sa.Column("sent_by", sa.Text(), nullable=False, server_default=sa.text("''")),
        sa.Column("sent_at", MOMENT),
        sa.ForeignKeyConstraint(["case_key"], ["cases.key"], name="fk_sheets_case_key"),
        sa.PrimaryKeyConstraint("case_key", "number", name="pk_sheets"),
    )
    op.create_table(
        "sheet_crew",
        sa.Column("case_key", WORD, nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("crew", WORD, nullable=False),
        sa.Column("read_at", MOMENT),
        sa.ForeignKeyConstraint(["case_key", "number"], OF_A_SHEET, name="fk_sheet_crew_case_key"),
        sa.PrimaryKeyConstraint("case_key", "number", "crew", name="pk_sheet_crew"),
    )
    op.create_index("ix_sheet_crew_crew", "sheet_crew", ["crew"])
    op.create_table(
        "sheet_answers",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("case_key", WORD, nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("crew", sa.Text(), nullable=False),
        sa.Column("answered_at", MOMENT, nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["case_key", "number"], OF_A_SHEET, name="fk_sheet_answers_case_key"),
        sa.PrimaryKeyConstraint("id", name="pk_sheet_answers"),
    )
    op.create_index("ix_sheet_answers_case_key", "sheet_answers", ["case_key"])
