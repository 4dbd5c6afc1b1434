"""What there is to learn about shapes: a note in a short context, the fingerings that sound it, and the better one.

Conventions
-----------
* A question is a passage of a few slurred notes, so fast that the change decides (`NOTE_S` each), the last one longer.
  The better shape is the planner's for that passage, and the reason is the planner's too.
* Only what is clear is asked: the next best shape costs at least `CLEAR_S` more, changes and rules together.
* A question is known by its notes: `69.70.71/1` asks for the second of A, B♭, B. It is the same one on every day.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from companion.charts.model import Chart, Fingering, Key, note_name
from companion.passage import Bar, Note, Passage, Pitch, Slur, TempoMark
from companion.planning import RULES, Plan, Rule, plan
from companion.planning.model import Choice
from companion.planning.reasons import called, reason_in_full
from companion.practice.between import change_between, finger_of
from companion.practice.finger_words import fingers_in_words, key_in_words, listed
from companion.scores.pitch_words import pitch_from
from companion.units import ms_from_s, s_per_beat

__all__ = [
    "CLEAR_S", "MOST_SHAPES", "NOTE_S", "SESSION_LENGTH", "TEMPO_BPM", "Answer", "Session", "ShapeChange",
    "ShapeQuestion", "answer_by_choice", "answer_by_keys", "catalogue", "change_of", "explained", "practice_order",
    "question_of", "questions_of", "sounding_name",
]  # fmt: skip

#: Eighths at this many quarters a minute are fast to the rules (up to 0.2 s a note).
TEMPO_BPM = 160.0
NOTE_S = s_per_beat(TEMPO_BPM) / 2
#: What is nearer than this is left to taste (ours): the model's times are an average player's.
CLEAR_S = 0.05
#: So many are drawn side by side and chosen from by one digit.
MOST_SHAPES = 4
#: More keys than these that stay go unnamed.
MOST_STAYING_NAMED = 1
#: Long enough to learn something, short enough to be done before the lesson: some five minutes.
SESSION_LENGTH = 12

#: What is asked, in the order it is taught (common practice, no source): the middle register's B♭, C, F♯ and C♯, the
#: same an octave higher, low keys, top notes, shakes. The note asked for is in brackets.
_TAUGHT = (
    "A4 [Bb4] A4", "A4 [Bb4] B4", "F4 [Bb4] F4", "B4 [A#4] B4", "C5 [Bb4] C5", "B4 [C5] B4", "A4 [C5] A4",
    "B4 [C5] D5", "F4 [F#4] F4", "E4 [F#4] G4", "F4 [F#4] G4", "D4 [F#4] F4", "F#4 [A#4] B4", "F4 [Bb4] B4",
    "G4 [Bb4] D5", "D5 [C#5] D5", "E5 [C#5] D5", "C5 [C#5] D5", "A5 [Bb5] A5", "A5 [Bb5] B5", "C6 [Bb5] C6",
    "F5 [Bb5] D5", "B5 [C6] B5", "A5 [C6] D6", "F5 [F#5] F5", "E5 [F#5] G5", "C#4 [G#4] A4", "B3 [G#4] B3",
    "Bb3 [Ab4] Bb3", "C#4 [C#5] C#4", "A5 [E6] A5", "D6 [E6] F6", "C6 [F6] C6", "E6 [F6] E6",
    "C5 D5 C5 [D5] C5 D5 C5", "C#5 D5 C#5 [D5] C#5 D5 C#5",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class ShapeQuestion:
    """Which shape for note `asked` of `passage`? `shapes` are to choose from (two to `MOST_SHAPES`), in the chart's
    order; `better` is the planner's, whose whole answer is `plan`. `where` says where it comes from, such as `bar 3`,
    empty for what everybody learns."""

    id: str
    passage: Passage
    asked: int
    plan: Plan
    shapes: tuple[Fingering, ...]
    where: str = ""

    @property
    def choice(self) -> Choice:
        """The planner's choice for the note asked for."""
        return self.plan.choices[self.asked]

    @property
    def better(self) -> Fingering:
        """The better shape."""
        return self.choice.fingering

    @property
    def pitch(self) -> Pitch:
        """The note asked for, as it is spelled."""
        return self.passage.notes[self.asked].written

    @property
    def words(self) -> str:
        """`B♭4 between A4 and B4`."""
        before, after = (self.passage.notes[self.asked + step].written for step in (-1, 1))
        if len(self.passage.notes) > 3:
            return f"{self.pitch} in a shake with {before}"
        return f"{self.pitch} between {f'two {before}s' if before == after else f'{before} and {after}'}"


