"""Exercises as files: where they may be written, and writing them."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from companion.errors import UsageError

if TYPE_CHECKING:
    from companion.charts.model import Chart
    from companion.cli.exercises import Item
    from companion.cli.opening import Opened
    from companion.passage import Passage
    from companion.planning.rules import Rule

__all__ = ["MIDI", "write_exercise", "write_items"]

#: Endings of MIDI files.
MIDI = (".mid", ".midi")
_ENDINGS = {"musicxml": (".musicxml",), "midi": (".mid",), "both": (".musicxml", ".mid")}
_LONGEST_NAME = 80
#: What a score says of itself stands in so many bytes at its beginning.
_HEAD_BYTES = 4096


def write_items(
    items: Sequence[Item], out: Path, opened: Opened, wanted: str | None, sounding: bool, overwrite: bool
) -> list[list[Path]]:
    """Write exercises to a file, or each to files of its own in a folder; returns which.

    Nothing is written where anything can't be: all names are looked at first.

    Raises
    ------
    UsageError
        A name with another ending, the score itself, a file that is there already, a folder that isn't writable.
    """
    from companion.cli.made import document_of
    from companion.cli.marked_score import write_output
    from companion.scores.write_midi import to_midi

    folder = _is_folder(out)
    if folder:
        named = _names(items, out, opened, _ENDINGS[wanted or "musicxml"])
    else:
        named = [[out]]
        _check_one_file(items, out, wanted)
    paths = [path for own in named for path in own]
    if sounding and not any(path.suffix.lower() in MIDI for path in paths):
        raise UsageError("--sounding is for MIDI: MusicXML says itself how the horn transposes")
    if folder:
        _make_folder(out)
    for path in paths:
        _check(path, opened.passage.origin, overwrite)
    contents = [
        to_midi(item.passage, sounding=sounding)
        if path.suffix.lower() in MIDI
        else document_of(item.passage, item.plan)
        for item, own in zip(items, named, strict=True)
        for path in own
    ]
    for path, content in zip(paths, contents, strict=True):
        write_output(path, content)
    return named


def _is_folder(out: Path) -> bool:
    return os.path.isdir(out) or not out.suffix


def _check_one_file(items: Sequence[Item], out: Path, wanted: str | None) -> None:
    if len(items) > 1:
        raise UsageError(f"-o {out}: that is one file for {len(items)} exercises; name a folder")
    midi = out.suffix.lower() in MIDI
    if wanted and wanted != ("midi" if midi else "musicxml"):
        raise UsageError(f"-o {out}: its ending says what is written, --format {wanted} another; leave one of them out")


def _names(items: Sequence[Item], folder: Path, opened: Opened, endings: Sequence[str]) -> list[list[Path]]:
    """A name for each, after the passage and the exercise's title."""
    stem = _plain_name(Path(opened.passage.origin).stem)
    named: list[list[Path]] = []
    taken: set[str] = set()
    for item in items:
        title = f"{stem}-{_plain_name(item.passage.title)}"[:_LONGEST_NAME].rstrip("-")
        name, number = title, 1
        while name in taken:
            number += 1
            name = f"{title}-{number}"
        taken.add(name)
        named.append([folder / f"{name}{ending}" for ending in endings])
    return named


def _plain_name(text: str) -> str:
    """Letters, digits and hyphens that every file system takes."""
    from companion.plain import plain_ascii

    text = text.replace("♯", "-sharp").replace("♭", "-flat")
    return re.sub(r"[^a-z0-9]+", "-", plain_ascii(text).lower()).strip("-") or "exercise"


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise UsageError(f"-o {folder}: that folder can't be made ({error.strerror}); name another") from error


def _check(path: Path, origin: str, overwrite: bool) -> None:
    from companion.cli.marked_score import PLAIN, check_output

    if path.suffix.lower() == ".pdf":
        how = f"companion handout {origin} --exercise NAME -o {path}"
        raise UsageError(f"-o {path}: a printed sheet is written by {how}")
    check_output("-o", path, origin, (*PLAIN, *MIDI), ".musicxml or .mid, or name a folder")
    if not overwrite and os.path.lexists(path):
        raise UsageError(f"-o {path}: is there already; give another name, or --overwrite to replace it")


def _is_ours(file: Path) -> bool:
    """Whether it is empty or an exercise as this program writes it, unless another one has written it since."""
    with file.open("rb") as there:
        beginning = there.read(_HEAD_BYTES)
    return not beginning or b"<software>companion</software>" in beginning


def write_exercise(option: str, out: Path, made: Passage, chart: Chart, rules: tuple[Rule, ...], origin: str) -> None:
    """Write one exercise as MusicXML with its marks to the file that `option` names, also where one was before. Raises
    `UsageError` where it can't be written, or a score that is none of ours would be lost by it."""
    from companion.cli.made import document_of, plan_of
    from companion.cli.marked_score import PLAIN, check_output, write_output

    check_output(option, out, origin, PLAIN, ".musicxml or .xml: it isn't packed")
    if os.path.exists(out) and not _is_ours(out):
        raise UsageError(f"{option} {out}: is there already and no exercise; give another name")
    write_output(out, document_of(made, plan_of(made, chart, rules)))
