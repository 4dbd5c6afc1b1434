"""A mock performance: several passages in a given order, one go each, as on the day.

Each piece is preceded by a silence and an announcement; then the player begins whenever ready, with room for a breath.
Nothing is said and nothing marked until the last piece is over. It is told the time and what was heard, and never
waits.

Conventions
-----------
* Times are ns of one monotonic clock, those of the events.
* A piece is over when its last note was let go and `END_QUIET_S` passed, beyond the rest that follows where it might
  have been another note of that name, or when the player has been silent for `GAVE_UP_S` beyond the longest rest of the
  piece, or when told so (`go_on`). (The figures are ours, no source.)
* What is played while it is silent, before the announcement, belongs to nothing; it is counted.
* Where the controller vanishes in a piece, that is not the player's doing: the piece is announced anew.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from companion.errors import UsageError
from companion.passage import Passage
from companion.practice.hearing import Ear, NoteStart
from companion.practice.model import RawEvent
from companion.units import ns_from_s

__all__ = [
    "ANNOUNCED", "END_QUIET_S", "GAVE_UP_S", "OVER", "PLAYING", "SILENCE", "SILENCE_S", "Going", "Mock", "Piece",
]  # fmt: skip

SILENCE = "silence"
ANNOUNCED = "announced"
PLAYING = "playing"
OVER = "over"

#: The silence before a piece is announced: long enough to breathe, to feel one's hands and to hear the first bars.
SILENCE_S = 20.0
END_QUIET_S = 2.5
GAVE_UP_S = 8.0
#: Being told twice within this time is one press too many.
TWICE_S = 0.8
#: In rests the player may take this much more time than is printed.
SLOWEST = 2.0
#: The last note is believed to be the last only where so much of the piece was played.
LEAST_PLAYED = 0.75
#: The end is known by the last notes, of which so many must be right: a stop on the key-note elsewhere is none.
END_NOTES, LEAST_OF_END = 3, 2


@dataclass(frozen=True, slots=True)
class Piece:
    """One passage of the performance. `bars` is the printed range, empty for all of it."""

    passage: Passage
    title: str
    bars: str = ""


@dataclass(slots=True)
class Going:
    """How one piece went: when it was announced and first heard (ns), and all that was sent from then to its end.
    `broken_off` says that the player fell silent before its end."""

    piece: Piece
    announced_ns: int
    begun_ns: int | None = None
    ended_ns: int | None = None
    events: list[RawEvent] = field(default_factory=list)
    broken_off: bool = False


class Mock:
    """A mock performance.

    Parameters
    ----------
    pieces
        In the order they are asked for.
    now_ns
        When it begins.
    shift_semitones
        Written minus heard.
    silence_s
        Silence before each announcement.

    Raises
    ------
    UsageError
        Where there is nothing to play, or the silence is out of range.
    """

    def __init__(
        self, pieces: Sequence[Piece], now_ns: int, shift_semitones: int = 0, silence_s: float = SILENCE_S
    ) -> None:
        if not pieces or any(not piece.passage.notes for piece in pieces):
            raise UsageError("a performance needs music: name passages that have notes in these bars")
        if not 0 <= silence_s <= 600:
            raise UsageError(f"a silence of {silence_s:g} s is out of range: give 0 to 600, such as {SILENCE_S:g}")
        self.pieces = tuple(pieces)
        self.goings: list[Going] = []
        #: Notes begun in the silences.
        self.in_silence = 0
        self._silence_ns = ns_from_s(silence_s)
        self._phase, self._since_ns = SILENCE, now_ns
        self._told_ns: int | None = None
        self._shift = shift_semitones
        self._ear = Ear(shift_semitones)
        self._last_ns = now_ns
        self._first_midi: int | None = None
        self._last_midis: deque[int] = deque(maxlen=END_NOTES)
        self._count = 0

    @property
    def phase(self) -> str:
        """`SILENCE`, `ANNOUNCED`, `PLAYING` or `OVER`."""
        return self._phase

    @property
    def place(self) -> int:
        """Index of the piece that is next, or being played; the number of pieces once all is over."""
        if self._phase == OVER:
            return len(self.pieces)
        return len(self.goings) if self._phase == SILENCE else len(self.goings) - 1

    def silence_left_s(self, now_ns: int) -> float:
        """Seconds until the next announcement; 0 outside of a silence."""
        if self._phase != SILENCE:
            return 0.0
        return max(0, self._since_ns + self._silence_ns - now_ns) / 1e9

    def hear(self, event: RawEvent) -> None:
        """Take in one MIDI message."""
        self.tick(event.time_ns)
        if self._phase == OVER:
            return
        heard = self._ear.hear(event)
        begins = isinstance(heard, NoteStart)
        if self._phase == SILENCE:
            self.in_silence += begins
            return
        if heard is not None:
            self._last_ns = event.time_ns
        going = self.goings[-1]
        if begins and self._phase == ANNOUNCED:
            self._phase, going.begun_ns = PLAYING, event.time_ns
        if isinstance(heard, NoteStart):
            self._count += 1
            self._last_midis.append(heard.written_midi)
            self._first_midi = heard.written_midi if self._first_midi is None else self._first_midi
        # Breath that was blown before the first note belongs to it.
        going.events.append(event)

    def tick(self, now_ns: int) -> None:
        """What time alone decides."""
        if self._phase == SILENCE and now_ns >= self._since_ns + self._silence_ns:
            self._announce(now_ns)
        elif self._phase == PLAYING and self._ear.sounding_midi is None:
            quiet_ns = now_ns - self._last_ns
            piece = self.pieces[self.place]
            before_end_s, anywhere_s = (SLOWEST * rest for rest in _longest_rests_s(piece.passage))
            if self._at_end(piece) and quiet_ns >= ns_from_s(END_QUIET_S + before_end_s):
                self._end(now_ns, broken_off=False)
            elif quiet_ns >= ns_from_s(GAVE_UP_S + anywhere_s):
                self._end(now_ns, broken_off=True)

    def go_on(self, now_ns: int) -> None:
        """End what is going on now: the silence, or the piece (unplayed, if it was not begun). Told twice in a row it
        does so once."""
        if self._told_ns is not None and now_ns < self._told_ns + ns_from_s(TWICE_S):
            return
        self._told_ns = now_ns
        if self._phase == SILENCE:
            self._announce(now_ns)
        elif self._phase != OVER:
            self._end(now_ns, broken_off=not self._at_end(self.pieces[self.place]))

    def begin_again(self, now_ns: int) -> Going | None:
        """The controller is gone: a piece that was begun is announced anew. Returns what was played of it, None where
        nothing was."""
        if self._phase != PLAYING:
            return None
        going = self.goings.pop()
        going.ended_ns, going.broken_off = now_ns, True
        self._announce(now_ns)
        return going

    def use_shift(self, semitones: int) -> None:
        """Another controller: written minus heard from now on."""
        self._shift = semitones
        self._ear = Ear(semitones)

    def _announce(self, now_ns: int) -> None:
        self.goings.append(Going(self.pieces[len(self.goings)], now_ns))
        self._phase, self._since_ns, self._last_ns = ANNOUNCED, now_ns, now_ns
        # A key that was stuck in the silence is not held in the piece.
        self._ear, self._count, self._first_midi = Ear(self._shift), 0, None
        self._last_midis.clear()

    def _end(self, now_ns: int, *, broken_off: bool) -> None:
        going = self.goings[-1]
        going.ended_ns, going.broken_off = now_ns, broken_off
        self._phase = OVER if len(self.goings) == len(self.pieces) else SILENCE
        self._since_ns = now_ns

    def _at_end(self, piece: Piece) -> bool:
        """Whether what was heard last is the piece's end, in any octave or as far off as the first note was, and enough
        was played before it."""
        notes = piece.passage.notes
        if self._first_midi is None or self._count < LEAST_PLAYED * len(notes):
            return False
        pairs = zip(reversed(self._last_midis), reversed(notes), strict=False)
        offs = [midi - note.written_midi for midi, note in pairs]
        # A controller that is set to another pitch has them all as far off.
        is_last = offs[0] % 12 == 0 or offs[0] == self._first_midi - notes[0].written_midi
        return is_last and offs.count(offs[0]) >= min(LEAST_OF_END, len(notes))


def _longest_rests_s(passage: Passage) -> tuple[float, float]:
    """The longest rest after a note that might be taken for the last one, and the longest of all, in the printed
    tempo."""
    bpm, notes = passage.marked_tempo_bpm(), passage.notes
    rests = [passage.seconds(b.start, bpm) - passage.seconds(a.end, bpm) for a, b in pairwise(notes)]
    alike = [
        rest
        for note, rest in zip(notes, rests, strict=False)
        if note.index >= LEAST_PLAYED / 2 * len(notes) and (note.written_midi - notes[-1].written_midi) % 12 == 0
    ]
    return max([0.0, *alike]), max([0.0, *rests])
