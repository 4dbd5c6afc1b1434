"""What was answered in the practice of shapes, kept over days: one JSON Lines file an instrument.

`shapes/alto.jsonl` within the folder of the practice log: a line an answer, appended and synced, never rewritten. Each
line holds what the schedule knows of the card after it, so that the newest line of a card says all. Two programs may
write at once and two synced copies may be put together by joining their lines. A torn line is left out and said; one
that a later version wrote is kept and left out.
"""

from __future__ import annotations

import contextlib
import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from companion.errors import RecordError
from companion.practice.spacing import Memory
from companion.record.files import append_synced, create_synced, make_dir_synced

__all__ = [
    "FOLDER",
    "FORMAT",
    "LARGEST_BYTES",
    "Remembered",
    "answer_day",
    "keep_answer",
    "read_answers",
    "shapes_file",
]

FORMAT = 1
FOLDER = "shapes"
#: Ten years of two sessions a day are some 90,000 lines of 250 bytes.
LARGEST_BYTES = 100_000_000
#: A line as it is written here: such times are in order as text.
_USUAL = re.compile(
    rb'\{"format":1,"card":"([0-9./]+)","at":"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?\+00:00)",.*\}\}'
)
_CARD = re.compile(r"\d{1,3}(\.\d{1,3}){1,15}/\d{1,2}")


@dataclass(frozen=True, slots=True)
class Remembered:
    """The cards that were answered, by name, with what the schedule knows of each. `remarks` say what couldn't be
    read."""

    cards: Mapping[str, Memory]
    remarks: tuple[str, ...] = ()


def shapes_file(sessions: Path, instrument: str) -> Path:
    """The file of an instrument. A chart of one's own goes by the name it gives itself."""
    plain = re.sub(r"[^a-z0-9-]+", "-", instrument.casefold()).strip("-") or "horn"
    return sessions / FOLDER / f"{plain}.jsonl"


def read_answers(sessions: Path, instrument: str) -> Remembered:
    """All that is remembered of an instrument's shapes; nothing where there is no file yet.

    Raises
    ------
    RecordError
        If the file can't be read at all.
    """
    path = shapes_file(sessions, instrument)
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise RecordError(f"{path}: larger than any practice makes it; move it away, and a new one is begun")
        lines = path.read_bytes().split(b"\n")
    except FileNotFoundError:
        return Remembered({})
    except OSError as error:
        raise RecordError(
            f"{path}: what was answered before can't be read ({error.strerror}); set COMPANION_SESSIONS to another"
            " folder"
        ) from error
    return _remembered(path, lines)


def _remembered(path: Path, lines: list[bytes]) -> Remembered:
    found = _read_lines(path, _newest(lines))
    # A newest line that can't be read must not take the older ones of its card with it.
    return _read_lines(path, list(enumerate(lines, start=1))) if found.remarks else found


def _newest(lines: list[bytes]) -> list[tuple[int, bytes]]:
    """The lines that matter, with their numbers: of those that look as we write them the newest of each card, and all
    others. Reading ten years' lines as JSON would take most of a second."""
    newest: dict[bytes, tuple[bytes, int]] = {}
    kept: list[tuple[int, bytes]] = []
    for number, line in enumerate(lines, start=1):
        usual = _USUAL.fullmatch(line)
        if usual is None:
            kept.append((number, line))
            continue
        card, at = usual.groups()
        if card not in newest or at >= newest[card][0]:
            newest[card] = (at, number)
    kept += [(number, lines[number - 1]) for _, number in newest.values()]
    return sorted(kept)


def _read_lines(path: Path, lines: list[tuple[int, bytes]]) -> Remembered:
    cards: dict[str, Memory] = {}
    torn: list[int] = []
    later: list[int] = []
    for number, line in lines:
        if not line.strip():
            continue
        data = _object(line)
        if data is not None and isinstance(data.get("format"), int) and data["format"] > FORMAT:
            later.append(number)
            continue
        found = _card(data) if data is not None else None
        if found is None:
            torn.append(number)
            continue
        name, memory = found
        if name not in cards or memory.last >= cards[name].last:
            cards[name] = memory
    remarks = []
    if torn:
        remarks.append(f"{path}: {_lines(torn)} can't be read and {_is(torn)} left out; the rest is followed")
    if later:
        remarks.append(f"{path}: {_lines(later)} {_is(later)} of a later version and left out: update this program")
    return Remembered(cards, tuple(remarks))


def _lines(numbers: list[int]) -> str:
    if len(numbers) == 1:
        return f"line {numbers[0]}"
    return f"{len(numbers)} lines (the first is line {numbers[0]})"


def _is(numbers: list[int]) -> str:
    return "is" if len(numbers) == 1 else "are"


def _object(line: bytes) -> dict[str, Any] | None:
    try:
        data = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return data if isinstance(data, dict) else None


def _card(data: dict[str, Any]) -> tuple[str, Memory] | None:
    name, state = data.get("card"), data.get("state")
    if not (isinstance(name, str) and _CARD.fullmatch(name) and isinstance(state, dict)):
        return None
    phase, step = state.get("phase"), state.get("step")
    stability_days, difficulty = _number(state.get("stability_days")), _number(state.get("difficulty"))
    due, last = _moment(state.get("due")), _moment(data.get("at"))
    if stability_days is None or difficulty is None or due is None or last is None:
        return None
    if isinstance(phase, bool) or phase not in (1, 2, 3) or not 0 < stability_days < 1e6 or not 1 <= difficulty <= 10:
        return None
    # A card in review stands on no step, any other on one of a few.
    if (phase == 2) != (step is None) or (step is not None and (type(step) is not int or not 0 <= step < 10)):
        return None
    return name, Memory(phase, step, stability_days, difficulty, due, last)


def answer_day(line: bytes) -> str | None:
    """The day (in UTC, `YYYY-MM-DD`) that a line's answer was given on; None where it is no answer."""
    data = _object(line)
    if data is None or not isinstance(data.get("card"), str):
        return None
    moment = _moment(data.get("at"))
    return None if moment is None else moment.date().isoformat()


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


def _moment(value: object) -> datetime | None:
    try:
        moment = datetime.fromisoformat(value) if isinstance(value, str) else None
        return moment.astimezone(UTC) if moment is not None and moment.tzinfo is not None else None
    except (ValueError, OverflowError):
        return None


def keep_answer(sessions: Path, instrument: str, card: str, right: bool, chosen: str, memory: Memory) -> None:
    """Append an answer and see it onto the disk.

    Raises
    ------
    RecordError
        If the folder or the disk refuses; then nothing is written.
    """
    path = shapes_file(sessions, instrument)
    data = {
        "format": FORMAT,
        "card": card,
        "at": memory.last.isoformat(),
        "right": right,
        "chosen": chosen,
        "state": {
            "phase": memory.phase,
            "step": memory.step,
            "stability_days": round(memory.stability_days, 6),
            "difficulty": round(memory.difficulty, 6),
            "due": memory.due.isoformat(),
        },
    }
    line = json.dumps(data, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "backslashreplace") + b"\n"
    try:
        make_dir_synced(path.parent)
        with contextlib.suppress(FileNotFoundError):  # not yet, or deleted in this moment
            append_synced(path, line)
            return
        try:
            create_synced(path, line)
        except FileExistsError:  # another program began it in this moment
            append_synced(path, line)
    except OSError as error:
        raise RecordError(
            f"the answer can't be kept in {path} ({error.strerror or error}): make room or allow"
            " writing there, or set COMPANION_SESSIONS to another folder"
        ) from error
