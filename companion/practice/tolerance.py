"""What counts as on time.

A listener notices that one onset in an even row is displaced from about 6 ms on for intervals under 240 ms, and from
about 2.5 % of the interval on for longer ones (Friberg and Sundberg 1995). A student isn't asked for what is only just
audible, so the tolerances are multiples of that threshold: by default five times the short one (30 ms) or four times
the long one (10 % of the interval to the nearer neighbour), whichever is more. So 30 ms holds up to intervals of 300 ms
(sixteenths at 50, eighths at 100), and a half note at 60 may be 200 ms off.

References
----------
A. Friberg and J. Sundberg, "Time discrimination in a monotonic, isochronous sequence", J. Acoust. Soc. Am. 98 (1995)
2524-2531: a constant threshold of about 6 ms under 240 ms, about 2.5 % above.
"""

from __future__ import annotations

from itertools import pairwise
from math import isfinite

import numpy as np

from companion.arrays import Floats
from companion.errors import UsageError
from companion.passage import Passage
from companion.practice.clock import note_onsets_s
from companion.practice.model import EARLY, LATE, ON_TIME, Tolerances
from companion.units import ns_from_s, s_from_beats, s_from_ms

__all__ = [
    "THRESHOLD_MS", "THRESHOLD_SHARE", "check_tolerances", "noticed_from_ms", "on_time_limits_s", "timing_verdict",
]  # fmt: skip


#: Friberg and Sundberg (1995): noticed from 6 ms under 240 ms, from 2.5 % above.
THRESHOLD_MS, THRESHOLD_SHARE, THRESHOLD_TURN_MS = 6.0, 0.025, 240.0


def noticed_from_ms(interval_ms: float) -> float:
    """The displacement from which a listener notices, for this interval, in ms (Friberg and Sundberg 1995)."""
    return THRESHOLD_MS if interval_ms < THRESHOLD_TURN_MS else THRESHOLD_SHARE * interval_ms


def check_tolerances(tolerances: Tolerances) -> None:
    """Raise `UsageError` where the figures can't be used."""
    if not (isfinite(tolerances.on_time_ms) and tolerances.on_time_ms > 0):
        raise UsageError(f"a tolerance of {tolerances.on_time_ms:g} ms can't be kept: give one above 0, such as 30")
    if not 0 <= tolerances.on_time_share <= 0.5:
        raise UsageError(
            f"a tolerance of {tolerances.on_time_share:g} of the interval reaches the next note: give 0 to 0.5, as 0.1"
        )
    if not 0 <= tolerances.clean_share_on_time <= 1:
        raise UsageError(
            f"{tolerances.clean_share_on_time:g} is no share of the notes: give 0 to 1, such as 0.95 for 95 %"
        )
    if not tolerances.clean_worst >= 1:
        raise UsageError(
            f"a clean take can't be held to {tolerances.clean_worst:g} times what is on time: give 1 or more, such as 3"
        )
    if not (isfinite(tolerances.length_slack_ms) and tolerances.length_slack_ms >= 0):
        raise UsageError(
            f"a slack of {tolerances.length_slack_ms:g} ms in the length of notes makes no sense: give 0 or more, as 50"
        )
    if not 0 <= tolerances.articulation_share <= 1:
        raise UsageError(
            f"{tolerances.articulation_share:g} is no share of the slurs: give 0 to 1, such as 0.9 for 90 %"
        )


def on_time_limits_s(passage: Passage, tempo_bpm: float, tolerances: Tolerances) -> tuple[Floats, Floats]:
    """How early and how late each note may come, in seconds [two arrays, shape=(notes,)].

    Both are the larger of `on_time_ms` and `on_time_share` of the interval to the nearer neighbour. Grace notes are
    judged by order and pitch only, so theirs are infinite, and they are nobody's neighbour. A note after an unslashed
    grace note may come up to half its length late, since players differ on whether the small note takes time from it
    (common practice, no source).
    """
    check_tolerances(tolerances)
    notes = passage.notes
    grace = np.array([bool(note.grace) for note in notes], dtype=bool)
    limits_s = np.full(len(notes), np.inf)
    main = np.flatnonzero(~grace)
    if len(main):
        gaps_s = np.diff(note_onsets_s(passage, tempo_bpm)[main])
        nearer_s = np.minimum(np.append(np.inf, gaps_s), np.append(gaps_s, np.inf))
        if len(main) == 1:
            nearer_s[:] = s_from_beats(notes[int(main[0])].length, tempo_bpm)
        limits_s[main] = np.maximum(s_from_ms(tolerances.on_time_ms), tolerances.on_time_share * nearer_s)
    late_s = limits_s.copy()
    for before, note in pairwise(notes):
        if before.grace == "appoggiatura" and not note.grace:
            late_s[note.index] += 0.5 * s_from_beats(note.length, tempo_bpm)
    return limits_s, late_s


def timing_verdict(deviation_s: float, early_s: float, late_s: float) -> str:
    """`ON_TIME`, `EARLY` or `LATE`. Compared in whole ns, so that a note exactly on the limit is on time."""
    if not isfinite(early_s):
        return ON_TIME
    deviation_ns = ns_from_s(deviation_s)
    if -deviation_ns > ns_from_s(early_s):
        return EARLY
    return LATE if deviation_ns > ns_from_s(late_s) else ON_TIME


def tolerance_in_words(tolerances: Tolerances) -> str:
    """The figures as they are shown to the player."""
    share = 100 * tolerances.on_time_share
    begun = tolerances.articulation_share
    tongue = f", {100 * begun:g} % slurred or tongued as written" if begun else ""
    usual_ms, slack_ms = Tolerances().length_slack_ms, tolerances.length_slack_ms
    length = "" if slack_ms == usual_ms else f"; lengths: {slack_ms:g} ms beyond what is written"
    return (
        f"on time: within {tolerances.on_time_ms:g} ms of the click, or {share:g} % of the interval to the nearer note;"
        " clean: no note wrong, left out, added or played again, and"
        f" {100 * tolerances.clean_share_on_time:g} % on time, none over {tolerances.clean_worst:g} times that"
        f" off{tongue}{length}"
    )
