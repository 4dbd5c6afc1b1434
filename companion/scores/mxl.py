"""Compressed MusicXML: a zip file whose `META-INF/container.xml` names the score in it (MusicXML 4.0, `.mxl`)."""

from __future__ import annotations

import io
import lzma
import struct
import warnings
import zipfile
import zlib
from collections.abc import Callable

from companion.errors import ScoreError
from companion.scores.guards import one_line, parse_xml, shown

__all__ = ["repack", "unpack"]

MAX_MEMBER_BYTES = 60_000_000
MAX_RATIO = 200
MAX_MEMBERS = 1_000
#: Members this small may be as repetitive as they like.
_RATIO_MATTERS_BYTES = 100_000
_CONTAINER = "META-INF/container.xml"
_CENTRAL_RECORD = b"PK\x01\x02"
_ZIP_FAULTS = (
    zipfile.BadZipFile,
    zipfile.LargeZipFile,
    zlib.error,
    lzma.LZMAError,
    struct.error,
    EOFError,
    NotImplementedError,
    RuntimeError,
    OSError,
    ValueError,
    OverflowError,
    IndexError,
    KeyError,
)


def unpack(data: bytes, name: str) -> bytes:
    """The score in an .mxl file.

    Raises
    ------
    ScoreError
        Where the zip file is damaged, encrypted, unsafe (paths that leave it, members that unpack to over 60 MB or 200
        times their size) or holds no score.
    """
    if data.count(_CENTRAL_RECORD) > MAX_MEMBERS:
        raise ScoreError(f"the zip file holds over {MAX_MEMBERS} members; export it again", file=name)
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            _check_paths(archive, name)
            container = _member(archive, _CONTAINER, name)
            return _member(archive, _root_path(container, name), name)
    except _ZIP_FAULTS as error:
        reason = one_line(str(error)) or type(error).__name__
        raise ScoreError(f"the zip file is damaged ({reason}); export it again", file=name) from None


def repack(data: bytes, name: str, change: Callable[[bytes], bytes]) -> bytes:
    """The .mxl file with its score changed; the other members keep content, order, dates and comments. Raises as
    `unpack` does, and what `change` raises."""
    score = change(unpack(data, name))
    out = io.BytesIO()
    try:
        with warnings.catch_warnings(), zipfile.ZipFile(io.BytesIO(data)) as archive, zipfile.ZipFile(out, "w") as copy:
            warnings.simplefilter("ignore", UserWarning)  # two members of one name: as they came
            copy.comment = archive.comment
            root = _root_path(_member(archive, _CONTAINER, name), name)
            # Of members of one name the last counts.
            changed = archive.getinfo(root)
            for member in archive.infolist():
                if member is not changed:
                    _check_size(member, name)
                content = score if member is changed else archive.read(member)
                copy.writestr(member, content, member.compress_type)
    except _ZIP_FAULTS as error:
        reason = one_line(str(error)) or type(error).__name__
        raise ScoreError(f"the zip file is damaged ({reason}); export it again", file=name) from None
    return out.getvalue()


def _check_paths(archive: zipfile.ZipFile, name: str) -> None:
    for member in archive.namelist():
        if _leaves(member):
            raise ScoreError(f"the zip file holds the unsafe path {shown(member)}; export it again", file=name)


def _leaves(path: str) -> bool:
    parts = path.replace("\\", "/").split("/")
    return path.startswith(("/", "\\")) or ".." in parts or ":" in parts[0]


def _member(archive: zipfile.ZipFile, path: str, name: str) -> bytes:
    if path not in archive.namelist():
        raise ScoreError(f"the zip file lacks {shown(path, 80)}, so it is no .mxl score; export it again", file=name)
    info = archive.getinfo(path)
    if info.flag_bits & 0x1:
        raise ScoreError("the zip file is encrypted; unlock it or export it again", file=name)
    _check_size(info, name)
    with archive.open(info) as member:
        content = member.read(MAX_MEMBER_BYTES + 1)
    if not content:
        raise ScoreError(f"{shown(path)} in the zip file is empty; export it again", file=name)
    return content


def _check_size(info: zipfile.ZipInfo, name: str) -> None:
    too_dense = info.file_size > MAX_RATIO * max(info.compress_size, 1) and info.file_size > _RATIO_MATTERS_BYTES
    if info.file_size > MAX_MEMBER_BYTES or too_dense:
        raise ScoreError(
            f"{shown(info.filename)} unpacks to {info.file_size} bytes, over 60 MB or {MAX_RATIO} times its size;"
            " export only the part to be practised",
            file=name,
        )


def _root_path(container: bytes, name: str) -> str:
    root = parse_xml(container, f"{name}: {_CONTAINER}")
    for rootfile in root.iter("{*}rootfile"):
        path = rootfile.get("full-path") or ""
        if path and rootfile.get("media-type", "").strip() in ("", "application/vnd.recordare.musicxml+xml"):
            if _leaves(path):
                raise ScoreError(f"the container points to the unsafe path {shown(path)}; export it again", file=name)
            return path.replace("\\", "/").removeprefix("./")
    raise ScoreError("the container names no MusicXML score; export it again", file=name)
