"""Bring in: drop files or point at a folder; see what each was recognised as; say once what is unknown; then the case is in."""

import tempfile
from collections.abc import Sequence
from pathlib import Path

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from qi.desk import agencies, inbox
from qi.desk import bring_in as bringing
from qi.desk.bring_in import BroughtIn
from qi.intake.header import Given, zone_named
from qi.intake.look_over import FileReport, case_folders, look_over, passed_over
from qi.library.library import Library
from qi.model.errors import QiError
from qi.screens import case_choice, cautions, mapping, outcomes, pages
from qi.screens.on_desk import library, person, who

LISTED = 200  # case folders listed before they are brought in
HOW = {"new": "brought in", "grown": "files added", "same": "was there already", "refused": "not brought in"}


@pages.guarded("bring_in")
def show() -> None:
    """Files or a folder, what they hold, and the way in."""
    case_choice.reviewer()
    st.header("Bring in", anchor=False)
    try:
        _page(library())
    except QiError as error:
        st.error(f"The library cannot be used. {error}")
    cautions.show()


def _page(shelf: Library) -> None:
    st.write(
        "Monitor exports, care records, dispatch logs, event lists: whatever the agency exports. Each file is recognised by what "
        "it holds. The originals are kept untouched in the library on this machine; nothing is sent anywhere."
    )
    settings = shelf.settings
    first, second, third = st.columns([2, 2, 3])
    agency = first.text_input("Agency", value=settings.agency, key="agency", max_chars=80, help="Whose maps of names are used.")
    zone = second.text_input(
        "Time zone", value=settings.zone, key="zone", placeholder="America/Denver", help="For files without one."
    )
    zone = _usable(zone.strip())
    way = _way(shelf, third)
    maps, notes = agencies.maps_and_notes(shelf, agency.strip())
    for note in notes:
        st.warning(f"{note.where}: {note.text}")
    if way == "Files":
        _files(shelf, agency.strip(), zone, maps)
    else:
        _folder(shelf, agency.strip(), zone, maps)
    _done(shelf)
    mapping.kept(shelf, agency.strip())
    outcomes.show(shelf)


def _way(shelf: Library, where: DeltaGenerator) -> str:
    """Files, or a folder: of this machine for the one person at it, of the inbox for those who sign in."""
    if not person().one_person and shelf.settings.inbox is None:
        where.caption(
            "Files come in by dropping them here. Folders of the server can be named once whoever runs it has set an inbox for "
            "them (library.toml, [bring_in])."
        )
        return "Files"
    return str(where.segmented_control("From", ["Files", "A folder"], key="way", default="Files", required=True))


def _usable(zone: str) -> str:
    """The zone that was typed, where it is one."""
    try:
        return zone_named(zone) if zone else ""
    except ValueError as error:
        st.error(f"Time zone: {error}. It is left out.")
        return ""


def _files(shelf: Library, agency: str, zone: str, maps: Sequence[agencies.Map]) -> None:
    """Dropped files, which together are one case."""
    dropped = st.file_uploader("Files of one case", accept_multiple_files=True, key=f"dropped-{st.session_state.get('drops', 0)}")
    if not dropped:
        return
    names = [Path(file.name).name for file in dropped]
    if twice := sorted({name for name in names if names.count(name) > 1}):
        st.error(f"Two of these files are called {', '.join(twice)}: rename one, or bring in one call at a time.")
        return
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "case"
        folder.mkdir()
        for file in dropped:
            (folder / Path(file.name).name).write_bytes(file.getbuffer())
        reports = look_over(folder, maps)
        _reports(reports)
        mapping.show(shelf, agency, folder, reports)
        told = bringing.number_in_header(folder)
        number = (
            told or st.text_input("Case number", key="number", max_chars=64, placeholder="as the agency numbers its calls").strip()
        )
        given = Given(number or None, zone or None)
        if number:
            _joins(shelf, folder, agency, given)
        usable = bool(number) and any(report.recognised_as for report in reports)
        if st.button("Bring this case in", type="primary", key="bring-files", disabled=not usable):
            _remember([bringing.bring_in(shelf, folder, who=who(), agency=agency, given=given)])
            st.session_state["drops"] = st.session_state.get("drops", 0) + 1
            st.rerun()


def _joins(shelf: Library, path: Path, agency: str, given: Given) -> None:
    """Say, before anything is kept, which case of the library files would join."""
    match = bringing.match(shelf, path, agency=agency, given=given)
    if match.key:
        known = shelf.about(match.key).case_id
        st.info(
            f"All of this is in the library already, as {known}." if match.how == "same" else f"This would be added to {known}."
        )


def _folder(shelf: Library, agency: str, zone: str, maps: Sequence[agencies.Map]) -> None:
    """A folder on this machine, or of the inbox: one case, or a folder of case folders however deep."""
    try:
        place = _named(shelf)
        if place is None:
            return
        cases, others = case_folders(place, maps), passed_over(place, maps)
    except QiError as error:
        st.error(str(error))
        return
    if not cases and others in ([], [place]):
        st.info("No case was found there: a case is a folder with a monitor export or a care record in it.")
        _look(shelf, agency, place, maps)
        return
    if len(cases) == 1 and not others:
        _look(shelf, agency, cases[0], maps)
        _joins(shelf, cases[0], agency, Given(None, zone or None))
    else:
        count = len(cases)
        st.write(f"{count or 'No'} case folder{' was' if count == 1 else 's were'} found{_but(others)}.")
        listed = [*others, *cases][:LISTED]
        names = [str(folder.relative_to(place)) if folder != place else folder.name for folder in listed]
        known = ["not known" if folder in others else "a case" for folder in listed]
        table = pd.DataFrame({"folder": names, "is": known})
        st.dataframe(table, hide_index=True, height=min(248, 38 + 35 * len(names)), key="found")
        one = st.selectbox("Look into one of them", ["", *names], key="look-into", format_func=lambda name: name or "choose …")
        if one:
            _look(shelf, agency, place / one if (place / one).exists() else place, maps)
    label = "Bring this case in" if len(cases) == 1 else f"Bring in {len(cases)} cases"
    if cases and st.button(label, type="primary", key="bring-folder"):
        _remember(_all(shelf, cases, agency, zone))
        st.rerun()


