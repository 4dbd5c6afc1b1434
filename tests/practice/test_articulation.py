"""Slurred or tongued, short or held: worked by hand, and on simulated takes whose truth is known."""

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from random import Random

import mido
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from practice.made import passage

from companion.errors import UsageError
from companion.passage import Pitch, Trill
from companion.practice.articulation import LENGTHS, LengthLimits, articulations, asked_of, dropouts, length_of
from companion.practice.attacks import breath_falls, gaps_s, tongued_probabilities
from companion.practice.hearing import breath_of, to_played
from companion.practice.judging import judge
from companion.practice.model import (
    AS_WRITTEN,
    BREATH,
    NOT_SLURRED,
    NOT_TONGUED,
    PLAYED,
    SLURRED,
    TONGUED,
    TOO_LONG,
    TOO_SHORT,
    RawEvent,
    Tolerances,
)
from companion.practice.simulation import simulate
from companion.practice.tolerance import tolerance_in_words
from companion.units import ns_from_s

#: Half a second a quarter.
TEMPO_BPM = 120.0


def line(*notes):
    """Notes as (key down in ms, key up in ms, pitch)."""
    return np.array([(on / 1e3, off / 1e3, midi, 80) for on, off, midi in notes], dtype=PLAYED)


def scale(gaps_ms, interval_ms=500, start=60):
    """A rising line with these silences before its notes from the second on."""
    ends_ms = [interval_ms * (i + 1) - gap for i, gap in enumerate(gaps_ms)]
    ends_ms.append(interval_ms * (len(gaps_ms) + 1))
    return line(*((interval_ms * i, end, start + i) for i, end in enumerate(ends_ms)))


def marked(piece, marks=(), slurs=()):
    """The piece with `marks` {index: names} and slurs as (first, last)."""
    into = {i for first, last in slurs for i in range(first + 1, last + 1)}
    marks = dict(marks)
    notes = (
        replace(n, articulations=frozenset(marks.get(n.index, ())), tongued=n.index not in into) for n in piece.notes
    )
    return replace(piece, notes=tuple(notes))


def quarters(count, **how):
    return marked(passage(" ".join(f"{'CDEFGAB'[i % 7]}{4 + i // 7}:1" for i in range(count))), **how)


def articulated(piece, played, realised=None, breath=None, **how):
    realised = np.arange(len(played)) if realised is None else np.array(realised)
    return articulations(piece, played, realised, TEMPO_BPM, breath, **how)


# -- how a note was begun


@pytest.mark.parametrize("overlap_ms", [6, 0, -2, 40, 75])
def test_a_take_of_slurs_alone_is_slurred(overlap_ms):
    # Each of these is one device's or one player's way; none of them may be split into two kinds.
    assert np.all(tongued_probabilities(scale([-overlap_ms] * 7))[1:] < 0.05)


@pytest.mark.parametrize("gap_ms", [20, 34.5, 60, 100, 200, 300])
def test_a_take_of_tongued_notes_alone_is_tongued(gap_ms):
    # From a quick stroke of the tongue to a staccato that lasts 40 % of the interval.
    assert np.all(tongued_probabilities(scale([gap_ms] * 7))[1:] > 0.95)


def test_small_differences_within_one_way_of_playing_are_no_second_way():
    rng = Random(4)
    # Hofmann and others (2012): 34.5 ms, SD 5.8.
    assert np.all(tongued_probabilities(scale([rng.gauss(34.5, 5.8) for _ in range(60)]))[1:] > 0.9)
    assert np.all(tongued_probabilities(scale([-rng.uniform(10, 80) for _ in range(60)]))[1:] < 0.1)


