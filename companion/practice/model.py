"""What was played and what became of it: the words the practice room shares with record and window.

Conventions
-----------
* Live time is integer ns of one monotonic clock; a `Follower` is told when beat 0 of the passage is (`start_ns`).
* Analysis is `float64` seconds from beat 0 of the passage. A deviation is played minus expected: early is negative.
* Verdicts are plain strings from `VERDICTS`, so that the record can be read without this program.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from companion.arrays import Ints, Records

__all__ = [
    "ADDED", "AS_WRITTEN", "BREATH", "EARLY", "LATE", "LEFT_OUT", "NOT_REACHED", "NOT_SLURRED", "NOT_TONGUED",
    "ON_TIME", "PLAYED", "SLURRED", "TONGUED", "TOO_LONG", "TOO_SHORT", "VERDICTS", "WRONG_NOTE",
    "Alignment", "Articulated", "Assessment", "BreathArray", "Drift", "Entry", "FingeringUsed", "LiveVerdict",
    "NoteResult", "PlaceTiming", "PlayedArray", "Pressed", "RawEvent", "Slip", "Tolerances", "TrillTiming",
]  # fmt: skip

#: One played note. Seconds from the start of the passage's first bar as written; offset is NaN where the note was still
#: held at the end.
PLAYED = np.dtype([("onset_s", "f8"), ("offset_s", "f8"), ("written_midi", "i2"), ("velocity", "u1")])
PlayedArray = Records

#: How hard the player blew, 0 to 127, from `time_s` on (seconds as in `PLAYED`).
BREATH = np.dtype([("time_s", "f8"), ("value", "u1")])
BreathArray = Records

ON_TIME = "on time"
EARLY = "early"
LATE = "late"
WRONG_NOTE = "wrong note"
LEFT_OUT = "left out"
NOT_REACHED = "not reached"
ADDED = "added"
VERDICTS = (ON_TIME, EARLY, LATE, WRONG_NOTE, LEFT_OUT, NOT_REACHED, ADDED)

#: How a note begins: with the tongue, or slurred to from the one before.
TONGUED = "tongued"
SLURRED = "slurred"
#: Articulation against the score.
AS_WRITTEN = "as written"
NOT_SLURRED = "tongued in a slur"
NOT_TONGUED = "slurred where tongued"
TOO_SHORT = "too short"
TOO_LONG = "too long"


@dataclass(frozen=True, slots=True)
class RawEvent:
    """One MIDI message as it arrived: `time_ns` of the monotonic clock and its bytes (running status resolved)."""

    time_ns: int
    message: bytes


@dataclass(frozen=True, slots=True)
class Tolerances:
    """What counts as on time, and as a clean take. Every figure is stated to the player and adjustable.

    A note is on time within `on_time_ms` of the click, or `on_time_share` of the interval to the nearer note if that is
    more; `practice.tolerance` says how these follow from Friberg and Sundberg (1995). A clean take has at least
    `clean_share_on_time` of its notes on time and none further off than `clean_worst` times what is on time.
    `articulation_share` of its notes must be slurred or tongued as written; 0 asks for none, since a keyboard or a
    player who learns the notes first is not to be held to it. A note is too short or too long for what is written only
    by more than `length_slack_ms` beyond the limits of `practice.articulation`.
    """

    on_time_ms: float = 30.0
    on_time_share: float = 0.10
    clean_share_on_time: float = 0.95
    clean_worst: float = 3.0
    articulation_share: float = 0.0
    length_slack_ms: float = 50.0


@dataclass(frozen=True, slots=True)
class LiveVerdict:
    """What the follower says at once. `note_index` is -1 for an added note. `provisional` verdicts may still be revised
    by the next event; a later verdict on the same note (or, for added notes, the same `time_ns`) replaces the earlier
    one, `NOT_REACHED` takes it back. `played_midi` is None for a left-out note; `time_ns` is when it was played."""

    note_index: int
    kind: str
    deviation_ms: float | None = None
    played_midi: int | None = None
    provisional: bool = False
    time_ns: int = 0


@dataclass(frozen=True, slots=True)
class Alignment:
    """The final matching of a take. `pairs` is an int array [shape=(n, 2)] of (score index or -1, played index or -1):
    a row for each played note (-1 where it is extra), and one for each score note left out. `cost` is in nats.
    `octave_shift` is what was added to every played pitch, in semitones (a multiple of 12): a device that sends all an
    octave lower has 12."""

    pairs: Ints
    cost: float
    octave_shift: int = 0


@dataclass(frozen=True, slots=True)
class NoteResult:
    """The final word on one score note. `deviation_ms` is None where the note was not played. `misread` says how a
    wrong pitch is wrong (see `practice.misread`), empty for a right one."""

    note_index: int
    verdict: str
    deviation_ms: float | None = None
    played_midi: int | None = None
    misread: str = ""


@dataclass(frozen=True, slots=True)
class Articulated:
    """How one score note was begun and held. `asked` and `played` are `TONGUED`, `SLURRED` or empty where that can't be
    said (the first note, one that was not played); `probability` is how sure `played` is. `gap_ms` is the silence
    before the note, negative where it overlaps the one before. `length` is what the score asks (`staccato`, `tenuto`,
    `full`, ...), `held_share` the sounding length over the written one. `verdicts` holds what differs from the score
    (`NOT_SLURRED`, `NOT_TONGUED`, `TOO_SHORT`, `TOO_LONG`), or `AS_WRITTEN`; empty where nothing can be said."""

    note_index: int
    asked: str = ""
    played: str = ""
    probability: float = 0.0
    gap_ms: float | None = None
    length: str = ""
    held_share: float | None = None
    verdicts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Pressed:
    """From `time_s` on these keys of the horn are held; told by ports that know them."""

    time_s: float
    keys: frozenset[str]


@dataclass(frozen=True, slots=True)
class Slip:
    """A short wrong note on the way from score note `from_index` to `note_index`: fingers that did not move together.

    `heard_midi` sounded from `time_s` for `life_ms`. `early` and `late` name fingers (`left index`) or a hand (`left
    hand`), both empty where it can't be told (`told` is False then); `by_ms` is how far they were apart, at
    least. `keys`
    is the state of the horn that sounds it, the likeliest of `states` such states (0: none on the way does).
    `sentence` says it all.
    """

    note_index: int
    from_index: int
    heard_midi: int
    time_s: float
    life_ms: float
    early: tuple[str, ...] = ()
    late: tuple[str, ...] = ()
    by_ms: float | None = None
    told: bool = False
    keys: frozenset[str] = frozenset()
    states: int = 0
    sentence: str = ""


@dataclass(frozen=True, slots=True)
class TrillTiming:
    """How evenly a trill was played: its mean rate in notes a second, how much longer the written note lasts than its
    neighbour (ms, negative: shorter), the spread of its notes (ms), and a sentence."""

    note_index: int
    notes_per_s: float
    main_longer_ms: float
    spread_ms: float
    sentence: str


@dataclass(frozen=True, slots=True)
class FingeringUsed:
    """The keys held while a score note sounded, where the port tells them. `name` is the chart's name for them, empty
    where it has none; `planned` is the plan's."""

    note_index: int
    keys: frozenset[str]
    name: str
    planned: str
    sentence: str


