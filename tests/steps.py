"""How much of our Python a call runs through: what must not be done sample by sample is held by a count, which no clock changes."""

import sys
from pathlib import Path

import qi

OURS = str(Path(qi.__file__).parent)


def lines_run(act):
    """Run something and count the lines of qi that it runs through; a turn of a loop counts each of its lines again.

    Returns: what it returned, and how many lines.
    """
    count = 0

    def step(_frame, event, _):
        nonlocal count
        count += event == "line"
        return step

    def called(frame, *_):
        return step if frame.f_code.co_filename.startswith(OURS) else None

    before = sys.gettrace()
    sys.settrace(called)
    try:
        result = act()
    finally:
        sys.settrace(before)
    return result, count
