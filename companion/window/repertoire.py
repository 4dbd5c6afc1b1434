"""The music of a sitting: the piece, the exercises made of it, and which of them stands on the stand."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from companion.charts.model import Chart
from companion.errors import UsageError
from companion.passage import Passage
from companion.planning import all_marks
from companion.planning import plan as make_plan
from companion.planning.model import Plan
from companion.practice.ladder import Ladder
from companion.practice.rehearsal import HurdlesAt, Rehearsal
from companion.window.music import Made, Music, Option, exercise_of, ladder_for
from companion.window.own_offers import OwnOffers
from companion.window.own_trouble import OwnTrouble
from companion.window.setup import Setup

if TYPE_CHECKING:
    from companion.exercises.offers import Offer

__all__ = ["Repertoire"]


class Repertoire:
    """`music` stands on the stand now, planned for `chart`: `piece`, or an exercise made of it.

    Parameters
    ----------
    hurdles_at
        What stands in the way of a tempo, for the rehearsals' ladders.
    turned
        Called when other music, or the same for another horn, was put on the stand.
    """

    def __init__(self, setup: Setup, hurdles_at: HurdlesAt, turned: Callable[[], None]) -> None:
        self._setup, self._hurdles_at, self._turned = setup, hurdles_at, turned
        self._exercises: dict[tuple[str, str], Music] = {}
        self._offers = OwnOffers()
        self.chart = setup.chart
        self.piece = self._the_piece()
        self.music = self.piece
        if setup.exercise is not None:
            self.music = self._exercise(setup.plan, setup.chart, setup.exercise)
            self.music.rehearsal.use_ladder(setup.exercise_ladder or setup.ladder)

    def _the_piece(self) -> Music:
        setup = self._setup
        rehearsal = self._rehearsal(setup.passage, setup.plan, setup.ladder, setup.chart)
        if setup.bars:
            rehearsal.choose_bars(*setup.bars)
        trouble = OwnTrouble(setup.sessions, setup.passage)
        music = Music(rehearsal, trouble, setup.target_label, marks_path=setup.marks_path)
        if setup.marked:
            music.marks, music.whys = dict(setup.marked.fingerings), dict(setup.marked.whys)
            music.comments = setup.marked.comments
        return music

    def _rehearsal(self, passage: Passage, plan: Plan, ladder: Ladder, chart: Chart) -> Rehearsal:
        tolerances = self._setup.tolerances
        return Rehearsal(passage, plan, ladder, tolerances=tolerances, chart=chart, hurdles_at=self._hurdles_at)

    @property
    def on_exercise(self) -> bool:
        """Whether an exercise stands there in place of the piece."""
        return self.music is not self.piece

    def planned(self, passage: Passage, chart: Chart, marks: dict[int, str]) -> Plan:
        """Music planned by the rules of this sitting, around fingerings fixed by hand (names by note)."""
        return make_plan(passage, chart, all_marks(passage, chart, marks), rules=self._setup.rules)

    def use_chart(self, chart: Chart) -> None:
        """Plan the piece, and an exercise on the stand, for another horn. Raises `NoFingering` where one of them can't
        be played on it, `UsageError` during a take (nothing changes then)."""
        piece, made = self.piece, self.music.made
        self._only_between_takes("change the instrument")
        plan = self.planned(piece.passage, chart, piece.marks)
        exercise = self._exercise(plan, chart, made) if made is not None else None
        piece.rehearsal.replan(plan, chart)
        self.chart = chart
        if exercise is not None:
            self._turn_to(exercise)

    def offers(self, wait_s: float = 0.0) -> tuple[Offer, ...] | None:
        """The exercises worth making of the bars chosen in the piece, own trouble spots first; None where they are
        still looked for after so many seconds."""
        return self._offers.of(self.piece.rehearsal, self.chart, self.piece.trouble.spots, wait_s)

    def take_offer(self, offer: Offer) -> None:
        """Put an exercise on the stand that was offered for the bars chosen. Raises `UsageError` during a take."""
        section = self.piece.rehearsal.section
        self.take_exercise(offer.name, offer.options, (section.first_bar, section.last_bar))

    def take_exercise(self, name: str, options: Mapping[str, Option], bars: tuple[int, int] | None = None) -> None:
        """Put an exercise on the stand, made of these bars of the piece (indices, both included; all of it without).
        One that was there before stands as it was left. Raises `UsageError` during a take or where there is nothing to
        make it of, `NoFingering` where it leaves the horn."""
        self._only_between_takes("go to an exercise")
        made = Made(name, tuple(options.items()), bars or (0, len(self.piece.passage.bars) - 1))
        self._turn_to(self._exercise(self.piece.rehearsal.plan, self.chart, made))

    def back_to_piece(self) -> None:
        """The piece again, as it was left. Raises `UsageError` during a take."""
        self._only_between_takes("go back to the piece")
        self._turn_to(self.piece)

    def _exercise(self, plan: Plan, chart: Chart, made: Made) -> Music:
        setup, piece = self._setup, self.piece
        passage = exercise_of(piece.passage, plan, chart, made)
        key = passage.sha256, chart.name
        if key not in self._exercises:
            told = setup.ladder_set and setup.ladder_set(passage)
            ladder = told or ladder_for(passage, piece.rehearsal.ladder)
            rehearsal = self._rehearsal(passage, self.planned(passage, chart, {}), ladder, chart)
            share = setup.share_set and setup.share_set(passage)
            if share is not None:
                rehearsal.tolerances = replace(rehearsal.tolerances, articulation_share=share)
            self._exercises[key] = Music(rehearsal, OwnTrouble(setup.sessions, passage), "target", made)
        return self._exercises[key]

    def _turn_to(self, music: Music) -> None:
        """The controller is heard as before."""
        before, self.music = self.music.rehearsal, music
        music.rehearsal.shift_semitones, music.rehearsal.delay_ms = before.shift_semitones, before.delay_ms
        self._turned()

    def _only_between_takes(self, wish: str) -> None:
        if self.music.rehearsal.busy:
            raise UsageError(f"stop the take first, then {wish}")

    def close(self) -> None:
        """Look for nothing more."""
        self._offers.close()
