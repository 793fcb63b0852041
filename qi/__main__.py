"""The command line: parse, call the pipeline, print."""

import argparse
import sys
from pathlib import Path

from tqdm import tqdm

from qi import pipeline
from qi.exports import event_tables, records, text_table
from qi.model.errors import QiError
from qi.model.review import Review


def parser() -> argparse.ArgumentParser:
    """The call as a person writes it: python -m qi measure CASE... [--json FILE] [--tables DIR] [--protocol NAME]."""
    whole = argparse.ArgumentParser(prog="python -m qi", description="Review of resuscitations after the event, from case folders.")
    commands = whole.add_subparsers(dest="command", required=True)
    measure = commands.add_parser("measure", help="measure cases and hold them to the protocol")
    measure.add_argument("cases", nargs="+", metavar="CASE", type=Path, help="a case folder")
    measure.add_argument("--json", metavar="FILE", type=Path, help="write every measure to FILE")
    measure.add_argument("--tables", metavar="DIR", type=Path, help="write compressions, breaths, pauses and shocks to DIR/<id>/")
    measure.add_argument("--protocol", metavar="NAME", help="judge by this protocol instead of the case's own")
    return whole


def main(arguments: list[str] | None = None) -> int:
    """Run one command.

    Returns: 0 when every case was measured, 1 when one could not be read (the others are still written); a wrong call exits with 2.
    """
    asked = parser().parse_args(arguments)
    try:
        if asked.protocol:
            pipeline.named_protocol(asked.protocol, asked.cases)
    except QiError as error:
        parser().error(str(error))
    reviews, failed = measure_all(asked.cases, asked.protocol)
    try:
        if reviews:
            print(text_table.table(reviews))
        if asked.json:
            records.write(asked.json, reviews)
        for review in reviews if asked.tables else ():
            event_tables.write(asked.tables, review)
    except OSError as error:
        print(f"cannot write: {error}", file=sys.stderr)
        return 1
    return 1 if failed else 0


def measure_all(cases: list[Path], protocol: str | None) -> tuple[list[Review], int]:
    """Measure each case; one that cannot be read is reported on standard error and counted."""
    reviews: list[Review] = []
    failed = 0
    for path in tqdm(cases, unit="case", delay=2, disable=not sys.stderr.isatty(), leave=False):
        try:
            reviews.append(pipeline.measure_case(path, protocol=protocol))
        except QiError as error:
            failed += 1
            print(f"{path}: {error}", file=sys.stderr)
    return pipeline.with_own_ids(reviews), failed


if __name__ == "__main__":
    sys.exit(main())
