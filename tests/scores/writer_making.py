"""Passages made from simple lists or drawn by hypothesis, and what is compared after writing and reading them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction as F

from hypothesis import strategies as st

from companion.passage import Bar, Note, Passage, Pitch, Slur, TempoMark
from companion.scores.rhythm import full_bar_beats

#: Ways to fill one beat: simple ones of a quarter, compound ones of a dotted quarter.
SIMPLE = (
    "1", "1/2 1/2", "1/4 1/4 1/4 1/4", "3/4 1/4", "1/4 3/4", "1/4 1/2 1/4", "1/3 1/3 1/3", "2/3 1/3", "1/3 2/3",
    "1/6 1/6 1/6 1/6 1/6 1/6", "1/5 1/5 1/5 1/5 1/5", "1/2 1/6 1/6 1/6", "1/8 1/8 1/4 1/2", "1/7 2/7 1/7 2/7 1/7",
)  # fmt: skip
COMPOUND = ("3/2", "1/2 1/2 1/2", "1 1/2", "1/2 1", "1/4 1/4 1/4 1/4 1/4 1/4", "3/4 1/4 1/2", "3/4 3/4")
METERS = ((4, 4), (3, 4), (2, 4), (6, 8), (9, 8), (2, 2), (3, 8), (5, 4), (7, 8), (12, 8))


def line(
    lengths: str | Sequence[F],
    *,
    meter: tuple[int, int] = (4, 4),
    pitches: Sequence[Pitch] = (),
    upbeat: F = F(0),
    fifths: int = 0,
    slurs: Sequence[Slur] = (),
) -> Passage:
    """Notes one after another; a length with a minus sign is a rest."""
    values = [F(v) for v in lengths.split()] if isinstance(lengths, str) else list(lengths)
    full, total = full_bar_beats(*meter), sum(map(abs, values), F(0))
    bars, at = [], F(0)
    while at < total:
        length = upbeat if upbeat and not bars else full
        number = str(len(bars) + (not upbeat))
        upbeat_here = bool(upbeat) and not bars
        bars.append(Bar(len(bars), number, len(bars), at, length, *meter, fifths, "major", upbeat_here))
        at += length
    notes: list[Note] = []
    now = F(0)
    for value in values:
        if value > 0:
            bar = next(b for b in reversed(bars) if b.start <= now)
            missing = full - bar.length if bar.upbeat else F(0)
            count = (now - bar.start + missing) * F(meter[1], 4) + 1
            pitch = pitches[len(notes) % len(pitches)] if pitches else Pitch("CDEFGAB"[len(notes) % 7], 0, 5)
            notes.append(Note(len(notes), pitch, now, value, bar.index, count, len(notes)))
        now += abs(value)
    return Passage("A line", tuple(notes), tuple(bars), tuple(slurs), (TempoMark(F(0), 90, "♩ = 90"),))


@st.composite
def passages(draw: st.DrawFn) -> Passage:
    """Up to four bars: tuplets, dots, rests, syncopations, ties over bar lines, an upbeat, slurs, articulations."""
    meter = draw(st.sampled_from(METERS))
    compound = meter[0] % 3 == 0 and meter[1] == 8
    beat = F(3, 2) if compound else F(1) if meter[1] <= 4 else F(1, 2)
    full = full_bar_beats(*meter)
    upbeat = draw(st.sampled_from((F(0), beat))) if full > beat else F(0)
    beats = int(full / beat) * draw(st.integers(1, 3)) + int(upbeat / beat)
    lengths: list[F] = []
    for _ in range(beats):
        filling = draw(st.sampled_from(COMPOUND if compound else SIMPLE if beat == 1 else ("1/2", "1/4 1/4")))
        lengths += [F(part) for part in filling.split()]
    tied: list[F] = []
    for length in lengths:
        kind = draw(st.integers(0, 9))
        if kind == 0 and tied and tied[-1] > 0:
            tied[-1] += length
        else:
            tied.append(-length if kind == 1 else length)
    if all(length < 0 for length in tied):
        tied[0] = -tied[0]
    count = sum(length > 0 for length in tied)
    pitch = st.builds(Pitch, st.sampled_from("CDEFGAB"), st.integers(-2, 2), st.integers(4, 5))
    passage = line(
        tied,
        meter=meter,
        upbeat=upbeat,
        fifths=draw(st.integers(-7, 7)),
        pitches=draw(st.lists(pitch, min_size=count, max_size=count)),
        slurs=draw(_slurs(count)),
    )
    return _decorated(draw, passage)


@st.composite
def _slurs(draw: st.DrawFn, count: int) -> list[Slur]:
    slurs, at = [], 0
    while at + 1 < count:
        length = draw(st.integers(0, 4))
        if length and at + length < count:
            slurs.append(Slur(at, at + length))
        at += length + 1
    return slurs


def _decorated(draw: st.DrawFn, passage: Passage) -> Passage:
    names = st.frozensets(st.sampled_from(("staccato", "tenuto", "accent", "strong-accent")), max_size=2)
    led_into = {i for slur in passage.slurs for i in range(slur.first + 1, slur.last + 1)}
    notes = tuple(
        replace(
            note, articulations=draw(names), fermata=draw(st.integers(0, 9)) == 0, tongued=note.index not in led_into
        )
        for note in passage.notes
    )
    return replace(passage, notes=notes)
