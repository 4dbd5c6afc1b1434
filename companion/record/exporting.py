"""Takes written out of the log: as JSON Lines, as tables for a spreadsheet, as MIDI files.

An export is a new folder. It is filled beside its place and gets its name when it is whole.

* `jsonl`: the log's own lines, byte by byte, a file a sitting, and the answers about shapes: such a folder is a
  practice log itself (`--sessions FOLDER`), and importing it gives the same takes. An export of the whole log has the
  player's settings, too.
* `csv`: `takes.csv`, `notes.csv`, and `columns.txt`, which says what stands in each column. Events are by the ten
  thousand, nothing for a spreadsheet: they stay out.
* `midi`: a Standard MIDI file a take (see `companion.record.take_midi`).
"""

from __future__ import annotations

import contextlib
import csv
import io
import os
import re
import secrets
import shutil
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TextIO

from companion.errors import RecordError
from companion.plain import plain_ascii
from companion.record.choosing import Choice
from companion.record.codec import decode_line, take_from, without_events
from companion.record.files import create_synced, make_dir_synced, writing_synced
from companion.record.log import log_files
from companion.record.model import TakeSummary
from companion.record.own_settings import copy_settings
from companion.record.raw_lines import SITTING, TAKE, RawLine, is_log, raw_lines, summary_of
from companion.record.shapes import FOLDER as SHAPES
from companion.record.shapes import answer_day
from companion.record.take_midi import midi_from_take
from companion.record.take_tables import NOTE_COLUMNS, TAKE_COLUMNS, columns_text, note_rows, take_row

__all__ = ["FORMATS", "Exported", "export"]

_LONGEST_NAME = 120


@dataclass(slots=True)
class Exported:
    """What was written: how many takes, answers about shapes, files of settings, and files in all; `remarks` say what
    was left out though it was meant."""

    takes: int = 0
    answers: int = 0
    settings: int = 0
    files: int = 0
    remarks: list[str] = field(default_factory=list)


def export(sessions: Path, out: Path, form: str, choice: Choice, settings: Path | None = None) -> Exported:
    """Write the takes that are meant into the new folder `out`.

    Parameters
    ----------
    sessions
        The log's folder.
    out
        A folder that is not there yet, or an empty one.
    form
        A key of `FORMATS`.
    settings
        The player's settings folder, which goes along with the whole log as JSON Lines.

    Raises
    ------
    RecordError
        If `out` can't be written or holds something, or no take is meant: then nothing is written.
    """
    done = Exported()
    try:
        with _new_folder(out) as folder:
            FORMATS[form](sessions, folder, choice, done)
            if not done.takes and not done.answers:
                meant = f" {choice.in_words()}" if choice.in_words() else ""
                raise RecordError(f"{sessions}: there is no take{meant} to export, so {out} was not written")
            if settings is not None and form == "jsonl" and choice.all:
                done.settings = copy_settings(settings, folder)
                done.files += done.settings
    except OSError as error:
        # The folder beside it has a name that nobody gave.
        place = out if not error.filename or _beside(out, "") in str(error.filename) else error.filename
        raise RecordError(
            f"{place}: can't be read or written ({error.strerror or error}); {out} was not written"
        ) from error
    return done


@contextlib.contextmanager
def _new_folder(out: Path) -> Iterator[Path]:
    """A folder beside `out`, which gets its name when the block ends well, and is gone where it does not."""
    if out.is_symlink() or (out.exists() and not out.is_dir()):
        raise RecordError(f"{out}: is there already and no folder; name a new folder")
    if out.is_dir() and any(out.iterdir()):
        raise RecordError(f"{out}: holds something already, which stays as it is; name a new folder")
    whole = Path(os.path.abspath(out))
    make_dir_synced(whole.parent)
    made = whole.parent / _beside(whole, secrets.token_hex(4))
    made.mkdir()
    try:
        yield made
        if whole.is_dir():
            whole.rmdir()  # empty; Windows renames nothing onto it
        os.rename(made, whole)
    except BaseException:
        shutil.rmtree(made, ignore_errors=True)
        raise


def _beside(out: Path, letters: str) -> str:
    """The folder's name until it is whole. Not a hidden one: who kills the export should see what is left of it."""
    return f"{os.path.basename(os.path.abspath(out))}.unfinished-{letters}"


def _chosen(sessions: Path, choice: Choice, done: Exported) -> Iterator[tuple[TakeSummary, RawLine]]:
    """The takes that are meant, sitting by sitting; what can't be read is remarked."""
    for entry in log_files(sessions):
        for summary, line in _of_file(Path(entry.path), choice, done):
            if summary is not None:
                yield summary, line


