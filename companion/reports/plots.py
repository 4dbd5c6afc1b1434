"""Plots that look like a printed page: warm paper, dark ink, one blue; every kind of mark told apart without colour.

matplotlib is loaded when a plot is drawn, never before, and used without its global state. What is drawn is worked out
as plain data first (`progress_marks`).
"""

from __future__ import annotations

import contextlib
import os
import tempfile
import warnings
from collections.abc import Container, Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from companion.engraving.fonts import TEXT_BOLD, TEXT_ITALIC, TEXT_REGULAR
from companion.errors import UsageError
from companion.practice.forecast import Forecast
from companion.record.model import TakeSummary
from companion.record.progress import best_clean_bpm
from companion.record.text import day_in_words
from companion.reports.progress_marks import DAY_WIDTH, ProgressMarks, Span, progress_marks

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["KINDS", "check_kind", "draw_progress", "progress_svg"]

PAPER, INK, QUIET, FAINT, BLUE = "#FAF6EA", "#181614", "#68625A", "#C4BBAA", "#23477A"
BAND_FILL = "#E6DFCF"
#: What a plot can be written as, by the end of its name.
KINDS = (".png", ".pdf", ".svg")
WIDTH_IN, HEIGHT_IN, DPI = 9.0, 5.0, 150
_POINTS_PER_INCH = 72


def draw_progress(
    takes: Sequence[TakeSummary],
    path: Path,
    *,
    title: str,
    target_bpm: float | None = None,
    notes: Sequence[str] = (),
    forecast: Forecast | None = None,
    by: date | None = None,
    cold: Container[str] = (),
) -> None:
    """Draw the tempo of takes over the days with the best clean tempo so far, the target and the learning curve with
    its band, and write the picture.

    Parameters
    ----------
    takes
        The takes of one passage; none gives an empty page that says so.
    path
        Where to write it; its end (`.png`, `.pdf`, `.svg`) says as what. An existing file is replaced as a whole.
    title
        Passage and bars.
    target_bpm
        In quarters a minute.
    notes
        Shown small below the title, such as who played.
    forecast, by
        The learning curve through these takes, and the target's day.
    cold
        The ids of first takes, which are marked.

    Raises
    ------
    UsageError
        If the name ends otherwise or the place can't be written to.
    """
    path = Path(path)
    check_kind(path)
    figure, axes = _page(title, notes)
    _draw_all(axes, takes, target_bpm, forecast, by, cold)
    _save(figure, path)


def check_kind(path: Path) -> None:
    """Raises `UsageError` where a plot can't be written as a file of this name."""
    if path.suffix.lower() not in KINDS:
        raise UsageError(f"a plot can't be written as {path.name!r}: end the name in {', '.join(KINDS)}")


def progress_svg(
    takes: Sequence[TakeSummary],
    size_in: tuple[float, float],
    *,
    target_bpm: float | None = None,
    forecast: Forecast | None = None,
    by: date | None = None,
    cold: Container[str] = (),
) -> bytes:
    """The same without a title, as SVG on nothing, for a page that others set; `size_in` is width and height."""
    figure, axes = _panel(size_in)
    _draw_all(axes, takes, target_bpm, forecast, by, cold, small=True)
    return _svg(figure)


def _draw_all(
    axes: Axes,
    takes: Sequence[TakeSummary],
    target_bpm: float | None,
    forecast: Forecast | None,
    by: date | None,
    cold: Container[str],
    small: bool = False,
) -> None:
    if takes:
        marks = progress_marks(takes, forecast, by, cold)
        tempos = [take.tempo_bpm for take in takes] + [t for t in (target_bpm,) if t]
        tempos += [bpm for row in marks.band for bpm in row[1:]]
        _draw_marks(axes, marks, small)
        _draw_band(axes, marks)
        _frame(axes, marks, tempos, small)
        if not small:
            _legend(axes)
        if by and marks.first_day <= by.toordinal() <= marks.last_day:
            _draw_due(axes, by, target_bpm, small)
    else:
        _nothing_yet(axes, target_bpm, small)
    if target_bpm:
        axes.axhline(target_bpm, color=INK, linewidth=1.1, linestyle=(0, (6, 4)), zorder=2)
    _line_labels(axes, best_clean_bpm(takes), target_bpm, small)


