"""What each exercise finds in a passage, and its options in words."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from companion.practice.hurdle import change_in_words
from companion.practice.words import bars_in_words, number_of, times_in_words

if TYPE_CHECKING:
    from companion.charts.model import Chart
    from companion.exercises import Exercise
    from companion.passage import Passage
    from companion.planning.model import Plan

__all__ = ["found_here", "option_in_words"]

#: So much of each is named.
_MOST = 5
#: The same option means the same in every exercise, but for those named with the exercise.
_WORDS = {
    "alternates.bars": "printed bars such as 5-8, or a note such as 5.3; by itself the hardest",
    "articulations.key": "a key, or all; by itself the passage's own; one such as B-flat is major or minor as that is",
    "articulations.pattern": "which of those found here, 1 the one that comes most often",
    "articulations.kind": "the scale, as scales have it, but no thirds",
    "bars": "printed bars such as 5-8; by itself the hardest",
    "change": "which of the changes found here, 1 the hardest",
    "keys.count": "in how many keys, 0 for all",
    "links.count": "how many changes from there on",
    "highest": "no note above this one, such as D6",
    "into": "the note that a change leads into, such as 3.4",
    "key": "one key, such as B-flat; by itself all",
    "length": "how many notes a loop grows to",
    "lowest": "no note below this one, such as D4",
    "octaves": "how many, 0 for the whole horn",
    "spots": "several such notes, as 3.4,8.1",
    "times": "how often each is played",
}
#: By themselves these set no limit, or choose no note.
_UNSAID = ("into", "lowest", "highest")


def option_in_words(exercise: Exercise, name: str) -> str:
    """What an option may be and what it is by itself: `all (usual), pair, approached or grown`, `how often each is
    played (4)`."""
    default = exercise.options[name]
    choices = _choices().get((exercise.name, name))
    if choices:
        others = [choice for choice in choices if choice != default]
        return f"{default} (usual), {', '.join(others[:-1])} or {others[-1]}"
    words = _WORDS.get(f"{exercise.name}.{name}", _WORDS.get(name, "such as"))
    return words if default == "" or name in _UNSAID else f"{words} ({default})"


def _choices() -> Mapping[tuple[str, str], tuple[str, ...]]:
    from companion.exercises.keys import WAYS
    from companion.exercises.links import LINK_KINDS
    from companion.exercises.rhythms import RHYTHM_KINDS
    from companion.exercises.scales import KINDS

    return {
        ("scales", "kind"): tuple(KINDS),
        ("links", "kind"): LINK_KINDS,
        ("rhythms", "kind"): tuple(RHYTHM_KINDS),
        ("keys", "by"): tuple(WAYS),
    }


def found_here(name: str, passage: Passage, plan: Plan, chart: Chart) -> str:
    """What an exercise finds in the passage, by the numbers or bars that its options take; empty where it finds
    nothing, or takes nothing."""
    finder = _FINDERS.get(name)
    return finder(passage, plan, chart) if finder and passage.notes else ""


def _changes(passage: Passage, plan: Plan, chart: Chart) -> str:
    from companion.exercises.links import hardest_changes

    found = hardest_changes(passage, plan, chart)
    parts = [
        f"{number} {change_in_words(passage, plan, change.from_index, change.note_index)},"
        f" {bars_in_words(passage, change.bars)}, up to about {math.floor(change.limit_bpm + 1e-9)}"
        for number, change in enumerate(found[:_MOST], start=1)
    ]
    return _joined("the hardest changes", parts, len(found))


def _patterns(passage: Passage, plan: Plan, chart: Chart) -> str:
    from companion.exercises.articulation_patterns import patterns_of

    found = patterns_of(passage)
    parts = [
        f"{number} {pattern.words} ({times_in_words(pattern.count)})"
        for number, pattern in enumerate(found[:_MOST], start=1)
    ]
    return _joined("its articulations", parts, len(found))


def _hard_bars(passage: Passage, plan: Plan, chart: Chart) -> str:
    from companion.planning.limits import speed_limits

    spots = speed_limits(passage, plan, chart, passage.marked_tempo_bpm()).spots
    bars = [
        bars_in_words(passage, range(passage.notes[spot.first_note].bar, passage.notes[spot.last_note].bar + 1))
        for spot in spots
    ]
    bars = list(dict.fromkeys(bars))
    return _joined("the hardest bars", bars[:_MOST], len(bars))


def _choosable(passage: Passage, plan: Plan, chart: Chart) -> str:
    from companion.exercises.alternates import notes_with_choice

    bars: dict[str, list[int]] = {}
    for note in notes_with_choice(passage, plan, chart):
        bars.setdefault(str(note.written), []).append(note.bar)
    parts = [f"{name} in {bars_in_words(passage, where)}" for name, where in bars.items()]
    return _joined("notes with another fingering", parts[:_MOST], len(parts))


def _joined(what: str, parts: list[str], count: int) -> str:
    if not parts:
        return ""
    more = f"; and {number_of(count - len(parts), 'more', 'more')}" if count > len(parts) else ""
    return f"Here, {what}: {'; '.join(parts)}{more}."


_FINDERS: Mapping[str, Callable[[Passage, Plan, Chart], str]] = {
    "links": _changes,
    "articulations": _patterns,
    "rhythms": _hard_bars,
    "keys": _hard_bars,
    "alternates": _choosable,
}
