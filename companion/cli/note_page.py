"""`companion fingerings --note`: all ways to play one note, drawn, as text and as a picture."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TextIO

from companion.charts.model import Chart, Fingering
from companion.passage import Pitch
from companion.plain import plain_ascii
from companion.planning.search import Found, search
from companion.reports.horn_drawing import (
    Drawn,
    horn_text,
    horns_svg,
    horns_text,
    key_words,
    write_picture,
)
from companion.units import ms_from_s

__all__ = ["note_page"]

_WIDTH = 80
_UNTESTED = "computed, untested"
_CAUTION = (
    "Found by the horn's mechanism alone: which hole speaks, not how it sounds. They may be out of tune or not speak"
    " at all; try each slowly, with a tuner."
)
_CAUTION_TIMES = " Their times are reckoned too, and least sure where a shape is unlike the usual ones."


def note_page(
    chart: Chart, pitch: Pitch, search_too: bool, beside: Pitch | None, out: TextIO, picture: Path | None
) -> None:
    """Show all fingerings of a note.

    Parameters
    ----------
    chart
        The instrument.
    pitch
        The written note.
    search_too
        Show also what the horn model finds beyond the chart.
    beside
        A written neighbour, in its standard fingering; the fingerings are ranked by the change from it.
    out
        Where the text goes. Where it can't take circles and accidentals, plain letters stand for them.
    picture
        A file for the drawings; the end of its name (`.svg`, `.png`, `.pdf`) says as what.

    Raises
    ------
    NoFingering
        For a note beyond the instrument's range.
    UsageError
        For a picture that can't be written.
    """
    neighbour = chart.standard(beside.midi) if beside else None
    found = search(chart, pitch.midi, neighbour)
    known = [one for one in found if one.known]
    others = [one for one in found if not one.known] if search_too else []
    if picture:
        drawn = [_drawn(chart, one, beside, neighbour) for one in (*known, *others)]
        write_picture(horns_svg(chart, [(f"{pitch} {title}", lines, keys) for title, lines, keys in drawn]), picture)
    ascii_only = not _takes(out, "●○♭♯")
    lines = _page(chart, pitch, known, others, beside, neighbour, search_too, ascii_only)
    if picture:
        lines += ["", f"Drawn in {picture}."]
    for line in lines:
        print(plain_ascii(line) if ascii_only else line, file=out)


def _takes(out: TextIO, text: str) -> bool:
    try:
        text.encode(getattr(out, "encoding", None) or "utf-8")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _page(
    chart: Chart,
    pitch: Pitch,
    known: Sequence[Found],
    others: Sequence[Found],
    beside: Pitch | None,
    neighbour: Fingering | None,
    search_too: bool,
    ascii_only: bool,
) -> list[str]:
    order = f", the easiest from {_neighbour(beside, neighbour)} first" if beside and neighbour else ""
    lines = [f"{pitch} on the {chart.title}{order}"]
    wide = max(len(horn_text(chart, one.keys)[0]) for one in known)
    for one in known:
        lines += ["", *_known_block(chart, one, beside, wide, ascii_only)]
    if others:
        drawn = [_drawn(chart, one, beside, neighbour) for one in others]
        caution = _CAUTION + (_CAUTION_TIMES if beside else "")
        lines += ["", *textwrap.wrap(caution, _WIDTH), "", *horns_text(chart, drawn, _WIDTH, ascii_only)]
    elif search_too:
        lines += ["", "The horn's mechanism gives no others but for fingers left down or lifted."]
    return lines


def _known_block(chart: Chart, one: Found, beside: Pitch | None, wide: int, ascii_only: bool) -> list[str]:
    """The horn at the left, what is said of it at the right."""
    assert one.known is not None
    texts = _said_of(one.known)
    left = horn_text(chart, one.keys, ascii_only)
    right = [part for text in texts for part in textwrap.wrap(text, _WIDTH - wide - 5, subsequent_indent="  ")]
    rows = max(len(left), len(right))
    block = [
        f"  {left[i] if i < len(left) else '':<{wide}}   {right[i] if i < len(right) else ''}".rstrip()
        for i in range(rows)
    ]
    return [_heading(one, beside), *block]


def _heading(one: Found, beside: Pitch | None) -> str:
    name = one.known.name if one.known else _UNTESTED
    return f"{name}, {_change(one, beside)}" if beside else name


def _change(one: Found, beside: Pitch | None) -> str:
    if not one.change_s:
        return f"no key moves from {beside}"
    return f"{ms_from_s(one.change_s):.0f} ms from {beside}"


def _neighbour(beside: Pitch, neighbour: Fingering) -> str:
    return str(beside) if not neighbour.mark else f"{beside} ({neighbour.name})"


def _said_of(fingering: Fingering) -> list[str]:
    texts = [f"mark on the page: {fingering.mark}"] if fingering.mark else []
    if fingering.only_for:
        texts.append(f"only for a {fingering.only_for}")
    if fingering.use:
        texts.append(fingering.use)
    texts.append(f"source: {fingering.source or 'common practice, no source (every method book)'}")
    return texts


def _drawn(chart: Chart, one: Found, beside: Pitch | None, neighbour: Fingering | None) -> Drawn:
    if one.known:
        return _heading(one, beside), _said_of(one.known), one.keys
    held = neighbour.keys if neighbour else frozenset()
    staying = [key_words(key) for key in chart.keys if key.name in one.extra & held]
    return _heading(one, beside), [f"stays down from {beside}: {', '.join(staying)}"] if staying else [], one.keys
