"""What `listening.py` compares with: other matchers, each as a function from a melody and a take to the score index of
every played note (-1: none).

parangonar (S. D. Peter and others, "Automatic Note-Level Score-to-Performance Alignments in the ASAP Dataset", TISMIR
6, 2023) is fed the note arrays that partitura makes of a score part and of a performed part. Of its matchers those run
that need no neural network: `AutomaticNoteMatcher`, `DualDTWNoteMatcher`, `SwitchingOuterHMMMatcher` (made for practice
takes with jumps), and of those that follow live `OLTWMatcher` and `TOLTWMatcher`. `mir_eval` pairs notes with the
score's onsets at the set tempo within 50 ms. `nearest` gives each note the score note whose click is nearest, `pitches`
is the best alignment of the two rows of pitches (Needleman and Wunsch, J. Mol. Biol. 48 (1970) 443: match 2, mismatch
-1, gap -1).
"""

from __future__ import annotations

import contextlib
import io
import warnings
from collections.abc import Callable
from math import lcm
from typing import Any

import numpy as np

from companion.passage import Passage
from companion.practice.clock import note_onsets_s

__all__ = ["LIVE", "OFFLINE", "Melody"]


class Melody:
    """A passage at a tempo, prepared once for all matchers."""

    def __init__(self, passage: Passage, tempo_bpm: float) -> None:
        import partitura as pt

        self.passage, self.tempo_bpm = passage, tempo_bpm
        self.due_s = note_onsets_s(passage, tempo_bpm)
        self.part = _part(pt, passage)
        self.notes = self.part.note_array()
        self.index = {f"n{note.index}": note.index for note in passage.notes}

    def performed(self, played: Any) -> Any:
        """The take as partitura has it."""
        import partitura as pt

        ends_s = np.where(np.isnan(played["offset_s"]), played["onset_s"] + 0.2, played["offset_s"])
        ends_s = np.maximum(ends_s, played["onset_s"] + 0.001)
        shift_s = min(0.0, float(played["onset_s"].min()))
        rows = [
            {
                "id": f"p{i}",
                "midi_pitch": int(row["written_midi"]),
                "note_on": float(row["onset_s"]) - shift_s,
                "note_off": float(end_s) - shift_s,
                "velocity": int(row["velocity"]),
                "track": 0,
                "channel": 1,
            }
            for i, (row, end_s) in enumerate(zip(played, ends_s, strict=True))
        ]
        return pt.performance.PerformedPart(rows, id="take")


def _part(pt: Any, passage: Passage) -> Any:
    divisions = lcm(*(note.start.denominator for note in passage.notes), *(n.length.denominator for n in passage.notes))
    divisions = lcm(divisions, *(bar.start.denominator for bar in passage.bars))
    part = pt.score.Part("P1", "melody", quarter_duration=divisions)
    part.add(pt.score.TimeSignature(passage.bars[0].beats, passage.bars[0].beat_type), 0)
    for bar in passage.bars:
        start, end = int(bar.start * divisions), int(bar.end * divisions)
        if end > start:
            part.add(pt.score.Measure(number=bar.index + 1, name=bar.number), start, end)
    for note in passage.notes:
        start, end = int(note.start * divisions), int(note.end * divisions)
        kind = pt.score.GraceNote(note.grace, **_spelled(note)) if note.grace else pt.score.Note(**_spelled(note))
        part.add(kind, start, start if note.grace else end)
    return part


def _spelled(note: Any) -> dict[str, Any]:
    return {
        "step": note.written.step,
        "octave": note.written.octave,
        "alter": note.written.alter or None,
        "voice": 1,
        "id": f"n{note.index}",
    }


def _from_alignment(melody: Melody, alignment: list[dict[str, Any]], notes: int) -> Any:
    found = np.full(notes, -1)
    for row in alignment:
        if row["label"] == "match" and row["score_id"].split("-")[0] in melody.index:
            found[int(str(row["performance_id"])[1:])] = melody.index[row["score_id"].split("-")[0]]
    return found


def _quiet(work: Callable[[], Any]) -> Any:
    with contextlib.redirect_stdout(io.StringIO()), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return work()


def automatic(melody: Melody, played: Any) -> Any:
    """parangonar's AutomaticNoteMatcher."""
    from parangonar import AutomaticNoteMatcher

    performed = melody.performed(played).note_array()
    return _from_alignment(melody, _quiet(lambda: AutomaticNoteMatcher()(melody.notes, performed)), len(played))


