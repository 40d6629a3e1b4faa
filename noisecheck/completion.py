"""Tab completion for bash and zsh, written from the command line's own parser so that the two cannot disagree."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator
from typing import Any, Final

__all__ = ["SHELLS", "PrintCompletion", "commands_of", "completion_script"]

SHELLS: Final = ("bash", "zsh")


class PrintCompletion(argparse.Action):
    """An option that prints the script for a shell and ends the program."""

    def __call__(self, parser: argparse.ArgumentParser, *values: Any) -> None:
        """Print the script; argparse calls this with the namespace, the shell and the option."""
        print(completion_script(parser, values[1]), end="")
        parser.exit()


def completion_script(parser: argparse.ArgumentParser, shell: str) -> str:
    """Return a script that completes commands, options and file names.

    Args:
        parser: with one set of subcommands.
        shell: ``bash`` or ``zsh``.

    Raises:
        ValueError: another shell.
    """
    if shell == "bash":
        return _bash(parser)
    if shell == "zsh":
        return _zsh(parser)
    raise ValueError(f"shell {shell!r}: must be one of {', '.join(SHELLS)}")


def commands_of(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    """Return the parsers of the commands by name, in the order in which they were added."""
    return next(dict(a.choices) for a in parser._actions if isinstance(a, argparse._SubParsersAction))


def _options(parser: argparse.ArgumentParser) -> Iterator[argparse.Action]:
    return (a for a in parser._actions if a.option_strings and a.help is not argparse.SUPPRESS)


def _names(parser: argparse.ArgumentParser) -> str:
    return " ".join(o for a in _options(parser) for o in a.option_strings)


def _bash(parser: argparse.ArgumentParser) -> str:
    commands = commands_of(parser)
    cases, values = [], []
    for name, sub in commands.items():
        cases.append(f'        {name}) words="{_names(sub)}" ;;')
        values += [
            f'        {name}:{o}) COMPREPLY=($(compgen -W "{" ".join(map(str, a.choices))}" -- "$current")); return ;;'
            for a in _options(sub)
            if a.choices
            for o in a.option_strings
        ]
    return "\n".join(
        [
            f"_{parser.prog}() {{",
            '    local current="${COMP_WORDS[COMP_CWORD]}" before="${COMP_WORDS[COMP_CWORD-1]}" words=""',
            "    COMPREPLY=()",
            "    if [ \"$COMP_CWORD\" -eq 1 ]; then",
            f'        COMPREPLY=($(compgen -W "{" ".join(commands)} {_names(parser)}" -- "$current"))',
            "        return",
            "    fi",
            *(['    case "${COMP_WORDS[1]}:$before" in', *values, "    esac"] if values else []),
            '    case "${COMP_WORDS[1]}" in',
            *cases,
            "    esac",
            '    if [[ "$current" == -* ]]; then',
            '        COMPREPLY=($(compgen -W "$words" -- "$current"))',
            "    else",
            '        local IFS=$\'\\n\'',
            '        COMPREPLY=($(compgen -f -- "$current"))',
            "    fi",
            "}",
            f"complete -o filenames -F _{parser.prog} {parser.prog}",
            "",
        ]
    )  # fmt: skip


def _zsh(parser: argparse.ArgumentParser) -> str:
    commands = commands_of(parser)
    listed = next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction))._choices_actions
    lines = [f"#compdef {parser.prog}", f"_{parser.prog}() {{", "    local -a commands", "    commands=("]
    lines += [f"        {_quoted(f'{a.dest}:{a.help}')}" for a in listed]
    lines += [
        "    )",
        "    if (( CURRENT == 2 )); then",
        "        _describe command commands",
        *(f"        _arguments {_described(a)}" for a in _options(parser) if a.nargs == 0),
        "        return",
        "    fi",
        '    case "$words[2]" in',
    ]
    for name, sub in commands.items():
        lines.append(f"        {name}) _arguments '1:command:' \\")
        lines += [f"            {_described(a)} \\" for a in _options(sub)]
        lines.append("            '*:file:_files' ;;")
    return "\n".join([*lines, "    esac", "}", f"compdef _{parser.prog} {parser.prog}", ""])


def _described(action: argparse.Action) -> str:
    text = re.sub(r"([\[\]:])", r"\\\1", " ".join((action.help or "").replace("%%", "%").split()))
    value = ""
    if action.nargs != 0:
        what = re.sub(r"[^A-Za-z. ]", " ", str(action.metavar or action.dest)).strip()
        value = f":{what}:({' '.join(map(str, action.choices))})" if action.choices else f":{what}:_files"
    return " ".join(_quoted(f"{option}[{text}]{value}") for option in action.option_strings)


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "'\\''") + "'"
