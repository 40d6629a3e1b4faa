"""Documentation that runs: the README's Python, and a manual that names everything there is."""

from __future__ import annotations

import doctest
import html
import json
import shutil
from pathlib import Path
from typing import Any

import pytest

import noisecheck
from noisecheck.bench.runsheet import COLUMNS as SHEET
from noisecheck.bench.runsheet import OPTIONAL
from noisecheck.cli import main as main_command
from noisecheck.cli import make_parser
from noisecheck.completion import commands_of
from noisecheck.core.flags import FLAG_MEANING
from noisecheck.core.table import COLUMNS
from noisecheck.documents import DOCUMENTS, RUN_COLUMNS
from noisecheck.manual import main, manual_page

ROOT = Path(noisecheck.__file__).parent.parent


def test_examples_in_docstrings_do_what_they_say() -> None:
    import importlib
    import pkgutil

    for module in pkgutil.walk_packages(noisecheck.__path__, "noisecheck."):
        if not module.name.endswith("__main__"):
            assert doctest.testmod(importlib.import_module(module.name)).failed == 0, module.name


def test_the_manual_names_everything(tmp_path: Path) -> None:
    page = html.unescape(manual_page())
    commands = commands_of(make_parser())
    for name in (*commands, *SHEET, *noisecheck.__all__, *(c.meaning for c in COLUMNS if c.listed)):
        assert name in page, name
    assert tuple(RUN_COLUMNS) == (*SHEET, *OPTIONAL)
    for column, meaning in RUN_COLUMNS.items():
        assert f"<code>{column}</code></td><td>{meaning}" in page
    for key in (
        "temperature_c</code> (20)",
        'kind</code> ("air")',
        "confidence</code> (0.95)",
        "limit</code> (needed)",
        "channel</code> (0)",
    ):
        assert key in page
    for flag, meaning in FLAG_MEANING.items():
        assert f"<code>{(flag.name or '').lower()}</code></td><td>{meaning}" in page
    assert "http" not in page
    assert main([str(tmp_path)]) == 0
    assert html.unescape((tmp_path / "manual.html").read_text()) == page


def test_every_option_is_explained_with_its_default() -> None:
    for name, parser in commands_of(make_parser()).items():
        for action in parser._actions:
            assert action.help, (name, action.dest)
            takes_a_value = action.nargs != 0 and action.option_strings and not action.required
            if takes_a_value:
                assert "default" in action.help, (name, action.dest)


def _keys(document: Any, path: str) -> list[Any]:
    """Return every value that a path of the manual's tables stands for."""
    found = [document]
    for part in path.split("."):
        name = part.removesuffix("[]")
        found = [v for d in found for v in (d.values() if name == "*" else [d[name]] if name in d else [])]
        if part.endswith("[]"):
            found = [v for each in found for v in each]
    return found


@pytest.mark.parametrize("command", sorted(set(DOCUMENTS) - {"watch"}))
def test_documents_hold_what_the_manual_says(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    recording = str(ROOT / "recordings" / "felt-120-3.flac")
    asked = [recording] if command in ("measure", "health") else [str(ROOT / "recordings")]
    assert main_command([command, *asked, "--json", *(["--by", "treatment"] if command == "compare" else [])]) in (
        0,
        1,
        3,
    )
    document = json.loads(capsys.readouterr().out)
    for path in DOCUMENTS[command]:
        assert _keys(document, path), path
    told = {path.split(".")[0].removesuffix("[]") for path in DOCUMENTS[command]}
    assert set(document) - {"confidence", "scales"} <= told | {"confidence"}


def test_a_manual_that_cannot_be_written_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").touch()
    assert main([str(tmp_path / "file")]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_the_readmes_python_does_what_it_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("pandas", reason="pandas is not installed")
    if not (ROOT / "recordings").is_dir():
        pytest.skip("the demo campaign is not here")
    shutil.copytree(ROOT / "recordings", tmp_path / "recordings")  # with what other tests have measured
    monkeypatch.chdir(tmp_path)
    found = doctest.testfile(str(ROOT / "README.md"), module_relative=False)
    assert (found.failed, found.attempted > 8) == (0, True)
