"""`companion fingerings FILE`: the plan of a passage as a table, as marks in the score, and what a teacher asks."""

from __future__ import annotations

import argparse
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterable, Sequence
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from companion import paths
from companion.errors import UsageError
from companion.units import ms_from_s

if TYPE_CHECKING:
    from companion.charts.model import Chart, Fingering
    from companion.cli.opening import Opened
    from companion.passage import Bar, Note, Passage, Pitch
    from companion.planning.limits import TrillLimit
    from companion.planning.model import Choice, Plan

__all__ = ["add_arguments", "run"]

#: Spots and better fingerings named by --limits; the rest of a long passage is as good as playable beside them.
MOST_SPOTS = 8
_NARROWEST = 72
#: The legend's keys have a column of their own from so many letters on.
_WIDE = 120
_KEYS = (
    "l1 l2 l3 are the left hand's index, middle and ring finger, r1 r2 r3 the right hand's. Where two notes an octave"
    " apart share a row, the upper one adds the octave key."
)
_EXAMPLES = """\
examples:
  companion fingerings etude.musicxml                        every note: bar, beat, note, fingering, reason
  companion fingerings etude.musicxml --bars 5-8 --limits --tempo 96
  companion fingerings etude.musicxml --musicxml etude-marked.musicxml
  companion fingerings etude.musicxml --set 9.12=side --why "matches the C after it"
  companion fingerings etude.musicxml --correct 10.-2=B5 --comment 5.1="breathe before this"
  companion fingerings --note B-flat4 --search --beside C5   all ways to play a note
  companion fingerings --change G4 B-flat4:side              how long a change takes, and why
  companion fingerings --rules

BAR.NOTE counts the notes printed in a bar from 1, or from its end: 10.-1 is the last, 10.-2 the next to last. The marks
go into a small file beside the passage (etude.marks.toml), which every command follows. Tempos are quarters a minute.
Times of changes are an average player's, fitted to published trill rates (arXiv:2507.04963); with takes in the practice
log, yours. Rest some minutes every half hour, and stop at pain."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `companion fingerings`."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = _EXAMPLES
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE", help="a MusicXML or Standard MIDI file")
    music = parser.add_argument_group("the passage")
    music.add_argument("--part", help="which part of a score: its number, id or name")
    music.add_argument("--bars", metavar="5-8", help="show only these bars (the whole passage is planned)")
    music.add_argument("--instrument", metavar="HORN", help="soprano, alto, tenor, baritone or a chart of your own")
    music.add_argument("--tempo", type=float, metavar="BPM", help="the tempo meant (default: the printed one)")
    music.add_argument("--brief", action="store_true", help="leave out notes with their usual fingering")
    marks = parser.add_argument_group("the teacher's marks")
    marks.add_argument("--marks", type=Path, metavar="FILE", help="the mark sheet (default: FILE.marks.toml beside it)")
    marks.add_argument("--set", action="append", default=[], metavar="BAR.NOTE=NAME", help="fix a fingering")
    marks.add_argument("--why", default="", metavar="TEXT", help="the reason, kept with --set and --correct")
    marks.add_argument("--unset", action="append", default=[], metavar="BAR.NOTE", help="take a fixed fingering away")
    marks.add_argument(
        "--comment",
        action="append",
        default=[],
        metavar="BAR.NOTE=TEXT",
        help="a word at a note; no TEXT takes it away",
    )
    marks.add_argument(
        "--correct",
        action="append",
        default=[],
        metavar="BAR.NOTE=PITCH",
        help="a misprint, such as 10.-2=B5; no PITCH takes the correction away",
    )
    marks.add_argument("--rule-file", type=Path, metavar="FILE", help="changes to the rules (usual: shared/rules.toml)")
    asked = parser.add_argument_group("what else it can say")
    asked.add_argument("--musicxml", type=Path, metavar="OUT", help="write the score with fingering marks")
    asked.add_argument("--legend", action="store_true", help="what the marks mean")
    asked.add_argument("--limits", action="store_true", help="the hardest spots, and the tempo each can reach")
    asked.add_argument("--average", action="store_true", help="with --limits: an average player, not your own takes")
    asked.add_argument("--sessions", type=Path, metavar="DIR", help="the practice log that tells your pace")
    asked.add_argument("--rules", action="store_true", help="the rules of practice, with weights and sources")
    asked.add_argument("--change", nargs=2, metavar=("FROM", "TO"), help="a change, reckoned; such as G4 B-flat4:side")
    asked.add_argument("--note", metavar="PITCH", help="all fingerings of a note, drawn; such as B-flat4")
    asked.add_argument("--search", action="store_true", help="with --note: what else the horn's keys would give")
    asked.add_argument("--beside", metavar="PITCH", help="with --note: the neighbour that a change is reckoned from")
    asked.add_argument("-o", "--output", type=Path, metavar="OUT", help="with --note: a picture (.svg, .png, .pdf)")


def run(args: argparse.Namespace) -> int:
    """`companion fingerings`."""
    _check_together(args)
    if args.rules:
        print("\n".join(_rule_lines(args.rule_file)))
    if args.change:
        print("\n".join(_change_lines(args)))
    if args.note:
        _note_page(args)
    if args.file is not None:
        _passage(args)
    elif args.legend:
        chart = _chart(args)
        print("\n".join(_legend_lines(chart, chart.fingerings)))
    return 0


def _check_together(args: argparse.Namespace) -> None:
    """Options that would do nothing are said rather than passed over."""
    of_a_passage = {
        "--bars": args.bars, "--set": args.set, "--unset": args.unset, "--comment": args.comment, "--part": args.part,
        "--correct": args.correct, "--musicxml": args.musicxml, "--limits": args.limits, "--marks": args.marks,
        "--brief": args.brief,
    }  # fmt: skip
    if args.file is None:
        lonely = [name for name, value in of_a_passage.items() if value]
        if lonely:
            raise UsageError(f"{lonely[0]} needs a passage: companion fingerings FILE {lonely[0]} ...")
        if not (args.rules or args.change or args.note or args.legend):
            raise UsageError("give a passage, or --rules, --legend, --note PITCH or --change FROM TO")
    of_a_note = {"--search": args.search, "--beside": args.beside, "--output": args.output}
    lonely = [name for name, value in of_a_note.items() if value]
    if lonely and not args.note:
        raise UsageError(f"{lonely[0]} goes with --note, such as: companion fingerings --note B-flat4 {lonely[0]} ...")
    if args.why and not (args.set or args.correct):
        raise UsageError("--why goes with --set or --correct")
    if args.average and not args.limits:
        raise UsageError("--average goes with --limits")
    if args.tempo is not None and not 0 < args.tempo < 1000:
        raise UsageError(f"--tempo {args.tempo:g}: give quarters a minute, above 0 and below 1000")


def _chart(args: argparse.Namespace) -> Chart:
    from companion.charts import load

    return load(args.instrument or "alto")


# -- a passage ------------------------------------------------------------------------------------------------------


def _passage(args: argparse.Namespace) -> None:
    from companion.cli.marked_score import check_target, write_marked

    edits = bool(args.set or args.unset or args.comment or args.correct)
    opened = _opened(args, sheet_needed=not edits)
    # Whatever is asked in vain is said before anything is written.
    _bars_inside(opened, args.bars)
    if args.musicxml:
        check_target(args.musicxml, opened)
    if edits:
        _edit_marks(args, opened)
        opened = _opened(args, sheet_needed=False)
    plan = opened.plan(args.tempo)
    for remark in (*opened.remarks, *plan.remarks):
        print(f"companion: note: {remark}", file=sys.stderr)
    blocks = [_heading(opened, plan), _table(opened, plan, args)]
    if args.legend:
        used = (f for choice in plan.choices for f in (choice.fingering, choice.trill_fingering) if f is not None)
        blocks.append(_legend_lines(opened.chart, used))
    if args.limits:
        blocks.append(_limit_lines(opened, plan, args))
    if args.musicxml:
        blocks.append([write_marked(opened, plan, args.musicxml)])
    print("\n\n".join("\n".join(lines) for lines in blocks))


def _opened(args: argparse.Namespace, sheet_needed: bool) -> Opened:
    from companion.cli.opening import open_passage
    from companion.cli.which_part import Lookup

    lookup = Lookup.of(args)
    return open_passage(
        args.file, args.part, args.instrument, args.marks, args.rule_file, sheet_needed=sheet_needed, lookup=lookup
    )


def _heading(opened: Opened, plan: Plan) -> list[str]:
    from companion.practice.words import number_of

    others = sum(bool(_marks_of(choice)) for choice in plan.choices)
    fixed = sum(choice.fixed for choice in plan.choices)
    kept = f", {fixed} of them fixed by hand" if fixed else ""
    count = number_of(len(plan.choices), "note")
    title = opened.passage.title or Path(opened.passage.origin).stem
    lines = [f"{title}, {opened.chart.title}: {count}, {others} with a mark{kept}"]
    changed = len(opened.marked.corrections)
    if changed:
        lines.append(f"{number_of(changed, 'misprint')} corrected as {opened.marks_path.name} says")
    return lines


def _table(opened: Opened, plan: Plan, args: argparse.Namespace) -> list[str]:
    passage = opened.passage
    inside = _bars_inside(opened, args.bars)
    rows = [("bar", "beat", "note", "fingering", "reason")]
    for choice in plan.choices:
        note = passage.notes[choice.note_index]
        if note.bar in inside and not (args.brief and _is_usual(choice)):
            rows.append(_row(passage.bars[note.bar], note, choice, opened))
    if len(rows) == 1:
        return ["every note has its usual fingering here" if passage.notes else "there are no notes"]
    return _columns(rows)


def _is_usual(choice: Choice) -> bool:
    return not choice.fixed and all(map(_goes_unnamed, (choice.fingering, choice.trill_fingering or choice.fingering)))


def _marks_of(choice: Choice) -> list[str]:
    """What the page shows of it: the note's mark, that of a trill's other note."""
    return [f.mark for f in (choice.fingering, choice.trill_fingering) if f is not None and f.mark]


def _goes_unnamed(fingering: Fingering) -> bool:
    return fingering.standard and not fingering.mark


def _row(bar: Bar, note: Note, choice: Choice, opened: Opened) -> tuple[str, str, str, str, str]:
    from companion.planning.reasons import reason_in_full

    where = bar.number or str(bar.index + 1)
    if bar.time_pass > 1:
        where += f" ({bar.time_pass}×)"
    name = "" if _goes_unnamed(choice.fingering) else choice.fingering.name
    if choice.trill_fingering and (name or not _goes_unnamed(choice.trill_fingering)):
        name = f"{name or 'standard'}, tr {choice.trill_fingering.name}"
    reason = reason_in_full(choice, opened.marked.whys.get(choice.note_index, ""))
    if comment := opened.marked.comments.get(choice.note_index):
        reason += f" – {comment}"
    return where, _beat(note), str(note.written), name, reason


_PARTS = {
    Fraction(1, 4): "¼", Fraction(1, 2): "½", Fraction(3, 4): "¾", Fraction(1, 3): "⅓", Fraction(2, 3): "⅔",
    Fraction(1, 6): "⅙", Fraction(5, 6): "⅚", Fraction(1, 8): "⅛", Fraction(3, 8): "⅜", Fraction(5, 8): "⅝",
    Fraction(7, 8): "⅞",
}  # fmt: skip


def _beat(note: Note) -> str:
    whole, part = note.count // 1, note.count % 1
    beat = f"{whole}{_PARTS.get(part, f'+{part}')}" if part else str(whole)
    return f"{beat} grace" if note.grace else beat


def _columns(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """The last column wrapped under itself on a terminal, left whole in a file or pipe."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]) - 1)]
    indent = sum(widths) + 2 * len(widths)
    width = max(24, _width() - indent)
    lines = []
    for row in rows:
        start = "".join(f"{cell:<{size}}  " for cell, size in zip(row, widths, strict=False))
        wrapped = textwrap.wrap(row[-1], width) or [""]
        lines.append((start + wrapped[0]).rstrip())
        lines += [" " * indent + line for line in wrapped[1:]]
    return lines


