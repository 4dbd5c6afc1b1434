"""The printed sheet, read back from its PDF by pypdf and by its own drawing operators."""

from __future__ import annotations

import io
import itertools
from collections.abc import Iterator
from dataclasses import replace

import pytest
from handout_etudes import write_sixteenths
from pdf_drawing import boxes, colours, staves
from pypdf import PdfReader

from companion.charts import load
from companion.engraving import Engraver
from companion.errors import UsageError
from companion.planning import page_marks, plan
from companion.practice.ladder import default_ladder
from companion.record.marks import Marked
from companion.reports.handout import (
    PAPERS,
    STAFF_MM,
    Card,
    Handout,
    LegendRow,
    Line,
    Remark,
    Score,
    Steps,
    handout_pdf,
)
from companion.reports.handout_text import LACKING, fit_for_paper
from companion.reports.handout_words import CARE, cards_of, steps_of
from companion.scores import for_engraving, read

MM = 72 / 25.4
ALTO = load("alto")
HOSTILE = (
    '#read("/etc/passwd")',
    '#import "@preview/cetz:0.1.0"',
    "]} #panic() $ x_1^2 $ *bold* _it_ `raw` @ref <label> \\u{41} // end /* no",
    '"; }) \\" \\n',
    "<svg><image href='file:///etc/passwd'/></svg> &amp; &#65;",
    "= heading\n- list\r\n+ more\x00\x07\x1b[31m",
)


@pytest.fixture(scope="module")
def engraver() -> Iterator[Engraver]:
    with Engraver() as made:
        yield made


@pytest.fixture(scope="module")
def dense(engraver: Engraver, tmp_path_factory: pytest.TempPathFactory) -> tuple[Handout, dict[str, bytes]]:
    passage = read(write_sixteenths(tmp_path_factory.mktemp("dense")))
    planned = plan(passage, ALTO)
    note = f"n{passage.notes[7].source}"
    handout = Handout(
        title=passage.title,
        horn="Alto saxophone",
        composer=passage.composer,
        lines=(Line("Name", "Robin"), Line("Teacher"), Line("Date")),
        legend=(LegendRow("bis", "B♭", "left 1, bis"),),
        music=Score(for_engraving(passage), page_marks(passage, planned), (Remark(note, "1)", "A word at a note."),)),
        cards_title="Fingerings",
        cards=cards_of(passage, planned, ALTO, Marked(passage, {}, {}, {}, {}), True, True),
        exercises=tuple(Score(for_engraving(passage), (), title=f"Exercise {i}", purpose="Evenness") for i in (1, 2)),
        steps=(steps_of(passage, default_ladder(passage)),),
        care=CARE,
    )
    return handout, {paper: handout_pdf(handout, paper, engraver)[0] for paper in PAPERS}


def text_of(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages).split())


def places(pdf: bytes) -> list[tuple[int, float, float, str]]:
    """Page, x and y (points from the lower left) of every piece of text."""
    found: list[tuple[int, float, float, str]] = []
    for number, page in enumerate(PdfReader(io.BytesIO(pdf)).pages):

        def visit(text: str, cm: list[float], tm: list[float], font: object, size: float, n: int = number) -> None:
            if text.strip():
                x, y = tm[4] * cm[0] + cm[4], tm[5] * cm[3] + cm[5]
                found.append((n, x, y, text.strip()))

        page.extract_text(visitor_text=visit)
    return found


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_paper_has_its_size(dense: tuple[Handout, dict[str, bytes]], paper: str) -> None:
    # ISO 216: 210 by 297 mm; ANSI/ASME Y14.1: 8.5 by 11 inches.
    width, height = {"a4": (210 * MM, 297 * MM), "letter": (612.0, 792.0)}[paper]
    for page in PdfReader(io.BytesIO(dense[1][paper])).pages:
        assert float(page.mediabox.width) == pytest.approx(width, abs=0.1)
        assert float(page.mediabox.height) == pytest.approx(height, abs=0.1)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_every_staff_is_whole_and_as_high_as_meant_and_within_the_margins(
    dense: tuple[Handout, dict[str, bytes]], paper: str
) -> None:
    space_pt = STAFF_MM / 4 * MM
    side_pt = PAPERS[paper].side_mm * MM
    count = 0
    for page in PdfReader(io.BytesIO(dense[1][paper])).pages:
        found = staves(page, space_pt)
        count += len(found)
        thin = [b for b in boxes(page) if b.right - b.left > 60 and b.top - b.bottom < 0.6 and b.left < side_pt + 1]
        inside = [box for staff in found for box in thin if staff.bottom - 0.1 <= box.middle <= staff.top + 0.1]
        assert len(inside) == 5 * len(found)
        for staff in found:
            assert staff.left == pytest.approx(side_pt, abs=0.5)
            assert staff.right <= float(page.mediabox.width) - side_pt + 0.5
            assert staff.bottom > 17 * MM and staff.top < float(page.mediabox.height) - 16 * MM
        for upper, lower in itertools.pairwise(found):
            assert upper.bottom - lower.top > 1.2 * STAFF_MM * MM
    # Three times the same music.
    assert count and count % 3 == 0


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_staves_of_a_full_page_stand_evenly_from_top_to_bottom(
    dense: tuple[Handout, dict[str, bytes]], paper: str
) -> None:
    first, second = (staves(page, STAFF_MM / 4 * MM) for page in PdfReader(io.BytesIO(dense[1][paper])).pages[:2])
    # The room that is left on it is shared out: at most a descending stem and its margin below the last staff.
    assert first[-1].bottom < (19 + 14) * MM
    steps = [upper.top - lower.top for upper, lower in itertools.pairwise(first)]
    assert max(steps) < 2 * min(steps)
    assert len(first) > 5 and second


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_title_stands_on_the_page_of_its_first_staff(dense: tuple[Handout, dict[str, bytes]], paper: str) -> None:
    pages = PdfReader(io.BytesIO(dense[1][paper])).pages
    titles = [place for place in places(dense[1][paper]) if place[3].startswith("Exercise ")]
    assert len(titles) == 2
    for number, _, y, _ in titles:
        below = [staff for staff in staves(pages[number], STAFF_MM / 4 * MM) if staff.top < y]
        assert below and y - below[0].top < 40 * MM


