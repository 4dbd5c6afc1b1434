"""Metronome marks in words a musician reads: the beat of the metre and its number."""

from __future__ import annotations

from companion.passage import Bar

__all__ = ["beat_unit", "metronome_number"]


def beat_unit(bar: Bar) -> tuple[str, float]:
    """The note that the metre counts (`♩`, `♩.` in compound metres, `half` in 2/2) and its length in quarters."""
    if bar.beat_type == 8 and bar.beats > 3 and bar.beats % 3 == 0:
        return "♩.", 1.5
    if bar.beat_type == 2:
        return "half", 2.0
    return "♩", 1.0


def metronome_number(tempo_bpm: float, bar: Bar) -> str:
    """The tempo, given in quarters a minute, in the metre's own unit: `84`, or `56` for 84 quarters in 6/8."""
    number = tempo_bpm / beat_unit(bar)[1]
    return f"{number:.0f}" if abs(number - round(number)) < 0.05 else f"{number:.1f}"
