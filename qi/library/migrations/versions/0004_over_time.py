"""Saved views of the page over time, what people set on its charts, and arrests known from dispatch or care records."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0004"
down_revision = "0003"

WORD = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")
MOMENT = sa.DateTime(timezone=True)
WORDS = "plans only grows: nothing in it is changed or taken away"


def upgrade() -> None:
    """Make the tables; triggers refuse to change a plan, or to take one away."""
    op.create_table(
        "views",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", WORD, nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("saved_at", MOMENT, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_views"),
    )
    op.create_index("ix_views_name", "views", ["name"], unique=True)
    op.create_table(
        "plans",
        sa.Column("chart", WORD, nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("set_at", MOMENT, nullable=False),
        sa.PrimaryKeyConstraint("chart", "id", name="pk_plans"),
    )
    op.create_table(
        "known_arrests",
        sa.Column("agency", WORD, nullable=False),
        sa.Column("case_id", WORD, nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("imported_at", MOMENT, nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("agency", "case_id", name="pk_known_arrests"),
    )
    if op.get_bind().dialect.name == "sqlite":
        for name, act in (("unchanged", "UPDATE"), ("kept", "DELETE")):
            op.execute(f"CREATE TRIGGER plans_{name} BEFORE {act} ON plans BEGIN SELECT RAISE(ABORT, '{WORDS}'); END")
        return
    op.execute(f"""
        CREATE FUNCTION plans_guard() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN
            RAISE EXCEPTION '{WORDS}' USING ERRCODE = 'restrict_violation';
        END $$""")
    op.execute("CREATE TRIGGER plans_kept BEFORE UPDATE OR DELETE ON plans FOR EACH ROW EXECUTE FUNCTION plans_guard()")
    op.execute("CREATE TRIGGER plans_not_emptied BEFORE TRUNCATE ON plans EXECUTE FUNCTION plans_guard()")
