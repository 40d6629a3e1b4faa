"""Tab completion, asked of the shells themselves."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from noisecheck.cli import make_parser
from noisecheck.completion import completion_script

NEEDS_BASH = pytest.mark.skipif(shutil.which("bash") is None, reason="no bash here")
NEEDS_ZSH = pytest.mark.skipif(shutil.which("zsh") is None, reason="no zsh here")


def completed(typed: list[str], folder: Path) -> set[str]:
    words = " ".join(f"'{w}'" for w in typed)
    script = (
        f"{completion_script(make_parser(), 'bash')}\n"
        f"COMP_WORDS=({words}); COMP_CWORD={len(typed) - 1}; _noisecheck; printf '%s\\n' \"${{COMPREPLY[@]}}\""
    )
    done = subprocess.run(["bash", "-c", script], cwd=folder, capture_output=True, text=True, check=True)
    assert done.stderr == ""
    return set(done.stdout.split("\n")) - {""}


@NEEDS_BASH
def test_bash_completes_commands_options_and_files(tmp_path: Path) -> None:
    (tmp_path / "take one.wav").touch()
    (tmp_path / "other.wav").touch()
    assert completed(["noisecheck", "com"], tmp_path) == {"compare"}
    assert {"init", "measure", "--version"} <= completed(["noisecheck", ""], tmp_path)
    assert completed(["noisecheck", "compare", "x", "--b"], tmp_path) == {"--by", "--baseline"}
    assert completed(["noisecheck", "measure", "ta"], tmp_path) == {"take one.wav"}


@NEEDS_ZSH
def test_zsh_reads_the_script_without_complaint(tmp_path: Path) -> None:
    script = tmp_path / "_noisecheck"
    script.write_text(completion_script(make_parser(), "zsh"))
    done = subprocess.run(["zsh", "-n", str(script)], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    loaded = f"autoload -Uz compinit; compinit -D; source {script}; print $_comps[noisecheck]"
    done = subprocess.run(["zsh", "-fc", loaded], cwd=tmp_path, capture_output=True, text=True)
    assert done.stdout.strip() == "_noisecheck"


def test_every_command_and_option_is_in_both() -> None:
    for shell in ("bash", "zsh"):
        script = completion_script(make_parser(), shell)
        for word in ("init", "health", "measure", "compare", "ledger", "trend", "plan", "report", "simulate"):
            assert word in script
        for option in ("--baseline", "--sensitivity", "--wanted-db", "--output"):
            assert option in script
    with pytest.raises(ValueError, match="must be one of bash, zsh"):
        completion_script(make_parser(), "fish")


def test_it_is_printed_on_request() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "noisecheck", "--completion", "bash"], capture_output=True, text=True, check=True
    )
    assert done.stdout == completion_script(make_parser(), "bash")
