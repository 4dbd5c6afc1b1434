"""`companion record`: the practice log written out, taken in, deleted, brought up to date."""

from __future__ import annotations

import argparse
import os
import re
import sys
from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from companion import paths
from companion.cli import arguments
from companion.errors import RecordError, UsageError
from companion.record.choosing import Choice
from companion.record.files import sha256_of
from companion.record.model import file_name, plain_text

if TYPE_CHECKING:
    from companion.record.deleting import Deletion

__all__ = ["add_arguments", "run"]

#: Of what was left, so much is said in a line.
_MOST_SAID = 4
_EXAMPLES = """\
examples:
  companion record export takes                       all takes as JSON Lines: a folder that is a practice log itself
  companion record export tables --format csv --since 2026-11-01
  companion record export midi --format midi --file etude.musicxml
  companion record import /media/stick/takes          what another computer recorded; nothing is doubled
  companion record delete --student                   all that was recorded of the student whose log this is
  companion record migrate                            a log of an earlier format brought up to date
"""
_EXPORT = """\
FOLDER is a new folder.

jsonl: all of the record, to go on with elsewhere: the log's own lines, a file a sitting, and the answers about shapes;
companion record import takes it in, and --sessions FOLDER reads it as it is. An export of the whole log has this
computer's settings, too (controllers with pitch and delay, levels, keys, the usual sitting).
csv: takes.csv and notes.csv for a spreadsheet, and columns.txt, which says what stands in each column. What the
controller sent (events) is not in them, for it goes by the ten thousand: such takes count, but can't be replayed.
midi: a Standard MIDI file a take, at the take's tempo and with every message as the controller sent it, so perhaps not
at written pitch (9600 ticks a quarter); any player plays it, and companion record import makes the very take of it
again.

In none of them: the week sheet, and scores with their mark sheets, which are the teacher's, too: copy these as they
are.
"""
_IMPORT = """\
Takes JSON Lines, MIDI files and tables (takes.csv, with notes.csv beside it) that companion wrote, or folders of them.
A take that is there already is not doubled; what is foreign, broken or of a later version is named and left. Tables
hold no events: a take out of one counts, but can't be replayed. All count as takes of the student whose log this is;
another student's go into a log of their own (--sessions DIR). Settings in an export are taken in where this computer
has none yet, and not with --sessions.

With --as, MIDI files that another program recorded are judged as takes of that passage, aimed at --tempo:
  companion record import phone.mid --as etude.musicxml --tempo 72 --bars 5-8
Early and late are then against your own beat, for such a file does not say when the click was.
"""
_DELETE = """\
Shows what goes and what stays, and asks. --student: all of the log (--sessions DIR: another student's), the answers
about shapes, and what was made of them: the index, the plots. The others choose takes, and several together those that
fit all of them. It can't be taken back: an export beforehand keeps a copy.
"""
_MIGRATE = """\
Brings sittings that an earlier companion wrote up to the format of this one; what they were is kept in a folder of the
log. Sittings that only lack what is kept today are read as they are and not touched. A later format is left alone.
"""
SLOWEST_BPM, FASTEST_BPM = 10, 400
MOST_TITLES = 8
#: What the stand keeps in the settings folder, with what it set aside or had half written.
_SETTINGS = re.compile(r"\.?(settings|keys)\.toml(\..+)?")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `companion record`."""
    plain = argparse.RawDescriptionHelpFormatter
    parser.formatter_class, parser.epilog = plain, _EXAMPLES
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)

    export = actions.add_parser(
        "export", help="write takes into a new folder", description=_EXPORT, formatter_class=plain
    )
    export.add_argument("out", type=Path, metavar="FOLDER", help="a new folder")
    export.add_argument("--format", choices=("jsonl", "csv", "midi"), default="jsonl", help="default: jsonl")
    _add_choice(export)

    taking_in = actions.add_parser(
        "import", help="take in what another computer recorded", description=_IMPORT, formatter_class=plain
    )
    taking_in.add_argument("sources", type=Path, nargs="+", metavar="FILE|FOLDER", help="an export, or another log")
    taking_in.add_argument(
        "--as", dest="score", type=Path, metavar="SCORE", help="MIDI files are takes of this passage"
    )
    taking_in.add_argument(
        "--tempo", type=float, metavar="BPM", help="with --as: the tempo aimed at, in quarters a minute"
    )
    taking_in.add_argument("--bars", metavar="5-8", help="with --as: only these bars were played")
    taking_in.add_argument("--part", metavar="PART", help="with --as: the part, where the score has several")
    taking_in.add_argument("--instrument", metavar="HORN", help="with --as: the horn (default: the part's)")
    taking_in.add_argument(
        "--played", type=_moment, metavar="WHEN", help="with --as: such as 2026-11-27T17:00 (default: the file's date)"
    )
    _add_sessions(taking_in)

    delete = actions.add_parser("delete", help="delete what was recorded", description=_DELETE, formatter_class=plain)
    delete.add_argument("--student", action="store_true", help="the whole log, answers about shapes, index and plots")
    _add_choice(delete)
    delete.add_argument(
        "--settings",
        action="store_true",
        help="with --student: controllers, levels, keys and habits kept on this computer, too",
    )
    delete.add_argument("--yes", action="store_true", help="don't ask")

    migrate = actions.add_parser("migrate", help="bring a log up to date", description=_MIGRATE, formatter_class=plain)
    _add_sessions(migrate)


def _add_choice(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--file", type=Path, metavar="SCORE", help="only takes of this passage")
    parser.add_argument(
        "--since", type=arguments.day, metavar="DATE", help="only takes from this day on, such as 2026-11-01"
    )
    parser.add_argument("--before", type=arguments.day, metavar="DATE", help="only takes of earlier days")
    parser.add_argument("--horn", metavar="HORN", help="only takes on this horn, such as alto")
    _add_sessions(parser)


def _add_sessions(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--sessions", type=Path, metavar="DIR", help="the practice log (default: $COMPANION_SESSIONS)")


def _moment(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text).astimezone()
    except (ValueError, OverflowError, OSError):
        raise argparse.ArgumentTypeError(f"{text} is no time; write it as 2026-11-27T17:00") from None


def run(args: argparse.Namespace) -> int:
    """Do what was asked for."""
    actions = {"export": _export, "import": _import, "delete": _delete, "migrate": _migrate}
    _say(actions[args.action](args))
    return 0


def _say(lines: Iterable[str]) -> None:
    """Names of files and titles come from other computers too: they never command the terminal."""
    for line in lines:
        print(plain_text(line))


def _choice(args: argparse.Namespace) -> Choice:
    if args.since and args.before and args.since >= args.before:
        raise UsageError(f"--since {args.since} --before {args.before}: no day is both; swap the dates")
    file = str(args.file or "")
    if file and not file_name(file):
        raise UsageError(f"--file {file}: is no score's name; give one such as etude.musicxml")
    return Choice(file, sha256_of(args.file) if file else "", args.since, args.before, args.horn or "")


def _sessions(args: argparse.Namespace) -> Path:
    return Path(args.sessions or paths.sessions_dir())


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'s' * (number != 1)}"


def _export(args: argparse.Namespace) -> list[str]:
    from companion.record.exporting import export
    from companion.record.text import and_listed, remark_lines

    own = paths.settings_dir() if args.sessions is None else None
    choice = _choice(args)
    done = export(_sessions(args), args.out, args.format, choice, own)
    parts = [_count(done.takes, "take")]
    parts += [f"{_count(done.answers, 'answer')} about shapes"] if done.answers else []
    parts += ["the settings of this computer"] if done.settings else []
    lines = [
        f"{args.out}: {and_listed(parts)} in {_count(done.files, 'file')}.",
        _stays_out(args.format, choice, own is not None),
    ]
    return [*lines, *remark_lines(done.remarks)]


def _stays_out(form: str, choice: Choice, own: bool) -> str:
    """What an export has not, in one line; `own` where the log is that of who sits here."""
    from companion.record.text import and_listed

    out = [] if choice.all else ["what was not asked for"]
    out += ["what the controller sent"] if form == "csv" else []
    out += ["answers about shapes"] if form != "jsonl" else []
    out += ["settings"] if own and not (form == "jsonl" and choice.all) else []
    out += [f"the week sheet (in {paths.week_sheet_to_write().parent})", "scores with their mark sheets"]
    return f"Not in it: {and_listed(out)}."


def _import(args: argparse.Namespace) -> list[str]:
    from companion.record.importing import import_records
    from companion.record.own_settings import SettingsTaken, take_settings
    from companion.record.text import remark_lines

    sessions = _sessions(args)
    if args.score is not None:
        return _import_performances(args, sessions)
    if loose := [f"--{name}" for name in ("tempo", "bars", "part", "instrument", "played") if getattr(args, name)]:
        raise UsageError(f"{loose[0]} goes with --as SCORE, which says what was played")
    done = import_records(sessions, args.sources)
    new = _count(done.takes, "new take") + (f" and {_count(done.answers, 'new answer')}" if done.answers else "")
    there = done.takes_there + done.answers_there
    lines = [f"{sessions}: {new} taken in{f'; {there} were there already' if there else ''}."]
    # Another student's log leaves the settings of who sits here alone.
    own = take_settings(args.sources, paths.settings_dir()) if args.sessions is None else SettingsTaken()
    lines += [f"Settings taken in: {path}." for path in own.taken]
    if not (done.takes or done.answers or there or own.taken) and done.remarks:
        raise UsageError(f"nothing was taken in: {'; '.join(done.remarks[:_MOST_SAID])}")
    return [*lines, *remark_lines([*done.remarks, *own.left])]


def _import_performances(args: argparse.Namespace, sessions: Path) -> list[str]:
    from companion.cli.opening import open_passage
    from companion.cli.which_part import Lookup
    from companion.record.importing import import_take
    from companion.record.model import normal_bars
    from companion.record.played_midi import take_of
    from companion.record.text import remark_lines

    if args.tempo is None or not SLOWEST_BPM <= args.tempo <= FASTEST_BPM:
        raise UsageError(f"--as needs --tempo, the one aimed at, from {SLOWEST_BPM:g} to {FASTEST_BPM:g}")
    opened = open_passage(args.score, args.part, args.instrument, lookup=Lookup.of(args))
    whole, music, bars = opened.passage, opened.plan(), normal_bars(args.bars or "")
    first, last = whole.bar_range(bars) if bars else (0, len(whole.bars) - 1)
    passage = whole.excerpt(first, last) if bars else whole
    first_note = next((i for i, note in enumerate(whole.notes) if note.bar >= first), 0)
    if not passage.notes:
        raise UsageError(f"{args.score}: there is no note to play in bars {bars}")
    for path in args.sources:
        content, changed = _midi_content(path)
        if _is_own_take(content):
            _say([f"{path}: a take that companion recorded itself; left: take it in without --as."])
            continue
        started = _not_to_come(path, args.played or changed)
        take = take_of(
            content, path.name, passage, music, opened.chart, tempo_bpm=args.tempo, started=started,
            first_note=first_note, bars=bars,
        )  # fmt: skip
        if not import_take(sessions, take):
            _say([f"{path}: is in the log already."])
            continue
        pitch = f", sounding {opened.chart.name} pitch" if take.shift_semitones else ""
        # At once: what is in the log is said, whatever becomes of the next file.
        _say([f"{path}: a take of {started:%Y-%m-%d %H:%M}{pitch}. {take.advice}"])
    return remark_lines(opened.remarks)


def _is_own_take(content: bytes) -> bool:
    """Judged anew it would count twice, and one of the simulated player as the player's own."""
    from companion.record.take_midi import line_from_midi

    try:
        line_from_midi(content)
    except ValueError:
        return False
    return True


