"""The printed sheet of a passage: what stands on it, and setting it as a PDF.

The music is engraved by the worker as drawings, the page is set by Typst after `handout.typ`. Whatever people wrote
goes there as data, never as something to be read as commands. The same content gives the same bytes.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from companion.engraving import Engraver, EngravingRequest, System
from companion.errors import EngravingError, UsageError
from companion.reports.handout_text import fit_for_paper
from companion.reports.typeset import typeset_pdf
from companion.units import NS_PER_S

__all__ = [
    "PAPERS",
    "STAFF_MM",
    "Card",
    "Handout",
    "Kept",
    "LegendRow",
    "Line",
    "Paper",
    "Remark",
    "Score",
    "Steps",
    "begin_engraving",
    "handout_pdf",
    "paper_called",
]


@dataclass(frozen=True, slots=True)
class Paper:
    """A paper by its name in Typst, with its width and its margin at the sides in mm."""

    name: str
    width_mm: float
    side_mm: float


#: ISO 216 and the size in use in North America.
PAPERS: Mapping[str, Paper] = {"a4": Paper("a4", 210.0, 17.0), "letter": Paper("us-letter", 215.9, 18.0)}
#: Height of a staff: parts for one player are engraved at about 6.5 to 7.5 mm (from memory).
STAFF_MM = 6.6
#: Pixels to a staff as it is drawn: staff lines are two thick then.
_STAFF_PX = 80
_MM_PER_PX = STAFF_MM / _STAFF_PX
_POINTS_PER_MM = 72 / 25.4
#: What a system's picture has beside its staff; the staff itself is as wide as the text.
_LEFT_PX, _RIGHT_PX = 33, 9
#: Least room of a system over its staff and below it, in staff heights, so that staves stand evenly.
_LEAST_ABOVE, _LEAST_BELOW = 0.85, 0.6
_TIMEOUT_S = 30.0
_MOST_IN_FOOT = 60


@dataclass(frozen=True, slots=True)
class Line:
    """A line to write on: its label, and what stands there already."""

    label: str
    words: str = ""


@dataclass(frozen=True, slots=True)
class LegendRow:
    """What a fingering mark means."""

    mark: str
    name: str
    use: str = ""


@dataclass(frozen=True, slots=True)
class Remark:
    """A remark at a note of the score: `sign` stands over the note `note_id`, and again before the words below its
    system."""

    note_id: str
    sign: str
    words: str


@dataclass(frozen=True, slots=True)
class Score:
    """Music to be engraved, with its marks as (note id, text). An exercise has a title and a purpose."""

    musicxml: bytes
    marks: tuple[tuple[str, str], ...] = ()
    remarks: tuple[Remark, ...] = ()
    title: str = ""
    purpose: str = ""


@dataclass(frozen=True, slots=True)
class Card:
    """An alternate fingering: its horn as an SVG picture (empty: none), and the reasons for it as (where, words)."""

    mark: str
    title: str
    use: str = ""
    horn: str = ""
    reasons: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Kept:
    """Where a note keeps its usual fingering though another offers itself."""

    note: str
    where: str
    words: str


@dataclass(frozen=True, slots=True)
class Steps:
    """Tempo steps to tick: the tempos in quarters (`dotted`: in the note that the metre counts, beside them; `counted`
    is its sign), so many clean takes on each, and a column for each of `days`; `below` stands under the table."""

    title: str
    words: str
    below: str
    rungs: tuple[str, ...]
    clean_takes: int
    days: tuple[str, ...] = ()
    dotted: tuple[str, ...] = ()
    counted: str = "♩."


@dataclass(frozen=True, slots=True)
class Handout:
    """All that stands on the sheet, from top to bottom; what is None or empty is left out. `title` names the document
    also where `head` is False."""

    title: str
    horn: str = ""
    composer: str = ""
    head: bool = True
    lines: tuple[Line, ...] = ()
    legend: tuple[LegendRow, ...] = ()
    music: Score | None = None
    cards_title: str = ""
    cards: tuple[Card, ...] = ()
    kept: tuple[Kept, ...] = ()
    exercises: tuple[Score, ...] = ()
    steps: tuple[Steps, ...] = ()
    care: tuple[str, ...] = ()


def handout_pdf(handout: Handout, paper: str, engraver: Engraver) -> tuple[bytes, tuple[str, ...]]:
    """The sheet as a PDF, and what is to be said of it (signs that the fonts lack).

    Parameters
    ----------
    handout
        What stands on it.
    paper
        One of `PAPERS`.
    engraver
        Draws the music; started early, it is ready by now.

    Raises
    ------
    UsageError
        For another paper.
    EngravingError
        Where the music can't be engraved.
    """
    size = paper_called(paper)
    music = _engraved(handout.music, engraver, size) if handout.music else None
    exercises = [_engraved(score, engraver, size) for score in handout.exercises]
    sheet = {
        "paper": size.name, "side_mm": size.side_mm, "title": handout.title, "horn": handout.horn,
        "composer": handout.composer, "head": handout.head, "footer": _short(handout.title),
        "lines": [{"label": line.label, "words": line.words} for line in handout.lines],
        "legend": [{"mark": row.mark, "name": row.name, "use": row.use} for row in handout.legend],
        "music": music,
        "cards_title": handout.cards_title,
        "cards": [_card(card) for card in handout.cards],
        "kept": [{"note": one.note, "where": one.where, "words": one.words} for one in handout.kept],
        "exercises": exercises,
        "tempos": [_steps(one) for one in handout.steps],
        "care": list(handout.care),
    }  # fmt: skip
    lacking: dict[str, None] = {}
    fitted = _fitted(sheet, lacking)
    return typeset_pdf(
        Path(__file__).with_suffix(".typ"), fitted, "the sheet came out as several files; leave parts out"
    ), _said(lacking)


def paper_called(name: str) -> Paper:
    """The paper of that name. Raises `UsageError` where there is none."""
    if name not in PAPERS:
        raise UsageError(f"no paper {name!r}: there are {' and '.join(PAPERS)}")
    return PAPERS[name]


# -- the music ------------------------------------------------------------------------------------------------------


def begin_engraving(score: Score, paper: str, engraver: Engraver) -> None:
    """Have the engraver begin with a score that will stand on the sheet, while the rest of it is still made."""
    engraver.request(_request(score, paper_called(paper)))


def _request(score: Score, paper: Paper) -> EngravingRequest:
    width_px = round((paper.width_mm - 2 * paper.side_mm) / _MM_PER_PX) + _LEFT_PX + _RIGHT_PX
    signs = [(note.note_id, note.sign) for note in score.remarks]
    return EngravingRequest(score.musicxml, width_px, _STAFF_PX, (*score.marks, *signs), vector=True)


def _engraved(score: Score, engraver: Engraver, paper: Paper) -> dict[str, Any]:
    systems = [_system(system, score.remarks) for system in _systems(engraver, _request(score, paper))]
    return {"title": score.title, "purpose": score.purpose, "systems": systems}


def _systems(engraver: Engraver, request: EngravingRequest) -> Iterator[System]:
    """Ask, and wait for all of it."""
    deadline_ns = time.perf_counter_ns() + round(_TIMEOUT_S * NS_PER_S)
    engraver.request(request)
    while time.perf_counter_ns() < deadline_ns:
        news = engraver.poll()
        if news is None:
            time.sleep(0.001)
            continue
        if news.error is not None:
            raise news.error
        yield from news.systems
        if news.done:
            return
    raise EngravingError(f"the engraving took more than {_TIMEOUT_S:g} s; try fewer bars or exercises")


def _system(system: System, remarks: Sequence[Remark]) -> dict[str, Any]:
    staff_px = system.staff.height
    above_px = max(_LEAST_ABOVE * staff_px - system.staff.y, 0.0)
    below_px = max(_LEAST_BELOW * staff_px - (system.height_px - system.staff.y - staff_px), 0.0)
    bars = sorted(system.bars)
    return {
        "svg": system.svg,
        "above_pt": above_px * _MM_PER_PX * _POINTS_PER_MM,
        "below_pt": below_px * _MM_PER_PX * _POINTS_PER_MM,
        "left_pt": _LEFT_PX * _MM_PER_PX * _POINTS_PER_MM,
        "right_pt": _RIGHT_PX * _MM_PER_PX * _POINTS_PER_MM,
        "words": f"a staff of music, {len(bars)} bars, {len(system.heads)} notes",
        "remarks": [{"sign": n.sign, "words": n.words} for n in remarks if n.note_id in system.heads],
    }


# -- the page -------------------------------------------------------------------------------------------------------


def _short(text: str) -> str:
    """For the foot of the page, where there is one line."""
    return text if len(text) <= _MOST_IN_FOOT else f"{text[: _MOST_IN_FOOT - 1].rstrip()}…"


def _card(card: Card) -> dict[str, Any]:
    reasons = [{"where": where, "words": words} for where, words in card.reasons]
    return {
        "mark": card.mark, "title": card.title, "use": card.use, "horn": card.horn, "reasons": reasons,
        "alt": f"the horn with the fingering {card.title}",
    }  # fmt: skip


def _steps(one: Steps) -> dict[str, Any]:
    beside = zip(one.rungs, one.dotted, strict=True) if one.dotted else ((rung, "") for rung in one.rungs)
    return {
        "title": one.title, "words": one.words, "below": one.below, "clean": one.clean_takes, "days": list(one.days),
        "counted": one.counted,
        "rungs": [{"quarters": quarters, "dotted": dotted} for quarters, dotted in beside],
    }  # fmt: skip


#: Drawings of ours, which are no words.
_DRAWINGS = ("svg", "horn")


def _fitted(value: Any, lacking: dict[str, None], key: str = "") -> Any:
    """All words fit for paper; `lacking` collects the signs that can't be printed."""
    if isinstance(value, dict):
        return {name: _fitted(one, lacking, name) for name, one in value.items()}
    if isinstance(value, list):
        return [_fitted(one, lacking, key) for one in value]
    if not isinstance(value, str) or (key in _DRAWINGS and value.startswith("<svg")):
        return value
    words, signs = fit_for_paper(value)
    lacking.update(dict.fromkeys(signs))
    return words


def _said(lacking: Mapping[str, None]) -> tuple[str, ...]:
    if not lacking:
        return ()
    shown = " ".join(list(lacking)[:12]) + (" ..." if len(lacking) > 12 else "")
    return (f"the sheet's fonts have no sign for {shown}: an empty box stands in its place",)
