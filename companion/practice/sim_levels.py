"""How often a simulated player does what, and how evenly it plays: the figures, one by one, with where they are from.

We know of no published rates of the slips of saxophone students. Kinds are taken from the literature on pianists, rates
are ours, by this measure: `clean` has nothing wrong, `student` is a lesson's ordinary take, `messy` a first reading,
`chaos` the worst that can still be called a take. What is known of each kind:

wrong note, left out, added
    The three kinds of pitch error that B. H. Repp, *The art of inaccuracy*, Music Perception 14 (1996) 161-184, counts
    in 90,000 notes of pianists (substitution, omission, intrusion). Nearly all substitutions fit the context: hence a
    fifth of ours are a note from close by; the rest are neighbours. C. Palmer and C. van de Sande, J. Exp. Psychol.:
    Learning, Memory, and Cognition 19 (1993) 457-470, have the same kinds and shifted notes (from memory).
octave slip
    The thumb or the embouchure: common practice, no source.
blip
    Fingers of one change are tens of ms apart (A. Almeida and others, J. Acoust. Soc. Am. 126 (2009) 1521-1529).
stutter, restart, hesitation
    What novices do where the next notes are not planned yet: C. Drake and C. Palmer, Cognition 74 (2000) 1-32, find
    disruptions of time together with wrong pitches. How far players go back: ours, no source.
swing
    A. Friberg and A. Sundström, Music Perception 19 (2002) 333-349. How often a student swings what isn't: ours.
doubled note, skipped bar, late entry, key signature, breath dropout, articulation
    Every teacher knows them: common practice, no source.
drift
    Without the click; 3 to 8 % against it: ours, no source.

Timing: two levels after Wing and Kristofferson, see `companion.practice.sim_player`. Together with the finger the clock
gives a spread of about 8, 18, 30 and 45 ms at four notes a second: ours, from what is even to what is not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = [
    "ADDED_NOTE", "ARTICULATION", "BLIP", "DOUBLED", "DRIFT", "DROPOUT", "HESITATION", "KEY_SIGNATURE", "KINDS",
    "LATE_ENTRY", "LEFT_OUT_NOTE", "LEVELS", "OCTAVE_SLIP", "RATE_ALONE", "RESTART", "SKIPPED_BAR",
    "STUTTER", "SWING", "TRILL", "WRONG_PITCH", "Level",
]  # fmt: skip

WRONG_PITCH = "wrong note"
OCTAVE_SLIP = "octave slip"
LEFT_OUT_NOTE = "left out"
ADDED_NOTE = "added"
BLIP = "blip"
DOUBLED = "doubled note"
STUTTER = "stutter"
RESTART = "restart"
SKIPPED_BAR = "skipped bar"
LATE_ENTRY = "late entry"
HESITATION = "hesitation"
DRIFT = "drift"
SWING = "swing"
TRILL = "trill"
ARTICULATION = "articulation"
KEY_SIGNATURE = "key signature"
DROPOUT = "breath dropout"

#: Chance of each kind: clean, student, messy, chaos, and where it is asked for by name at a level that doesn't have it.
_RATES: Mapping[str, tuple[float, float, float, float, float]] = {
    # A note.
    WRONG_PITCH: (0.0, 0.0125, 0.034, 0.068, 0.03),
    OCTAVE_SLIP: (0.0, 0.0025, 0.006, 0.012, 0.02),
    LEFT_OUT_NOTE: (0.0, 0.010, 0.025, 0.050, 0.03),
    ADDED_NOTE: (0.0, 0.005, 0.015, 0.040, 0.03),
    DOUBLED: (0.0, 0.003, 0.008, 0.015, 0.02),
    HESITATION: (0.0, 0.010, 0.025, 0.040, 0.02),
    STUTTER: (0.0, 0.007, 0.020, 0.040, 0.02),
    RESTART: (0.0, 0.003, 0.010, 0.025, 0.01),
    SKIPPED_BAR: (0.0, 0.0, 0.002, 0.007, 0.01),
    # A change from one right note to another pitch.
    BLIP: (0.0, 0.010, 0.020, 0.040, 0.03),
    # A note that could be slurred to from the one before.
    ARTICULATION: (0.0, 0.010, 0.025, 0.050, 0.03),
    # A note of a quarter second or more, blown.
    DROPOUT: (0.0, 0.001, 0.004, 0.008, 0.02),
    # The first note, and the first one after a rest of a quarter or more.
    LATE_ENTRY: (0.0, 0.02, 0.05, 0.10, 1.0),
    # A take.
    DRIFT: (0.0, 1.0, 1.0, 1.0, 1.0),
    SWING: (0.0, 0.02, 0.03, 0.05, 1.0),
    KEY_SIGNATURE: (0.0, 0.02, 0.04, 0.06, 1.0),
    # A trill that is written: no slip, it is played out.
    TRILL: (1.0, 1.0, 1.0, 1.0, 1.0),
}
KINDS: tuple[str, ...] = tuple(_RATES)
RATE_ALONE: Mapping[str, float] = {kind: rates[4] for kind, rates in _RATES.items()}


@dataclass(frozen=True, slots=True)
class Level:
    """How a player plays.

    `finger_sd_s` is the spread of one finger, `clock_share` that of the player's own clock as a share of the interval,
    `early_s` how far the player is ahead on average, `correction` the share of an asynchrony made good within a beat,
    `length_sd` the spread of note lengths as a share, `pace_sd` that of the tempo against the click (where the take
    drifts). `catch_up_share` of each interval makes good what a stumble cost (0: all that follows is later).
    `pause_s` is how long a hesitation lasts, `corrected` the share of wrong notes that are put right at once. `rates`
    are chances by kind. With `strain_growth` slips gather where the change of fingering needs more of the time there
    is, `place_spread` makes places hard for one player and easy for the next, and the same fingers late there.
    """

    finger_sd_s: float
    clock_share: float
    early_s: float = 0.0
    correction: float = 0.5
    length_sd: float = 0.03
    pace_sd: float = 0.0
    catch_up_share: float = 0.0
    pause_s: tuple[float, float] = (0.3, 2.5)
    corrected: float = 0.4
    strain_growth: float = 0.0
    place_spread: float = 0.0
    rates: Mapping[str, float] = field(default_factory=dict)


def _rates(column: int) -> dict[str, float]:
    return {kind: rates[column] for kind, rates in _RATES.items()}


LEVELS: Mapping[str, Level] = {
    "clean": Level(finger_sd_s=0.0065, clock_share=0.012, length_sd=0.02, rates=_rates(0)),
    "student": Level(finger_sd_s=0.015, clock_share=0.025, pace_sd=0.03, rates=_rates(1)),
    "messy": Level(finger_sd_s=0.025, clock_share=0.040, length_sd=0.06, pace_sd=0.05, rates=_rates(2)),
    "chaos": Level(finger_sd_s=0.038, clock_share=0.060, length_sd=0.10, pace_sd=0.08, rates=_rates(3)),
}
