"""`companion record`: the practice log written out, taken in, deleted, brought up to date."""

from __future__ import annotations

import argparse
import contextlib
from datetime import date
from pathlib import Path

from companion import paths
from companion.errors import CompanionError, UsageError
from companion.record.choosing import Choice

__all__ = ["add_arguments", "run"]

_EXAMPLES = """\
examples:
  companion record export takes                       all takes as JSON Lines: a folder that is a practice log itself
  companion record export tables --format csv --since 2026-11-01
  companion record export midi --format midi --file etude.musicxml
  companion record import /media/stick/takes          what another computer recorded; nothing is doubled
"""
_EXPORT = """\
FOLDER is a new folder. jsonl: the log's own lines, a file a sitting, and the answers about shapes; companion record
import takes it in, and --sessions FOLDER reads it as it is. csv: takes.csv and notes.csv for a spreadsheet, and
columns.txt, which says what stands in each column. midi: a Standard MIDI file a take, at the take's tempo and with
every message as the controller sent it, so perhaps not at written pitch (9600 ticks a quarter); any player plays it,
and companion record import makes the very take of it again.
"""
_IMPORT = """\
Takes JSON Lines and MIDI files that companion wrote, or folders of them. A take that is there already is not doubled;
what is foreign, broken or of a later version is named and left.
"""


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
    _add_sessions(taking_in)


def _add_choice(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--file", type=Path, metavar="SCORE", help="only takes of this passage")
    parser.add_argument("--since", type=_day, metavar="DATE", help="only takes from this day on, such as 2026-11-01")
    parser.add_argument("--before", type=_day, metavar="DATE", help="only takes of earlier days")
    parser.add_argument("--horn", metavar="HORN", help="only takes on this horn, such as alto")
    _add_sessions(parser)


def _add_sessions(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--sessions", type=Path, metavar="DIR", help="the practice log (default: $COMPANION_SESSIONS)")


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text} is no date; write it as 2026-11-27") from None


def run(args: argparse.Namespace) -> int:
    """Do what was asked for."""
    print("\n".join({"export": _export, "import": _import}[args.action](args)))
    return 0


def _choice(args: argparse.Namespace) -> Choice:
    if args.since and args.before and args.since >= args.before:
        raise UsageError(f"--since {args.since} --before {args.before}: no day is both; swap the dates")
    file = str(args.file or "")
    return Choice(file, _sha256(args.file) if file else "", args.since, args.before, args.horn or "")


def _sha256(score: Path) -> str:
    """What the score's takes are known by, empty where it can't be read any more: then its name has to do."""
    from companion.scores import read

    with contextlib.suppress(CompanionError, OSError):
        return read(score).sha256
    return ""


def _sessions(args: argparse.Namespace) -> Path:
    return Path(args.sessions or paths.sessions_dir())


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'s' * (number != 1)}"


def _export(args: argparse.Namespace) -> list[str]:
    from companion.record.exporting import export
    from companion.record.text import remark_lines

    done = export(_sessions(args), args.out, args.format, _choice(args))
    answers = f" and {_count(done.answers, 'answer')} about shapes" if done.answers else ""
    lines = [f"{args.out}: {_count(done.takes, 'take')}{answers} in {_count(done.files, 'file')}."]
    return [*lines, *remark_lines(done.remarks)]


def _import(args: argparse.Namespace) -> list[str]:
    from companion.record.importing import import_records
    from companion.record.text import remark_lines

    sessions = _sessions(args)
    done = import_records(sessions, args.sources)
    new = _count(done.takes, "new take") + (f" and {_count(done.answers, 'new answer')}" if done.answers else "")
    there = done.takes_there + done.answers_there
    lines = [f"{sessions}: {new} taken in{f'; {there} were there already' if there else ''}."]
    return [*lines, *remark_lines(done.remarks)]
