"""What was recorded, deleted on request: planned first, so that it can be shown, then carried out.

What is kept of a student, and where:

* the log's sittings, and copies that `companion.record.migrating` kept of them;
* the answers about shapes, in `shapes/` of the log;
* in the cache, made of these: the indexes of logs and the plots;
* beside the log, not of it: controllers, levels and the computer's keys (settings), the week sheet, mark sheets.

Only files that this program wrote are touched, and only in these folders: links are not followed, and what they lead to
stays. A file that is kept in part is written beside its place and renamed. Broken off midway, the same call deletes the
rest.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from companion.errors import RecordError
from companion.record.choosing import Choice
from companion.record.files import locked, sync_dir
from companion.record.index import INDEX_FILES
from companion.record.log import SUFFIX
from companion.record.log_folder import folders_of, is_left_over, only_writer_of_log
from companion.record.model import plain_text
from companion.record.raw_lines import SITTING, TAKE, RawLine, is_log, raw_lines, summary_of
from companion.record.rewriting import rewrite, state_of
from companion.record.shapes import FOLDER as SHAPES
from companion.record.shapes import answer_day
from companion.record.studio_index import STUDIO_FILES

__all__ = ["Deletion", "carry_out", "plan_deletion"]

_MOST_NAMES = 4
#: What a student's folder in a studio has its log in.
_LOG = "sessions"


@dataclass(slots=True)
class Deletion:
    """What goes and what stays.

    `whole` are files that go, `parts` files that lose some of their lines, `made` files that are made again from what
    stays. `stays` says in words what else is there, and why it stays.
    """

    sessions: Path
    choice: Choice
    cache: Path
    takes: int = 0
    answers: int = 0
    takes_kept: int = 0
    answers_kept: int = 0
    days: tuple[str, ...] = ()
    titles: tuple[str, ...] = ()
    whole: list[Path] = field(default_factory=list)
    parts: list[Path] = field(default_factory=list)
    made: list[Path] = field(default_factory=list)
    #: Size and time of change of each file, before it was read.
    seen: dict[Path, tuple[int, int]] = field(default_factory=dict)
    stays: list[str] = field(default_factory=list)

    @property
    def empty(self) -> bool:
        """Nothing that was recorded goes."""
        return not self.whole and not self.parts


def plan_deletion(sessions: Path, choice: Choice, cache: Path) -> Deletion:
    """What deleting the takes that are meant would do; nothing is touched. `Choice()` is a student's whole record.

    Raises
    ------
    RecordError
        If the log can't be read.
    """
    plan = Deletion(Path(os.path.abspath(sessions)), choice, Path(cache))
    if plan.sessions.exists() and not plan.sessions.is_dir():
        raise RecordError(f"{sessions}: is no folder; name that of the practice log, or set COMPANION_SESSIONS to it")
    days: set[str] = set()
    titles: set[str] = set()
    try:
        for path in _files(plan.sessions, plan):
            plan.seen[path] = state_of(path)
            _plan_sitting(path, plan, days, titles)
        for path in _files(plan.sessions / SHAPES, plan):
            plan.seen[path] = state_of(path)
            _plan_answers(path, plan)
        for folder in folders_of(plan.sessions)[2:]:
            copies = [path for path in _files(folder, plan) if is_log(path)]
            if choice.all:
                plan.whole += copies
            elif copies:
                plan.stays.append(f"{folder}: copies of sittings of an earlier format; delete them by hand")
    except OSError as error:
        raise RecordError(
            f"{error.filename or sessions}: can't be read ({error.strerror}), so it can't be told what stands in it;"
            " nothing was deleted"
        ) from error
    plan.days, plan.titles = tuple(sorted(days)), tuple(sorted(titles))
    plan.made = _made(plan.cache)
    return plan


def _files(folder: Path, plan: Deletion) -> list[Path]:
    """The regular files of a folder that may be ours, by name; links are said to stay."""
    if folder.is_symlink() and folder != plan.sessions:
        plan.stays.append(f"{folder}: a link; where it leads to is left alone")
        return []
    if not folder.is_dir():
        return []
    found, others, of_log = [], [], folders_of(plan.sessions)
    for path in sorted(folder.iterdir()):
        if path.name == _LOG and path.is_dir():
            plan.stays.append(f"{path}: a log of its own; for that one add --sessions {path}")
            continue
        if not path.name.endswith(SUFFIX) and not is_left_over(path.name):
            if path not in of_log:
                others.append(path.name)
        elif path.is_symlink():
            plan.stays.append(f"{path}: a link; where it leads to is left alone")
        elif path.is_file():
            found.append(path)
        else:
            others.append(path.name)
    if others and plan.choice.all:
        plan.stays.append(f"{folder}: {_some(others)}, no part of the log")
    return found


def _some(names: list[str]) -> str:
    more = len(names) - _MOST_NAMES
    return plain_text(", ".join(names[:_MOST_NAMES])) + (f" and {more} more" if more > 0 else "")


def _plan_sitting(path: Path, plan: Deletion, days: set[str], titles: set[str]) -> None:
    if not is_log(path):
        plan.stays.append(f"{path}: no practice log, so nothing of this program")
        return
    goes = kept = other = examples = 0
    found: set[str] = set()
    named: set[str] = set()
    for line in raw_lines(path):
        if _is_example(line):
            examples += 1
        elif line.kind == SITTING:
            continue
        elif line.kind == TAKE and (day := _day_if_meant(line, path, plan.choice)) is not None:
            goes += 1
            found |= {day} - {""}
            named.add(plain_text(str(line.fields.get("title") or "without a title"))[:80])
        elif line.kind == TAKE:
            kept += 1
        elif line.data.strip():
            other += 1
    if examples:
        plan.stays.append(f"{path}: an example that comes along, nobody's practice")
        if not goes:
            plan.takes_kept += kept
            return
    if not path.name.endswith(SUFFIX):
        if goes or plan.choice.all:
            plan.whole.append(path)  # the whole one is beside it
        return
    days |= found
    titles |= named
    if not examples and (plan.choice.all or (goes and not kept and not _has_other_kinds(path))):
        plan.whole.append(path)
        plan.takes += goes + kept
        return
    plan.takes_kept += kept
    if not goes:
        return
    plan.parts.append(path)
    plan.takes += goes
    if other and not plan.choice.all:
        plan.stays.append(f"{path}: {other} of its lines can't be read, so it can't be told what takes they are of")


def _is_example(line: RawLine) -> bool:
    """Whether a line belongs to an example; logs that somebody put together in one file hold others beside it."""
    return line.kind in (SITTING, TAKE) and line.sitting.get("example") is True


def _has_other_kinds(path: Path) -> bool:
    return any(line.kind not in ("", SITTING, TAKE) or not line.known for line in raw_lines(path))


def _day_if_meant(line: RawLine, path: Path, choice: Choice) -> str | None:
    """The day of a take that is meant, None for another; empty where the take can't be read but all are meant."""
    try:
        take = summary_of(line, path.name)
    except ValueError:
        return "" if choice.all else None
    return take.day if (choice.all or line.known) and choice.has(take) else None


