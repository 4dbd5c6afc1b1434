"""What the engraver hands out: systems as pictures, and where each note stands in them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from companion.errors import EngravingError

__all__ = ["Box", "Engraved", "EngravingRequest", "Progress", "System"]


class Box(NamedTuple):
    """A rectangle in pixels of its system's picture, from the top left."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class EngravingRequest:
    """What to engrave: a MusicXML document of one part whose `<note>` elements carry the ids `n<document index>` and
    whose `<measure>` elements carry `m<written index>`.

    `width_px` is the width of a system's picture, `staff_px` the height of a five-line staff; it is rounded to whole
    pixels between two lines, so that all lines look alike (30 is drawn as 32). `marks` maps note ids to the fingering
    mark over the note. `vector` asks for drawings for paper, all black, in place of pictures.
    """

    musicxml: bytes
    width_px: int
    staff_px: float
    marks: tuple[tuple[str, str], ...] = ()
    vector: bool = False


@dataclass(frozen=True, slots=True)
class System:
    """One system. `png` is its picture on a transparent ground, `width_px` x `height_px`. `heads` maps note ids to the
    box of the notehead, `bars` written bar indices to the box of the bar within the staff, `staff` is the box of the
    five lines (from the middle of the top line to the middle of the bottom one). `marks` maps note ids to the box of
    its fingering mark. Where a drawing for paper was asked for, `svg` is that, and `png` is empty."""

    png: bytes
    width_px: int
    height_px: int
    staff: Box
    heads: dict[str, Box]
    bars: dict[int, Box]
    marks: dict[str, Box]
    svg: str = ""


@dataclass(frozen=True, slots=True)
class Engraved:
    """A whole passage, in systems from top to bottom."""

    systems: tuple[System, ...]


@dataclass(frozen=True, slots=True)
class Progress:
    """News of the request with this number: the systems that have come since the last news, top to bottom; `done` when
    they were the last ones, or `error` when no more will come."""

    request: int
    systems: tuple[System, ...] = ()
    done: bool = False
    error: EngravingError | None = None
