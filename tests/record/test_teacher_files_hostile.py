"""Mark sheets and rule files from anywhere: one line of what is wrong, in good time; and several who write at once."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from companion.errors import CompanionError
from companion.paths import examples_dir
from companion.record import marks, marks_edit, rule_file
from companion.scores import read

ETUDE = read(examples_dir() / "passages" / "etude-e-minor.musicxml")
PLACE = "bar = 1\nnote = 1\n"


@pytest.mark.parametrize("load", [marks.load, rule_file.load_rules])
@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("a = " + "9" * 5000, "not valid TOML"),
        ("a." * 20_000 + "b = 1", "line 2: a key of over 32 parts"),
        ("a = {" + "b." * 20_000 + "b = 1}", "line 2: a key of over 32 parts"),
        ("a = " + "[" * 5000, "nested too deeply"),
        ("a = " + "{b=" * 5000, "nested too deeply"),
        ("\n".join(f"k{i} = 1" for i in range(20_000)), "and 19980 more"),
    ],
)
def test_a_hostile_file_is_refused_in_a_short_line_and_soon(
    tmp_path: Path, load: Callable[[Path], object], content: str, said: str
) -> None:
    path = tmp_path / "made.toml"
    path.write_text(f"format = 1\n{content}\n", encoding="utf-8")
    begin_s = time.process_time()
    with pytest.raises(CompanionError) as caught:
        load(path)
    assert said in str(caught.value) and len(str(caught.value)) < 5_000
    assert time.process_time() - begin_s < 3


def test_dots_in_a_text_are_no_key(tmp_path: Path) -> None:
    path = tmp_path / "made.toml"
    dots = "slowly" + "." * 80 + " a.b" * 40
    path.write_text(f"format = 1\n[[comment]]\n{PLACE}text = '{dots}'\n")
    assert marks.load(path).marks[0].says == dots


def test_what_a_sheet_says_never_drives_the_terminal(tmp_path: Path) -> None:
    """ECMA-48: an escape sequence begins with the control character 1B."""
    path = tmp_path / "made.toml"
    path.write_text(
        f'format = 1\n[[comment]]\n{PLACE}text = "a\\u001b[2Jb\\nc"\n'
        '[[comment]]\nbar = "\\u001b[2J"\nnote = 1\ntext = "x"\n'
        f'[[fingering]]\n{PLACE}use = "standard"\nwhy = "\\u0007bell"\n'
    )
    found = marks.resolve(marks.load(path), ETUDE)
    said = [*found.comments.values(), *found.whys.values(), *found.remarks]
    assert len(said) == 3 and all(text.replace("\n", "").isprintable() for text in said)
    assert found.comments[0] == "a [2Jb\nc"


def test_a_bar_that_is_no_number_is_said(tmp_path: Path) -> None:
    path = tmp_path / "made.toml"
    path.write_text("format = 1\n[[comment]]\nbar = 1.5\nnote = 1\ntext = 'x'\n")
    with pytest.raises(CompanionError, match=r"line 3: comment 1, bar should not be '1\.5'; write the printed number"):
        marks.load(path)


def test_four_who_write_at_once_lose_no_mark(tmp_path: Path) -> None:
    path = tmp_path / "made.toml"
    refused: list[str] = []

    def write(first: int) -> None:
        for index in range(first, 40, 4):
            try:
                marks_edit.set_comment(path, ETUDE, index, f"comment {index}")
            except CompanionError as error:
                refused.append(str(error))

    writers = [threading.Thread(target=write, args=(first,)) for first in range(4)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert len(marks.load(path).marks) + len(refused) == 40
    assert len(refused) < 4
    assert sorted(tmp_path.iterdir()) == [path]
