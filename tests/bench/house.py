"""Measure the house: size, rooms, imports, names that nobody meets, and blocks that stand twice.

    python tests/bench/house.py [ROOT] [--names]

ROOT is a checkout (this one where not given). Everything is read as text; nothing of the project is run. A
function counts as met when its name is used outside its own definition by the package, a notebook, or the
code in README.md and DEVELOPERS.md; a line counts as reachable when such a chain of names begins at a
notebook, a command or a documented call. Names are matched as text, so both figures are lower bounds.
"""

import ast
import json
import re
import sys
from collections import defaultdict
from pathlib import Path

BLOCK = 6


def main(root: Path, *, names: bool) -> None:
    """Print the measures of a checkout."""
    files = sorted((root / "analytics").rglob("*.py"))
    trees = {path: ast.parse(path.read_text(encoding="utf-8")) for path in files}
    folders = defaultdict(int)
    for path in files:
        folders[path.parent.relative_to(root)] += 1
    largest = max(folders, key=lambda f: folders[f])
    print(f"files                               {len(files):>7,}")
    print(f"lines                               {sum(_lines(p) for p in files):>7,}")
    print(f"largest folder                      {folders[largest]:>7,}  {largest}")
    print(f"deepest chain of imports            {_depth(root, trees):>7,}")
    print(f"public names                        {sum(len(_public(t)) for t in trees.values()):>7,}")
    unmet = _unmet(root, trees)
    print(f"functions used by tests alone       {len(unmet):>7,}  {sum(n for *_, n in unmet):,} lines")
    apart = _unreachable(root, trees)
    print(f"lines reached from no page, command {sum(n for *_, n in apart):>7,}  {len(apart)} definitions")
    print(f"blocks of {BLOCK} lines that stand twice  {_twice(files):>7,}")
    if names:
        for title, found in (("used by tests alone", unmet), ("unreachable", apart)):
            print(f"\n{title}")
            for path, name, n in found:
                print(f"  {path.relative_to(root)}: {name} ({n})")


def _lines(path: Path) -> int:
    return path.read_text(encoding="utf-8").count("\n")


def _public(tree: ast.Module) -> set[str]:
    return {name for name, _ in _definitions(tree) if not name.startswith("_")}


def _definitions(tree: ast.Module) -> list[tuple[str, ast.stmt]]:
    out: list[tuple[str, ast.stmt]] = []
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            out.append((node.name, node))
        elif isinstance(node, ast.Assign):
            out += [(t.id, node) for t in node.targets if isinstance(t, ast.Name)]
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            out.append((node.target.id, node))
    return out


def _module(root: Path, path: Path) -> str:
    return ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__")


def _depth(root: Path, trees: dict[Path, ast.Module]) -> int:
    """Return the longest chain of imports at module level; faces are passed through."""
    known = {_module(root, p) for p in trees}
    graph = {}
    for path, tree in trees.items():
        if path.name == "__init__.py":
            continue
        needs = set()
        for node in tree.body:
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("analytics"):
                for alias in node.names:
                    full = f"{node.module}.{alias.name}"
                    needs.add(full if full in known else _behind(root, trees, str(node.module), alias.name))
        graph[_module(root, path)] = needs & known
    depth: dict[str, int] = {}

    def of(name: str, above: tuple[str, ...] = ()) -> int:
        if name in above:
            return 0
        if name not in depth:
            depth[name] = 1 + max((of(n, (*above, name)) for n in graph.get(name, ())), default=0)
        return depth[name]

    return max(of(name) for name in graph)


def _behind(root: Path, trees: dict[Path, ast.Module], module: str, name: str) -> str:
    face = root / Path(*module.split(".")) / "__init__.py"
    for node in trees[face].body if face in trees else ():
        if isinstance(node, ast.ImportFrom) and any((a.asname or a.name) == name for a in node.names):
            return str(node.module)
    return module


def _used(tree: ast.AST) -> set[str]:
    """Return every name that a piece of code mentions, as a name, an attribute or a text."""
    out = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Name):
            out.add(node.id)
        elif isinstance(node, ast.Attribute):
            out.add(node.attr)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value.isidentifier():
            out.add(node.value)
    return out


def _outside(root: Path) -> set[str]:
    """Return the names that notebooks mention, and those in the code of README.md and DEVELOPERS.md."""
    out = set()
    for path in (root / "notebooks").glob("*.ipynb"):
        for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
            if cell["cell_type"] == "code":
                out |= _used(ast.parse("".join(cell["source"])))
    pages = ("README.md", "DEVELOPERS.md")
    text = "\n".join((root / page).read_text(encoding="utf-8") for page in pages)
    for code in re.findall(r"`([^`\n]+)`|```\w*\n(.*?)```", text, re.DOTALL):
        out |= set(re.findall(r"[A-Za-z_]\w+", " ".join(code)))
    return out


def _unmet(root: Path, trees: dict[Path, ast.Module]) -> list[tuple[Path, str, int]]:
    used = _outside(root)
    mentions: dict[str, int] = defaultdict(int)
    for tree in trees.values():
        for node in tree.body:
            if isinstance(node, ast.Import | ast.ImportFrom):
                continue
            own = getattr(node, "name", None)
            for name in _used(node) - {own}:
                mentions[name] += 1
    out = []
    for path, tree in trees.items():
        for name, node in _definitions(tree):
            if isinstance(node, ast.FunctionDef) and not mentions[name] and name not in used:
                out.append((path, name, _length(node)))
    return [row for row in out if row[1] not in ("__getattr__", "__dir__")]


def _unreachable(root: Path, trees: dict[Path, ast.Module]) -> list[tuple[Path, str, int]]:
    bodies: dict[str, list[ast.AST]] = defaultdict(list)
    queue = {"main", "run", "arguments", "MORE", *_outside(root)}
    for path, tree in trees.items():
        for name, node in _definitions(tree):
            bodies[name].append(node)
        # What a face holds beside names handed on, such as a tuple of kinds, is read by whoever enters.
        defined = {id(node) for _, node in _definitions(tree) if path.name != "__init__.py"}
        for node in tree.body:
            if id(node) not in defined and not isinstance(node, ast.Import | ast.ImportFrom):
                queue |= _used(node)
    reached: set[str] = set()
    while queue:
        name = queue.pop()
        reached.add(name)
        for node in bodies.get(name, ()):
            queue |= _used(node) - reached
    return [
        (path, name, _length(node))
        for path, tree in trees.items()
        for name, node in _definitions(tree)
        if path.name != "__init__.py" and name not in reached and not name.startswith("__")
    ]


def _length(node: ast.stmt) -> int:
    return (node.end_lineno or node.lineno) - node.lineno + 1


def _twice(files: list[Path]) -> int:
    """Return how many runs of BLOCK code lines (stripped, no comments or imports) occur a second time."""
    seen: set[tuple[str, ...]] = set()
    twice = 0
    for path in files:
        lines = [line.strip() for line in path.read_text(encoding="utf-8").splitlines()]
        lines = [x for x in lines if x and not x.startswith(("#", "import ", "from ")) and x not in ")]}"]
        for i in range(len(lines) - BLOCK + 1):
            block = tuple(lines[i : i + BLOCK])
            twice += block in seen
            seen.add(block)
    return twice


if __name__ == "__main__":
    given = [a for a in sys.argv[1:] if not a.startswith("-")]
    main(Path(given[0]) if given else Path(__file__).parents[2], names="--names" in sys.argv)
