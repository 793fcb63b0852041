"""The command line: parse, call the pipeline or the desk, print."""

import argparse
import os
import subprocess
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
    known = _of_library(commands, "known", "bring in a list of arrests that dispatch or care records know: a CSV, case and date")
    known.add_argument("file", metavar="FILE", type=Path)
    known.add_argument("--agency", default="", metavar="NAME", help="whose arrests they are (else the agency of library.toml)")
    report = _of_library(commands, "board", "write the report to the board, a PDF of two pages, from the cohort table")
    report.add_argument("file", metavar="FILE", type=Path, help="the PDF")
    report.add_argument("--sharing", action="store_true", help="small cells hidden, for people outside the agency")
    report.add_argument("--from", dest="first", default="", metavar="MONTH", help="from this month on, as 2031-01")
    report.add_argument("--until", default="", metavar="MONTH", help="until the end of this month")
    table = _of_library(commands, "cohort", "bring the cohort table up to date: one row a case, for everything over time")
    table.add_argument("--anew", action="store_true", help="measure every case anew")
    leave = _of_library(commands, "export", "write a case of the library as files")
    leave.add_argument("case", metavar="CASE", help="the agency's case number")
    leave.add_argument("folder", metavar="DIR", type=Path, help="where to")
    leave.add_argument("--without-identity", action="store_true", help="the case to be shared alone: elapsed time and year only")
    sheet = _of_library(commands, "sheet", "write the sheet for the crew of a signed case, as PDF or web page by the file's ending")
    sheet.add_argument("case", metavar="CASE", help="the agency's case number")
    sheet.add_argument("file", metavar="FILE", type=Path, help="ends in .pdf or .html")
    _of_library(commands, "rebuild", "make everything computed anew from the originals and the journals")
    _of_library(commands, "check", "hold the originals against the digests that they came with, and look who may read the library")
    told = _of_library(commands, "log", "show who did what to which case, or verify that nobody tampered with that")
    told.add_argument("--verify", action="store_true", help="work the chain of hashes out anew; prints the last one")
    told.add_argument("--head", default="", metavar="HASH", help="verify, and that this hash, kept elsewhere, is in the chain")
    told.add_argument("--accept-end", default="", metavar="REASON", help="take the log as it ends now, which --verify doubts")
    told.add_argument("--case", default="", metavar="KEY", help="of one case, by its key in the library")
    told.add_argument("--since", default="", metavar="DAY", help="from this day on, UTC, as 2031-03-01")
    keep = _of_library(commands, "retention", "delete what is older than library.toml says it is kept")
    keep.add_argument("--dry-run", action="store_true", help="say what would go, and delete nothing")
    people = _of_library(commands, "people", "say who may sign in, with which roles: list, add, bind to an agency, end an entry")
    people.add_argument("act", choices=["list", "add", "bind", "end"])
    people.add_argument("subject", nargs="?", default="", metavar="WHO", help="e-mail, or subject of the sign-in")
    people.add_argument("--name", default="", metavar="NAME", help="stands under what they write")
    people.add_argument(
        "--role", action="append", default=[], metavar="ROLE", help="reviewer, medical_director, crew, administrator"
    )
    people.add_argument("--crew", action="append", default=[], metavar="NUMBER", help="their number in care records")
    people.add_argument(
        "--agency", default="", metavar="NAME", help="whose crew numbers these are, where there are several agencies"
    )
    trial = _of_library(commands, "mail-test", "send a test message the way that messages to the crew go (library.toml, [mail])")
    trial.add_argument("address", metavar="ADDRESS")
    serve = commands.add_parser("serve", help="serve the app: to this machine alone, or to others with sign-in (README.md)")
    serve.add_argument("--address", metavar="ADDRESS", help="to listen on (else as .streamlit/config.toml says)")
    serve.add_argument("--port", metavar="PORT", type=int)
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
    if os.name == "posix":
        os.umask(0o077)  # what is written tells of patients: for the owner's eyes, until they pass it on
    if asked.command == "measure":
        return _measure(asked)
    if asked.command == "serve":
        return _serve(asked)
    from qi.desk import commands  # what a library needs takes half a second to import, and `measure` needs none

    return commands.run(asked)


def _serve(asked: argparse.Namespace) -> int:
    """Start Streamlit on app.py, which itself refuses to be served to others without sign-in."""
    options = {"--server.address": asked.address, "--server.port": asked.port}
    given = [part for name, value in options.items() if value is not None for part in (name, str(value))]
    app = str(Path(__file__).parents[1] / "app.py")
    call = [sys.executable, "-m", "streamlit", "run", app, "--server.headless", "true", *given]
    return subprocess.run(call, check=False).returncode


def _measure(asked: argparse.Namespace) -> int:
    try:
        if asked.protocol:
            pipeline.named_protocol(asked.protocol, asked.cases)
    except QiError as error:
        parser().error(str(error))
    try:
        banner = _banner()
    except QiError as error:
        print(error, file=sys.stderr)
        return 1
    reviews, failed = measure_all(asked.cases, asked.protocol)
    try:
        if reviews:
            print(text_table.table(reviews, banner=banner))
        if asked.json:
            records.write(asked.json, reviews, banner=banner)
        for review in reviews if asked.tables else ():
            event_tables.write(asked.tables, review, banner=banner)
    except OSError as error:
        print(f"cannot write: {error}", file=sys.stderr)
        return 1
    return 1 if failed else 0


def _banner() -> str:
    """The agency's own line as the library of this machine has it; empty without one."""
    from qi.library import place, settings  # the rest of a library is not needed to measure

    return settings.read(place.library_folder()).banner


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
