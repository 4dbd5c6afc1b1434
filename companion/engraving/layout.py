"""Laying a document out in systems, one SVG each, with Verovio."""

from __future__ import annotations

from collections.abc import Iterator
from math import floor

import verovio

from companion.errors import EngravingError

__all__ = ["DEFINITION_PER_SPACE", "lay_out", "space_px"]

#: Verovio draws with ten definition units a pixel at scale 100, where a staff is 72 pixels high (its `unit` of 9 is
#: half a staff space).
DEFINITION_PER_SPACE = 180
_STAFF_AT_SCALE_100 = 72
_MARGIN_LEFT, _MARGIN_RIGHT = 30, 8

_OPTIONS = {
    "breaks": "auto",
    "systemMaxPerPage": 1,
    "header": "none",
    "footer": "none",
    "svgBoundingBoxes": True,
    "svgFormatRaw": True,
    "scale": 100,
    "pageHeight": 20_000,
    "adjustPageHeight": True,
    "pageMarginTop": 50,
    "pageMarginBottom": 50,
    "pageMarginLeft": _MARGIN_LEFT,
    "pageMarginRight": _MARGIN_RIGHT,
    "spacingLinear": 0.25,
    "spacingNonLinear": 0.6,
    "leftMarginNote": 0.8,
    "stemWidth": 0.2,
    "slurMidpointThickness": 0.5,
    "tieMidpointThickness": 0.45,
    "fingeringScale": 0.75,
    "xmlIdSeed": 1,
}


def space_px(staff_px: float) -> int:
    """Whole pixels between two staff lines for a staff of about `staff_px`: only then do all lines fall alike on the
    pixel grid. Halves are rounded up."""
    return max(2, floor(staff_px / 4 + 0.5))


def lay_out(musicxml: str, width_px: int, staff_px: float) -> Iterator[str]:
    """Lay out a checked document for systems `width_px` wide; yields one SVG a system, from the top.

    Raises
    ------
    EngravingError
        Verovio can't make anything of the document.
    """
    verovio.enableLog(False)
    toolkit = verovio.toolkit()
    page_width = floor(width_px * _STAFF_AT_SCALE_100 / (4 * space_px(staff_px)))
    toolkit.setOptions({**_OPTIONS, "pageWidth": page_width})
    if not toolkit.loadData(musicxml) or toolkit.getPageCount() < 1:
        raise EngravingError("the score can't be laid out; export it again from the program it was made with")
    for page in range(1, toolkit.getPageCount() + 1):
        yield toolkit.renderToSVG(page)