@dataclass(frozen=True, slots=True)
class Answer:
    """`keys` were chosen or held and sound `sounds_midi`; `fingering` is the one of the chart that they come nearest
    to, None where they sound another note. `exact` is False where keys are down that change nothing, or up."""

    keys: frozenset[str]
    sounds_midi: int
    fingering: Fingering | None
    right: bool
    exact: bool = True


@dataclass(frozen=True, slots=True)
class ShapeChange:
    """What a hand does from one shape to another: keys that go down, come up and stay, and the fingers that go from one
    key to another."""

    down: tuple[Key, ...]
    up: tuple[Key, ...]
    stay: tuple[Key, ...]
    slides: tuple[str, ...]

    def lines(self) -> tuple[tuple[str, str], ...]:
        """(`down`, `left middle finger, side B♭ key`) and so on; what there is none of is left out."""
        rows = (("down", self.down), ("up", self.up), ("stays", self.stay))
        return tuple((word, _keys_in_words(keys)) for word, keys in rows if keys)

    def sentence(self) -> str:
        """`Down: side B♭ key. Up: left ring finger.`; what slides from key to key is said."""
        if not (self.down or self.up):
            return "No key moves."
        parts = [f"{word.capitalize()}: {keys}." for word, keys in self.lines() if word != "stays"]
        if self.slides:
            one = len(self.slides) == 1
            who = fingers_in_words(self.slides)
            parts.append(f"The {who} {'goes' if one else 'go'} from one key to another.")
        if self.stay:
            few = len(self.stay) <= MOST_STAYING_NAMED
            parts.append(f"Stays: {_keys_in_words(self.stay)}." if few else "The others stay.")
        return " ".join(parts)


def _keys_in_words(keys: Sequence[Key]) -> str:
    """Pearls by their fingers, other keys by name: `left index and ring finger, octave and G♯ keys`."""
    pearls = [finger_of(key) for key in keys if key.shape == "round" and not key.label]
    others = [key_in_words(key).removesuffix(" key") for key in keys if key.shape != "round" or key.label]
    words = []
    for hand in ("left", "right"):
        fingers = [finger for finger in pearls if finger.startswith(hand)]
        if fingers:
            words.append(f"all {hand} fingers" if len(fingers) > 2 else fingers_in_words(fingers))
    if others:
        words.append(f"{listed(others)} {'key' if len(others) == 1 else 'keys'}")
    return ", ".join(words)


def change_of(chart: Chart, before: frozenset[str], after: frozenset[str]) -> ShapeChange:
    """What changes between two sets of keys. Raises `ChartError` for a key that the instrument doesn't have."""
    movers = change_between(chart, before, after).movers
    by_finger = [key for key in chart.keys if key.name in before | after]

    def among(names: frozenset[str]) -> tuple[Key, ...]:
        return tuple(key for key in by_finger if key.name in names)

    # A palm or the side of a hand takes its keys each by itself and slides nowhere.
    fingers = {finger_of(key) for key in by_finger if key.finger not in ("palm", "side")}
    slides = tuple(mover.finger for mover in movers if mover.slides and mover.finger in fingers)
    return ShapeChange(among(after - before), among(before - after), among(before & after), slides)


def sounding_name(chart: Chart, pitch: Pitch) -> str:
    """What a written note sounds, spelled as its neighbours are: the alto's B♭4 sounds D♭4, its C♯5 E4."""
    midi = pitch.midi + chart.transposition
    name = note_name(midi) if midi >= 0 else f"MIDI {midi}"
    flat = {"C♯": "D♭", "F♯": "G♭", "G♯": "A♭"}.get(name[:-1])
    sharp = {"E♭": "D♯", "B♭": "A♯"}.get(name[:-1])
    other = flat if pitch.alter <= 0 else sharp
    return f"{other}{name[-1]}" if other else name


# -- questions -------------------------------------------------------------------------------------------------------


