"""Errors the tool raises on purpose.

Everything the user can cause derives from :class:`InputError`; the command line turns it into one
sentence and exit code 2. Anything else that escapes is a defect of the tool.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

__all__ = ["InputError", "MissingExtraError", "NoisecheckError", "listed", "missing_extra", "nearest", "one_line"]


class NoisecheckError(Exception):
    """Base of every error noisecheck raises on purpose."""


class InputError(NoisecheckError, ValueError):
    """Input that cannot be used: the message is one sentence naming file, row and column where they exist."""


class MissingExtraError(InputError):
    """An optional part is not installed; the message names the extra to install."""


def missing_extra(what: str, extra: str) -> MissingExtraError:
    """Return the error that says what needs an extra, and how to install it."""
    return MissingExtraError(
        f"{what} needs the extra '{extra}': in the folder of noisecheck, pip install -e \".[{extra}]\""
    )


def nearest(word: str, known: Iterable[str]) -> str:
    """Return `` (did you mean 'x'?)`` for the closest of ``known``, or an empty string; capitals may differ."""
    import difflib

    spelt = {name.casefold(): name for name in known}
    match = difflib.get_close_matches(word.casefold(), spelt, n=1, cutoff=0.5)
    return f" (did you mean '{spelt[match[0]]}'?)" if match else ""


def one_line(text: object) -> str:
    """Return text with control characters escaped, so that a message stays one line and safe to print."""
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in str(text))


def listed(names: Sequence[str]) -> str:
    """Return ``A, B and C``."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
