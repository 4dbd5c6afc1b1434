"""What the worker keeps on its desk: the last layout, so that the same page with other marks is there at once."""

from __future__ import annotations

from collections.abc import Iterator

from companion.engraving.draw import Draughtsman
from companion.engraving.layout import lay_out, space_px
from companion.engraving.model import EngravingRequest, System
from companion.engraving.source import prepare

__all__ = ["Desk"]

#: Drawings and pictures kept. A page of sixteenths takes half a megabyte.
MOST_KEPT_BYTES = 60_000_000

_Marks = tuple[tuple[str, str], ...]


class Desk:
    """Lays out and draws. Marks move no note: a request that differs from the last one in its marks alone goes on with
    its layout, also where that was broken off, and only systems whose marks differ are drawn again."""

    def __init__(self) -> None:
        self._draughtsman = Draughtsman()
        self._forget()

    def _forget(self) -> None:
        self._key: tuple[str, int, int, bool] | None = None
        self._pages: Iterator[str] = iter(())
        self._svgs: list[str] = []
        self._drawn: list[tuple[_Marks, System]] = []
        self._bytes = 0

    def systems(self, request: EngravingRequest) -> Iterator[System]:
        """The systems of the request, from the top. Raises `EngravingError` as `prepare` and `lay_out` do."""
        document = prepare(request.musicxml, frozenset(note for note, _ in request.marks))
        key = (document, request.width_px, space_px(request.staff_px), request.vector)
        if key != self._key:
            self._forget()
            self._pages = lay_out(document, request.width_px, request.staff_px)
            self._key = key
        for number in range(len(self._svgs)):
            yield self._system(number, request)
        try:
            for svg in self._pages:
                if self._bytes > MOST_KEPT_BYTES:
                    # Too much to keep: what comes is drawn and given away, and the next request begins anew.
                    self._key = None
                    yield self._draughtsman.draw(svg, request)
                    continue
                self._svgs.append(svg)
                yield self._system(len(self._svgs) - 1, request)
        except GeneratorExit:
            raise
        except BaseException:
            self._forget()
            raise

    def _system(self, number: int, request: EngravingRequest) -> System:
        if number < len(self._drawn):
            marks, system = self._drawn[number]
            if marks == _marks_in(request, system):
                return system
        system = self._draughtsman.draw(self._svgs[number], request)
        kept = (_marks_in(request, system), system)
        if number < len(self._drawn):
            self._drawn[number] = kept
        else:
            self._drawn.append(kept)
            self._bytes += len(self._svgs[number]) + len(system.png) + len(system.svg)
        return system


def _marks_in(request: EngravingRequest, system: System) -> _Marks:
    return tuple(mark for mark in request.marks if mark[0] in system.heads)
