"""`companion progress FILE`: what was reached on a passage, as text and as a plot."""

from __future__ import annotations

import argparse
import hashlib
import os
from collections.abc import Sequence
from pathlib import Path

from companion import paths
from companion.errors import WeekSheetError
from companion.record.index import Wanted, survey
from companion.record.model import TakeSummary, normal_bars
from companion.record.progress import CARE, LONG_STRETCH_S, longest_stretch_s, of_passage, who_played
from companion.record.text import progress_lines, remark_lines
from companion.record.week import item_for, load

__all__ = ["add_arguments", "run"]

MOST_STEM_BYTES = 180
_EXAMPLES = """\
examples:
  companion progress shared/passages/etude-e-minor.musicxml
  companion progress etude.musicxml --bars 5-8 -o etude.png

Takes are found by the content of the file, or by its name where it was edited since. The plot shows the tempo of each
take, filled where it was clean, the best clean tempo so far and the target.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `companion progress`."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = _EXAMPLES
    parser.add_argument("file", type=Path, metavar="FILE", help="the score")
    parser.add_argument("--bars", metavar="5-8", help="only takes of exactly these bars (default: all takes)")
    parser.add_argument("--part", metavar="PART", help="the part, where the score has several")
    parser.add_argument("-o", "--output", type=Path, metavar="OUT.png", help="where the plot goes (.png, .pdf, .svg)")
    parser.add_argument("--sessions", type=Path, metavar="DIR", help="the practice log (default: $COMPANION_SESSIONS)")


def run(args: argparse.Namespace) -> int:
    """Print what was reached and write the plot."""
    from companion.reports.plots import draw_progress
    from companion.scores import read

    passage = read(args.file, part=args.part)
    bars = None if args.bars is None else normal_bars(args.bars)
    if bars:
        passage.bar_range(bars)
    sha256 = passage.sha256 or hashlib.sha256(args.file.read_bytes()).hexdigest()
    wanted = Wanted(sha256=sha256, file_name=args.file.name)
    log = survey(args.sessions or paths.sessions_dir(), wanted=wanted)
    all_takes = [t for t in log.takes if args.part is None or t.part in (passage.part_name, passage.part_id)]
    found, how = of_passage(all_takes, sha256, str(args.file), bars)
    takes, who = who_played(found)
    title = passage.title or args.file.stem
    targets, sheet_remarks = _targets(args.file, bars or "", takes)
    played = {take.bars for take in takes} or {bars or ""}
    target_bpm = targets[played.pop()] if len(played) == 1 else None
    output = args.output or _default_output(args.file, bars)
    heading = title + (f", bars {bars.replace('-', '–')}" if bars else "")
    draw_progress(takes, output, title=heading, target_bpm=target_bpm, notes=(*who, *how, *_mixed(takes)))

    lines = [f"{heading} ({args.file})", ""]
    lines += progress_lines(takes, targets) if takes else [_nothing_yet(target_bpm)]
    remarks = (*who, *how, *_mixed(takes), *sheet_remarks, *log.remarks)
    lines += ["", *remark_lines(remarks)] if remarks else []
    if longest_stretch_s(take for take in takes if not take.simulated and not take.example) >= LONG_STRETCH_S:
        lines += ["", CARE]
    print("\n".join([*lines, "", f"Plot: {output}"]))
    return 0


def _nothing_yet(target_bpm: float | None) -> str:
    wanted = f" The target is {target_bpm:g} quarters a minute." if target_bpm else ""
    return f"No takes yet: what is played with companion play appears here.{wanted}"


def _mixed(takes: Sequence[TakeSummary]) -> tuple[str, ...]:
    if len({take.bars for take in takes}) < 2:
        return ()
    return ("takes of different bars together; --bars 5-8 shows some alone",)


def _targets(file: Path, bars: str, takes: Sequence[TakeSummary]) -> tuple[dict[str, float | None], tuple[str, ...]]:
    """Target by bars: the week sheet's, else the one of the last take."""
    targets = {bars: None} | {take.bars: take.target_bpm for take in takes}
    path = paths.week_sheet()
    if not path.exists():
        return targets, ()
    try:
        sheet = load(path)
    except WeekSheetError as error:
        return targets, (f"week sheet not read: {error}",)
    for played in targets:
        if item := item_for(sheet, file, played):
            targets[played] = item.target_bpm
    return targets, ()


def _default_output(file: Path, bars: str | None) -> Path:
    # File systems take names of 255 bytes.
    stem = os.fsdecode(os.fsencode(file.stem)[:MOST_STEM_BYTES])
    where = f"-bars-{bars.replace('/', '-')}" if bars else ""
    return paths.cache_dir() / "plots" / f"{stem}{where}-progress.png"
