"""The marks of a plot as data, and a plot written for every number of takes there may be."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from companion.errors import UsageError
from companion.practice.forecast import Forecast, fit
from companion.record.model import TakeSummary
from companion.reports.plots import check_kind, draw_progress, progress_svg
from companion.reports.progress_marks import MOST_SINGLE_TAKES, progress_marks
from companion.reports.progress_png import progress_png

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


@pytest.mark.parametrize("size", [(900, 300), (1126, 340), (1690, 500), None])
@pytest.mark.parametrize("count", [12, 400])
def test_every_mark_has_its_word_in_the_legend_and_none_is_cut_off(
    count: int, size: tuple[int, int] | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In the window at its sizes, and in the picture that is written (no size); where takes are bars of days, too."""
    from matplotlib.figure import Figure

    figures: list[Figure] = []
    saved = Figure.savefig

    def seen(figure: Figure, *args: object, **more: object) -> None:
        figures.append(figure)
        saved(figure, *args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(Figure, "savefig", seen)
    shown = [take._replace(id=str(i), performance=int(i == count - 1)) for i, take in enumerate(takes(count))]
    forecast, cold = curve(shown), frozenset({str(count - 6)})
    if size is None:
        draw_progress(shown, tmp_path / "a.png", title="T", notes=("who",), forecast=forecast, cold=cold)
    else:
        progress_png(shown, size, scale=max(1.0, size[0] / 1126), forecast=forecast, cold=cold)
    (figure,) = figures
    legend = figure.axes[0].get_legend()
    assert legend is not None
    words = {text.get_text() for text in legend.get_texts()}
    single = {"clean take", "take, not clean", "first take of a sitting"}
    assert words >= (single if count < MOST_SINGLE_TAKES else {"all takes of a day", "the best clean one"})
    assert words >= {"performance, no click", "80 of 100 such students", "every second take clean"}
    box = legend.get_window_extent()
    # The box has some air round its letters.
    assert box.x1 <= figure.bbox.x1 and box.y1 <= figure.bbox.y1 + 1
    # Title and notes of the picture keep clear of it.
    assert all(text.get_window_extent().y0 >= box.y1 for text in figure.texts)


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


def curve(rows: list[TakeSummary]) -> Forecast:
    return fit(
        [date.fromisoformat(t.day).toordinal() for t in rows], [t.tempo_bpm for t in rows], [t.clean for t in rows]
    )


def test_the_band_runs_from_the_first_day_to_the_targets_or_a_week_ahead() -> None:
    rows = takes(20)
    forecast = curve(rows)
    marks = progress_marks(rows, forecast)
    assert [row[0] for row in marks.band] == [*range(MONDAY, MONDAY + 11)]
    assert (marks.forecast_from, marks.last_day) == (MONDAY + 3, MONDAY + 10)
    assert all(low < middle < high for _, low, middle, high in marks.band)
    assert marks.band[5][2] == forecast.band_on(MONDAY + 5)[1]  # type: ignore[index]
    assert marks.clean == progress_marks(rows).clean
    later = progress_marks(takes(60), curve(takes(60)), date.fromordinal(MONDAY + 20))
    assert later.band[-1][0] == later.last_day == MONDAY + 21


def test_too_few_days_draw_no_band() -> None:
    rows = takes(10)
    assert progress_marks(rows, curve(rows)) == progress_marks(rows)


def test_the_band_is_seen_in_grey(tmp_path: Path) -> None:
    """It must not hang on a hue: its grey differs from the paper's, and the forecast is drawn beyond the last take."""
    from matplotlib.image import imread

    rows = takes(20)
    draw_progress(rows, tmp_path / "a.png", title="T", forecast=curve(rows), by=date.fromordinal(MONDAY + 6))
    grey = imread(tmp_path / "a.png")[:, :, :3].mean(axis=2)
    paper = grey[2, 2]
    band = ((grey < paper - 0.03) & (grey > paper - 0.15)).sum()
    draw_progress(rows, tmp_path / "b.png", title="T")
    without = imread(tmp_path / "b.png")[:, :, :3].mean(axis=2)
    assert band > 20_000 + ((without < paper - 0.03) & (without > paper - 0.15)).sum()


def test_the_panel_of_a_page_is_svg_with_outlined_letters_and_the_same_every_time() -> None:
    rows = takes(20)
    first, second = (
        progress_svg(rows, (4.0, 2.0), target_bpm=96, forecast=curve(rows), by=date.fromordinal(MONDAY + 6))
        for _ in range(2)
    )
    assert first == second
    assert first.startswith(b"<?xml") and b"<text" not in first
    assert progress_svg([], (4.0, 2.0)).startswith(b"<?xml")


def test_a_kind_of_picture_is_refused_before_anything_is_drawn() -> None:
    check_kind(Path("a.svg"))
    with pytest.raises(UsageError, match=r"end the name in \.png"):
        check_kind(Path("a.gif"))