def test_nothing_but_greys_and_no_picture_of_dots(dense: tuple[Handout, dict[str, bytes]]) -> None:
    for page in PdfReader(io.BytesIO(dense[1]["a4"])).pages:
        assert not page.images
        shades = colours(page)
        assert shades and all(len(shade) == 1 for shade in shades)


def test_a_dense_sheet_is_small(dense: tuple[Handout, dict[str, bytes]]) -> None:
    assert all(len(pdf) < 1_000_000 for pdf in dense[1].values())


def test_the_words_can_be_taken_out_again_those_in_the_music_too(dense: tuple[Handout, dict[str, bytes]]) -> None:
    handout, made = dense
    text = text_of(made["a4"])
    for words in (handout.title, "Alto saxophone", "A. Nobody", "Robin", "A word at a note.", "Tempo steps", "1)"):
        assert words in text
    assert CARE[1] in text and handout.cards[0].reasons[0][1] in text
    assert "Allegro, sempre leggiero" in text
    # Once in the legend, the rest over the notes and beside the horns.
    assert handout.music is not None
    assert text.count("bis") > sum(mark == "bis" for _, mark in handout.music.marks)


def test_the_same_content_gives_the_same_bytes(dense: tuple[Handout, dict[str, bytes]], engraver: Engraver) -> None:
    assert handout_pdf(dense[0], "a4", engraver)[0] == dense[1]["a4"]


def test_another_paper_is_refused(engraver: Engraver) -> None:
    with pytest.raises(UsageError, match="no paper 'a5': there are a4 and letter"):
        handout_pdf(Handout("x"), "a5", engraver)


def hostile_sheet(words: str) -> Handout:
    return Handout(
        title=words, composer=words, lines=(Line("Name", words), Line("Teacher", words), Line("Date", "")),
        legend=(LegendRow("bis", words, words),), cards_title="Fingerings",
        cards=(Card("bis", "B♭4", words, reasons=(("Bar 1", words),)),),
        steps=(Steps("Tempo steps", words, words, ("60", "64"), 3, ("Mon", "Tue")),), care=(words,),
    )  # fmt: skip


@pytest.mark.parametrize("words", HOSTILE)
def test_what_people_write_is_set_as_it_is(engraver: Engraver, words: str) -> None:
    pdf, said = handout_pdf(hostile_sheet(words), "a4", engraver)
    assert not said
    plain, _ = fit_for_paper(words)
    text = "".join(text_of(pdf).split()).replace("\u200b", "")
    wanted = "".join(plain.split()).replace("\u200b", "")
    # Columns break it; in the box at the end it stands on one line.
    assert wanted in text
    assert "root:" not in text
    title = PdfReader(io.BytesIO(pdf)).metadata
    assert title is not None and title.title == plain


def test_signs_without_a_letter_are_replaced_and_said(engraver: Engraver) -> None:
    pdf, said = handout_pdf(replace(hostile_sheet("plain"), title="Étude 🎷 漢 שלום"), "a4", engraver)
    assert len(said) == 1 and "🎷" in said[0] and "漢" in said[0] and "box" in said[0]
    assert "Étude" in text_of(pdf) and "ש" in text_of(pdf)


def test_a_word_longer_than_the_page_stays_on_it(engraver: Engraver) -> None:
    pdf, _ = handout_pdf(hostile_sheet("Donau" * 60), "a4", engraver)
    assert all(0 < x < 210 * MM for _, x, _, _ in places(pdf))
    alone = "".join(text_of(pdf).split()).replace("\u200b", "")
    assert "Donau" * 60 in alone


@pytest.mark.parametrize(
    ("text", "fit", "lacking"),
    [
        ("a\tb\r\n c", "a b c", ()),
        ("e\u0301tude", "étude", ()),
        ("Ελλάδα Этюд", "Ελλάδα Этюд", ()),
        ("B♭ – ♩ = 60", "B♭ – ♩ = 60", ()),
        ("\u202eabc\u202c \u2066x\u2069", "abc x", ()),
        ("\x1b[31mred\x07", "[31mred", ()),
        ("漢字", LACKING * 2, ("漢", "字")),
        ("\ue000", LACKING, ("\ue000",)),
        ("🎷🎷", LACKING * 2, ("🎷",)),
    ],
)
def test_text_is_made_fit_for_paper(text: str, fit: str, lacking: tuple[str, ...]) -> None:
    assert fit_for_paper(text) == (fit, lacking)


def test_a_long_word_may_break() -> None:
    words, _ = fit_for_paper("x" * 60)
    assert "\u200b" in words and words.replace("\u200b", "") == "x" * 60


def test_the_document_has_the_title_even_without_a_head(engraver: Engraver) -> None:
    pdf, _ = handout_pdf(replace(hostile_sheet("plain"), title="Night Train", head=False), "letter", engraver)
    assert PdfReader(io.BytesIO(pdf)).metadata.title == "Night Train"  # type: ignore[union-attr]
