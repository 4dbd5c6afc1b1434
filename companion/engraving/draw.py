"""From a laid-out system to its picture."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil
from struct import Struct
from xml.sax.saxutils import escape, quoteattr

import typst
from lxml import etree

from companion.engraving import fonts
from companion.engraving.geometry import Rect
from companion.engraving.layout import space_px as whole_space_px
from companion.engraving.marks import GAP_EM, Placed, mark_px, place
from companion.engraving.model import Box, EngravingRequest, System
from companion.engraving.page import Page
from companion.errors import EngravingError

__all__ = ["INK_BLUE", "Draughtsman"]

INK_BLUE = "#23477A"
_EDGE_PX = 2
#: Room for what a box doesn't tell: the text face is taller than the one that was measured, curves have thickness.
_PAD_SPACES = 0.6
_FARTHEST_SPACES = 40
_PAGE = """#set page(width: {width}pt, height: {height}pt, margin: 0pt, fill: none)
#image(bytes(sys.inputs.svg), format: "svg", width: {width}pt, height: {height}pt)
"""
_FLOAT32 = Struct("f")
_POINTS_PER_INCH = 72  # a point is drawn as a pixel
_STAFF_SHADE = {1: 0.82}  # a staff line one pixel thick is thicker than it should be, so it is drawn lighter


class Draughtsman:
    """Draws systems; keeps Typst and its fonts ready between them."""

    def __init__(self) -> None:
        chosen = typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(fonts.FOLDER)])
        self._typst = typst.Compiler(font_paths=chosen)

    def draw(self, svg: str, request: EngravingRequest) -> System:
        """Draw one laid-out system with the request's marks."""
        space = whole_space_px(request.staff_px)
        page = Page.read(svg, space, request.width_px)
        size_px = mark_px(space)
        marks = place(request.marks, page.heads, page.ink, size_px, request.width_px)
        page.lift_words([mark.box.grown(GAP_EM * size_px) for mark in marks])
        top, height = _frame([*page.ink, *(mark.box for mark in marks)], page.lines, space, page.staff_line_px)
        height = unscaled_height(request.width_px, height)
        if request.vector:
            page.tilt_beams()
        ink = "black" if request.vector else INK_BLUE
        picture = _compose(page, marks, size_px, ink, request.width_px, height, top)
        return System(
            png=b"" if request.vector else self._png(picture, request.width_px, height),
            width_px=request.width_px,
            height_px=height,
            staff=page.staff.moved(0, top).box(),
            heads={note: head.moved(0, top).box() for note, head in page.heads.items()},
            bars={bar: box.moved(0, top).box() for bar, box in page.bars.items()},
            marks=_mark_boxes(marks, top),
            svg=picture if request.vector else "",
        )

    def _png(self, picture: str, width_px: int, height_px: int) -> bytes:
        source = _PAGE.format(width=width_px, height=height_px)
        png = self._typst.compile(source.encode(), format="png", ppi=_POINTS_PER_INCH, sys_inputs={"svg": picture})
        if not isinstance(png, bytes):
            raise EngravingError("a system came out as several pictures; try fewer bars or a smaller staff")
        return png


def _frame(ink: Sequence[Rect], lines: Sequence[Rect], space: int, line_px: int) -> tuple[float, int]:
    """Where the middle of the top staff line comes to lie, and the picture's height."""
    pad = _PAD_SPACES * space + _EDGE_PX
    lowest_line = max(line.bottom for line in lines)
    # Verovio draws a stem or a beam across the page now and then: that is cut, not followed.
    above = max(min(box.top for box in ink), -_FARTHEST_SPACES * space)
    below = min(max(box.bottom for box in ink), lowest_line + _FARTHEST_SPACES * space)
    top = ceil(pad - above) + (line_px % 2) / 2
    return top, ceil(top + below + pad)


def unscaled_height(width_px: int, height_px: int) -> int:
    """The least height from `height_px` up at which Typst draws an SVG pixel by pixel.

    Typst makes its texture of an image from the ratio of its sides in single precision, rounded up; where that comes
    out a pixel larger than the image, the texture is scaled down again and every line is blurred.
    """
    while True:
        ratio = _single(width_px / height_px)
        texture_width = ceil(max(width_px, _single(ratio * height_px)))
        if texture_width == width_px and ceil(_single(texture_width / ratio)) == height_px:
            return height_px
        height_px += 1


def _single(value: float) -> float:
    number: float = _FLOAT32.unpack(_FLOAT32.pack(value))[0]
    return number


def _mark_boxes(marks: Sequence[Placed], top: float) -> dict[str, Box]:
    rects: dict[str, Rect] = {}
    for mark in marks:
        rects[mark.note] = mark.box.around(rects.get(mark.note, mark.box))
    return {note: rect.moved(0, top).box() for note, rect in rects.items()}


def _compose(
    page: Page, marks: Sequence[Placed], size_px: float, ink: str, width_px: int, height: int, top: float
) -> str:
    """The system's SVG in pixels: staff lines, the laid-out music, our marks."""
    k, (x, y) = page.scale, page.origin_units
    page.drawing.set("transform", f"translate({x * k:.4f}, {top - y * k:.4f}) scale({k:.9f})")
    music = etree.tostring(page.drawing, encoding="unicode").replace(
        'font-family="Leipzig"', f'font-family="{fonts.MUSIC_FAMILY}"'
    )
    definitions = etree.tostring(page.definitions, encoding="unicode") if page.definitions is not None else ""
    shade = _STAFF_SHADE.get(page.staff_line_px, 1.0)
    lines = "".join(
        f'<rect x="{r.left:g}" y="{r.top + top:g}" width="{r.right - r.left:g}" height="{r.bottom - r.top:g}"/>'
        for r in page.lines
    )
    written = "".join(f'<text x="{m.x:.2f}" y="{m.baseline + top:.2f}">{escape(m.text)}</text>' for m in marks)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
        f' width="{width_px}" height="{height}" viewBox="0 0 {width_px} {height}">{definitions}'
        f'<g fill="black" fill-opacity="{shade}">{lines}</g>'
        f'<style type="text/css">{escape(page.style)}</style>'
        # The style sheet is written for what stands below this id; our own lines must not get its strokes.
        f'<g id={quoteattr(page.root_id)} color="black" font-family="{fonts.TEXT_FAMILY}">{music}</g>'
        f'<g font-family="{fonts.TEXT_FAMILY}" font-style="italic" font-weight="bold" font-size="{size_px:g}"'
        f' fill="{ink}">{written}</g></svg>'
    )