@pytest.mark.parametrize(
    ("slurred_ms", "tongued_ms"), [(-6, 34.5), (0, 34.5), (2, 30), (-40, 100), (-15, 60), (-70, 250)]
)
def test_both_kinds_are_told_apart_whatever_the_device(slurred_ms, tongued_ms):
    gaps_ms = [slurred_ms, slurred_ms, tongued_ms, slurred_ms, tongued_ms, tongued_ms, slurred_ms]
    found = tongued_probabilities(scale(gaps_ms))[1:]
    assert (found > 0.9).tolist() == [gap == tongued_ms for gap in gaps_ms]
    assert np.all((found > 0.9) | (found < 0.1))


#: What devices and players of other kinds may do: silence before a slurred note and before an attacked one, in ms, by
#: the interval in ms.
OTHER_SLURS = {
    "overlap of 0 to 20 ms": lambda rng, ms: -rng.uniform(0, 20),
    "ends 1 to 5 ms before": lambda rng, ms: rng.uniform(1, 5),
    "overlap of 10 to 30 ms": lambda rng, ms: -rng.uniform(10, 30),
    "overlap of a tenth": lambda rng, ms: -ms * rng.uniform(0.05, 0.15),
}
OTHER_ATTACKS = {
    "15 to 40 ms": lambda rng, ms: rng.uniform(15, 40),
    "5 to 10 %": lambda rng, ms: ms * rng.uniform(0.06, 0.10),
    "10 to 30 %": lambda rng, ms: ms * rng.uniform(0.1, 0.3),
    "60 to 80 %": lambda rng, ms: ms * rng.uniform(0.6, 0.8),
}


@pytest.mark.parametrize("slur", OTHER_SLURS)
@pytest.mark.parametrize("attack", OTHER_ATTACKS)
@pytest.mark.parametrize("share_tongued", [0.05, 0.5, 0.95])
def test_other_habits_than_those_of_the_model_are_told_too(slur, attack, share_tongued):
    rng = Random(f"{slur}/{attack}")
    intervals_ms = [rng.choice((125, 250, 250, 500, 1000)) * rng.uniform(0.8, 1.2) for _ in range(300)]
    onsets_ms = [sum(intervals_ms[:i]) for i in range(301)]
    tongued = [rng.random() < share_tongued for _ in range(300)]
    played = line(
        *(
            (on, after - (OTHER_ATTACKS[attack] if tongue else OTHER_SLURS[slur])(rng, after - on), 60 + i % 12)
            for i, ((on, after), tongue) in enumerate(zip(pairwise(onsets_ms), tongued, strict=True))
        ),
        (onsets_ms[-1], onsets_ms[-1] + 300, 71),
    )
    assert np.mean((tongued_probabilities(played)[1:] > 0.5) == tongued) >= 0.985


def test_a_quick_note_leaves_the_tongue_half_its_interval():
    found = tongued_probabilities(scale([20, -5, 20, -5, 20, -5, 20], interval_ms=40))[1:]
    assert (found > 0.9).tolist() == [True, False] * 3 + [True]


def test_a_gap_between_the_two_is_left_open():
    found = tongued_probabilities(scale([-6, 34, -6, 34, 9, -6, 34]))[5]
    assert 0.02 < found < 0.98
    notes = articulated(quarters(8), scale([-6, 34, -6, 34, 9, -6, 34]))
    assert notes[5].probability < 0.98


def test_the_same_pitch_again_needs_the_tongue():
    played = line((0, 500, 60), (500, 1000, 60), (1000, 1500, 62), (1500, 2000, 64))
    found = tongued_probabilities(played)[1:]
    assert found[0] > 0.9
    assert np.all(found[1:] < 0.1)


def test_the_score_tips_what_the_sound_leaves_open_and_nothing_else():
    open_gap, clear = scale([-6, 34, 9, 34]), scale([-6, 34, -6, 34])
    asks_slur, asks_tongue = np.ones(5), -np.ones(5)
    assert tongued_probabilities(open_gap, asks_slur)[3] < tongued_probabilities(open_gap, asks_tongue)[3]
    assert np.array_equal(
        tongued_probabilities(clear, asks_slur)[1:] > 0.5, tongued_probabilities(clear, asks_tongue)[1:] > 0.5
    )


