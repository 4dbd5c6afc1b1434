"""Of a score with several parts a command takes the one that week sheet, record or names lead to."""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from companion.cli import main
from companion.cli.opening import open_passage
from companion.cli.which_part import Lookup
from companion.errors import SeveralParts
from companion.record import Sitting, TakeRecord, read_log
from companion.record.week import load

NOTE = "<note><pitch><step>{step}</step><octave>4</octave></pitch><duration>4</duration></note>"
ATTRIBUTES = "<attributes><divisions>1</divisions><time><beats>4</beats><beat-type>4</beat-type></time></attributes>"
#: A week has to begin on a Monday.
SHEET = "format = 1\nweek = 2026-11-23\n"
ITEM = '[[item]]\npassage = "trio.musicxml"\nbars = "{bars}"\ntarget_bpm = 90\n{more}\n'


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("SHARED", "SESSIONS", "CACHE", "SETTINGS"):
        monkeypatch.setenv(f"COMPANION_{name}", str(tmp_path / name.lower()))
    (tmp_path / "shared").mkdir()
    monkeypatch.chdir(tmp_path / "shared")
    return tmp_path


def score(*names: str) -> Path:
    """Four bars of one note in each part: the first plays C, the second D, and so on."""
    listed = "".join(
        f"<score-part id='P{i}'><part-name>{name}</part-name></score-part>" for i, name in enumerate(names)
    )
    parts = ""
    for i in range(len(names)):
        note = NOTE.format(step="CDEFGAB"[i])
        bars = "".join(f"<measure number='{n}'>{ATTRIBUTES * (n == 1)}{note}</measure>" for n in range(1, 5))
        parts += f"<part id='P{i}'>{bars}</part>"
    file = Path("trio.musicxml")
    file.write_text(f"<score-partwise version='4.0'><part-list>{listed}</part-list>{parts}</score-partwise>")
    return file


def sheet(*items: tuple[str, str], name: str = "week.toml") -> None:
    """Items by their bars and what else they say."""
    Path(name).write_text(SHEET + "".join(ITEM.format(bars=bars, more=more) for bars, more in items))


def played(home: Path, day: int, part: str, **more: object) -> None:
    told: dict[str, object] = {"origin": "/elsewhere/trio.musicxml", "part": part, "port": "wind"} | more
    Sitting.begin(home / "sessions", datetime(2026, 11, day, 17, tzinfo=UTC)).append(
        TakeRecord("Trio", 60, **told)  # type: ignore[arg-type]
    )


def taken(file: Path, lookup: Lookup = Lookup(), part: str | None = None) -> tuple[str, str]:  # noqa: B008 (frozen)
    """The first note's letter, and what is said."""
    opened = open_passage(file, part, lookup=lookup)
    return opened.passage.notes[0].written.step, "; ".join(opened.remarks)


def test_where_nothing_names_a_part_they_are_listed() -> None:
    with pytest.raises(SeveralParts, match="choose one with --part: 1 = P0"):
        taken(score("Flute", "Clarinet", "Piano"))
    with pytest.raises(SeveralParts):
        taken(score("Alto Saxophone 1", "Alto Saxophone 2", "Piano"))
    assert taken(score("Flute", "Clarinet", "Piano"), part="2") == ("D", "")


@pytest.mark.parametrize("name", ["Alto Saxophone", "Altsaxofon", "Sax contralto in Mi♭", "Sassofono", "Saksofon"])
def test_the_only_saxophone_is_taken(name: str) -> None:
    assert taken(score("Flute", name, "Saxhorn", "Piano")) == (
        "D", f"the part {name} is taken, the only saxophone's; --part takes another",
    )  # fmt: skip