def _plan_answers(path: Path, plan: Deletion) -> None:
    lines = list(_lines(path))
    if not plan.choice.all and not any(answer_day(line) for line in lines):
        return
    if not any(answer_day(line) or line.startswith(b'{"format":') for line in lines):
        plan.stays.append(f"{path}: no answers about shapes, so nothing of this program")
        return
    goes = sum(_answer_goes(path, line, plan.choice) for line in lines)
    if goes == len(lines):
        plan.whole.append(path)
    elif goes:
        plan.parts.append(path)
    plan.answers += goes
    plan.answers_kept += len(lines) - goes


def _lines(path: Path) -> Iterator[bytes]:
    with open(path, "rb") as file:
        yield from (line for line in file if line.strip())


def _answer_goes(path: Path, line: bytes, choice: Choice) -> bool:
    if choice.all or choice.file:  # they belong to no passage
        return choice.all
    day = answer_day(line)
    return choice.has_horn(path.name.removeprefix(".").partition(".")[0]) and day is not None and choice.has_day(day)


def _made(cache: Path) -> list[Path]:
    """The indexes and the plots: regular files in the cache. All of them, for a log that was moved or copied has left
    another index behind."""
    found = sorted([*cache.glob(INDEX_FILES), *cache.glob(STUDIO_FILES)])
    plots = cache / "plots"
    if plots.is_dir() and not plots.is_symlink():
        found += sorted(path for path in plots.iterdir() if path.suffix in (".png", ".svg", ".pdf"))
    return [path for path in found if path.is_file() and not path.is_symlink()]


def carry_out(plan: Deletion) -> tuple[Deletion, list[str]]:
    """Delete what was planned. It is looked at anew first: a stand may have gone on since.

    Returns
    -------
    (Deletion, list of str)
        What was deleted, and remarks on what is made again anyway and could not be deleted.

    Raises
    ------
    RecordError
        If a file can't be deleted or rewritten. What went before it is gone, the rest is as it was. If another command
        is at work on the log.
    """
    with only_writer_of_log(plan.sessions):
        return _carry_out(plan_deletion(plan.sessions, plan.choice, plan.cache))


def _carry_out(plan: Deletion) -> tuple[Deletion, list[str]]:
    folders = set()
    for path in plan.whole:
        # A folder that became a link since it was looked at leads elsewhere.
        if path.parent == plan.sessions or not path.parent.is_symlink():
            with _said(path):
                _unlink(path, plan)
            folders.add(path.parent)
    for path in plan.parts:
        with _said(path):
            rewrite(path, lambda line, path=path: _kept(line, path, plan))  # type: ignore[misc]
    for folder in folders:
        sync_dir(folder)
        if folder != plan.sessions:
            with contextlib.suppress(OSError):  # not empty
                folder.rmdir()
    remarks = []
    for path in plan.made:
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            remarks.append(f"{path}: can't be deleted ({error.strerror}); end other runs of companion and delete it")
    return plan, remarks


def _unlink(path: Path, plan: Deletion) -> None:
    """Delete a file; one that a stand has written to since it was looked at may hold takes now that stay."""
    if plan.choice.all:
        path.unlink(missing_ok=True)
        return
    with contextlib.suppress(FileNotFoundError), locked(path):
        if state_of(path) == plan.seen[path]:
            path.unlink()
        else:
            plan.parts.append(path)


def _kept(line: RawLine, path: Path, plan: Deletion) -> bytes:
    if path.parent.name == SHAPES and path.parent.parent == plan.sessions:
        return b"" if _answer_goes(path, line.data, plan.choice) else line.data
    if plan.choice.all:
        return line.data if _is_example(line) else b""
    goes = line.kind == TAKE and not _is_example(line) and _day_if_meant(line, path, plan.choice) is not None
    return b"" if goes else line.data


@contextlib.contextmanager
def _said(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise RecordError(
            f"{path}: can't be deleted or rewritten ({error.strerror or error}); call again when it can, the rest goes"
            " then"
        ) from error
