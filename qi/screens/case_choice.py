"""Which case: a folder of case folders, and one of them. The address of the page says both, so that a link leads back."""

from pathlib import Path

import streamlit as st

from qi import pipeline
from qi.model.review import Review

SAMPLES = Path(__file__).parents[2] / "sample_cases"


def show() -> Path | None:
    """Let the person choose a case folder in the sidebar.

    Returns: the chosen folder, or None where there is none to choose.
    """
    with st.sidebar:
        st.markdown("**Arrest review**")
        typed = st.text_input(
            "Folder with cases",
            key="folder",
            bind="query-params",
            placeholder="sample cases",
            help="A folder whose folders are cases, or one case folder. Empty: the invented sample cases that come with the app.",
        )
        place = Path(typed.strip()).expanduser() if typed.strip() else SAMPLES
        if not place.is_dir():
            st.error(f"There is no folder {place}. Write the full path of a folder on this machine.")
            return None
        cases = case_folders(place)
        if not cases:
            st.info("This folder holds no case: a case is a folder with a monitor export or a care record in it.")
            return None
        names = [case.name for case in cases]
        asked = st.query_params.get("case")
        chosen = st.selectbox("Case", names, index=names.index(asked) if asked in names else 0, key=f"case-in-{place}")
        st.query_params["case"] = chosen
        if place == SAMPLES:
            st.caption("These cases are invented. No real call, person or place is in them.")
    return cases[names.index(chosen)]


def case_folders(place: Path) -> list[Path]:
    """The case folders in a folder, by name; the folder itself where it holds files that make a case."""
    inside = sorted(
        path for path in place.iterdir() if path.is_dir() and not path.is_symlink() and not path.name.startswith((".", "_"))
    )
    cases = [path for path in inside if path.name != "protocols" and any(file.is_file() for file in path.iterdir())]
    here = [file for file in place.iterdir() if file.is_file() and file.suffix.lower() not in (".md", ".json", ".py")]
    return [place, *cases] if here else cases


def review_of(path: Path) -> Review:
    """Measure a case, or take it from memory while its files have not changed.

    Raises: QiError where nothing of the case can be read.
    """
    files = sorted(path.iterdir()) if path.is_dir() else [path]
    stamp = tuple((file.name, file.stat().st_mtime_ns, file.stat().st_size) for file in files if file.is_file())
    return _measured(str(path), stamp)


@st.cache_resource(max_entries=4, show_spinner="Measuring the case …")
def _measured(path: str, stamp: tuple[tuple[str, int, int], ...]) -> Review:
    return pipeline.measure_case(path)