def _draw_band(axes: Axes, marks: ProgressMarks) -> None:
    if not marks.band:
        return
    days, low, middle, high = zip(*marks.band, strict=True)
    axes.fill_between(days, low, high, color=BAND_FILL, linewidth=0, zorder=1, label="80 of 100 such students")
    for edge in (low, high):
        axes.plot(days, edge, color=QUIET, linewidth=0.6, zorder=1.5)
    split = sum(1 for day in days if day <= marks.forecast_from)
    axes.plot(days[:split], middle[:split], color=QUIET, linewidth=1.3, zorder=2.5, label="every second take clean")
    # Dots: what has not been played yet.
    axes.plot(days[split - 1 :], middle[split - 1 :], color=QUIET, linewidth=1.5, linestyle=(0, (1, 2)), zorder=2.5)


def _draw_due(axes: Axes, by: date, target_bpm: float | None, small: bool) -> None:
    axes.axvline(by.toordinal(), color=INK, linewidth=0.8, linestyle=(0, (6, 4)), zorder=2)
    if target_bpm:
        axes.plot(
            [by.toordinal()],
            [target_bpm],
            marker="s",
            markersize=5 if small else 6,
            color=INK,
            markerfacecolor=PAPER,
            zorder=6,
        )
    axes.annotate(
        f"by {day_in_words(by)}", (by.toordinal(), 0.0), xycoords=("data", "axes fraction"), xytext=(-4, 5),
        textcoords="offset points", ha="right", color=INK, fontproperties=_font(size=8 if small else 10), zorder=6,
        bbox={"facecolor": "white" if small else PAPER, "linewidth": 0, "pad": 1.5},
    )  # fmt: skip


def _font(path: Path = TEXT_REGULAR, size: float = 11.0) -> Any:
    from matplotlib.font_manager import FontProperties

    return FontProperties(fname=str(path), size=size)


def _page(title: str, notes: Sequence[str]) -> tuple[Figure, Axes]:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN), dpi=DPI, facecolor=PAPER)
    axes = figure.add_axes((0.075, 0.09, 0.805, 0.66), facecolor=PAPER)
    # parse_math: a title with two dollar signs is a title, not a formula.
    figure.text(0.075, 0.935, _cut(title, 76), color=INK, fontproperties=_font(TEXT_BOLD, 15), parse_math=False)
    if notes:
        note = _cut("; ".join(notes), 130)
        figure.text(0.075, 0.885, note, color=QUIET, fontproperties=_font(TEXT_ITALIC, 10.5), parse_math=False)
    _quiet_frame(axes)
    axes.set_ylabel("quarters a minute", color=INK, fontproperties=_font())
    return figure, axes


def _panel(size_in: tuple[float, float]) -> tuple[Figure, Axes]:
    """A small one for a page in print: no paper of its own."""
    from matplotlib.figure import Figure

    width, height = size_in
    figure = Figure(figsize=size_in)
    left, bottom, right, top = 0.34 / width, 0.26 / height, 0.72 / width, 0.06 / height
    axes = figure.add_axes((left, bottom, 1 - left - right, 1 - bottom - top), facecolor="none")
    _quiet_frame(axes)
    return figure, axes


def _quiet_frame(axes: Axes) -> None:
    for side, spine in axes.spines.items():
        spine.set_visible(side in ("left", "bottom"))
        spine.set_color(INK)
        spine.set_linewidth(0.8)
    axes.tick_params(colors=INK, width=0.8, length=4)


def _cut(text: str, length: int) -> str:
    text = "".join(char if char.isprintable() else " " for char in text)
    return text if len(text) <= length else text[: length - 1] + "…"


