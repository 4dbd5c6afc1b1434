"""The shapes' screen: every note of the horn to browse, then the practice of which shape is the better one.

`ShapesScreen` knows what is shown and what each key does; `shapes_view` draws it. It lies over the stand like a leaf,
or has a window of its own (`shapes_app`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import pygame

from companion.charts.model import Chart, Fingering, note_name
from companion.errors import RecordError
from companion.passage import Bar, Note, Passage
from companion.ports.tone import Tone, TonePlayer, render_tones
from companion.practice.model import RawEvent
from companion.practice.shape_ear import ShapeEar
from companion.practice.shapes import (
    NOTE_S,
    Answer,
    Session,
    ShapeQuestion,
    answer_by_choice,
    answer_by_keys,
    change_of,
    explained,
)
from companion.practice.spacing import Memory, due_in_words, is_due, reviewed, shaky_first
from companion.record.shapes import Remembered, keep_answer
from companion.scores.pitch_words import pitch_from
from companion.window.layout import Layout
from companion.window.levels import Levels
from companion.window.shapes_horn import STEPS, Horns, Movement
from companion.window.shapes_layout import Mode, action_of, repeats
from companion.window.shapes_staff import Staff
from companion.window.shapes_view import ShapesView
from companion.window.theme import Type

__all__ = ["ShapesScreen"]

#: How long a note is listened to.
LISTEN_S = 1.4
#: The last note of a question, in eighths.
_LAST_EIGHTHS = 3


class ShapesScreen:
    """See the module. `clock` is the one of all live times; `today` says the date, which the schedule goes by.

    `keep` is False where nothing is to be remembered; `why_not` says why, such as that a simulated player plays.
    `levels` say how loud the tone is. `letters`, where the computer's keys are the horn, tells which of them finger a
    shape.
    """

    kind = "shapes"

    def __init__(
        self,
        chart: Chart,
        questions: Sequence[ShapeQuestion],
        remembered: Remembered,
        *,
        sessions: Path,
        tone: TonePlayer,
        clock: Callable[[], int],
        today: Callable[[], datetime] = lambda: datetime.now(UTC),
        keep: bool = True,
        why_not: str = "",
        shift_semitones: int = 0,
        has_port: bool = False,
        letters: Callable[[frozenset[str]], str] | None = None,
        title: str = "",
        at_midi: int | None = None,
        levels: Levels | None = None,
    ) -> None:
        self.chart, self.title = chart, title
        self.questions = {question.id: question for question in questions}
        self.cards: dict[str, Memory] = dict(remembered.cards)
        self.sessions, self.tone, self.clock, self.today, self.keep = sessions, tone, clock, today, keep
        self.has_port, self.why_not = has_port, why_not
        self.letters = letters
        self.hear_another(shift_semitones)
        self.staff, self.horns = Staff(), Horns(chart)
        self.view = ShapesView(self)
        self.notes = [m for m in range(chart.lowest_midi, chart.highest_midi + 1) if chart.for_note(m)]
        start = at_midi if at_midi in self.notes else 70 if 70 in self.notes else self.notes[0]
        self.at = self.notes.index(start)
        self.shape_at = 0
        self.browsing = True
        self.session: Session | None = None
        self.heard = ""
        self.said = "; ".join(remembered.remarks)
        self.levels = levels or Levels(None)
        first = self.shapes[0]
        self.movement = Movement(self._named(first), first.keys, self._named(first), first.keys, clock(), stood=STEPS)
        self._staff_of: dict[int, Passage] = {}

    # -- what is shown -----------------------------------------------------------------------------------------------

    @property
    def mode(self) -> Mode:
        """What the keys mean now."""
        if self.browsing or self.session is None:
            return "browse"
        if self.session.question is None:
            return "end"
        return "asked" if self.session.answered is None else "answered"

    @property
    def letters_play(self) -> bool:
        """Whether the computer's letters are the horn now."""
        return self.letters is not None and self.mode == "asked"

    @property
    def midi(self) -> int:
        """The note browsed."""
        return self.notes[self.at]

    @property
    def question(self) -> ShapeQuestion | None:
        """The question asked or answered; None while browsing and at the end."""
        return None if self.browsing or self.session is None else self.session.question

    @property
    def answer(self) -> Answer | None:
        """The answer to it, once given."""
        return self.session.answered if self.question is not None and self.session is not None else None

    @property
    def shapes(self) -> tuple[Fingering, ...]:
        """The shapes side by side."""
        return self.question.shapes if self.question is not None else self.chart.for_note(self.midi)

    @property
    def shape(self) -> Fingering:
        """The shape looked at while browsing."""
        return self.shapes[min(self.shape_at, len(self.shapes) - 1)]

    @property
    def passage(self) -> Passage:
        """What stands on the small staff."""
        if self.question is not None:
            return self.question.passage
        if self.midi not in self._staff_of:
            self._staff_of[self.midi] = _one_note(self.chart, self.midi)
        return self._staff_of[self.midi]

    def staff_mark(self) -> tuple[int, str] | None:
        """The mark over the note on the staff: that of the shape looked at, or of the better one once it is told."""
        if self.question is None:
            return 0, self.shape.mark
        return (self.question.asked, self.question.better.mark) if self.answer is not None else None

    def explanation(self) -> tuple[str, ...]:
        """What is said after an answer."""
        return explained(self.question, self.chart, self.answer) if self.question is not None and self.answer else ()

    def due_count(self) -> int:
        """How many of the questions are due now."""
        now = self.today()
        return sum(is_due(self.cards[name], now) for name in self.questions if name in self.cards)

    def shaky(self, most: int) -> list[tuple[ShapeQuestion, str]]:
        """(question, when it is asked again) of what was answered wrong in this session."""
        if self.session is None:
            return []
        missed = dict.fromkeys(q.id for q, answer in self.session.answers if not answer.right)
        now = self.today()
        return [(self.questions[name], due_in_words(self.cards[name], now)) for name in list(missed)[:most]]

    def _named(self, shape: Fingering) -> str:
        """`B♭4 side`, in a question as it is spelled there, `A♯4 side`."""
        notes = self.question.passage.notes if self.question is not None else ()
        spelled = (str(note.written) for note in notes if note.written_midi == shape.written_midi)
        note = next(spelled, note_name(shape.written_midi))
        return note if shape.name == "standard" else f"{note} {shape.name}"

    # -- a leaf over the stand ---------------------------------------------------------------------------------------

    def draw(self, target: pygame.Surface, place: Layout, type_: Type) -> None:
        """See `Leaf`."""
        self.tick()
        self.view.draw(target, type_)

    def draw_changed(self, target: pygame.Surface, type_: Type) -> bool:
        """Draw where anything has changed since the last time; whether it has."""
        self.tick()
        return self.view.draw_changed(target, type_)

    def key(self, event: pygame.event.Event, held: bool = False) -> bool:
        """See `Leaf`; `held` where the key repeats by itself."""
        action = action_of(event, self.mode)
        return self.do(action) if action and (repeats(action) or not held) else False

    def forget(self) -> None:
        """Draw all of it the next time: the window was covered."""
        self.view.forget()

    def click(self, pos: tuple[int, int]) -> bool:
        """See `Leaf`."""
        action = self.view.action_at(pos)
        return self.do(action) if action else False

    def close(self) -> None:
        """Give the engraver back and be silent."""
        self.staff.close()
        self.tone.stop()

    # -- the controller ----------------------------------------------------------------------------------------------

    def hear_another(self, shift_semitones: int) -> None:
        """Another controller: nothing is held on it yet. The computer's keys always tell what is held."""
        self.ear = ShapeEar(self.chart, shift_semitones)
        if self.letters is not None:
            self.ear.keys = frozenset()

    def hear(self, events: Sequence[RawEvent]) -> None:
        """Take what the controller sent."""
        self.ear.hear(events)

    def tick(self) -> None:
        """Look at what is held, and whether it is an answer."""
        held, question = self.ear.held(), self.question
        if held is None:
            return
        self.heard = note_name(held.written_midi)
        if question is None or self.answer is not None or held.keys is None:
            return
        around = [note.written_midi for note in question.passage.notes]
        settled = self.ear.settled(question.pitch.midi, around, self.clock())
        if settled is not None and settled.keys is not None:
            self.give(answer_by_keys(question, self.chart, settled.keys))

    # -- actions -----------------------------------------------------------------------------------------------------

    def do(self, action: str) -> bool:
        """Carry out an action of the keys or the mouse, such as `note 70`; True once the screen is to be left."""
        name, _, value = action.partition(" ")
        acts: dict[str, Callable[[], object]] = {
            "note_up": lambda: self.go_to_note(self.at + 1),
            "note_down": lambda: self.go_to_note(self.at - 1),
            "octave_up": lambda: self.go_to_note(self.at + 12),
            "octave_down": lambda: self.go_to_note(self.at - 12),
            "note": lambda: self.go_to_note(self.notes.index(int(value))),
            "shape_on": lambda: self.go_to_shape(self.shape_at + 1),
            "shape_back": lambda: self.go_to_shape(self.shape_at - 1),
            "shape": lambda: self.go_to_shape(int(value)),
            "choose": lambda: self.choose(int(value) - 1),
            "go_on": self.go_on,
            "practise": self.practise,
            "browse": self.browse,
            "listen": self.listen,
            "play": self.play_movement,
            "step_on": lambda: self.step(1),
            "step_back": lambda: self.step(-1),
            "mute": self.mute,
            "louder": lambda: self.turn_tone(0.1),
            "softer": lambda: self.turn_tone(-0.1),
        }
        if name == "leave":
            return self.leave()
        self.said = ""
        acts[name]()
        return False

    def leave(self) -> bool:
        """Out of the practice back to browsing; out of browsing back to where one came from."""
        if self.browsing:
            return True
        self.browse()
        if self.session is not None and self.session.question is None:
            self.session = None
        return False

    # browsing

    def go_to_note(self, at: int) -> None:
        """Another note, in its first shape; what the fingers do is shown from the shape before."""
        before = self.shape
        self.at = max(0, min(len(self.notes) - 1, at))
        self.shape_at = 0
        self._move(self._named(before), before.keys, self._named(self.shape), self.shape.keys)

    def go_to_shape(self, at: int) -> None:
        """Another shape of this note, round and round."""
        before = self.shape
        self.shape_at = at % len(self.shapes)
        self._move(self._named(before), before.keys, self._named(self.shape), self.shape.keys)

    def _move(self, before_name: str, before: frozenset[str], after_name: str, after: frozenset[str]) -> None:
        if (before_name, before) != (after_name, after):
            self.movement = Movement(before_name, before, after_name, after, self.clock())

    def play_movement(self) -> None:
        """From the beginning; standing still where it plays."""
        now = self.clock()
        moving = self.movement
        stood = round(moving.progress(now) * STEPS) if moving.playing(now) else None
        self.movement = Movement(moving.before_name, moving.before, moving.after_name, moving.after, now, stood)

    def step(self, by: int) -> None:
        """One step of the movement, on or back; from the end it begins anew."""
        moving = self.movement
        at = moving.stood if moving.stood is not None else round(moving.progress(self.clock()) * STEPS)
        at = (at + by) % (STEPS + 1)
        self.movement = Movement(
            moving.before_name, moving.before, moving.after_name, moving.after, moving.began_ns, at
        )

    def movement_words(self) -> str:
        """What the fingers do, in words."""
        return change_of(self.chart, self.movement.before, self.movement.after).sentence()

    def browse(self) -> None:
        """Leave the practice for the horn; at a question, for its note."""
        question = self.question
        if question is not None:
            self.at, self.shape_at = self.notes.index(question.pitch.midi), 0
            self.movement = self._still(self.shape)
        self.browsing = True

    def _still(self, shape: Fingering) -> Movement:
        name = self._named(shape)
        return Movement(name, shape.keys, name, shape.keys, self.clock(), STEPS)

    # sound

    def listen(self) -> None:
        """Hear the note, or the bar of the question, at the horn's sounding pitch."""
        down = self.chart.transposition
        if self.question is None:
            tones = [Tone(0.0, LISTEN_S, self.midi + down)]
        else:
            notes = self.question.passage.notes
            tones = [
                Tone(i * NOTE_S, NOTE_S * (_LAST_EIGHTHS if i == len(notes) - 1 else 1), note.written_midi + down)
                for i, note in enumerate(notes)
            ]
        self._set_level()
        if self.muted:
            self.said = "the tone is off: M turns it on"
        elif not self.tone.start(render_tones(tones)):
            self.said = "there is no sound on this machine"

    @property
    def muted(self) -> bool:
        """Whether the tone is off."""
        return self.levels.now.tone_muted

    def mute(self) -> None:
        """The tone off or on."""
        self.said = self.levels.mute_tone()
        self._set_level()

    def turn_tone(self, by: float) -> None:
        """The tone louder or softer."""
        self.said = self.levels.turn_tone(by)
        self._set_level()

    def _set_level(self) -> None:
        now = self.levels.now
        self.tone.set_volume(now.tone)
        self.tone.set_muted(now.tone_muted)

    # practising

    def practise(self) -> None:
        """Begin a session, or go on with the one that was left; what is shaky comes first."""
        if self.session is None or self.session.question is None:
            order = shaky_first(list(self.questions), self.cards, self.today())
            session = Session(self.questions[name] for name in order)
            if not session.questions:
                self.said = f"there is nothing to choose between on the {self.chart.title}: browse its notes"
                return
            self.session = session
        self.browsing = False
        self._show_question()

    @property
    def bar_played(self) -> bool:
        """Whether the bar of the question was played, note by note, as it stands."""
        question = self.question
        return question is not None and self.ear.played([note.written_midi for note in question.passage.notes])

    def _show_question(self) -> None:
        self.ear.forget()
        question = self.question
        if question is None:
            return
        before = question.plan.choices[question.asked - 1].fingering
        self.movement = self._still(before)
        if self.answer is not None:
            self._show_answer()

    def choose(self, number: int) -> None:
        """One of the drawn shapes is the answer."""
        question = self.question
        if question is not None and 0 <= number < len(question.shapes):
            self.give(answer_by_choice(question, question.shapes[number]))

    def give(self, answer: Answer) -> None:
        """Take an answer, remember it and explain."""
        question = self.question
        if question is None or self.session is None or not self.session.answer(answer):
            return
        memory = reviewed(self.cards.get(question.id), answer.right, self.today())
        self.cards[question.id] = memory
        chosen = answer.fingering.name if answer.fingering is not None else note_name(answer.sounds_midi)
        if self.keep:
            try:
                keep_answer(self.sessions, self.chart.name, question.id, answer.right, chosen, memory)
            except RecordError as error:
                self.said = str(error)
        self._show_answer()

    def _show_answer(self) -> None:
        """Wrong: from the shape chosen to the better one. Right: how the better one is reached."""
        question, answer = self.question, self.answer
        if question is None or answer is None:
            return
        better = question.better
        if answer.right:
            before = question.plan.choices[question.asked - 1].fingering
            self._move(self._named(before), before.keys, self._named(better), better.keys)
        else:
            held = "these keys" if answer.fingering is None else self._named(answer.fingering)
            self._move(held, answer.keys, self._named(better), better.keys)

    def go_on(self) -> None:
        """To the next question, or to the end."""
        if self.session is not None and self.session.go_on():
            self._show_question()


def _one_note(chart: Chart, midi: int) -> Passage:
    bar = Bar(0, "1", 0, Fraction(0), Fraction(4), 4, 4)
    note = Note(0, pitch_from(note_name(midi)), Fraction(0), Fraction(4), 0, Fraction(1), 0)
    return Passage("", (note,), (bar,), transposition=chart.transposition)
