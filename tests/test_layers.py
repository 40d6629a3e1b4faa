"""Imports go one way only: every import in the package is walked, also those inside functions."""

from __future__ import annotations

import ast
from pathlib import Path

import noisecheck

PACKAGE = Path(noisecheck.__file__).parent
# A layer may import itself and anything of a lower number; layers with one number may not see each other.
LAYERS = {
    "core": 0,
    "audio": 1,
    "bench": 1,
    "simulate": 2,
    "score": 2,
    "detect": 3,
    "measure": 4,
    "place": 5,
    "flow": 6,
    "compare": 7,
    "pipeline": 8,
    "report": 9,
    "live": 9,
    "completion": 9,
    "terminal": 9,
    "documents": 9,
    "commands": 10,
    "__init__": 10,
    "cli": 11,
    "__main__": 12,
    "manual": 12,
}


def layer_of(module: str) -> str:
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else "__init__"


def imports_of(path: Path) -> list[tuple[int, str]]:
    found: list[tuple[int, str]] = []
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found += [(node.lineno, a.name) for a in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}:{node.lineno}: relative import"
            if node.module == "noisecheck":
                found += [(node.lineno, f"noisecheck.{a.name}") for a in node.names if a.name != "__version__"]
            else:
                found.append((node.lineno, node.module or ""))
    return found


def test_imports_point_one_way() -> None:
    wrong = []
    for path in sorted(PACKAGE.rglob("*.py")):
        relative = path.relative_to(PACKAGE)
        own = relative.parts[0].removesuffix(".py")
        for line, module in imports_of(path):
            if not module.startswith("noisecheck"):
                continue
            other = layer_of(module)
            if own != other and LAYERS[other] >= LAYERS[own]:
                wrong.append(f"{relative}:{line}: {own} imports {other}")
    assert wrong == []


def test_every_folder_has_a_layer() -> None:
    names = {p.name.removesuffix(".py") for p in PACKAGE.iterdir() if p.name != "__pycache__"}
    assert {n for n in names if not n.startswith("_") and "." not in n} <= set(LAYERS)


def test_only_report_draws() -> None:
    users = {
        str(p.relative_to(PACKAGE))
        for p in PACKAGE.rglob("*.py")
        if any(m.split(".")[0] == "matplotlib" for _, m in imports_of(p))
    }
    assert users
    assert all(u.startswith("report/figures/") for u in users)


def test_no_assert_in_the_package() -> None:
    found = [
        f"{p.relative_to(PACKAGE)}:{node.lineno}"
        for p in PACKAGE.rglob("*.py")
        for node in ast.walk(ast.parse(p.read_text()))
        if isinstance(node, ast.Assert)
    ]
    assert found == []
