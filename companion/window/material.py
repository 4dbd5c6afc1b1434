"""The leaves that lead from the passage to practice material: what keeps failing, and the exercises made of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from companion.practice.words import capital, printed_bars
from companion.window.leaves import Also, ChoiceLeaf, Leaf, Row
from companion.window.run import Run
from companion.window.stand import Stand

if TYPE_CHECKING:
    from companion.exercises.offers import Offer

__all__ = ["exercises_leaf", "trouble_leaf"]

#: So long a frame waits for what is nearly found.
WAIT_S = 0.05


def trouble_leaf(run: Run, stand: Stand) -> Leaf:
    """What keeps failing over takes and days; choosing one takes its bars, or makes loops of it."""
    spots = run.music.trouble.spots
    rows = [Row(*_place_and_words(spot.sentence)) for spot in spots]
    rows = rows or [Row("nothing keeps failing here, as far as the record tells", "", run.music.trouble.fault)]

    def choose(index: int) -> None:
        run.take_trouble(spots[index])
        stand.look_at(None, telling=False)

    links = Also("X", "as links", lambda i: run.repertoire.take_exercise("links", {"into": spots[i].note_index}))
    # An exercise is made of the piece: what fails in it is played there.
    with_links = bool(spots) and not run.repertoire.on_exercise
    hint = "Choosing one takes its bars. It goes from the list once it has been right often enough."
    return ChoiceLeaf(
        "trouble",
        "What keeps failing",
        lambda: rows,
        choose if spots else None,
        width=700,
        hint=f"{hint} X makes links of it: loops of that change alone, to play first." if with_links else hint,
        also=links if with_links else None,
    )


def _place_and_words(sentence: str) -> tuple[str, str, str]:
    place, _, words = sentence.partition(": ")
    return place, "", words


def exercises_leaf(run: Run, stand: Stand) -> Leaf:
    """The exercises worth doing for the bars chosen; choosing one puts it on the stand in place of the piece."""
    piece, away, label = run.repertoire.piece, run.repertoire.on_exercise, run.repertoire.piece.rehearsal.section.label
    bars = f" out of {printed_bars(label)}" if label else ""
    # What was drawn last, so that a line chosen is the line seen.
    shown: list[Offer] = []

    def rows() -> list[Row]:
        found = run.repertoire.offers(WAIT_S)
        shown[:] = found or ()
        on = run.rehearsal.passage.sha256
        lines = [Row(f"back to {piece.passage.title}", "", "as you left it")] if away else []
        lines += [Row(o.title, "on the stand" if o.made.sha256 == on else "", _about(o)) for o in shown]
        if found is None:
            lines.append(Row("looking through the bars …"))
        elif not found:
            lines.append(Row("nothing can be made of these bars", "", "W takes the whole passage."))
        return lines

    def choose(index: int) -> None:
        if away and index == 0:
            run.repertoire.back_to_piece()
        elif index - away < len(shown):
            run.repertoire.take_offer(shown[index - away])

    return ChoiceLeaf(
        "exercises",
        f"Exercises{bars}",
        rows,
        choose,
        width=760,
        hint="Each comes on the stand with a ladder of its own. Esc leads back to the piece, as it was left.",
    )


def _about(offer: Offer) -> str:
    """What it is for, and what speaks for it here."""
    return f"{offer.purpose}. {capital(offer.why)}." if offer.why else f"{offer.purpose}."