def question_of(
    chart: Chart,
    pitches: Sequence[Pitch],
    asked: int = 1,
    rules: tuple[Rule, ...] = RULES,
    where: str = "",
    clear_s: float = CLEAR_S,
) -> ShapeQuestion | None:
    """The question about note `asked` of a few slurred notes; the next best shape costs at least `clear_s` more.

    Returns
    -------
    ShapeQuestion or None
        None where there is nothing to choose: a note out of the instrument's range, only one fingering, or none that is
        better by so much.
    """
    if not all(chart.for_note(pitch.midi) for pitch in pitches) or len(chart.for_note(pitches[asked].midi)) < 2:
        return None
    passage = _passage(chart, pitches)
    planned = plan(passage, chart, tempo_bpm=TEMPO_BPM, rules=rules)
    choice = planned.choices[asked]
    if not choice.runners_up or choice.runners_up[0].extra_s < clear_s:
        return None
    name = ".".join(str(pitch.midi) for pitch in pitches)
    return ShapeQuestion(f"{name}/{asked}", passage, asked, planned, _shapes(chart, choice), where)


def _shapes(chart: Chart, choice: Choice) -> tuple[Fingering, ...]:
    """The better one and its rivals, the likeliest first, in the order of the chart."""
    all_of_note = chart.for_note(choice.fingering.written_midi)
    rivals = [other.fingering for other in choice.runners_up]
    wanted = [choice.fingering, *rivals, *(f for f in all_of_note if f not in rivals and f != choice.fingering)]
    kept = wanted[:MOST_SHAPES]
    return tuple(f for f in all_of_note if f in kept)


def _passage(chart: Chart, pitches: Sequence[Pitch]) -> Passage:
    """Slurred eighths, the last one filled up to whole quarters, in one bar."""
    eighth = Fraction(1, 2)
    starts = [eighth * i for i in range(len(pitches))]
    last = Fraction(2) if len(pitches) % 2 else Fraction(3, 2)
    notes = tuple(
        Note(i, pitch, start, last if i == len(pitches) - 1 else eighth, 0, 1 + start, i, tongued=i == 0)
        for i, (pitch, start) in enumerate(zip(pitches, starts, strict=True))
    )
    end = notes[-1].end
    bar = Bar(0, "1", 0, Fraction(0), end, int(end), 4)
    return Passage(
        "", notes, (bar,), (Slur(0, len(notes) - 1),), (TempoMark(Fraction(0), TEMPO_BPM),),
        transposition=chart.transposition,
    )  # fmt: skip


def catalogue(chart: Chart, rules: tuple[Rule, ...] = RULES) -> tuple[ShapeQuestion, ...]:
    """What everybody learns on this horn, in the order it is taught."""
    found = (_from_words(chart, words, rules) for words in _TAUGHT)
    return tuple(question for question in found if question is not None)


def _from_words(chart: Chart, words: str, rules: tuple[Rule, ...]) -> ShapeQuestion | None:
    names = words.split()
    asked = next(i for i, name in enumerate(names) if name.startswith("["))
    return question_of(chart, [pitch_from(name.strip("[]")) for name in names], asked, rules)


def questions_of(
    passage: Passage, planned: Plan, chart: Chart, rules: tuple[Rule, ...] = RULES
) -> tuple[ShapeQuestion, ...]:
    """What a passage asks of its player: each note with something to choose, between its own neighbours, once.

    Only where the answer holds as played in the passage and by itself: a held note's shape may be another one.
    """
    found: dict[str, ShapeQuestion] = {}
    for before, note, after in _threes(passage.notes):
        pitches = (before.written, note.written, after.written)
        name = ".".join(str(pitch.midi) for pitch in pitches) + "/1"
        if name in found or note.trill is not None:
            continue
        where = f"bar {passage.bars[note.bar].number}"
        question = question_of(chart, pitches, 1, rules, where)
        if question is not None and question.better == planned.choices[note.index].fingering:
            found[name] = question
    return tuple(found.values())


def practice_order(
    chart: Chart, rules: tuple[Rule, ...] = RULES, passage: Passage | None = None, planned: Plan | None = None
) -> tuple[ShapeQuestion, ...]:
    """All there is to practise: what the passage asks for, alternates first, since that a usual shape is the better one
    teaches less; then what everybody learns."""
    own = questions_of(passage, planned, chart, rules) if passage is not None and planned is not None else ()
    known = {question.id for question in own}
    common = (question for question in catalogue(chart, rules) if question.id not in known)
    return (*sorted(own, key=lambda question: question.better.name == "standard"), *common)


