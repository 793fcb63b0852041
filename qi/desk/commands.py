"""The command line on a library: what each command does, and what it prints."""

import argparse
import sys
from collections.abc import Callable

from tqdm import tqdm

from qi.desk import bring_in as bringing
from qi.desk import out, upkeep
from qi.library import place
from qi.library.library import Library
from qi.model.errors import QiError


def run(asked: argparse.Namespace) -> int:
    """Run one command on the library that it names.

    Returns: 0 when all was done, 1 when something could not be (the rest is still done).
    """
    commands: dict[str, Callable[[Library, argparse.Namespace], int]] = {
        "bring-in": _bring_in,
        "outcomes": _outcomes,
        "export": _export,
        "rebuild": _rebuild,
        "check": _check,
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


def _export(library: Library, asked: argparse.Namespace) -> int:
    for path in out.write(library, asked.case, asked.folder, identity=not asked.without_identity):
        print(path)
    return 0


def _rebuild(library: Library, asked: argparse.Namespace) -> int:
    failed = 0
    for _, case_id, trouble in upkeep.rebuild(library):
        failed += bool(trouble)
        print(f"{case_id}: {trouble or 'made anew'}", file=sys.stderr if trouble else sys.stdout)
    return 1 if failed else 0


def _check(library: Library, asked: argparse.Namespace) -> int:
    failed = 0
    for _, case_id, troubles in upkeep.check(library):
        failed += bool(troubles)
        print(f"{case_id}: {'; '.join(troubles) or 'all originals as they came'}", file=sys.stderr if troubles else sys.stdout)
    return 1 if failed else 0
