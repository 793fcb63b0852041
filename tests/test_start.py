"""What a command brings into memory: measuring starts without what a library and the app are made of."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
CASE = ROOT / "sample_cases" / "rv-2031-0107"
HEAVY = ("sqlalchemy", "alembic", "psycopg", "streamlit", "plotly", "typst", "scipy.signal", "httpx", "authlib", "smtplib")
SCRIPT = """
import sys
from qi.__main__ import main

status = main(sys.argv[1:])
print("loaded:", *sorted(sys.modules))
raise SystemExit(status)
"""


def loaded(folder, *words):
    """The modules in memory when a command has run to its end in a program of its own, whose folder has a library's settings."""
    library = folder / "library"
    library.mkdir()
    (library / "library.toml").write_text('[agency]\nbanner = "Peer review, confidential"\n', encoding="utf-8")
    call = [sys.executable, "-c", SCRIPT, *map(str, words)]
    env = os.environ | {"PYTHONPATH": str(ROOT), "QI_LIBRARY": str(library)}
    run = subprocess.run(call, cwd=folder, env=env, capture_output=True, text=True, check=True)
    said, _, names = run.stdout.rpartition("loaded: ")
    return said, set(names.split())


def test_measuring_brings_in_nothing_of_library_or_app(tmp_path):
    """It reads the banner, which the settings of the library hold, and writes every kind of file that it can."""
    said, names = loaded(tmp_path, "measure", CASE, "--json", tmp_path / "out.json", "--tables", tmp_path)
    assert "Peer review, confidential" in said
    assert (tmp_path / "out.json").is_file()
    assert {"qi.library.settings", "pandas"} <= names
    assert not names & set(HEAVY)


@pytest.mark.parametrize("module", ["qi.library.settings", "qi.library.place"])
def test_settings_are_read_without_what_the_tables_of_cases_need(module):
    """library.toml is a text: not even pandas is needed to read it."""
    call = [sys.executable, "-c", f"import sys, {module}; print(*sys.modules)"]
    names = set(subprocess.run(call, cwd=ROOT, capture_output=True, text=True, check=True).stdout.split())
    assert module in names
    assert not names & {*HEAVY, "numpy", "pandas", "pyarrow"}
