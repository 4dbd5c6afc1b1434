"""What was played lately, as a sheet's items: for who has no week sheet, to go on with."""

from __future__ import annotations

import os
from collections.abc import Iterable
from datetime import date, timedelta
from pathlib import Path

from companion.record.model import TakeSummary
from companion.record.ongoing import began
from companion.record.progress import with_click
from companion.record.week import MAX_BPM, MIN_BPM, WeekItem, WeekSheet

__all__ = ["LATELY_DAYS", "MOST_LATELY", "lately_played"]

#: So far back, and so many things. (The figures are ours, no source.)
LATELY_DAYS, MOST_LATELY = 14, 3


def lately_played(takes: Iterable[TakeSummary], today: date) -> WeekSheet:
    """The week of `today` with what one player's takes were of, the newest first: passages whose files are still there,
    each with the bars and the target of its last take. An exercise has no file, so it is none of them."""
    since = (today - timedelta(days=LATELY_DAYS)).isoformat()
    items: dict[tuple[str, str], WeekItem] = {}
    for take in sorted(with_click(list(takes)), key=began, reverse=True):
        if len(items) == MOST_LATELY:
            break
        target_bpm = take.target_bpm or take.tempo_bpm
        if not since < take.day <= today.isoformat() or not take.origin or not MIN_BPM <= target_bpm <= MAX_BPM:
            continue
        path = Path(take.origin).absolute()
        if (take.origin, take.bars) not in items and os.path.isfile(path):
            item = WeekItem(take.origin, path, target_bpm, bars=take.bars, part=take.part)
            items[take.origin, take.bars] = item
    return WeekSheet(Path(), today - timedelta(days=today.weekday()), "", tuple(items.values()))
