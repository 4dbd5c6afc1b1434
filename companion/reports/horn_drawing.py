"""The horn drawn for paper and terminal: which keys are down, the hands apart, as a chart in a method book shows it.

On paper a key that is down is solid and one that is up an outline, so that a black-and-white printer loses nothing.
In a terminal each hand is one line: its pearls as filled and open circles, its other keys by name where they are down.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

from lxml import etree

from companion.charts.check import DIAGRAM_HEIGHT, DIAGRAM_WIDTH
from companion.charts.model import Chart, Key
from companion.engraving import fonts
from companion.engraving.lettering import text_width
from companion.errors import EngravingError, UsageError
from companion.plain import plain_ascii
from companion.record.files import replace_synced

__all__ = [
    "PICTURES", "Drawn", "horn_svg", "horn_text", "horns_svg", "horns_text", "key_words", "rendered",
    "write_picture",
]  # fmt: skip

#: What a picture can be written as, by the end of its name.
PICTURES = (".svg", ".png", ".pdf")
#: A drawing with what stands over and under it: title, lines of text, names of the keys that are down.
Drawn = tuple[str, Sequence[str], frozenset[str]]

PNG_DPI = 144
_POINTS_PER_INCH = 72
# In units of the diagram, which is 100 wide and 200 high.
_LABEL, _LABEL_DOWN, _GAP = 6.2, 7.0, 1.8
_LINE, _LINE_DOWN, _RING = 0.55, 0.9, 1.5
_BAR_ROUNDING = 0.34
_QUIET = "#555555"
# A page of several, in the same units: what a horn with its texts takes, and its two sizes of text.
_CELL, _BETWEEN, _EDGE = 124.0, 10.0, 12.0
_TITLE, _TEXT, _LEADING = 9.0, 7.4, 1.25
_DOWN, _UP = "●", "○"
_TYPST_PAGE = """#set page(width: {width}pt, height: {height}pt, margin: 0pt, fill: white)
#image(bytes(sys.inputs.svg), format: "svg", width: {width}pt, height: {height}pt)
"""


# -- words ----------------------------------------------------------------------------------------------------------


def key_words(key: Key) -> str:
    """What a player calls a key: `left ring finger` for a pearl, else its name, `palm E♭`, `low C♯`, `bis`."""
    if key.shape == "round":
        return f"{key.hand} {key.finger} finger"
    words: list[str] = []
    for part in key.name.split("_"):
        if part in ("flat", "sharp") and words:
            words[-1] += "♭" if part == "flat" else "♯"
        else:
            words.append(part.upper() if len(part) == 1 else part)
    return " ".join(words)


# -- terminal -------------------------------------------------------------------------------------------------------


def horn_text(chart: Chart, keys: frozenset[str], ascii_only: bool = False) -> tuple[str, ...]:
    """The horn as one line for each hand, all equally wide.

    Parameters
    ----------
    chart
        The instrument.
    keys
        The keys that are down.
    ascii_only
        `X` and `o` for circles, `b` and `#` for accidentals.

    Raises
    ------
    ChartError
        For a key that the instrument doesn't have.

    Examples
    --------
    Written B♭5 with the side key::

        left   8va  ● ● ○
        right       ○ ○ ○  side B♭
    """
    down = [chart.key(name) for name in keys]
    thumbs = {hand: _thumbs(chart, hand, keys) for hand in ("left", "right")}
    wide = max(len(_label(key)) for key in chart.keys if key.finger == "thumb") if any(_thumb_keys(chart)) else 0
    lines = []
    for hand in ("left", "right"):
        pearls = sorted((key for key in chart.keys if key.hand == hand and key.shape == "round"), key=lambda k: k.y)
        circles = " ".join(_DOWN if key.name in keys else _UP for key in pearls)
        others = [k for k in chart.keys if k in down and k.hand == hand and k.shape != "round" and k.finger != "thumb"]
        line = f"{hand:<5}  {thumbs[hand]:<{wide}}  {circles}  {_together(others)}".rstrip()
        lines.append(plain_ascii(line) if ascii_only else line)
    width = max(map(len, lines))
    return tuple(line.ljust(width) for line in lines)


def _thumb_keys(chart: Chart) -> list[Key]:
    return [key for key in chart.keys if key.finger == "thumb"]


def _thumbs(chart: Chart, hand: str, keys: frozenset[str]) -> str:
    return " ".join(_label(key) for key in _thumb_keys(chart) if key.hand == hand and key.name in keys)


def _label(key: Key) -> str:
    return key.label or key_words(key)


def _together(keys: Sequence[Key]) -> str:
    """`palm D E♭, bis`: the first word of neighbours that share it is said once."""
    names: list[str] = []
    before = ""
    for key in keys:
        first, _, rest = key_words(key).partition(" ")
        if rest and first == before:
            names[-1] += f" {rest}"
        else:
            names.append(key_words(key))
        before = first if rest else ""
    return ", ".join(names)


def horns_text(chart: Chart, drawn: Sequence[Drawn], width: int = 80, ascii_only: bool = False) -> list[str]:
    """Several horns side by side, each under its title and over its lines, as many to a row as the width holds."""
    if not drawn:
        return []
    pictures = [horn_text(chart, keys, ascii_only) for _, _, keys in drawn]
    widest = max(max(len(title) for title, _, _ in drawn), max(len(picture[0]) for picture in pictures))
    across = max(1, (width + 3) // (min(widest, width) + 3))
    cell = (width - 3 * (across - 1)) // across
    blocks = []
    for (title, texts, _), picture in zip(drawn, pictures, strict=True):
        lines = [*textwrap.wrap(title, cell), *picture, *(part for text in texts for part in textwrap.wrap(text, cell))]
        blocks.append([plain_ascii(line) for line in lines] if ascii_only else lines)
    rows: list[str] = []
    for start in range(0, len(blocks), across):
        row = blocks[start : start + across]
        for i in range(max(map(len, row))):
            rows.append("   ".join((block[i] if i < len(block) else "").ljust(cell) for block in row).rstrip())
        rows.append("")
    return rows[:-1]


# -- paper ----------------------------------------------------------------------------------------------------------


def horn_svg(
    chart: Chart, keys: frozenset[str], height: float = DIAGRAM_HEIGHT, held: frozenset[str] | None = None
) -> str:
    """One horn as an SVG picture, half as wide as it is high.

    Parameters
    ----------
    chart
        The instrument.
    keys
        The keys that are down: solid. The others are outlines.
    height
        In pixels (or points on paper).
    held
        The keys of the fingering before. Then those that go down have a ring, and those that come up a dashed outline.

    Raises
    ------
    ChartError
        For a key that the instrument doesn't have.
    """
    width = height * DIAGRAM_WIDTH / DIAGRAM_HEIGHT
    return _picture(_horn(chart, keys, held), width, height, DIAGRAM_WIDTH, DIAGRAM_HEIGHT)


def horns_svg(chart: Chart, drawn: Sequence[Drawn], height: float = DIAGRAM_HEIGHT, across: int = 4) -> str:
    """Several horns side by side on one picture, each under its title and over its lines of text.

    Parameters
    ----------
    chart
        The instrument.
    drawn
        Title, lines and keys of each. Any text is shown as it is; long lines are wrapped.
    height
        Of one horn without its texts, in pixels (or points on paper).
    across
        How many to a row, at most.
    """
    columns = max(1, min(across, len(drawn)))
    parts = []
    top = _EDGE
    for start in range(0, len(drawn), columns):
        row = drawn[start : start + columns]
        titles = [_wrapped(title, _TITLE, "Bold") for title, _, _ in row]
        texts = [[part for text in lines for part in _wrapped(text, _TEXT)] for _, lines, _ in row]
        horn_top = top + _TITLE * _LEADING * max(map(len, titles)) + 4
        text_top = horn_top + DIAGRAM_HEIGHT + 4
        for i, (_, _, keys) in enumerate(row):
            left = _EDGE + i * (_CELL + _BETWEEN)
            parts.append(_written(titles[i], left, top, _TITLE, bold=True))
            parts.append(f'<g transform="translate({left:g} {horn_top:g})">{_horn(chart, keys, None)}</g>')
            parts.append(_written(texts[i], left, text_top, _TEXT))
        top = text_top + _TEXT * _LEADING * max(map(len, texts)) + 2 * _EDGE
    wide = 2 * _EDGE + columns * _CELL + (columns - 1) * _BETWEEN
    high = max(top - _EDGE, 2 * _EDGE)
    scale = height / DIAGRAM_HEIGHT
    return _picture("".join(parts), wide * scale, high * scale, wide, high)


def _picture(content: str, width: float, height: float, wide: float, high: float) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{height:g}" viewBox="0 0 {wide:g} {high:g}"'
        f" font-family={quoteattr(f'{fonts.TEXT_FAMILY}, serif')}>{content}</svg>\n"
    )


def _wrapped(text: str, size: float, face: str = "Regular") -> list[str]:
    """In lines that fit under a horn; a word too long for one is broken."""
    lines: list[str] = []
    for word in _printable(text).split():
        if lines and text_width(f"{lines[-1]} {word}", size, face) <= _CELL:
            lines[-1] += f" {word}"
            continue
        while text_width(word, size, face) > _CELL:
            fits = next(n for n in range(len(word) - 1, 0, -1) if n == 1 or text_width(word[:n], size, face) <= _CELL)
            lines.append(word[:fits])
            word = word[fits:]
        lines.append(word)
    return lines


def _printable(text: str) -> str:
    """Without the control characters that XML has no way to write."""
    return "".join(character if character.isprintable() else " " for character in text)


def _written(lines: Sequence[str], left: float, top: float, size: float, bold: bool = False) -> str:
    look = f'font-size="{size:g}"' + (' font-weight="bold"' if bold else "")
    return "".join(
        f'<text x="{left:g}" y="{top + size * (0.8 + i * _LEADING):g}" {look}>{escape(line)}</text>'
        for i, line in enumerate(lines)
    )


def _horn(chart: Chart, keys: frozenset[str], held: frozenset[str] | None) -> str:
    for name in (*keys, *(held or ())):
        chart.key(name)  # an unknown one is said here
    body = "".join(_body(chart, hand) for hand in ("left", "right"))
    going_down = frozenset[str]() if held is None else keys - held
    drawn = "".join(
        _key(key, keys, held) + _key_label(key, key.name in keys, key.name in going_down) for key in chart.keys
    )
    return f"<g>{body}{drawn}</g>"


def _body(chart: Chart, hand: str) -> str:
    """The line of the body through a hand's pearls."""
    pearls = [key for key in chart.keys if key.hand == hand and key.shape == "round"]
    if not pearls:
        return ""
    x = pearls[0].x + pearls[0].width / 2
    reach = pearls[0].height * 0.12
    top, bottom = min(key.y for key in pearls) - reach, max(key.y + key.height for key in pearls) + reach
    return f'<path d="M{x:g} {top:g}V{bottom:g}" stroke="{_QUIET}" stroke-width="0.7"/>'


