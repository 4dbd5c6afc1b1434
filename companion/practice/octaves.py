"""A device that sends every note octaves off: which shifts are worth a try.

A whole take that lies octaves from the page is the device's doing, not the player's. The matching is tried under each
shift that brings more of the played pitches into the passage; `OFF` nats is what such a device costs beforehand, so
that a few notes an octave off stay slips of the player.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

__all__ = ["OFF", "shifts_worth_trying"]

#: In nats: three notes each an octave off (3.6 each, see `costs`) are cheaper, four are not.
OFF = 11.0
#: A device is at most so many octaves off.
OCTAVES = (1, -1, 2, -2, 3, -3)


def shifts_worth_trying(written: Collection[int], played: Iterable[int]) -> list[int]:
    """Shifts in semitones under which more of the played pitches occur in the passage, best first, at most two.

    Parameters
    ----------
    written : set of int
        Written MIDI numbers of the passage.
    played : iterable of int
        Written MIDI numbers of the played notes.
    """
    pitches = list(played)

    def inside(shift: int) -> int:
        return sum(pitch + shift in written for pitch in pitches)

    at_pitch = inside(0)
    found = [(inside(12 * octaves), 12 * octaves) for octaves in OCTAVES] if at_pitch < len(pitches) else []
    better = [(count, shift) for count, shift in found if count > at_pitch]
    return [shift for _, shift in sorted(better, key=lambda pair: -pair[0])[:2]]
