"""What is typed behind an option: what is taken, and what is said of the rest."""

from __future__ import annotations

import json
from argparse import ArgumentTypeError
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from companion.cli import arguments, result_file
from companion.errors import UsageError


@pytest.mark.parametrize(
    ("read", "text", "value"),
    [
        (arguments.tempo, "92.5", 92.5),
        (arguments.count, "3", 3),
        (arguments.shift, "-9", -9),
        (arguments.delay, "-12.5", -12.5),
        (arguments.size, "1280×720", (1280, 720)),
        (arguments.day, "2026-11-27", date(2026, 11, 27)),
    ],
)
def test_what_is_taken(read: Callable[[str], object], text: str, value: object) -> None:
    assert read(text) == value


@pytest.mark.parametrize(
    ("read", "text", "said"),
    [
        (arguments.tempo, "fast", "'fast' is not a number"),
        (arguments.tempo, "0", "above 0 and below 1000"),
        (arguments.tempo, "nan", "above 0 and below 1000"),
        (arguments.count, "0", "not a whole number from 1 to 10000"),
        (arguments.count, "2.5", "not a whole number from 1 to 10000"),
        (arguments.count, "10001", "not a whole number from 1 to 10000"),
        (arguments.count, "9" * 5000, "not a whole number from 1 to 10000"),
        (arguments.shift, "a9", "not a whole number of semitones"),
        (arguments.delay, "nan", "out of range"),
        (arguments.size, "1280", "not a size such as 1280x720"),
        (arguments.size, "99999x720", "larger than any screen"),
        (arguments.day, "2026-02-30", "is no date; write it as 2026-11-27"),
    ],
)
def test_what_is_not_taken(read: Callable[[str], object], text: str, said: str) -> None:
    with pytest.raises(ArgumentTypeError, match=said):
        read(text)


@pytest.mark.parametrize("text", ["-0.1", "600.5", "nan", "inf"])
def test_both_ends_are_named(text: str) -> None:
    with pytest.raises(ArgumentTypeError, match="give 0 to 600 seconds"):
        arguments.number_within(text, 0, 600, "seconds")
    assert arguments.number_within("600", 0, 600, "seconds") == 600


def test_a_result_is_json_whatever_the_names_in_it(tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    result_file.write_json(out, {"file": "b\udcffd.musicxml", "keys": {"G#", "1"}, "title": "Étude"})
    assert json.loads(out.read_bytes()) == {"file": "b\udcffd.musicxml", "keys": ["1", "G#"], "title": "Étude"}
    assert "Étude" in out.read_text(encoding="utf-8")


def test_a_result_that_cannot_be_written_says_what_is_kept(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="name a file in a folder that exists"):
        result_file.check_writable(tmp_path / "gone" / "out.json")
    result_file.check_writable(tmp_path / "out.json")
    with pytest.raises(UsageError, match=r"can't be written \(.*\): the takes are kept"):
        result_file.write_json(tmp_path, {}, "the takes are kept")