def _width() -> int:
    """Letters on a line of the terminal; in a file or pipe a line is as long as it needs to be."""
    return max(_NARROWEST, shutil.get_terminal_size().columns) if sys.stdout.isatty() else 10_000


def _wrapped(start: str, text: str) -> list[str]:
    """`text` after `start`, its further lines below its first."""
    return textwrap.wrap(text, _width(), initial_indent=start, subsequent_indent=" " * len(start))


def _legend_lines(chart: Chart, fingerings: Iterable[Fingering]) -> list[str]:
    from companion.charts import note_name

    octave = {chart.octave.key} if chart.octave else set()
    # One row for both octaves of a shape; one mark may mean other keys on another note, as front does.
    seen: dict[tuple[str, str, frozenset[str]], list[Fingering]] = {}
    for fingering in fingerings:
        if fingering.mark:
            same = seen.setdefault((fingering.mark, fingering.name, fingering.keys - octave), [])
            if fingering not in same:
                same.append(fingering)
    if not seen:
        return ["no marks: every note has its usual fingering"]
    rows: list[tuple[str, ...]] = [("mark", "fingering", "notes", "keys", "what for")]
    for (mark, name, _), same in seen.items():
        same.sort(key=lambda f: f.written_midi)
        notes = " ".join(note_name(f.written_midi) for f in same)
        keys = [key.name for key in chart.keys if key.name in same[0].keys]
        rows.append((mark, name, notes, " ".join(keys) or "none", same[0].use))
    if _width() < _WIDE:
        rows = [(mark, name, notes, f"{keys}: {use}") for mark, name, notes, keys, use in rows]
    return [*_columns(rows), *_wrapped("", _KEYS)]


