"""What is typed behind an option, read and checked: the `type=` of the arguments of several commands."""

from __future__ import annotations

import argparse
import re
from datetime import date

from companion.units import LARGEST_SHIFT_SEMITONES, LONGEST_DELAY_MS

__all__ = ["add_size", "count", "day", "delay", "number_within", "shift", "size", "tempo", "whole_within"]

#: The largest screens there are; the page is engraved up to this.
LARGEST_SIZE = (7680, 4320)


def number_within(text: str, low: float, high: float, unit: str) -> float:
    """A number of this unit between two ends, both included. Raises `ArgumentTypeError` with the ends."""
    value = _number(text)
    # Not a number is not within, either.
    if not low <= value <= high:
        raise argparse.ArgumentTypeError(f"{text} is out of range: give {low:g} to {high:g} {unit}")
    return value


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number") from None


def tempo(text: str) -> float:
    """Above 0 and below 1000: quarters a minute, or what is as large (per cent, milliseconds)."""
    value = _number(text)
    if not 0 < value < 1000:
        raise argparse.ArgumentTypeError(f"{text} is out of range: give a number above 0 and below 1000")
    return value


def count(text: str) -> int:
    """A whole number from 1 to 10,000."""
    return whole_within(text, 1, 10_000)


def whole_within(text: str, low: int, high: int) -> int:
    """A whole number between two ends, both included. Raises `ArgumentTypeError` with the ends."""
    if not text.isdecimal() or len(text) > 9 or not low <= int(text) <= high:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from {low} to {high}")
    return int(text)


def shift(text: str) -> int:
    """Semitones that are added to what a controller sends."""
    if not re.fullmatch(r"[+-]?\d{1,3}", text) or abs(int(text)) > LARGEST_SHIFT_SEMITONES:
        most = LARGEST_SHIFT_SEMITONES
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number of semitones from -{most} to {most}")
    return int(text)


def delay(text: str) -> float:
    """Milliseconds that are taken off all times."""
    value, most = _number(text), LONGEST_DELAY_MS
    if not abs(value) <= most:
        raise argparse.ArgumentTypeError(f"{text} is out of range: give milliseconds from -{most:g} to {most:g}")
    return value


def size(text: str) -> tuple[int, int]:
    """A window's size, `1280x720`."""
    match = re.fullmatch(r"(\d{3,5})[xX×](\d{3,5})", text)
    if not match:
        raise argparse.ArgumentTypeError(f"{text!r} is not a size such as 1280x720")
    found = int(match[1]), int(match[2])
    if found[0] > LARGEST_SIZE[0] or found[1] > LARGEST_SIZE[1]:
        raise argparse.ArgumentTypeError(f"{text} is larger than any screen: give up to 7680x4320")
    return found


def day(text: str) -> date:
    """A date as ISO 8601 writes it."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text} is no date; write it as 2026-11-27") from None


def add_size(group: argparse._ActionsContainer) -> None:
    """`--size`, for every command with a window."""
    group.add_argument("--size", type=size, default=(1280, 720), metavar="WxH", help="window size (default: 1280x720)")
