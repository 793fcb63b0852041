"""The log, which only grows, and of a case taken out whether its measures stay."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0005"
down_revision = "0004"

WORD = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")


def upgrade() -> None:
    """Make the log with the triggers that refuse to change it; of every case taken out so far nothing stays."""
    op.create_table(
        "log",
        sa.Column("number", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("did", WORD, nullable=False),
        sa.Column("case_key", WORD, nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("before", sa.Text(), nullable=False),
        sa.Column("hash", sa.Text(), nullable=False),
        sa.Column("seal", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_log"),
    )
    op.create_index("ix_log_case_key", "log", ["case_key"])
    op.add_column("removals", sa.Column("measures_kept", sa.Boolean(), nullable=False, server_default=sa.false()))
    op.create_index("ix_removals_case_key", "removals", ["case_key"])
    _guard()


def _guard() -> None:
    words = "the log only grows: nothing in it is changed or taken away"
    if op.get_bind().dialect.name == "sqlite":
        for name, act in (("unchanged", "UPDATE"), ("kept", "DELETE")):
            op.execute(f"CREATE TRIGGER log_{name} BEFORE {act} ON log BEGIN SELECT RAISE(ABORT, '{words}'); END")
        return
    op.execute(f"""
        CREATE FUNCTION log_guard() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN
            RAISE EXCEPTION '{words}' USING ERRCODE = 'restrict_violation';
        END $$""")
    op.execute("CREATE TRIGGER log_kept BEFORE UPDATE OR DELETE ON log FOR EACH ROW EXECUTE FUNCTION log_guard()")
    op.execute("CREATE TRIGGER log_not_emptied BEFORE TRUNCATE ON log EXECUTE FUNCTION log_guard()")
