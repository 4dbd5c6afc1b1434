"""An instrument as data and as a machine: keys, holes and fingerings."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Chart", "Fingering", "Hole", "Key"]


@dataclass(frozen=True, slots=True)
class Key:
    """One key. `hand` is `left` or `right`; `finger` is `thumb`, `index`, `middle`, `ring`, `little`, `palm` or `side`.

    `x, y, width, height` place it on the diagram: the whole diagram is 100 wide and 200 high, (0, 0) top left, the
    left hand above the right one, as the player's teacher draws it; `shape` is `round`, `bar` or `touch`. `label` is the short
    text beside it (`8va`, `G♯`, `bis`), empty where the place says it all.
    """

    name: str
    label: str
    hand: str
    finger: str
    x: float
    y: float
    width: float
    height: float
    shape: str


@dataclass(frozen=True, slots=True)
class Hole:
    """One tone hole. `written_midi` sounds when it is the first open one from the mouthpiece down; `stands_open` without
    any key pressed; `closed_by` and `opened_by` name keys (a hole that any pressed key closes is closed)."""

    name: str
    written_midi: int
    stands_open: bool
    closed_by: frozenset[str] = frozenset()
    opened_by: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Fingering:
    """One way to play one written note.

    `name` is what the trade calls it (`bis`, `side`, `1-and-2`, `chromatic`, `front`), `standard` for the one in every
    method book. `mark` is what is written over the note on the page, empty for the standard fingering (except where no
    fingering is everybody's standard, as with B♭: there each has its mark). `use` says what it is for in one line.
    `only_for` is `trill` where it serves nothing else, else empty. `source` names where it is published.
    """

    name: str
    written_midi: int
    keys: frozenset[str]
    standard: bool = False
    mark: str = ""
    use: str = ""
    only_for: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class Chart:
    """One instrument. `transposition` is sounding minus written semitones (alto -9); `lowest_midi` and `highest_midi` are
    written. `version` identifies the data, so that a record can say with which chart a take was planned."""

    name: str
    title: str
    transposition: int
    lowest_midi: int
    highest_midi: int
    keys: tuple[Key, ...]
    holes: tuple[Hole, ...]
    fingerings: tuple[Fingering, ...]
    version: str = ""

    # to be written here by the charts room:
    #   sound(keys) -> int             written MIDI number that these keys sound
    #   for_note(written_midi) -> tuple[Fingering, ...]     standard first; empty outside the range
    #   standard(written_midi) -> Fingering
    #   key(name) -> Key
