"""Which files of a studio's folder are read: one folder a student, and nothing that leads out of it.

    studio/
      Ada Example/
        sessions/*.jsonl      the practice log (or the .jsonl files beside week.toml)
        week.toml             the week sheet (or shared/week.toml, with the passages beside it)
      Ben Example/
        ...

A folder comes from another computer, so links in it are named and not followed: what a student may see is never more
than the teacher's command was told to read, and the other way round.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import stat
from dataclasses import dataclass
from pathlib import Path

from companion.errors import RecordError
from companion.record.log import SUFFIX
from companion.record.model import plain_text

__all__ = [
    "LogFile",
    "StudentFolder",
    "content_hash",
    "log_files_of",
    "read_regular",
    "regular_only",
    "student_folders",
]

_LOG_FOLDER, _SHEETS = "sessions", ("week.toml", "shared/week.toml")
#: Of the same kind of remark in one student's folder.
_MOST_REMARKS = 3
#: A score is smaller.
_MOST_SCORE_BYTES = 64 * 2**20


@dataclass(frozen=True, slots=True)
class StudentFolder:
    """A student's folder: its `name`, the folders that hold sittings, the week sheet where there is one."""

    name: str
    path: Path
    logs: tuple[Path, ...]
    sheet: Path | None


@dataclass(frozen=True, slots=True)
class LogFile:
    """A sitting's file, as `name` within the student's folder, and what tells whether it has changed."""

    student: str
    name: str
    path: str
    size: int
    changed_ns: int


def student_folders(studio: Path, remarks: list[str]) -> list[StudentFolder]:
    """The students' folders by name; what is none is said in `remarks`.

    Raises
    ------
    RecordError
        If the folder can't be read, or no student is in it.
    """
    try:
        with os.scandir(studio) as entries:
            names = sorted(entry.name for entry in entries if not entry.name.startswith("."))
    except OSError as error:
        raise RecordError(
            f"{studio}: can't be read ({error.strerror}); give the folder that holds one folder for each student"
        ) from error
    found = [folder for name in names if (folder := _student(studio, name, remarks)) is not None]
    if not found or {folder.name for folder in found} <= {_LOG_FOLDER, "shared"}:
        own = found or any(name.endswith(SUFFIX) for name in names)
        what = "this is one student's own folder: give the one above it" if own else "no student's folder is in it"
        raise RecordError(
            f"{studio}: {what}; expected is a folder for each student, with sessions/ and week.toml in it"
        )
    return found


def _student(studio: Path, name: str, remarks: list[str]) -> StudentFolder | None:
    path = studio / name
    shown = plain_text(name)
    if path.is_symlink():
        remarks.append(f"{shown}: a link, which is not followed; put the folder itself there")
        return None
    if not path.is_dir():
        return None
    if name != name.encode("utf-8", "replace").decode():
        remarks.append(f"{shown}: its name is not UTF-8, so it is not read: give it another")
        return None
    try:
        logs = [folder for folder in (path / _LOG_FOLDER, path) if _has_sittings(folder, shown, remarks)]
        sheet = _sheet(path, shown, remarks)
    except OSError as error:
        remarks.append(f"{shown}: can't be read ({error.strerror}); left alone")
        return None
    if not logs and sheet is None and not (path / _LOG_FOLDER).is_dir():
        remarks.append(f"{shown}: neither a practice log (sessions/) nor a week sheet (week.toml) in it; left alone")
        return None
    return StudentFolder(name, path, tuple(logs), sheet)


def _has_sittings(folder: Path, student: str, remarks: list[str]) -> bool:
    if folder.is_symlink():
        remarks.append(f"{student}/{folder.name}: a link, which is not followed; put the folder itself there")
        return False
    if not folder.is_dir():
        return False
    with os.scandir(folder) as entries:
        return any(entry.name.endswith(SUFFIX) for entry in entries)


def _sheet(path: Path, student: str, remarks: list[str]) -> Path | None:
    for name in _SHEETS:
        sheet = path / name
        if not os.path.lexists(sheet):
            continue
        if not _stays_within(sheet, path):
            remarks.append(f"{student}/{name}: a link, which is not followed; put the file itself there")
        elif stat.S_ISREG(sheet.stat().st_mode):
            return sheet
        else:
            remarks.append(f"{student}/{name}: is no file; left alone")
    return None


def _stays_within(path: Path, folder: Path) -> bool:
    """Whether no part of the path below `folder` is a link."""
    return os.path.realpath(path) == os.path.join(os.path.realpath(folder), path.relative_to(folder))


def log_files_of(student: StudentFolder, remarks: list[str]) -> list[LogFile]:
    """The student's sittings by name; links, pipes and what can't be named are said in `remarks`."""
    found: list[LogFile] = []
    odd: list[str] = []
    for folder in student.logs:
        within = "" if folder == student.path else f"{folder.name}/"
        try:
            with os.scandir(folder) as entries:
                for entry in entries:
                    if entry.name.endswith(SUFFIX):
                        _add(found, odd, entry, student.name, within)
        except OSError as error:
            odd.append(f"{within or '.'}: can't be read ({error.strerror})")
    remarks += sorted(odd)[:_MOST_REMARKS]
    if len(odd) > _MOST_REMARKS:
        remarks.append(f"and {len(odd) - _MOST_REMARKS} more files like these")
    return sorted(found, key=lambda file: file.name)


def _add(found: list[LogFile], odd: list[str], entry: os.DirEntry[str], student: str, within: str) -> None:
    name = f"{within}{entry.name}"
    if name != name.encode("utf-8", "replace").decode():
        odd.append(f"{plain_text(name)}: its name is not UTF-8, so it is not read: give it another")
        return
    with contextlib.suppress(OSError):  # gone since the folder was listed
        status = entry.stat(follow_symlinks=False)
        if stat.S_ISLNK(status.st_mode):
            odd.append(f"{plain_text(name)}: a link, which is not followed; put the file itself there")
        elif not stat.S_ISREG(status.st_mode):
            odd.append(f"{plain_text(name)}: is no file; left alone")
        else:
            found.append(LogFile(student, name, entry.path, status.st_size, status.st_mtime_ns))


def regular_only(path: str, flags: int) -> int:
    """An opener for `open`: what is listed as a file may be a link or a pipe by now. Raises `OSError` where it is."""
    handle = os.open(path, flags | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise OSError(errno.EINVAL, "no file", path)
    return handle


def read_regular(path: str | Path, most: int) -> bytes:
    """The content of a file, as `regular_only` opens it. Raises `OSError` where it is larger than `most` bytes."""
    with open(path, "rb", opener=regular_only) as file:
        if os.fstat(file.fileno()).st_size > most:
            raise OSError(errno.EFBIG, "a very large file", str(path))
        return file.read(most)


def content_hash(path: Path) -> str:
    """What takes of a score are known by; empty where it can't be read."""
    try:
        return hashlib.sha256(read_regular(path, _MOST_SCORE_BYTES)).hexdigest()
    except OSError:
        return ""
