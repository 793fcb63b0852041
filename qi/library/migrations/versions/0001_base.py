"""Cases, their files, the journal that only grows, and signed versions."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0001"
down_revision = None

WORD = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")
MOMENT = sa.DateTime(timezone=True)
GUARDED = ("lines", "versions")


def upgrade() -> None:
    """Make the tables, and the triggers that refuse to change what was written."""
    op.create_table(
        "cases",
        sa.Column("key", WORD, nullable=False),
        sa.Column("case_id", WORD, nullable=False),
        sa.Column("agency", sa.Text(), nullable=False),
        sa.Column("entered_at", MOMENT, nullable=False),
        sa.Column("entered_by", sa.Text(), nullable=False),
        sa.Column("last_line", sa.Integer(), nullable=False, server_default="0"),
        sa.Column("invented", sa.Boolean(), nullable=False, server_default=sa.false()),
        sa.Column("removing", sa.Boolean(), nullable=False, server_default=sa.false()),
        sa.PrimaryKeyConstraint("key", name="pk_cases"),
    )
    op.create_index("ix_cases_case_id", "cases", ["case_id"])
    op.create_table(
        "files",
        _of_case("files"),
        sa.Column("name", WORD, nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("bytes", sa.BigInteger(), nullable=False),
        sa.Column("read_as", sa.Text(), nullable=False, server_default=sa.text("''")),
        sa.PrimaryKeyConstraint("case_key", "name", name="pk_files"),
    )
    op.create_index("ix_files_sha256", "files", ["sha256"])
    op.create_table(
        "lines",
        _of_case("lines"),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("reading", sa.Integer(), nullable=False, server_default="1"),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("written_at", MOMENT, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("case_key", "number", name="pk_lines"),
    )
    op.create_table(
        "versions",
        _of_case("versions"),
        sa.Column("reading", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("signed_by", sa.Text(), nullable=False),
        sa.Column("signed_at", MOMENT, nullable=False),
        sa.Column("through", sa.Integer(), nullable=False),
        sa.Column("record", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("case_key", "reading", "version", name="pk_versions"),
    )
    for table in GUARDED:
        _guard(table)


def _of_case(table: str) -> sa.Column[str]:
    return sa.Column("case_key", WORD, sa.ForeignKey("cases.key", name=f"fk_{table}_case_key"), nullable=False)


def _guard(table: str) -> None:
    """Refuse to change a row, and to take one away unless its case is marked as being removed."""
    words = f"{table} only grows: nothing in it is changed or taken away"
    marked = "EXISTS (SELECT 1 FROM cases WHERE cases.key = OLD.case_key AND cases.removing)"
    if op.get_bind().dialect.name == "sqlite":
        op.execute(f"CREATE TRIGGER {table}_unchanged BEFORE UPDATE ON {table} BEGIN SELECT RAISE(ABORT, '{words}'); END")
        op.execute(
            f"CREATE TRIGGER {table}_kept BEFORE DELETE ON {table} WHEN NOT {marked} BEGIN SELECT RAISE(ABORT, '{words}'); END"
        )
        return
    op.execute(f"""
        CREATE FUNCTION {table}_guard() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN
            IF TG_LEVEL = 'ROW' AND TG_OP = 'DELETE' THEN
                IF {marked} THEN RETURN OLD; END IF;
            END IF;
            RAISE EXCEPTION '{words}' USING ERRCODE = 'restrict_violation';
        END $$""")
    op.execute(f"CREATE TRIGGER {table}_kept BEFORE UPDATE OR DELETE ON {table} FOR EACH ROW EXECUTE FUNCTION {table}_guard()")
    op.execute(f"CREATE TRIGGER {table}_not_emptied BEFORE TRUNCATE ON {table} EXECUTE FUNCTION {table}_guard()")