def _not_to_come(path: Path, started: datetime) -> datetime:
    if started > datetime.now().astimezone() + timedelta(days=1):
        raise UsageError(f"{path}: {started:%Y-%m-%d} is yet to come; say when it was played with --played")
    return started


def _midi_content(path: Path) -> tuple[bytes, datetime]:
    """A file's content and when it was last changed."""
    from companion.record.played_midi import MAX_BYTES

    if not os.path.isfile(path):
        what = "is no file" if os.path.exists(path) else "there is no such file"
        raise UsageError(f"{path}: {what}; with --as give MIDI files")
    try:
        with open(path, "rb") as file:
            return file.read(MAX_BYTES + 1), datetime.fromtimestamp(path.stat().st_mtime).astimezone()
    except OSError as error:
        raise UsageError(f"{path}: can't be read ({error.strerror})") from error


def _delete(args: argparse.Namespace) -> list[str]:
    from companion.record.deleting import carry_out, plan_deletion
    from companion.record.text import remark_lines

    choice = _choice(args)
    if args.student and not choice.all:
        raise UsageError(
            "--student is all of it: leave out --file, --since, --before and --horn, or leave out --student"
        )
    if choice.all and not args.student:
        raise UsageError("say what to delete: --file, --since, --before or --horn, or --student for all of it")
    if args.settings and not args.student:
        raise UsageError("--settings goes with --student")
    plan = plan_deletion(_sessions(args), choice, paths.cache_dir())
    settings = _settings_files()
    if plan.empty and not (args.settings and settings):
        words = f" {choice.in_words()}" if choice.in_words() else ""
        lines = [f"{plan.sessions}: nothing is recorded{words}, so nothing was deleted.", *_stays(plan, args, settings)]
        return [*lines, *_emptied(plan)]
    _say([*_goes(plan, args, settings), "", *_stays(plan, args, settings), ""])
    if not args.yes and not _agreed():
        return ["Nothing was deleted."]
    done, remarks = carry_out(plan)
    for path in settings if args.settings else ():
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            raise RecordError(f"{path}: can't be deleted ({error.strerror}); the rest was") from error
    what = _count(done.takes, "take") + (f" and {_count(done.answers, 'answer')} about shapes" if done.answers else "")
    return [f"Deleted: {what}.", *remark_lines(remarks)]