# -- how fast -------------------------------------------------------------------------------------------------------


def _limit_lines(opened: Opened, plan: Plan, args: argparse.Namespace) -> list[str]:
    from companion.planning.limits import speed_limits
    from companion.planning.pace import Pace
    from companion.record.readings import pace_of

    passage = opened.passage
    tempo_bpm = args.tempo or passage.marked_tempo_bpm()
    pace = Pace() if args.average else pace_of(args.sessions or paths.sessions_dir(), opened.chart)
    limits = speed_limits(passage, plan, opened.chart, tempo_bpm, pace)
    inside = _bars_inside(opened, args.bars)
    spots = [spot for spot in limits.spots if passage.notes[spot.last_note].bar in inside][:MOST_SPOTS]
    reliefs = [relief for relief in limits.reliefs if passage.notes[relief.note_index].bar in inside][:MOST_SPOTS]
    lines = _wrapped("", f"Speed limits at {tempo_bpm:g} quarters a minute; {pace.words}.")
    for i, spot in enumerate(spots, start=1):
        lines += _wrapped(f"  {i}. ", spot.sentence)
    if not spots:
        lines.append("  no change comes near its limit")
    trills = [trill for trill in limits.trills if passage.notes[trill.note_index].bar in inside]
    if trills:
        lines += ["Trills:"]
        for trill in _once_each(passage, trills)[:MOST_SPOTS]:
            lines += _wrapped("  - ", trill.sentence)
    if reliefs:
        lines += ["Another fingering would raise the limit here:"]
        for relief in reliefs:
            lines += _wrapped("  - ", relief.sentence)
    return lines


