"""The command line on what is kept: the log shown and verified, and what goes by age."""

import argparse
import sys
from datetime import UTC, datetime

from qi.desk import retention
from qi.library.library import Library
from qi.model.errors import QiError

MOST = 50  # lines shown where nothing says how many (our default, no source)


def log(library: Library, asked: argparse.Namespace) -> int:
    """Show the log's last lines that fit, or verify the chain, 1 where it is broken; or take it as it ends now."""
    if asked.accept_end:
        library.accept_log_end(asked.accept_end, who=asked.by)
        print("the log is taken as it ends now: line {}; its hash, to be kept elsewhere: {}".format(*library.log_head()))
        return 0
    if asked.verify or asked.head:
        return _verify(library, asked)
    since = _day(asked.since) if asked.since else None
    limit = None if since or asked.case else MOST
    for line in reversed(library.log_lines(case=asked.case, since=since, limit=limit)):
        parts = (f"{line.number}", f"{line.at:%Y-%m-%d %H:%M:%S} UTC", line.who, line.did, line.case, line.what)
        print("  ".join(part for part in parts if part))
    return 0


def _day(text: str) -> datetime:
    """The begin of a day in UTC.

    Raises: QiError for what is no day.
    """
    try:
        return datetime.strptime(text, "%Y-%m-%d").replace(tzinfo=UTC)
    except ValueError:
        raise QiError(f"“{text}” is no day; right would be 2031-03-01") from None


def _verify(library: Library, asked: argparse.Namespace) -> int:
    number, head = library.log_head()
    broken = library.verify_log(seen=asked.head)
    for sentence in broken:
        print(sentence, file=sys.stderr)
    for sentence in library.log_accepted():
        print(sentence)
    print(f"{number} lines, {'not whole' if broken else 'whole'}; hash of the last one, to be kept elsewhere: {head}")
    library.log("verified", who=asked.by, what="broken" if broken else "whole")
    return 1 if broken else 0


def keep(library: Library, asked: argparse.Namespace) -> int:
    """Delete what is to go by age, or say what would; 1 where something could not go."""
    if asked.dry_run:
        found = retention.due(library)
        for one in found:
            print(f"{one.case_id}, {one.at:%Y-%m-%d}: {retention.IN_WORDS[one.what]}")
        print(f"{len(found)} would go" if found else "nothing would go")
        return 0
    failed = 0
    for _, one, trouble in retention.carry_out(library, who=asked.by):
        failed += bool(trouble)
        words = trouble or retention.IN_WORDS[one.what]
        print(f"{one.case_id}, {one.at:%Y-%m-%d}: {words}", file=sys.stderr if trouble else sys.stdout)
    return 1 if failed else 0
