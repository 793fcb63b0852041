"""The command line on a library: what each command does, and what it prints."""

import argparse
import sys
from collections.abc import Callable

from tqdm import tqdm

from qi.desk import bring_in as bringing
from qi.desk import cohort, delivery, known_arrests, limits, log_commands, out, sheets, upkeep
from qi.library import at_rest, place
from qi.library.library import Library
from qi.model.errors import QiError


def run(asked: argparse.Namespace) -> int:
    """Run one command on the library that it names.

    Returns: 0 when all was done, 1 when something could not be (the rest is still done).
    """
    commands: dict[str, Callable[[Library, argparse.Namespace], int]] = {
        "bring-in": _bring_in,
        "outcomes": _outcomes,
        "known": _known,
        "cohort": _cohort,
        "board": _board,
        "export": _export,
        "sheet": _sheet,
        "rebuild": _rebuild,
        "check": _check,
        "log": log_commands.log,
        "retention": log_commands.keep,
        "people": _people,
        "mail-test": _mail_test,
    }
    try:
        with Library.open(asked.library or place.library_folder()) as library:
            return commands[asked.command](library, asked)
    except (QiError, OSError) as error:
        print(error, file=sys.stderr)
        return 1


def _bar(total: int) -> "tqdm[object]":
    return tqdm(total=total, unit="case", delay=2, disable=not sys.stderr.isatty(), leave=False)


def _bring_in(library: Library, asked: argparse.Namespace) -> int:
    counts: dict[str, int] = {}
    bar: tqdm[object] | None = None
    given = bringing.Given(None, asked.zone)
    for total, one in bringing.bring_in_all(library, asked.places, who=asked.by, agency=asked.agency, given=given):
        bar = bar or _bar(total)
        bar.update()
        counts[one.how] = counts.get(one.how, 0) + 1
        if one.how == "refused":
            print(f"{one.path}: {one.said}", file=sys.stderr)
    if bar is not None:
        bar.close()
    said = {"new": "brought in", "grown": "grown by new files", "same": "there already", "refused": "refused"}
    print(", ".join(f"{count} {said[how]}" for how, count in counts.items()) or "no case was found")
    return 1 if counts.get("refused") or not counts else 0


def _outcomes(library: Library, asked: argparse.Namespace) -> int:
    done = library.join_outcomes(asked.file, who=asked.by, agency=asked.agency)
    print(f"{done.matched} of {done.rows} rows joined, {done.written} facts new")
    for mismatch in done.mismatches:
        print(f"  {mismatch}", file=sys.stderr)
    return 1 if done.mismatches else 0


def _known(library: Library, asked: argparse.Namespace) -> int:
    done = known_arrests.bring_list(library, asked.file, who=asked.by, agency=asked.agency or library.settings.agency)
    print(done.words())
    for row in done.refused:
        print(f"  {row}", file=sys.stderr)
    return 1 if done.refused else 0


def _board(library: Library, asked: argparse.Namespace) -> int:
    from qi.desk import board  # what draws charts takes a second to import, and no other command needs it

    which = board.months(asked.first, asked.until)
    made = board.of_library(library, which, sharing=asked.sharing)
    library.log("exported", who=asked.by, what="board report, pdf")
    asked.file.write_bytes(made)
    print(asked.file)
    return 0


def _cohort(library: Library, asked: argparse.Namespace) -> int:
    made, failed = 0, 0
    bar: tqdm[object] | None = None
    for total, case_id, trouble in cohort.build(library, anew=asked.anew):
        bar = bar or _bar(total)
        bar.update()
        made, failed = made + (not trouble), failed + bool(trouble)
        if trouble:
            print(f"{case_id}: {trouble}", file=sys.stderr)
    if bar is not None:
        bar.close()
    print(f"{made} row{'' if made == 1 else 's'} made" + (f", {failed} could not be" if failed else ""))
    broken = limits.broken(library)
    for name, why in broken.items():
        print(f"the protocol file {name} cannot be used: {why}", file=sys.stderr)
    return 1 if failed or broken else 0


def _export(library: Library, asked: argparse.Namespace) -> int:
    for path in out.write(library, asked.case, asked.folder, identity=not asked.without_identity, who=asked.by):
        print(path)
    return 0


def _sheet(library: Library, asked: argparse.Namespace) -> int:
    sheets.write(library, asked.case, asked.file, who=asked.by)
    print(asked.file)
    return 0


def _rebuild(library: Library, asked: argparse.Namespace) -> int:
    failed = 0
    for _, case_id, trouble in upkeep.rebuild(library):
        failed += bool(trouble)
        print(f"{case_id}: {trouble or 'made anew'}", file=sys.stderr if trouble else sys.stdout)
    return 1 if failed else 0


def _check(library: Library, asked: argparse.Namespace) -> int:
    at_rest.tighten(library.folder, deep=True)
    said = [*at_rest.warnings(library.folder, str(library.database.name)), *at_rest.loose(library.folder)]
    for sentence in said:
        print(sentence, file=sys.stderr)
    failed = len(said)
    for _, case_id, troubles in upkeep.check(library):
        failed += bool(troubles)
        print(f"{case_id}: {'; '.join(troubles) or 'all originals as they came'}", file=sys.stderr if troubles else sys.stdout)
    return 1 if failed else 0


def _people(library: Library, asked: argparse.Namespace) -> int:
    if asked.act == "add":
        name = asked.name or asked.subject
        library.people.add(asked.subject, name=name, roles=asked.role, crew_ids=asked.crew, agency=asked.agency, who=asked.by)
    elif asked.act == "bind":
        library.people.bind(asked.subject, agency=asked.agency, who=asked.by)
    elif asked.act == "end":
        library.people.end(asked.subject, who=asked.by)
    for one in library.people.all():
        ended = f", ended {one.ended_at:%Y-%m-%d} by {one.ended_by}" if one.ended_at else ""
        crew = f" (crew {', '.join(one.crew_ids)}{f' of {one.agency}' if one.agency else ''})" if one.crew_ids else ""
        said = f"{one.subject}: {one.name}, {', '.join(one.roles)}{crew}, since {one.added_at:%Y-%m-%d} by {one.added_by}{ended}"
        print(f"{one.number}  {said}")
    for doubt in library.people.doubts(library.settings.sign_in):
        print(doubt, file=sys.stderr)
    return 0


def _mail_test(library: Library, asked: argparse.Namespace) -> int:
    delivery.send_test(library, asked.address, at=library.now())
    print(f"the mail server has taken a test message to {asked.address}")
    return 0