def test_the_part_of_the_last_take_goes_before_the_only_saxophone(home: Path) -> None:
    file = score("Flute", "Alto Saxophone", "Piano")
    played(home, 20, "Piano")
    played(home, 21, "Flute")
    assert taken(file) == ("C", "the part Flute is taken, as in the last take of it; --part takes another")
    # The simulated player's comes after one's own, and a part that isn't there any more counts for nothing.
    played(home, 22, "Piano", port="sim:student:1")
    assert taken(file)[0] == "C"
    played(home, 23, "Oboe")
    assert taken(file)[0] == "D"


def test_two_parts_of_the_name_that_was_played_are_listed(home: Path) -> None:
    played(home, 20, "Alto")
    with pytest.raises(SeveralParts):
        taken(score("Alto", "Alto", "Piano"))


def test_the_week_sheet_goes_before_all_of_it(home: Path) -> None:
    file = score("Flute", "Alto Saxophone", "Piano")
    played(home, 20, "Flute")
    sheet(("1-2", 'part = "3"'), ("3-4", 'part = "3"'))
    said = "the part Piano is taken, as the week sheet has it; --part takes another"
    assert taken(file) == ("E", said)
    # The item for these bars; and where the items differ, none of them.
    sheet(("1-2", 'part = "3"'), ("3-4", 'part = "2"'))
    assert [taken(file, Lookup(bars=bars))[0] for bars in ("1-2", "3-4", "")] == ["E", "D", "C"]
    sheet(("", ""), ("3-4", "part = 3"), name="other.toml")
    assert taken(file, Lookup(sheet=Path("other.toml"))) == ("E", said)


def test_a_part_of_the_sheet_that_is_not_there_is_said(home: Path) -> None:
    sheet(("", 'part = "9"'))
    letter, said = taken(score("Flute", "Alto Saxophone"))
    assert letter == "D"
    assert said.startswith("the week sheet's part is not taken: trio.musicxml: has no part '9';")
    sheet(("", 'part = "1"'))
    assert taken(score("Flute")) == ("C", "")


