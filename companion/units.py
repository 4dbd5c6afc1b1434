"""Units. The only place that multiplies by 1e9, 1e3 or 60.

Score time is `Fraction` beats (a beat here is always a quarter note), live time is integer ns of one monotonic clock,
analysis is `float` seconds. `_bpm` counts quarters per minute unless the name says otherwise.
"""

from __future__ import annotations

from fractions import Fraction

NS_PER_S = 1_000_000_000
NS_PER_MS = 1_000_000
#: What a controller and its set-up may be off by. More is a typing error: five octaves, two seconds.
LARGEST_SHIFT_SEMITONES, LONGEST_DELAY_MS = 60, 2000.0


def ns_from_s(seconds: float) -> int:
    """Nanoseconds, rounded to the nearest."""
    return round(seconds * NS_PER_S)


def s_from_ns(ns: int) -> float:
    """Seconds."""
    return ns / NS_PER_S


def ms_from_ns(ns: int) -> float:
    """Milliseconds."""
    return ns / NS_PER_MS


def ms_from_s(seconds: float) -> float:
    """Milliseconds."""
    return seconds * 1e3


def s_from_ms(ms: float) -> float:
    """Seconds."""
    return ms / 1e3


def s_per_beat(quarter_bpm: float) -> float:
    """Seconds a quarter note lasts."""
    return 60.0 / quarter_bpm


def s_from_beats(beats: Fraction | float, quarter_bpm: float) -> float:
    """Seconds that so many quarters last."""
    return float(beats) * 60.0 / quarter_bpm
