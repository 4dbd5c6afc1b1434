"""`companion trouble [FILE]`: the player's own trouble spots, and which finger is behind which."""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from companion import __version__, paths
from companion.cli.exercise_options import add_exercise, check_exercise
from companion.cli.result_file import write_json
from companion.errors import UsageError

if TYPE_CHECKING:
    from companion.charts.model import Chart
    from companion.cli.opening import Opened
    from companion.planning.model import Plan
    from companion.practice.finger_lag import FingerLag, TrillLag
    from companion.record.trouble import TroubleSpot

__all__ = ["add_arguments", "run"]

WIDTH = 98
#: So many of each are printed; --json has all.
MOST_SHOWN = 8
_EXAMPLES = """\
examples:
  companion trouble etude.musicxml         what keeps failing in this passage, with the evidence
  companion trouble                        what keeps failing wherever it stands, and whose finger is late
  companion trouble etude.musicxml --json trouble.json
  companion trouble etude.musicxml --links links.musicxml      the worst of them as loops to practise
  companion trouble etude.musicxml --exercise rhythms          what keeps failing in that exercise

A change is named where it failed in at least 3 takes on 2 days, and more often than what is beside it; it is solved
after enough clean passes in a row at a tempo at which it had failed. Only your own takes count. Fingers are told from
the short false notes between two right ones. Tempos are quarters a minute."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `companion trouble`."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = _EXAMPLES
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE", help="the score (default: all passages)")
    parser.add_argument("--part", metavar="PART", help="the part, where the score has several")
    parser.add_argument("--instrument", metavar="HORN", help="default: the part's horn, or that of your newest take")
    parser.add_argument(
        "--marks", type=Path, metavar="SHEET", help="the mark sheet (default: FILE.marks.toml beside it)"
    )
    add_exercise(parser)
    parser.add_argument("--bars", metavar="5-8", help="the bars that the exercise is made of")
    parser.add_argument("--solved", action="store_true", help="name those that are solved, too")
    parser.add_argument("--links", type=Path, metavar="OUT", help="write the worst one as loops to practise (MusicXML)")
    parser.add_argument("--json", type=Path, metavar="OUT", help="write all of it there")
    parser.add_argument("--sessions", type=Path, metavar="DIR", help="the practice log (default: $COMPANION_SESSIONS)")


def run(args: argparse.Namespace) -> int:
    """Print what keeps failing."""
    from companion.charts import load
    from companion.cli.exercise_options import opened_exercise
    from companion.cli.opening import open_passage
    from companion.cli.which_part import Lookup
    from companion.record.index import Wanted, survey
    from companion.record.own_takes import finger_lags, newest_own_takes, trill_lags_of
    from companion.record.text import remark_lines
    from companion.record.trouble import troubles_in

    _check_together(args)
    sessions = args.sessions or paths.sessions_dir()
    opened = None
    if args.file is not None:
        opened = open_passage(args.file, args.part, args.instrument, args.marks, lookup=Lookup.of(args))
    if opened is not None and args.exercise:
        opened = opened_exercise(opened, args.exercise, args.bars or "", args.set, sessions)
    music = opened.plan() if opened else None
    chart = opened.chart if opened else load(args.instrument or _newest_instrument(sessions))
    spots: tuple[TroubleSpot, ...] = ()
    count = 0
    if opened is not None and music is not None:
        takes = newest_own_takes(sessions, chart, opened.passage)
        spots, count = troubles_in(takes, opened.passage, music), len(takes)
    all_takes = newest_own_takes(sessions, chart)
    over_all = troubles_in(all_takes)
    lags, trills = finger_lags(all_takes), trill_lags_of(all_takes)
    lines = [_heading(args.file, opened, chart), ""]
    if opened is not None:
        lines += [*_spot_lines(spots, count, args.solved, "in this passage"), "", "Over all passages", ""]
    lines += _spot_lines(over_all, len(all_takes), args.solved, "on this horn")
    lines += ["", "Fingers and trills", "", *_lag_lines(lags, trills)]
    # Asked for no takes at all, it still says what can't be read.
    remarks = (*(opened.remarks if opened else ()), *survey(sessions, wanted=Wanted(first_day="9999-12-31")).remarks)
    lines += ["", *remark_lines(remarks)] if remarks else []
    if args.json:
        write_json(args.json, _result(args.file, opened, chart, spots, over_all, lags, trills))
    if args.links and opened is not None and music is not None:
        lines += ["", _write_links(args.links, opened, music, spots)]
    print("\n".join(lines))
    return 0


def _check_together(args: argparse.Namespace) -> None:
    """Options that would do nothing are said rather than passed over."""
    if args.file is None and args.links:
        raise UsageError("--links belongs to a passage: companion trouble FILE --links links.musicxml")
    if args.file is None and (args.part or args.marks):
        raise UsageError("--part and --marks belong to a passage: companion trouble FILE --part ...")
    if args.file is None and (args.exercise or args.bars):
        raise UsageError("--exercise belongs to a passage: companion trouble FILE --exercise links")
    check_exercise(args)
    if args.bars and not args.exercise:
        raise UsageError(f"--bars {args.bars} goes with --exercise NAME; without it takes of all bars are looked at")
    if args.links and args.exercise:
        raise UsageError("--links are made of the passage itself: leave --exercise out")


def _write_links(out: Path, opened: Opened, music: Plan, spots: Sequence[TroubleSpot]) -> str:
    """Write the worst trouble spot as an exercise; returns what to say."""
    from companion.cli.exercise_files import write_exercise
    from companion.cli.exercise_options import NOTHING_FAILS, of_trouble
    from companion.exercises import REGISTRY
    from companion.practice.words import capital

    passage = opened.passage
    options = of_trouble(spots, passage, (0, len(passage.bars) - 1))
    if not options:
        return f"{capital(NOTHING_FAILS)}, so {out} was not written."
    made = REGISTRY["links"](passage, music, opened.chart, **options)
    write_exercise("--links", out, made, opened.chart, opened.rules, passage.origin)
    return f"{made.title}: written to {out}; practise it with companion play {out}."


def _newest_instrument(sessions: Path) -> str:
    from companion.charts import names
    from companion.record.index import survey

    own = [t for t in survey(sessions).takes if not t.simulated and not t.example and t.instrument in names()]
    return own[-1].instrument if own else "alto"


def _heading(file: Path | None, opened: Opened | None, chart: Chart) -> str:
    if opened is None:
        return f"All passages, {chart.title}"
    title = opened.passage.title
    return f"{title} ({file}), {chart.title}" if title else f"{file}, {chart.title}"


def _spot_lines(spots: Sequence[TroubleSpot], takes: int, with_solved: bool, where: str) -> list[str]:
    if not takes:
        return [f"No takes of your own {where} yet: what is played with companion play is looked through here."]
    open_spots = [spot for spot in spots if not spot.solved]
    solved = [spot for spot in spots if spot.solved]
    lines = []
    for number, spot in enumerate(open_spots[:MOST_SHOWN], start=1):
        lines += _wrapped(f"{spot.sentence}.", f"{number}  ") + _wrapped(_evidence(spot), "   ")
    if len(open_spots) > MOST_SHOWN:
        lines.append(f"   and {len(open_spots) - MOST_SHOWN} more; --json has all")
    if not open_spots:
        lines.append(f"Nothing keeps failing {where}: {takes} {'take' if takes == 1 else 'takes'} looked through.")
    if solved and not with_solved:
        lines.append(f"Solved: {len(solved)}; --solved names them.")
    for spot in solved if with_solved else ():
        lines += _wrapped(f"Solved: {spot.sentence}; went well {spot.clean_since} times in a row since.", "   ")
    return lines


def _evidence(spot: TroubleSpot) -> str:
    from companion.practice.words import capital, times_in_words

    parts = [", ".join(f"{kind} in {_takes(count)}" for kind, count in spot.kinds)]
    if spot.fails_from_bpm is not None:
        parts.append(f"from {spot.fails_from_bpm:g} on in {spot.failed_from_there} of {spot.takes_from_there}")
    parts.append(f"{100 * spot.low:.0f} to {100 * spot.high:.0f} % of takes (95 % interval)")
    well = f"well {times_in_words(spot.clean_since)}" if spot.clean_since else "not well"
    parts.append(f"{well} since, {spot.clean_needed} times in a row solve it")
    text = "; ".join(parts)
    return f"{capital(text)}."


def _takes(count: int) -> str:
    return f"{count} {'take' if count == 1 else 'takes'}"


def _lag_lines(lags: Sequence[FingerLag], trills: Sequence[TrillLag]) -> list[str]:
    from companion.practice.words import capital

    sentences = [*(lag.sentence for lag in lags), *(lag.sentence for lag in trills)]
    if not sentences:
        return ["Nothing can be told yet: that takes slips of one change in some takes, or a trill in some."]
    lines = []
    for sentence in sentences[:MOST_SHOWN]:
        lines += _wrapped(f"{capital(sentence)}.", "-  ")
    more = len(sentences) - MOST_SHOWN
    return lines + ([f"   and {more} more; --json has all"] if more > 0 else [])


def _wrapped(text: str, first: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent="   ", break_on_hyphens=False)


def _result(
    file: Path | None,
    opened: Opened | None,
    chart: Chart,
    spots: Sequence[TroubleSpot],
    over_all: Sequence[TroubleSpot],
    lags: Sequence[FingerLag],
    trills: Sequence[TrillLag],
) -> dict[str, Any]:
    return {
        "companion": __version__,
        "title": opened.passage.title if opened else "",
        "file": str(file) if file else "",
        "sha256": opened.passage.sha256 if opened else "",
        "instrument": chart.name,
        "spots": [asdict(spot) | {"solved": spot.solved} for spot in spots],
        "over_all": [asdict(spot) | {"solved": spot.solved} for spot in over_all],
        "finger_lags": [asdict(lag) for lag in lags],
        "trill_lags": [asdict(lag) for lag in trills],
    }
