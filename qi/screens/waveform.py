"""The case drawn in the browser: "In one picture" and "Close up", two views of one Streamlit component (canvas, no build step).

How it is registered. The JavaScript is served as files under /_stcore/bidi-components/, so that it runs under the content
security policy `script-src 'self'`; text handed over inline would need `blob:`. Streamlit serves files only for a component with a
declared asset folder, and reads that declaration from the metadata of *installed* packages. The app runs from a checkout, with
nothing of its own installed, so `_component` makes the same declaration to Streamlit's component manager directly. The manager and
its manifest class are not part of Streamlit's documented interface; requirements.txt holds Streamlit to the release they were read
in. It is repeated for each runtime, because each AppTest brings its own.

How the data travel. `keep` mounts two unseen instances with bytes, samples and events; Streamlit sends bytes again only when they
changed. The views are sent the case's key and a few numbers, and find the rest in the browser's memory, which keeps two cases.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import streamlit as st
from streamlit.components.v2 import component
from streamlit.components.v2.get_bidi_component_manager import get_bidi_component_manager
from streamlit.components.v2.manifest_scanner import ComponentConfig, ComponentManifest
from streamlit.components.v2.types import ComponentRenderer

FOLDER = Path(__file__).parents[1] / "charts" / "waveforms"
PROJECT, PART = "qi", "waveforms"
NAME = f"{PROJECT}.{PART}"
ENTRY = "waveforms.js"


@dataclass(frozen=True)
class Choice:
    """What the person just did on a view, in this run only. Times are seconds from case start.

    moment_s, window_s: a moment clicked, a window drawn on the picture. stretch_s: a stretch selected on the close-up. picked: a
    thing picked there, {subject, start_s, end_s (None for a moment), words, person} and where it has them value and number (of the
    correction that put it there). edit: a correction asked for, {act: add, remove, move or undo, subject, start_s, end_s, serial},
    to_start_s and to_end_s for a move, value and number of the thing picked where it has them, why where a reason was chosen;
    subject is empty and start_s None for an undo. serial is another one each time. taken: call it as the edit is written down, with
    nothing of Streamlit's between the two, since any of it may break the run off: from then on the edit is not given again, and the
    browser hears that it arrived; until then it is given again.
    """

    moment_s: float | None = None
    window_s: tuple[float, float] | None = None
    stretch_s: tuple[float, float] | None = None
    picked: Mapping[str, Any] | None = None
    edit: Mapping[str, Any] | None = None
    taken: Callable[[], None] = lambda: None


@dataclass
class _Heard:
    """The number of the last correction that was written down; changed in place, which no request for another run can break off."""

    serial: int | None = None

    def take(self, serial: int) -> None:
        self.serial = serial


def scripts() -> list[str]:
    """Where the browser finds the component's scripts, the one that it asks for first before the others."""
    names = sorted((path.name for path in (FOLDER / "assets").glob("*.js")), key=lambda name: (name != ENTRY, name))
    return [f"_stcore/bidi-components/{NAME}/{name}" for name in names]


def keep(*messages: bytes, key: str) -> None:
    """Hand messages of a case to the browser; call it on every run, samples as early as can be: they take longest.

    Parameters: messages, from pack.samples and pack.message(pack.overlay(...)), in this or separate calls; all packed with one case
    key that stays the same while the samples do, so that a correction sends an overlay alone and the views stay where they are;
    best cached, the overlay by its revision; key, unique on the page.
    """
    with st.container(gap=None):
        for number, message in enumerate(messages):
            _component()(data=message, key=f"{key}-{number}")


def show_picture(
    case: str,
    *,
    key: str,
    highlight: Mapping[str, Any] | None = None,
    on_choice: Callable[[], None] | None = None,
    on_drawn: Callable[[], None] | None = None,
) -> Choice:
    """The whole arrest on one time axis. A click chooses a moment, a drag a window; the close-up follows at once by itself.

    Parameters: case, the key that samples and overlay were packed with; key, unique on the page; highlight, from pack.highlight,
    evidence to mark; on_choice, called before the next run (the value is then in st.session_state[key].moment or .window);
    on_drawn, called once the browser has drawn the case for the first time, in a run of its own; not asked for, there is no such
    run.
    Returns: the choice that caused this run, else an empty one.
    """
    data = {"role": "picture", "case": case, "key": key, "highlight": highlight, "tellDrawn": on_drawn is not None}
    return _show(data, key=key, on_choice=on_choice, on_drawn=on_drawn)