@dataclass(frozen=True, slots=True)
class PlaceTiming:
    """How notes at one place within the beat are timed against their neighbours over a take: `place` in words (`the
    second sixteenth`), `mean_ms` early negative, `within_ms` half its 95 % interval, `count` notes, `bars` where it is
    worst (indices)."""

    place: str
    mean_ms: float
    within_ms: float
    count: int
    bars: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Drift:
    """The tempo over a take: at its start, at its end (quarters a minute, fitted), and how far the player was off the
    click at the end, in ms."""

    start_bpm: float
    end_bpm: float
    behind_ms: float


@dataclass(frozen=True, slots=True)
class Entry:
    """The first note after a rest (or of the take), and how it came, in ms against the click."""

    note_index: int
    deviation_ms: float
    verdict: str


@dataclass(frozen=True, slots=True)
class Assessment:
    """The final word on a take.

    `notes` has one result a score note. `added` lists (nearest score index, written MIDI number) of notes that are not
    in the score. `clean` is whether the take counts for the ladder, `because` why not, in words (empty if clean).
    `advice` is the one plain sentence for the player, the first of `comment`, which goes on with the next worst things.
    `trouble_bars` are indices into `Passage.bars`, worst first. `realised` says which score note each played note
    realises, in order of onset, -1 where it is extra. `articulation` has one entry a score note. `octave_shift` is that
    of the `Alignment`.
    """

    tempo_bpm: float
    notes: tuple[NoteResult, ...]
    added: tuple[tuple[int, int], ...]
    clean: bool
    because: str
    advice: str
    trouble_bars: tuple[int, ...] = ()
    tempo_played_bpm: float | None = None
    comment: tuple[str, ...] = ()
    realised: tuple[int, ...] = ()
    articulation: tuple[Articulated, ...] = ()
    slips: tuple[Slip, ...] = ()
    trills: tuple[TrillTiming, ...] = ()
    fingerings: tuple[FingeringUsed, ...] = ()
    places: tuple[PlaceTiming, ...] = ()
    drift: Drift | None = None
    entries: tuple[Entry, ...] = ()
    octave_shift: int = 0