def _key(key: Key, keys: frozenset[str], held: frozenset[str] | None) -> str:
    down = key.name in keys
    look = f'fill="black" stroke="black" stroke-width="{_LINE:g}"'
    if not down:
        look = f'fill="white" stroke="{_QUIET}" stroke-width="{_LINE:g}"'
        if held and key.name in held:
            look = f'fill="white" stroke="black" stroke-width="{_LINE_DOWN:g}" stroke-dasharray="1.8 1.4"'
    ring = ""
    if down and held is not None and key.name not in held:
        ring = _outline(key, _RING, f'fill="none" stroke="black" stroke-width="{_LINE_DOWN:g}"')
    return _outline(key, 0.0, f"data-key={quoteattr(key.name)} {look}") + ring


def _outline(key: Key, around: float, attributes: str) -> str:
    width, height = key.width, key.height
    if key.shape != "bar":
        width = height = min(width, height)
    x, y = key.x + (key.width - width) / 2 - around, key.y + (key.height - height) / 2 - around
    width, height = width + 2 * around, height + 2 * around
    radius = min(width, height) * (_BAR_ROUNDING if key.shape == "bar" else 0.5)
    return f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" rx="{radius:g}" {attributes}/>'


def _key_label(key: Key, down: bool, ringed: bool) -> str:
    """Beside its key where no other key is: outside of a pair, beside a column, under a thumb key."""
    if not key.label:
        return ""
    size = _LABEL_DOWN if down else _LABEL
    gap = _GAP + (_RING if ringed else 0)
    middle, centre = key.y + key.height / 2 + size * 0.33, key.x + key.width / 2
    paired = key.shape == "bar" and key.hand == "left" and key.width < 12
    outer = centre > 80 if key.finger == "palm" else key.x > 70
    if key.finger == "thumb":
        x, y, anchor = centre, key.y + key.height + gap + size * 0.7, "middle"
    elif key.finger == "side" or key.name == "front_f" or (paired and not outer):
        x, y, anchor = key.x - gap, middle, "end"
    else:
        # A touch between the pearls has palm keys above it: its label keeps below them.
        x, y, anchor = key.x + key.width + gap, middle + (2.4 if key.shape == "touch" else 0), "start"
    ink = 'font-weight="bold"' if down else f'fill="{_QUIET}"'
    return f'<text x="{x:g}" y="{y:g}" font-size="{size:g}" text-anchor="{anchor}" {ink}>{escape(key.label)}</text>'


