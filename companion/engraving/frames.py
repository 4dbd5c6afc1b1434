"""What goes over the pipe between the window and the worker: frames of a JSON head and raw bytes behind it."""

from __future__ import annotations

import json
import struct
from typing import Any, BinaryIO

from companion.engraving.model import Box, EngravingRequest, System

__all__ = ["read_frame", "request_frame", "request_of", "system_frame", "system_of", "write_frame"]

_LENGTHS = struct.Struct(">II")
MAX_FRAME_BYTES = 100_000_000

Frame = tuple[dict[str, Any], bytes]


def write_frame(stream: BinaryIO, head: dict[str, Any], body: bytes = b"") -> None:
    """Write one frame and flush it."""
    text = json.dumps(head, separators=(",", ":")).encode()
    stream.write(_LENGTHS.pack(len(text), len(body)))
    stream.write(text)
    stream.write(body)
    stream.flush()


def read_frame(stream: BinaryIO) -> Frame | None:
    """Read one frame; None at the end of the stream, also where it breaks off within a frame."""
    lengths = stream.read(_LENGTHS.size)
    if len(lengths) < _LENGTHS.size:
        return None
    head_length, body_length = _LENGTHS.unpack(lengths)
    if head_length + body_length > MAX_FRAME_BYTES:
        return None
    text, body = stream.read(head_length), stream.read(body_length)
    if len(text) < head_length or len(body) < body_length:
        return None
    head = json.loads(text)
    return head, body


def request_frame(number: int, request: EngravingRequest) -> Frame:
    """A request as a frame."""
    head = {
        "number": number,
        "width_px": request.width_px,
        "staff_px": request.staff_px,
        "marks": [list(mark) for mark in request.marks],
        "vector": request.vector,
    }
    return head, request.musicxml


def request_of(frame: Frame) -> tuple[int, EngravingRequest]:
    """A frame as a request, with its number."""
    head, body = frame
    marks = tuple((note, text) for note, text in head["marks"])
    return head["number"], EngravingRequest(body, head["width_px"], head["staff_px"], marks, head["vector"])


def system_frame(number: int, system: System) -> Frame:
    """A system of request `number` as a frame."""
    head = {
        "number": number,
        "kind": "system",
        "size": [system.width_px, system.height_px],
        "staff": system.staff,
        "heads": system.heads,
        "bars": system.bars,
        "marks": system.marks,
        "vector": bool(system.svg),
    }
    return head, system.svg.encode() if system.svg else system.png


def system_of(frame: Frame) -> System:
    """A frame as a system."""
    head, body = frame
    return System(
        png=b"" if head["vector"] else body,
        width_px=head["size"][0],
        height_px=head["size"][1],
        staff=Box(*head["staff"]),
        heads={note: Box(*box) for note, box in head["heads"].items()},
        bars={int(bar): Box(*box) for bar, box in head["bars"].items()},
        marks={note: Box(*box) for note, box in head["marks"].items()},
        svg=body.decode() if head["vector"] else "",
    )
