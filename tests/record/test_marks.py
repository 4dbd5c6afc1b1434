"""The mark sheet: read with every fault at its line, written without losing the teacher's words, never misplaced."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.errors import MarksError, ScoreError, UsageError
from companion.passage import Passage, Pitch
from companion.paths import examples_dir
from companion.record import marks_edit, toml_edit
from companion.record.marks import Marked, default_path, load, note_at, parse, place_of, resolve
from companion.scores import read
from companion.scores.guards import one_line

FILES = Path(__file__).parents[1] / "scores" / "files"
ETUDE = read(examples_dir() / "passages" / "etude-e-minor.musicxml")
HEAD = "format = 1\n"


def marked(text: str, passage: Passage = ETUDE) -> Marked:
    return resolve(parse((HEAD + text).encode(), Path("etude.marks.toml")), passage)


def fault(text: str, head: str = HEAD) -> str:
    with pytest.raises(MarksError) as caught:
        parse((head + text).encode(), Path("etude.marks.toml"))
    return str(caught.value)


def test_a_fingering_a_comment_and_a_misprint() -> None:
    printed = next(n for n in ETUDE.notes if ETUDE.bars[n.bar].number == "3")
    last = [n for n in ETUDE.notes if ETUDE.bars[n.bar].number == "3"][-2]
    found = marked(
        '[[fingering]]\nbar = 3\nnote = 1\nuse = "side"\nwhy = "matches C"\n'
        '[[comment]]\nbar = "3"\nnote = 1\ntext = "breathe"\n'
        f'[[correction]]\nbar = "3"\nnote = -2\npitch = "{last.written}"\nto = "B5"\n'
    )
    assert found.fingerings == {printed.index: "side"} and found.whys == {printed.index: "matches C"}
    assert found.comments == {printed.index: "breathe"}
    assert found.corrections == {last.source: Pitch("B", 0, 5)} and not found.remarks
    assert found.passage.notes[last.index].written == Pitch("B", 0, 5)
    others = [n for n in ETUDE.notes if n.source != last.source]
    assert all(found.passage.notes[n.index] == n for n in others)


def test_a_guard_sets_a_mark_aside_rather_than_misplacing_it() -> None:
    found = marked('[[fingering]]\nbar = "3"\nnote = 1\npitch = "C2"\nuse = "side"\n')
    assert not found.fingerings
    assert "set aside" in found.remarks[0] and "not C2" in found.remarks[0]


def test_a_guard_may_be_the_printed_or_the_corrected_pitch() -> None:
    note = ETUDE.notes[5]
    place = place_of(ETUDE, note.index)
    where = f'bar = "{place.bar}"\nnote = {place.note}\n'
    for pitch in (str(note.written), "B4"):
        found = marked(f'[[correction]]\n{where}to = "B4"\n[[fingering]]\n{where}pitch = "{pitch}"\nuse = "standard"\n')
        assert found.fingerings == {note.index: "standard"} and not found.remarks


def test_marks_that_fit_nowhere_are_said() -> None:
    found = marked('[[comment]]\nbar = "999"\nnote = 1\ntext = "x"\n[[comment]]\nbar = "1"\nnote = 99\ntext = "x"\n')
    assert not found.comments and len(found.remarks) == 2
    assert "no such bar" in found.remarks[0] and "that bar has" in found.remarks[1]


def test_a_mark_for_the_second_time_through_a_repeat() -> None:
    passage = read(FILES / "repeat_simple.musicxml")
    again = next(n for n in passage.notes if passage.bars[n.bar].time_pass == 2)
    place = place_of(passage, again.index)
    where = f'bar = "{place.bar}"\nnote = {place.note}\n'
    found = marked(f'[[fingering]]\n{where}use = "side"\ntime = 2\n[[fingering]]\n{where}use = "bis"\n', passage)
    times = [n for n in passage.notes if n.source == again.source]
    assert len(times) == 2
    assert found.fingerings == {times[0].index: "bis", times[1].index: "side"}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[[fingerring]]\nbar = "1"\n', "did you mean fingering?"),
        ('[[fingering]]\nbar = "1"\nnote = 1\nusee = "side"\n', "line 5"),
        ('[[fingering]]\nbar = "1"\nnote = 0\nuse = "side"\n', "note should say which note"),
        ('[[fingering]]\nnote = 1\nuse = "side"\n', "bar is missing"),
        ('[[fingering]]\nbar = "1"\nnote = 1\n', "use is missing"),
        ('[[fingering]]\nbar = "1"\nnote = "2"\nuse = "side"\n', "note should be a whole number"),
        ('[[correction]]\nbar = "1"\nnote = 2\nto = "H5"\n', "no pitch"),
        ('[[correction]]\nbar = "1"\nnote = 2\nto = "C42"\n', "no pitch"),
        ('[[comment]]\nbar = "1"\nnote = 2\ntext = 7\n', "text should be a text"),
        ("fingering = 3\n", "each under a line [[fingering]]"),
        ('[[comment]]\nbar = "1"\nnote = 1\ntext = "a"\nwhy = "b"\n', "why is not known here"),
        ("a = " + "[" * 3000, "not valid TOML"),
    ],
)
def test_a_fault_is_named_at_its_place(text: str, says: str) -> None:
    line = fault(text)
    assert says in line and "\n" not in line and line.startswith("etude.marks.toml: ")


def test_all_faults_at_once_and_other_formats() -> None:
    line = fault('[[fingering]]\nbar = "1"\nnote = 0\n[[comment]]\nnote = 1\ntext = "x"\n')
    assert line.count("line ") == 3
    assert "only 1" in fault("", "format = 2\n") and "should be 1" in fault("", "")
    with pytest.raises(MarksError, match="UTF-8"):
        parse(b"\xff\xfe\x00", Path("x"))


def test_no_file_a_folder_and_a_pipe(tmp_path: Path) -> None:
    with pytest.raises(MarksError, match="no such mark sheet"):
        load(tmp_path / "none.toml")
    with pytest.raises(MarksError, match="can't be read"):
        load(tmp_path)
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(MarksError, match="pipe"):
        load(tmp_path / "pipe")


def test_where_it_stands() -> None:
    assert default_path(Path("a/b.c.musicxml")) == Path("a/b.c.marks.toml")


def _readable() -> list[Passage]:
    passages = []
    for path in sorted(FILES.glob("*.musicxml")):
        with contextlib.suppress(ScoreError):
            passages.append(read(path))
    return passages


ALL = _readable()
assert len(ALL) > 40


@given(st.sampled_from(ALL), st.data())
def test_every_place_leads_back_to_its_note(passage: Passage, data: st.DataObject) -> None:
    if not passage.notes:
        return
    note = passage.notes[data.draw(st.integers(0, len(passage.notes) - 1))]
    place = place_of(passage, note.index)
    text = f'[[comment]]\nbar = {_toml(place.bar)}\nwhich = {place.which}\nnote = {place.note}\ntext = "here"\n'
    found = marked(text, passage)
    assert found.comments and not found.remarks
    assert {passage.notes[i].source for i in found.comments} == {note.source}
    if place.which == 1 and place.bar:
        assert passage.notes[note_at(passage, f"{place.bar}.{place.note}")].source == note.source


def _toml(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


@pytest.mark.parametrize("text", ["3", "3.", ".4", "3.x", "3.0", "99.1", "1.99", "1.-99", ""])
def test_a_place_that_is_none(text: str) -> None:
    with pytest.raises(UsageError):
        note_at(ETUDE, text)


def test_writing_makes_the_sheet_and_reads_back(tmp_path: Path) -> None:
    path = tmp_path / "new" / "etude.marks.toml"
    marks_edit.set_fingering(path, ETUDE, 4, "side", "because")
    marks_edit.set_fingering(path, ETUDE, 9, "bis")
    marks_edit.set_comment(path, ETUDE, 4, 'say "ta"\nand breathe')
    marks_edit.set_correction(path, ETUDE, 12, Pitch("B", -1, 4))
    found = resolve(load(path), ETUDE)
    assert found.fingerings == {4: "side", 9: "bis"} and found.whys == {4: "because"}
    assert found.comments == {4: 'say "ta"\nand breathe'}
    assert found.passage.notes[12].written == Pitch("B", -1, 4) and not found.remarks
    # Set again it is changed in place, and taken away it is gone; the corrected passage will do as well.
    marks_edit.set_fingering(path, found.passage, 4, "standard")
    marks_edit.set_correction(path, found.passage, 12, Pitch("C", 0, 5))
    marks_edit.set_fingering(path, found.passage, 9, None)
    marks_edit.set_comment(path, found.passage, 4, None)
    found = resolve(load(path), ETUDE)
    # The reason went with the fingering that it was for.
    assert found.fingerings == {4: "standard"} and not found.whys and not found.comments
    assert found.passage.notes[12].written == Pitch("C", 0, 5)
    marks_edit.set_correction(path, found.passage, 12, None)
    assert resolve(load(path), ETUDE).passage == ETUDE


def test_the_teachers_own_words_and_layout_stay(tmp_path: Path) -> None:
    path = tmp_path / "m.toml"
    own = '# mine\nformat = 1\n\n[[comment]]   # here\nbar = "1"\nnote = 1\ntext = "slow"  # really\n'
    path.write_text(own, encoding="utf-8")
    marks_edit.set_fingering(path, ETUDE, 9, "bis")
    assert path.read_text(encoding="utf-8").startswith(own)
    marks_edit.set_fingering(path, ETUDE, 9, None)
    assert path.read_text(encoding="utf-8").rstrip() == own.rstrip()


def test_a_faulty_sheet_is_not_touched_and_nothing_is_made_to_take_away(tmp_path: Path) -> None:
    path = tmp_path / "m.toml"
    path.write_text("format = 7\n", encoding="utf-8")
    with pytest.raises(MarksError):
        marks_edit.set_comment(path, ETUDE, 1, "x")
    assert path.read_text(encoding="utf-8") == "format = 7\n"
    marks_edit.set_comment(tmp_path / "none.toml", ETUDE, 1, None)
    assert not (tmp_path / "none.toml").exists()
    with pytest.raises(MarksError, match="can't be"):
        marks_edit.set_comment(tmp_path / "m.toml" / "x.toml", ETUDE, 1, "x")


def test_two_who_write_at_once_lose_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "m.toml"
    marks_edit.set_comment(path, ETUDE, 0, "mine")
    really = toml_edit.make_dir_synced
    other: list[int] = []

    def while_the_other_writes(folder: Path) -> None:
        really(folder)
        if not other:
            other.append(1)
            path.write_bytes(path.read_bytes() + b'\n[[comment]]\nbar = "2"\nnote = 1\ntext = "theirs"\n')

    monkeypatch.setattr(toml_edit, "make_dir_synced", while_the_other_writes)
    marks_edit.set_fingering(path, ETUDE, 9, "bis")
    found = resolve(load(path), ETUDE)
    assert set(found.comments.values()) == {"mine", "theirs"} and found.fingerings == {9: "bis"}


@given(st.text(max_size=40))
def test_any_text_is_data(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    path = tmp_path_factory.mktemp("m") / "m.toml"
    try:
        marks_edit.set_comment(path, ETUDE, 3, text)
    except (MarksError, UsageError):
        assert not path.exists()
        return
    found = resolve(load(path), ETUDE).comments if path.exists() else {}
    # Without what a terminal would take as a command.
    lines = [one_line(line, 2_000) for line in text.splitlines()]
    assert found == ({3: "\n".join(lines).strip()} if text.strip() else {})
