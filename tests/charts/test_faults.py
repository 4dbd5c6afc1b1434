"""Faulty charts: every fault with its place, in one line, and a chart of the player's own that is sound."""

from __future__ import annotations

from pathlib import Path

import pytest

from companion import charts
from companion.errors import ChartError
from companion.paths import charts_dir

HEAD = 'title = "my horn"\ntransposition = -9\nlowest_midi = 58\nhighest_midi = 90\n'


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def faults(tmp_path: Path, text: str) -> tuple[str, ...]:
    with pytest.raises(ChartError) as caught:
        charts.load(written(tmp_path, text))
    assert "\n" not in str(caught.value) and str(caught.value).startswith(str(tmp_path))
    return caught.value.faults


def whole_alto(change: tuple[str, str] = ("", "")) -> str:
    """The alto's own data as one file that extends nothing."""
    text = (charts_dir() / "common" / "saxophone.toml").read_text(encoding="utf-8")
    assert change[0] in text
    return HEAD + (text.replace(change[0], change[1], 1) if change[0] else text)


def test_a_chart_of_ones_own_may_stand_alone(tmp_path: Path) -> None:
    mine = charts.load(str(written(tmp_path, whole_alto())))
    assert (mine.name, mine.title) == ("mine", "my horn")
    assert mine.fingerings == charts.load("alto").fingerings


def test_a_chart_of_ones_own_may_extend_one_that_comes_along(tmp_path: Path) -> None:
    text = (
        'extends = "alto"\ntitle = "alto without high F♯"\nhighest_midi = 90\n'
        '[[fingering]]\nwritten_midi = 70\nname = "side"\nkeys = "l1 l2 side_b_flat"\nmark = "S"\n'
        '[[fingering]]\nwritten_midi = 65\nname = "G♯ held"\nkeys = "l1 l2 l3 r1 g_sharp"\nmark = "+G♯"\n'
    )
    mine, alto = charts.load(written(tmp_path, text)), charts.load("alto")
    assert mine.transposition == -9 and mine.title == "alto without high F♯"
    assert {f.name: f.mark for f in mine.for_note(70)}["side"] == "S"
    assert {f.name for f in mine.for_note(65)} == {"standard", "G♯ held"}
    # The replaced entry stated no octave above, so B♭5 has lost its side fingering.
    assert "side" not in {f.name for f in mine.for_note(82)}
    assert len(mine.fingerings) == len(alto.fingerings)


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        (('keys = "l1 bis"', 'keys = "l1 bus"'), "$.fingering[12].keys: unknown key 'bus', did you mean 'bis'?"),
        (('keys = "l1 bis"', 'keys = "l9 bis"'), "$.fingering[12].keys: unknown key 'l9'"),
        (('keys = "l1 bis"', 'keys = "l1 l2"'), "$.fingering[12].keys: sound A4, not B♭4"),
        (('keys = "l1 bis"', 'kyes = "l1 bis"'), "$.fingering[12].kyes: unknown entry, did you mean 'keys'?"),
        (('keys = "l1 bis"', "keys = 3"), "$.fingering[12].keys: expected text, found 3"),
        (('hand = "left"', 'hand = "third"'), "$.key[0].hand: 'third'; expected left, right"),
        (("x = 12.0", "x = 95.0"), "$.key[0]: lies outside the diagram, which is 100 wide and 200 high"),
        (('name = "front_f"', 'name = "octave"'), "$.key[1].name: a second key called 'octave'"),
        (('stands = "closed"', 'stands = "ajar"'), "$.hole[0].stands: 'ajar'; expected open, closed"),
        (('opened_by = "high_f_sharp"', 'opened_by = "hi"'), "$.hole[0].opened_by: unknown key 'hi'"),
        (("semitones = 12", 'semitones = "12"'), "$.octave.semitones: expected a whole number, found '12'"),
        (('\nonly_for = "trill"', '\nonly_for = "tril"'), "only_for: 'tril'; expected \"trill\" or nothing"),
        (("beside = [74]", 'beside = ["D"]'), "beside: expected MIDI note numbers"),
        (('keys = "l1 l2 l3"', 'keys = "l1 l2 l3 r3 high_f_sharp"'), "the right ring finger can't hold r3 and"),
    ],
)
def test_each_fault_has_its_place(tmp_path: Path, change: tuple[str, str], fault: str) -> None:
    found = faults(tmp_path, whole_alto(change))
    assert any(fault in one for one in found), found


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    text = whole_alto(('keys = "l1 bis"', 'keys = "l1 bus"')).replace('finger = "thumb"', 'finger = "toe"')
    text = text.replace("transposition = -9\n", "")
    found = faults(tmp_path, text)
    assert any("transposition" in one for one in found)
    assert any("$.key[0].finger: 'toe'" in one for one in found)
    assert any("unknown key 'bus'" in one for one in found)


def test_faults_of_what_is_extended_are_told_with_its_name(tmp_path: Path) -> None:
    found = faults(tmp_path, 'extends = "alto"\n[[key]]\nname = "l1"\nhand = "left"\n')
    assert any(one.startswith("$.key[0]: 'finger' is missing") for one in found)


def test_a_missing_note_is_told(tmp_path: Path) -> None:
    assert any(
        "no standard fingering for A3" in one for one in faults(tmp_path, 'extends = "alto"\nlowest_midi = 57\n')
    )


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("keys = [", "not TOML: "),
        ("", "$: 'title' is missing"),
        ("key = 3\n" + HEAD, "$.key: write it as [[key]]"),
        ("key = [3]\n" + HEAD, "$.key[0]: expected a table"),
        ('extends = "../../etc/passwd"\n' + HEAD, "$.extends: no chart"),
        ('extends = "oboe"\n' + HEAD, "$.extends: no chart 'oboe'"),
        ("a = " + "[" * 5000 + "]" * 5000, "nested too deeply"),
    ],
)
def test_files_that_are_no_chart(tmp_path: Path, text: str, says: str) -> None:
    assert any(says in one for one in faults(tmp_path, text))


def test_what_is_no_chart_at_all(tmp_path: Path) -> None:
    big = tmp_path / "big.toml"
    big.write_bytes(b"#" * 1_000_001)
    with pytest.raises(ChartError, match="larger than 1000 kB"):
        charts.load(big)
    junk = tmp_path / "junk.toml"
    junk.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ChartError, match="not UTF-8"):
        charts.load(junk)
    with pytest.raises(ChartError, match=f"oboe: no such instrument; there are {', '.join(charts.names())}, or"):
        charts.load("oboe")
    with pytest.raises(ChartError, match="no such file"):
        charts.load("nowhere/mine.toml")
    with pytest.raises(ChartError, match="no such instrument"):
        charts.load(tmp_path)


def test_many_faults_stay_one_readable_line(tmp_path: Path) -> None:
    text = HEAD + "\n".join(f"[[key]]\nnam{i} = 1" for i in range(3000))
    found = faults(tmp_path, text)
    assert len(found) == 41 and found[-1].endswith("more faults")


def test_an_edited_chart_is_read_anew(tmp_path: Path) -> None:
    path = written(tmp_path, 'extends = "alto"\ntitle = "one"\n')
    assert charts.load(path).title == "one"
    path.write_text('extends = "alto"\ntitle = "another"\n', encoding="utf-8")
    assert charts.load(path).title == "another"
