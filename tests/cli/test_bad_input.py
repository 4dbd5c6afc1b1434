"""Bad input gets one line that says what, where and what to try; exit code 1; within 10 s and 500 MB; nothing saved is
lost."""

from __future__ import annotations

import io
import os
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from peak import needs_proc, run_for_peak_mb

from companion.cli import main
from companion.paths import shared_dir

ETUDE = shared_dir() / "passages" / "etude-e-minor.musicxml"
_NOTE = "<note><pitch><step>{step}</step><octave>{octave}</octave></pitch><duration>1</duration></note>"
_HEAD = (
    '<?xml version="1.0"?><score-partwise version="4.0"><part-list><score-part id="P1"><part-name>x</part-name>'
    '</score-part></part-list><part id="P1">'
)
_ATTRIBUTES = (
    "<attributes><divisions>1</divisions><time><beats>4</beats><beat-type>{beat_type}</beat-type></time></attributes>"
)


def _score(notes: str, beat_type: int = 4) -> bytes:
    bar = f"<measure number='1'>{_ATTRIBUTES.format(beat_type=beat_type)}{notes}</measure>"
    return f"{_HEAD}{bar}</part></score-partwise>".encode()


def _bomb() -> bytes:
    """300 MB of blanks in a few hundred kB."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(
            "META-INF/container.xml", '<container><rootfiles><rootfile full-path="s.xml"/></rootfiles></container>'
        )
        with archive.open("s.xml", "w") as member:
            member.write(_score(GOOD * 4))
            for _ in range(300):
                member.write(b" " * 1_000_000)
    return out.getvalue()


def _entities() -> bytes:
    lines = ['<!ENTITY a0 "ha">'] + [f'<!ENTITY a{i} "{f"&a{i - 1};" * 10}">' for i in range(1, 10)]
    declared = f'<?xml version="1.0"?><!DOCTYPE score-partwise [{"".join(lines)}]>'
    return f"{declared}<score-partwise>&a9;</score-partwise>".encode()


GOOD = _NOTE.format(step="G", octave=4)
#: name of the file -> its bytes, and what the line must say
HOSTILE: dict[str, tuple[Callable[[], bytes], str]] = {
    "empty.musicxml": (lambda: b"", "empty"),
    "truncated.musicxml": (lambda: ETUDE.read_bytes()[:5000], "XML"),
    "junk.mxl": (lambda: bytes(range(256)) * 40, "neither"),
    "junk-zip.mxl": (lambda: b"PK\x03\x04" + bytes(400), "zip"),
    "page.xml": (lambda: b"<html><body>no score</body></html>", "html"),
    "picture.musicxml": (lambda: b"\x89PNG\r\n\x1a\n" + bytes(100), "neither"),
    "broken.xml": (lambda: b"<score-partwise><part></score-partwise>", "XML"),
    "entities.xml": (_entities, "entit"),
    "external.xml": (
        lambda: b'<?xml version="1.0"?><!DOCTYPE s [<!ENTITY x SYSTEM "file:///etc/passwd">]><score-partwise>&x;</score-partwise>',
        "entit",
    ),
    "bomb.mxl": (lambda: _bomb(), ""),
    "beat-type-0.musicxml": (lambda: _score(GOOD * 4, beat_type=0), "beat-type"),
    "no-notes.musicxml": (lambda: _score("<note><rest/><duration>4</duration></note>"), "note"),
    "too-low.musicxml": (lambda: _score(_NOTE.format(step="C", octave=2) * 4), "C2"),
    "too-many.musicxml": (lambda: _score(GOOD * 100_000), "20"),
    "truncated.mid": (lambda: b"MThd\x00\x00\x00\x06\x00\x00\x00\x01\x01\xe0MTrk\x00\x00\x10\x00\x00\x90", ""),
    "no-ticks.mid": (lambda: b"MThd\x00\x00\x00\x06\x00\x00\x00\x01\x00\x00MTrk\x00\x00\x00\x04\x00\xff\x2f\x00", ""),
}  # fmt: skip


def _one_line(text: str, what: str) -> str:
    lines = text.strip().splitlines()
    assert len(lines) == 1, text
    assert lines[0].startswith("companion: ") and "Traceback" not in text
    assert what.casefold() in lines[0].casefold(), lines[0]
    assert len(lines[0]) > 25
    return lines[0]


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_scores(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    make, what = HOSTILE[name]
    file = tmp_path / name
    file.write_bytes(make())
    began = time.monotonic()
    assert main(["play", str(file), "--hidden", "--takes", "1"]) == 1
    assert time.monotonic() - began < 10
    line = _one_line(capsys.readouterr().err, what)
    assert name in line or name == "too-low.musicxml", line


@needs_proc
@pytest.mark.parametrize("name", ["entities.xml", "bomb.mxl", "too-many.musicxml"])
def test_bombs_stay_within_memory(name: str, tmp_path: Path) -> None:
    file = tmp_path / name
    file.write_bytes(HOSTILE[name][0]())
    code = "from companion.cli import main\nsys.exit(main(sys.argv[1:]))"
    done, peak_mb = run_for_peak_mb(code, "play", str(file), "--hidden", "--takes", "1")
    assert done.returncode == 1, done.stderr
    _one_line(done.stderr, "")
    assert peak_mb < 500


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (["play", "nowhere.musicxml"], "no such file"),
        (["play", str(ETUDE.parent)], "is a folder"),
        (["play", str(ETUDE), "--bars", "90-99"], "no bar '90'"),
        (["play", str(ETUDE), "--bars", "8-5"], "backwards"),
        (["play", str(ETUDE), "--part", "7"], "part"),
        (["play", str(ETUDE), "--instrument", "theremin"], "theremin"),
        (["play", str(ETUDE), "--port", "no such port"], "no such port"),
        (["play", str(ETUDE), "--port", "sim:genius:1"], "genius"),
        (["play", str(ETUDE), "--start", "120", "--target", "60"], "120"),
        (["play", str(ETUDE), "--json", "/nowhere/at/all.json"], "--json"),
        (["play", str(ETUDE), "--target", "fast"], "--target"),
        (["play", str(ETUDE), "--size", "big"], "--size"),
        (["play"], "FILE"),
        (["dance"], "dance"),
        (["progress", "nowhere.musicxml"], "nowhere"),
        (["week", "--sheet", "nowhere.toml"], "nowhere"),
    ],
)
def test_wrong_arguments(arguments: list[str], what: str, capsys: pytest.CaptureFixture[str]) -> None:
    extra = ["--hidden", "--takes", "1"] if arguments[0] == "play" else []
    assert main([*arguments, *extra]) == 1
    _one_line(capsys.readouterr().err, what)


def test_a_chart_with_an_unknown_key(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    chart = tmp_path / "my-horn.toml"
    chart.write_text(
        'extends = "alto"\nname = "mine"\n[[fingering]]\nname = "odd"\nwritten_midi = 70\nkeys = ["l1", "l9"]\n'
    )
    assert main(["play", str(ETUDE), "--instrument", str(chart), "--hidden", "--takes", "1"]) == 1
    _one_line(capsys.readouterr().err, "my-horn.toml")


def test_a_week_sheet_with_a_typing_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = tmp_path / "week.toml"
    sheet.write_text(
        'format = 1\nstudent = "A"\nweek = 2026-11-23\n[[item]]\npassage = "x.musicxml"\ntarget_bmp = 96\n'
    )
    for arguments in (
        ["week", "--sheet", str(sheet)],
        ["play", str(ETUDE), "--sheet", str(sheet), "--hidden", "--takes", "1"],
    ):
        assert main(arguments) == 1
        line = _one_line(capsys.readouterr().err, "target_bmp")
        assert "target_bpm" in line


def test_a_torn_log_loses_nothing(tmp_path: Path, own_folders: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A log cut off in the middle of a line is read as far as it goes, and new takes are kept."""
    play = ["play", str(ETUDE), "--bars", "1-2", "--hidden", "--takes", "2", "--port", "sim:steady:1"]
    assert main(play) == 0
    log = next((own_folders / "sessions").glob("*.jsonl"))
    whole = log.read_bytes()
    log.write_bytes(whole[: len(whole) - 400])
    assert main(play) == 0
    capsys.readouterr()
    assert main(["progress", str(ETUDE), "--bars", "1-2", "-o", str(tmp_path / "p.png")]) == 0
    out = capsys.readouterr()
    assert "cut off" in out.out + out.err
    assert "3 takes" in out.out


def test_a_record_that_cannot_be_written_does_not_end_practice(tmp_path: Path) -> None:
    away = tmp_path / "away"
    away.symlink_to(tmp_path / "a disk that is not there" / "sessions")
    result = tmp_path / "out.json"
    code = main(
        [
            "play",
            str(ETUDE),
            "--bars",
            "1-2",
            "--hidden",
            "--takes",
            "1",
            "--sessions",
            str(away),
            "--json",
            str(result),
        ]
    )
    assert code == 1 and result.stat().st_size > 100


@pytest.mark.skipif(os.name != "posix", reason="kill -9")
def test_ports_lists_without_any_midi_system(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ports"]) == 0
    assert "sim:" in capsys.readouterr().out
