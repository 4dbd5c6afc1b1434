"""From a finished take to a line of the result file."""

from __future__ import annotations

from fractions import Fraction

from companion.planning.model import Plan
from companion.practice.rehearsal import FinishedTake
from companion.record.take import note_records

__all__ = ["result_of"]


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
