"""The house keeps its order: a module imports only from rooms above it; notebooks are pages."""

import ast
import json
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ORDER = [
    "errors",
    "disk",
    "results",
    "records",
    "numerics",
    "measurement",
    "yields",
    "regrowth",
    "milestones",
    ("course", "planning", "review", "study", "pooling"),
    "pages",
    "__main__",
]
RANK = {name: i for i, room in enumerate(ORDER) for name in (room if isinstance(room, tuple) else (room,))}
MODULES = sorted(
    p for p in (ROOT / "analytics").rglob("*.py") if p.name != "__init__.py" or p.parent.name != "analytics"
)
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def _room_of(module: str) -> str:
    """Return the room of a module: `yields_native` is a back room of `yields`."""
    return module if module in RANK else module.split("_")[0]


def _room(path: Path) -> str:
    return _room_of(path.relative_to(ROOT / "analytics").parts[0].removesuffix(".py"))


def _imported_rooms(source: str) -> set[str]:
    rooms = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("analytics"):
            parts = (node.module or "").split(".")
            rooms |= {parts[1]} if len(parts) > 1 else {alias.name for alias in node.names}
        if isinstance(node, ast.Import):
            rooms |= {a.name.split(".")[1] for a in node.names if a.name.startswith("analytics.")}
    return {_room_of(r) for r in rooms}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_a_module_imports_only_from_rooms_above_it(path):
    room = _room(path)
    wrong = {r for r in _imported_rooms(path.read_text()) if r != room and RANK[r] >= RANK[room]}
    assert not wrong, f"{path.name} imports from {sorted(wrong)}, which is not above it"


def test_the_engines_know_no_pandas():
    for path in (ROOT / "analytics" / "numerics").glob("*.py"):
        lines = [line for line in path.read_text().split('"""', 2)[-1].splitlines() if "pandas" in line]
        # lifelines takes nothing but a frame: its adapter makes one inside the call and hands out arrays.
        allowed = ["    from pandas import DataFrame"] if path.name == "timeratios_lifelines.py" else []
        assert lines == allowed, path.name


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.name)
def test_a_notebook_is_a_page_without_logic_or_outputs(path):
    cells = [c for c in json.loads(path.read_text())["cells"] if c["cell_type"] == "code"]
    assert all(not c["outputs"] and c["execution_count"] is None for c in cells)
    sources = ["".join(c["source"]) for c in cells]
    # A call spread over lines for its alt text is one line of code: statements are counted.
    assert sum(len(ast.parse(s).body) for s in sources) <= 60
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
