"""What sound can and cannot tell: said once."""

from __future__ import annotations

from typing import Final

from noisecheck.report.context import Context, Place, Section

__all__ = ["CAUTIONS", "care_section"]

CAUTIONS: Final = (
    (
        "Not a sound level meter",
        "A computer and a microphone without a calibrator give differences, not levels. Even calibrated, these figures "
        "are not for judging what people are exposed to: that needs a competent person and the local rules.",
    ),
    ("Hearing", "Loud impulsive sound can harm hearing. Play clips at a low volume first."),
    (
        "Not a safety stop",
        "Watching by sound is an aid. Guards, interlocks and emergency stops stay as the local rules and a licensed "
        "practitioner say.",
    ),
    ("Hands", "Keep hands and microphones clear of moving parts."),
)


def care_section(context: Context) -> Section:
    """Return the cautions, the same for every campaign."""
    return Section("care", "Read with care", Place.CARE, "care.html", {"cautions": CAUTIONS})
