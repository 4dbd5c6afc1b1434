"""What is remembered between runs: of ports the last one and each one's shift and delay; how loud click and tone are;
how long a sitting is and whether its tasks take turns.

`settings.toml` in the settings folder, tables `[ports]`, `[ports.known."NAME"]`, `[sound]` and `[today]`; other tables
are left as they are.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from companion.errors import PortError
from companion.paths import settings_dir
from companion.units import LARGEST_SHIFT_SEMITONES, LONGEST_DELAY_MS

__all__ = [
    "PortMemory", "PortSettings", "SoundLevels", "TodayHabits", "recall", "recall_sound", "recall_today", "remember",
    "remember_sound", "remember_today",
]  # fmt: skip

FILE_NAME = "settings.toml"


@dataclass(frozen=True, slots=True)
class PortSettings:
    """`shift_semitones` is added to a received note number to get the written pitch (an alto that sends sounding
    pitch: 9). `delay_ms` is how much later than played events arrive, together with how late the click sounds: it is
    taken off."""

    shift_semitones: int = 0
    delay_ms: float = 0.0


@dataclass(frozen=True, slots=True)
class PortMemory:
    """What was remembered. `last` is empty where nothing was. `remarks` say what could not be read, to be shown."""

    last: str = ""
    known: Mapping[str, PortSettings] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()

    def settings_for(self, name: str) -> PortSettings:
        """Settings of one port; none of a port that is new."""
        return self.known.get(name, PortSettings())


def recall(folder: Path | None = None) -> PortMemory:
    """What is remembered; a file that can't be read is set aside, and a remark says where it is now."""
    path = (folder or settings_dir()) / FILE_NAME
    document, remarks = _read(path)
    ports = document.get("ports", {})
    if not isinstance(ports, Mapping):
        return PortMemory(remarks=(*remarks, f"{path}: [ports] is not a table: the usual settings are used"))
    last = ports.get("last", "")
    if not isinstance(last, str):
        remarks.append(f"{path}: ports.last is not a name: left out")
        last = ""
    listed = ports.get("known", {})
    known = {}
    for name, table in listed.items() if isinstance(listed, Mapping) else ():
        known[str(name)], faults = _settings(table)
        remarks += [f"{path}: ports.known.{name}: {fault}" for fault in faults]
    return PortMemory(str(last), known, tuple(remarks))


def remember(
    name: str,
    *,
    shift_semitones: int | None = None,
    delay_ms: float | None = None,
    folder: Path | None = None,
) -> PortMemory:
    """Make `name` the last port and set what is given of its settings; written whole or not at all.

    Raises
    ------
    PortError
        Where a value makes no sense or the file can't be written.
    """
    path = (folder or settings_dir()) / FILE_NAME
    before = recall(folder)
    settings = before.settings_for(name)
    if shift_semitones is not None:
        settings = replace(settings, shift_semitones=shift_semitones)
    if delay_ms is not None:
        settings = replace(settings, delay_ms=float(delay_ms))
    table = {"shift_semitones": settings.shift_semitones, "delay_ms": settings.delay_ms}
    _, faults = _settings(table)
    if faults:
        raise PortError(f"port {name!r}: {'; '.join(faults)}")
    document, _ = _read(path)
    ports = _table(document, "ports")
    ports["last"] = name
    _table(ports, "known")[name] = table
    try:
        _write(path, tomlkit.dumps(document))
    except OSError as error:
        raise PortError(f"{path}: the port can't be remembered ({error.strerror}): is the folder writable?") from error
    return PortMemory(name, {**before.known, name: settings}, before.remarks)


@dataclass(frozen=True, slots=True)
class SoundLevels:
    """How loud click and tone are, each from 0 to 1 of its full level, and whether each is muted."""

    click: float = 1.0
    click_muted: bool = False
    tone: float = 1.0
    tone_muted: bool = False


def recall_sound(folder: Path | None = None) -> SoundLevels:
    """The levels that were kept; a value that makes no sense leaves the usual one."""
    document, _ = _read((folder or settings_dir()) / FILE_NAME)
    table = document.get("sound", {})
    if not isinstance(table, Mapping):
        return SoundLevels()
    return SoundLevels(
        _level(table.get("click")),
        table.get("click_muted") is True,
        _level(table.get("tone")),
        table.get("tone_muted") is True,
    )


def _level(value: object) -> float:
    known = isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= 1
    return float(value) if known and isinstance(value, int | float) else 1.0


