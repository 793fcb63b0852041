"""Holds the arrows and the docstring rule of DEVELOPERS.md against the code."""

import ast
from pathlib import Path

import pytest

STAGES = {"intake", "detect", "corrections", "measures", "judge", "exports", "feedback", "trends", "charts", "library"}
MAY_IMPORT = {stage: {"model"} for stage in STAGES}
MAY_IMPORT |= {"model": set(), "pipeline": STAGES | {"model"}, "desk": STAGES | {"model", "pipeline"}}
MAY_IMPORT |= {"serving": {"library", "model"}}
MAY_IMPORT |= {
    "screens": STAGES | {"model", "pipeline", "desk", "serving"},
    "__main__": {"pipeline", "desk", "exports", "library", "model"},
}
ONLY_IN = {"streamlit": {"screens", "serving"}, "starlette": {"serving"}, "plotly": {"charts"}}
ROOT = Path(__file__).parents[1]
QI = ROOT / "qi"
FILES = sorted(QI.rglob("*.py"))
LIMIT_LINES = 400


def name_of(file):
    return file.relative_to(QI).as_posix()


def imports(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module == "qi":
            yield from (f"qi.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "write imports in full, from qi.…"
            yield node.module


@pytest.mark.parametrize("file", FILES, ids=name_of)
def test_imports_point_the_right_way(file):
    home = name_of(file).partition("/")[0].removesuffix(".py")
    for imported in imports(ast.parse(file.read_text(encoding="utf-8"))):
        root, _, rest = imported.partition(".")
        part = rest.partition(".")[0]
        if root == "qi":
            assert part == home or part in MAY_IMPORT.get(home, set()), f"qi/{home} may not import {imported}"
        assert home in ONLY_IN.get(root, {home}), f"only {ONLY_IN.get(root)} in qi may import {root}"


@pytest.mark.parametrize("file", FILES, ids=name_of)
def test_modules_stay_short(file):
    assert len(file.read_text(encoding="utf-8").splitlines()) <= LIMIT_LINES or (
        file.parent.name == "measures" and file.stem == "__init__"
    )


@pytest.mark.parametrize("file", sorted((QI / "measures").glob("*.py")), ids=name_of)
def test_measures_say_what_they_take_and_where_they_come_from(file):
    if file.stem in ("__init__", "measure"):
        return
    for function in ast.parse(file.read_text(encoding="utf-8")).body:
        if isinstance(function, ast.FunctionDef) and not function.name.startswith("_"):
            text = ast.get_docstring(function) or ""
            arguments = [a.arg for a in function.args.args + function.args.kwonlyargs]
            missing = [word for word in [*arguments, "Returns", "References"] if word not in text]
            assert not missing, f"{function.name}: the docstring lacks {missing}"


def test_the_app_only_names_screens():
    source = (ROOT / "app.py").read_text(encoding="utf-8")
    assert len(source.splitlines()) <= 60
    for imported in imports(ast.parse(source)):
        assert imported.split(".")[0] in ("streamlit", "qi"), imported
        assert not imported.startswith("qi.") or imported.startswith(("qi.screens", "qi.serving")), imported
