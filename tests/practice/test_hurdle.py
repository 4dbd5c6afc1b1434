"""What stands in the way of the next rung is said; what the player's own takes tell holds it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from functools import cache
from types import MappingProxyType

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from practice.takes import melody

from companion import charts
from companion.charts.model import Chart
from companion.passage import Bar, Note, Passage, Pitch
from companion.planning import Plan, plan
from companion.planning.limits import speed_limits
from companion.planning.pace import Pace
from companion.practice.clock import note_onsets_s
from companion.practice.hurdle import (
    Hurdle,
    change_in_words,
    hurdle_of_trouble,
    hurdles_of_limits,
    note_in_words,
    worst_hurdle,
)
from companion.practice.ladder import Ladder
from companion.practice.model import LATE, RawEvent, Tolerances
from companion.practice.rehearsal import Rehearsal
from companion.units import NS_PER_S, ns_from_s

NAMES = [("G", 0, 4), ("A", 0, 4), ("F", 1, 4), ("A", 0, 4), ("G", 0, 4), ("B", -1, 4), ("G", 0, 4), ("D", 0, 4)]


@cache
def alto() -> Chart:
    return charts.load("alto")


@cache
def passage() -> Passage:
    """Two bars of 2/4 in eighths, numbered 5 and 6; the second with G to B flat."""
    notes = tuple(
        Note(i, Pitch(*name), Fraction(i, 2), Fraction(1, 2), i // 4, 1 + Fraction(i % 4, 2), i)
        for i, name in enumerate(NAMES)
    )
    return Passage("Two bars", notes, tuple(Bar(i, str(5 + i), i, Fraction(2 * i), Fraction(2), 2, 4) for i in (0, 1)))


@cache
def planned() -> Plan:
    return plan(passage(), alto())


def keys(*indices: int) -> tuple[frozenset[str], ...]:
    return tuple(planned().choices[i].keys for i in indices)


def hurdle(limit_bpm: float = 70.0, measured: bool = True) -> Hurdle:
    return Hurdle(5, 4, limit_bpm, measured, "G to B♭", "bar 6", 1, 1, "bar 6", "G to B♭ in bar 6 goes up to about 70")


# -- which ------------------------------------------------------------------------------------------------------------


def test_a_limit_from_readings_of_the_change_itself_is_measured_and_others_are_guesses() -> None:
    slow = Pace(1.0, 40, {keys(4, 5): 6.0, keys(5, 4): 6.0}, low=0.9, high=1.1)
    limits = speed_limits(passage(), planned(), alto(), 60, slow)
    lowest = min(limits.changes, key=lambda c: c.limit_bpm)
    assert (lowest.from_index, lowest.note_index) in ((4, 5), (5, 6))
    fast_bpm = 1.01 * max(change.limit_bpm for change in limits.changes)
    found = {h.note_index: h for h in hurdles_of_limits(passage(), planned(), limits, slow, fast_bpm)}
    assert set(found) == {change.note_index for change in limits.changes}
    assert found[5].measured and not found[1].measured
    assert found[5].sentence == (
        f"{found[5].change} in bar 6 goes up to about {int(found[5].limit_bpm)}, by your own takes"
    )
    assert found[1].sentence.endswith("by your pace on other changes")
    assert (found[5].first_bar, found[5].last_bar, found[5].alone) == (1, 1, "bar 6")
    assert (found[4].first_bar, found[4].last_bar, found[4].alone) == (0, 1, "bars 5 and 6")


def test_without_own_takes_it_is_the_average_players_pace() -> None:
    limits = speed_limits(passage(), planned(), alto(), 60)
    found = hurdles_of_limits(passage(), planned(), limits, Pace(), 600)
    assert found and not any(h.measured for h in found)
    assert all(h.sentence.endswith("by the average player's pace") for h in found)
    assert hurdles_of_limits(passage(), planned(), limits, Pace(), 1.0) == ()


def test_trouble_stands_in_the_way_from_the_tempo_on_at_which_it_failed() -> None:
    trouble = hurdle_of_trouble(passage(), planned(), 4, 5, 72.0, 6, 8)
    assert trouble.measured
    assert (
        trouble.sentence == f"{change_in_words(passage(), planned(), 4, 5)} in bar 6 failed in 6 of 8 takes from 72 on"
    )
    assert worst_hurdle([trouble], 72.0) is trouble
    in_halves = replace(passage(), bars=tuple(replace(bar, beats=2, beat_type=2) for bar in passage().bars))
    halved = hurdle_of_trouble(in_halves, planned(), 4, 5, 72.0, 6, 8)
    assert halved.sentence.endswith("takes from half = 36 on") and halved.limit_bpm == trouble.limit_bpm
    limits = speed_limits(in_halves, planned(), alto(), 60)
    told = hurdles_of_limits(in_halves, planned(), limits, Pace(), 600)[0]
    assert f"up to about half = {int(told.limit_bpm / 2)}, " in told.sentence
    assert worst_hurdle([trouble], 71.9) is None


def test_what_is_measured_comes_first_then_the_lowest_limit() -> None:
    guess, high, low = hurdle(50, False), hurdle(68), hurdle(66)
    assert worst_hurdle([guess, high, low], 70) is low
    assert worst_hurdle([guess, high], 68) is guess
    assert worst_hurdle([], 70) is None


def test_words() -> None:
    assert note_in_words("B♭", "bis") == "B♭ bis"
    assert note_in_words("C", "side C") == "side C"
    assert note_in_words("G", "standard") == note_in_words("G", "") == "G"
    octave = tuple(replace(n, written=Pitch("G", 0, 5)) if n.index == 5 else n for n in passage().notes)
    whole = replace(passage(), notes=octave)
    assert change_in_words(whole, plan(whole, alto()), 4, 5) == "G4 to G5"


# -- the ladder -------------------------------------------------------------------------------------------------------


def climb(ladder: Ladder, of: Hurdle | None) -> tuple[Ladder, object]:
    for _ in range(ladder.clean_needed):
        ladder, step = ladder.after(True, of)
    return ladder, step


def test_a_measured_limit_below_the_next_rung_holds_this_one() -> None:
    ladder, step = climb(Ladder(60, 4, 80).at(68), hurdle(70))
    assert (ladder.tempo_bpm, step.kind, step.hurdle) == (68, "hold", hurdle(70))
    assert step.sentence == (
        "Three clean takes at 68, but G to B♭ in bar 6 goes up to about 70: take bar 6 alone first, or go on to 72 all"
        " the same."
    )
    again, same = ladder.after(True, hurdle(70))
    assert (again, same) == (ladder, step)


def test_once_the_limit_has_risen_the_next_clean_take_climbs() -> None:
    held, _ = climb(Ladder(60, 4, 80).at(68), hurdle(70))
    ladder, step = held.after(True, hurdle(73))
    assert (ladder.tempo_bpm, step.kind, step.sentence) == (72, "climb", "Three clean takes at 68: on to 72.")
    assert held.after(True)[0].tempo_bpm == 72


def test_the_player_may_climb_all_the_same() -> None:
    held, _ = climb(Ladder(60, 4, 80).at(68), hurdle(70))
    assert held.at(72).tempo_bpm == 72


def test_a_limit_at_or_above_the_next_rung_is_no_hurdle() -> None:
    # Quarters a minute, to the last digit: 72 at 72 can be played, 71.99 not.
    assert climb(Ladder(60, 4, 80).at(68), hurdle(72))[0].tempo_bpm == 72
    assert climb(Ladder(60, 4, 80).at(68), hurdle(71.99))[0].tempo_bpm == 68


def test_a_guess_is_said_and_climbed_over() -> None:
    ladder, step = climb(Ladder(60, 4, 80).at(68), hurdle(70, measured=False))
    assert (ladder.tempo_bpm, step.kind) == (72, "climb")
    assert step.sentence == "Three clean takes at 68: on to 72, though G to B♭ in bar 6 goes up to about 70."
    assert step.hurdle == hurdle(70, measured=False)


@pytest.mark.parametrize("ladder", [Ladder(60, 4, 80).at(80), Ladder(60, 4, 80).at(68)])
def test_a_hurdle_changes_nothing_else(ladder: Ladder) -> None:
    assert ladder.after(False, hurdle(10)) == ladder.after(False)
    if ladder.at_target:
        assert climb(ladder, hurdle(10)) == climb(ladder, None)
        assert ladder.next_bpm is None
    else:
        assert ladder.after(True, hurdle(10)) == ladder.after(True)
        assert ladder.next_bpm == 72


def test_trouble_after_a_hold_counts_anew() -> None:
    held, _ = climb(Ladder(60, 4, 80).at(68), hurdle(70))
    ladder, step = held.after(False)
    assert (ladder.clean_in_a_row, step.kind) == (0, "stay")


# -- the rehearsal ----------------------------------------------------------------------------------------------------


def play(rehearsal: Rehearsal, begin_ns: int, wrong: bool = False, late: Mapping[int, float] = MappingProxyType({})):
    """One take, exactly on the click but for what is so many seconds late."""
    section = rehearsal.section.passage
    rehearsal.begin(begin_ns, begin_ns - 1)
    onsets_s = note_onsets_s(section, rehearsal.tempo_bpm).tolist()
    for note, onset_s in zip(section.notes, onsets_s, strict=True):
        at_ns = begin_ns + ns_from_s(onset_s + late.get(note.index, 0.0))
        rehearsal.hear([RawEvent(at_ns, bytes((0x90, note.written_midi + wrong, 80)))], at_ns)
    return rehearsal.finish(begin_ns + ns_from_s(onsets_s[-1] + 1))


def test_the_rehearsal_asks_what_stands_in_the_way_of_the_next_rung_and_offers_the_bars() -> None:
    asked = []

    def hurdles_at(section, tempo_bpm):
        asked.append((section.label, tempo_bpm))
        return [hurdle(62), hurdle(500)]

    rehearsal = Rehearsal(passage(), planned(), Ladder(60, 4, 80, clean_needed=1), chart=alto(), hurdles_at=hurdles_at)
    assert rehearsal.spot_section() is None
    take = play(rehearsal, 10 * NS_PER_S)
    assert take.assessment.clean and take.step.kind == "hold" and rehearsal.tempo_bpm == 60
    assert asked == [("", 64.0)]
    assert rehearsal.spot_section() == (1, 1)
    # The spot alone is climbed: that is how its limit rises.
    rehearsal.choose_bars(*rehearsal.spot_section())
    alone = play(rehearsal, 40 * NS_PER_S)
    assert alone.step.kind == "climb" and rehearsal.tempo_bpm == 64
    assert alone.step.sentence == "One clean take at 60: on to 64, though G to B♭ in bar 6 goes up to about 70."
    assert rehearsal.spot_section() is None


@pytest.mark.parametrize("needed", [1, 3])
def test_takes_that_went_beyond_an_old_limit_climb_and_say_so(needed: int) -> None:
    ladder = Ladder(60, 4, 80, clean_needed=needed)
    rehearsal = Rehearsal(passage(), planned(), ladder, chart=alto(), hurdles_at=lambda *_: [hurdle(58)])
    for i in range(needed):
        take = play(rehearsal, (10 + 20 * i) * NS_PER_S)
    assert (take.step.kind, rehearsal.tempo_bpm) == ("climb", 64)
    assert take.step.sentence.endswith("goes up to about 70 (these takes went beyond that).")
    # Another limit, between the rungs, holds.
    rehearsal.hurdles_at = lambda *_: [hurdle(58), hurdle(66)]
    for i in range(needed):
        take = play(rehearsal, (100 + 20 * i) * NS_PER_S)
    assert (take.step.kind, take.step.hurdle) == ("hold", hurdle(66))


def test_a_clean_take_in_which_that_very_change_was_late_does_not_climb_over_it() -> None:
    rehearsal = Rehearsal(
        passage(), planned(), Ladder(60, 4, 80, clean_needed=1), tolerances=Tolerances(clean_share_on_time=0.5),
        chart=alto(), hurdles_at=lambda *_: [hurdle(58)],
    )  # fmt: skip
    take = play(rehearsal, 10 * NS_PER_S, late={5: 0.07})
    assert take.assessment.clean and take.assessment.notes[5].verdict == LATE
    assert take.step.kind == "hold"


def test_it_does_not_ask_after_a_take_that_is_not_clean_nor_on_the_last_rung() -> None:
    def never(section, tempo_bpm):
        raise AssertionError("asked")

    rehearsal = Rehearsal(passage(), planned(), Ladder(60, 4, 64, clean_needed=1), hurdles_at=never)
    assert play(rehearsal, 10 * NS_PER_S, wrong=True).step.kind == "stay"
    rehearsal.choose_tempo(64)
    assert play(rehearsal, 40 * NS_PER_S).step.kind == "target reached"


def test_before_bars_are_added_the_rehearsal_asks_for_theirs() -> None:
    music, asked = melody(3, bars=4), []
    added = next(note.index for note in music.notes if note.bar == 3)

    def hurdles_at(section, tempo_bpm):
        asked.append((section.label, tempo_bpm))
        return [replace(hurdle(62), note_index=added, from_index=added - 1)] if section.last_bar == 3 else []

    ladder = Ladder(60, 4, 68, clean_needed=1, climb="grow").at(68)
    rehearsal = Rehearsal(music, plan(music, alto()), ladder, chart=alto(), hurdles_at=hurdles_at)
    take = play(rehearsal, 10 * NS_PER_S)
    assert (take.step.kind, rehearsal.ladder.group, rehearsal.tempo_bpm) == ("grow", 1, 60)
    assert asked == [("", 68.0)]
    rehearsal = Rehearsal(music, plan(music, alto()), replace(ladder, rung=1), chart=alto(), hurdles_at=hurdles_at)
    assert play(rehearsal, 40 * NS_PER_S).step.kind == "climb"
    assert asked[1:] == [("1–2", 68.0)]


def test_a_try_is_asked_for_with_the_rung_before_it() -> None:
    asked = []

    def hurdles_at(section, tempo_bpm):
        asked.append(tempo_bpm)
        return [hurdle(70)]

    ladder = Ladder(60, 4, 80, clean_needed=1, climb="alternate")
    rehearsal = Rehearsal(passage(), planned(), ladder, chart=alto(), hurdles_at=hurdles_at)
    assert play(rehearsal, 10 * NS_PER_S).step.sentence.startswith("One clean take at 60: on to 64 without a try at 80")
    assert (asked, rehearsal.spot_section()) == ([80.0], (1, 1))


def test_breath_and_held_keys_go_to_the_judge() -> None:
    from companion.practice.pressed import key_message

    rehearsal = Rehearsal(passage(), planned(), Ladder(60, 4, 80), chart=alto())
    rehearsal.begin(10 * NS_PER_S, 0)
    onsets_s = note_onsets_s(passage(), 60).tolist()
    others = alto().for_note(70)
    other = next(f for f in others if f.keys != planned().choices[5].keys)
    sent = []
    for note, onset_s in zip(passage().notes, onsets_s, strict=True):
        held = other.keys if note.index == 5 else planned().choices[note.index].keys
        at_ns = 10 * NS_PER_S + ns_from_s(onset_s)
        sent += [
            RawEvent(at_ns - 1_000_000, key_message(held)),
            RawEvent(at_ns - 500_000, bytes((0xB0, 2, 90))),
            RawEvent(at_ns, bytes((0x90, note.written_midi, 80))),
        ]
    rehearsal.hear(sent, sent[-1].time_ns)
    take = rehearsal.finish(sent[-1].time_ns + NS_PER_S)
    assert take.events == tuple(sent), "all that arrives is kept"
    told = {used.note_index: used.name for used in take.assessment.fingerings if used.sentence}
    assert told == {5: other.name}
    assert len(take.assessment.articulation) == len(passage().notes)


@settings(max_examples=12)
@given(st.lists(st.sampled_from(["clean", "wrong", "some", "spot", "whole", "grow", "alternate", "up"]), max_size=14))
def test_whatever_is_chosen_in_between_the_bars_and_the_ladder_belong_together(wishes: list[str]) -> None:
    music = melody(3, bars=6)
    ladder = Ladder(60, 4, 68, clean_needed=1, trouble_allowed=1, climb="grow")
    rehearsal = Rehearsal(music, plan(music, alto()), ladder, chart=alto())
    for i, wish in enumerate(wishes):
        if wish in ("clean", "wrong"):
            take = play(rehearsal, (i + 1) * 100 * NS_PER_S, wrong=wish == "wrong")
            assert take.section == rehearsal.section and take.tempo_bpm == take.ladder_before.tempo_bpm
        elif wish in ("grow", "alternate"):
            rehearsal.use_ladder(rehearsal.ladder.with_climb(wish))
        elif wish == "up":
            rehearsal.choose_tempo(rehearsal.ladder.next_bpm or 68)
        else:
            rehearsal.choose_bars(*{"some": (1, 4), "whole": (0, 5)}.get(wish, rehearsal.trouble_section() or (2, 3)))
        now, chosen, section = rehearsal.ladder, rehearsal.chosen, rehearsal.section
        assert section.first_bar == chosen.first_bar and section.last_bar <= chosen.last_bar
        if now.group_bars:
            assert now.climb == "grow" and now.group_bars[-1] == len(chosen.passage.bars)
        else:
            assert section == chosen
        rehearsal.lay_out()
        bars = now.group_bars[now.group] if now.group_bars else len(chosen.passage.bars)
        assert len(rehearsal.section.passage.bars) == bars
