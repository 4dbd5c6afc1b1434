"""The sentence under the music: what was just said, what is looked at, what to do next."""

from __future__ import annotations

from companion.practice.rehearsal import FinishedTake
from companion.window.replaying import Replaying
from companion.window.run import Run
from companion.window.takes import what_next

__all__ = ["CARE", "advice"]

NO_HARD_SPOT = "No change of these bars comes near its limit at this tempo. L lists the hardest all the same."
#: The usual cautions, in common words (from memory).
CARE = (
    "Rest some minutes every half hour; stop at pain, numbness or tingling; keep the click moderate. Your teacher and"
    " licensed health professionals know you: ask them."
)


def advice(
    run: Run, *, replaying: Replaying | None, looked_at: int | None, told: bool, spots_shown: bool, tinted: bool
) -> str:
    """The sentence to show now, empty where there is none.

    Parameters
    ----------
    looked_at
        The note looked at.
    told
        Whether the horn shows what the take tells of it.
    spots_shown, tinted
        Whether the hardest spots are wanted on the page, and whether there are any.
    """
    rehearsal = run.rehearsal
    if run.notice:
        return run.notice
    if replaying is not None:
        return replaying.sentence()
    if looked_at is not None and not rehearsal.busy:
        return _about_note(run, looked_at, told)
    if spots_shown and not rehearsal.busy:
        return f"Hardest: {run.limits().spots[0].sentence}. L lists them." if tinted else NO_HARD_SPOT
    if rehearsal.state == "after" and rehearsal.last_take:
        return _after(run, rehearsal.last_take)
    return _before(run) if rehearsal.state == "ready" else ""


def _about_note(run: Run, note_index: int, told: bool) -> str:
    if told:
        return "N goes to the next such place, G through the take from here; a click on the note shows its fingerings."
    music = run.music
    comment = music.comment(note_index)
    if comment:
        return f"Written here: {comment}"
    if not music.rehearsal.plan.choices[note_index].runners_up:
        return "There is no other fingering worth having here. Enter shows all of this note."
    off = "; 0 takes the mark away" if note_index in music.marks else ""
    return (
        "A number or a click takes another one, with the rest planned around it; ms: what its changes take more."
        f" Enter shows all{off}."
    )


def _after(run: Run, take: FinishedTake) -> str:
    step = what_next(take)
    if run.repertoire.on_exercise and take.step is not None and take.step.kind == "target reached":
        step += f" Esc leads back to {run.repertoire.piece.passage.title}: try it there."
    return f"{take.assessment.advice} {step}"


def _before(run: Run) -> str:
    if not run.controller.name:
        return (
            "No controller is chosen: plug one in, or press P; the computer's keys can be a horn, and there is"
            " a simulated player to watch."
        )
    if run.repertoire.on_exercise:
        return f"{run.music.passage.purpose}. Esc leads back to {run.repertoire.piece.passage.title}, as you left it."
    if run.controller.keys is not None:
        return "J shows which key of the computer is which of the horn, and lets you try them. Esc ends a take."
    return CARE
