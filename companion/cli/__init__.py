"""The `companion` command. One file a command, loaded only when it is called, so that `--version` answers at once."""

from __future__ import annotations

import argparse
import codecs
import errno
import io
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Any, NoReturn

from companion import __version__
from companion.errors import CompanionError, UsageError

__all__ = ["main"]

#: command -> (module with `add_arguments(parser)` and `run(args) -> int`, what it is for)
COMMANDS = {
    "play": ("companion.cli.play", "put a passage on the stand and play it up the tempo ladder"),
    "demo": ("companion.cli.demo", "the same with the passage that comes along and the simulated player"),
    "fingerings": ("companion.cli.fingerings", "the fingering of every note with its reason, marks, limits, rules"),
    "handout": ("companion.cli.handout", "the printed sheet: the passage with marks, reasons, exercises, tempo steps"),
    "exercises": ("companion.cli.exercises", "practice material out of the passage, listed or made"),
    "today": ("companion.cli.today", "what to play now and why, with breaks and an end"),
    "week": ("companion.cli.week", "show the week sheet with what was reached, or set a target in it"),
    "progress": ("companion.cli.progress", "what was reached on a passage, as text and as a plot"),
    "mock": ("companion.cli.mock", "a mock performance: one go at each piece, no click, then a judge's sheet"),
    "shapes": ("companion.cli.shapes", "learn fingerings by eye and hand: browse any note, then practise"),
    "trouble": ("companion.cli.trouble", "what keeps failing in your own takes, and which finger is late"),
    "studio": ("companion.cli.studio", "many students at once: who met what, who is stuck, what fails in common"),
    "record": ("companion.cli.record", "write the practice log out, take in another's, delete it, bring it up to date"),
    "ports": ("companion.cli.ports", "list the MIDI ports"),
}


#: Without a word the program opens with the page of the day.
USUAL = ("today", "--window")
_PLAINLY = "companion-plainly"


def _plainly(error: UnicodeError) -> tuple[str, int]:
    """The handler of what can't be encoded: its plain letters."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    from companion.plain import plain_ascii

    return plain_ascii(error.object[error.start : error.end]), error.end


codecs.register_error(_PLAINLY, _plainly)


class _Parser(argparse.ArgumentParser):
    """Arguments that make no sense get one line and exit code 1, as all bad input does. Words that stand behind options
    belong to the list of words, where the command has one (argparse gives it those before them only)."""

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """As argparse does it, with the late words in their list."""
        found, rest = super().parse_known_args(args, namespace)
        lists = [action.dest for action in self._actions if not action.option_strings and action.nargs == "*"]
        if lists:
            late = [word for word in rest if not word.startswith("-")]
            setattr(found, lists[-1], [*getattr(found, lists[-1]), *late])
            rest = [word for word in rest if word.startswith("-")]
        return found, rest

    def error(self, message: str) -> NoReturn:
        """Raise instead of printing the usage."""
        raise UsageError(f"{message}; see: {self.prog} --help")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code (0, or 1 after one line on standard error)."""
    if sys.stdout is None:  # closed by the caller: nobody wants to read
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 (stays open to the end)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A terminal whose code page has no ♭ must not end the program, nor call B♭ and B♮ both B?.
            stream.reconfigure(errors=_PLAINLY)
    try:
        exit_code = _run(list(sys.argv[1:] if argv is None else argv) or list(USUAL))
        sys.stdout.flush()
        return exit_code
    except CompanionError as error:
        from companion.record.model import plain_text

        # Names of files come from other computers too: they never command the terminal.
        print(f"companion: {plain_text(' '.join(str(error).split()))}", file=sys.stderr)
        return 1
    except BrokenPipeError:
        return 1
    except OSError as error:
        if error.errno not in (errno.ENOSPC, errno.EFBIG):
            raise
        print(f"companion: the output can't be written ({error.strerror}): make room and call again", file=sys.stderr)
        # What is still waiting to be written would fail once more at the end.
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 (stays open to the end)
        return 1
    except KeyboardInterrupt:
        return 130


def _run(argv: list[str]) -> int:
    parser = _Parser(prog="companion", description="Practice software for saxophone students and their teachers.")
    parser.add_argument("--version", action="version", version=f"companion {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    wanted = next((word for word in argv if not word.startswith("-")), None)
    for name, (module_name, purpose) in COMMANDS.items():
        command = commands.add_parser(name, help=purpose, description=purpose[0].upper() + purpose[1:] + ".")
        if name == wanted:
            module = import_module(module_name)
            module.add_arguments(command)
            command.set_defaults(run=module.run)
    args = parser.parse_args(argv)
    return int(args.run(args))
