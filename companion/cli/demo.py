"""`companion demo`: the etude that comes along, played up the ladder; without a controller the simulated player
plays."""

from __future__ import annotations

import argparse

from companion import paths
from companion.cli.play import add_stand_arguments, controller_there, play

__all__ = ["DEMO_PASSAGE", "SIMULATED", "add_arguments", "run"]

DEMO_PASSAGE = "passages/etude-e-minor.musicxml"
SIMULATED = "sim:student:1"
DEMO_START_BPM, DEMO_TARGET_BPM = 76.0, 96.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of `companion demo`."""
    add_stand_arguments(parser)
    parser.epilog = (
        "With a controller plugged in you play (space starts); otherwise the simulated player plays take after take."
        " All keys: press ? in the window."
    )


def run(args: argparse.Namespace) -> int:
    """`companion demo`."""
    controller = args.port or (None if args.hidden else controller_there())
    args.port = controller or SIMULATED
    # A ladder short enough to be seen whole, from a tempo at which the simulated student has something to learn.
    args.start = args.start or DEMO_START_BPM
    args.target = args.target or DEMO_TARGET_BPM
    simulated = args.port.lower().startswith("sim")
    return play(args, paths.examples_dir() / DEMO_PASSAGE, by_itself=simulated or args.takes is not None)