def test_nothing_comes_before_the_first_note():
    assert tongued_probabilities(line()).shape == (0,)
    assert np.isnan(tongued_probabilities(line((0, 500, 60)))).all()


def test_where_an_end_was_never_told_the_next_note_is_it():
    played = scale([50, 50, 50])
    played["offset_s"][1] = np.nan
    assert gaps_s(played)[1:] == pytest.approx([0.05, 0.0, 0.05])


def test_a_key_brushed_under_a_note_neither_ends_nor_begins_it():
    piece = quarters(4)
    played = line((0, 466, 60), (500, 966, 62), (510, 560, 63), (1000, 1466, 64), (1500, 1980, 65))
    notes = articulated(piece, played, [0, 1, -1, 2, 3])
    assert gaps_s(played)[3] == pytest.approx(0.034)
    assert notes[1].held_share == pytest.approx(0.932)
    assert [n.verdicts for n in notes] == [(AS_WRITTEN,), (AS_WRITTEN,), (AS_WRITTEN,), (AS_WRITTEN,)]


# -- breath


def blown(*points):
    return np.array([(ms / 1e3, value) for ms, value in points], dtype=BREATH)


def test_breath_alone_tells_where_the_notes_join_without_a_gap():
    played = scale([0] * 7)
    level = [(0, 90)]
    for at_ms in (1000, 2000, 3000):
        level += [(at_ms - 10, 5), (at_ms + 20, 90)]
    found = tongued_probabilities(played, breath=blown(*level))
    assert [i for i in range(1, 8) if found[i] > 0.9] == [2, 4, 6]
    assert np.all(found[[1, 3, 5, 7]] < 0.1)


def test_breath_that_stays_up_does_not_undo_a_clear_gap():
    found = tongued_probabilities(scale([34.5] * 7), breath=blown((0, 90), (900, 88), (1700, 91)))
    assert np.all(found[1:] > 0.9)


def test_what_is_down_while_notes_sound_is_no_breath():
    # A keyboard's channel pressure: up only where a key is pressed hard.
    played = scale([-30] * 7)
    pressure = blown((900, 60), (990, 0), (1900, 50), (1990, 0))
    assert np.isnan(breath_falls(played, pressure)).all()
    assert np.array_equal(tongued_probabilities(played, breath=pressure), tongued_probabilities(played), equal_nan=True)


def test_how_far_the_breath_fell():
    falls = breath_falls(scale([0, 0]), blown((0, 80), (495, 20), (520, 80)))
    assert np.isnan(falls[0])
    assert falls[1:].tolist() == [0.25, 1.0]


# -- against the score


def test_what_differs_from_the_score_is_told():
    piece = quarters(6, slurs=[(0, 3)])
    notes = articulated(piece, scale([-6, 34, -6, -6, 34]))
    assert [n.asked for n in notes] == ["", SLURRED, SLURRED, SLURRED, TONGUED, TONGUED]
    assert [n.played for n in notes] == ["", SLURRED, TONGUED, SLURRED, SLURRED, TONGUED]
    assert [n.verdicts for n in notes] == [
        (AS_WRITTEN,),
        (AS_WRITTEN,),
        (NOT_SLURRED,),
        (AS_WRITTEN,),
        (NOT_TONGUED,),
        (AS_WRITTEN,),
    ]
    assert [n.gap_ms for n in notes] == [None, *(pytest.approx(gap) for gap in (-6, 34, -6, -6, 34))]
    assert all(n.probability > 0.9 for n in notes[1:])


def test_a_note_not_played_and_the_one_after_it():
    piece = quarters(5, slurs=[(0, 4)])
    notes = articulated(piece, scale([-6, 34, -6]), [0, 1, 3, 4])
    assert (notes[2].played, notes[2].verdicts, notes[2].held_share) == ("", (), None)
    # Note 3 did not come right after note 2: what it was begun like is said, but not held against anybody.
    assert notes[3].played == TONGUED
    assert NOT_SLURRED not in notes[3].verdicts