def _of_file(path: Path, choice: Choice, done: Exported) -> Iterator[tuple[TakeSummary | None, RawLine]]:
    """The takes of a file that are meant, with their summaries, and all lines that are no takes, without."""
    torn: list[int] = []
    try:
        if not is_log(path):
            done.remarks.append(f"{path.name}: this is no practice log; left out")
            return
        for line in raw_lines(path):
            if line.kind == TAKE and line.known:
                try:
                    summary = summary_of(line, path.name)
                except ValueError as error:
                    done.remarks.append(f"{path.name} line {line.number}: {error}; this take is left out")
                    continue
                if choice.has(summary):
                    yield summary, line
            elif line.kind:
                yield None, line
            elif line.data.strip():
                torn.append(line.number)
    except OSError as error:
        done.remarks.append(f"{path.name}: can't be read to its end ({error.strerror}); the rest is left out")
    if torn:
        done.remarks.append(f"{path.name} line {torn[0]}: cut off or damaged; left out" + _and_more(len(torn) - 1))


def _and_more(count: int) -> str:
    return f", as {count} more of its lines" if count else ""


def _jsonl(sessions: Path, out: Path, choice: Choice, done: Exported) -> None:
    for entry in log_files(sessions):
        _copy_sitting(Path(entry.path), out / entry.name, choice, done)
    if not choice.file:
        _copy_shapes(sessions / SHAPES, out / SHAPES, choice, done)


def _copy_sitting(path: Path, out: Path, choice: Choice, done: Exported) -> None:
    heads: list[bytes] = []
    strange = 0
    lines = _of_file(path, choice, done)
    with contextlib.ExitStack() as stack:
        file = None
        for summary, line in lines:
            if line.kind == SITTING and line.known:
                heads.append(line.data)
                continue
            if summary is None and not choice.all:
                strange += 1
                continue
            if file is None:
                file = stack.enter_context(writing_synced(out))
                done.files += 1
            file.writelines([*heads, line.data if line.data.endswith(b"\n") else line.data + b"\n"])
            heads = []
            done.takes += summary is not None
    if strange:
        done.remarks.append(f"{path.name}: lines of a later program, of which it can't be told whether they are meant")


def _copy_shapes(folder: Path, out: Path, choice: Choice, done: Exported) -> None:
    for entry in log_files(folder):
        if not choice.has_horn(Path(entry.name).stem):
            continue
        with open(entry.path, "rb") as file:
            lines = [line if line.endswith(b"\n") else line + b"\n" for line in file if line.strip()]
        kept = lines if choice.all else [line for line in lines if choice.has_day(answer_day(line) or "")]
        if kept:
            out.mkdir(exist_ok=True)
            create_synced(out / entry.name, b"".join(kept))
            done.files += 1
            done.answers += len(kept)


def _tables(sessions: Path, out: Path, choice: Choice, done: Exported) -> None:
    create_synced(out / "columns.txt", columns_text().encode())
    with (
        writing_synced(out / "takes.csv") as takes_file,
        writing_synced(out / "notes.csv") as notes_file,
        _text(takes_file) as takes_text,
        _text(notes_file) as notes_text,
    ):
        takes, notes = csv.writer(takes_text), csv.writer(notes_text)
        takes.writerow(TAKE_COLUMNS)
        notes.writerow(NOTE_COLUMNS)
        for summary, line in _chosen(sessions, choice, done):
            try:
                take = take_from(without_events(line.data))
            except ValueError as error:
                done.remarks.append(f"{summary.file} line {line.number}: {error}; this take is left out")
                continue
            takes.writerow(take_row(summary, take))
            notes.writerows(note_rows(take))
            done.takes += 1
    done.files += 3


@contextlib.contextmanager
def _text(file: Any) -> Iterator[TextIO]:
    text = io.TextIOWrapper(file, encoding="utf-8", newline="")
    try:
        yield text
        text.flush()
    finally:
        text.detach()


def _midi_files(sessions: Path, out: Path, choice: Choice, done: Exported) -> None:
    names: set[str] = set()
    for summary, line in _chosen(sessions, choice, done):
        try:
            content = midi_from_take(decode_line(line.data), line.sitting)
        except (ValueError, OverflowError) as error:
            done.remarks.append(f"{summary.file} line {line.number}: {error}; this take is left out")
            continue
        name = _file_name(summary, names)
        create_synced(out / name, content)
        done.takes += 1
        done.files += 1


def _file_name(take: TakeSummary, taken: set[str]) -> str:
    """`2026-11-23T17-12-20 etude-e-minor bars 5-8 60.mid`, safe on every system and in no other use."""
    bars = f" bars {take.bars}" if take.bars else ""
    stem = f"{take.started[:19]} {Path(take.file_name).stem or take.title}{bars} {take.tempo_bpm:g}"
    plain = re.sub(r"[^A-Za-z0-9. _-]+", "-", plain_ascii(stem)).strip(" .-")[:_LONGEST_NAME] or "take"
    name, number = plain, 1
    while name.casefold() in taken:
        number += 1
        name = f"{plain} ({number})"
    taken.add(name.casefold())
    return f"{name}.mid"


#: name of the format -> what writes it
FORMATS: Mapping[str, Callable[[Path, Path, Choice, Exported], None]] = {
    "jsonl": _jsonl,
    "csv": _tables,
    "midi": _midi_files,
}