def show_close_up(
    case: str,
    *,
    key: str,
    moment_s: float | None = None,
    window_s: tuple[float, float] | None = None,
    highlight: Mapping[str, Any] | None = None,
    editable: bool = False,
    locked: str = "",
    why_choices: Sequence[str] = (),
    on_choice: Callable[[], None] | None = None,
) -> Choice:
    """The waveforms of a window with the detected events on them. Zoom and pan happen in the browser.

    Parameters: case, key, highlight as in show_picture; moment_s, a moment to move to when it changes and is not in view already [s
    from case start]; window_s, a window to move to when it changes [s]; editable, whether things may be picked, stretches selected
    and corrections asked for; locked, why corrections are not open (signed, say): picking and selecting stay, corrections do
    nothing but say this; why_choices, reasons offered for the next correction; on_choice, called before the next run after a
    moment, a stretch or a pick.
    Returns: what caused this run, else an empty choice. Once a correction is written down and `taken`, call st.rerun(): the browser
    hears of it in that run, and the next one leaves.
    """
    window = None if window_s is None else [round(float(edge), 3) for edge in window_s]
    told = {"editable": editable and not locked, "locked": locked, "reasons": list(why_choices)}
    data = {"role": "close_up", "case": case, "key": key, "highlight": highlight, "moment": moment_s, "window": window, **told}
    return _show(data, key=key, on_choice=on_choice)


def _show(
    data: Mapping[str, Any],
    *,
    key: str,
    on_choice: Callable[[], None] | None,
    on_drawn: Callable[[], None] | None = None,
) -> Choice:
    """Mount one view and turn its triggers into a Choice.

    The browser holds the next correction back until it hears that this one is done, and sends this one again if it hears nothing:
    a run that is broken off may have lost it.
    """
    tell = on_choice or _nothing
    heard: _Heard = st.session_state.setdefault(f"{key}-heard", _Heard())
    result = _component()(
        data={**data, "heard": heard.serial},
        key=key,
        on_moment_change=tell,
        on_window_change=tell,
        on_stretch_change=tell,
        on_picked_change=tell,
        on_edit_change=_nothing,
        on_drawn_change=on_drawn or _nothing,
    )
    choice = _choice(result)
    if choice.edit is None:
        return choice
    serial = choice.edit["serial"]
    if serial == heard.serial:  # sent twice, or told again to a run after one that was broken off
        return replace(choice, edit=None)
    return replace(choice, taken=lambda: heard.take(serial))


def _choice(result: Mapping[str, Any]) -> Choice:
    return Choice(
        moment_s=result.get("moment"),
        window_s=_two(result.get("window")),
        stretch_s=_two(result.get("stretch")),
        picked=result.get("picked"),
        edit=result.get("edit"),
    )


def _two(pair: Sequence[float] | None) -> tuple[float, float] | None:
    return None if pair is None else (float(pair[0]), float(pair[1]))


def _nothing() -> None:
    """A trigger is only reported when it has a callback."""


def _component() -> ComponentRenderer:
    """The registered component, declared to the runtime that runs this script."""
    manager = get_bidi_component_manager()
    if manager.get_component_asset_root(NAME) is None:
        parts = [ComponentConfig(name=PART, asset_dir="assets")]
        manager.register_from_manifest(ComponentManifest(name=PROJECT, version="1", components=parts), FOLDER)
    return _renderer()


@cache
def _renderer() -> ComponentRenderer:
    """Style goes along as text, so that nothing is seen unstyled; it needs no more than Streamlit's own style policy."""
    style = (FOLDER / "assets" / "waveforms.css").read_text(encoding="utf-8")
    return component(NAME, css=style, js=ENTRY)
