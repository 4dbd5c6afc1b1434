"""The plot of progress as a picture for a screen, as large as it is shown."""

from __future__ import annotations

from collections.abc import Container, Sequence
from datetime import date
from io import BytesIO

from companion.practice.forecast import Forecast
from companion.record.model import TakeSummary
from companion.reports import plots

__all__ = ["progress_png"]

#: Of letters and lines at scale 1, as on paper with so many dots an inch.
_DPI = 104.0
#: Room around the axes at scale 1: for the tempos, the lines' names, the days, the legend.
_LEFT_PX, _RIGHT_PX, _BOTTOM_PX, _TOP_PX = 66.0, 118.0, 34.0, 56.0


def progress_png(
    takes: Sequence[TakeSummary],
    size_px: tuple[int, int],
    *,
    scale: float = 1.0,
    target_bpm: float | None = None,
    forecast: Forecast | None = None,
    by: date | None = None,
    cold: Container[str] = (),
) -> bytes:
    """`plots.draw_progress` without title and notes, as a PNG of exactly this size.

    Parameters
    ----------
    takes, target_bpm, forecast, by, cold
        As `plots.draw_progress` has them.
    size_px
        Width and height.
    scale
        Of letters and lines, 1 for a window of 1280x720.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    width, height = size_px
    dpi = _DPI * scale
    figure = Figure(figsize=(width / dpi, height / dpi), dpi=dpi, facecolor=plots.PAPER)
    FigureCanvasAgg(figure)
    left, bottom = _LEFT_PX * scale / width, _BOTTOM_PX * scale / height
    right, top = _RIGHT_PX * scale / width, _TOP_PX * scale / height
    axes = figure.add_axes((left, bottom, 1 - left - right, 1 - bottom - top), facecolor=plots.PAPER)
    plots._quiet_frame(axes)
    axes.set_ylabel("quarters a minute", color=plots.INK, fontproperties=plots._font(size=10.5))
    plots._draw_all(axes, takes, target_bpm, forecast, by, cold)
    out = BytesIO()
    with plots._no_talk_of_glyphs():
        figure.savefig(out, format="png", dpi=dpi, facecolor=plots.PAPER)
    return out.getvalue()
