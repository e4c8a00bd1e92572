"""The house keeps its order: a room is imported by its face, from rooms above alone; notebooks are pages."""

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest

import analytics

ROOT = Path(__file__).parents[1]
ORDER = [
    "errors",
    "results",
    "numbers",
    "files",
    "dictionary",
    "identifiers",
    "records",
    "mapping",
    "entry",
    "simulate",
    "numerics",
    "measurement",
    "followup",
    "yields",
    "regrowth",
    "milestones",
    "early",
    ("course", "planning", "review", "study", "pooling"),
    "bench",
    "factors",
    "disclosure",
    "reports",
    "published",
    "pages",
    "app",
    "__main__",
]
RANK = {name: i for i, room in enumerate(ORDER) for name in (room if isinstance(room, tuple) else (room,))}
# These folders inside a room have a face of their own.
INNER_FACES = ("numerics", "pages.figures", "records.rules")
MOST_FILES_IN_A_FOLDER = 15
MOST_LINES_OF_A_FACE = 40
# Of code, beside the parameters, which are as many as the page has.
MOST_LINES_OF_A_NOTEBOOK = 60
MOST_LETTERS_OF_A_LINE = 110
MODULES = sorted(p for p in (ROOT / "analytics").rglob("*.py") if p != ROOT / "analytics" / "__init__.py")
FOLDERS = sorted({p.parent for p in MODULES})
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def _room(path: Path) -> str:
    return path.relative_to(ROOT / "analytics").parts[0].removesuffix(".py")


def _imports(source: str) -> list[str]:
    """Return the modules and names imported from this package, without its name."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("analytics"):
            found += [f"{node.module}.{alias.name}".removeprefix("analytics.") for alias in node.names]
        if isinstance(node, ast.Import):
            found += [
                a.name.removeprefix("analytics.") for a in node.names if a.name.startswith("analytics.")
            ]
    return found


def _is_behind_a_face(name: str) -> bool:
    """Return True for a name taken from a back file: `yields.rows.by_visit`, not `yields.by_visit`."""
    parts = name.split(".")
    is_inner = parts[0] == "numerics" or ".".join(parts[:2]) in INNER_FACES
    return len(parts) > (3 if is_inner else 2)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_a_module_imports_only_faces_of_rooms_above_it(path):
    room = _room(path)
    outside = [name for name in _imports(path.read_text()) if name.split(".")[0] != room]
    wrong = {name for name in outside if RANK[name.split(".")[0]] >= RANK[room]}
    assert not wrong, f"{path.name} imports {sorted(wrong)}, which is not above it"
    behind = {name for name in outside if _is_behind_a_face(name)}
    assert not behind, f"{path.name} reaches behind a face: {sorted(behind)}"


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda p: str(p.relative_to(ROOT)))
def test_a_room_is_small_enough_to_hold_in_mind(folder):
    assert len(list(folder.glob("*.py"))) <= MOST_FILES_IN_A_FOLDER
    face = folder / "__init__.py"
    assert len(face.read_text().splitlines()) <= MOST_LINES_OF_A_FACE or folder.name == "analytics"
    # Rooms and engines are imported when first asked for, which takes a function.
    if folder.name not in ("analytics", "numerics"):
        assert not [n for n in ast.walk(ast.parse(face.read_text())) if isinstance(n, ast.FunctionDef)]


def test_engines_and_rooms_are_there_after_one_import():
    code = "import analytics as a; print(a.numerics.mixed.fit.__name__, a.numerics.turnbull.fit.__name__)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert run.stdout.split() == ["fit", "fit"]
    with pytest.raises(AttributeError, match="has no engine named splines; it has agreement"):
        _ = analytics.numerics.splines


def test_the_engines_know_no_pandas():
    for path in (ROOT / "analytics" / "numerics").rglob("*.py"):
        lines = [line for line in path.read_text().split('"""', 2)[-1].splitlines() if "pandas" in line]
        assert not lines, path.name


def test_what_loads_slowly_is_loaded_where_it_is_used():
    # `import scipy` loads its parts when they are asked for; a check of records asks for few.
    slow = ("scipy.stats", "scipy.optimize", "statsmodels", "lifelines", "surpyval")
    for path in (ROOT / "analytics").rglob("*.py"):
        for node in ast.parse(path.read_text()).body:
            if isinstance(node, ast.ImportFrom):
                taken = [f"{node.module}.{alias.name}" for alias in node.names]
            else:
                taken = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            assert not [name for name in taken if name.startswith(slow)], path.name


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.name)
def test_a_notebook_is_a_page_without_logic_or_outputs(path):
    cells = [c for c in json.loads(path.read_text())["cells"] if c["cell_type"] == "code"]
    assert all(not c["outputs"] and c["execution_count"] is None for c in cells)
    sources = ["".join(c["source"]) for c in cells]
    lines = [line for source in sources for line in source.splitlines() if line.strip() and line[:1] != "#"]
    assert len(lines) <= MOST_LINES_OF_A_NOTEBOOK
    assert max(len(line.partition("  # ")[0]) for line in lines) <= MOST_LETTERS_OF_A_LINE
    forbidden = (ast.FunctionDef, ast.ClassDef, ast.For, ast.While, ast.Lambda, ast.AsyncFunctionDef)
    for source in sources:
        for node in ast.walk(ast.parse(source)):
            assert not isinstance(node, forbidden), f"{path.name} holds logic: {type(node).__name__}"
            if isinstance(node, ast.Import):
                assert all(a.name.split(".")[0] == "analytics" for a in node.names)
            if isinstance(node, ast.ImportFrom):
                assert (node.module or "").split(".")[0] == "analytics"


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.name)
def test_a_notebook_has_one_cell_of_annotated_constants_tagged_parameters(path):
    cells = [
        c
        for c in json.loads(path.read_text())["cells"]
        if "parameters" in c.get("metadata", {}).get("tags", [])
    ]
    assert len(cells) == 1
    for node in ast.parse("".join(cells[0]["source"])).body:
        assert isinstance(node, ast.AnnAssign), "annotated constants only"
        assert isinstance(ast.literal_eval(node.value), str | int | float | bool | list | dict | None)
    for line in "".join(cells[0]["source"]).splitlines():
        assert line.partition("#")[2].count("=") == 0, "papermill loses a parameter whose comment holds '='"
