"""What a recording went through before it was stored: a lossy codec shows by what announces its impacts.

A WAV or FLAC made from a compressed recording holds all that the codec added, but no longer says so. The first tile
tells: most codecs cut off what lies above some frequency as nothing in a room does, and as they were recorded hardly
any impacts are announced, through a codec one in twenty and more. So are they by the ringing of a steep filter (sound
taken from a low rate), and by what noise reduction lets through before it opens; what is new then lies in the same
places, and is listened to in the same way.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from noisecheck.audio.recording import FileRecording, Recording, is_lossy
from noisecheck.detect.candidates import Candidates
from noisecheck.detect.coded import cut_off, grows_until, went_through
from noisecheck.pipeline.tiles import Reader, Tile, find_in_tiles, tiles_of

__all__ = ["WAS_CODED", "find_in_first", "note_coded", "sounds_coded", "tells_codec"]

WAS_CODED: Final = (
    "sounds as if it had gone through a codec, a steep filter or noise reduction: it is listened to as such; hand over "
    "the untreated original where there is one"
)
_CLEAR: Final = 40.0
"""Log-likelihood ratio of an impact that is asked."""


def tells_codec(reader: Reader, tile: Tile, found: list[Candidates]) -> bool:
    """Return whether what was found in a recording's first tile, one entry a channel, tells that it was compressed."""
    samples, rate = reader.read(*tile), reader.recording.rate
    announced = impacts = hearing = cut = 0
    for channel, candidates in enumerate(found):
        clear = candidates.onset[candidates.score > _CLEAR]
        heard = np.ascontiguousarray(samples[:, channel])
        announced += int(grows_until(heard, clear, rate).sum())
        cut += cut_off(heard, clear, rate)
        impacts += len(clear)
        hearing += len(clear) > 0
    # All microphones hear the same impacts: what they say together is no more than one of them says.
    return hearing > 0 and (cut == hearing or went_through(announced / hearing, impacts / hearing))


def find_in_first(reader: Reader, tile: Tile) -> list[Candidates]:
    """Return the candidates of each channel in the first tile; from then on the reader knows whether it was coded."""
    (found,) = find_in_tiles(reader, [tile])
    if not reader.coded and tells_codec(reader, tile, found):
        reader.coded = True
        (found,) = find_in_tiles(reader, [tile])
    return found


def note_coded(recording: FileRecording, coded: bool) -> None:
    """Note of a recording that was listened to as coded sound that it was, where its file does not say so itself."""
    if coded and not is_lossy(recording):
        recording.note(WAS_CODED)


def sounds_coded(recording: Recording) -> bool:
    """Return whether the sound of a recording went through a lossy codec, whether it says so or not."""
    reader = Reader(recording)
    tiles = tiles_of(recording.rate, recording.frames)
    if tiles and not reader.coded:
        find_in_first(reader, tiles[0])
    return reader.coded
