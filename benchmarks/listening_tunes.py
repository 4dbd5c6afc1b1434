"""The melodies of `listening.py`: single lines of music21's corpus, chosen by counting.

ABC tunes and parts of MusicXML files alternate; of each kind the files are taken in order of their names, at an even
stride, one tune a file (the middle one of a collection). A tune is moved by octaves into an alto's range and cut at a
bar line after at most 250 notes; it needs 60. Costs were chosen on `for_choosing`; `for_reporting` has none of those.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from plan_corpus import Tune, abc_files, abc_tunes, handlers_of, musicxml_files, musicxml_parts

from companion.errors import CompanionError
from companion.passage import Passage

__all__ = ["for_choosing", "for_reporting"]

SHORTEST, LONGEST = 60, 250
#: An alto's written range (`charts/alto.toml`).
LOWEST, HIGHEST = 58, 90


def for_choosing() -> list[Tune]:
    """The 60 melodies that the costs of `companion/practice/costs.py` were chosen on."""
    return _tunes(240)[::4]


def for_reporting(wanted: int) -> list[Tune]:
    """So many melodies, always the same ones, none of `for_choosing` among them."""
    taken = {_print(tune.passage) for tune in for_choosing()}
    found = [tune for tune in _tunes(wanted + 60 + wanted % 2) if _print(tune.passage) not in taken]
    return found[:wanted]


def _print(passage: Passage) -> tuple[tuple[int, float], ...]:
    return tuple((note.written_midi, float(note.start)) for note in passage.notes)


def _tunes(wanted: int) -> list[Tune]:
    half = (wanted + 1) // 2
    kinds = [_evenly(abc_files(), half, _middle_abc), _evenly(musicxml_files(), half, _middle_part)]
    found = [tune for pair in zip(*kinds, strict=True) for tune in pair]
    return found[:wanted]


def _evenly(files: list[Path], wanted: int, tune_of: Callable[[Path], Tune | None]) -> list[Tune]:
    """One tune each of files at an even stride; a file that has none fitting gives way to the next."""
    found: list[Tune] = []
    seen: set[tuple[tuple[int, float], ...]] = set()
    taken: set[int] = set()
    for stride in (max(1, len(files) // (2 * wanted)), 1):
        for i in range(0, len(files), stride):
            if len(found) == wanted:
                return found
            if i in taken:
                continue
            taken.add(i)
            tune = tune_of(files[i])
            if tune is not None and _print(tune.passage) not in seen:
                seen.add(_print(tune.passage))
                found.append(tune)
    raise SystemExit(f"only {len(found)} of {wanted} melodies found: ask for fewer with --tunes")


def _middle_abc(path: Path) -> Tune | None:
    return _first_fitting(abc_tunes(path), skip=sum(1 for _ in handlers_of(path)) // 2)


def _middle_part(path: Path) -> Tune | None:
    try:
        return _first_fitting(musicxml_parts(path), skip=0)
    except CompanionError:
        # Not a score, or one that is refused: the reader's tests see to that.
        return None


def _first_fitting(found: Iterator[Tune], skip: int) -> Tune | None:
    for i, tune in enumerate(found):
        if i < skip:
            continue
        passage = _moved_and_cut(tune.passage)
        if passage is not None:
            return Tune(tune.place, passage)
    return None


def _moved_and_cut(passage: Passage) -> Passage | None:
    if len(passage.notes) < SHORTEST or not passage.bars:
        return None
    last = passage.notes[min(LONGEST, len(passage.notes)) - 1].bar
    if sum(note.bar <= last for note in passage.notes) > LONGEST:
        last -= 1
    if last < 0:
        return None
    passage = passage.excerpt(0, last)
    midis = [note.written_midi for note in passage.notes]
    if len(midis) < SHORTEST:
        return None
    octaves = [k for k in (0, 1, -1, 2, -2) if min(midis) + 12 * k >= LOWEST and max(midis) + 12 * k <= HIGHEST]
    if not octaves:
        return None
    return _up(passage, octaves[0])


def _up(passage: Passage, octaves: int) -> Passage:
    notes = []
    for note in passage.notes:
        note = replace(note, written=replace(note.written, octave=note.written.octave + octaves))
        if note.trill:
            other = replace(note.trill.other, octave=note.trill.other.octave + octaves)
            note = replace(note, trill=replace(note.trill, other=other))
        notes.append(note)
    return replace(passage, notes=tuple(notes))
