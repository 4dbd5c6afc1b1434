"""The exercises worth making of the bars chosen, found beside the loop: many are made to offer a few, and a long
passage must not hold up a frame."""

from __future__ import annotations

from typing import TYPE_CHECKING

from companion.charts.model import Chart
from companion.practice.rehearsal import Rehearsal

if TYPE_CHECKING:
    from concurrent.futures import Future, ThreadPoolExecutor

    from companion.exercises.offers import Offer, SpotLike

__all__ = ["OwnOffers"]


class OwnOffers:
    """Keeps what was found last, until something it depends on has changed."""

    def __init__(self) -> None:
        self._asked: object = None
        self._found: Future[tuple[Offer, ...]] | None = None
        self._beside: ThreadPoolExecutor | None = None

    def of(
        self, piece: Rehearsal, chart: Chart, spots: tuple[SpotLike, ...], wait_s: float
    ) -> tuple[Offer, ...] | None:
        """What is worth making of the bars chosen; None where that isn't known within `wait_s` seconds."""
        # Not before: the first page needs none of it.
        from concurrent.futures import ThreadPoolExecutor

        from companion.exercises.offers import offers

        section = piece.section
        asked = piece.plan.version, chart.name, section.first_bar, section.last_bar, spots
        if asked != self._asked or self._found is None:
            self._beside = self._beside or ThreadPoolExecutor(1, "offers")
            plan = piece.plan.part(section.first_note, len(section.passage.notes))
            arguments = section.passage, plan, chart, spots, section.first_note
            self._asked, self._found = asked, self._beside.submit(offers, *arguments)
        try:
            return self._found.result(wait_s)
        except TimeoutError:
            return None

    def close(self) -> None:
        """Begin nothing more."""
        if self._beside is not None:
            self._beside.shutdown(wait=False, cancel_futures=True)
