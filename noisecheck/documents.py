"""What the run sheet's columns mean, and what the JSON documents of the commands hold."""

from __future__ import annotations

from typing import Final

__all__ = ["DOCUMENTS", "RUN_COLUMNS"]

RUN_COLUMNS: Final[dict[str, str]] = {
    "run": "name of the run, once in the sheet; needed",
    "file": "its recording, relative to the campaign, or a pattern for a recorder's split files; needed",
    "revision": "version of the design",
    "treatment": "what was done to the place: bare, felt, cork, ...",
    "drop_height_mm": "height the balls fall from, mm",
    "station": "the place where they fall, if the run has only one",
    "session": "what was recorded with one set-up and one gain, such as day 1",
    "recorded": "when, as 2026-03-02 17:30",
    "balls_fed": "balls that entered the machine, reference drops not counted",
    "role": "test (or empty), background, reference or taps",
    "notes": "anything",
    "reference_drops": "drops on the reference tile at each end: 3, 3+2 (start, end), 0; empty: found by itself",
}

DOCUMENTS: Final[dict[str, dict[str, str]]] = {
    "measure": {
        "runs[].run": "name: the file's, or that of the run sheet beside the rig file",
        "runs[].files": "its recordings, in order",
        "runs[].seconds": "length",
        "runs[].rate_hz": "frames a second",
        "runs[].channels": "number of channels",
        "runs[].impacts": "how many were found",
        "runs[].notes": "sentences on what was done or is doubtful",
        "runs[].detection_limit": "how faint an impact may be and still be found, tried with copies of its own",
        "impacts[]": "one object an impact, keys as the columns of impacts.csv; null where not measurable",
        "settings": "everything that can change a result",
        "made_with": "versions",
    },
    "health": {
        "recordings[].file": "path as given",
        "recordings[].good_for": "levels, counts, times, bands: each usable, bound only or not usable, and why",
        "recordings[].notes": "sentences on the file",
        "recordings[].channels[]": "peak, rms_db, dc, clipped_s, floor_db and margin_db by octave, hum",
        "recordings[].gain_riding": "whether the recorder changed its gain, and how that was seen",
        "reference_drops": "what reference drops at the ends of takes tell",
        "clocks": "how two recordings of one run differ in speed",
    },
    "compare": {
        "by": "the column compared by",
        "baseline": "its value that the others are compared with",
        "station": "the station asked for, null: all alike",
        "db_re": "what 0 dB is: 20 uPa or full scale",
        "confidence": "of all intervals",
        "groups[].value": "the value of the column",
        "groups[].runs": "runs behind it, the unit of every interval",
        "groups[].lae_db": "mean of run means; likewise lzpeak_db, lcpeak_db, lafmax_db",
        "groups[].ci_db": "interval of lae_db",
        "groups[].bands": "mean band levels",
        "groups[].excluded": "impacts left out of the levels, by reason",
        "groups[].flow": "balls, findings, rates (value for so many balls, with ci), transit times",
        "differences[].value": "the value compared",
        "differences[].measure": "the level: lae_db, lzpeak_db, lcpeak_db, lafmax_db",
        "differences[].difference_db": "against the baseline, gains between sessions taken out",
        "differences[].ci_db": "its interval, with what clipped or drowned impacts may add to either end (null: an end "
        "that is not known)",
        "differences[].at_least": "whether only a bound is known: the end of the interval next to 0",
        "differences[].p": "probability of so large a difference by chance",
        "differences[].verdict": "quieter, louder, no difference shown, or not comparable",
        "differences[].bands": "the same by band; q: p with the false discovery rate controlled; bound: the side that "
        "lies in the background (baseline, value, or both: then no difference is given), else null",
        "differences[].why": "softer contact, less energy, more damping: parts_db, and the sentence",
        "differences[].heard": "whether the ear will tell",
        "differences[].together": "noise and flow judged together",
        "warnings": "sentences to know before believing",
    },
    "ledger": {
        "runs[].run": "name",
        "runs[].fed": "balls that entered; beside it undecided (each with `ball`, counted from 0, as drops are), "
        "under_way and not_followed where there are such",
        "runs[].arrived": "balls heard at the last station",
        "runs[].findings[].kind": "stuck, stray, held_up, unheard",
        "runs[].findings[].time_s": "last heard (stuck), due (unheard), heard (stray, held_up)",
        "runs[].findings[].station": "where",
        "runs[].findings[].odds": "against every other explanation",
        "runs[].findings[].why": "the sentence",
        "failure_rate": "of all runs: balls, failures, upper_per_million, heard_fraction, balls_needed_for_limit; the "
        "bound rests on heard_fraction_at_least, and heard_how says how it was found",
        "failure_rate_by_revision.*": "the same by revision",
        "statements.*": "the same in words",
        "warnings": "early warnings: transit times or hold-ups that grow",
        "notes": "sentences",
    },
    "trend": {
        "newest": "the newest revision",
        "verdict": "of its strict requirements: met, not met, not yet shown",
        "revisions[].revision": "name",
        "revisions[].levels.*": "by station and level: value, two-sided interval (ci), runs",
        "revisions[].total_lae_db": "exposure of one ball over all stations",
        "revisions[].flow": "as for compare",
        "revisions[].requirements[]": "value, one-sided bounds (low, high), odds, verdict, next_step of each",
        "changes[]": "what changed from one revision to the next, with the sentence",
        "tradeoff": "noise against flow by revision",
        "notes": "sentences",
    },
    "plan": {
        "by": "the column compared by",
        "station": "the station asked for, null: all alike",
        "spread": "of runs, within runs and between sessions (dB)",
        "differences[]": "the smallest difference shown with the runs there are, and runs a side for smaller ones",
        "flow[]": "balls that would settle the flow",
        "not_yet_shown[]": "open requirements, with what would settle them (more, unit, hours)",
        "notes": "sentences",
    },
    "watch": {
        "event": "impact, stuck, stray, held_up, arrived_late, unheard, cleared, not_listening, note, ...",
        "time_s": "when it happened, s of the watch",
        "said_s": "how much had been heard when it was said",
        "text": "the sentence",
    },
}
"""By command, key by key: ``[]`` for each of a list, ``*`` for any name. A line of ``watch --json`` is one such object,
and alarms bring the same on the command's input."""
