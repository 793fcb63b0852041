"""Tables of the library's database, alike on SQLite and PostgreSQL. Migrations make them; a test holds the two together.

Nothing in them names a patient. Times are aware and in UTC.
"""

from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql


class UtcDateTime(sa.TypeDecorator[datetime]):
    """A moment: aware on the way in, in UTC on the way out, on databases that keep no zone as well."""

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: sa.Dialect) -> datetime | None:
        """To UTC.

        Raises: ValueError for a time without a zone.
        """
        if value is None:
            return None
        if value.utcoffset() is None:
            raise ValueError(f"{value} has no zone; only aware times are kept")
        return value.astimezone(UTC)

    def process_result_value(self, value: Any | None, dialect: sa.Dialect) -> datetime | None:  # noqa: ANN401 - as SQLAlchemy
        """From UTC."""
        if value is None:
            return None
        moment: datetime = value
        return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


# Sorted by code point on both databases, whatever the server's language.
WORD = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")
KEPT = sa.JSON(none_as_null=True)

METADATA = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False, server_default=sa.text("''"))


# One row a case. Up to `removing` it says what came in; below stands what the worklist shows, derived from the journal in the same
# transaction as each line (`rebuild_states` makes it anew), or told by the pipeline (call, crew, duration, concern).
CASES = sa.Table(
    "cases",
    METADATA,
    sa.Column("key", WORD, primary_key=True),
    sa.Column("case_id", WORD, nullable=False, index=True),
    sa.Column("agency", sa.Text, nullable=False),
    sa.Column("entered_at", UtcDateTime, nullable=False),
    sa.Column("entered_by", sa.Text, nullable=False),
    sa.Column("last_line", sa.Integer, nullable=False, server_default="0"),
    sa.Column("invented", sa.Boolean, nullable=False, server_default=sa.false()),
    sa.Column("removing", sa.Boolean, nullable=False, server_default=sa.false()),
    sa.Column("call_at", UtcDateTime),
    sa.Column("call_offset_min", sa.Integer),
    sa.Column("station", sa.Text),
    sa.Column("shift", sa.Text),
    sa.Column("unit", sa.Text),
    sa.Column("duration_s", sa.Float),
    sa.Column("concern", sa.Float, nullable=False, server_default="0"),
    _text("concern_words"),
    sa.Column("status", sa.Text, nullable=False, server_default="waiting", index=True),
    _text("assigned_to"),
    sa.Column("waiting_since", UtcDateTime),
    sa.Column("version", sa.Integer, nullable=False, server_default="1"),
    sa.Column("signed_at", UtcDateTime),
    _text("signed_by"),
    sa.Column("feedback_at", UtcDateTime),
    _text("excluded"),
    sa.Column("drawn", sa.Boolean, nullable=False, server_default=sa.false()),
    _text("second_status"),
    sa.Column("agreement", KEPT),
    sa.Column("outcome_told", KEPT),
)

# The originals of each case.
FILES = sa.Table(
    "files",
    METADATA,
    sa.Column("case_key", WORD, sa.ForeignKey("cases.key"), primary_key=True),
    sa.Column("name", WORD, primary_key=True),
    sa.Column("sha256", sa.Text, nullable=False, index=True),
    sa.Column("bytes", sa.BigInteger, nullable=False),
    sa.Column("read_as", sa.Text, nullable=False, server_default=sa.text("''")),
)

