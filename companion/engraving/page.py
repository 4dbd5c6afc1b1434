"""One laid-out system read from its SVG: where things stand, and a drawing of it that sits on the pixel grid.

Lengths named `_units` are Verovio's definition units (180 a staff space), all others are pixels. Vertical pixel
positions count from the middle of the top staff line until the picture's height is known.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from lxml import etree

from companion.engraving.geometry import NOWHERE, Rect, curve_boxes, polygon_boxes, risen
from companion.engraving.layout import DEFINITION_PER_SPACE
from companion.engraving.lettering import ASCENT_EM, DESCENT_EM, text_width
from companion.errors import EngravingError

__all__ = ["Page"]

_SVG = "{http://www.w3.org/2000/svg}"
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
_NOTE_ID = re.compile(r"n\d+")
_MEASURE_ID = re.compile(r"m(\d+)")
#: Groups whose own box is no ink: it spans what they hold.
_CONTAINERS = frozenset(
    (
        *("system", "measure", "staff", "layer", "section", "score", "mdiv", "page", "beam", "beamSpan", "chord"),
        *("graceGrp", "tuplet", "fTrem", "bTrem", "verse", "slur", "phrase", "tie", "lv", "ledgerLines"),
    )
)
_CURVES = frozenset(("slur", "phrase", "tie", "lv"))
_WORDS = frozenset(("tempo", "dir"))
_ENDING = "ending"
_HAIR_UNITS = 2.0
#: Room around words over the staff.
_ROOM_SPACES = 0.3
#: A staff line's thickness in staff spaces, between the thin lines of old plates and the 0.13 of common music fonts
#: (from memory). On screen it is a whole number of pixels, and lighter where that is too many.
_STAFF_LINE_SPACES = 0.1
_MUSIC_FONT = "Leipzig"
#: Our text face is up to so much wider than the Times that Verovio measures with (7 % for a long italic line).
_WIDER = 0.07
_EDGE_PX = 2.0
_MEASURED = "data-measured"


@dataclass(slots=True)
class Page:
    """What is needed of one system. `ink` holds a box for each thing drawn, but for the tempo marks and words above the
    staff: those make way for fingering marks, and `over` has the box of each."""

    drawing: etree._Element
    definitions: etree._Element | None
    style: str
    root_id: str
    scale: float
    origin_units: tuple[float, float]
    staff_line_px: int
    staff: Rect = field(default=NOWHERE)
    lines: list[Rect] = field(default_factory=list)
    heads: dict[str, Rect] = field(default_factory=dict)
    bars: dict[int, Rect] = field(default_factory=dict)
    ink: list[Rect] = field(default_factory=list)
    over: dict[etree._Element, Rect] = field(default_factory=dict)

    @classmethod
    def read(cls, svg: str, space_px: int, width_px: int) -> Page:
        """Read a system's SVG, drawn with `space_px` between staff lines on a picture `width_px` wide."""
        root = etree.fromstring(svg.encode())
        inner = root.find(f"{_SVG}svg")
        drawing = inner.find(f"{_SVG}g") if inner is not None else None
        if drawing is None:
            raise EngravingError("the score can't be laid out: a page came back empty; try fewer bars")
        shift = [float(number) for number in _NUMBER.findall(drawing.get("transform", "translate(0, 0)"))]
        style = root.find(f"{_SVG}style")
        page = cls(
            drawing=drawing,
            definitions=root.find(f"{_SVG}defs"),
            style=(style.text or "") if style is not None else "",
            root_id=root.get("id", ""),
            scale=space_px / DEFINITION_PER_SPACE,
            origin_units=(shift[0], shift[1]),
            staff_line_px=max(1, round(space_px * _STAFF_LINE_SPACES)),
        )
        page._find_staff()
        page._snap_bar_lines()
        page._snap_stems()
        page._lighten_metronome()
        page._keep_text_inside(width_px)
        page._find_boxes()
        return page

    def rect(self, x: float, y: float, width: float, height: float) -> Rect:
        """A box in definition units as pixels."""
        left, top = (x + self.origin_units[0]) * self.scale, (y - self.origin_units[1]) * self.scale
        return Rect(left, top, left + width * self.scale, top + height * self.scale)

    def snap_x(self, x_units: float, line_px: int) -> float:
        """The x nearest to `x_units` where an upright line `line_px` wide fills whole pixels."""
        half = (line_px % 2) / 2
        pixel = (x_units + self.origin_units[0]) * self.scale
        return (round(pixel - half) + half) / self.scale - self.origin_units[0]

    def _groups(self, name: str) -> list[etree._Element]:
        return [g for g in self.drawing.iter(f"{_SVG}g") if name in g.get("class", "").split()]

    def _find_staff(self) -> None:
        """Take the staff lines out of the drawing (they are drawn anew on whole pixels) and note staff and bars."""
        spans: dict[float, list[float]] = {}
        bars: list[tuple[str, list[float]]] = []
        for measure in (g for g in self._groups("measure") if "bounding-box" not in g.get("class", "")):
            first: list[float] = []
            for staff in (g for g in measure if "staff" in g.get("class", "").split()):
                for path in staff.findall(f"{_SVG}path"):
                    x1, y, x2, _ = _numbers(path.get("d"))
                    first = first or [x1, x2]
                    spans.setdefault(y, []).extend((x1, x2))
                    staff.remove(path)
            if first:
                bars.append((measure.get("id", ""), first))
        if not spans:
            raise EngravingError("the score can't be laid out: a system has no staff; choose another part")
        ys = sorted(spans)
        upper = ys[: min(5, len(ys))]
        self.origin_units = (self.origin_units[0], ys[0])
        for y in ys:
            line = self.rect(min(spans[y]), y, max(spans[y]) - min(spans[y]), 0)
            thick = self.staff_line_px / 2
            self.lines.append(Rect(round(line.left), line.top - thick, round(line.right), line.top + thick))
        height = upper[-1] - upper[0]
        self.staff = Rect(self.lines[0].left, 0.0, self.lines[0].right, height * self.scale)
        for name, (x1, x2) in bars:
            if found := _MEASURE_ID.fullmatch(name):
                self.bars[int(found[1])] = self.rect(x1, upper[0], x2 - x1, height)

    def _snap_bar_lines(self) -> None:
        for group in self._groups("barLine"):
            for path in group.findall(f"{_SVG}path"):
                x1, y1, x2, y2 = _numbers(path.get("d"))
                if x1 != x2 or path.get("stroke-dasharray"):
                    continue
                line_px = max(1, round(float(path.get("stroke-width", 27)) * self.scale))
                x = self.snap_x(x1, line_px)
                path.set("d", f"M{x:.3f} {y1} L{x:.3f} {y2}")
                path.set("stroke-width", f"{line_px / self.scale:.3f}")

    def _snap_stems(self) -> None:
        """Move each stemmed note by up to half a pixel, so that its stem fills whole pixels; beams follow."""
        moved: dict[int, float] = {}
        for stem in (g for g in self._groups("stem") if "bounding-box" not in g.get("class", "")):
            path = stem.find(f"{_SVG}path")
            if path is None:
                continue
            x, _, x2, _ = _numbers(path.get("d"))
            width = float(path.get("stroke-width", 18))
            line_px = max(1, round(width * self.scale))
            target = self.snap_x(x, line_px)
            owner = _owner(stem)
            if owner is None or x != x2:
                continue
            owner.set("transform", f"translate({target - x:.3f}, 0)")
            path.set("stroke-width", f"{line_px / self.scale:.3f}")
            half = line_px / self.scale / 2
            moved[round(x - width / 2)], moved[round(x + width / 2)] = target - half, target + half
        for polygon in self.drawing.iter(f"{_SVG}polygon"):
            if "beam" in (polygon.getparent().get("class") or "").split():
                points = [tuple(map(float, point.split(","))) for point in polygon.get("points", "").split()]
                polygon.set("points", " ".join(f"{_near(moved, x):.3f},{y:g}" for x, y in points))

    def _keep_text_inside(self, width_px: int) -> None:
        """Words that would run over the picture's edge are moved in, and made smaller where that is not enough."""
        for text in self.drawing.iter(f"{_SVG}text"):
            rects = list(text.iter(f"{_SVG}rect"))
            if not rects:
                continue
            text.set(_MEASURED, "yes")
            boxes = [self.rect(*_rect_numbers(rect)) for rect in rects]
            left, right = min(box.left for box in boxes), max(box.right for box in boxes)
            right += _WIDER * (right - left)
            if right - left > width_px - 2 * _EDGE_PX:
                shrunk = (width_px - 2 * _EDGE_PX) / (right - left)
                _scale_type(text, shrunk)
                right = left + (right - left) * shrunk
            over = min(left - _EDGE_PX, 0.0) or max(right + _EDGE_PX - width_px, 0.0)
            if over:
                text.set("x", f"{float(text.get('x', 0)) - over / self.scale:.2f}")
            for rect in rects:
                rect.set("x", f"{float(rect.get('x', 0)) - over / self.scale:.2f}")
                rect.set("width", f"{min(float(rect.get('width', 0)) * (1 + _WIDER), (right - left) / self.scale):.2f}")

    def _lighten_metronome(self) -> None:
        """In a tempo mark the words are bold, the metronome's `= 66` is not."""
        for tempo in self._groups("tempo"):
            after_note = False
            for span in tempo.iter(f"{_SVG}tspan"):
                if span.get("font-family") == _MUSIC_FONT:
                    after_note = True
                elif after_note and span.get("font-size") and not span.get("font-weight"):
                    span.set("font-weight", "normal")

    def _find_boxes(self) -> None:
        """Note the boxes of everything drawn, and take Verovio's own box elements out of the drawing."""
        self.ink.extend(self.lines)
        for box in self._groups("bounding-box"):
            kinds, rect = box.get("class", "").split(), box.find(f"{_SVG}rect")
            owner = box.get("id", "").removeprefix("bbox-")
            if rect is not None and not _CONTAINERS.intersection(kinds):
                x, y, width, height = _rect_numbers(rect)
                found = self.rect(x + _shift_of(box), y, width, height)
                above = _mobile(box)
                if above is not None and found.bottom <= 0.0:
                    self.over[above] = found.around(self.over.get(above, found))
                else:
                    self.ink.append(found)
                if "note" in kinds and _NOTE_ID.fullmatch(owner):
                    self.heads[owner] = found
            box.getparent().remove(box)
        for group in self.drawing.iter(f"{_SVG}g"):
            if _CURVES.intersection(group.get("class", "").split()):
                for path in group.findall(f"{_SVG}path"):
                    self.ink.extend(self.rect(*box) for box in curve_boxes(_numbers(path.get("d"))))
        for polygon in self.drawing.iter(f"{_SVG}polygon", f"{_SVG}polyline"):
            self.ink.extend(self.rect(*box) for box in polygon_boxes(_numbers(polygon.get("points"))))
        self._find_words_and_rules()
        for path in (path for g in self._groups("ledgerLines") for path in g.findall(f"{_SVG}path")):
            self._snap_ledger_line(path)

    def _find_words_and_rules(self) -> None:
        """Boxes of what Verovio gives none for: lyrics, numbers of endings, the lines after a syllable."""
        for text in self.drawing.iter(f"{_SVG}text"):
            letters = "".join(text.itertext())
            size = max(
                (_numbers(span.get("font-size")) or [0.0])[0] for span in text.iter(f"{_SVG}tspan", f"{_SVG}text")
            )
            width = text_width(letters, size, "Bold")
            before = {"middle": 0.5, "end": 1.0}.get(text.get("text-anchor", ""), 0.0) * width
            x, y = float(text.get("x", 0)) - before, float(text.get("y", 0))
            if letters.strip() and not text.get(_MEASURED) and _mobile(text) not in self.over:
                self.ink.append(self.rect(x, y - ASCENT_EM * size, width, (ASCENT_EM + DESCENT_EM) * size))
        for rule in self.drawing.iter(f"{_SVG}rect"):
            box = self.rect(*_rect_numbers(rule))
            if box.left < self.staff.right < box.right:  # a long syllable's line runs on over the edge
                rule.set("width", f"{(self.staff.right - box.left) / self.scale:.2f}")
            self.ink.append(box)

    def tilt_beams(self) -> None:
        """Tilt level beams by a hair: some viewers widen a level shape to whole pixels, and double beams become one."""
        for polygon in self.drawing.iter(f"{_SVG}polygon"):
            points = [point.split(",") for point in polygon.get("points", "").split()]
            if "beam" in (polygon.getparent().get("class") or "").split() and len(points) == 4:
                right = max(float(x) for x, _ in points)
                tilted = [(x, float(y) + (_HAIR_UNITS if float(x) == right else 0.0)) for x, y in points]
                polygon.set("points", " ".join(f"{x},{y:g}" for x, y in tilted))

    def lift_words(self, marks: Sequence[Rect]) -> None:
        """Move tempo marks, words and brackets of endings up where they would meet fingering marks, so that those stay
        by their notes. The brackets of a system stay on one line, words go above them."""
        fixed, room = [*marks, *self.ink], _ROOM_SPACES * DEFINITION_PER_SPACE * self.scale
        endings = {g: box for g, box in self.over.items() if _ENDING in g.get("class", "")}
        rise = min((risen(box, fixed).bottom - box.bottom for box in endings.values()), default=0.0)
        for group, box in endings.items():
            fixed.append(self._lift(group, box, rise))
        for group, box in sorted(self.over.items(), key=lambda item: item[1].left):
            if group not in endings:
                free = risen(box.grown(room), fixed)
                fixed.append(self._lift(group, box, free.bottom - box.bottom - room))
        self.ink += fixed[len(marks) + len(self.ink) :]

    def _lift(self, group: etree._Element, box: Rect, rise: float) -> Rect:
        if rise:
            group.set("transform", f"translate(0, {rise / self.scale:.2f})")
        return box.moved(0.0, rise)

    def _snap_ledger_line(self, path: etree._Element) -> None:
        x1, y, x2, _ = _numbers(path.get("d"))
        width = float(path.get("stroke-width", 22)) * self.scale
        line_px = max(1, round(width))
        # Ledger lines share the staff lines' pixel rows, so their thickness must be odd or even like theirs.
        line_px += (line_px - self.staff_line_px) % 2
        path.set("stroke-width", f"{line_px / self.scale:.3f}")
        self.ink.append(self.rect(x1, y, x2 - x1, 0).grown(line_px / 2))