def test_after_a_break_everybody_begins_anew():
    piece = quarters(4, slurs=[(0, 3)])
    played = line((0, 494, 60), (500, 900, 62), (1700, 2206, 64), (2200, 2700, 65))
    assert NOT_SLURRED not in articulated(piece, played)[2].verdicts


def test_the_first_time_counts_when_notes_are_played_again():
    piece = quarters(4, slurs=[(0, 3)])
    again = line((0, 506, 60), (500, 1006, 62), (1000, 1400, 64), (1900, 2370, 62), (2400, 2870, 64), (2900, 3400, 65))
    notes = articulated(piece, again, [0, 1, 2, 1, 2, 3])
    assert [n.played for n in notes] == ["", SLURRED, SLURRED, TONGUED]
    assert notes[2].verdicts == (AS_WRITTEN,)
    # It was cut off: nothing is said of its length.
    assert TOO_SHORT not in notes[2].verdicts


def test_a_note_reached_through_a_blip_was_begun_where_the_blip_is():
    piece = quarters(3)
    played = line((0, 466, 60), (500, 536, 61), (530, 966, 62), (1000, 1500, 64))
    notes = articulated(piece, played, [0, -1, 1, 2])
    assert notes[1].played == TONGUED
    assert notes[1].gap_ms == pytest.approx(34)
    assert notes[1].verdicts == (AS_WRITTEN,)


def test_a_wrong_note_at_the_pitch_before_is_no_broken_slur():
    piece = quarters(3, slurs=[(0, 2)])
    notes = articulated(piece, line((0, 466, 60), (500, 1006, 60), (1000, 1500, 64)))
    assert NOT_SLURRED not in notes[1].verdicts


def test_grace_notes_and_what_follows_them():
    piece = passage("C4:1 g:D4 E4:1 F4:1")
    played = line((0, 400, 60), (430, 506, 62), (500, 966, 64), (1000, 1500, 65))
    notes = articulated(piece, played)
    assert [n.asked for n in notes] == ["", TONGUED, "", TONGUED]
    assert (notes[1].length, notes[1].held_share) == ("", None)
    assert notes[2].played == SLURRED
    assert {NOT_SLURRED, NOT_TONGUED} & set(notes[2].verdicts) == set()


def test_all_notes_of_a_trill_are_one_held_note():
    piece = passage("C4:2 D4:1")
    trilled = replace(piece.notes[0], trill=Trill(Pitch("D", 0, 4)))
    piece = replace(piece, notes=(trilled, piece.notes[1]))
    turns = [(100 * i, 100 * i + 105, 60 + 2 * (i % 2)) for i in range(9)]
    notes = articulated(piece, line(*turns, (1000, 1500, 62)), [0] * 9 + [1])
    assert notes[0].held_share == pytest.approx(0.905, abs=0.01)
    assert notes[0].verdicts == (AS_WRITTEN,)
    assert notes[1].played == TONGUED


# -- what the score asks


@pytest.mark.parametrize(
    ("marks", "slurs", "asked", "length"),
    [
        ((), (), TONGUED, "full"),
        ((), [(0, 2)], SLURRED, "full"),
        (("staccato",), (), TONGUED, "staccato"),
        (("staccato",), [(0, 2)], TONGUED, "portato"),
        (("tenuto",), [(0, 2)], TONGUED, "portato"),
        (("tenuto",), (), TONGUED, "tenuto"),
        (("tenuto", "staccato"), (), TONGUED, "portato"),
        (("staccatissimo",), (), TONGUED, "staccatissimo"),
        (("strong-accent",), (), TONGUED, "marcato"),
        (("accent",), (), TONGUED, "full"),
        (("accent", "staccato"), (), TONGUED, "staccato"),
        (("breath-mark",), (), TONGUED, "before a breath"),
    ],
)
def test_marks_in_words(marks, slurs, asked, length):
    piece = quarters(3, marks={1: marks}, slurs=slurs)
    assert (asked_of(piece, 1), length_of(piece, 1)) == (asked, length)
    assert length in LENGTHS