def dual(melody: Melody, played: Any) -> Any:
    """parangonar's DualDTWNoteMatcher."""
    from parangonar import DualDTWNoteMatcher

    performed = melody.performed(played).note_array()
    notes = melody.part.note_array(include_grace_notes=True)
    return _from_alignment(melody, _quiet(lambda: DualDTWNoteMatcher()(notes, performed)), len(played))


def _switching_matcher() -> Any:
    from parangonar import SwitchingOuterHMMMatcher

    # Otherwise each note is given to all places that are alike, too.
    return SwitchingOuterHMMMatcher(unfold_score=False, consider_parallel_sections=False)


def switching(melody: Melody, played: Any) -> Any:
    """parangonar's SwitchingOuterHMMMatcher."""
    import partitura as pt

    score = pt.score.Score(_part(pt, melody.passage))
    performance = pt.performance.Performance(melody.performed(played))
    alignment = _quiet(lambda: _switching_matcher()(score, performance))
    return _from_alignment(melody, alignment, len(played))


def onsets(melody: Melody, played: Any) -> Any:
    """mir_eval's note matching against the score's onsets at the set tempo."""
    import mir_eval

    found = np.full(len(played), -1)
    shift_s = min(0.0, float(played["onset_s"].min()), float(melody.due_s.min()))
    reference = np.stack([melody.due_s, melody.due_s + 0.1], axis=1) - shift_s
    estimate = np.stack([played["onset_s"], played["onset_s"] + 0.1], axis=1) - shift_s
    pitches = [
        mir_eval.util.midi_to_hz(np.array(midis, dtype=float))
        for midis in ([note.written_midi for note in melody.passage.notes], played["written_midi"])
    ]
    pairs = mir_eval.transcription.match_notes(reference, pitches[0], estimate, pitches[1], offset_ratio=None)
    for score, take in pairs:
        found[take] = score
    return found


def nearest(melody: Melody, played: Any) -> Any:
    """The score note whose click is nearest."""
    return np.array([int(np.abs(melody.due_s - onset_s).argmin()) for onset_s in played["onset_s"]])


def pitches(melody: Melody, played: Any) -> Any:
    """The best alignment of the two rows of pitches."""
    score = np.array([note.written_midi for note in melody.passage.notes])
    heard = played["written_midi"].astype(int)
    best = np.zeros((len(heard) + 1, len(score) + 1))
    best[0], best[:, 0] = -np.arange(len(score) + 1), -np.arange(len(heard) + 1)
    for i, midi in enumerate(heard, start=1):
        for j, written in enumerate(score, start=1):
            paired = best[i - 1, j - 1] + (2 if midi == written else -1)
            best[i, j] = max(paired, best[i - 1, j] - 1, best[i, j - 1] - 1)
    found = np.full(len(heard), -1)
    i, j = len(heard), len(score)
    while i and j:
        if best[i, j] == best[i - 1, j - 1] + (2 if heard[i - 1] == score[j - 1] else -1):
            i, j = i - 1, j - 1
            found[i] = j
        elif best[i, j] == best[i - 1, j] - 1:
            i -= 1
        else:
            j -= 1
    return found


def _online(kind: str, tracker_type: str, melody: Melody, played: Any) -> Any:
    """Right after each note the score index (of the first note of that onset) where the tracker stands."""
    import parangonar.match as match

    notes = melody.part.note_array(include_grace_notes=True)
    performed = melody.performed(played).note_array()
    tracker = _quiet(lambda: getattr(match, kind)(notes, tracker_type=tracker_type))
    beats = melody.part.note_array(include_grace_notes=True)
    order = {float(onset): i for i, onset in enumerate(tracker.unique_onsets)}
    last_at = np.zeros(len(order), dtype=int)
    for row in beats:
        place = order[float(row["onset_beat"])]
        last_at[place] = max(last_at[place], melody.index[str(row["id"])])
    return np.array([last_at[min(int(_quiet(lambda r=row: tracker(r))), len(last_at) - 1)] for row in performed])


OFFLINE: dict[str, Callable[[Melody, Any], Any]] = {
    "parangonar Automatic": automatic,
    "parangonar DualDTW": dual,
    "parangonar SwitchingHMM": switching,
    "mir_eval onsets": onsets,
    "nearest click": nearest,
    "rows of pitches": pitches,
}
LIVE: dict[str, Callable[[Melody, Any], Any]] = {
    "parangonar OLTW": lambda melody, played: _online("OLTWMatcher", "SL_OLTW", melody, played),
    "parangonar TOLTW": lambda melody, played: _online("TOLTWMatcher", "SLT_OLTW", melody, played),
}