def _threes(notes: Sequence[Note]) -> Iterator[tuple[Note, Note, Note]]:
    """Each note between its neighbours, where no rest parts them and each is another pitch than the note."""
    for before, note, after in zip(notes, notes[1:], notes[2:], strict=False):
        joined = before.end >= note.start and note.end >= after.start
        if joined and note.written_midi not in (before.written_midi, after.written_midi):
            yield before, note, after


# -- answers ---------------------------------------------------------------------------------------------------------


def answer_by_choice(question: ShapeQuestion, chosen: Fingering) -> Answer:
    """A drawn shape was chosen."""
    return Answer(chosen.keys, chosen.written_midi, chosen, chosen.keys == question.better.keys)


def answer_by_keys(question: ShapeQuestion, chart: Chart, keys: frozenset[str]) -> Answer:
    """Real keys were held: the fingering that they come nearest to is the one meant, since a key may be down that
    changes nothing (a G♯ key under F♯). Of two equally near ones the better is taken."""
    sounds = chart.sound(keys)
    if sounds != question.pitch.midi:
        return Answer(keys, sounds, None, False)
    better = question.better
    nearest = min(chart.for_note(sounds), key=lambda f: (len(f.keys ^ keys), f.keys != better.keys))
    return Answer(keys, sounds, nearest, nearest.keys == better.keys, nearest.keys == keys)


def explained(question: ShapeQuestion, chart: Chart, answer: Answer | None = None) -> tuple[str, ...]:
    """What is said after an answer (or without one): the better shape with its reason, how the answer differs, and what
    the others would cost. Times are the model's for an average player, changes and rules together."""
    better, said = question.better, []
    if answer is not None and answer.fingering is None:
        said.append(f"These keys sound {note_name(answer.sounds_midi)}, not {question.pitch}.")
    elif answer is not None and not answer.right and answer.fingering is not None:
        said.append(f"{called(answer.fingering).capitalize()} sounds {question.pitch} too, but is not the better one.")
    reason = reason_in_full(question.choice, "")
    if reason == called(better):
        reason = "nothing beside it asks for another"
    said.append(f"Better here: {called(better)}. {_sentence(reason)}")
    if answer is not None and answer.right and not answer.exact:
        extra = change_of(chart, better.keys, answer.keys)
        said.append(f"Besides that: {extra.sentence()[0].lower()}{extra.sentence()[1:]}")
    costs = [
        f"{called(other.fingering)} {ms_from_s(other.extra_s):.0f} ms"
        for other in question.choice.runners_up
        if other.fingering in question.shapes
    ]
    if costs:
        said.append(f"Dearer, in changes and rules together: {', '.join(costs)}.")
    return tuple(said)


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}{'' if text.endswith('.') else '.'}"


# -- a session -------------------------------------------------------------------------------------------------------


class Session:
    """One sitting of questions, `SESSION_LENGTH` at most: those that were answered wrong come once more at its end."""

    def __init__(self, questions: Iterable[ShapeQuestion], length: int = SESSION_LENGTH) -> None:
        self.questions = list(questions)[:length]
        self.first_count = len(self.questions)
        self.at = 0
        self.answers: list[tuple[ShapeQuestion, Answer]] = []

    @property
    def question(self) -> ShapeQuestion | None:
        """The question that is asked now; None at the end."""
        return self.questions[self.at] if self.at < len(self.questions) else None

    @property
    def answered(self) -> Answer | None:
        """The answer to this question, where it has been given."""
        return self.answers[self.at][1] if len(self.answers) > self.at else None

    def answer(self, answer: Answer) -> bool:
        """Give the answer; only the first one to a question counts. Returns whether it did."""
        question = self.question
        if question is None or self.answered is not None:
            return False
        self.answers.append((question, answer))
        if not answer.right and self.at < self.first_count:
            self.questions.append(question)
        return True

    def go_on(self) -> bool:
        """To the next question, once this one is answered. Returns whether it did."""
        if self.answered is None:
            return False
        self.at += 1
        return True

    @property
    def right_at_once(self) -> int:
        """How many of the questions were answered right the first time."""
        return sum(answer.right for _, answer in self.answers[: self.first_count])
