"""Writing so that nothing already saved is lost: append and sync, create and sync, replace as a whole; and what tells
a file's content from another's."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

__all__ = [
    "append_synced",
    "create_synced",
    "locked",
    "make_dir_synced",
    "only_writer",
    "replace_synced",
    "sha256_of",
    "sync_dir",
    "writing_synced",
]

#: So often a lock is looked at again.
_LOOK_AGAIN_S = 0.005
#: So often a file may take another's place while it is opened.
_TRIES = 20
_BINARY = getattr(os, "O_BINARY", 0)


def sync_dir(folder: Path) -> None:
    """See the names in a folder onto the disk, where the system can."""
    # Windows can't open a folder for syncing, and some network file systems refuse to.
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _write_all(handle: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(handle, view) :]


def make_dir_synced(folder: Path) -> None:
    """Create a folder with its parents, and see their names onto the disk."""
    missing = [place for place in (folder, *folder.parents) if not place.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for place in missing:
        sync_dir(place.parent)


def create_synced(path: Path, data: bytes) -> None:
    """Create a new file with this content, synced with its name. `FileExistsError` where there is one. A file that
    could not be written whole is taken away again."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o644)
    try:
        _write_all(handle, data)
        os.fsync(handle)
    except OSError:
        with contextlib.suppress(OSError):
            path.unlink()
        raise
    finally:
        os.close(handle)
    sync_dir(path.parent)


def append_synced(path: Path, line: bytes) -> None:
    """Append a line and sync. After a torn line it starts on its own; a line that does not fit is taken back."""
    with _held(path, os.O_RDWR | os.O_APPEND | _BINARY) as handle:
        size = os.fstat(handle).st_size
        if size:
            os.lseek(handle, size - 1, os.SEEK_SET)
            if os.read(handle, 1) != b"\n":
                line = b"\n" + line
        try:
            _write_all(handle, line)
            os.fsync(handle)
        except OSError:
            with contextlib.suppress(OSError):
                os.ftruncate(handle, size)
            raise


@contextlib.contextmanager
def locked(path: Path) -> Iterator[None]:
    """Until the block ends nobody else appends to the file by `append_synced`, so that it may be looked at and then
    replaced or deleted; who waits goes on with what is there then. Where it can't be locked, it goes on without, as
    `only_writer` does. `FileNotFoundError` where there is none."""
    if os.name == "nt":  # what is open can't be replaced there
        yield
        return
    with _held(path, os.O_RDONLY):
        yield


@contextlib.contextmanager
def _held(path: Path, flags: int, wait_s: float = 2.0) -> Iterator[int]:
    """The file that is at `path` now, open and locked; another may have taken its place while it was waited for."""
    for again in reversed(range(_TRIES)):
        handle = os.open(path, flags)
        try:
            _lock(handle, wait_s)
            # Some network file systems number a file anew whenever it is looked at: there it must not go on for ever.
            if not again or os.path.samestat(os.fstat(handle), os.stat(path)):
                yield handle
                return
        finally:
            os.close(handle)


def _lock(handle: int, wait_s: float) -> bool:
    """Lock what is open for as long as it is. False where somebody else has it locked after `wait_s`; where the system
    can't lock, nobody has."""
    try:
        import fcntl
    except ImportError:  # Windows
        return True
    for _ in range(round(wait_s / _LOOK_AGAIN_S)):
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        except BlockingIOError:
            time.sleep(_LOOK_AGAIN_S)
        except OSError:
            return True
    return False


def replace_synced(path: Path, data: bytes) -> None:
    """Put `data` in the file's place as a whole: whoever reads it sees the old content or the new, never a part."""
    with writing_synced(path) as file:
        file.write(data)


@contextlib.contextmanager
def writing_synced(path: Path) -> Iterator[BinaryIO]:
    """A file to write what is too long for `replace_synced`: it takes `path`'s place as a whole when the block ends,
    and is taken away where the block raises."""
    name = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    is_there = path.exists()
    # A new one is as open to others as the user has it (umask); until it is whole, one that replaces another to nobody.
    handle = os.open(name, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o600 if is_there else 0o644)
    try:
        with os.fdopen(handle, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        if is_there:
            with contextlib.suppress(FileNotFoundError):
                shutil.copymode(path, name)
        os.replace(name, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise
    sync_dir(path.parent)


@contextlib.contextmanager
def only_writer(folder: Path, wait_s: float = 2.0, busy: Exception | None = None) -> Iterator[None]:
    """The stand and a command (or two of them) may write at the same instant: between reading and replacing nobody else
    may. The folder is locked rather than a file of its own, which would stay behind; where that can't be done, or one
    that hangs holds the lock for `wait_s`, it goes on without. Where `busy` is given, that is raised after `wait_s`."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # Windows opens no folder
        yield
        return
    try:
        if not _lock(handle, wait_s) and busy is not None:
            raise busy
        yield
    finally:
        os.close(handle)


def sha256_of(path: Path) -> str:
    """Of the content, in hexadecimal, as takes of a score know it; empty where it can't be read: then its name has to
    do."""
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""
