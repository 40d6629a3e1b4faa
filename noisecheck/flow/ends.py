"""Balls that nothing more is heard of: how long they are waited for, and what is left of them when the run ends."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from noisecheck.flow.beliefs import Beliefs
from noisecheck.flow.histories import Ball, Decision, History
from noisecheck.flow.stillness import standing, stood_between

__all__ = ["end_history", "retire"]

_OVERTAKEN: Final = 5.0
"""A ball overtaken is no longer waited for when it is this late, over the typical delay: by then five of six came."""
_WAIT: Final = 200
"""So many balls may wait with none behind them past: a blocked way frees in the end, and then they all come."""


def retire(histories: Sequence[History], now_s: float, beliefs: Beliefs) -> list[History]:
    """Return the histories without balls and slots that nothing can explain any more."""
    rows: dict[tuple[Ball, ...], tuple[tuple[Ball, ...], list[Ball]]] = {}
    found = []
    for h in histories:
        row = rows.get(h.track)
        if row is None:
            row = rows[h.track] = _hopeless(h.track, now_s, beliefs)
        found.append(_without(h, *row, now_s, beliefs))
    return found


def _hopeless(track: tuple[Ball, ...], now_s: float, beliefs: Beliefs) -> tuple[tuple[Ball, ...], list[Ball]]:
    """Return (balls of a row still waited for, the others).

    Where none behind it has passed a ball may yet come, however late: the way is blocked, or nothing moves. But it is
    not waited for where it may have passed while nobody listened.
    """
    s, final = beliefs.settings, beliefs.count - 1
    gone: list[Ball] = []
    for ball in track:
        overtaken = ball.floor > ball.station
        late_s = now_s - ball.time_s - beliefs.pass_latest[ball.station][final]
        late_s -= stood_between(beliefs, ball.time_s, now_s)[0]
        if overtaken:
            hopeless = late_s > _OVERTAKEN * s.held_up_s
        else:
            many = len(track) - len(gone) > _WAIT
            hopeless = late_s > s.give_up_s and (many or beliefs.never(ball.station, ball.time_s, ball.floor)[1] > 0.5)
        if hopeless:
            gone.append(ball)
    return tuple(ball for ball in track if ball not in gone) if gone else track, gone


def _without(history: History, keep: tuple[Ball, ...], gone: list[Ball], now_s: float, beliefs: Beliefs) -> History:
    """Return a history that gives up those balls, and slots of long ago."""
    past, log_p = history.past, history.log_p
    for ball in gone:
        stuck, unheard = beliefs.never(ball.station, ball.time_s, ball.floor)
        overtaken = ball.floor > ball.station
        held = 0.0 if overtaken else beliefs.still_held(ball.station, ball.station + 1, now_s - ball.time_s)
        log_p += math.log(stuck + unheard + held)
        past = Decision(past, "end", ball.last, ball.last, ball.station, now_s, ball.floor)
    slots = history.slots
    latest_s = now_s - beliefs.pass_latest[0][beliefs.count - 1] - 1.0
    if slots and latest_s > slots[0]:
        for slot in slots:
            if latest_s > slot:
                past = Decision(past, "slot", -1, -1, 0, slot)
        slots = tuple(t for t in slots if not latest_s > t)
    if past is history.past:
        return history
    return history._replace(log_p=log_p, track=keep, slots=slots, past=past)


def end_history(history: History, end_s: float, beliefs: Beliefs, stood: dict[int, float], fed_all: bool) -> History:
    """Return the history at the end of listening: late balls are given up, those still in time stay on the track.

    So do balls that stopped with the machine, rather than anything else; how likely each did is put to ``stood``, by
    its last impact. ``fed_all``: no more balls are to come.
    """
    past, log_p, keep = history.past, history.log_p, []
    still = standing(beliefs, history, end_s, fed_all=fed_all)
    for ball in history.track:
        after = max(ball.station, ball.floor - 1) + 1
        if end_s <= ball.time_s + beliefs.pass_latest[ball.station][after]:
            keep.append(ball)
            continue
        stuck, unheard = beliefs.never(ball.station, ball.time_s, ball.floor)
        held = beliefs.still_held(ball.station, ball.station + 1, end_s - ball.time_s)
        stopped = still.get(ball, 0.0)
        stood.setdefault(ball.last, stopped)
        log_p += math.log(min(stuck + unheard + held + stopped, 1.0))
        if stopped > stuck + unheard + held:
            keep.append(ball)
        else:
            past = Decision(past, "end", ball.last, ball.last, ball.station, end_s, ball.floor)
    for slot in history.slots:
        past = Decision(past, "slot", -1, -1, 0, slot)
    return history._replace(log_p=log_p, track=tuple(keep), slots=(), past=past)
