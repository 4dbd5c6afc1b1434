"""A passage played as it stands, exactly in time: what is heard before one plays it.

* A note is held up to the next where a slur leads on. Before a tongued note the tongue takes 34.5 ms (A. Hofmann and
  others, ICMPC-ESCOM 2012, 442), a quarter of the note at most.
* A staccato note lasts half of its length, a staccatissimo note a quarter, portato and marcato notes three quarters
  (common practice, no source). A trill is held, a fermata is not.
"""

from __future__ import annotations

import numpy as np

from companion.passage import Passage
from companion.practice.articulation import asked_of, length_of
from companion.practice.clock import GRACE_S, note_onsets_s
from companion.practice.model import PLAYED, SLURRED, PlayedArray

__all__ = ["as_written"]

_TONGUE_S, _MOST_TONGUE = 0.0345, 0.25
#: By the words of `articulation.LENGTHS`; what is not here is held.
_SHARES = {"staccatissimo": 0.25, "staccato": 0.5, "portato": 0.75, "marcato": 0.75, "before a breath": 0.75}
_VELOCITY = 80


def as_written(passage: Passage, tempo_bpm: float) -> PlayedArray:
    """The notes of a passage as they are to sound, one for each note and in their order.

    Parameters
    ----------
    passage : Passage
    tempo_bpm : float > 0
        Quarters a minute that the passage starts at.

    Returns
    -------
    structured array of `PLAYED` [shape=(notes,)]
        Seconds from the start of the first bar, written MIDI numbers.
    """
    onsets_s = note_onsets_s(passage, tempo_bpm)
    played = np.zeros(len(passage.notes), dtype=PLAYED)
    for note in passage.notes:
        i, start_s = note.index, float(onsets_s[note.index])
        end_s = passage.seconds(note.end, tempo_bpm) if note.length else start_s + GRACE_S
        following_s = float(onsets_s[i + 1]) if i + 1 < len(onsets_s) else None
        # A grace note takes its time from the note before it.
        full_s = max(0.0, (end_s if following_s is None else min(end_s, following_s)) - start_s)
        touches = following_s is not None and following_s - start_s - full_s < 1e-6
        silent_s = full_s * (1 - _SHARES.get(length_of(passage, i), 1.0))
        if touches and asked_of(passage, i + 1) != SLURRED:
            silent_s = max(silent_s, min(_TONGUE_S, full_s * _MOST_TONGUE))
        played[i] = (start_s, start_s + full_s - silent_s, note.written_midi, _VELOCITY)
    return played