def _numbers(text: str | None) -> list[float]:
    return [float(number) for number in _NUMBER.findall(text or "")]


def _rect_numbers(rect: etree._Element) -> tuple[float, float, float, float]:
    x, y, width, height = (float(rect.get(name, 0)) for name in ("x", "y", "width", "height"))
    return x, y, width, height


def _scale_type(text: etree._Element, by: float) -> None:
    for span in text.iter(f"{_SVG}tspan"):
        if size := _numbers(span.get("font-size")):
            span.set("font-size", f"{size[0] * by:.1f}px")


def _owner(stem: etree._Element) -> etree._Element | None:
    """The chord or note a stem belongs to."""
    note: etree._Element | None = None
    for ancestor in stem.iterancestors(f"{_SVG}g"):
        kinds = ancestor.get("class", "").split()
        if "chord" in kinds:
            return ancestor
        if "note" in kinds:
            note = ancestor
    return note


def _mobile(element: etree._Element) -> etree._Element | None:
    """The tempo mark, words or bracket that an element belongs to."""
    for group in element.iterancestors(f"{_SVG}g"):
        kinds = group.get("class", "").split()
        if kinds and (kinds[0] in _WORDS or kinds[0] == _ENDING):
            return group
    return None


def _shift_of(element: etree._Element) -> float:
    """How far, in units, snapping moved what the element stands in."""
    for ancestor in element.iterancestors(f"{_SVG}g"):
        transform = ancestor.get("transform")
        if transform and {"note", "chord"}.intersection(ancestor.get("class", "").split()):
            return _numbers(transform)[0]
    return 0.0


def _near(moved: dict[int, float], x: float) -> float:
    for key in (round(x), round(x) - 1, round(x) + 1):
        if key in moved:
            return moved[key]
    return x
