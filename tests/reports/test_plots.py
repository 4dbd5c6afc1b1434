"""The marks of a plot as data, and a plot written for every number of takes there may be."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from companion.errors import UsageError
from companion.record.model import TakeSummary
from companion.reports.plots import MOST_SINGLE_TAKES, draw_progress, progress_marks

NOW = datetime(2026, 11, 23, 17, tzinfo=UTC)
MONDAY = date(2026, 11, 23).toordinal()


def takes(count: int, per_day: int = 5, every_days: int = 1) -> list[TakeSummary]:
    rows = []
    for i in range(count):
        started = NOW + timedelta(days=i // per_day * every_days, minutes=i % per_day)
        rows.append(
            TakeSummary(
                "f", 0, "", started.isoformat(), started.date().isoformat(), 60.0, "T", "a", "1", "", "", "alto", "",
                60.0 + i % 40, 96.0, 0, int(i % 3 == 0), "", "", "", "", 0,
            )
        )  # fmt: skip
    return rows


def test_a_days_takes_stand_side_by_side_in_their_order() -> None:
    marks = progress_marks(list(reversed(takes(5))))
    assert marks.clean == ((pytest.approx(MONDAY - 0.28), 60), (pytest.approx(MONDAY + 0.14), 63))
    assert [tempo for _, tempo in marks.not_clean] == [61, 62, 64]
    assert (marks.first_day, marks.last_day, marks.spans) == (MONDAY, MONDAY, ())


def test_the_best_line_climbs_only_with_clean_takes() -> None:
    marks = progress_marks(takes(5))
    at = pytest.approx(MONDAY + 0.14)
    assert marks.best == ((pytest.approx(MONDAY - 0.28), 60), (at, 60), (at, 63), (MONDAY + 0.5, 63))
    assert progress_marks([take._replace(clean=0) for take in takes(5)]).best == ()


def test_very_many_takes_become_bars_of_days_weeks_or_months() -> None:
    days = progress_marks(takes(MOST_SINGLE_TAKES + 1))
    assert (days.clean, days.not_clean) == ((), ())
    assert {span.days for span in days.spans} == {1}
    assert (days.spans[0].low_bpm, days.spans[0].high_bpm, days.spans[0].best_clean_bpm) == (60, 64, 63)
    weeks = progress_marks([t for t in takes(1000) if t.started])
    assert {span.days for span in weeks.spans} == {7}
    assert all(date.fromordinal(span.begin).weekday() == 0 for span in weeks.spans)
    assert {span.days for span in progress_marks(takes(20_000)).spans} == {30}
    assert len(progress_marks(takes(20_000)).spans) < 150


def test_no_takes_have_no_marks() -> None:
    with pytest.raises(ValueError, match="no takes"):
        progress_marks([])


@pytest.mark.parametrize(
    ("count", "per_day", "every_days"), [(0, 1, 1), (1, 1, 1), (10, 4, 3), (500, 6, 1), (2000, 60, 5)]
)
def test_a_plot_is_written_whatever_there_is(tmp_path: Path, count: int, per_day: int, every_days: int) -> None:
    path = tmp_path / "new" / "plot.png"
    draw_progress(takes(count, per_day, every_days), path, title="$a_1$ étude 練習\n", target_bpm=96, notes=("who",))
    content = path.read_bytes()
    assert content.startswith(b"\x89PNG")
    assert int.from_bytes(content[16:20], "big") == 1350
    assert int.from_bytes(content[20:24], "big") == 750
    assert os.listdir(path.parent) == ["plot.png"]


def test_the_picture_shows_ink_on_paper_and_more_ink_for_more_takes(tmp_path: Path) -> None:
    from matplotlib.image import imread

    def ink(count: int, **more: float) -> int:
        path = tmp_path / f"{count}.png"
        draw_progress(takes(count), path, title="T", **more)  # type: ignore[arg-type]
        pixels = imread(path)[:, :, :3]
        assert tuple((pixels[2, 2] * 255).round().astype(int)) == (0xFA, 0xF6, 0xEA)
        return int((pixels.mean(axis=2) < 0.4).sum())

    assert ink(100) > 1.5 * ink(1)
    assert ink(1, target_bpm=90) > ink(1) + 500


def test_other_kinds_of_picture(tmp_path: Path) -> None:
    for name, begins in (("a.svg", b"<?xml"), ("a.pdf", b"%PDF")):
        draw_progress(takes(3), tmp_path / name, title="T")
        assert (tmp_path / name).read_bytes().startswith(begins)
    with pytest.raises(UsageError, match=r"end the name in \.png"):
        draw_progress(takes(3), tmp_path / "a.txt", title="T")


def test_a_place_that_can_t_be_written_gives_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(UsageError, match="choose another place with -o"):
        draw_progress(takes(1), tmp_path / "file" / "a.png", title="T")