def test_a_slur_over_a_rest_or_out_of_a_dotted_note_asks_for_nothing():
    assert asked_of(marked(passage("C4:1 r:1/4 D4:3/4 E4:1"), slurs=[(0, 2)]), 1) == ""
    piece = quarters(4, marks={0: {"staccato"}}, slurs=[(0, 3)])
    assert [asked_of(piece, i) for i in range(4)] == ["", "", SLURRED, SLURRED]


def test_the_same_pitch_under_a_slur_is_tongued_again():
    piece = marked(passage("C4:1 C4:1 D4:1"), slurs=[(0, 2)])
    assert [asked_of(piece, i) for i in range(3)] == ["", TONGUED, SLURRED]


@pytest.mark.parametrize(
    ("mark", "held_ms", "verdict"),
    [
        ("staccato", 250, AS_WRITTEN),
        ("staccato", 200, AS_WRITTEN),
        ("staccato", 460, TOO_LONG),
        ("staccatissimo", 130, AS_WRITTEN),
        ("staccatissimo", 400, TOO_LONG),
        ("tenuto", 465, AS_WRITTEN),
        ("tenuto", 250, TOO_SHORT),
        ("", 465, AS_WRITTEN),
        ("", 310, AS_WRITTEN),
        ("", 190, TOO_SHORT),
        ("strong-accent", 300, AS_WRITTEN),
        ("breath-mark", 250, AS_WRITTEN),
    ],
)
def test_lengths_of_a_quarter_of_500_ms(mark, held_ms, verdict):
    piece = quarters(4, marks={1: {mark} if mark else ()})
    notes = articulated(piece, line((0, 465, 60), (500, 500 + held_ms, 62), (1000, 1465, 64), (1500, 1990, 65)))
    assert notes[1].held_share == pytest.approx(held_ms / 500)
    assert notes[1].verdicts == (verdict,)


def test_held_over_into_a_rest():
    piece = passage("C4:1 r:1 D4:1")
    assert articulated(piece, line((0, 500, 60), (1000, 1500, 62)))[0].verdicts == (AS_WRITTEN,)
    assert articulated(piece, line((0, 900, 60), (1000, 1500, 62)))[0].verdicts == (TOO_LONG,)


def test_length_is_measured_at_the_players_own_pace():
    # Half as slow again as the click: all notes are full all the same, and the staccato one is half.
    piece = quarters(5, marks={2: {"staccato"}})
    played = line((0, 715, 60), (750, 1465, 62), (1500, 1875, 64), (2250, 2965, 65), (3000, 3740, 67))
    notes = articulated(piece, played)
    assert all(n.verdicts == (AS_WRITTEN,) for n in notes)
    assert notes[2].held_share == pytest.approx(0.5)


def test_a_hesitation_is_not_a_short_note():
    piece = quarters(5)
    played = line((0, 465, 60), (500, 965, 62), (1000, 1480, 64), (2500, 2965, 65), (3000, 3500, 67))
    assert articulated(piece, played)[2].verdicts == (AS_WRITTEN,)


def test_swung_quavers_have_their_own_length():
    piece = passage("C4:1/2 D4:1/2 E4:1/2 F4:1/2 G4:1/2 A4:1/2")
    onsets_ms = [0, 330, 500, 830, 1000, 1330, 1500]
    played = line(*((on, after - 30, 60 + i) for i, (on, after) in enumerate(pairwise(onsets_ms))))
    assert all(n.verdicts == (AS_WRITTEN,) for n in articulated(piece, played))


