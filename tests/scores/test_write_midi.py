"""MIDI files written: read back by companion's reader, by mido and by music21."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import mido
import music21
import pytest
from hypothesis import given
from hypothesis import strategies as st
from practice.made import passage

from companion import charts
from companion.errors import ScoreError
from companion.exercises import REGISTRY
from companion.passage import Bar, Passage, Slur, TempoMark
from companion.planning import plan
from companion.scores import read
from companion.scores.write_midi import to_midi

PASSAGES = Path(__file__).parents[2] / "shared" / "passages"
INSTRUMENTS = {
    "soprano": music21.instrument.SopranoSaxophone,
    "alto": music21.instrument.AltoSaxophone,
    "tenor": music21.instrument.TenorSaxophone,
    "baritone": music21.instrument.BaritoneSaxophone,
}
TUPLETS = "C4:1/3 D4:1/3 E4:1/3 F4:1/5 G4:1/5 A4:1/5 B4:1/5 C5:1/5 D5:1/4 E5:1/4 F5:1/2 G5:1 g:A5 B5:4"


def again(music: Passage, folder: Path, *, sounding: bool = False) -> Passage:
    file = folder / "made.mid"
    file.write_bytes(to_midi(music, sounding=sounding))
    return read(file)


def sounds(data: bytes) -> list[tuple[Fraction, Fraction, int, int]]:
    """(on, off, note, velocity) in quarters, by mido alone."""
    midi = mido.MidiFile(file=io.BytesIO(data))
    tick, open_notes, found = 0, {}, []
    for message in midi.tracks[1]:
        tick += message.time
        at = Fraction(tick, midi.ticks_per_beat)
        if message.type == "note_on":
            assert message.note not in open_notes
            open_notes[message.note] = at, message.velocity
        elif message.type == "note_off":
            on, velocity = open_notes.pop(message.note)
            found.append((on, at, message.note, velocity))
    assert not open_notes
    return sorted(found)


def metas(data: bytes, kind: str) -> list[mido.Message | mido.MetaMessage]:
    midi = mido.MidiFile(file=io.BytesIO(data), charset="utf-8")
    return [message for track in midi.tracks for message in track if message.type == kind]


def lines(music: Passage) -> list[tuple[int, Fraction, Fraction, bool]]:
    return [(note.written_midi, note.start, note.length, bool(note.grace)) for note in music.notes]


@pytest.mark.parametrize("file", sorted(PASSAGES.iterdir()), ids=lambda file: file.name)
def test_etudes_read_back_are_the_same_notes(file: Path, tmp_path: Path) -> None:
    music = read(file)
    found = again(music, tmp_path)
    assert lines(found) == lines(music) and found.title == music.title and found.part_name == music.part_name
    assert [(b.length, b.fifths, b.mode, b.upbeat) for b in found.bars] == [
        (b.length, b.fifths, b.mode, b.upbeat) for b in music.bars
    ]
    assert found.marked_tempo_bpm() == pytest.approx(music.marked_tempo_bpm(), rel=1e-5)


@pytest.mark.parametrize("horn", INSTRUMENTS)
@pytest.mark.parametrize("name", REGISTRY)
def test_exercises_of_every_horn_read_back_are_the_same_notes(name: str, horn: str, tmp_path: Path) -> None:
    tune, chart = read(PASSAGES / "waltz-in-f.musicxml"), charts.load(horn)
    made = REGISTRY[name](tune, plan(tune, chart), chart)
    assert lines(again(made, tmp_path)) == lines(made)
    # What it sounds like is another library's word: music21 knows each horn's interval.
    semitones = INSTRUMENTS[horn]().transposition.semitones
    heard = [note for _, _, note, _ in sounds(to_midi(made, sounding=True))]
    assert heard == [note.written_midi + semitones for note in made.notes]
    (program,) = metas(to_midi(made), "program_change")
    assert program.program == INSTRUMENTS[horn]().midiProgram


def test_tuplets_are_exact_and_music21_reads_them(tmp_path: Path) -> None:
    music = passage(TUPLETS)
    assert lines(again(music, tmp_path)) == lines(music)
    onsets = [on for on, *_ in sounds(to_midi(music))]
    assert [on for on, note in zip(onsets, music.notes, strict=True) if not note.grace] == [
        note.start for note in music.notes if not note.grace
    ]
    (grace,) = (on for on, note in zip(onsets, music.notes, strict=True) if note.grace)
    assert music.notes[-3].start < grace < music.notes[-1].start
    score = music21.converter.parse(tmp_path / "made.mid", quantizePost=False)
    begun = [note for note in score.recurse().notes if not note.tie or note.tie.type == "start"]
    read_on = [Fraction(note.getOffsetInHierarchy(score)).limit_denominator(480) for note in begun]
    assert read_on == onsets


def test_music21_writes_triplets_and_sixteenths_as_they_were(tmp_path: Path) -> None:
    music = passage("C4:1/3 D4:1/3 E4:1/3 F4:1/4 G4:1/4 A4:1/2 B4:2/3 C5:1/3 D5:3/2 E5:1/2 F5:2")
    music = replace(music, notes=tuple(replace(n, tongued=n.index == 0) for n in music.notes), slurs=(Slur(0, 10),))
    (tmp_path / "a.mid").write_bytes(to_midi(music))
    notes = music21.converter.parse(tmp_path / "a.mid").flatten().stripTies().notes
    assert [(n.pitch.midi, Fraction(n.quarterLength).limit_denominator(48)) for n in notes] == [
        (n.written_midi, n.length) for n in music.notes
    ]


def test_slurred_notes_overlap_at_one_tick_and_tongued_ones_leave_the_tongue_its_time() -> None:
    music = passage("C4:1 D4:1 E4:1 E4:1", tempos=(TempoMark(Fraction(0), 120.0),))
    music = replace(music, notes=tuple(replace(n, tongued=n.index != 1) for n in music.notes))
    data = to_midi(music)
    (_, off, *_), (on, tongued, *_), (_, repeated, *_), (_, end, *_) = sounds(data)
    assert off == on == 1 and end == 4
    kinds = [(m.type, m.note) for m in mido.MidiFile(file=io.BytesIO(data)).tracks[1] if "note" in m.type]
    assert kinds[:3] == [("note_on", 60), ("note_on", 62), ("note_off", 60)]
    # Hofmann and others 2012: the tongue is at the reed for 34.5 ms; half a second is a quarter at 120.
    for gap in (2 - tongued, 3 - repeated):
        assert float(gap) * 0.5 == pytest.approx(0.0345, abs=0.5 / 480)


@pytest.mark.parametrize(("mark", "share"), [("staccato", Fraction(1, 2)), ("staccatissimo", Fraction(2, 5))])
def test_short_notes_are_short_and_read_back_as_written(mark: str, share: Fraction, tmp_path: Path) -> None:
    music = passage("C4:1/2 D4:1/2 E4:1 F4:1/2 G4:1/2 A4:1 " * 2)
    music = replace(music, notes=tuple(replace(n, articulations=frozenset({mark})) for n in music.notes))
    assert lines(again(music, tmp_path)) == lines(music)
    on, off, *_ = sounds(to_midi(music))[0]
    assert (off - on) == Fraction(1, 2) * share


def test_accents_are_louder() -> None:
    music = passage("C4:1 D4:1 E4:1 F4:1")
    marks = (frozenset(), frozenset({"accent"}), frozenset({"strong-accent"}), frozenset({"tenuto"}))
    music = replace(music, notes=tuple(replace(n, articulations=m) for n, m in zip(music.notes, marks, strict=True)))
    plain, accent, strong, tenuto = (velocity for *_, velocity in sounds(to_midi(music)))
    assert plain == tenuto < accent < strong


def test_it_says_which_pitch_and_what_it_is_for() -> None:
    tune, chart = read(PASSAGES / "etude-e-minor.musicxml"), charts.load("tenor")
    made = replace(REGISTRY["links"](tune, plan(tune, chart), chart), title="♭ Übung\n\udcff", composer="N. N.")
    texts = [m.text for m in metas(to_midi(made), "text")]
    assert texts[:2] == ["N. N.", made.purpose]
    assert texts[2] == "Written pitch: as the tenor saxophone's part is read, not as it sounds"
    assert metas(to_midi(made, sounding=True), "text")[2].text.startswith("Sounding pitch: as heard from the tenor")
    assert metas(to_midi(made), "track_name")[0].name == "♭ Übung ?"


@pytest.mark.parametrize("horn", INSTRUMENTS)
@pytest.mark.parametrize("fifths", range(-7, 8))
@pytest.mark.parametrize("mode", ["major", "minor"])
def test_the_key_sounds_as_music21_transposes_it(horn: str, fifths: int, mode: str) -> None:
    chart = charts.load(horn)
    music = replace(passage("C4:4", fifths=fifths), transposition=chart.transposition)
    music = replace(music, bars=tuple(replace(bar, mode=mode) for bar in music.bars))
    (written,) = metas(to_midi(music), "key_signature")
    (heard,) = metas(to_midi(music, sounding=True), "key_signature")
    key = music21.key.KeySignature(fifths).asKey(mode)
    assert written.key == _named(key)
    shifted = key.transpose(INSTRUMENTS[horn]().transposition)
    if abs(shifted.sharps) > 7:  # the same tones by another name
        shifted = shifted.transpose("d2" if shifted.sharps > 7 else "-d2")
    assert heard.key == _named(shifted)


def _named(key: music21.key.Key) -> str:
    return key.tonic.name.replace("-", "b") + ("m" if key.mode == "minor" else "")


@pytest.mark.parametrize("upbeat", [Fraction(1), Fraction(1, 2), Fraction(3, 2)])
def test_an_upbeat_is_one_again(upbeat: Fraction, tmp_path: Path) -> None:
    music = passage(f"G4:{upbeat} C5:1 D5:1 E5:1 C5:1 G4:4", upbeat=upbeat)
    music = replace(music, bars=(replace(music.bars[0], upbeat=True), *music.bars[1:]))
    found = again(music, tmp_path)
    assert lines(found) == lines(music) and found.bars[0].upbeat and found.bars[0].length == upbeat


def test_tempos_and_metres_change_where_they_do(tmp_path: Path) -> None:
    marks = (TempoMark(Fraction(0), 120.0), TempoMark(Fraction(4), 60.0, "Meno mosso"))
    music = passage("C4:1 D4:1 E4:1 F4:1 G4:3 A4:3", tempos=marks)
    bars = (
        Bar(0, "1", 0, Fraction(0), Fraction(4), 4, 4),
        Bar(1, "2", 1, Fraction(4), Fraction(3), 3, 4, 2, "major"),
        Bar(2, "3", 2, Fraction(7), Fraction(3), 6, 8, 2, "major"),
    )
    music = replace(music, bars=bars, notes=tuple(replace(n, bar=max(0, n.index - 3)) for n in music.notes))
    found = again(music, tmp_path)
    assert [(b.start, b.beats, b.beat_type, b.fifths) for b in found.bars] == [
        (b.start, b.beats, b.beat_type, b.fifths) for b in bars
    ]
    assert [(m.start, round(m.quarter_bpm, 3)) for m in found.tempos] == [(0, 120), (4, 60)]


@given(
    st.lists(
        st.sampled_from(["C4:1", "D4:1/2 E4:1/2", "F4:1/3 G4:1/3 A4:1/3", "B4:1/4 C5:1/4 D5:1/4 E5:1/4", "r:1",
                         "C5:3/4 D5:1/4", "E4:1/5 F4:1/5 G4:1/5 A4:1/5 B4:1/5", "A4:2/3 B4:1/3"]),
        min_size=4, max_size=24,
    ),
    st.integers(40, 240),
)  # fmt: skip
def test_any_rhythm_has_exact_onsets_and_never_overlaps(beats: list[str], tempo_bpm: int) -> None:
    music = passage("C4:1 " + " ".join(beats), tempos=(TempoMark(Fraction(0), float(tempo_bpm)),))
    found = sounds(to_midi(music))
    assert [on for on, *_ in found] == [note.start for note in music.notes]
    for (on, off, *_), note in zip(found, music.notes, strict=True):
        assert note.start == on and note.start + note.length * Fraction(7, 10) <= off <= note.end


@pytest.mark.parametrize(
    "text",
    [
        "r:5/2 C4:1/2 D4:1/2 E4:1/2 F4:2 G4:2",  # begins with a silence that is no upbeat
        "C4:1/2 r:1/4 D4:1/4 E4:1/2 r:1/4 F4:1/4 G4:2",  # no dotted eighths
        "C4:2 D4:2 E4:5/4 F4:3/4 G4:2",
    ],
)
@pytest.mark.parametrize("mark", ["", "staccato", "staccatissimo"])
def test_written_lengths_come_back_whatever_sounds(text: str, mark: str, tmp_path: Path) -> None:
    music = passage(text)
    marks = frozenset({mark} if mark else ())
    music = replace(music, notes=tuple(replace(note, articulations=marks) for note in music.notes))
    found = again(music, tmp_path)
    assert lines(found) == lines(music) and not any(bar.upbeat for bar in found.bars)


def changed(data: bytes, change: Callable[[mido.MidiTrack], None]) -> bytes:
    midi, out = mido.MidiFile(file=io.BytesIO(data)), io.BytesIO()
    change(midi.tracks[1])
    midi.save(file=out)
    return out.getvalue()


def _is_said(message: mido.Message) -> bool:
    return message.type == "sequencer_specific"


def _without(track: mido.MidiTrack) -> None:
    track[:] = [message for message in track if not _is_said(message)]


def _other_notes(track: mido.MidiTrack) -> None:
    last = max(i for i, message in enumerate(track) if message.type == "note_on")
    track[last:] = [message for message in track[last:] if message.type not in ("note_on", "note_off")]


def _longer_notes(track: mido.MidiTrack) -> None:
    for message in track:
        message.time = message.time * 2


def _saying(text: bytes) -> Callable[[mido.MidiTrack], None]:
    def change(track: mido.MidiTrack) -> None:
        _without(track)
        track.insert(0, mido.MetaMessage("sequencer_specific", data=(0x7D, *b"companion lengths ", *text)))

    return change


@pytest.mark.parametrize(
    "change",
    [
        _other_notes, _longer_notes, _saying(b""), _saying(b"1 1 1 1 9"), _saying(b"0 0 0 0 0"),
        _saying(b"1/0 1 1 1 1"), _saying(b"-1 1 1 1 1"), _saying(b"\xff\x00"), _saying(b"1e9 1 1 1 1"),
        _saying(b"1 1/2 13/17 1 4"), _saying(b"9" * 5000), _saying(b"nan " * 5),
    ],
)  # fmt: skip
def test_lengths_that_do_not_fit_are_not_believed(change: Callable[[mido.MidiTrack], None], tmp_path: Path) -> None:
    music = passage("C4:1 D4:1/2 r:1/2 E4:1 F4:1 G4:4")
    data = changed(to_midi(music), change)

    def without(track: mido.MidiTrack) -> None:
        change(track)
        _without(track)

    (tmp_path / "a.mid").write_bytes(data)
    (tmp_path / "b.mid").write_bytes(changed(to_midi(music), without))
    assert lines(read(tmp_path / "a.mid")) == lines(read(tmp_path / "b.mid"))


def test_a_length_beyond_ticks_is_rounded() -> None:
    music = passage("C4:1/13 D4:1/17 E4:1/19 F4:1/11 G4:1")
    found = sounds(to_midi(music))
    assert [float(on) for on, *_ in found] == pytest.approx([float(n.start) for n in music.notes], abs=1 / 27_720)


def test_what_can_not_be_written_is_said() -> None:
    music = passage("C4:4")
    with pytest.raises(ScoreError, match="no notes"):
        to_midi(replace(music, notes=()))
    with pytest.raises(ScoreError, match="for which horn"):
        to_midi(music, sounding=True)
    low = replace(music.notes[0], written=replace(music.notes[0].written, octave=-3))
    with pytest.raises(ScoreError, match="0 to 127"):
        to_midi(replace(music, notes=(low,)))
