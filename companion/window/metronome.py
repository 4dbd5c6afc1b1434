"""Metronome marks as the stand shows them."""

from companion.practice.metronome import beat_unit, metronome_number

__all__ = ["beat_unit", "metronome_number"]
