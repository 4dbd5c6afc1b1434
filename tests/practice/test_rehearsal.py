"""The rehearsal's states, played by the simulated player on a clock that only moves when told."""

from __future__ import annotations

from dataclasses import replace

import pytest
from practice.made import passage as made
from practice.takes import melody

from companion.charts import load
from companion.errors import UsageError
from companion.passage import Passage
from companion.paths import examples_dir
from companion.planning import plan
from companion.ports.performer import perform
from companion.practice.ladder import Ladder
from companion.practice.metronome import QUARTER
from companion.practice.model import LEFT_OUT, ON_TIME, RawEvent
from companion.practice.rehearsal import FinishedTake, Rehearsal
from companion.record import finished_take_record
from companion.scores import read
from companion.units import NS_PER_S, ns_from_s

FRAME_NS = NS_PER_S // 60


def _rehearsal(passage: Passage, clean_needed: int = 2) -> Rehearsal:
    return Rehearsal(passage, plan(passage, load("alto")), Ladder(60, 4, 72, clean_needed))


def _events(rehearsal: Rehearsal, start_ns: int, level: str = "steady", take: int = 0) -> list[RawEvent]:
    section = rehearsal.section.passage
    performed = perform(section, rehearsal.tempo_bpm, level, 5, take)
    return [RawEvent(start_ns + ns_from_s(time_s), message) for time_s, message in performed]


def _play(
    rehearsal: Rehearsal, events: list[RawEvent], now_ns: int, until_ns: int | None = None
) -> tuple[FinishedTake | None, int]:
    """Feed events frame by frame until the take ends or `until_ns`."""
    waiting = list(events)
    for _ in range(60 * 600):
        now_ns += FRAME_NS
        due = [e for e in waiting if e.time_ns <= now_ns]
        waiting = waiting[len(due) :]
        rehearsal.hear(due, now_ns)
        take = rehearsal.tick(now_ns)
        if take or (until_ns is not None and now_ns >= until_ns):
            return take, now_ns
    raise AssertionError("the take never ended")


def _take(rehearsal: Rehearsal, now_ns: int, level: str = "steady", take: int = 0) -> tuple[FinishedTake, int]:
    start_ns = now_ns + 5 * NS_PER_S
    rehearsal.begin(start_ns, now_ns)
    finished, now_ns = _play(rehearsal, _events(rehearsal, start_ns, level, take), now_ns)
    assert finished is not None
    return finished, now_ns


def test_bars_with_a_repeat_within_are_called_as_they_are_printed() -> None:
    """Bars 1 to 8 of the waltz, whose second ending is bar 9, end with bar 7 as they are played."""
    waltz = read(examples_dir() / "passages" / "waltz-in-f.musicxml")
    rehearsal = _rehearsal(waltz)
    for wanted in ("1-8", "5-12", "9-16"):
        rehearsal.choose_bars(*waltz.bar_range(wanted))
        assert rehearsal.section.label.replace("–", "-") == wanted


def test_clean_takes_climb_and_the_take_ends_by_itself() -> None:
    rehearsal = _rehearsal(melody(1, bars=4))
    first, now_ns = _take(rehearsal, 0)
    assert first.assessment.clean, first.assessment.because
    assert (rehearsal.state, rehearsal.ladder.rung, rehearsal.ladder.clean_in_a_row) == ("after", 0, 1)
    second, _ = _take(rehearsal, now_ns, take=1)
    assert second.step is not None and second.step.kind == "climb"
    assert rehearsal.tempo_bpm == 64


def test_count_in_turns_into_playing_and_the_caret_follows() -> None:
    rehearsal = _rehearsal(melody(2, bars=4))
    start_ns = 4 * NS_PER_S
    rehearsal.begin(start_ns, 0)
    assert rehearsal.state == "count-in" and rehearsal.caret == 0
    assert rehearsal.time_s(0) == pytest.approx(-4)
    _play(rehearsal, _events(rehearsal, start_ns), 0, until_ns=8 * NS_PER_S)
    onsets = rehearsal.clock().onsets_s
    due = sum(1 for onset in onsets if onset <= 4.0)
    assert rehearsal.state == "playing"
    assert abs(rehearsal.caret - due) <= 1


