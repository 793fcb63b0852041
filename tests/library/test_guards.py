"""The guards of what only grows: told where they are gone, and put back as the migrations made them."""

import pytest
import sqlalchemy as sa

from qi.library import guards
from tests.library.made_cases import CORRECTION, Clock, bring_in

WHO = "M. Ortiz"
HARMLESS = {
    True: "CREATE TRIGGER {0}_kept BEFORE DELETE ON {0} WHEN 1 = 0 BEGIN SELECT RAISE(ABORT, 'never'); END",
    False: "CREATE OR REPLACE FUNCTION {0}_guard() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RETURN COALESCE(NEW, OLD); END $$",
}
LOST = {  # SQLite, PostgreSQL
    "dropped": {True: ["DROP TRIGGER {0}_kept"], False: ["DROP TRIGGER {0}_kept ON {0}"]},
    "the other one dropped": {True: ["DROP TRIGGER {0}_unchanged"], False: ["DROP TRIGGER {0}_not_emptied ON {0}"]},
    "made harmless": {True: ["DROP TRIGGER {0}_kept", HARMLESS[True]], False: [HARMLESS[False]]},
    "switched off": {True: [], False: ["ALTER TABLE {0} DISABLE TRIGGER {0}_kept"]},
    "never asked": {
        True: [],
        False: [
            "DROP TRIGGER {0}_kept ON {0}",
            "CREATE TRIGGER {0}_kept BEFORE UPDATE OR DELETE ON {0} FOR EACH ROW WHEN (1 = 0) EXECUTE FUNCTION {0}_guard()",
        ],
    },
}


def as_made(library):
    """Every guard as the database itself tells it."""
    asked = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' ORDER BY name"
    if library.database.engine.dialect.name == "postgresql":
        asked = (
            "SELECT tgname, pg_get_triggerdef(pg_trigger.oid), tgenabled, regexp_replace(prosrc, '\\s+', ' ', 'g') FROM "
            "pg_trigger JOIN pg_proc ON pg_proc.oid = tgfoid WHERE NOT tgisinternal AND tgrelid IN "
            "(SELECT to_regclass(name) FROM unnest(ARRAY['lines', 'versions', 'plans', 'log']) AS name) ORDER BY tgname"
        )
    with library.database.reading() as connection:
        return [tuple(str(part).strip() for part in row) for row in connection.execute(sa.text(asked))]


@pytest.mark.parametrize("table", guards.TABLES)
@pytest.mark.parametrize("how", LOST)
def test_a_guard_that_is_gone_is_told_put_back_and_told_until_somebody_accepts_it(place, how, table):
    library = place.open()
    library.now = Clock()
    made = as_made(library)
    assert len(made) == 2 * len(guards.TABLES)
    statements = LOST[how][place.is_sqlite]
    if not statements:
        pytest.skip("SQLite has no such thing")
    with library.database.writing() as connection:
        for statement in statements:
            connection.exec_driver_sql(statement.format(table))
    assert as_made(library) != made
    assert library.verify_log() == [
        f"The guards of {table} are gone, or not as they were made: opening the library anew puts them back."
    ]
    again = place.open()
    assert as_made(again) == made
    (line,) = again.log_lines()
    assert (line.who, line.did, line.what) == ("the library", "put back", f"guards, {table}")
    for library_ in (library, again, place.open()):
        (said,) = library_.verify_log()
        assert said.startswith(f"Line 1, {line.at:%Y-%m-%d}: the guards of {table} were gone")
    again.accept_log_end("moved", who=WHO)
    assert again.verify_log() == []
    assert [one.did for one in place.open().log_lines()] == ["accepted", "put back"]


def test_all_of_them_are_put_back_as_the_migrations_made_them_and_let_a_case_go(place, tmp_path):
    library = place.open()
    made, key = as_made(library), bring_in(library, tmp_path)
    library.write(key, "correction", CORRECTION, who=WHO, after=0)
    with library.database.writing() as connection:
        for table in guards.TABLES:
            for statement in LOST["dropped"][place.is_sqlite] + LOST["the other one dropped"][place.is_sqlite]:
                connection.exec_driver_sql(statement.format(table))
    library = place.open()
    assert as_made(library) == made
    assert library.log_lines()[0].what == "guards, lines, versions, plans, log"
    library.remove(key, who=WHO)
    assert library.keys() == []