# -- files ----------------------------------------------------------------------------------------------------------


def rendered(svg: str, kind: str) -> bytes:
    """A picture as the content of a `.svg`, `.png` or `.pdf` file; the PDF keeps its lines as lines."""
    if kind == ".svg":
        return svg.encode()
    import typst

    root = etree.fromstring(svg.encode())
    source = _TYPST_PAGE.format(width=float(root.get("width")), height=float(root.get("height")))
    chosen = typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(fonts.FOLDER)])
    compiler = typst.Compiler(font_paths=chosen)
    # The picture is handed over as data: no text in it is ever taken for a command.
    if kind == ".png":
        picture = compiler.compile(source.encode(), format="png", ppi=PNG_DPI, sys_inputs={"svg": svg})
    else:
        picture = compiler.compile(source.encode(), format="pdf", sys_inputs={"svg": svg})
    if not isinstance(picture, bytes):
        raise EngravingError("the picture came out as several pages; try fewer fingerings")
    return picture


def write_picture(svg: str, path: Path) -> None:
    """Write a picture; the end of the name (`.svg`, `.png`, `.pdf`) says as what.

    Raises
    ------
    UsageError
        If the name ends otherwise or the place can't be written to.
    """
    kind = path.suffix.lower()
    if kind not in PICTURES:
        raise UsageError(f"a picture can't be written as {path.name!r}: end the name in {', '.join(PICTURES)}")
    try:
        replace_synced(path, rendered(svg, kind))
    except OSError as error:
        raise UsageError(f"{path}: can't be written ({error.strerror}); name a file in a folder that exists") from error
