"""Shapes of climb: in which order the tempos of a ladder are played, and why one would choose it.

No shape is known to be the best. P. T. Henley (J. Research in Music Education 49, 2001, 169) had 60 high school wind
players practise an etude six times in steady steps, slower and faster in turn, or at the final tempo: which of the
three made no significant difference. So each is a choice of taste and of what got stuck. For music grown from parts
there is more: D. W. Ash and D. H. Holding (Human Factors, 1990) found parts that are joined one by one, best from the
front, better than the whole from the start, on a keyboard task. The numbers are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from companion.errors import UsageError
from companion.passage import Passage

__all__ = ["ALTERNATE", "CLIMBS", "GROW", "OVERSHOOT", "STEADY", "Climb", "bar_groups", "climb_named"]

STEADY, ALTERNATE, OVERSHOOT, GROW = "steady", "alternate", "overshoot", "grow"
#: Bars that are played by themselves first; then twice as many each time.
FIRST_GROUP_BARS = 2
#: When bars are added, so many rungs back.
RUNGS_BACK = 2


@dataclass(frozen=True, slots=True)
class Climb:
    """A shape: `title` in two or three words, `reason` says in one line why one would choose it."""

    name: str
    title: str
    reason: str

    @property
    def sentence(self) -> str:
        """`Overshoot and settle: one take too fast makes the next rung feel easy.`"""
        return f"{self.title.capitalize()}: {self.reason}."


CLIMBS: Mapping[str, Climb] = MappingProxyType(
    {
        each.name: each
        for each in (
            Climb(STEADY, "steady steps", "each step is small enough to stay clean"),
            Climb(ALTERNATE, "slow and target in turn", "what is made sure slowly is tried at tempo at once"),
            Climb(OVERSHOOT, "overshoot and settle", "one take too fast makes the next rung feel easy"),
            Climb(GROW, "growing bar groups", "a few bars at the target first, then more of the line joined on"),
        )
    }
)


def climb_named(name: str) -> Climb:
    """The climb of this name. Raises `UsageError` where there is none."""
    if name not in CLIMBS:
        raise UsageError(f"no climb is called {name[:40]!r}; there are {', '.join(CLIMBS)}")
    return CLIMBS[name]


def bar_groups(section: Passage) -> tuple[int, ...]:
    """How many of a section's bars each group has, all from its beginning; the last group has all of them.

    An upbeat and the bar after it count as one. A group that would add no note is left out.
    """
    notes_in = [0] * len(section.bars)
    for note in section.notes:
        notes_in[note.bar] += 1
    groups: list[int] = []
    upbeat = 1 if section.bars and section.bars[0].upbeat else 0
    whole, heard = FIRST_GROUP_BARS, 0
    while (bars := upbeat + whole) < len(section.bars):
        if sum(notes_in[:bars]) > heard and any(notes_in[bars:]):
            heard = sum(notes_in[:bars])
            groups.append(bars)
        whole *= 2
    return (*groups, len(section.bars))
