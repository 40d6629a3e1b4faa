"""Delays and places against pyroomacoustics: its generalised correlation, its location, and sound it sent through air.

pyroomacoustics 0.10 (Scheibler, Bezzam and Dokmanic, Proc. IEEE ICASSP 2018, 351).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from noisecheck.bench.rig import Rig
from noisecheck.place.array import array_of
from noisecheck.place.delays import Arrivals, measure_arrivals, pair_delays
from noisecheck.place.positions import locate

pra = pytest.importorskip("pyroomacoustics")

RATE = 48000
CORNERS = [[0, 0, 0], [900, 0, 200], [900, 700, 0], [0, 700, 200], [450, 350, 700], [200, 600, 500]]


def _array():  # type: ignore[no-untyped-def]
    rig = {
        "microphone": [{"channel": c, "position_mm": p} for c, p in enumerate(CORNERS)],
        "station": [{"name": "landing", "position_mm": [200, 200, 100]}],
    }
    return array_of(Rig.model_validate(rig))


def test_delays_agree_with_its_generalised_correlation() -> None:
    """To a sixteenth of a frame, its step, on 5 ms of noise at 30 dB."""
    from pyroomacoustics.experimental.localization import tdoa

    rng = np.random.default_rng(3)
    length, begin = round(0.016 * RATE), round(0.007 * RATE)
    freq = np.fft.rfftfreq(2 * length, 1 / RATE)
    x = np.zeros((4, length, 2), np.float32)
    for row, late in enumerate((0.0007, -0.00031, 0.0001234, -0.0009876)):
        clean = np.zeros(2 * length)
        clean[begin : begin + 240] = rng.standard_normal(240)
        band = (freq > 1000) & (freq < 10000)
        turn = np.exp(-2j * np.pi * freq[:, None] * np.array([0.0, late]))
        x[row] = np.fft.irfft((np.fft.rfft(clean) * band)[:, None] * turn, axis=0)[:length]
    x += rng.normal(0, 0.02, x.shape).astype(np.float32)
    ours, _, _ = pair_delays(x, RATE, longest_s=0.0015)
    for row in range(4):
        theirs = tdoa(x[row, :, 1], x[row, :, 0], interp=16, fs=RATE, phat=False)
        assert abs(ours[row, 0] - theirs) * RATE < 1 / 16


def test_places_agree_with_its_location() -> None:
    """Exact differences of arrival at six microphones: the same places to 0.1 mm, and the true ones."""
    from pyroomacoustics.experimental.localization import tdoa_loc

    array = _array()
    place = np.array([[300.0, 250.0, 150.0], [612.0, 487.0, 60.0], [120.0, 640.0, 333.0]])
    due = array.due_s(place)
    found = locate(Arrivals(due - due.mean(axis=1, keepdims=True), np.full(due.shape, 1e-12)), array)
    for row in range(3):
        theirs = tdoa_loc(array.position_mm.T / 1e3, due[row] - due[row, 0], array.speed_mps)
        np.testing.assert_allclose(found.mm[row], 1e3 * theirs, atol=0.1)
        np.testing.assert_allclose(found.mm[row], place[row], atol=0.1)


def test_clicks_it_sent_through_air_are_found_where_they_were() -> None:
    """Decaying bursts, sent to six microphones without walls and with noise at 30 dB: within 3 mm."""
    rng = np.random.default_rng(8)
    places = np.array([[300.0, 250.0, 150.0], [612.0, 487.0, 60.0], [120.0, 640.0, 333.0]])
    speed, gap, frames, pieces = 343.0, round(0.1 * RATE), [], []
    for place in places:
        room = pra.AnechoicRoom(3, fs=RATE)
        room.set_sound_speed(speed)
        burst = np.exp(-np.arange(480) / 96.0) * rng.standard_normal(480)
        room.add_source((place / 1e3).tolist(), signal=np.concatenate([np.zeros(2400), burst, np.zeros(1200)]))
        room.add_microphone_array(np.array(CORNERS, float).T / 1e3)
        room.simulate()
        piece = np.zeros((gap, 6))
        sound = room.mic_array.signals.T[:gap]
        piece[: len(sound)] = sound
        frames.append(len(pieces) * gap + int((np.abs(sound) > 0.1 * np.abs(sound).max()).any(axis=1).argmax()))
        pieces.append(piece + rng.normal(0, 0.03 * np.abs(sound).max() / 3, piece.shape))
    flat = np.concatenate(pieces).astype(np.float32)
    array = replace(_array(), speed_mps=speed)
    arrivals = measure_arrivals(
        lambda a, b: flat[max(a, 0) : b], np.array(frames), RATE, channels=array.channels, longest_s=array.longest_s
    )
    np.testing.assert_allclose(locate(arrivals, array).mm, places, atol=3.0)
