"""The reference manual as one offline page, made from the parser, the column registry and the docstrings themselves.

Run ``python -m noisecheck.manual DIR`` to write ``DIR/manual.html``.
"""

from __future__ import annotations

import argparse
import inspect
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import noisecheck
from noisecheck import cli, commands
from noisecheck.bench import rig_file
from noisecheck.completion import commands_of
from noisecheck.core.errors import NoisecheckError
from noisecheck.core.files import write_together
from noisecheck.core.flags import FLAG_MEANING
from noisecheck.core.table import COLUMNS
from noisecheck.documents import DOCUMENTS, RUN_COLUMNS

__all__ = ["main", "manual_page"]

_PAGE: Final = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>noisecheck manual</title>
<style>
:root{color-scheme:light dark}body{max-width:60rem;margin:2rem auto;padding:0 1rem;font:16px/1.5 system-ui,sans-serif}
pre{overflow-x:auto;background:color-mix(in srgb,currentColor 8%,transparent);padding:.6rem}
table{border-collapse:collapse;width:100%}th,td{text-align:left;vertical-align:top;padding:.25rem .5rem;
border-bottom:1px solid color-mix(in srgb,currentColor 25%,transparent)}h2{margin-top:3rem}
nav a{margin-right:1rem}.scroll{overflow-x:auto}
</style></head><body>
<h1>noisecheck {{ version }}: manual</h1>
<nav>{% for key, title in parts %}<a href="#{{ key }}">{{ title }}</a> {% endfor %}</nav>
<h2 id="commands">Commands</h2>
{% for name, text in commands %}<h3 id="command-{{ name }}">{{ name }}</h3><pre>{{ text }}</pre>{% endfor %}
<h2 id="rig">rig.toml</h2>
<p>Every part may be left out. Lengths are millimetres, times seconds, masses grams; keys not listed are refused.</p>
{% for title, doc, keys in rig %}<h3>{{ title }}</h3><p>{{ doc }}</p>
<p>Keys, and what they are when left out: {% for k, default in keys %}
<code>{{ k }}</code>{{ default }}{{ ", " if not loop.last }}{% endfor %}</p>{% endfor %}
<h2 id="runs">runs.csv</h2>
<p>One row a run. Other columns are kept, and runs may be compared by them.</p>
<div class="scroll"><table><thead><tr><th>column</th><th>meaning</th></tr></thead><tbody>
{% for c, text in runs.items() %}<tr><td><code>{{ c }}</code></td><td>{{ text }}</td></tr>
{% endfor %}</tbody></table></div>
<h2 id="columns">impacts.csv</h2>
<div class="scroll"><table><thead><tr><th>column</th><th>unit</th><th>meaning</th></tr></thead><tbody>
{% for c in columns %}<tr><td><code>{{ c.name if c.kind != "bands" else "le_25hz ... le_20000hz" }}</code></td>
<td>{{ c.unit }}</td><td>{{ c.meaning }}</td></tr>{% endfor %}</tbody></table></div>
<h3>Flags</h3>
<div class="scroll"><table><tbody>
{% for word, text in flags %}<tr><td><code>{{ word }}</code></td><td>{{ text }}</td></tr>
{% endfor %}</tbody></table></div>
<h2 id="json">JSON</h2>
<p>What <code>--json</code> prints, one document a command (<code>watch</code>: one a line, and the same on the standard
input of its alarm command). <code>[]</code> stands for each of a list, <code>*</code> for any name. Levels are dB,
times seconds.</p>
{% for name, keys in documents %}<h3>{{ name }}</h3><div class="scroll"><table><tbody>
{% for key, text in keys.items() %}<tr><td><code>{{ key }}</code></td><td>{{ text }}</td></tr>
{% endfor %}</tbody></table></div>{% endfor %}
<h2 id="python">From Python</h2>
{% for name, head, doc, members in python %}<h3 id="py-{{ name }}"><code>{{ head }}</code></h3><pre>{{ doc }}</pre>
{% for m, d in members %}<h4><code>{{ m }}</code></h4><pre>{{ d }}</pre>{% endfor %}{% endfor %}
</body></html>
"""
_PARTS: Final = (
    ("commands", "Commands"),
    ("rig", "rig.toml"),
    ("runs", "runs.csv"),
    ("columns", "impacts.csv"),
    ("json", "JSON"),
    ("python", "From Python"),
)


def manual_page() -> str:
    """Return the manual as HTML."""
    from jinja2 import Environment, StrictUndefined

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return environment.from_string(_PAGE).render(
        version=noisecheck.__version__,
        parts=_PARTS,
        commands=_commands(),
        rig=[(name, _doc(model), _keys(model)) for name, model in rig_file.SECTIONS.items()],
        runs=RUN_COLUMNS,
        columns=[c for c in COLUMNS if c.listed],
        flags=[(f.name.lower(), text) for f, text in FLAG_MEANING.items() if f.name],
        documents=DOCUMENTS.items(),
        python=[_public(name) for name in noisecheck.__all__],
    )


def _commands() -> list[tuple[str, str]]:
    parser = cli.make_parser()
    return [("noisecheck", parser.format_help()), *((n, p.format_help()) for n, p in commands_of(parser).items())]


def _keys(model: Any) -> list[tuple[str, str]]:
    """Return the keys of a part of the rig file, each with what it is when left out (nothing said: nothing)."""
    return [
        (key, " (needed)" if field.is_required() else _toml(field.default)) for key, field in model.model_fields.items()
    ]


def _toml(value: Any) -> str:
    if value in (None, "", (), {}):
        return ""
    text = str(value).lower() if isinstance(value, bool) else f'"{value}"' if isinstance(value, str) else f"{value:g}"
    return f" ({text})"


def _public(name: str) -> tuple[str, str, str, list[tuple[str, str]]]:
    thing: Any = getattr(noisecheck, name)
    members: list[tuple[str, str]] = []
    if inspect.isclass(thing):
        head = f"class {name}"
        for key, member in vars(thing).items():
            function = (
                getattr(member, "fget", None) or getattr(member, "func", None) or getattr(member, "__func__", member)
            )
            if not key.startswith("_") and callable(function) and inspect.getdoc(function):
                members.append((key + ("" if function is not member else _signature(function)), _doc(function)))
    else:
        head = f"{name}{_signature(thing)}"
    return name, head, _doc(thing), members


def _signature(function: Any) -> str:
    return re.sub(r"noisecheck(\.\w+)+\.", "", str(inspect.signature(function)).replace("'", ""))


def _doc(thing: Any) -> str:
    return _plain(inspect.getdoc(thing) or "")


def _plain(text: str) -> str:
    """Return a docstring without markup."""
    return re.sub(r":\w+:`~?([^`]+)`", r"\1", text).replace("``", "")


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the manual into the folder named; return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m noisecheck.manual", description="Write the manual as one page.")
    parser.add_argument("folder", metavar="DIR", type=Path)
    folder = parser.parse_args(arguments).folder
    try:
        (path,) = write_together({folder / "manual.html": manual_page()})
    except NoisecheckError as error:
        print(f"noisecheck: {error}", file=sys.stderr)
        return commands.BAD_INPUT
    print(f"Wrote {path}.")
    return commands.DONE


if __name__ == "__main__":
    sys.exit(main())