def test_nothing_played_is_no_take_and_half_a_take_does_not_count() -> None:
    rehearsal = _rehearsal(melody(3, bars=4))
    rehearsal.begin(NS_PER_S, 0)
    assert rehearsal.finish(2 * NS_PER_S, "stopped by the player") is None
    assert rehearsal.state == "ready" and not rehearsal.takes
    rehearsal.begin(10 * NS_PER_S, 9 * NS_PER_S)
    _play(rehearsal, _events(rehearsal, 10 * NS_PER_S), 9 * NS_PER_S, until_ns=14 * NS_PER_S)
    take = rehearsal.finish(14 * NS_PER_S, "stopped by the player")
    assert take is not None and take.step is None
    assert rehearsal.ladder == take.ladder_before
    assert len(take.events) > 4


def test_a_pause_keeps_what_was_played_and_goes_on_from_the_bar() -> None:
    """The device vanishes in bar 3 and returns: bar 3 is played again, all is judged as one take that doesn't count."""
    passage = melody(4, bars=6)
    rehearsal = _rehearsal(passage)
    start_ns = 5 * NS_PER_S
    rehearsal.begin(start_ns, 0)
    bar_s = 4.0  # 4/4 at 60
    vanish_ns = start_ns + ns_from_s(2.6 * bar_s)
    performed = _events(rehearsal, start_ns)
    _, now_ns = _play(rehearsal, [e for e in performed if e.time_ns < vanish_ns], 0, until_ns=vanish_ns)
    kept = len(rehearsal._events)
    rehearsal.pause("the controller vanished", now_ns)
    assert rehearsal.state == "paused"
    # What is tried out meanwhile is kept, and judged by nobody.
    meanwhile = [RawEvent(now_ns + i * NS_PER_S, bytes((0x90, 60 + i, 80))) for i in range(1, 9)]
    rehearsal.hear(meanwhile, meanwhile[-1].time_ns)
    assert rehearsal.tick(now_ns + 60 * NS_PER_S) is None
    now_ns += 60 * NS_PER_S
    assert rehearsal.bar_to_go_on == passage.bars[2].number
    clicks, at_s = rehearsal.clicks_to_go_on()
    assert at_s == pytest.approx(2 * bar_s)
    assert [c.beat_in_bar for c in clicks[:5]] == [1, 2, 3, 4, 1]
    assert clicks[4].time_s == pytest.approx(at_s) and clicks[0].time_s == pytest.approx(at_s - bar_s)
    goes_on_ns = now_ns + 5 * NS_PER_S
    rehearsal.go_on(goes_on_ns)
    shift_ns = goes_on_ns - (start_ns + ns_from_s(at_s))
    rest = [
        replace(e, time_ns=e.time_ns + shift_ns)
        for e in performed
        if e.time_ns >= start_ns + ns_from_s(at_s) - 20_000_000
    ]
    take, _ = _play(rehearsal, rest, now_ns)
    assert take is not None
    assert len(take.events) == kept + len(meanwhile) + len(rest)
    assert take.events[kept : kept + len(meanwhile)] == tuple(meanwhile)
    assert take.step is None and take.pauses[0].from_bar == 2
    assert {r.verdict for r in take.assessment.notes} == {ON_TIME}
    assert not take.assessment.added


