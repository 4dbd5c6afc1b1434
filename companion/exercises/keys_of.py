"""Keys as a player names them, and their scales, spelled."""

from __future__ import annotations

import re
from dataclasses import dataclass

from companion.errors import UsageError
from companion.passage import Passage, Pitch
from companion.scores.spelling import likely_key

__all__ = ["MOST_SIGNS", "Key", "at_fifths", "degree", "key_named", "keys_for", "keys_from", "own_key"]

_LETTERS = "CDEFGAB"
_FIFTHS_LETTERS = "FCGDAEB"
_NAME = re.compile(r"([A-Ga-g])[\s-]*(sharp|flat|♯|♭|#|b)?[\s-]*(major|minor)?", re.IGNORECASE)
_ALTERS = {"sharp": 1, "♯": 1, "#": 1, "flat": -1, "♭": -1, "b": -1, "": 0}
#: The twelve signatures that are practised (common practice, no source): D♭ to F♯ major, E♭ to G♯ minor.
_FLATTEST = {"major": -5, "minor": -6}
#: No more signs than these stand before a staff.
MOST_SIGNS = 7


@dataclass(frozen=True, slots=True)
class Key:
    """A key by its signature: `fifths` as MusicXML counts it, `mode` `major` or `minor`."""

    fifths: int
    mode: str

    @property
    def tonic(self) -> tuple[str, int]:
        """Letter and alteration of the tonic."""
        place = self.fifths + 1 + (3 if self.mode == "minor" else 0)
        return _FIFTHS_LETTERS[place % 7], place // 7

    @property
    def name(self) -> str:
        """`F♯ minor`."""
        step, alter = self.tonic
        return f"{Pitch(step, alter, 4).name} {self.mode}"


def keys_from(fifths: int, mode: str) -> tuple[Key, ...]:
    """The twelve keys of a mode round the circle of fifths, beginning with this signature or its enharmonic twin."""
    low = _FLATTEST[mode]
    return tuple(Key((fifths - low + step) % 12 + low, mode) for step in range(12))


def key_named(text: str, default_mode: str) -> Key:
    """The key that a player names: `G`, `B-flat`, `F-sharp minor`, `B♭`, `F#`.

    Raises
    ------
    UsageError
        where this is no key, or one with more than seven sharps or flats.
    """
    found = _NAME.fullmatch(text.strip())
    if found is None:
        raise UsageError(f"{text!r} is no key: write such as G, B-flat or F-sharp minor")
    mode = (found[3] or default_mode).lower()
    letter, alter = found[1].upper(), _ALTERS[(found[2] or "").lower()]
    fifths = _FIFTHS_LETTERS.index(letter) - 1 + 7 * alter - (3 if mode == "minor" else 0)
    if abs(fifths) > MOST_SIGNS:
        raise UsageError(f"{text!r} would need more than seven signs: name the key by its other name")
    return Key(fifths, mode)


def own_key(passage: Passage) -> Key:
    """The key in which a passage begins; C major where it has no bars.

    Where the score doesn't say whether its signature stands for a major or a minor key, it is minor if the profile of
    its notes says so (Krumhansl 1990, see `scores.spelling`), or else if its last note is the minor tonic.
    """
    if not passage.bars:
        return Key(0, "major")
    first = passage.bars[0]
    if first.mode in ("major", "minor") or not passage.notes:
        return Key(first.fifths, first.mode if first.mode == "minor" else "major")
    midis = [note.written_midi for note in passage.notes]
    likely = likely_key(midis, [float(note.length) for note in passage.notes])
    minor = Key(first.fifths, "minor")
    ends_minor = midis[-1] % 12 == Pitch(*minor.tonic, 4).midi % 12
    if likely[0] == first.fifths:
        return Key(*likely)
    return minor if ends_minor else Key(first.fifths, "major")


def keys_for(key: str, own: Key, mode: str, what: str) -> tuple[Key, ...]:
    """The keys that a player asks for: `all` for twelve round the fifths from `own` on, one by name, or that of `own`
    where `key` is empty. `mode` is the one that `what` needs, empty where it goes with both.

    Raises
    ------
    UsageError
        No such key, or one of the other mode.
    """
    needed = mode or own.mode
    if key.strip().lower() == "all":
        return keys_from(own.fifths, needed)
    if not key.strip():
        return (Key(own.fifths, needed) if abs(own.fifths) <= MOST_SIGNS else keys_from(own.fifths, needed)[0],)
    try:
        named = key_named(key, needed)
    except UsageError:
        if mode:
            raise
        # Nobody writes in D flat minor: then the other mode is meant.
        named = key_named(key, "minor" if needed == "major" else "major")
    if mode and named.mode != mode:
        raise UsageError(f"{what} takes a {mode} key, not {key!r}: write such as {keys_from(own.fifths, mode)[0].name}")
    return (named,)


def at_fifths(place: int, midi: int) -> Pitch:
    """The pitch of this MIDI number that stands at `place` on the line of fifths (C 0, G 1, F -1): the number must be
    one of that place's."""
    alter, letter = divmod(place + 1, 7)
    return Pitch(_FIFTHS_LETTERS[letter], alter, (midi - alter) // 12 - 1)


def degree(tonic: tuple[str, int], letters: int, semitones: int, octave: int) -> Pitch:
    """The pitch so many letters and semitones above the tonic of that octave (the octave of the tonic's letter)."""
    place = _LETTERS.index(tonic[0]) + letters
    step, in_octave = _LETTERS[place % 7], octave + place // 7
    wanted = Pitch(tonic[0], tonic[1], octave).midi + semitones
    return Pitch(step, wanted - Pitch(step, 0, in_octave).midi, in_octave)