def _draw_marks(axes: Axes, marks: ProgressMarks, small: bool = False) -> None:
    size = (34.0 if len(marks.clean) + len(marks.not_clean) <= 80 else 14.0) * (0.4 if small else 1.0)
    if marks.best:
        axes.plot(*zip(*marks.best, strict=True), color=BLUE, linewidth=1.8, label="best clean tempo so far", zorder=3)
    if marks.clean:
        x, y = zip(*marks.clean, strict=True)
        axes.scatter(x, y, s=size, color=INK, linewidths=0.9, label="clean take", zorder=5)
    if marks.not_clean:
        x, y = zip(*marks.not_clean, strict=True)
        axes.scatter(x, y, s=size, facecolors=PAPER, edgecolors=INK, linewidths=0.9, label="take, not clean", zorder=4)
    if marks.spans:
        _draw_spans(axes, marks.spans)
    if marks.performed:
        x, y = zip(*marks.performed, strict=True)
        axes.scatter(
            x, y, s=size, marker="D", facecolors=PAPER, edgecolors=QUIET, linewidths=0.9, label="performance, no click",
            zorder=5,
        )  # fmt: skip

    if marks.cold:
        x, y = zip(*marks.cold, strict=True)
        axes.scatter(
            x, y, s=3.2 * size, facecolors="none", edgecolors=INK, linewidths=0.7, label="first take of a sitting",
            zorder=5.5,
        )  # fmt: skip


def _legend(axes: Axes) -> None:
    count = len(axes.get_legend_handles_labels()[0])
    if count:
        # Two lines of it have room above the plot: of five and six three in each.
        axes.legend(
            loc="lower left", bbox_to_anchor=(-0.012, 1.005), ncols=3 if 4 < count <= 6 else 4, frameon=False,
            borderaxespad=0.0, handletextpad=0.5, columnspacing=1.6, labelcolor=INK, prop=_font(size=10.5),
        )  # fmt: skip


def _draw_spans(axes: Axes, spans: Sequence[Span]) -> None:
    each = {1: "day", 7: "week"}.get(spans[0].days, f"{spans[0].days} days")
    middle = [span.begin + (span.days - 1) / 2 for span in spans]
    heights = [max(span.high_bpm - span.low_bpm, 0.6) for span in spans]
    axes.bar(
        middle, heights, bottom=[span.low_bpm for span in spans], width=DAY_WIDTH * spans[0].days,
        color=FAINT, label=f"all takes of a {each}" if spans[0].days < 30 else f"all takes of {each}", zorder=2,
    )  # fmt: skip
    best = [(x, span.best_clean_bpm) for x, span in zip(middle, spans, strict=True) if span.best_clean_bpm is not None]
    if best:
        x, y = zip(*best, strict=True)
        axes.scatter(x, y, s=12.0, color=INK, linewidths=0, label="the best clean one", zorder=4)


def _line_labels(axes: Axes, best_bpm: float | None, target_bpm: float | None, small: bool = False) -> None:
    best, target = best_bpm, target_bpm
    low, high = axes.get_ylim()
    size = 8.5 if small else 11.0
    height_pt = axes.get_window_extent().height / axes.figure.dpi * _POINTS_PER_INCH
    gap = 1.2 * size / height_pt * (high - low)
    if best is not None and target is not None and abs(best - target) < gap:
        middle, side = (best + target) / 2, gap / 2 if best > target else -gap / 2
        best, target = middle + side, middle - side
    if best_bpm is not None and best is not None:
        _line_label(axes, best, f"best {best_bpm:g}", BLUE, size)
    if target_bpm is not None and target is not None:
        _line_label(axes, target, f"target {target_bpm:g}", INK, size)


def _line_label(axes: Axes, tempo_bpm: float, text: str, colour: str, size: float) -> None:
    axes.annotate(
        text, (1.0, tempo_bpm), xycoords=("axes fraction", "data"), xytext=(6, 0), textcoords="offset points",
        va="center", color=colour, fontproperties=_font(size=size), annotation_clip=False, parse_math=False,
    )  # fmt: skip


