"""The command line: parse, call the pipeline or the desk, print."""

import argparse
import sys
from pathlib import Path

from tqdm import tqdm

from qi import pipeline
from qi.exports import event_tables, records, text_table
from qi.model.errors import QiError
from qi.model.review import Review


def parser() -> argparse.ArgumentParser:
    """The call as a person writes it: python -m qi COMMAND ..., see --help of each."""
    whole = argparse.ArgumentParser(prog="python -m qi", description="Review of resuscitations after the event, from case folders.")
    commands = whole.add_subparsers(dest="command", required=True)
    measure = commands.add_parser("measure", help="measure cases and hold them to the protocol")
    measure.add_argument("cases", nargs="+", metavar="CASE", type=Path, help="a case folder")
    measure.add_argument("--json", metavar="FILE", type=Path, help="write every measure to FILE")
    measure.add_argument("--tables", metavar="DIR", type=Path, help="write compressions, breaths, pauses and shocks to DIR/<id>/")
    measure.add_argument("--protocol", metavar="NAME", help="judge by this protocol instead of the case's own")
    bring = _of_library(commands, "bring-in", "bring every case of one or several folders, however deep, into the library")
    bring.add_argument("places", nargs="+", metavar="PLACE", type=Path, help="a case folder, or a folder of case folders")
    bring.add_argument("--agency", default="", metavar="NAME", help="whose maps of names are used")
    bring.add_argument("--zone", metavar="ZONE", help="time zone of files without one, as America/Denver")
    later = _of_library(commands, "outcomes", "join hospital outcomes, a CSV by case number, to the cases of the library")
    later.add_argument("file", metavar="FILE", type=Path)
    later.add_argument("--agency", metavar="NAME", help="whose cases, where two agencies use one number")
    leave = _of_library(commands, "export", "write a case of the library as files")
    leave.add_argument("case", metavar="CASE", help="the agency's case number")
    leave.add_argument("folder", metavar="DIR", type=Path, help="where to")
    leave.add_argument("--without-identity", action="store_true", help="the case to be shared alone: elapsed time and year only")
    _of_library(commands, "rebuild", "make everything computed anew from the originals and the journals")
    _of_library(commands, "check", "hold the originals against the digests that they came with")
    return whole


def _of_library(commands: "argparse._SubParsersAction[argparse.ArgumentParser]", name: str, words: str) -> argparse.ArgumentParser:
    command = commands.add_parser(name, help=words)
    command.add_argument("--library", metavar="DIR", type=Path, help="folder of the library (else QI_LIBRARY, else ./library)")
    command.add_argument("--by", default="the command line", metavar="NAME", help="under whose name it is written")
    return command


def main(arguments: list[str] | None = None) -> int:
    """Run one command.

    Returns: 0 when all was done, 1 when something could not be (the rest is still done); a wrong call exits with 2.
    """
    asked = parser().parse_args(arguments)
    if asked.command == "measure":
        return _measure(asked)
    from qi.desk import commands  # what a library needs takes half a second to import, and `measure` needs none

    return commands.run(asked)


def _measure(asked: argparse.Namespace) -> int:
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
