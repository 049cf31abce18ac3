"""Rules of the code base that a machine can hold: where imports point, where rounding lives, how thin notebooks are."""

import ast
from collections import Counter
from pathlib import Path

import nbformat
import numpy as np
import pytest

from notebooks.report.run import OF_PRIMARY

ROOT = Path(__file__).resolve().parents[2]
ALLOWED = {
    "outcomes": set(),
    "stats": {"outcomes"},
    "synthetic_cohort": {"outcomes"},
    "notebooks": {"outcomes", "stats", "synthetic_cohort"},
}
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def modules(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def imported(tree: ast.AST) -> set[str]:
    """Top-level names of everything imported, at any depth of the file."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found.add(node.module.partition(".")[0])
    return found


@pytest.mark.parametrize("package", ALLOWED)
def test_imports_point_left_only(package):
    """outcomes <- stats <- notebooks; synthetic_cohort knows outcomes only; only notebooks know a plotting library."""
    forbidden = set(ALLOWED) - ALLOWED[package] - {package}
    if package != "notebooks":
        forbidden |= {"plotly", "matplotlib", "IPython"}
    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in modules(package)
        for name in imported(ast.parse(path.read_text(encoding="utf-8"))) & forbidden
    ]
    assert not wrong


def graph() -> dict[str, set[str]]:
    """Module -> modules of ours that it imports, at the top, inside functions or for types only."""
    files = {".".join(path.relative_to(ROOT).with_suffix("").parts): path for one in ALLOWED for path in modules(one)}
    files = {name.removesuffix(".__init__"): path for name, path in files.items()}
    found: dict[str, set[str]] = {}
    for name, path in files.items():
        found[name] = set()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found[name] |= {alias.name for alias in node.names} & files.keys()
            elif isinstance(node, ast.ImportFrom) and node.module:
                whole = {f"{node.module}.{alias.name}" for alias in node.names}
                inside = whole & files.keys()
                found[name] |= inside | ({node.module} & files.keys() if inside != whole else set())
        found[name].discard(name)
    return found


def circles(edges: dict[str, set[str]]) -> list[list[str]]:
    """Groups of nodes that reach each other."""
    names = sorted(edges)
    place = {name: k for k, name in enumerate(names)}
    reach = np.zeros((len(names), len(names)), dtype=bool)
    for name, targets in edges.items():
        reach[place[name], [place[target] for target in targets if target in place]] = True
    for k in range(len(names)):
        reach |= np.outer(reach[:, k], reach[k])
    both = reach & reach.T
    return [
        [names[j] for j in np.flatnonzero(both[k])]
        for k in np.flatnonzero(both.any(axis=1))
        if k == np.flatnonzero(both[k])[0]
    ]


def test_no_module_imports_itself_by_a_detour():
    assert circles(graph()) == []


def test_a_circle_is_seen():
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"a"}, "d": {"a"}}) == [["a", "b", "c"]]


def test_no_file_is_named_like_its_folder_or_like_another():
    paths = [path for one in ALLOWED for path in modules(one) if path.stem not in ("__init__", "__main__", "errors")]
    assert [str(path.relative_to(ROOT)) for path in paths if path.stem == path.parent.name] == []
    stems = Counter(path.stem for path in paths)
    assert [name for name, count in stems.items() if count > 1] == []


def test_a_folder_holds_at_most_sixteen_modules():
    folders = Counter(path.parent for one in ALLOWED for path in modules(one) if path.stem != "__init__")
    assert {str(folder.relative_to(ROOT)): count for folder, count in folders.items() if count > 16} == {}


def test_nothing_imports_the_name_stats_from_scipy():
    """`from scipy import stats` would hide our package of that name."""
    wrong = [
        str(path.relative_to(ROOT))
        for package in ALLOWED
        for path in modules(package)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom) and node.module == "scipy" and "stats" in {a.name for a in node.names}
    ]
    assert not wrong


class _Rounding(ast.NodeVisitor):
    """Calls of round and format specifications outside `sentence` and outside the text of an error or a note."""

    def __init__(self):
        self.found: list[int] = []

    def visit_FunctionDef(self, node):
        if node.name != "sentence":
            self.generic_visit(node)

    def visit_Call(self, node):
        name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        if name in {"round", "around"}:
            self.found.append(node.lineno)
        self.generic_visit(node)


def test_the_statistical_core_never_rounds():
    wrong = []
    for path in modules("stats"):
        visitor = _Rounding()
        visitor.visit(ast.parse(path.read_text(encoding="utf-8")))
        wrong += [f"{path.relative_to(ROOT)}:{line}" for line in visitor.found]
    assert not wrong


def test_the_rounding_test_sees_a_rounded_number():
    visitor = _Rounding()
    visitor.visit(ast.parse("def frame(x):\n    return round(x, 2)\n"))
    assert visitor.found == [2]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebooks_are_thin_and_have_no_outputs(path):
    notebook = nbformat.read(path, 4)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert len(code) <= 15
    assert sum("parameters" in cell.metadata.get("tags", []) for cell in code) == 1
    assert notebook.cells[0].source.startswith("# ")
    for cell in code:
        assert not cell.outputs
        assert cell.execution_count is None
        assert len(cell.source.splitlines()) <= 8
        tree = ast.parse(cell.source)
        if OF_PRIMARY in cell.metadata.get("tags", []):  # such a cell may be left out of a run
            assert [type(node) for node in tree.body] == [ast.Expr]
        banned = (ast.FunctionDef, ast.ClassDef, ast.For, ast.While, ast.Lambda, ast.ListComp, ast.DictComp)
        assert not [node for node in ast.walk(tree) if isinstance(node, banned)]


def test_there_are_notebooks():
    assert NOTEBOOKS
