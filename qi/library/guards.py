"""The triggers that guard what only grows: whether they stand as the migrations made them, and putting back those that do not.

Whoever may change the database's tables can take them away, change lines, and put them back: that shows in the log's chain, and
nowhere in the journal. So opening a library that has lost one says so in the log, and verifying says it until somebody accepts it.
"""

from collections.abc import Iterator, Mapping

import sqlalchemy as sa

TABLES = ("lines", "versions", "plans", "log")
OF_CASES = ("lines", "versions")  # a row may go with its whole case
_MARKED = "EXISTS (SELECT 1 FROM cases WHERE cases.key = OLD.case_key AND cases.removing)"
_LOCK = 0x51494C48  # PostgreSQL: one program at a time puts guards back
_ON_SERVER = {  # pg_trigger.tgtype: 1 each row, 2 before, 8 delete, 16 update, 32 truncate (PostgreSQL's pg_trigger.h, from memory)
    "kept": (27, "BEFORE UPDATE OR DELETE ON {0} FOR EACH ROW"),
    "not_emptied": (34, "BEFORE TRUNCATE ON {0}"),
}


def missing(connection: sa.Connection) -> list[str]:
    """The tables whose guards are gone, switched off or not as they were made, in order."""
    stands = _stands_in_file if connection.dialect.name == "sqlite" else _stands_on_server
    return [table for table in TABLES if not stands(connection, table)]


def put_back(connection: sa.Connection) -> list[str]:
    """Make the guards of those tables anew.

    Parameters: connection, in a transaction that writes.
    Returns: the tables that had lost theirs.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_LOCK)))
    gone = missing(connection)
    for table in gone:
        for statement in _for_file(table) if connection.dialect.name == "sqlite" else _for_server(table):
            connection.exec_driver_sql(statement)
    return gone


def _words(table: str) -> str:
    return f"{'the ' if table == 'log' else ''}{table} only grows: nothing in it is changed or taken away"


def _in_file(table: str) -> Mapping[str, str]:
    """SQLite's statements, by the trigger's name."""
    unless = f" WHEN NOT {_MARKED}" if table in OF_CASES else ""
    refuse = f"BEGIN SELECT RAISE(ABORT, '{_words(table)}'); END"
    return {
        f"{table}_unchanged": f"CREATE TRIGGER {table}_unchanged BEFORE UPDATE ON {table} {refuse}",
        f"{table}_kept": f"CREATE TRIGGER {table}_kept BEFORE DELETE ON {table}{unless} {refuse}",
    }


def _for_file(table: str) -> Iterator[str]:
    for name, statement in _in_file(table).items():
        yield f"DROP TRIGGER IF EXISTS {name}"
        yield statement


def _stands_in_file(connection: sa.Connection, table: str) -> bool:
    """SQLite keeps each statement as it was given."""
    asked = sa.text("SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = :table")
    found = {name: statement for name, statement in connection.execute(asked, {"table": table})}
    return all(found.get(name) == statement for name, statement in _in_file(table).items())


def _for_server(table: str) -> Iterator[str]:
    """PostgreSQL's statements."""
    yield f"CREATE OR REPLACE FUNCTION {table}_guard() RETURNS trigger LANGUAGE plpgsql AS $$ {_body(table)} $$"
    for name, (_, when) in _ON_SERVER.items():
        yield f"DROP TRIGGER IF EXISTS {table}_{name} ON {table}"
        yield f"CREATE TRIGGER {table}_{name} {when.format(table)} EXECUTE FUNCTION {table}_guard()"


def _body(table: str) -> str:
    """What PostgreSQL's triggers of a table do."""
    unless = f"IF TG_LEVEL = 'ROW' AND TG_OP = 'DELETE' THEN IF {_MARKED} THEN RETURN OLD; END IF; END IF;"
    refuse = f"RAISE EXCEPTION '{_words(table)}' USING ERRCODE = 'restrict_violation';"
    return f"BEGIN {f'{unless} ' if table in OF_CASES else ''}{refuse} END"


def _stands_on_server(connection: sa.Connection, table: str) -> bool:
    """PostgreSQL: each is there, switched on, for every row and column, and its function says what it should."""
    asked = sa.text(
        "SELECT tgname, tgtype, prosrc FROM pg_trigger JOIN pg_proc ON pg_proc.oid = tgfoid WHERE tgrelid = to_regclass(:table) "
        "AND NOT tgisinternal AND tgenabled IN ('O', 'A') AND tgqual IS NULL AND cardinality(tgattr::int2[]) = 0"
    )
    found = {name: (kind, " ".join(source.split())) for name, kind, source in connection.execute(asked, {"table": table})}
    return all(found.get(f"{table}_{name}") == (kind, _body(table)) for name, (kind, _) in _ON_SERVER.items())
