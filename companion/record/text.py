"""The record told in plain text for a terminal: the week as a table, the progress of a passage day by day."""

from __future__ import annotations

import textwrap
from collections.abc import Container, Mapping, Sequence
from datetime import date

from companion.practice.climbs import CLIMBS
from companion.practice.words import capital, number_of, piece_in_words, printed_bars, with_stop
from companion.record.model import TakeSummary
from companion.record.progress import Day, Reached, best_clean_bpm, by_day, performance_in_words, with_click
from companion.record.week import WEEKDAYS, Option, WeekItem, WeekSheet

__all__ = [
    "LEGEND", "and_listed", "day_cells", "day_in_words", "demands", "performance_lines", "progress_lines",
    "remark_lines", "so_far", "student_lines", "table", "week_lines",
]  # fmt: skip

WIDTH = 98
LEGEND = (
    "A day shows the best clean tempo, ×2: two clean takes at the target, –: played but not clean, ◇: performed without"
    " the click, ·: not played."
)
_MOST_REMARKS = 5
#: So many performances are told, the newest.
_MOST_PERFORMANCES = 3


def table(head: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> list[str]:
    """Rows under a head in columns as wide as they need; those numbered in `right` are set flush right."""
    widths = [max(len(row[i]) for row in (head, *rows)) for i in range(len(head))]
    lines = []
    for row in (head, *rows):
        cells = [
            cell.rjust(w) if i in right else cell.ljust(w) for i, (cell, w) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    return lines


def day_in_words(day: date) -> str:
    """`Mon 23 Nov`."""
    return f"{WEEKDAYS[day.weekday()]} {day.day} {day:%b}"


def remark_lines(remarks: Sequence[str]) -> list[str]:
    """Remarks, each wrapped, and how many more there are."""
    shown = [line for remark in remarks[:_MOST_REMARKS] for line in _wrapped(f"note: {remark}", "      ")]
    more = len(remarks) - _MOST_REMARKS
    return shown + ([f"note: and {more} more like these"] if more > 0 else [])


def _wrapped(text: str, indent: str, first: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False)


def _bars(bars: str) -> str:
    return bars.replace("-", "–") or "all"


def _name(item: WeekItem) -> str:
    return f"{_short(item.path.stem, 20)}: {item.exercise}" if item.exercise else _short(item.path.stem, 26)


def _short(text: str, length: int) -> str:
    return text if len(text) <= length else text[: length - 1] + "…"


def _by(item: WeekItem, sheet: WeekSheet) -> str:
    return _day(item.by, sheet) if item.by else ""


def day_cells(what: Reached) -> tuple[str, ...]:
    """The seven days of an item: `84×2`, `84`, `–` where nothing was clean, `·` where nothing was played; with `◇`
    where it was performed, too, or that alone."""
    return tuple(map(_day_cell, what.best_by_day, what.performed_by_day))


def _day_cell(day: tuple[float | None, int, int], performed: int) -> str:
    best_bpm, at_target, takes = day
    practised = "–" if takes > performed else "" if performed else "·"
    if best_bpm is not None:
        practised = f"{best_bpm:g}×{at_target}" if at_target else f"{best_bpm:g}"
    return f"{practised}◇" if performed else practised


def demands(item: WeekItem, sheet: WeekSheet) -> str:
    """How an item is to be practised: what stands in the sheet beside bars, tempo and day. Empty where nothing does.

    `On Mon and Wed. Climb: overshoot and settle, by 5 per cent. 90 % of the notes slurred or tongued as written.`
    """
    said = [f"Part {item.part}"] if item.part else []
    if item.exercise_options:
        options = ", ".join(f"{name} {_value(value)}" for name, value in item.exercise_options.items())
        said.append(f"{item.exercise.capitalize()} with {options}")
    if item.days:
        said.append(f"On {and_listed([_day(day, sheet) for day in item.days])}")
    climb = [CLIMBS[item.climb].title] if item.climb else []
    climb += [f"from {item.start_bpm:g}"] if item.start_bpm else []
    climb += [f"by {item.step_bpm:g}"] if item.step_bpm else []
    climb += [f"by {item.step_percent:g} per cent"] if item.step_percent else []
    if climb:
        said.append(f"Climb: {', '.join(climb)}")
    if item.articulation_share:
        said.append(f"{100 * item.articulation_share:.0f} % of the notes slurred or tongued as written")
    if item.fingerings:
        said.append(f"Fingerings: {', '.join(f'{place} {name}' for place, name in item.fingerings.items())}")
    return "".join(f"{each}. " for each in said).strip()


def _value(value: Option) -> str:
    return ("yes" if value else "no") if isinstance(value, bool) else str(value)


def and_listed(words: Sequence[str]) -> str:
    """`A`, `A and B`, `A, B and C`."""
    return f"{', '.join(words[:-1])} and {words[-1]}" if len(words) > 1 else words[0]


def _day(day: date, sheet: WeekSheet) -> str:
    return WEEKDAYS[day.weekday()] if day in sheet.days else f"{day.day} {day:%b}"


def _heading(sheet: WeekSheet) -> str:
    heading = f"Week of Monday {sheet.week.day} {sheet.week:%B %Y}"
    return f"{heading}, {sheet.student}" if sheet.student else heading


def so_far(what: Reached) -> str:
    """`1 of 3`, `3 of 3, reached`: clean takes at the target."""
    text = f"{what.at_target} of {what.wanted}"
    return f"{text}, reached" if what.done else text


def week_lines(sheet: WeekSheet, reached: Sequence[Reached]) -> list[str]:
    """The week as a table, one row an item, for the teacher's eye; comments and remarks below their rows' numbers."""
    head = ("", "Passage", "Bars", "Target", "By", *WEEKDAYS, "At target")
    rows, below = [], []
    for number, (item, what) in enumerate(zip(sheet.items, reached, strict=True), start=1):
        days = day_cells(what)
        rows.append(
            (str(number), _name(item), _bars(item.bars), f"{item.target_bpm:g}", _by(item, sheet), *days, so_far(what))
        )
        for text in (demands(item, sheet), item.comment, *_sentences(what.remarks)):
            if text:
                below += _wrapped(f"{number}  {text}", "   ")
    lines = [_heading(sheet), ""]
    if not rows:
        return [*lines, "Nothing is set yet. Set a target with: companion week set PASSAGE --tempo 96"]
    lines += table(head, rows, right=(0, 3, *range(5, 12)))
    return [*lines, *([""] if below else []), *below, "", *_wrapped(f"{LEGEND} Tempos are quarters a minute.", "")]


def student_lines(
    sheet: WeekSheet, reached: Sequence[Reached], commands: Sequence[str], titles: Sequence[str] = ()
) -> list[str]:
    """The week for the student: what is still to do, and the command that puts it on the stand. `titles` are those of
    the music; one that is empty or isn't given goes by its file."""
    lines = [_heading(sheet)]
    named = titles or [""] * len(sheet.items)
    for number, (item, what, command, title) in enumerate(
        zip(sheet.items, reached, commands, named, strict=True), start=1
    ):
        piece = piece_in_words(title or item.path.stem, "", capital(item.exercise))
        bars = printed_bars(item.bars, "the whole passage")
        by = f" by {_by(item, sheet)}" if item.by else ""
        best = "no clean take yet" if what.best_clean_bpm is None else f"best clean tempo {what.best_clean_bpm:g}"
        todo = f"{best}, target {item.target_bpm:g}{by}; {so_far(what)} clean takes at the target."
        if what.done:
            reached_with = number_of(what.at_target, "clean take")
            todo = f"target {item.target_bpm:g} reached, with {reached_with}; best clean tempo {what.best_clean_bpm:g}."
        lines += ["", *_wrapped(f"{number}  {piece}, {bars}: {todo}", "   ")]
        climb = CLIMBS.get(item.climb)
        for text in (demands(item, sheet), climb.sentence if climb else "", item.comment, *_sentences(what.remarks)):
            lines += _wrapped(text, "   ", "   ")
        lines.append(f"   {command}")
    return lines if sheet.items else [*lines, "", "Nothing is set yet."]


def _sentences(remarks: Sequence[str]) -> list[str]:
    return [with_stop(remark) for remark in remarks if remark]


def performance_lines(takes: Sequence[TakeSummary]) -> list[str]:
    """The performances among these takes, the newest first, a sentence each with what was heard first."""
    performed = sorted((take for take in takes if take.performance), key=lambda take: take.started, reverse=True)
    said = []
    for take in performed[:_MOST_PERFORMANCES]:
        words = capital(performance_in_words(take, day_in_words(date.fromisoformat(take.day))))
        said.append(f"{words}. Heard first: {take.advice}" if take.advice else f"{words}.")
    return said


def progress_lines(
    takes: Sequence[TakeSummary], target_bpm: Mapping[str, float | None], cold: Container[str] = ()
) -> list[str]:
    """What was reached, day by day: one section for each choice of bars that was played. `target_bpm` is by bars,
    `cold` holds the ids of first takes (see `record.cold`)."""
    groups: dict[str, list[TakeSummary]] = {}
    for take in takes:
        groups.setdefault(take.bars, []).append(take)
    lines: list[str] = []
    for bars, group in sorted(groups.items()):
        days, practised = by_day(group), with_click(group)
        best = best_clean_bpm(group)
        clean = sum(1 for take in practised if take.clean)
        count = f"{number_of(len(practised), 'take')} on {number_of(len(days), 'day')}, {clean} clean"
        reached = f"best clean tempo {best:g}" if best is not None else "no clean take yet"
        target = target_bpm.get(bars)
        wanted = f", target {target:g}" if target else ""
        if lines:
            lines.append("")
        stands = f"{count}; {reached}" if practised else "played without the click only"
        lines.append(f"{capital(printed_bars(bars, 'the whole passage'))}: {stands}{wanted}.")
        lines += ["", *_day_lines(days, _first_takes(group, cold))] if days else []
        if performed := performance_lines(group):
            lines += ["", *(line for each in performed for line in _wrapped(each, "    "))]
    return lines


def _first_takes(takes: Sequence[TakeSummary], cold: Container[str]) -> dict[str, str]:
    """`66 clean`, `66 not`, by day: how the first takes of each day's sittings went."""
    first: dict[str, list[str]] = {}
    for take in sorted(takes, key=lambda take: take.started):
        if take.id in cold and not take.performance:
            first.setdefault(take.day, []).append(f"{take.tempo_bpm:g} {'clean' if take.clean else 'not'}")
    return {day: ", ".join(each) for day, each in first.items()}


def _day_lines(days: Sequence[Day], first: Mapping[str, str]) -> list[str]:
    head = ("Day", "Takes", "Clean", "First take", "Best clean", "Target", "Trouble in bars")
    years = len({day.day[:4] for day in days}) > 1
    rows = []
    for day in days:
        when = date.fromisoformat(day.day)
        name = f"{day_in_words(when)} {when.year}" if years else day_in_words(when)
        best = "–" if day.best_clean_bpm is None else f"{day.best_clean_bpm:g}"
        target = "" if day.target_bpm is None else f"{day.target_bpm:g}"
        trouble = ", ".join(f"{bar} ({n} takes)" if n > 1 else bar for bar, n in day.trouble[:4])
        rows.append((name, str(day.takes), str(day.clean), first.get(day.day, ""), best, target, trouble))
    head_line, *row_lines = table(head, rows, right=(1, 2, 4, 5))
    lines = [head_line]
    for line, day in zip(row_lines, days, strict=True):
        lines.append(line)
        # Of a day without trouble there is nothing to advise.
        if day.advice and (day.trouble or day.clean < day.takes):
            lines += _wrapped(f"Advice: {day.advice}", "    ", "    ")
    return lines