def test_trouble_bars_can_be_played_by_themselves() -> None:
    rehearsal = _rehearsal(melody(5, bars=8))
    start_ns = 5 * NS_PER_S
    rehearsal.begin(start_ns, 0)
    bar = rehearsal.passage.bars[4]
    gap = (start_ns + ns_from_s(float(bar.start)) - 50_000_000, start_ns + ns_from_s(float(bar.end)) - 50_000_000)
    silent = [e for e in _events(rehearsal, start_ns) if not gap[0] <= e.time_ns < gap[1]]
    take, _ = _play(rehearsal, silent, 0)
    assert take is not None and not take.assessment.clean
    left_out = [r.note_index for r in take.assessment.notes if r.verdict == LEFT_OUT]
    assert {rehearsal.passage.notes[i].bar for i in left_out} == {4}
    section = rehearsal.trouble_section()
    assert section is not None and section[0] <= 4 <= section[1]
    rehearsal.choose_bars(*section)
    assert rehearsal.section.passage.notes[0].start < 4
    assert rehearsal.choice(rehearsal.section.passage.notes[0]).note_index == rehearsal.section.first_note


def test_a_steady_delay_is_told_and_taken_off() -> None:
    rehearsal = _rehearsal(melody(1, bars=4))
    start_ns = 5 * NS_PER_S
    rehearsal.begin(start_ns, 0)
    late = [replace(e, time_ns=e.time_ns + 90_000_000) for e in _events(rehearsal, start_ns)]
    take, now_ns = _play(rehearsal, late, 0)
    assert take is not None and not take.assessment.clean
    assert take.suspected_delay_ms == pytest.approx(90, abs=8)
    rehearsal.delay_ms = take.suspected_delay_ms or 0.0
    start_ns = now_ns + 5 * NS_PER_S
    rehearsal.begin(start_ns, now_ns)
    late = [replace(e, time_ns=e.time_ns + 90_000_000) for e in _events(rehearsal, start_ns)]
    again, _ = _play(rehearsal, late, now_ns)
    assert again is not None and again.assessment.clean, again.assessment.because


def test_what_makes_no_sense_during_a_take_is_refused() -> None:
    rehearsal = _rehearsal(melody(7, bars=4))
    rehearsal.begin(NS_PER_S, 0)
    for act in (lambda: rehearsal.choose_bars(0, 1), lambda: rehearsal.choose_tempo(64), lambda: rehearsal.begin(9, 9)):
        with pytest.raises(UsageError, match="stop"):
            act()
    with pytest.raises(UsageError, match="no take is paused"):
        rehearsal.go_on(10 * NS_PER_S)


def test_silence_ends_by_itself_and_sends_nobody_a_rung_back() -> None:
    rehearsal = _rehearsal(melody(1, bars=2))
    rehearsal.choose_tempo(68)
    now_ns = 0
    for _ in range(4):
        rehearsal.begin(now_ns + 5 * NS_PER_S, now_ns)
        breath = [RawEvent(now_ns + i * 10**7, bytes((0xB0, 2, i % 128))) for i in range(900)]
        take, now_ns = _play(rehearsal, breath, now_ns)
        assert take is not None and take.step is not None
        assert "not count" in take.step.sentence and "Nothing was heard" in take.assessment.advice
        assert rehearsal.ladder == take.ladder_before and rehearsal.tempo_bpm == 68


def test_breath_alone_is_nothing_played() -> None:
    rehearsal = _rehearsal(melody(1, bars=2))
    rehearsal.begin(5 * NS_PER_S, 0)
    rehearsal.hear([RawEvent(NS_PER_S, bytes((0xB0, 2, 90))), RawEvent(NS_PER_S, bytes((0x90, 60, 0)))], NS_PER_S)
    assert rehearsal.finish(2 * NS_PER_S, "stopped by the player") is None
    assert rehearsal.state == "ready" and not rehearsal.takes


