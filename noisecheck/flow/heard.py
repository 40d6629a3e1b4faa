"""What a run has heard, and which contacts may be hidden in it."""

from __future__ import annotations

import math
from array import array
from bisect import bisect_left
from collections import deque

from noisecheck.flow.habits import LevelHabit
from noisecheck.flow.rebounds import SPAN_DB, ReboundLaw
from noisecheck.flow.route import LedgerSettings

__all__ = ["Heard"]

_SQRT_2PI = math.sqrt(2.0 * math.pi)
_SUM_DB = 0.5  # of two sounds in one the weaker may be that much louder than both, as far as levels go
_MOST_DOUBLE = 5.0
_STRANGE = 0.05  # share of contacts that sound like no station, at least
_FOREIGN = 1000
"""So many impacts that may be strays are looked back on, far more than come until they are settled."""
_UNKNOWN = math.nan, -math.inf
_RINGS_S, _RINGS_DB, _DECAY_DB_S = 0.3, 6.0, 60.0
"""A rebound may be drowned by what was heard at most this long before, if it is so much louder when the rebound is due,
having died away at that pace (simulation: 22 of 54 at one station and 9 of 1,343 at another; else 1 in 600)."""


class Heard:
    """All impacts heard so far, and how likely each has a ball's contact in it. Times in s.

    Args:
        count: stations on the route.
        settings: beliefs before listening.
        start_s: when listening began.
    """

    def __init__(self, count: int, settings: LedgerSettings, start_s: float) -> None:
        self.count, self.settings = count, settings
        self.heard = array("d")
        """Times of all impacts seen so far, for what one impact may hide."""
        self.heard_db = array("d")
        """Their levels."""
        self.heard_by = array("i")
        """The channels those are from."""
        self.clear = bytearray()
        """Whether they sound clearly like one station: two contacts in one seldom do."""
        self.heard_at = array("i")
        """The stations they clearly sound like, -1 where none."""
        self.foreign: deque[int] = deque(maxlen=_FOREIGN)
        """The last impacts that are strays, or bounces of such, by any history."""
        self.doubtful = array("q")
        self.doubtful_s = array("d")
        """Those of them placed in doubt: with a microphone for each station, two at once look like that."""
        self.hidden_clear, self.shown = 0.0, 0.0
        """Hidden contacts shown by their rebound (``shown``) whose hider sounded clear."""
        self._answers, self._asked = ([[0.0, 0.0] for _ in range(count)] for _ in range(2))
        """Contacts at each station with something heard when their first rebound was due, and all of them; with nothing
        louder ringing then, and with it."""
        self.strangest = 0.0
        """Highest share of contacts at a station that sound like none."""
        self.now_s = start_s
        self.levels = [LevelHabit() for _ in range(count)]
        self.laws = [ReboundLaw() for _ in range(count)]
        self._hiders: list[dict[int, tuple[float, float]]] = [{} for _ in range(count)]
        """How likely impacts may have a contact at each station in them, until more is learnt, and until what time."""
        self._quietest: float | None = None
        """Usual level of the quietest station in dB, until more is learnt; 0 where none is known."""

    def hear(self, time_s: float, level_db: float, clear: bool, channel: int = 0, station: int = -1) -> None:
        """Take in that an impact was heard, which may hide others; ``clear`` if it sounds like one station, which."""
        self.heard_by.append(channel)
        self.heard.append(time_s)
        self.heard_db.append(level_db)
        self.clear.append(clear)
        self.heard_at.append(station)
        if not clear:
            self.doubtful.append(len(self.heard) - 1)
            self.doubtful_s.append(time_s)

    def forget_hiders(self, station: int = -1) -> None:
        """Weigh anew what impacts may hide, of contacts at that station or (-1) at any: more was learnt."""
        self._quietest = None
        for known in self._hiders if station < 0 else (self._hiders[station],):
            known.clear()

    def hidden_then(self, station: int, time_s: float, sd: float) -> float:
        """Return how likely a contact at a station, due then with that spread, is hidden by others (may exceed 1)."""
        reach, one = 3.0 * sd, self.settings.shared_microphone
        times = self.heard if one else self.doubtful_s
        known, most, height = self._hiders[station], 2.0 * self.settings.mask_s, sd * _SQRT_2PI
        total, last, i = 0.0, time_s + reach, bisect_left(times, time_s - reach)
        if i == len(times):
            return total
        now_s = max(self.now_s, self.heard[-1])
        while i < len(times) and times[i] <= last:
            weight, until_s = known.get(i, _UNKNOWN)
            if until_s <= now_s:
                weight, _ = known[i] = self._hides_one(station, i)
            z = (times[i] - time_s) / sd
            share = most * math.exp(-0.5 * z * z) / height
            total += share * weight if share < 1.0 else weight
            i += 1
        return total

    def _hides_one(self, station: int, number: int) -> tuple[float, float]:
        """Return how likely an impact, by its place among those that hide, has a contact at a station in it.

        Last, until when that is all there is to know: until its rebound may have come.
        """
        one = self.settings.shared_microphone
        at = number if one else self.doubtful[number]
        weight = self.hides(station, self.heard_db[at]) * self.unanswered(station, self.heard[at])
        if one:
            weight *= self.double(at) * self._louder(station, at)
        if not self.laws[station].known or self.rebounded(station, self.heard[at]) is not None:
            return weight, math.inf
        return weight, self.answer_s(station, self.heard[at])[1]

    def _louder(self, station: int, number: int) -> float:
        """Return how much likelier an impact is as loud as it is with a contact at a station in it, at least 1.

        A contact that is louder than usual where it was has another one in it rather than none that is louder yet.
        """
        at, level_db = self.heard_at[number], self.heard_db[number]
        if at < 0 or at == station:
            return 1.0
        (own_db, own_sd), (other_db, other_sd) = self.levels[at].usual_db, self.levels[station].usual_db
        if not level_db > own_db:  # or one of them not known
            return 1.0
        both_db = 10.0 * math.log10(10.0 ** (0.1 * own_db) + 10.0 ** (0.1 * other_db))
        sd = math.hypot(max(own_sd, other_sd), _SUM_DB)
        z = (level_db - both_db) / sd
        if not abs(z) < 4.0:
            return 1.0
        density = SPAN_DB * math.exp(-0.5 * z * z) / (sd * _SQRT_2PI)
        return max(density / self.levels[at].ratio(level_db, False), 1.0)

    def take_strangest(self, share: float) -> None:
        """Take the highest share of contacts at a station that sound like none."""
        if max(_STRANGE, share) != max(_STRANGE, self.strangest):
            self.forget_hiders()
        self.strangest = share

    def learn_hider(self, time_s: float) -> None:
        """Learn of a contact that a rebound showed to be hidden in the impact heard then."""
        self.hidden_clear += self.clear[bisect_left(self.heard, time_s)]
        self.shown += 1.0
        self.forget_hiders()

    def double(self, number: int) -> float:
        """Return how much likelier an impact sounds as it does, clear or not, if it holds a contact more."""
        clear = (1.0 + self.hidden_clear) / (4.0 + self.shown)
        return clear if self.clear[number] else min((1.0 - clear) / max(_STRANGE, self.strangest), _MOST_DOUBLE)

    def hides(self, station: int, level_db: float) -> float:
        """Return the probability that an impact is loud enough to have a contact at a station in it."""
        middle, sd = self.levels[station].usual_db
        if math.isnan(level_db) or math.isnan(middle):
            return 1.0
        return 0.5 * math.erfc((middle - level_db) / (1.4142 * (sd + _SUM_DB)))

    def rebounded(self, station: int, contact_s: float) -> bool | None:
        """Return whether anything is heard when the first rebound of a contact is due; None where not known (yet)."""
        if not self.laws[station].known:
            return None
        low, high = self.answer_s(station, contact_s)
        heard = self.heard
        if high > self.now_s and high > (heard[-1] if heard else 0.0):
            return None
        first = bisect_left(heard, low)
        return first < len(heard) and heard[first] <= high

    def answer_s(self, station: int, contact_s: float) -> tuple[float, float]:
        """Return the span in which the first rebound of a contact is due."""
        usual, sd = self.laws[station].first_s
        reach = 3.0 * sd + self.settings.mask_s
        return contact_s + usual - reach, contact_s + usual + reach

    def hidden_rebound(self, station: int, since_s: float) -> float:
        """Return the probability that a first rebound is hidden by what comes so long after its contact."""
        usual, sd = self.laws[station].first_s
        off, reach, scale = since_s - usual, self.settings.mask_s, 1.4142 * sd
        return 0.5 * (math.erf((off + reach) / scale) - math.erf((off - reach) / scale))

    def silent(self, station: int, contact_s: float, *, hidden: bool = False) -> float:
        """Return the probability that a contact's first rebound is not heard: what hid it may drown that."""
        (alone, ringing), answers = self._asked[station], self._answers[station]
        usual = 1.0 - (answers[0] + 3.0 * self.laws[station].share(1)) / (alone + 3.5)
        if not self._ringing(station, contact_s, contact_s + self.laws[station].first_s[0], hidden=hidden):
            return usual
        # Until the run shows it: half-way, in powers, between what is missed alone and everything.
        return (ringing - answers[1] + math.sqrt(usual)) / (ringing + 1.0)

    def unanswered(self, station: int, contact_s: float) -> float:
        """Return the probability that nothing more than this is heard of a contact hidden then: no rebound."""
        silent = self.rebounded(station, contact_s) is False
        return self.silent(station, contact_s, hidden=True) if silent else 1.0

    def learn_answer(self, station: int, contact_s: float) -> None:
        """Learn from a contact whether anything is heard when its first rebound is due."""
        rebounded = self.rebounded(station, contact_s)
        if rebounded is not None:
            rings = self._ringing(station, contact_s, self.answer_s(station, contact_s)[0])
            self._asked[station][rings] += 1.0
            self._answers[station][rings] += rebounded

    def _ringing(self, station: int, contact_s: float, until_s: float, *, hidden: bool = False) -> bool:
        """Return whether something louder, heard before ``until_s``, rings when a contact's first rebound is due.

        Only what the same microphone heard can be compared.
        """
        at = bisect_left(self.heard, contact_s)
        due_s = contact_s + self.laws[station].first_s[0]
        least = self.levels[station].usual_db[0] + self.laws[station].first_fall_db[0] + _RINGS_DB
        if math.isnan(least):
            return False
        for i in range(bisect_left(self.heard, due_s - _RINGS_S), bisect_left(self.heard, until_s)):
            if (i == at and not hidden) or self.heard_by[i] != self.heard_by[at]:
                continue
            if self.heard_db[i] - _DECAY_DB_S * (due_s - self.heard[i]) > least:
                return True
        return False
