"""What another program recorded, judged as a take. mido writes the files as a recorder does; what is in them, and when
its beat 0 was, is known from the simulated player."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import mido
import pytest

from companion import charts, planning, scores
from companion.errors import RecordError
from companion.passage import Passage
from companion.planning.model import Plan
from companion.ports.performer import perform
from companion.practice import judge, to_played
from companion.practice.model import RawEvent
from companion.record import read_log
from companion.record.importing import import_take
from companion.record.played_midi import events_of, take_of
from companion.units import ns_from_s

SCORE = Path(__file__).resolve().parents[2] / "shared/passages/etude-e-minor.musicxml"
CHART = charts.load("alto")
PLAYED = datetime(2026, 11, 24, 17, tzinfo=UTC)
SILENCE_S = 7.3


@pytest.fixture(scope="module")
def passage() -> Passage:
    return scores.read(SCORE)


@pytest.fixture(scope="module")
def plan(passage: Passage) -> Plan:
    return planning.plan(passage, CHART)


def recorded(events: list[tuple[float, bytes]], tempo_us: int = 500_000, kind: int = 0) -> bytes:
    """A file as a recorder saves it: 480 ticks a quarter at a tempo that is nobody's."""
    midi, track, now = mido.MidiFile(type=kind, ticks_per_beat=480), mido.MidiTrack(), 0
    track.append(mido.MetaMessage("set_tempo", tempo=tempo_us))
    for time_s, message in events:
        tick = round((time_s + SILENCE_S) * 480 / (tempo_us / 1e6))
        track.append(mido.Message.from_bytes(message, time=max(tick - now, 0)))
        now = max(now, tick)
    midi.tracks.append(track)
    content = io.BytesIO()
    midi.save(file=content)
    return content.getvalue()


def played(passage: Passage, level: str, seed: int, shift: int = 0) -> list[tuple[float, bytes]]:
    return [(e.time_s, e.message) for e in perform(passage, 72, level, seed, shift_semitones=shift, breath_hz=20)]


@pytest.mark.parametrize(("level", "shift"), [("steady", 0), ("student", 0), ("student", 9), ("beginner", 0)])
def test_the_take_is_judged_as_if_its_beat_0_were_known(passage: Passage, plan: Plan, level: str, shift: int) -> None:
    events = played(passage, level, 5, shift)
    take = take_of(recorded(events), "phone.mid", passage, plan, CHART, tempo_bpm=72, started=PLAYED)
    known = [RawEvent(ns_from_s(time_s), message) for time_s, message in events]
    wanted = judge(passage, to_played(known, 0, shift), 72, plan=plan, chart=CHART)
    assert take.shift_semitones == shift
    differing = sum(a.verdict != b.verdict for a, b in zip(take.notes, wanted.notes, strict=True))
    assert differing <= 0.03 * len(wanted.notes)
    # Where nobody drags, beat 0 is found; a player who is late throughout is on his own beat.
    if level != "beginner":
        found_s = (take.events[0].time_ns - take.start_ns) / 1e9
        assert found_s == pytest.approx(events[0][0], abs=0.01)


def test_bars_of_a_passage(passage: Passage, plan: Plan) -> None:
    first, last = passage.bar_range("5-8")
    bars = passage.excerpt(first, last)
    first_note = next(i for i, note in enumerate(passage.notes) if note.bar == first)
    take = take_of(
        recorded(played(bars, "student", 5)), "phone.mid", bars, plan, CHART, tempo_bpm=72, started=PLAYED,
        first_note=first_note, bars="5 – 8",
    )  # fmt: skip
    assert take.bars == "5-8"
    assert take.clean
    assert [note.bar for note in take.notes[:1]] == ["5"]
    assert take.port == "file phone.mid"
    assert take.started == PLAYED.isoformat()


def test_a_test_note_long_before_is_no_part_of_it(passage: Passage, plan: Plan) -> None:
    events = played(passage, "steady", 5)
    noisy = [(-5.0, b"\x90\x48\x40"), (-4.8, b"\x80\x48\x00"), *events]
    take = take_of(recorded(noisy), "phone.mid", passage, plan, CHART, tempo_bpm=72, started=PLAYED)
    assert take.events[0].time_ns - take.start_ns == pytest.approx(ns_from_s(-5.0), abs=ns_from_s(0.01))
    assert [note.verdict for note in take.notes] == ["on time"] * len(take.notes)


def test_the_same_file_is_the_same_take(passage: Passage, plan: Plan, tmp_path: Path) -> None:
    content = recorded(played(passage, "student", 5))
    take = take_of(content, "a.mid", passage, plan, CHART, tempo_bpm=72, started=PLAYED)
    again = take_of(content, "b.mid", passage, plan, CHART, tempo_bpm=72, started=PLAYED.replace(day=25))
    faster = take_of(content, "a.mid", passage, plan, CHART, tempo_bpm=76, started=PLAYED)
    assert import_take(tmp_path, take)
    assert not import_take(tmp_path, again)
    assert import_take(tmp_path, faster)
    assert read_log(tmp_path).takes == (take, faster) or read_log(tmp_path).takes == (faster, take)
    assert read_log(tmp_path).remarks == ()


def test_tracks_and_tempo_changes_are_followed() -> None:
    midi = mido.MidiFile(type=1, ticks_per_beat=100)
    tempo, notes, drums = (mido.MidiTrack() for _ in range(3))
    tempo += [mido.MetaMessage("set_tempo", tempo=1_000_000), mido.MetaMessage("set_tempo", tempo=500_000, time=100)]
    notes += [mido.Message("note_on", note=60, velocity=9, time=50), mido.Message("note_off", note=60, time=150)]
    drums += [mido.Message("note_on", channel=9, note=40, velocity=9, time=10)]
    midi.tracks += [tempo, notes, drums]
    content = io.BytesIO()
    midi.save(file=content)
    # Half a second at 60, then to the quarter; a whole quarter at 120.
    assert [(e.time_ns, e.message[0]) for e in events_of(content.getvalue(), "x")] == [
        (5 * 10**8, 0x90),
        (15 * 10**8, 0x80),
    ]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "no MIDI file that can be read"),
        (b"RIFF....", "no MIDI file that can be read"),
        (recorded([]), "holds no notes"),
        (recorded([(0.0, b"\x90\x40\x40")], kind=2), "of several pieces"),
        (b"\0" * 20_000_001, "over 20 MB"),
        (recorded([(0.0, b"\x90\x40\x40")])[:-6], "no MIDI file that can be read"),
    ],
)
def test_what_is_no_recording_is_said(content: bytes, said: str) -> None:
    with pytest.raises(RecordError, match=f"x.mid: {said}"):
        events_of(content, "x.mid")


def test_other_music_is_no_clean_take(passage: Passage, plan: Plan) -> None:
    scale = [(i * 0.4 + on * 0.3, bytes((0x90 if on == 0 else 0x80, 61 + i, 64))) for i in range(6) for on in (0, 1)]
    take = take_of(recorded(scale), "x.mid", passage, plan, CHART, tempo_bpm=72, started=PLAYED)
    assert not take.clean
    assert replace(take, notes=()).because