def remember_sound(levels: SoundLevels, folder: Path | None = None) -> None:
    """Keep the levels; written whole or not at all.

    Raises
    ------
    PortError
        Where the file can't be written.
    """
    values: dict[str, float | bool] = {}
    for name in ("click", "tone"):
        values[name] = round(getattr(levels, name), 3)
        values[f"{name}_muted"] = getattr(levels, f"{name}_muted")
    _keep(folder, "sound", values)


def _keep(folder: Path | None, name: str, values: Mapping[str, float | bool]) -> None:
    """Write values into a table of the settings; the rest of the file stays."""
    path = (folder or settings_dir()) / FILE_NAME
    document, _ = _read(path)
    table = _table(document, name)
    for key, value in values.items():
        table[key] = value
    try:
        _write(path, tomlkit.dumps(document))
    except OSError as error:
        raise PortError(f"{path}: [{name}] can't be remembered ({error.strerror}): is it writable?") from error


@dataclass(frozen=True, slots=True)
class TodayHabits:
    """How long a sitting is, in minutes without breaks, and whether its tasks take turns."""

    minutes: float = 30.0
    interleaved: bool = True


def recall_today(folder: Path | None = None) -> TodayHabits:
    """The habits that were kept; a value that makes no sense leaves the usual one."""
    document, _ = _read((folder or settings_dir()) / FILE_NAME)
    table, usual = document.get("today", {}), TodayHabits()
    if not isinstance(table, Mapping):
        return usual
    minutes = table.get("minutes")
    if isinstance(minutes, bool) or not isinstance(minutes, int | float) or not 5 <= minutes <= 180:
        minutes = usual.minutes
    return TodayHabits(float(minutes), table.get("interleaved") is not False)


def remember_today(habits: TodayHabits, folder: Path | None = None) -> None:
    """Keep the habits; written whole or not at all.

    Raises
    ------
    PortError
        Where the file can't be written.
    """
    _keep(folder, "today", {"minutes": habits.minutes, "interleaved": habits.interleaved})


def _settings(table: object) -> tuple[PortSettings, list[str]]:
    """Settings from a table and what is wrong in it; a wrong value leaves the usual one."""
    if not isinstance(table, Mapping):
        return PortSettings(), ["is not a table: the usual settings are used"]
    settings, faults = PortSettings(), []
    shift = table.get("shift_semitones", 0)
    if isinstance(shift, bool) or not isinstance(shift, int) or abs(shift) > LARGEST_SHIFT_SEMITONES:
        faults.append(f"shift_semitones = {shift} is not a whole number from -60 to 60: 0 is used")
    else:
        settings = replace(settings, shift_semitones=int(shift))
    delay = table.get("delay_ms", 0.0)
    if isinstance(delay, bool) or not isinstance(delay, int | float) or not abs(delay) <= LONGEST_DELAY_MS:
        faults.append(f"delay_ms = {delay} is not a number from -2000 to 2000: 0 is used")
    else:
        settings = replace(settings, delay_ms=float(delay))
    return settings, faults


def _read(path: Path) -> tuple[tomlkit.TOMLDocument, list[str]]:
    try:
        return tomlkit.parse(path.read_text(encoding="utf-8")), []
    except FileNotFoundError:
        return tomlkit.document(), []
    except OSError as error:
        return tomlkit.document(), [f"{path}: can't be read ({error.strerror}): the usual settings are used"]
    except (TOMLKitError, UnicodeDecodeError) as error:
        reason = " ".join(str(error).split())
    return tomlkit.document(), [f"{path}: {reason}: the usual settings are used{_set_aside(path)}"]


def _set_aside(path: Path) -> str:
    """Move the file out of the way without overwriting another one; says where it is."""
    for number in range(1, 100):
        aside = path.with_name(f"{path.name}.broken-{number}")
        if not aside.exists():
            try:
                path.rename(aside)
            except OSError:
                return ""
            return f", the file is kept as {aside.name}"
    return ""


def _table(parent: Any, key: str) -> Any:
    """The table `key` of a document or table, made where it is missing or something else."""
    if not isinstance(parent.get(key), Mapping):
        parent[key] = tomlkit.table()
    return parent[key]


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, made = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", text=False)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(text.encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
        os.replace(made, path)
    except BaseException:
        Path(made).unlink(missing_ok=True)
        raise