@pytest.mark.parametrize("sent", [-21, -14, -12, -9, -2, 0, 1, 9, 12])
@pytest.mark.parametrize("level", ["steady", "student"])
def test_a_controller_that_sends_another_pitch_is_found_out(sent: int, level: str) -> None:
    rehearsal = _rehearsal(melody(1, bars=4))
    rehearsal.begin(5 * NS_PER_S, 0)
    notes = [event for event in _events(rehearsal, 5 * NS_PER_S, level) if event.message[0] & 0xF0 in (0x80, 0x90)]
    events = [RawEvent(e.time_ns, bytes((e.message[0], e.message[1] + sent, e.message[2]))) for e in notes]
    take, _ = _play(rehearsal, events, 0)
    assert take is not None
    assert take.suspected_shift_semitones == (-sent or None)


def test_wrong_notes_and_noodling_are_no_other_pitch() -> None:
    rehearsal = _rehearsal(melody(1, bars=4))
    rehearsal.begin(5 * NS_PER_S, 0)
    noodling = [
        RawEvent(5 * NS_PER_S + i * 10**8, bytes((0x80 if i % 2 else 0x90, 67 + i // 2 * 5 % 12, 80)))
        for i in range(160)
    ]
    take, _ = _play(rehearsal, noodling, 0)
    assert take is not None and take.suspected_shift_semitones is None


def test_a_growing_ladder_lays_out_more_bars_with_the_next_take_and_keeps_its_place() -> None:
    music = melody(3, bars=8)
    ladder = Ladder(60, 4, 64, clean_needed=1, climb="grow")
    rehearsal = Rehearsal(music, plan(music, load("alto")), ladder)
    assert (rehearsal.section.first_bar, rehearsal.section.last_bar) == (0, 1)
    now_ns, kinds = 0, []
    for i in range(2):
        take, now_ns = _take(rehearsal, now_ns, take=i)
        kinds.append(take.step.kind if take.step else "")
    assert kinds == ["climb", "grow"]
    assert rehearsal.section.last_bar == 1, "what was played is still to be read"
    rehearsal.lay_out()
    assert (rehearsal.section.last_bar, rehearsal.tempo_bpm) == (3, 60)
    # Other bars have groups of their own; back at these, they are as far as they were.
    rehearsal.choose_bars(4, 5)
    assert (rehearsal.section.first_bar, rehearsal.section.last_bar, rehearsal.ladder.grows) == (4, 5, False)
    rehearsal.choose_bars(0, 7)
    assert rehearsal.section.last_bar == 3
    take, _ = _take(rehearsal, now_ns, "chaos", 3)
    assert take.section.label == "1–4"
    trouble = rehearsal.trouble_section()
    assert trouble is not None
    rehearsal.choose_bars(*trouble)
    assert (rehearsal.section.first_bar, rehearsal.section.last_bar) == trouble


def test_the_ladder_speaks_in_the_note_that_the_bars_on_the_stand_count() -> None:
    music = made("C5:1 D5:1 E5:1 F5:1 G5:1 F5:1 E5:1 D5:1")
    six_eight = replace(music.bars[1], beats=6, beat_type=8)
    rehearsal = _rehearsal(replace(music, bars=(music.bars[0], six_eight)), clean_needed=1)
    assert rehearsal.ladder.after(False)[1].sentence == "Not clean yet: stay at 60."
    rehearsal.choose_bars(1, 1)
    assert rehearsal.ladder.after(False)[1].sentence == "Not clean yet: stay at ♩. = 40."
    rehearsal.use_ladder(Ladder(60, 4, 96))
    assert rehearsal.ladder.after(False)[1].sentence == "Not clean yet: stay at ♩. = 40."


def test_the_record_keeps_the_ladder_in_quarters() -> None:
    music = made("C5:3/2 D5:3/2 E5:3/2 F5:3/2", metre=(6, 8))
    rehearsal = _rehearsal(music, clean_needed=1)
    take, _ = _take(rehearsal, 0)
    record = finished_take_record(take, rehearsal.plan, load("alto"), run_ns=0, port="wind")
    assert (record.tempo_bpm, record.target_bpm, record.ladder["start_bpm"]) == (60, 72, 60)
    assert Ladder(**record.ladder) == replace(take.ladder_before, counted=QUARTER)
