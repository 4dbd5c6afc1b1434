"""`companion exercises` as it is called; what it writes is read back by music21 and mido."""

from __future__ import annotations

import json
import shlex
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import mido
import music21
import pytest

from companion import charts
from companion.cli import main
from companion.exercises import REGISTRY
from companion.exercises.offers import offers
from companion.passage import Passage
from companion.planning import plan
from companion.practice.model import ON_TIME, WRONG_NOTE
from companion.record import NoteRecord, Sitting, TakeRecord
from companion.scores import read

ETUDE = Path(__file__).parents[2] / "shared" / "passages" / "etude-e-minor.musicxml"
ALTO = charts.load("alto")
FAILS_AT = 41


@pytest.fixture
def etude(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("SHARED", "SESSIONS", "CACHE", "SETTINGS"):
        monkeypatch.setenv(f"COMPANION_{name}", str(tmp_path / name.lower()))
    monkeypatch.chdir(tmp_path)
    shutil.copy(ETUDE, "etude.musicxml")
    return Path("etude.musicxml")


def told(capsys: pytest.CaptureFixture[str], *words: str | Path) -> str:
    assert main(["exercises", *map(str, words)]) == 0
    out, err = capsys.readouterr()
    assert not err
    return " ".join(out.split())


def refused(capsys: pytest.CaptureFixture[str], *words: str | Path) -> str:
    assert main(["exercises", *map(str, words)]) == 1
    out, err = capsys.readouterr()
    assert not out and err.count("\n") == 1
    return err


def fail_at(passage: Passage, *indices: int) -> None:
    """Takes of two days in which the changes into these notes go wrong."""
    for day in (23, 24):
        sitting = Sitting.begin(Path("sessions"), datetime(2024, 11, day, 17, tzinfo=UTC))
        for _ in range(3):
            notes = tuple(
                NoteRecord(
                    passage.bars[note.bar].number, str(note.count), note.written_midi, choice.name,
                    tuple(sorted(choice.keys)), WRONG_NOTE if note.index in indices else ON_TIME, 0.0,
                    note.written_midi + (note.index in indices), available_ms=200.0,
                )
                for note, choice in zip(passage.notes, plan(passage, ALTO).choices, strict=True)
            )  # fmt: skip
            take = TakeRecord(passage.title, 60.0, instrument="alto", port="wind", origin=passage.origin, notes=notes)
            sitting.append(replace(take, sha256=passage.sha256))


def test_the_list_says_what_there_is_and_what_the_passage_calls_for(
    etude: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = told(capsys, etude)
    passage = read(etude)
    for number, offer in enumerate(offers(passage, plan(passage, ALTO), ALTO), start=1):
        assert f" {number} {offer.title} {offer.purpose}." in out
    for exercise in REGISTRY.values():
        assert f" {exercise.name} {exercise.title}: {exercise.purpose}." in out
        assert all(f" --{option} " in out for option in exercise.options)
    assert "Not of this music" not in out


def test_every_option_has_words_and_no_words_are_of_none() -> None:
    from companion.cli import exercise_about as about

    known = {(name, option) for name, exercise in REGISTRY.items() for option in exercise.options}
    for name, option in known:
        assert not about.option_in_words(REGISTRY[name], option).startswith("such as"), f"{name}: {option}"
    for key in about._WORDS:
        name, dot, option = key.rpartition(".")
        assert (name, option) in known if dot else key in {option for _, option in known}
    assert all((name, option) in known for name, option in about._choices())


def test_the_list_tells_what_is_in_the_passage(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from companion.exercises.articulation_patterns import patterns_of
    from companion.exercises.links import hardest_changes

    out, passage = told(capsys, etude), read(etude)
    first = patterns_of(passage)[0]
    assert f"1 {first.words} ({first.count} times); 2 " in out
    lowest = hardest_changes(passage, plan(passage, ALTO), ALTO)[0].limit_bpm
    assert f"up to about {int(lowest)}; 2 " in out
    part = told(capsys, etude, "--bars", "3-4")
    assert "What bars 3–4 call for" in part and "bar 15" not in part
    assert "companion exercises etude.musicxml --bars 3-4 1 -o FILE.musicxml" in part


def test_names_may_stand_behind_options(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = told(capsys, etude, "links", "scales", "--bars", "3", "--times", "2", "--octaves", "1")
    assert told(capsys, etude, "--bars", "3", "links", "--octaves", "1", "scales", "--times", "2") == before
    assert "unrecognized arguments: --nonsense" in refused(capsys, etude, "--nonsense", "links")


def test_notes_are_named_as_players_name_them(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = told(capsys, etude, "scales", "--key", "G", "--lowest", "D4", "--highest", "B-flat5")
    assert "D4 to A5" in out
    assert "is no pitch" in refused(capsys, etude, "scales", "--lowest", "Dis4")


def test_own_trouble_comes_first_and_is_made_by_links_trouble(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "nothing keeps failing in this passage" in refused(capsys, etude, "links", "--trouble")
    fail_at(read(etude), FAILS_AT, 80)
    assert "failed in 6 of 6 of your takes" in told(capsys, etude)[:600].lower()
    out = told(capsys, etude, "links", "--trouble", "--json", "made.json")
    (made,) = json.loads(Path("made.json").read_text(encoding="utf-8"))["made"]
    assert made["options"]["into"] in (FAILS_AT, 80) and made["title"] in out
    told(capsys, etude, "links", "--trouble", "--count", "2", "--json", "made.json")
    (made,) = json.loads(Path("made.json").read_text(encoding="utf-8"))["made"]
    assert sorted(map(int, made["options"]["spots"].split(", "))) == [FAILS_AT, 80]
    bar = read(etude).bars[read(etude).notes[80].bar].number
    told(capsys, etude, "links", "--trouble", "--bars", bar, "--json", "made.json")
    (made,) = json.loads(Path("made.json").read_text(encoding="utf-8"))["made"]
    assert made["options"]["into"] == 80


@pytest.mark.parametrize("name", REGISTRY)
def test_each_is_told_with_how_to_practise_it(name: str, etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    passage = read(etude)
    made = REGISTRY[name](passage, plan(passage, ALTO), ALTO)
    out = told(capsys, etude, name)
    assert out.startswith(f"{made.title} {made.purpose}. ") and f"{len(made.notes)} notes" in out
    assert out.endswith(f"Practise it: companion play etude.musicxml --exercise {name}")


@pytest.mark.parametrize("name", REGISTRY)
def test_each_is_written_for_other_programs(name: str, etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = told(capsys, etude, name, "-o", "folder", "--format", "both", "--instrument", "tenor")
    score, midi = sorted(Path("folder").iterdir(), key=lambda path: path.suffix, reverse=True)
    assert f"Written to {score}." in out and f"Written to {midi}, in written pitch." in out
    assert out.endswith(f"companion play {score} --instrument tenor")
    made = read(score)
    assert not made.remarks and made.transposition == -14
    notes = music21.converter.parse(score).parts[0].expandRepeats().stripTies().flatten().notes
    assert [note.pitch.midi for note in notes] == [note.written_midi for note in made.notes]
    heard = [m.note for m in mido.MidiFile(midi).tracks[1] if m.type == "note_on"]
    assert heard == [note.written_midi for note in made.notes]


def test_midi_as_it_sounds(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "in sounding pitch" in told(capsys, etude, "links", "-o", "a.mid", "--sounding")
    told(capsys, etude, "links", "-o", "a.musicxml")
    heard = [m.note for m in mido.MidiFile("a.mid").tracks[1] if m.type == "note_on"]
    semitones = music21.instrument.AltoSaxophone().transposition.semitones
    assert heard == [note.written_midi + semitones for note in read("a.musicxml").notes]


def test_numbers_of_the_list_and_names_each_get_a_file(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    passage = read(etude)
    found = offers(passage, plan(passage, ALTO), ALTO)
    told(capsys, etude, "1", "2", "1", "scales", "-o", "folder", "--key", "G")
    titles = sorted(read(path).title for path in Path("folder").iterdir())
    assert titles == sorted([found[0].title, found[0].title, found[1].title, "G major scale"])


def test_bars_and_places_are_those_of_the_passage(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = told(capsys, etude, "links", "--into", "3.4", "--kind", "pair")
    alone = told(capsys, etude, "links", "--into", "3.4", "--kind", "pair", "--bars", "3")
    third = [note for note in read(etude).notes if read(etude).bars[note.bar].number == "3"]
    pair = f"{third[2].written}-{third[3].written}"
    assert pair in whole and pair in alone and "(bar 3)" in alone
    assert "--bars 3 --set kind=pair --set into=3" in alone


def test_what_is_said_to_practise_makes_the_same_again(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from companion.cli.exercise_options import assignments, exercise_named, made_of
    from companion.window.music import exercise_of

    told(capsys, etude, "links", "--bars", "3", "--change", "2", "--json", "made.json")
    (result,) = json.loads(Path("made.json").read_text(encoding="utf-8"))["made"]
    words = shlex.split(told(capsys, etude, "links", "--bars", "3", "--change", "2").split("Practise it: ")[1])
    assert words[:5] == ["companion", "play", "etude.musicxml", "--exercise", "links"]
    bars, sets = words[words.index("--bars") + 1], [words[i + 1] for i, word in enumerate(words) if word == "--set"]
    passage = read(etude)
    made = made_of(exercise_named("links"), passage, bars, assignments(sets))
    assert exercise_of(passage, plan(passage, ALTO), ALTO, made).sha256 == result["sha256"]


def test_all_of_it_as_json(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told(capsys, etude, "links", "-o", "a.musicxml", "--json", "made.json")
    result = json.loads(Path("made.json").read_text(encoding="utf-8"))
    assert [each["name"] for each in result["exercises"]] == list(REGISTRY)
    (made,) = result["made"]
    passage = read("a.musicxml")
    assert made["files"] == ["a.musicxml"] and made["title"] == passage.title
    assert [note["written"] for note in made["notes"]] == [str(note.written) for note in passage.notes]


def test_nothing_is_overwritten_unasked_and_the_score_never(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = etude.read_bytes()
    told(capsys, etude, "links", "-o", "a.musicxml")
    first = Path("a.musicxml").read_bytes()
    assert "a.musicxml: is there already" in refused(capsys, etude, "scales", "-o", "a.musicxml")
    assert Path("a.musicxml").read_bytes() == first
    told(capsys, etude, "scales", "-o", "a.musicxml", "--overwrite")
    assert read("a.musicxml").title.startswith("Major scales")
    Path("link.musicxml").symlink_to(etude)
    for out in ("etude.musicxml", "./etude.musicxml", "link.musicxml"):
        assert "that is the score itself" in refused(capsys, etude, "links", "-o", out, "--overwrite")
        assert "that is the score itself" in refused(capsys, etude, "links", "--json", out)
    assert etude.read_bytes() == before


def test_of_several_files_none_is_written_where_one_is_there(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told(capsys, etude, "links", "-o", "folder")
    refused(capsys, etude, "scales", "links", "-o", "folder")
    assert len(list(Path("folder").iterdir())) == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nothing.musicxml"], "there is no such file"),
        (["etude.musicxml", "nonsense"], "no exercise 'nonsense'; there are scales"),
        (["etude.musicxml", "99"], "no exercise 99: the list goes from 1 to"),
        (["etude.musicxml", "0"], "no exercise 0"),
        (["etude.musicxml", "links", "--kind", "nonsense"], "no kind of links 'nonsense'; there are all, pair"),
        (["etude.musicxml", "links", "--times", "often"], "links: times is a whole number, such as 4, not 'often'"),
        (["etude.musicxml", "links", "--key", "G"], "no option 'key' of links; there is change"),
        (["etude.musicxml", "links", "--set", "colour=red"], "no option 'colour' of links"),
        (["etude.musicxml", "links", "--set", "kind"], "--set 'kind': write such as --set kind=pair"),
        (["etude.musicxml", "links", "--into", "99.1"], "there is no such bar"),
        (["etude.musicxml", "links", "--bars", "99"], "no bar '99'"),
        (["etude.musicxml", "scales", "--key", "H"], "'H' is no key"),
        (["etude.musicxml", "scales", "--trouble"], "--trouble goes with links"),
        (["etude.musicxml", "--key", "G"], "such as: companion exercises etude.musicxml scales --key"),
        (["etude.musicxml", "--pattern", "2"], "such as: companion exercises etude.musicxml articulations --pattern"),
        (["etude.musicxml", "links", "-o", "a.musicxml", "--json", "./a.musicxml"], "that is the file of -o"),
        (["etude.musicxml", "-o", "out"], "--output needs an exercise"),
        (["etude.musicxml", "links", "--sounding"], "--sounding goes with -o"),
        (["etude.musicxml", "links", "--overwrite"], "--overwrite goes with -o"),
        (["etude.musicxml", "links", "-o", "a.musicxml", "--sounding"], "--sounding is for MIDI"),
        (["etude.musicxml", "links", "-o", "a.png"], "let its name end in .musicxml or .mid"),
        (["etude.musicxml", "links", "-o", "a.pdf"], "companion handout etude.musicxml --exercise NAME -o a.pdf"),
        (["etude.musicxml", "links", "-o", "a.mid", "--format", "musicxml"], "--format musicxml"),
        (["etude.musicxml", "links", "scales", "-o", "a.mid"], "one file for 2 exercises; name a folder"),
        (["etude.musicxml", "links", "-o", "gone/a.mid"], "gone"),
        (["etude.musicxml", "links", "-o", "gone/folder"], "that folder can't be made"),
        (["etude.musicxml", "links", "-o", "etude.musicxml/a.mid"], "a.mid"),
        (["etude.musicxml", "links", "--json", "gone/a.json"], "--json gone/a.json: can't be written"),
        (["etude.musicxml", "links", "--instrument", "kazoo"], "kazoo"),
    ],
)
def test_bad_input_gets_one_line(etude: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str) -> None:
    assert said in refused(capsys, *words)
    assert sorted(path.name for path in Path().iterdir() if path.suffix) == ["etude.musicxml"]


def test_a_log_that_can_not_be_read_hides_no_exercise(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = told(capsys, etude, "--sessions", "etude.musicxml")
    assert "Links: " in out and "note: the practice log is not looked at" in out


def test_two_notes_alike_call_for_no_links_and_the_list_says_why(
    etude: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    note = "<note><pitch><step>G</step><octave>4</octave></pitch><duration>2</duration></note>"
    Path("two.musicxml").write_text(
        '<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>Sax</part-name></score-part>'
        '</part-list><part id="P1"><measure number="1"><attributes><divisions>1</divisions><time><beats>4</beats>'
        f"<beat-type>4</beat-type></time></attributes>{note * 2}</measure></part></score-partwise>"
    )
    out = told(capsys, "two.musicxml")
    assert "Not of this music as it is: no fingers change in this passage" in out
    assert "no fingers change" in refused(capsys, "two.musicxml", "links")


def test_what_keeps_failing_in_an_exercise(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    passage = read(etude)
    made = REGISTRY["links"](passage, plan(passage, ALTO), ALTO, kind="pair", times=1)
    fail_at(made, 1)
    words = ["trouble", str(etude), "--exercise", "links", "--set", "kind=pair", "--set", "times=1"]
    assert main(words) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert out.startswith(f"{made.title} (etude.musicxml), alto saxophone 1 ") and "failed in 6 of 6 takes" in out
    assert main(["trouble", str(etude)]) == 0
    assert "No takes of your own in this passage yet" in capsys.readouterr().out
    for wrong, said in (
        ([*words, "--links", "a.musicxml"], "leave --exercise out"),
        (["trouble", "--exercise", "links"], "companion trouble FILE --exercise links"),
        (["trouble", str(etude), "--bars", "3"], "--bars 3 goes with --exercise"),
        (["trouble", str(etude), "--set", "times=1"], "--set times=1 goes with --exercise"),
    ):
        assert main(wrong) == 1
        assert said in capsys.readouterr().err


def test_bars_of_rests_only(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    note = "<note><pitch><step>{}</step><octave>4</octave></pitch><duration>2</duration></note>"
    Path("rests.musicxml").write_text(
        '<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>Sax</part-name></score-part>'
        '</part-list><part id="P1"><measure number="1"><attributes><divisions>1</divisions><time><beats>4</beats>'
        "<beat-type>4</beat-type></time></attributes><note><rest/><duration>4</duration></note></measure>"
        f'<measure number="2">{note.format("G")}{note.format("A")}</measure></part></score-partwise>'
    )
    out = told(capsys, "rests.musicxml", "--bars", "1")
    assert "What bar 1 calls for" in out and "Nothing can be made of these bars" in out
    for name in set(REGISTRY) - {"scales"}:
        refused(capsys, "rests.musicxml", name, "--bars", "1")
    assert "450 notes" in told(capsys, "rests.musicxml", "scales", "--bars", "1")
