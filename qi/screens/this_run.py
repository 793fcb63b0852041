"""What is asked once in a run and anew in the next, whether a run draws a page, a fragment of it, or answers a callback."""

from collections.abc import Callable
from typing import Any, TypeVar
from weakref import WeakKeyDictionary

from streamlit.runtime.scriptrunner import get_script_run_ctx

T = TypeVar("T")
_kept: WeakKeyDictionary[object, dict[str, Any]] = WeakKeyDictionary()


def once(name: str, ask: Callable[[], T]) -> T:
    """What `ask` answers, asked once in this run; asked each time outside of one, as where a file is made at a click.

    Streamlit makes a coordinator for each run and for nothing else: an internal, for requirements.txt holds the release.
    """
    context = get_script_run_ctx(suppress_warning=True)
    if context is None:
        return ask()
    known = _kept.setdefault(context.parallel_coordinator, {})
    if name not in known:
        known[name] = ask()
    answer: T = known[name]
    return answer