# The journal. A trigger refuses to change a line, or to take one away unless its whole case is being removed. marks, with a blank
# between, tell writers of one name apart.
LINES = sa.Table(
    "lines",
    METADATA,
    sa.Column("case_key", WORD, sa.ForeignKey("cases.key"), primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("reading", sa.Integer, nullable=False, server_default="1"),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("written_at", UtcDateTime, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("body", sa.JSON, nullable=False),
    _text("marks"),
)

# What was signed, as it stood; guarded as the journal is.
VERSIONS = sa.Table(
    "versions",
    METADATA,
    sa.Column("case_key", WORD, sa.ForeignKey("cases.key"), primary_key=True),
    sa.Column("reading", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("version", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("signed_by", sa.Text, nullable=False),
    sa.Column("signed_at", UtcDateTime, nullable=False),
    sa.Column("through", sa.Integer, nullable=False),
    sa.Column("record", sa.JSON, nullable=False),
)

# Each time that a hospital's outcomes were read in.
OUTCOME_IMPORTS = sa.Table(
    "outcome_imports",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("file", sa.Text, nullable=False),
    sa.Column("sha256", sa.Text, nullable=False),
    sa.Column("imported_at", UtcDateTime, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("rows", sa.Integer, nullable=False),
    sa.Column("matched", sa.Integer, nullable=False),
    sa.Column("written", sa.Integer, nullable=False),
    sa.Column("mismatches", sa.JSON, nullable=False),
)

# That a case was taken out, by whom and when, and whether its measures stay; nothing of what was in it.
REMOVALS = sa.Table(
    "removals",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("case_key", sa.Text, nullable=False, index=True),
    sa.Column("removed_at", UtcDateTime, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("lines", sa.Integer, nullable=False),
    sa.Column("invented", sa.Boolean, nullable=False),
    sa.Column("measures_kept", sa.Boolean, nullable=False, server_default=sa.false()),
)

# Who did what to which case, and when (qi.library.log): each line holds the hash of the one before it. Triggers refuse to change a
# line or to take one away; case_key is no foreign key, since a line outlasts its case.
LOG = sa.Table(
    "log",
    METADATA,
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("at", UtcDateTime, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("did", WORD, nullable=False),
    sa.Column("case_key", WORD, nullable=False, index=True),
    sa.Column("what", sa.Text, nullable=False),
    sa.Column("before", sa.Text, nullable=False),
    sa.Column("hash", sa.Text, nullable=False),
    sa.Column("seal", sa.Text, nullable=False),
)

# Views of the page over time that people saved, by name.
VIEWS = sa.Table(
    "views",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("name", WORD, nullable=False, unique=True, index=True),
    sa.Column("body", sa.JSON, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("saved_at", UtcDateTime, nullable=False),
)

# What people set on a chart, whole each time, numbered within the chart; guarded as the journal is.
PLANS = sa.Table(
    "plans",
    METADATA,
    sa.Column("chart", WORD, primary_key=True),
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("body", sa.JSON, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("set_at", UtcDateTime, nullable=False),
)

# Arrests that dispatch or care records know, whether or not anything of them was brought in: number and day, no patient.
KNOWN_ARRESTS = sa.Table(
    "known_arrests",
    METADATA,
    sa.Column("agency", WORD, primary_key=True),
    sa.Column("case_id", WORD, primary_key=True),
    sa.Column("day", sa.Date, nullable=False),
    sa.Column("source", sa.Text, nullable=False),
    sa.Column("imported_at", UtcDateTime, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
)


# Feedback sheets as the reviewer left them; one that was sent is never changed, the next has a number of its own.
SHEETS = sa.Table(
    "sheets",
    METADATA,
    sa.Column("case_key", WORD, sa.ForeignKey("cases.key"), primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("body", sa.JSON, nullable=False),
    sa.Column("made_by", sa.Text, nullable=False),
    sa.Column("made_at", UtcDateTime, nullable=False),
    _text("sent_by"),
    sa.Column("sent_at", UtcDateTime),
)

# To which crew numbers a sheet was sent, when each had read it, when a message about it was mailed, and why the last one was not.
SHEET_CREW = sa.Table(
    "sheet_crew",
    METADATA,
    sa.Column("case_key", WORD, primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("crew", WORD, primary_key=True, index=True),
    sa.Column("read_at", UtcDateTime),
    sa.Column("mailed_at", UtcDateTime),
    _text("mail_trouble"),
    sa.ForeignKeyConstraint(["case_key", "number"], ["sheets.case_key", "sheets.number"]),
)

# What the crew answered.
SHEET_ANSWERS = sa.Table(
    "sheet_answers",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("case_key", WORD, nullable=False, index=True),
    sa.Column("number", sa.Integer, nullable=False),
    sa.Column("crew", sa.Text, nullable=False),
    sa.Column("answered_at", UtcDateTime, nullable=False),
    sa.Column("text", sa.Text, nullable=False),
    sa.ForeignKeyConstraint(["case_key", "number"], ["sheets.case_key", "sheets.number"]),
)

# Who may use the app, and who could before; of one subject at most one row is in force. agency is that of the crew numbers.
PEOPLE = sa.Table(
    "people",
    METADATA,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("subject", WORD, nullable=False),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("roles", sa.JSON, nullable=False),
    sa.Column("crew_ids", sa.JSON, nullable=False),
    sa.Column("added_by", sa.Text, nullable=False),
    sa.Column("added_at", UtcDateTime, nullable=False),
    _text("ended_by"),
    sa.Column("ended_at", UtcDateTime),
    _text("agency"),
    sa.Index(
        "ix_people_subject",
        "subject",
        unique=True,
        sqlite_where=sa.text("ended_at IS NULL"),
        postgresql_where=sa.text("ended_at IS NULL"),
    ),
)

# Sign-ins that were ended before their time; a row may go once its time is over.
SIGN_OUTS = sa.Table(
    "sign_outs",
    METADATA,
    sa.Column("sign_in", sa.String(64), primary_key=True),
    sa.Column("until", UtcDateTime, nullable=False),
)
