"""A finished take as a line of the result file, and what the stand says of it."""

from __future__ import annotations

from fractions import Fraction

from companion.planning.model import Plan
from companion.practice.rehearsal import FinishedTake
from companion.practice.words import capital
from companion.record.take import note_records

__all__ = ["result_of", "said_after", "what_next"]


def result_of(take: FinishedTake, plan: Plan) -> dict[str, object]:
    """One take for `--json`: plain data, score notes in playing order. `plan` is that of the whole passage."""
    assessment, section = take.assessment, take.section
    notes = note_records(section.passage, plan, assessment, section.first_note)
    return {
        "title": section.passage.title,
        "bars": section.label.replace("–", "-"),
        "tempo_bpm": take.tempo_bpm,
        "rung": take.ladder_before.rung,
        "target_bpm": take.ladder_before.target_bpm,
        "clean": assessment.clean and not take.stopped,
        "because": assessment.because or take.stopped,
        "advice": assessment.advice,
        "step": take.step.kind if take.step else None,
        "stopped": take.stopped,
        "comment": list(assessment.comment),
        "slips": [
            {
                "note": slip.note_index,
                "from_note": slip.from_index,
                "heard_midi": int(slip.heard_midi),
                "life_ms": float(slip.life_ms),
                "early": list(slip.early),
                "late": list(slip.late),
                "by_ms": None if slip.by_ms is None else float(slip.by_ms),
                "sentence": slip.sentence,
            }
            for slip in assessment.slips
        ],
        "added": [{"near_note": int(near), "written_midi": int(midi)} for near, midi in assessment.added],
        "notes": [
            {
                "bar": note.bar,
                "beat": float(Fraction(note.beat)),
                "written_midi": note.written_midi,
                "fingering": note.fingering,
                "keys": list(note.keys),
                "verdict": note.verdict,
                "deviation_ms": note.deviation_ms,
                "played_midi": note.played_midi,
                "misread": note.misread,
                "begun": note.begun,
                "held_share": note.held_share,
                "articulation": list(note.articulation),
            }
            for note in notes
        ],
    }


def said_after(take: FinishedTake, simulated: bool) -> str:
    """What is to be pressed now, for what most needs it; empty where nothing does. The simulated player has neither a
    set-up nor a controller."""
    words = ""
    if take.step is not None and take.step.kind == "hold" and take.step.hurdle is not None:
        words = f"press K to take {take.step.hurdle.alone} alone, + for the next rung all the same"
    if simulated:
        return words
    delay_ms, shift = take.suspected_delay_ms, take.suspected_shift_semitones
    if delay_ms is not None:
        words = f"all notes come {delay_ms:+.0f} ms off the click: press D if that is your set-up, not you"
    if shift is not None:
        words = f"all notes come {_shift_in_words(shift)} than written: press C to check what the controller sends"
    return words


def _shift_in_words(shift_semitones: int) -> str:
    """`an octave higher`, `9 semitones lower`: how what was heard differs from what is written."""
    size, way = abs(shift_semitones), "lower" if shift_semitones > 0 else "higher"
    words = {1: "a semitone", 12: "an octave", 24: "two octaves"}.get(size, f"{size} semitones")
    return f"{words} {way}"


def what_next(take: FinishedTake) -> str:
    """What the ladder says of a take, or why it was none for it."""
    return take.step.sentence if take.step else f"{capital(take.stopped)}."
