"""Made-up passages for the tests of the ports."""

from __future__ import annotations

from fractions import Fraction

from companion.passage import Bar, Note, Passage, Pitch

_SHAPE = (0, 2, 1, 3, 2, 4, 3, 5, 4, 6, 5, 7, 6, 4, 2, 1)


def etude(number: int = 208, length: Fraction = Fraction(1, 4)) -> Passage:
    """Sixteenths in broken thirds, four to a slur, going up a step every bar."""
    notes = []
    for i in range(number):
        step = _SHAPE[i % 16] + (i // 16) % 5
        start = i * length
        notes.append(
            Note(
                index=i,
                written=Pitch("CDEFGAB"[step % 7], 0, 4 + step // 7),
                start=start,
                length=length,
                bar=int(start // 4),
                count=1 + start % 4,
                source=i,
                tongued=i % 4 == 0,
            )
        )
    bars = tuple(Bar(b, str(b + 1), b, Fraction(4 * b), Fraction(4), 4, 4) for b in range(notes[-1].bar + 1))
    return Passage("Broken thirds", tuple(notes), bars)