def _emptied(plan: Deletion) -> list[str]:
    """The index and the plots may still tell of what was deleted by hand: they go, for they are made again."""
    from companion.record.deleting import carry_out
    from companion.record.text import remark_lines

    return remark_lines(carry_out(plan)[1])


def _agreed() -> bool:
    if not sys.stdin or not sys.stdin.isatty():
        raise UsageError("nothing was deleted: there is nobody to ask here; add --yes where this is what is wanted")
    try:
        return input("Delete this? Type yes: ").strip().casefold() == "yes"
    except EOFError:
        return False


def _settings_files() -> list[Path]:
    folder = paths.settings_dir()
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if _SETTINGS.fullmatch(path.name) and not path.is_dir())


def _goes(plan: Deletion, args: argparse.Namespace, settings: list[Path]) -> list[str]:
    lines = ["This goes:"]
    if plan.takes:
        days = f", of {plan.days[0]}" if plan.days else ""
        days += f" to {plan.days[-1]}" if len(plan.days) > 1 else ""
        lines.append(f"  {_count(plan.takes, 'take')}{days}")
        more = len(plan.titles) - MOST_TITLES
        lines += [f"    {title}" for title in plan.titles[:MOST_TITLES]]
        lines += [f"    and {more} more passages"] if more > 0 else []
    if plan.answers:
        lines.append(f"  {_count(plan.answers, 'answer')} about shapes")
    if not plan.empty:
        parts = f", and some lines of {_count(len(plan.parts), 'file')}" if plan.parts else ""
        lines.append(f"  in {plan.sessions}: {_count(len(plan.whole), 'whole file')}{parts}")
    if plan.made:
        lines.append(f"  the indexes of logs and the plots, which are made again from what stays ({plan.cache})")
    if args.settings:
        lines += [f"  {path}" for path in settings]
    return lines


