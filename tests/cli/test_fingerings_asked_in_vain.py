"""`companion fingerings` where something can't be done: it is said in one line, and nothing is written or lost."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from lxml import etree

from companion.cli import main
from companion.paths import examples_dir
from companion.record.marks import load
from companion.scores import read

ETUDE = examples_dir() / "passages" / "etude-e-minor.musicxml"


@pytest.fixture
def etude(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("SESSIONS", "SHARED", "CACHE"):
        monkeypatch.setenv(f"COMPANION_{name}", str(tmp_path / "own" / name.lower()))
    return Path(shutil.copy(ETUDE, tmp_path / "etude.musicxml"))


def refused(capsys: pytest.CaptureFixture[str], *args: object) -> str:
    capsys.readouterr()
    assert main(["fingerings", *map(str, args)]) == 1
    captured = capsys.readouterr()
    assert captured.err.count("\n") == 1 and captured.err.startswith("companion: ") and not captured.out
    return captured.err


@pytest.mark.parametrize(
    ("others", "said"),
    [
        (["--bars", "99"], "no bar '99'"),
        (["--musicxml", "nowhere/out.musicxml"], "can't be written"),
        (["--musicxml", "etude.musicxml"], "that is the score itself"),
        (["--musicxml", "."], "is a folder"),
        (["--musicxml", "etude.marks.toml"], "end in .musicxml or .xml"),
        (["--correct", "2.1=C9"], "no fingering for C9; its written range"),
        (["--set", "2.1=kazoo"], "no fingering 'kazoo'"),
        (["--set", "2.99=standard"], "that bar has"),
    ],
)
def test_with_a_fault_elsewhere_no_mark_is_written(
    etude: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], others: list[str], said: str
) -> None:
    monkeypatch.chdir(etude.parent)
    before = etude.read_bytes()
    assert said in refused(capsys, etude.name, "--set", "1.1=standard", *others)
    assert os.listdir() == ["etude.musicxml"] and etude.read_bytes() == before


def test_only_a_file_is_written_over(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What stands at the place may be a pipe or a device, and a link leads to the file that is meant."""
    pipe = etude.with_name("pipe.musicxml")
    os.mkfifo(pipe)
    assert "is a pipe or a device" in refused(capsys, etude, "--musicxml", pipe)
    assert pipe.is_fifo()
    target, link, other_name = (etude.with_name(f"{name}.musicxml") for name in ("target", "link", "other"))
    link.symlink_to(target)
    assert main(["fingerings", str(etude), "--musicxml", str(link)]) == 0
    assert link.is_symlink() and b"<fingering>" in target.read_bytes()
    os.link(etude, other_name)
    assert "the score itself" in refused(capsys, etude, "--musicxml", other_name)


def test_other_music_is_not_written_over_but_an_earlier_copy_is(
    etude: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other, words = etude.with_name("waltz.musicxml"), etude.with_name("words.xml")
    shutil.copy(ETUDE.with_name("waltz-in-f.musicxml"), other)
    words.write_text("<words>kept</words>")
    for file in (other, words):
        before = file.read_bytes()
        said = "is there already and no copy of this score; give another name"
        assert said in refused(capsys, etude, "--musicxml", file)
        assert file.read_bytes() == before
    copy = etude.with_name("marked.musicxml")
    for more in ([], ["--correct", "1.1=F5"]):
        assert main(["fingerings", str(etude), "--musicxml", str(copy), *more]) == 0
        capsys.readouterr()
    assert read(copy).notes[0].written_midi == 77


def test_a_misprint_and_its_fingering_are_set_together(etude: Path) -> None:
    assert main(["fingerings", str(etude), "--correct", "1.1=B-flat4", "--set", "1.1=side"]) == 0
    kinds = {mark.kind: mark.says for mark in load(etude.with_name("etude.marks.toml")).marks}
    assert kinds == {"correction": "B♭4", "fingering": "side"}


def test_another_mark_sheet_begins_empty(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What the usual sheet corrects is not corrected in one that is made anew."""
    assert main(["fingerings", str(etude), "--correct", "1.1=B4"]) == 0
    other = etude.with_name("other.toml")
    assert main(["fingerings", str(etude), "--marks", str(other), "--comment", "1.1=breathe"]) == 0
    (mark,) = load(other).marks
    assert str(mark.pitch) == "E5"
    assert "set aside" not in capsys.readouterr().err


def test_a_fingering_in_the_score_gives_way_to_the_teachers(etude: Path, tmp_path: Path) -> None:
    first, second = tmp_path / "first.musicxml", tmp_path / "second.musicxml"
    assert main(["fingerings", str(etude), "--musicxml", str(first)]) == 0
    root = etree.fromstring(first.read_bytes())
    bar, note = next(
        (measure.get("number"), place)
        for measure in root.iter("measure")
        for place, note in enumerate((n for n in measure.iterfind("note") if n.find("pitch") is not None), start=1)
        if note.findtext(".//fingering") == "bis"
    )
    assert main(["fingerings", str(first), "--set", f"{bar}.{note}=1-and-1", "--musicxml", str(second)]) == 0
    texts = [
        [[f.text for f in n.iter("fingering")] for n in etree.fromstring(p.read_bytes()).iter("note")]
        for p in (first, second)
    ]
    changed = [(a, b) for a, b in zip(*texts, strict=True) if a != b]
    assert changed == [(["bis"], ["1+1"])]