def test_limits_are_adjustable():
    piece, played = quarters(3), scale([150, 150])
    assert articulated(piece, played)[0].verdicts == (AS_WRITTEN,)
    strict = {"full": LengthLimits(0.9)}
    assert articulated(piece, played, lengths=strict)[0].verdicts == (TOO_SHORT,)
    assert articulated(piece, played, lengths={})[0].verdicts == ()


def test_the_slack_is_adjustable_and_stated():
    piece, played = quarters(3), scale([250, 30])
    assert articulated(piece, played)[0].verdicts == (AS_WRITTEN,)
    assert articulated(piece, played, slack_s=0.0)[0].verdicts == (TOO_SHORT,)
    strict = Tolerances(length_slack_ms=0.0)
    assert judge(piece, played, TEMPO_BPM, strict).articulation[0].verdicts == (TOO_SHORT,)
    assert tolerance_in_words(strict).endswith("; lengths: 0 ms beyond what is written")
    with pytest.raises(UsageError, match="a slack of -1 ms in the length of notes makes no sense"):
        judge(piece, played, TEMPO_BPM, Tolerances(length_slack_ms=-1.0))


def test_a_matching_of_another_length_is_refused():
    with pytest.raises(UsageError, match="3 notes were played but 2 are matched"):
        articulated(quarters(3), scale([30, 30]), [0, 1])


def test_nothing_played():
    notes = articulated(quarters(2), line())
    assert [(n.played, n.verdicts) for n in notes] == [("", ()), ("", ())]


note_of_a_take = st.tuples(
    st.integers(0, 800),  # since the note before, ms
    st.integers(-20, 900) | st.none(),  # how long the key was down, ms
    st.integers(58, 66),
    st.integers(-1, 5),
)


@settings(max_examples=80, deadline=None)
@given(
    st.lists(note_of_a_take, max_size=25), st.lists(st.tuples(st.integers(0, 300), st.integers(0, 127)), max_size=20)
)
def test_any_take_in_any_matching_has_its_say_or_none(notes, breath):
    played, at_ms = [], 0
    for since_ms, down_ms, midi, _ in notes:
        at_ms += since_ms
        played.append((at_ms / 1e3, np.nan if down_ms is None else (at_ms + down_ms) / 1e3, midi, 80))
    values, at_ms = [], 0
    for since_ms, value in breath:
        at_ms += since_ms
        values.append((at_ms / 1e3, value))
    piece = marked(passage("C4:1 g:D4 E4:1/2 F4:1/2 r:1 G4:2 G4:1"), slurs=[(0, 3)])
    realised = np.array([index for *_, index in notes], dtype=np.int64)
    found = articulated(piece, np.array(played, dtype=PLAYED), realised, np.array(values, dtype=BREATH))
    assert [n.note_index for n in found] == list(range(6))
    for n in found:
        assert (n.played == "") == (n.probability == 0.0)
        assert n.probability == 0.0 or 0.5 <= n.probability <= 1.0
        assert set(n.verdicts) <= {AS_WRITTEN, NOT_SLURRED, NOT_TONGUED, TOO_SHORT, TOO_LONG}
        assert len(set(n.verdicts)) == len(n.verdicts)
        assert AS_WRITTEN not in n.verdicts[1:]


def test_a_passage_without_notes():
    assert articulations(quarters(0), scale([30]), np.array([-1, -1]), TEMPO_BPM) == ()


# -- the breath gives out


def faltering(low):
    """A half note that falters after 400 ms for 120 ms, the breath down to `low`, and the quarter after it."""
    played = line((0, 400, 60), (520, 1000, 60), (1000, 1500, 62))
    return played, blown((0, 80), (400, low), (520, 80), (1000, 78), (1499, 0))


