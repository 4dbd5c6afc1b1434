"""What each way to explain a played note costs, in nats, and a passage prepared for it.

The costs were chosen on simulated takes with stated error rates and checked on takes not used for choosing
(`benchmarks/listening.py`); the optimum is flat: a nat either way changes little.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from companion.arrays import Bools, Floats, Ints
from companion.passage import Note, Passage
from companion.practice.clock import note_onsets_s

__all__ = ["COSTS", "Costs", "Score", "ornament_pitches", "prepare"]


@dataclass(frozen=True, slots=True)
class Costs:
    """Costs in nats, times in seconds."""

    # When: log(1 + (deviation / sigma)^2), the tail of a Student distribution with one degree of freedom, up to a
    # limit, so that a hesitation is dear but possible. Sigma is the two parts added in quadrature.
    sigma_s: float = 0.033
    sigma_share: float = 0.085
    late_limit: float = 3.9
    # The first note may come anywhere near its click: a weak hint only.
    start_sigma_s: float = 0.15
    start_limit: float = 1.0

    # What: by how many semitones the pitch is off.
    wrong_near: float = 4.3
    wrong_octave: float = 3.6
    wrong_far: float = 5.4

    # Where: notes left out on the way, the last four notes again, further back, further on.
    omitted: float = 3.6
    omitted_grace: float = 2.0
    stutter: tuple[float, ...] = (5.0, 5.4, 5.9, 6.3)
    # By how many bars (the last figure holds from there on, and `farther` a bar tells like places apart).
    back: tuple[float, ...] = (7.8, 8.1, 8.5, 9.3, 9.9, 10.3, 10.6)
    skip: tuple[float, ...] = (8.6, 8.6, 9.1, 9.6, 10.0, 10.5)
    farther: float = 0.01
    off_landmark: float = 2.3
    after_wrong: float = 1.5
    too_soon: float = 3.0
    too_soon_s: float = 0.18
    ornament: float = 0.1
    # The note just played once more within its own time (a bounce, breath that failed).
    doubled: float = 4.6
    # Its own time is this share of the time to the next note; later than that it costs so much more (weighed in the
    # best place only, for speed).
    own_time: float = 0.75
    doubled_late: float = 1.5

    # Extra notes, and blips: notes that live for less than about 75 ms.
    extra: float = 7.3
    blip_s: float = 0.075
    blip_width_s: float = 0.012
    blip_extra: float = 1.1
    blip_match: float = 1.9

    # The clock of a path: how much of a deviation it takes over at once, and into its pace.
    follow: float = 0.6
    pace: float = 0.3
    slowest: float = 2.2
    fastest: float = 0.5


COSTS = Costs()

#: Forward steps considered one by one: the next note, or up to two left out. Leaving out more is dearer than a jump.
FORWARD = 3
_ORNAMENT_NEIGHBOURS = (-2, -1, 1, 2)


@dataclass(frozen=True, slots=True, eq=False)
class Score:
    """A passage as the trellis sees it. State 0 is "nothing played yet", state i + 1 is "note i was the last one".

    Arrays have shape (notes + 1,). `landmark` is the extra cost of starting again (or skipping) there. `omit_sum` adds
    up what leaving out costs. `blip_s` is the life under which a match with this note is doubtful.
    """

    onsets_s: Floats
    written_midi: Ints
    bar: Ints
    landmark: Floats
    omit_sum: Floats
    blip_s: Floats
    grace: Bools
    ornamented: tuple[tuple[int, frozenset[int]], ...]
    pitches: frozenset[int]

    @property
    def size(self) -> int:
        """Number of notes."""
        return len(self.onsets_s) - 1


def prepare(passage: Passage, tempo_bpm: float, costs: Costs = COSTS) -> Score:
    """The passage as arrays."""
    notes = passage.notes
    onsets_s = np.concatenate([[0.0], note_onsets_s(passage, tempo_bpm)])
    grace = np.array([False, *(bool(note.grace) for note in notes)])
    omit = np.where(grace, costs.omitted_grace, costs.omitted)
    omit[0] = 0.0
    gaps_s = np.append(np.diff(onsets_s), 1.0)
    return Score(
        onsets_s=onsets_s,
        written_midi=np.array([-1000, *(note.written_midi for note in notes)], dtype=np.int64),
        bar=np.array([-1, *(note.bar for note in notes)], dtype=np.int64),
        landmark=_landmarks(notes, costs),
        omit_sum=np.cumsum(omit),
        blip_s=np.minimum(costs.blip_s, 0.5 * np.abs(gaps_s)),
        grace=grace,
        ornamented=tuple((n.index + 1, ornament_pitches(n)) for n in notes if n.trill or n.ornaments),
        pitches=frozenset().union(*(ornament_pitches(n) or {n.written_midi} for n in notes)),
    )


def _landmarks(notes: tuple[Note, ...], costs: Costs) -> Floats:
    """Where players take up again: at bar lines, after rests and at slurs; seldom elsewhere."""
    extra = np.full(len(notes) + 1, costs.off_landmark)
    before: Note | None = None
    for i, note in enumerate(notes, start=1):
        if before is None or note.bar != before.bar:
            extra[i] = 0.0
        elif float(note.start) - float(before.start) > float(before.length) + 1e-9:
            extra[i] = 0.4 * costs.off_landmark
        before = note
    extra[0] = np.inf
    return extra


def ornament_pitches(note: Note) -> frozenset[int]:
    """Written MIDI numbers that belong to a note with a trill or another ornament; empty for a plain note."""
    if note.trill is None and not note.ornaments:
        return frozenset()
    if note.trill is not None:
        return frozenset({note.written_midi, note.trill.other.midi})
    return frozenset({note.written_midi, *(note.written_midi + d for d in _ORNAMENT_NEIGHBOURS)})