@pytest.mark.parametrize(
    "command",
    [
        ["play", "--hidden", "--takes", "1", "--port", "sim:steady:1"],
        ["mock", "--hidden", "--silence", "0"],
        ["handout", "-o", "sheet.pdf"],
        ["fingerings"],
        ["exercises"],
        ["progress"],
        ["trouble"],
    ],
)
def test_every_command_that_reads_a_score_does_so_and_says_so(
    command: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    file = score("Flute", "Alto Saxophone", "Piano")
    name, *options = command
    assert main([name, str(file), *options]) == 0
    out, err = capsys.readouterr()
    assert (out + err).count("the part Alto Saxophone is taken") == 1


def test_what_is_played_then_is_found_again(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The part of a take is what progress looks for, without takes of other parts."""
    file = score("Flute", "Alto Saxophone", "Piano")
    played(home, 19, "Piano")
    played(home, 20, "Alto Saxophone")
    assert main(["progress", str(file)]) == 0
    out = capsys.readouterr().out
    assert "1 take on 1 day" in out and out.count("is taken") == 1
    assert main(["progress", str(file), "--part", "3"]) == 0
    assert "1 take on 1 day" in capsys.readouterr().out
    assert main(["play", str(file), "--hidden", "--takes", "1", "--port", "sim:steady:1"]) == 0
    assert read_log(home / "sessions").takes[-1].part == "Alto Saxophone"


def test_a_target_is_set_for_the_part_that_was_found(capsys: pytest.CaptureFixture[str]) -> None:
    """Else the item would lead nowhere on a computer without this record."""
    file = score("Flute", "Alto Saxophone", "Piano")
    assert main(["week", "set", str(file), "--tempo", "90"]) == 0
    assert load(Path("week.toml")).items[0].part == "Alto Saxophone"
    assert "Part Alto Saxophone." in capsys.readouterr().out
    assert main(["week", "set", str(file), "--tempo", "90", "--part", "3"]) == 0
    assert main(["week", "set", str(file), "--tempo", "96"]) == 0
    assert load(Path("week.toml")).items[0].part == "3"
    assert main(["week", "set", str(score("Flute")), "--tempo", "90", "--bars", "1-2"]) == 0
    assert load(Path("week.toml")).items[1].part == ""


def test_bars_of_two_parts_on_one_sheet_keep_theirs() -> None:
    file = score("Flute", "Alto Saxophone", "Piano")
    setting = ["week", "set", str(file), "--tempo", "90", "--bars"]
    assert main([*setting, "1-2", "--part", "1"]) == 0
    assert main([*setting, "3-4", "--part", "3"]) == 0
    assert main([*setting, "1-2", "--by", "Fri"]) == 0
    assert [item.part for item in load(Path("week.toml")).items] == ["1", "3"]


def test_an_item_that_names_no_part_is_put_on_the_stand(capsys: pytest.CaptureFixture[str]) -> None:
    sheet(("", ""))
    score("Flute", "Alto Saxophone", "Piano")
    for command in (["week"], ["week", "--student"], ["today"]):
        assert main(command) == 0
        assert "parts" not in capsys.readouterr().out


def test_passages_of_two_parts_played_lately_are_two_things_to_go_on_with(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = score("Flute", "Alto Saxophone", "Piano").absolute()
    start = datetime.now(UTC)
    sitting = Sitting.begin(home / "sessions", start)
    for part, bars in (("Flute", "1-2"), ("Piano", "3-4")):
        sitting.append(TakeRecord("Trio", 60, origin=str(file), part=part, bars=bars, port="wind", instrument="alto"))
    assert main(["today"]) == 0
    out = capsys.readouterr().out
    assert "--part Flute --bars 1-2" in out and "--part Piano --bars 3-4" in out


def test_takes_of_a_renamed_score_of_several_parts_are_known_by_its_content(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = score("Flute", "Clarinet")
    played(home, 20, "Flute", sha256=hashlib.sha256(file.read_bytes()).hexdigest())
    file.rename("renamed.musicxml")
    assert main(["record", "export", "out", "--file", "renamed.musicxml"]) == 0
    assert "1 take in" in capsys.readouterr().out


def test_takes_of_another_part_reach_no_target(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = score("Flute", "Alto Saxophone", "Piano")
    assert main(["week", "set", str(file), "--tempo", "60", "--clean-takes", "1", "--week", str(date.today())]) == 0
    start = datetime.now(UTC)
    sitting = Sitting.begin(home / "sessions", start)

    def take(part: str) -> None:
        told = {"origin": str(file), "part": part, "port": "wind", "instrument": "alto", "clean": True}
        sitting.append(TakeRecord("Trio", 60, **told))  # type: ignore[arg-type]

    take("Flute")
    for count in (0, 1, 2):
        capsys.readouterr()
        for command in (["week"], ["week", "--student"], ["today"], ["progress", "--lesson", "lesson.pdf"]):
            assert main(command) == 0
        out = capsys.readouterr().out
        assert ("0 of 1" in out and "not played yet" in out) == (count == 0)
        assert (f"{count} of 1, reached" in out) == (count > 0)
        # Two things were played, and one of them is set.
        assert "2 items, written to lesson.pdf" in out
        # One that doesn't tell its part, as other programs' takes, counts.
        take("Alto Saxophone" if count == 0 else "")


def test_a_mock_performance_is_of_the_part_that_is_named_or_of_the_bars_own(home: Path) -> None:
    file = score("Flute", "Alto Saxophone", "Piano")
    hidden = ["--hidden", "--silence", "0", "--port", "sim:steady:1"]
    assert main(["mock", str(file), "--part", "piano", *hidden]) == 0
    sheet(("1-2", 'part = "1"'), ("3-4", 'part = "2"'))
    assert main(["mock", f"{file}:1-2", f"{file}:3-4", *hidden]) == 0
    takes = read_log(home / "sessions").takes
    assert [(take.part, take.bars) for take in takes] == [("Piano", ""), ("Flute", "1-2"), ("Alto Saxophone", "3-4")]