def _once_each(passage: Passage, trills: Iterable[TrillLimit]) -> list[TrillLimit]:
    """The trills by their printed notes, the slowest first: one played twice is said once."""
    printed = {passage.notes[trill.note_index].source: trill for trill in trills}
    return sorted(printed.values(), key=lambda trill: trill.trills_per_s)


def _bars_inside(opened: Opened, bars: str | None) -> range:
    first, last = opened.passage.bar_range(bars) if bars else (0, len(opened.passage.bars) - 1)
    return range(first, last + 1)


def _change_lines(args: argparse.Namespace) -> list[str]:
    from companion.planning import reckoning

    chart = _chart(args)
    a, b = (_fingering_named(chart, text) for text in args.change)
    return textwrap.wrap(f"{_named(a)} to {_named(b)}: {reckoning(chart, a, b).sentence()}", _width())


def _named(fingering: Fingering) -> str:
    from companion.charts import note_name

    return note_name(fingering.written_midi) + ("" if _goes_unnamed(fingering) else f" {fingering.name}")


def _fingering_named(chart: Chart, text: str) -> Fingering:
    """`G4`, or with one of its other fingerings `B-flat4:side`."""
    from companion.scores.pitch_words import pitch_from

    pitch_text, _, name = text.partition(":")
    pitch = pitch_from(pitch_text)
    standard = chart.standard(pitch.midi)
    if not name:
        return standard
    if found := chart.called(pitch.midi, name):
        return found[0]
    names = ", ".join(fingering.name for fingering in chart.for_note(pitch.midi))
    raise UsageError(f"{text!r}: {pitch} has no fingering {name!r} on the {chart.title}; it has {names}")