def test_a_note_come_back_is_one_note():
    piece = passage("C4:2 D4:1")
    played, breath = faltering(low=0)
    realised = np.array([0, 0, 1])
    assert dropouts(piece, played, realised, breath) == (1,)
    notes = articulated(piece, played, realised, breath)
    assert notes[0].held_share == pytest.approx(1.0)
    assert notes[0].verdicts == (AS_WRITTEN,)


@pytest.mark.parametrize(
    ("realised", "low", "told"),
    [
        ([0, 1, 2], 0, True),  # written twice
        ([0, 0, 1], 60, True),  # the breath stayed up: a finger or the tongue
        ([0, 0, 1], 0, False),  # no breath was sent
        ([0, -1, 1], 0, True),  # matched as an extra note
    ],
)
def test_a_note_really_repeated_is_no_dropout(realised, low, told):
    piece = passage("C4:1 C4:1 D4:1") if realised[1] == 1 else passage("C4:2 D4:1")
    played, breath = faltering(low)
    assert dropouts(piece, played, np.array(realised), breath if told else None) == ()


# -- files of others


def test_a_standard_midi_file_read_by_mido(tmp_path):
    # 480 ticks a quarter at 120: a tick is 1/960 s. Slurs overlap by 6 ticks, the tongue takes 33.
    messages = []
    gaps = [-6, 33, -6, -6, 33]
    for i, gap in enumerate([*gaps, 0]):
        messages.append((480 * i, mido.Message("note_on", note=60 + i, velocity=80)))
        messages.append((480 * (i + 1) - gap, mido.Message("note_on", note=60 + i, velocity=0)))
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=500_000)])
    now = 0
    for at, message in sorted(messages, key=lambda timed: timed[0]):
        track.append(message.copy(time=at - now))
        now = at
    mido.MidiFile(ticks_per_beat=480, tracks=[track]).save(tmp_path / "take.mid")

    events, time_s, pairs, down = [], 0.0, [], {}
    for message in mido.MidiFile(tmp_path / "take.mid"):
        time_s += message.time
        if message.is_meta:
            continue
        events.append(RawEvent(ns_from_s(time_s), bytes(message.bytes())))
        # Mido's own view: a note from its note-on to the next message that lets it go.
        if message.velocity:
            down[message.note] = time_s
        else:
            pairs.append((down.pop(message.note), time_s, message.note))
    played = to_played(events, 0)
    assert played["written_midi"].tolist() == [midi for _, _, midi in pairs]
    assert played["onset_s"] == pytest.approx([on for on, _, _ in pairs], abs=1e-8)
    assert played["offset_s"] == pytest.approx([off for _, off, _ in pairs], abs=1e-8)
    notes = articulated(quarters(6), played)
    assert [n.played for n in notes[1:]] == [TONGUED if gap > 0 else SLURRED for gap in gaps]


# -- simulated takes


def tune(seed, length=70):
    """A wandering line with slurs, rests, repeated notes and dots."""
    rng, words, place = Random(seed), [], 5
    names = ("C4", "D4", "E4", "F4", "G4", "A4", "Bb4", "C5", "D5", "E5", "F5", "G5")
    for _ in range(length):
        place = min(max(place + rng.choice((-3, -2, -1, -1, 0, 1, 1, 2, 3)), 0), len(names) - 1)
        words += ["r:1"] if rng.random() < 0.04 else []
        words.append(f"{names[place]}:{rng.choice(('1', '1/2', '1/2', '1/4', '1/4', '2', '1/3'))}")
    piece = passage(" ".join(words))
    slurs, dots, at = [], {}, 0
    while at < length - 6:
        first, last = at, at + rng.randrange(1, 6)
        joined = all(piece.notes[i].end == piece.notes[i + 1].start for i in range(first, last))
        if joined and rng.random() < 0.5:
            slurs.append((first, last))
        elif rng.random() < 0.3:
            dots[first] = {"staccato"}
        at = last + 1
    return marked(piece, marks=dots, slurs=slurs)


