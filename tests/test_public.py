"""The public names: few, explicit, light to import; the README does what it says."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import noisecheck

ROOT = Path(noisecheck.__file__).parent.parent
HEAVY = ("scipy.signal", "scipy.stats", "sklearn", "matplotlib", "numba", "librosa", "pydantic", "jinja2", "joblib")


def test_every_public_name_is_there() -> None:
    assert len(noisecheck.__all__) <= 18
    for name in noisecheck.__all__:
        assert getattr(noisecheck, name).__doc__, name
    with pytest.raises(AttributeError, match="no attribute 'loudest'"):
        _ = noisecheck.loudest


def test_version_is_the_packages() -> None:
    assert noisecheck.__version__ == tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]


def test_whatever_others_may_call_says_what_it_is() -> None:
    """Every function, class and method without an underscore, in every module, has a docstring."""
    bare = []

    def walk(parent: ast.Module | ast.ClassDef, path: str) -> None:
        for node in parent.body:
            if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and not node.name.startswith("_"):
                if not ast.get_docstring(node):
                    bare.append(f"{path}:{node.name}")
                if isinstance(node, ast.ClassDef):
                    walk(node, f"{path}:{node.name}")

    for file in sorted((ROOT / "noisecheck").rglob("*.py")):
        walk(ast.parse(file.read_text(encoding="utf-8")), file.name)
    assert bare == []


def _modules_after(statement: str) -> set[str]:
    code = f"import sys\n{statement}\nprint('\\n'.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_importing_is_light() -> None:
    assert not {m for m in _modules_after("import noisecheck, noisecheck.cli") if m.startswith((*HEAVY, "numpy"))}


def test_measuring_needs_nothing_heavy() -> None:
    loaded = _modules_after("from noisecheck import measure_files, open_recording")
    assert not {m for m in loaded if m.startswith((*HEAVY, "scipy", "noisecheck.place", "noisecheck.flow.ledger"))}


def test_readme_has_exactly_two_set_up_commands() -> None:
    text = (ROOT / "README.md").read_text()
    commands = re.findall(r"^    (python3 -m venv .+)$", text, re.M)
    assert len(commands) == 2
    assert commands[0].endswith("noisecheck report recordings")
    assert commands[1].endswith("pytest -q -n 2 --dist loadfile")
    for picture in re.findall(r"!\[.*?\]\((.+?)\)", text):
        assert (ROOT / picture).is_file()


def test_top_level_holds_only_what_it_should() -> None:
    allowed = {
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "pyproject.toml",
        "noisecheck",
        "recordings",
        "tests",
        "reports",
    }
    if not (ROOT / ".git").exists():
        pytest.skip("not a checkout")
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split(
        "\n"
    )
    assert {t.split("/")[0] for t in tracked if t and not t.startswith(".")} <= allowed