def _note_page(args: argparse.Namespace) -> None:
    from companion.cli.note_page import note_page
    from companion.scores.pitch_words import pitch_from

    beside = pitch_from(args.beside) if args.beside else None
    note_page(_chart(args), pitch_from(args.note), args.search, beside, sys.stdout, args.output)


def _rule_lines(rule_file: Path | None) -> list[str]:
    from companion.cli.opening import rules_to_follow
    from companion.planning import RULES

    followed, remarks = rules_to_follow(rule_file)
    for remark in remarks:
        print(f"companion: note: {remark}", file=sys.stderr)
    weights = {rule.name: rule.weight_s for rule in followed}
    lines = _wrapped("", "Rules of practice. A broken rule costs its weight, in milliseconds of changing fingers.")
    for rule in RULES:
        weight_s = weights.get(rule.name)
        cost = "switched off" if weight_s is None else f"{ms_from_s(weight_s):.0f} ms"
        if weight_s is not None and weight_s != rule.weight_s:
            cost += f", changed from {ms_from_s(rule.weight_s):.0f} ms"
        lines += ["", f"{rule.name} ({cost})", *_indented(rule.sentence)]
        for exception in rule.exceptions:
            lines += _indented(f"except: {exception}")
        lines += _indented(f"source: {rule.source}")
    return lines


def _indented(text: str) -> list[str]:
    return textwrap.wrap(text, min(_width(), 100), initial_indent="  ", subsequent_indent="    ")


# -- the mark sheet -------------------------------------------------------------------------------------------------


def _edit_marks(args: argparse.Namespace, opened: Opened) -> None:
    """Carry out --set, --unset, --comment and --correct, and say so."""
    from companion.record import marks, marks_edit
    from companion.scores.pitch_words import pitch_from

    path, passage, why = opened.marks_path, opened.passage, args.why
    # All places and names are looked at before anything is written.
    edits: list[Callable[[], None]] = []
    written = {note.source: note.written for note in passage.notes}
    for text in args.correct:
        place, pitch = _assignment("--correct", text, "10.-2=B5", may_be_empty=True)
        index, right = marks.note_at(passage, place), pitch_from(pitch) if pitch else None
        if right is not None:
            opened.chart.standard(right.midi)
            written[passage.notes[index].source] = right
        edits.append(partial(marks_edit.set_correction, path, passage, index, right, why))
    for text in args.set:
        place, name = _assignment("--set", text, "9.12=side")
        index = marks.note_at(passage, place)
        _check_name(opened.chart, written[passage.notes[index].source], name)
        edits.append(partial(marks_edit.set_fingering, path, passage, index, name, why))
    for place in args.unset:
        edits.append(partial(marks_edit.set_fingering, path, passage, marks.note_at(passage, place), None))
    for text in args.comment:
        place, words = _assignment("--comment", text, '5.1="breathe here"', may_be_empty=True)
        edits.append(partial(marks_edit.set_comment, path, passage, marks.note_at(passage, place), words))
    before = marks.read_bytes(path) if path.exists() else b""
    for edit in edits:
        edit()
    after = marks.read_bytes(path) if path.exists() else b""
    print(
        f"Written to {path}." if after != before else "The marks were so already: nothing is written.", file=sys.stderr
    )


def _assignment(option: str, text: str, example: str, may_be_empty: bool = False) -> tuple[str, str]:
    place, equals, value = text.partition("=")
    if not equals or not (value.strip() or may_be_empty):
        raise UsageError(f"{option} {text!r}: write such as {option} {example}")
    return place, value.strip()


def _check_name(chart: Chart, pitch: Pitch, name: str) -> None:
    """A fingering that the note doesn't have is said before it stands in the teacher's file."""
    if not chart.called(pitch.midi, name):
        names = ", ".join(f.name for f in chart.for_note(pitch.midi))
        raise UsageError(f"{pitch} has no fingering {name!r} on the {chart.title}; it has {names}")