def _but(others: Sequence[Path]) -> str:
    """How many folders nothing here knows, as the end of a sentence; empty where there is none."""
    count = len(others)
    if not count:
        return ""
    holds = "folder holds" if count == 1 else "folders hold"
    return f"; {count} more {holds} files that nothing here knows: look into one, a table can be mapped"


def _named(shelf: Library) -> Path | None:
    """The folder that was named; None where none was.

    Raises: QiError where there is none of that name, or none that may be named.
    """
    if not person().one_person:
        kept = shelf.settings.inbox
        typed = st.text_input("Folder in the inbox", key="folder", placeholder="last-night") if kept else ""
        return inbox.below(kept, typed.strip()) if kept and typed.strip() else None
    typed = st.text_input("Folder on this machine", key="folder", placeholder="/path/to/last-night").strip()
    if not typed:
        return None
    place = Path(typed).expanduser()
    if not place.exists():
        raise QiError(f"There is no folder {place}. Write the full path of a folder on this machine.")
    return place


def _look(shelf: Library, agency: str, place: Path, maps: Sequence[agencies.Map]) -> None:
    """What the files of a folder hold, and a form for what is not understood in them."""
    reports = look_over(place, maps)
    _reports(reports)
    mapping.show(shelf, agency, place, reports)


def _all(shelf: Library, cases: Sequence[Path], agency: str, zone: str) -> list[BroughtIn]:
    """Every case, with a bar that says how far it is."""
    bar = st.progress(0.0, text="Bringing in …")
    found = []
    given = Given(None, zone or None)
    for at, (count, one) in enumerate(bringing.bring_in_all(shelf, cases, who=who(), agency=agency, given=given), 1):
        found.append(one)
        bar.progress(at / count, text=f"{at} of {count}: {one.path.name}, {HOW[one.how]}")
    return found


def _remember(found: list[BroughtIn]) -> None:
    st.session_state["brought-in"] = found


def _done(shelf: Library) -> None:
    """What became of the last cases that were brought in."""
    found: list[BroughtIn] = st.session_state.get("brought-in", [])
    if not found:
        return
    counts = pd.Series([HOW[one.how] for one in found]).value_counts()
    st.subheader("Done", anchor=False)
    st.write(", ".join(f"{count} {words}" for words, count in counts.items()) + ".")
    refused = [one for one in found if one.how == "refused"]
    for one in refused[:20]:
        st.error(f"{one.path.name}: {one.said}")
    keys = set(shelf.keys()) if len(found) <= LISTED else set()
    shown = [one for one in found if one.how != "refused" and one.key in keys]
    for one in shown[:20]:
        with st.container(horizontal=True, vertical_alignment="center", gap="small"):
            st.write(f"**{one.case_id}**: {HOW[one.how]}")
            pages.link("walkthrough", "Open", case=str(one.key))
            pages.link("clocks", "Clocks", case=str(one.key))
    if len(found) > 1:
        rows = [{"case": one.case_id or one.path.name, "what became of it": HOW[one.how], "said": one.said} for one in found]
        st.dataframe(pd.DataFrame(rows), hide_index=True, height=min(320, 38 + 35 * len(rows)), key="brought-in-table")


def _reports(reports: Sequence[FileReport]) -> None:
    """Each file with what it was recognised as, what was read, what was not understood and why."""
    rows = [
        {
            "file": report.name,
            "recognised as": report.recognised_as or "not recognised",
            "read": report.read or "–",
            "not understood": _not_understood(report),
            "by map": report.map_used or "",
        }
        for report in reports
    ]
    st.dataframe(
        pd.DataFrame(rows),
        hide_index=True,
        key="reports",
        height=38 + 35 * len(rows),
        column_config={name: st.column_config.TextColumn(width="medium") for name in ("read", "not understood")},
        alt="Files and what they were recognised as",
    )
    said = [
        {"file": report.name, "level": level, "note": text} for report in reports for level, text in report.notes if level != "info"
    ]
    unknown = [
        {
            "file": report.name,
            "level": one.kind,
            "note": f"“{one.name}” {one.where.removeprefix(report.name).strip(' ,')}: {one.detail}",
        }
        for report in reports
        for one in report.unknown
    ]
    if said or unknown:
        with st.expander(f"Why ({len(said) + len(unknown)} notes)", expanded=any(row["level"] == "error" for row in said)):
            st.dataframe(
                pd.DataFrame([*said, *unknown]),
                hide_index=True,
                key="report-notes",
                column_config={"note": st.column_config.TextColumn(width="large")},
            )


def _not_understood(report: FileReport) -> str:
    names = list(dict.fromkeys(one.name for one in report.unknown))
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")