def begun_right(piece, take, breath=True):
    """Notes whose beginning is told right, and notes played. A note after a blip was begun where the blip was."""
    events = [RawEvent(ns_from_s(m.time_s) + 10**12, m.message) for m in take.messages]
    played = to_played(events, 10**12)
    assert len(played) == len(take.played)
    notes = articulations(piece, played, take.truth, TEMPO_BPM, breath_of(events, 10**12) if breath else None)
    right = total = 0
    for note in notes:
        where = np.flatnonzero(take.truth == note.note_index)
        if not len(where) or not note.played:
            continue
        i = int(where[0])
        while i and take.kinds[i - 1] == "blip":
            i -= 1
        right += (note.played == TONGUED) == bool(take.tongued[i])
        total += 1
    return right, total


@pytest.mark.parametrize("style", ["wind", "keyboard"])
@pytest.mark.parametrize("breath", [True, False])
def test_nearly_all_beginnings_of_students_are_told_right(style, breath):
    right = total = 0
    for seed in range(12):
        piece = tune(seed)
        r, t = begun_right(piece, simulate(piece, TEMPO_BPM, "student", seed, style=style), breath)
        right, total = right + r, total + t
    assert total > 600
    assert right >= 0.99 * total


def heard_of(piece, take):
    events = [RawEvent(ns_from_s(m.time_s), m.message) for m in take.messages]
    return articulations(piece, to_played(events, 0), take.truth, TEMPO_BPM, breath_of(events, 0))


@pytest.mark.parametrize("style", ["wind", "keyboard"])
def test_nobody_is_blamed_who_plays_as_written(style):
    for seed in range(10):
        piece = tune(seed)
        notes = heard_of(piece, simulate(piece, TEMPO_BPM, "clean", seed, style=style))
        assert [n for n in notes if n.verdicts != (AS_WRITTEN,)] == []


@pytest.mark.parametrize("style", ["wind", "keyboard"])
def test_what_was_begun_otherwise_than_written_is_what_is_told(style):
    told, real = set(), set()
    for seed in range(20):
        piece = tune(seed)
        take = simulate(piece, TEMPO_BPM, "clean", seed, style=style, kinds={"articulation"})
        notes = heard_of(piece, take)
        told |= {(seed, n.note_index) for n in notes if {NOT_SLURRED, NOT_TONGUED} & set(n.verdicts)}
        # Where nothing is asked there is nothing to do otherwise.
        real |= {
            (seed, int(index))
            for index, kind in zip(take.truth, take.kinds, strict=True)
            if kind == "articulation" and notes[index].asked
        }
    assert len(real) >= 15
    assert len(told ^ real) <= 0.05 * len(real)


def test_simulated_dropouts_are_found_and_nothing_else_is_taken_for_one():
    found = real = wrong = 0
    for seed in range(40):
        piece = tune(seed)
        take = simulate(piece, TEMPO_BPM, "clean", seed, kinds={"breath dropout", "doubled note"})
        events = [RawEvent(ns_from_s(m.time_s), m.message) for m in take.messages]
        told = set(dropouts(piece, to_played(events, 0), take.truth, breath_of(events, 0)))
        truth = {
            i
            for i in range(1, len(take.truth))
            if take.kinds[i] == take.kinds[i - 1] == "breath dropout" and take.truth[i] == take.truth[i - 1]
        }
        found, real, wrong = found + len(told & truth), real + len(truth), wrong + len(told - truth)
    assert real >= 8
    assert (found, wrong) == (real, 0)


def test_a_beat_of_another_length_changes_nothing():
    # Lengths count in quarters: a dotted quarter is one and a half of them.
    piece = passage("C4:3/2 D4:3/2")
    assert piece.notes[0].length == Fraction(3, 2)
    notes = articulated(piece, line((0, 715, 60), (750, 1500, 62)))
    assert notes[0].held_share == pytest.approx(715 / 750)
