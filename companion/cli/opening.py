"""What every command does first that opens a passage: the score, the mark sheet beside it, the horn, the rules."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from companion import paths
from companion.cli.which_part import Lookup, read_part
from companion.errors import MarksError, RuleFileError, UsageError

if TYPE_CHECKING:
    from companion.charts.model import Chart
    from companion.passage import Passage
    from companion.planning.model import Plan
    from companion.planning.rules import Rule
    from companion.record.marks import Marked

__all__ = ["Opened", "check_there", "horn_of", "open_passage", "rules_to_follow", "unknown_marks"]


@dataclass(frozen=True, slots=True)
class Opened:
    """A passage as it is to be played: misprints corrected, with the teacher's choices and the rules to plan by.

    `marks` are the fixed fingerings by note index: those printed in the score, then the teacher's, which win. `remarks`
    are to be said before anything else. `part` is what `--part` takes for it, None where the score leaves no choice.
    """

    passage: Passage
    chart: Chart
    marked: Marked
    marks: dict[int, str]
    marks_path: Path
    rules: tuple[Rule, ...]
    remarks: tuple[str, ...]
    part: str | None = None

    def plan(self, tempo_bpm: float | None = None) -> Plan:
        """The plan of the whole passage."""
        from companion.planning import plan

        return plan(self.passage, self.chart, self.marks, tempo_bpm, rules=self.rules)


def check_there(file: Path) -> None:
    """Raises `UsageError` where there is no such file. Of a folder or a link that leads nowhere the reader says why."""
    if not os.path.lexists(file):
        raise UsageError(f"{file}: there is no such file; give a MusicXML or MIDI file, or try: companion demo")


def open_passage(
    file: Path,
    part: str | None = None,
    instrument: str | None = None,
    marks_path: Path | None = None,
    rule_file: Path | None = None,
    *,
    sheet_needed: bool = True,
    lookup: Lookup = Lookup(),  # noqa: B008 (frozen)
) -> Opened:
    """Read all that belongs to a passage.

    A mark sheet or rule file that was named must be there and right; the usual one, where it is faulty, is said and not
    followed. `sheet_needed` false: the named mark sheet may be missing, since it is about to be made. Of several parts,
    where none is named, the one is taken that `lookup` leads to; that is said.
    """
    from companion.charts import load
    from companion.planning import all_marks

    check_there(file)
    found = read_part(file, part, lookup)
    as_printed = found.passage
    marked, path, marks_remarks = _marked(file, as_printed, marks_path, sheet_needed)
    rules, rules_remarks = rules_to_follow(rule_file)
    chart = load(instrument or horn_of(marked.passage))
    return Opened(
        passage=marked.passage,
        chart=chart,
        marked=marked,
        marks=all_marks(marked.passage, chart, marked.fingerings),
        marks_path=path,
        rules=rules,
        part=found.part,
        remarks=(*found.said, *as_printed.remarks, *marks_remarks, *unknown_marks(marked, chart, path), *rules_remarks),
    )


def unknown_marks(marked: Marked, chart: Chart, path: Path) -> list[str]:
    """What is to be said of marks that this horn has no fingering for."""
    said = []
    for index, name in marked.fingerings.items():
        note = marked.passage.notes[index]
        if not chart.called(note.written_midi, name):
            bar = marked.passage.bars[note.bar].number
            said.append(
                f"{path.name}: a fingering is set aside: bar {bar}: {note.written} has no {name!r} on the {chart.title}"
            )
    return list(dict.fromkeys(said))


def _marked(file: Path, passage: Passage, named: Path | None, needed: bool) -> tuple[Marked, Path, tuple[str, ...]]:
    from companion.record import marks

    path = named or marks.default_path(file)
    nothing = marks.Marked(passage, {}, {}, {}, {})
    if not os.path.lexists(path) and (named is None or not needed):
        return nothing, path, ()
    try:
        marked = marks.resolve(marks.load(path), passage)
    except MarksError as error:
        if named is not None:
            raise
        return nothing, path, (f"the mark sheet is not followed: {error}",)
    return marked, path, marked.remarks


def rules_to_follow(named: Path | None = None) -> tuple[tuple[Rule, ...], tuple[str, ...]]:
    """The rules of practice as the teacher's rule file has them, and what is to be said of it."""
    from companion.planning import RULES

    path = named or paths.rule_file()
    if named is None and not os.path.lexists(path):
        return RULES, ()
    from companion.record.rule_file import load_rules

    try:
        return load_rules(path), ()
    except RuleFileError as error:
        if named is not None:
            raise
        return RULES, (f"the rule file is not followed: {error}",)


def horn_of(passage: Passage) -> str:
    """The horn whose transposition the part has; an alto where it has none."""
    from companion.charts import load, names

    for name in names():
        if passage.transposition is not None and load(name).transposition == passage.transposition:
            return name
    return "alto"
