"""Written note lengths inside a MIDI file, which holds sounding ones only: a staccato eighth or a sixteenth?

A file that companion writes says them in a sequencer-specific meta event, which other programs pass over (MIDI 1.0,
Standard MIDI Files 1.0: event FF 7F, whose first byte names the maker; 7D is for non-commercial use). Whoever changes
the notes of the file need not know of it: lengths that don't fit what is played are not believed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from itertools import islice

import mido

__all__ = ["believed", "lengths_in", "with_lengths"]

_MAKER = 0x7D
_NAME = b"companion lengths "
#: A note sounds no longer than it is written, and is silent for no more than a share of it or so much (`write_midi`);
#: all in quarters, and but for rounding.
_SILENT_SHARE, _SILENT, _ROUNDING = Fraction(1, 4), Fraction(3, 10), Fraction(1, 16)
_MOST_LETTERS = 20
#: Messages of a track that are looked at: names and programs come first, floods of controllers later.
_HEAD = 64


def with_lengths(lengths: Iterable[Fraction]) -> mido.MetaMessage:
    """The event that says the written lengths in quarters, 0 for a grace note, in the order of the notes."""
    text = _NAME + " ".join(str(length) for length in lengths).encode("ascii")
    return mido.MetaMessage("sequencer_specific", data=(_MAKER, *text))


def lengths_in(track: Iterable[mido.Message | mido.MetaMessage]) -> tuple[Fraction, ...]:
    """The written lengths that a track says at its head; empty where it says none that can be read."""
    for message in islice(track, _HEAD):
        if message.type != "sequencer_specific" or bytes(message.data[:1]) != bytes([_MAKER]):
            continue
        name, text = bytes(message.data[1 : 1 + len(_NAME)]), bytes(message.data[1 + len(_NAME) :])
        if name != _NAME:
            continue
        try:
            return tuple(_length(word) for word in text.decode("ascii").split())
        except (ValueError, ZeroDivisionError):
            return ()
    return ()


def _length(word: str) -> Fraction:
    if len(word) > _MOST_LETTERS or not word.replace("/", "").isdecimal():
        raise ValueError(word)
    return Fraction(word)


def believed(lengths: Sequence[Fraction], starts: Sequence[Fraction], held: Sequence[Fraction], end: Fraction) -> bool:
    """Whether lengths can be those of notes that begin at `starts` and sound for `held`, all in quarters, before
    `end`."""
    if len(lengths) != len(starts) or not lengths:
        return False
    limits = [*starts[1:], end]
    return all(
        start + length <= limit and -_ROUNDING <= length - sounds <= max(length * _SILENT_SHARE, _SILENT) + _ROUNDING
        for length, start, sounds, limit in zip(lengths, starts, held, limits, strict=True)
    )
