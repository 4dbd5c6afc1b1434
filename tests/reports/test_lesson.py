"""The page for the lesson, read back from its PDF by pypdf."""

from __future__ import annotations

import io
from datetime import UTC, date, datetime, timedelta

import pytest
from pypdf import PdfReader

from companion.errors import UsageError
from companion.practice.forecast import fit
from companion.record.model import TakeSummary
from companion.reports.lesson import MOST_ITEMS, MOST_ROWS, LessonItem, LessonPage, lesson_pdf

MM = 72 / 25.4
NOW = datetime(2026, 11, 23, 17, tzinfo=UTC)
HOSTILE = (
    '#read("/etc/passwd")',
    "]} #panic() $ x_1^2 $ *bold* <label> \\u{41} //",
    '"; }) \\" \\n',
    "= heading\n- list\x00\x1b[31m",
)


def takes(count: int) -> tuple[TakeSummary, ...]:
    rows = []
    for i in range(count):
        started = NOW + timedelta(days=i // 5, minutes=i % 5)
        rows.append(
            TakeSummary(
                "f", 0, "", started.isoformat(), started.date().isoformat(), 60.0, "T", "a", "1", "", "", "alto", "",
                60.0 + 4 * (i % 9), 96.0, 0, int(i % 3 == 0), "", "", "", "", 0,
            )
        )  # fmt: skip
    return tuple(rows)


def item(number: int, sentences: int = 3, count: int = 20) -> LessonItem:
    rows = takes(count)
    forecast = fit(
        [date.fromisoformat(t.day).toordinal() for t in rows], [t.tempo_bpm for t in rows], [t.clean for t in rows]
    )
    words = tuple(
        f"Sentence {number}.{i} of the item, which says a thing that takes a line or two." for i in range(sentences)
    )
    return LessonItem(
        f"Étude {number}, bars 5–8",
        "target 96 by Fri 27 Nov",
        rows,
        (("Expect:", words),),
        96,
        forecast,
        date(2026, 11, 27),
    )


def page(*items: LessonItem, **more: object) -> LessonPage:
    return LessonPage("For the lesson: Robin", "Wed 25 Nov 2026", items, **more)  # type: ignore[arg-type]


def text_of(pdf: bytes) -> str:
    pages = PdfReader(io.BytesIO(pdf)).pages
    assert len(pages) == 1
    return " ".join(pages[0].extract_text().split())


@pytest.mark.parametrize(
    ("count", "paper"), [(0, "a4"), (1, "letter"), (3, "a4"), (MOST_ITEMS, "letter"), (MOST_ITEMS + 30, "a4")]
)
def test_it_is_one_page_of_the_paper_whatever_stands_on_it(count: int, paper: str) -> None:
    pdf = lesson_pdf(page(*(item(i, 6) for i in range(count)), nothing="Nothing yet."), paper)
    text = text_of(pdf)
    box = PdfReader(io.BytesIO(pdf)).pages[0].mediabox
    width, height = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}[paper]
    assert (float(box.width) / MM, float(box.height) / MM) == pytest.approx((width, height), abs=0.1)
    assert "For the lesson: Robin" in text
    assert ("Nothing yet." in text) == (count == 0)
    for i in range(min(count, MOST_ITEMS)):
        assert f"Étude {i}, bars 5–8" in text
        assert f"Sentence {i}.0 of the item" in text
    assert len(pdf) < 300_000


def test_more_items_than_have_room_are_named_and_the_rest_counted() -> None:
    text = text_of(lesson_pdf(page(*(item(i) for i in range(MOST_ITEMS + MOST_ROWS + 5)))))
    assert f"Étude {MOST_ITEMS}, bars 5–8 target 96 by Fri 27 Nov" in text
    assert "and 6 more" in text


def test_words_that_find_no_room_are_left_out_as_whole_sentences() -> None:
    """Six items leave so little room for each that the last of thirty sentences go; none is cut."""
    text = text_of(lesson_pdf(page(*(item(i, 30) for i in range(MOST_ITEMS)))))
    shown = [i for i in range(30) if f"Sentence 0.{i} of the item" in text]
    assert shown == list(range(len(shown))) and 2 <= len(shown) < 30
    assert text.count("Sentence 0.") == text.count("Sentence 1.") == len(shown)
    for i in shown:
        assert f"Sentence 0.{i} of the item, which says a thing that takes a line or two." in text


def test_a_page_with_room_has_lines_to_write_on_and_a_full_one_none() -> None:
    assert "For next week" in text_of(lesson_pdf(page(item(1))))
    assert "For next week" not in text_of(lesson_pdf(page(*(item(i) for i in range(MOST_ITEMS)))))


@pytest.mark.parametrize("words", HOSTILE)
def test_what_people_wrote_is_set_as_text(words: str) -> None:
    hostile = LessonItem(words, words, takes(20), ((words, (words,)),), 96)
    text = text_of(lesson_pdf(page(hostile, rows=((words, words),), remarks=(words,))))
    plain = " ".join("".join(c for c in " ".join(words.split()) if c.isprintable()).split())
    assert "".join(text.split()).count("".join(plain.split())) >= 5
    assert "root:" not in text


def test_the_same_page_gives_the_same_bytes() -> None:
    assert lesson_pdf(page(item(1))) == lesson_pdf(page(item(1)))


def test_another_paper_is_refused() -> None:
    with pytest.raises(UsageError, match="no paper 'a5'"):
        lesson_pdf(page(), "a5")
