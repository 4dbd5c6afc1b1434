"""What the record holds: a take in full, its summary for queries, and a log as it was read."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import PurePosixPath, PureWindowsPath
from typing import Any, NamedTuple

from companion.practice.model import RawEvent, Tolerances

__all__ = [
    "SIMULATED_PREFIX", "Log", "NoteRecord", "SlipRecord", "Survey", "TakeRecord", "TakeSummary", "TrillRecord",
    "UsedRecord", "file_name", "normal_bars", "plain_text",
]  # fmt: skip

#: A port name that starts so belongs to the simulated player: its takes are nobody's practice.
SIMULATED_PREFIX = "sim:"
_NO_TEXT = re.compile("[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")


def normal_bars(bars: str) -> str:
    """Printed bars in one spelling: `5 – 8` and `5-8` are `5-8`, `5-5` is `5`, nothing is the whole passage."""
    low, _, high = bars.replace("–", "-").strip().partition("-")
    low, high = low.strip(), high.strip()
    return low if not high or low == high else f"{low}-{high}"


def plain_text(text: str) -> str:
    """`text` without control characters, those that turn the direction of the line among them, and halves of characters
    (a file name that is no UTF-8 has those), which neither a terminal nor the index takes; a question mark stands for
    each."""
    return _NO_TEXT.sub("?", text)


def file_name(path: str) -> str:
    """The last part of a path, whichever system wrote it, as `plain_text`."""
    return plain_text(PureWindowsPath(path).name if "\\" in path else PurePosixPath(path).name)


@dataclass(frozen=True, slots=True)
class NoteRecord:
    """What became of one score note. `bar` is the printed number, `beat` what a musician counts, as an exact fraction
    (`5/2` is the second half of beat 2). `keys` are the planned ones, sorted; `deviation_ms` is played minus expected.

    What takes of earlier programs don't have: `available_ms`, by the click from the note before to this one, None where
    that has no meaning; `went_back`, how often the player went back to earlier notes instead of reaching this one;
    `begun` (`tongued`, `slurred` or empty), `held_share` and `articulation` as in `Articulated`; `misread`, how a wrong
    pitch is wrong.
    """

    bar: str
    beat: str
    written_midi: int
    fingering: str
    keys: tuple[str, ...]
    verdict: str
    deviation_ms: float | None = None
    played_midi: int | None = None
    available_ms: float | None = None
    went_back: int = 0
    begun: str = ""
    held_share: float | None = None
    articulation: tuple[str, ...] = ()
    misread: str = ""


@dataclass(frozen=True, slots=True)
class SlipRecord:
    """A short wrong note on the way from note `from_index` to `note_index` (indices into `TakeRecord.notes`): what was
    heard and for how long. `early` and `late` are fingers or a hand, empty where they can't be told; `by_ms` is how far
    they were apart, at least."""

    note_index: int
    from_index: int
    heard_midi: int
    life_ms: float
    early: tuple[str, ...] = ()
    late: tuple[str, ...] = ()
    by_ms: float | None = None


@dataclass(frozen=True, slots=True)
class TrillRecord:
    """How evenly the trill on note `note_index` was played (see `TrillTiming`), and the note it alternates with."""

    note_index: int
    other_midi: int
    other_keys: tuple[str, ...]
    notes_per_s: float
    main_longer_ms: float
    spread_ms: float


@dataclass(frozen=True, slots=True)
class UsedRecord:
    """The keys really held for note `note_index`, where they were told and are not the planned ones. `name` is that of
    the fingering, empty where the chart has none."""

    note_index: int
    keys: tuple[str, ...]
    name: str = ""


@dataclass(frozen=True, slots=True)
class TakeRecord:
    """One take in full. What is left empty in `id` and `started` is filled in by `Sitting.append`.

    Attributes
    ----------
    id
        Name of the take, the same in no other sitting.
    started
        ISO 8601 with zone.
    since_run_ns
        From the beginning of the run to the beginning of the take.
    duration_ns
        How long the take lasted.
    title, origin, sha256, part
        The passage: its title, the file's path as given, the file's hash, the part that was played.
    bars
        Printed bars, such as `5-8`; empty for the whole passage.
    instrument, chart_version, plan_version
        The chart's name and version, the plan's version.
    port, shift_semitones
        Where the notes came from, and what was added to each MIDI number to get the written one.
    tempo_bpm, tempo_played_bpm, target_bpm
        Quarters a minute: as set, as played (None where that can't be said), as wished for (None without a target).
    rung
        Rung of the ladder, counted from 0.
    ladder
        The ladder's rule in numbers, by name.
    delay_ms
        Delay of the set-up that was taken off every note.
    pauses
        One for each time the take was paused: (ns from the take's beginning, bar it went on from as an index into the
        passage's bars, ns that all later times of the take are late by).
    start_ns
        Beat 0 of the passage, counted from the take's beginning.
    events
        Every message that arrived; `time_ns` counts from the take's beginning.
    notes
        One for each score note.
    added
        (nearest score index, written MIDI number) of notes that are not in the score.
    performance
        Played as one that counts: once, without a click, judged by the player's own beat.
    trouble_bars
        Printed numbers, worst first.
    interrupted
        Why the take was broken off (`the port vanished`); empty for a whole one.
    comment
        The teacher's comment, a sentence each, worst thing first.
    octave_shift_semitones
        What was added to all that was heard, beside the shift, to make the octave right.
    realised
        The score note that each played note realises, in order of onset, -1 for those in no note's place.
    slips, trills, used
        Slips of fingers, the evenness of trills, fingerings that were not the planned ones.
    """

    title: str
    tempo_bpm: float
    id: str = ""
    started: str = ""
    since_run_ns: int = 0
    duration_ns: int = 0
    origin: str = ""
    sha256: str = ""
    part: str = ""
    bars: str = ""
    instrument: str = ""
    chart_version: str = ""
    plan_version: str = ""
    port: str = ""
    shift_semitones: int = 0
    tempo_played_bpm: float | None = None
    rung: int = 0
    target_bpm: float | None = None
    ladder: Mapping[str, Any] = field(default_factory=dict)
    tolerances: Tolerances = field(default_factory=Tolerances)
    delay_ms: float = 0.0
    pauses: tuple[tuple[int, int, int], ...] = ()
    clean: bool = False
    because: str = ""
    advice: str = ""
    interrupted: str = ""
    performance: bool = False
    trouble_bars: tuple[str, ...] = ()
    start_ns: int = 0
    events: tuple[RawEvent, ...] = ()
    notes: tuple[NoteRecord, ...] = ()
    added: tuple[tuple[int, int], ...] = ()
    comment: tuple[str, ...] = ()
    octave_shift_semitones: int = 0
    realised: tuple[int, ...] = ()
    slips: tuple[SlipRecord, ...] = ()
    trills: tuple[TrillRecord, ...] = ()
    used: tuple[UsedRecord, ...] = ()


class TakeSummary(NamedTuple):
    """A take without its notes and events: what queries, the week and the plot need.

    `file` is the sitting's file name, `offset` the first byte of the take's line in it. `day` is the player's date,
    `YYYY-MM-DD`. `trouble_bars` are printed numbers joined by spaces. `example` is 1 for takes that come along to show
    what a record looks like, `clean` 1 for a clean take, `performance` 1 for one that was played as one that counts.
    """

    file: str
    offset: int
    id: str
    started: str
    day: str
    duration_s: float
    title: str
    origin: str
    sha256: str
    part: str
    bars: str
    instrument: str
    port: str
    tempo_bpm: float
    target_bpm: float | None
    rung: int
    clean: int
    because: str
    advice: str
    interrupted: str
    trouble_bars: str
    example: int
    performance: int = 0

    @property
    def file_name(self) -> str:
        """Name of the passage's file, without its folders."""
        return file_name(self.origin)

    @property
    def simulated(self) -> bool:
        """Played by the simulated player."""
        return self.port == SIMULATED_PREFIX[:-1] or self.port.startswith(SIMULATED_PREFIX)


@dataclass(frozen=True, slots=True)
class Log:
    """All takes of a folder, oldest first, and what was found odd in it."""

    takes: tuple[TakeRecord, ...]
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Survey:
    """The summaries of all takes of a folder, oldest first, and what was found odd in it."""

    takes: tuple[TakeSummary, ...]
    remarks: tuple[str, ...] = ()
