"""Which part of a score is meant where nobody names one: the week's, that of the last take, the only saxophone's."""

from __future__ import annotations

import argparse
import contextlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from companion import paths
from companion.errors import RecordError, ScoreError, SeveralParts, WeekSheetError

if TYPE_CHECKING:
    from companion.passage import Passage

__all__ = ["Found", "Lookup", "part_of_week", "read_part"]

#: `Alto Saxophone`, `Altsaxofon`, `Sassofono`, `Saksofon`; a saxhorn is brass.
_SAXOPHONE = re.compile(r"sax(?!horn)|sassofon|saksofon", re.IGNORECASE)
_OTHERWISE = "--part takes another"


@dataclass(frozen=True, slots=True)
class Lookup:
    """Where a part is looked up: the week sheet and the practice log (None: the usual ones), and what is asked for."""

    sheet: Path | None = None
    sessions: Path | None = None
    bars: str = ""
    exercise: str = ""

    @classmethod
    def of(cls, args: argparse.Namespace) -> Lookup:
        """What a command was told."""
        sheet, sessions, bars, exercise = (
            getattr(args, name, None) for name in ("sheet", "sessions", "bars", "exercise")
        )
        # Of several exercises on a sheet none is the one asked for.
        asked = exercise.strip().lower() if isinstance(exercise, str) else ""
        return cls(sheet, sessions, bars or "", asked)


@dataclass(frozen=True, slots=True)
class Found:
    """A passage; `part` is what `--part` takes for it, None where the score leaves no choice. `said` is one line where
    the part was looked up."""

    passage: Passage
    part: str | None = None
    said: tuple[str, ...] = ()


def read_part(file: Path, part: str | None, lookup: Lookup) -> Found:
    """Read the part that is named; of several, where none is, the one that the week sheet asks for, else that of the
    last take, else the only saxophone's.

    Raises
    ------
    ScoreError
        Where the score can't be read; where nothing names one of several parts, it lists them (`SeveralParts`).
    """
    from companion.scores import read

    if part is not None:
        return Found(read(file, part), part)
    several: SeveralParts | None = None
    alone: Passage | None = None
    try:
        alone = read(file)
    except SeveralParts as error:
        several = error
    said: tuple[str, ...] = ()
    if week := part_of_week(file, lookup):
        try:
            passage = read(file, week)
        except ScoreError as error:
            said = (f"the week sheet's part is not taken: {error}",)
        else:
            if alone is not None and alone.notes == passage.notes:
                return Found(alone)
            return Found(passage, week, (_taken(passage, "as the week sheet has it"),))
    if alone is not None:
        return Found(alone, None, said)
    assert several is not None
    for wanted, why in (
        (_of_last_take(file, several.parts, lookup), "as in the last take of it"),
        (_only_saxophone(several.parts), "the only saxophone's"),
    ):
        if wanted:
            passage = read(file, wanted)
            return Found(passage, wanted, (*said, _taken(passage, why)))
    raise several


def _taken(passage: Passage, why: str) -> str:
    return f"the part {passage.part_name or passage.part_id} is taken, {why}; {_OTHERWISE}"


def part_of_week(file: Path, lookup: Lookup) -> str:
    """The part that the week sheet names for what is asked for, or for all that it asks of this score; empty where it
    names none, or several. A faulty sheet is not followed here."""
    from companion.record.week import item_for, items_of, load

    try:
        sheet = load(lookup.sheet or paths.week_sheet())
        item = item_for(sheet, file, lookup.bars, lookup.exercise)
        if item is not None and item.part:
            return item.part
        parts = {each.part for each in items_of(sheet, file) if each.part}
    except WeekSheetError:
        return ""
    return parts.pop() if len(parts) == 1 else ""


def _of_last_take(file: Path, parts: Sequence[tuple[str, str]], lookup: Lookup) -> str:
    """The part of the newest take of this score; empty where there is none, or two parts are called so."""
    from companion.record.files import sha256_of
    from companion.record.index import Wanted, survey
    from companion.record.progress import of_passage, who_played

    sha256 = sha256_of(file)
    with contextlib.suppress(RecordError):  # the command that needs the log says so
        log = survey(lookup.sessions or paths.sessions_dir(), wanted=Wanted(sha256=sha256, file_name=file.name))
        takes, _ = who_played(of_passage(log.takes, sha256, str(file))[0])
        if takes:
            played = max(takes, key=lambda take: take.started).part
            return _the_one([each for each in parts if played and played in each], parts)
    return ""


def _only_saxophone(parts: Sequence[tuple[str, str]]) -> str:
    return _the_one([each for each in parts if _SAXOPHONE.search(each[1])], parts)


def _the_one(found: Sequence[tuple[str, str]], parts: Sequence[tuple[str, str]]) -> str:
    """What `--part` takes for the only one found: its name, where no other part is called so."""
    if len(found) != 1:
        return ""
    key, name = found[0]
    return name if name and sum(each == name for _, each in parts) == 1 else key
