"""``python -m noisecheck``."""

from __future__ import annotations

import sys

from noisecheck.cli import main

if __name__ == "__main__":
    sys.exit(main())