def _frame(axes: Axes, marks: ProgressMarks, tempos: Sequence[float], small: bool = False) -> None:
    low, high = min(tempos), max(tempos)
    room = max(4.0, 0.08 * (high - low))
    axes.set_ylim(low - room, high + room)
    width = marks.last_day - marks.first_day + 1
    side = 0.5 if width < 60 else 0.02 * width
    axes.set_xlim(marks.first_day - max(side, 0.5), marks.last_day + max(side, 0.5))
    ticks = _day_ticks(marks.first_day, marks.last_day, most=4 if small else 8)
    axes.set_xticks([day for day, _ in ticks], [label for _, label in ticks])
    _finish_ticks(axes, small)


def _finish_ticks(axes: Axes, small: bool = False) -> None:
    from matplotlib.ticker import MaxNLocator

    axes.yaxis.set_major_locator(MaxNLocator(nbins=5 if small else 8, integer=True))
    axes.yaxis.grid(True, color=FAINT, linewidth=0.5, zorder=0)
    axes.set_axisbelow(True)
    for label in (*axes.get_xticklabels(), *axes.get_yticklabels()):
        label.set_fontproperties(_font(size=8.5 if small else 10.5))


def _day_ticks(first: int, last: int, most: int = 8) -> list[tuple[int, str]]:
    """Labelled days, about as many as `most`: (ordinal, text)."""
    span = last - first
    every = next((step for step in (1, 2, 7, 14) if span // step <= most), 0)
    if every:
        return [(day, day_in_words(date.fromordinal(day))) for day in range(first, last + 1, every)]
    begin, end = date.fromordinal(first), date.fromordinal(last)
    months = (end.year - begin.year) * 12 + end.month - begin.month
    step = next((n for n in (1, 2, 3, 6, 12, 24, 60) if months // n <= most), 120)
    ticks = []
    for n in range(begin.year * 12 + begin.month, end.year * 12 + end.month, 1):
        if n % step == 0:
            day = date(n // 12, n % 12 + 1, 1)
            ticks.append((day.toordinal(), f"{day:%Y}" if step >= 12 else f"{day:%b %Y}"))
    return ticks


def _nothing_yet(axes: Axes, target_bpm: float | None, small: bool) -> None:
    target = target_bpm or 90.0
    axes.set_ylim(target - 40, target + 10)
    axes.set_xlim(0, 1)
    axes.set_xticks([])
    axes.text(
        0.5, 0.45, "No takes yet: what is played appears here.", transform=axes.transAxes, ha="center", color=QUIET,
        fontproperties=_font(TEXT_ITALIC, 9 if small else 14),
    )  # fmt: skip
    _finish_ticks(axes, small)
    axes.yaxis.grid(False)


def _svg(figure: Figure) -> bytes:
    from io import BytesIO

    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    FigureCanvasSVG(figure)
    out = BytesIO()
    # Letters as outlines: whoever sets the page need not have the font. A fixed salt names the same things alike.
    with matplotlib.rc_context({"svg.fonttype": "path", "svg.hashsalt": "companion"}), _no_talk_of_glyphs():
        figure.savefig(out, format="svg", transparent=True, metadata={"Date": None})
    return out.getvalue()


@contextlib.contextmanager
def _no_talk_of_glyphs() -> Iterator[None]:
    """A title in a script that the font lacks is drawn with boxes; that is no reason to talk about glyphs."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*[Gg]lyph.*", category=UserWarning)
        yield


def _save(figure: Figure, path: Path) -> None:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    FigureCanvasAgg(figure)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.stem}.", suffix=path.suffix, dir=path.parent)
        os.close(handle)
        try:
            with _no_talk_of_glyphs():
                figure.savefig(name, facecolor=PAPER)
            os.chmod(name, 0o644)
            os.replace(name, path)
        except BaseException:
            os.unlink(name)
            raise
    except OSError as error:
        raise UsageError(
            f"the plot can't be written to {path} ({error.strerror}): choose another place with -o"
        ) from error
