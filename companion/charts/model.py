"""An instrument as data and as a machine: keys, holes and fingerings."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from companion.errors import ChartError, NoFingering

__all__ = ["Chart", "Fingering", "Hole", "Key", "OctaveKey", "ThirdRegister", "note_name"]

_NOTE_NAMES = ("C", "C♯", "D", "E♭", "E", "F", "F♯", "G", "G♯", "A", "B♭", "B")


def note_name(written_midi: int) -> str:
    """The commonest spelling of a note, with its octave: 70 is `B♭4`."""
    return f"{_NOTE_NAMES[written_midi % 12]}{written_midi // 12 - 1}"


@dataclass(frozen=True, slots=True)
class Key:
    """One key. `hand` is `left` or `right`; `finger` is `thumb`, `index`, `middle`, `ring`, `little`, `palm` or `side`.

    `x, y, width, height` place it on the diagram, (x, y) its top left corner: the whole diagram is 100 wide and 200
    high, (0, 0) top left, the left hand above the right one, as the player's teacher draws it; `shape` is `round`,
    `bar` or `touch`. `label` is the short text beside it (`8va`, `G♯`, `bis`), empty where the place says it all.
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
    """One tone hole. `written_midi` sounds when it is the first open one from the mouthpiece down; `stands_open`
    without any key pressed; `closed_by` and `opened_by` name keys (a hole that any pressed key closes is closed)."""

    name: str
    written_midi: int
    stands_open: bool
    closed_by: frozenset[str] = frozenset()
    opened_by: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class OctaveKey:
    """What the octave key does: everything sounds `semitones` higher, but while `lower_vent_key` is down only what
    would sound `lower_vent_up_to` or lower does."""

    key: str
    semitones: int
    lower_vent_key: str
    lower_vent_up_to: int


@dataclass(frozen=True, slots=True)
class ThirdRegister:
    """While all of `keys` are down the horn sounds `written_midi`, whatever its holes say."""

    keys: frozenset[str]
    written_midi: int


@dataclass(frozen=True, slots=True)
class Fingering:
    """One way to play one written note.

    `name` is what the trade calls it (`bis`, `side`, `1-and-2`, `chromatic`, `front`), `standard` for the one in every
    method book. `mark` is what is written over the note on the page, empty for the standard fingering (except where no
    fingering is everybody's standard, as with B♭: there each has its mark). `use` says what it is for in one line.
    `only_for` is `trill` where it serves nothing else, else empty. `beside` names the written notes next to which it is
    worth having, empty for anywhere. `source` names where it is published.
    """

    name: str
    written_midi: int
    keys: frozenset[str]
    standard: bool = False
    mark: str = ""
    use: str = ""
    only_for: str = ""
    beside: frozenset[int] = frozenset()
    source: str = ""


@dataclass(frozen=True, slots=True)
class Chart:
    """One instrument. `transposition` is sounding minus written semitones (alto -9); `lowest_midi` and `highest_midi`
    are written. `holes` run from the mouthpiece down. `version` identifies the data, so that a record can say with
    which chart a take was planned."""

    name: str
    title: str
    transposition: int
    lowest_midi: int
    highest_midi: int
    keys: tuple[Key, ...]
    holes: tuple[Hole, ...]
    fingerings: tuple[Fingering, ...]
    version: str = ""
    octave: OctaveKey | None = None
    third_register: tuple[ThirdRegister, ...] = ()

    def sound(self, keys: Iterable[str]) -> int:
        """The written MIDI number that these keys sound: that of the first open hole, lifted by the octave key.

        Parameters
        ----------
        keys
            Names of the keys held down; none at all is the open horn.

        Raises
        ------
        ChartError
            For a key that this instrument doesn't have.

        Notes
        -----
        Any set of keys gives an answer, also those that only sound for a moment between two fingerings.
        """
        held = frozenset(keys)
        known = {key.name for key in self.keys}
        if not held <= known:
            unknown = ", ".join(repr(name) for name in sorted(held - known))
            raise ChartError(self.name, [f"no key {unknown} on the {self.title}; it has {' '.join(sorted(known))}"])
        matches = [entry for entry in self.third_register if entry.keys <= held]
        if matches:
            return max(matches, key=lambda entry: len(entry.keys)).written_midi
        return self._lifted(self._first_open(held), held)

    def _first_open(self, held: frozenset[str]) -> int:
        for hole in self.holes:
            if hole.closed_by.isdisjoint(held) and (hole.stands_open or not hole.opened_by.isdisjoint(held)):
                return hole.written_midi
        raise ChartError(
            self.name, ['every hole can be shut at once: the last one needs `stands = "open"`, no closers']
        )

    def _lifted(self, written_midi: int, held: frozenset[str]) -> int:
        octave = self.octave
        if octave is None or octave.key not in held:
            return written_midi
        if octave.lower_vent_key in held and written_midi > octave.lower_vent_up_to:
            return written_midi
        return written_midi + octave.semitones

    def for_note(self, written_midi: int) -> tuple[Fingering, ...]:
        """All fingerings of a written note, the standard one first; empty outside the range."""
        found = [fingering for fingering in self.fingerings if fingering.written_midi == written_midi]
        return tuple(sorted(found, key=lambda fingering: not fingering.standard))

    def called(self, written_midi: int, name: str) -> tuple[Fingering, ...]:
        """The fingerings of a note that a name (`side`) or a mark on the page (`1+2`) means, capitals or not."""
        wanted = name.strip().casefold()
        choices = self.for_note(written_midi)
        named = tuple(f for f in choices if f.name.casefold() == wanted)
        return named or tuple(f for f in choices if wanted and f.mark.casefold() == wanted)

    def standard(self, written_midi: int) -> Fingering:
        """The fingering in every method book. Raises `NoFingering` outside the range."""
        for fingering in self.fingerings:
            if fingering.standard and fingering.written_midi == written_midi:
                return fingering
        raise NoFingering(
            f"{self.title}: no fingering for {note_name(written_midi)}; its written range is"
            f" {note_name(self.lowest_midi)} to {note_name(self.highest_midi)}"
        )

    def key(self, name: str) -> Key:
        """The key of that name. Raises `ChartError` where there is none."""
        for key in self.keys:
            if key.name == name:
                return key
        raise ChartError(self.name, [f"no key {name!r}; there are {' '.join(key.name for key in self.keys)}"])