def _stays(plan: Deletion, args: argparse.Namespace, settings: list[Path]) -> list[str]:
    lines = ["This stays:"]
    if plan.takes_kept or plan.answers_kept:
        answers = f" and {_count(plan.answers_kept, 'answer')} about shapes" if plan.answers_kept else ""
        lines.append(f"  {_count(plan.takes_kept, 'take')}{answers}")
    lines += [f"  {what}" for what in plan.stays]
    if args.student:
        if settings and not args.settings:
            what = "controllers, levels, keys and the usual sitting on this computer; --settings deletes them, too"
            lines.append(f"  {paths.settings_dir()}: {what}")
        lines += [f"  {sheet}: {what}" for sheet, what in _sheets(plan.sessions)]
        lines.append("  mark sheets beside the scores, which are the teacher's")
        lines.append(
            "  exports, printed sheets and a studio's pages, and what backups or a synced folder keep of all this: go"
            " there yourself"
        )
        lines.append("  what a teacher's computer knows of it (companion studio keeps an index): call this there, too")
    return lines if len(lines) > 1 else [*lines, "  nothing else"]


def _sheets(sessions: Path) -> list[tuple[Path, str]]:
    """The week sheets, by what they are: the usual one, and what lies beside a log as in a studio's folder."""
    from companion.record.week_edit import backup_path

    what = "a week sheet, which is the teacher's, too; delete it by hand"
    beside = [sessions.parent / "week.toml", sessions.parent / "shared" / "week.toml"]
    found = {paths.week_sheet_to_write().resolve(): what} | {sheet.resolve(): what for sheet in beside}
    found |= {backup_path(sheet): "what it was before; likewise" for sheet in found}
    return [(path, what) for path, what in sorted(found.items()) if path.exists()]


def _migrate(args: argparse.Namespace) -> list[str]:
    from companion.record.migrating import migrate
    from companion.record.text import remark_lines

    sessions = _sessions(args)
    done = migrate(sessions)
    lines = [f"{sessions}: {_count(done.fine, 'sitting')} of today's format, nothing to do there."]
    if done.now:
        lines.append(f"{_count(len(done.now), 'sitting')} brought up to date; as they were: {done.copies}.")
    if done.lacking:
        count = sum(done.lacking.values())
        names = sorted({name for fields in done.lacking for name in fields})
        lines.append(
            f"{_count(count, 'sitting')} of an earlier companion, which kept no {', '.join(names)}: read as they are."
        )
    return [*lines, *remark_lines(done.remarks)]
