"""What a result was made with, so that it can be made again and told from another."""

from __future__ import annotations

__all__ = ["provenance"]

_LIBRARIES = ("numpy", "scipy", "soundfile", "scikit-learn")


def provenance() -> dict[str, str]:
    """Return versions of the tool, Python and the libraries that can change a number."""
    import platform
    from importlib.metadata import PackageNotFoundError, version

    found = {"python": platform.python_version()}
    for name in ("noisecheck", *_LIBRARIES):
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "unknown"
    return found
