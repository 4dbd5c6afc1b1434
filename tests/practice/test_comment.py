"""The comment after a take: what is said, in what order, and what isn't said twice."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from practice.made import exact, moved, passage, pitch, with_note, without
from practice.takes import melody, take

from companion.charts import load
from companion.errors import UsageError
from companion.passage import Passage, Slur, Trill, Wait
from companion.planning import plan as planned
from companion.practice import judge
from companion.practice.advice import Remark, _about_skip, trouble_bars
from companion.practice.comment import MOST_SENTENCES, Found, chosen, comment_on
from companion.practice.matching import align
from companion.practice.model import (
    AS_WRITTEN,
    BREATH,
    EARLY,
    LEFT_OUT,
    NOT_SLURRED,
    NOT_TONGUED,
    PLAYED,
    SLURRED,
    TONGUED,
    TOO_LONG,
    TOO_SHORT,
    Articulated,
    Drift,
    FingeringUsed,
    Pressed,
    Slip,
    Tolerances,
    TrillTiming,
)
from companion.practice.reading import read_take
from companion.practice.tolerance import check_tolerances, tolerance_in_words

FOUR_BARS = "C4:1 D4:1 E4:1 F4:1 G4:1/2 A4:1/2 B4:1 C5:2 C5:1/4 B4:1/4 A4:1/4 G4:1/4 F4:1 E4:2 D4:2 C4:2"
RUNS = "C4:1/4 D4:1/4 E4:1/4 F4:1/4 G4:1/4 F4:1/4 E4:1/4 D4:1/4 " * 8 + "C4:1"


def found_in(piece, played=None, **more):
    played = exact(piece, 60) if played is None else played
    return Found(reading=read_take(piece, played, 60, Tolerances(), align(piece, played, 60)), **more)


def begun(piece, asked, played, notes):
    """Articulation of all notes, as written but for `notes`."""
    verdict = NOT_SLURRED if asked == SLURRED else NOT_TONGUED
    return tuple(
        Articulated(i, asked, played if i in notes else asked, 1.0, verdicts=(verdict if i in notes else AS_WRITTEN,))
        for i in range(len(piece.notes))
    )


# -- choosing ----------------------------------------------------------------------------------------------------------


def test_the_heaviest_come_first_and_at_most_four():
    remarks = [Remark(float(i), f"{i}") for i in range(6)]
    assert chosen(remarks, MOST_SENTENCES) == ["5.", "4.", "3.", "2."]


def test_nothing_is_said_twice_of_the_same_notes():
    remarks = [
        Remark(3.0, "a", notes=frozenset({1, 2}), covers=frozenset({3})),
        Remark(2.0, "b", notes=frozenset({2, 9})),
        Remark(1.5, "c", notes=frozenset({3})),
        Remark(1.0, "d", notes=frozenset({2, 7, 8})),
    ]
    assert chosen(remarks, 4) == ["a.", "d."]


def test_only_one_speaks_of_the_tempo():
    assert chosen([Remark(2.0, "a", aspect="tempo"), Remark(1.0, "b", aspect="tempo")], 4) == ["a."]


def test_a_remedy_is_given_once():
    slower = "play bars {} slower, then bring them up to tempo"
    remarks = [
        Remark(4.0, "a", slower.format("3-4")),
        Remark(3.0, "b", slower.format("3-4")),
        Remark(2.0, "c", slower.format("7-8")),
        Remark(1.0, "d", "wait for the click"),
    ]
    assert chosen(remarks, 4) == [
        "a; play bars 3-4 slower, then bring them up to tempo.", "b.", "c; take bars 7-8 the same way.",
        "d; wait for the click.",
    ]  # fmt: skip


# -- notes -------------------------------------------------------------------------------------------------------------


def test_two_bars_with_trouble_make_two_sentences():
    piece = passage(FOUR_BARS)
    played = exact(piece, 60)
    played["written_midi"][5] += 1
    played["offset_s"] -= 0.06
    assessment = judge(piece, without(played, 14), 60)
    assert assessment.comment == (
        "Bar 2: the note on the and of beat 1 was A♯4, not A4; play bars 2-3 slower, then bring them up to tempo.",
        "Bar 4: the note on beat 1 (D4) was left out; take bars 3-4 the same way.",
    )
    assert assessment.advice == assessment.comment[0]


def test_why_a_note_was_wrong_stands_with_it():
    piece = passage("G4:1 F#4:1 E4:1 D4:1 G4:4", fifths=1)
    played = exact(piece, 60)
    played["written_midi"][1] -= 1
    assert judge(piece, played, 60).advice.startswith(
        "Bar 1: the note on beat 2 was F4, not F♯4 (the key signature has F♯); play"
    )


def test_a_skip_is_one_thing():
    names = [f"{step}{octave}:1/2" for octave in (3, 4, 5) for step in "CDEFGAB"]
    piece = passage(" ".join(names + names[-2::-1]))
    assessment = judge(piece, without(exact(piece, 60), *range(10, 18)), 60)
    assert [note.note_index for note in assessment.notes if note.verdict == LEFT_OUT] == list(range(10, 18))
    assert assessment.comment[0] == (
        "Bar 2: 8 notes were left out, from the note on beat 2 to the note on the and of beat 1 in bar 3; play bars 2-3"
        " slower, then bring them up to tempo."
    )
    assert not any("left out" in sentence for sentence in assessment.comment[1:])
    assert assessment.trouble_bars == (1, 2)


def test_a_note_struck_twice_is_called_so():
    piece = passage(FOUR_BARS)
    again = judge(piece, with_note(exact(piece, 60), 4.03, 67, 0.47), 60)
    assert again.advice == (
        "Bar 2: the note on beat 1 (G4) is struck twice; touch the reed once, and let no finger bounce."
    )
    assert "went back" not in again.because and not again.clean
    # A long pause before it is another matter.
    paused = exact(piece, 60)
    paused["onset_s"][5:] += 0.5
    paused["offset_s"][4:] += 0.5
    assert judge(piece, with_note(paused, 4.5, 67, 0.5), 60).because.startswith("went back once, in bar 2")


def test_a_return_is_no_stop():
    piece = melody(3, 6)
    base = exact(piece, 60)
    first, last = 20, 30
    again_s = float(base["onset_s"][last] - base["onset_s"][first])
    rest = base[first:].copy()
    rest["onset_s"] += again_s
    rest["offset_s"] += again_s
    played = np.concatenate([base[:last], rest])
    assert found_in(piece, played).reading.stops == ()
    comment = judge(piece, played, 60).comment
    assert "you went back to" in comment[0]
    assert not any("stopped" in sentence for sentence in comment)


def test_going_back_after_a_wrong_note_names_it():
    piece = passage(FOUR_BARS)
    base = exact(piece, 60)
    wrong = base[:7].copy()
    wrong["written_midi"][6] = 48
    rest = base[4:].copy()
    rest["onset_s"] += 2.0
    rest["offset_s"] += 2.0
    assert judge(piece, np.concatenate([wrong, rest]), 60).advice.startswith(
        "Bar 2: you went back to the note on beat 1, after C3 for B4; play"
    )


def test_going_back_again_and_again_is_one_habit():
    piece = melody(3, 8)
    base, parts, late_s = tongued(piece, 60), [], 0.0
    bars = [next(note.index for note in piece.notes if note.bar == bar) for bar in range(8)]
    for first, after in zip(bars, [*bars[1:], len(base)], strict=True):
        for again in (0, 1):
            part = base[first:after].copy()
            part["onset_s"] += late_s
            part["offset_s"] += late_s
            parts.append(part)
            late_s += 0.0 if again else float(base["offset_s"][after - 1] - base["onset_s"][first])
    played = np.concatenate(parts)
    wrong = bars[6] + 2
    at = [i for i, row in enumerate(judge(piece, played, 60).realised) if row == wrong]
    played["written_midi"][at] += 1
    comment = judge(piece, played, 60).comment
    assert comment[0] == (
        "You went back 8 times, most in bars 1, 2 and 3; take a tempo at which you can play on, leave a slip behind you"
        " and mend it afterwards."
    )
    assert comment[1].startswith("Bar 7: ") and f"not {piece.notes[wrong].written}" in comment[1]
    assert not any("went back" in sentence for sentence in comment[1:])


# -- fingers -----------------------------------------------------------------------------------------------------------


def test_a_slip_is_told_with_its_finger():
    chart = load("alto")
    piece = passage("C4:1 E4:1 G4:1 A4:1 G4:4")
    # From E to G the right index and middle fingers come up; the middle one alone leaves F.
    played = with_note(exact(piece, 60), 1.96, 65, 0.04)
    assessment = judge(piece, played, 60, plan=planned(piece, chart), chart=chart)
    (slip,) = assessment.slips
    assert (slip.early, slip.late, slip.told) == (("right middle",), ("right index",), True)
    assert assessment.added == ((1, 65),)
    assert assessment.advice == (
        "Bar 1: from E4 to G4 a short F4 sounds for 40 ms: your right index came up late, behind the middle"
        " finger; move these fingers together, slowly first."
    )
    # Without the horn nobody knows which finger it was.
    assert judge(piece, played, 60).advice.startswith("Bar 1: a short F4 sounds between E4 and G4; move the fingers")


def slip(note_index, **more):
    told = {"early": ("left index",), "late": ("left ring",), "by_ms": 40.0, "told": True}
    return Slip(
        note_index, note_index - 1, 69, float(note_index) - 0.04, 40.0, **told, states=1,
        sentence="From G4 to C5 a short A4 sounds for 40 ms: your left ring finger came up late, behind the left index",
    )  # fmt: skip


def test_the_same_slip_is_said_once_with_its_bars():
    piece = passage("G4:2 C5:2 " * 4)
    played = exact(piece, 60)
    for due_s in (2, 6, 14):
        played = with_note(played, due_s - 0.04, 69, 0.04)
    slips = tuple(replace(slip(i), time_s=due_s - 0.04) for i, due_s in ((1, 2), (3, 6), (7, 14)))
    comment = comment_on(found_in(piece, played, slips=slips), clean=False)
    assert comment == (
        "From G4 to C5 a short A4 sounds 3 times (bars 1, 2 and 4): your left ring finger came up late, behind the left"
        " index; move the fingers of that change together, slowly first.",
    )
    (once,) = comment_on(found_in(piece, played[[0, 1, 2, 3, 5, 6, 7, 8, 10]], slips=slips[:1]), clean=False)
    assert once == (
        "Bar 1: from G4 to C5 a short A4 sounds for 40 ms: your left ring finger came up late, behind the left index;"
        " move these fingers together, slowly first."
    )


def test_another_fingering_than_planned_and_an_uneven_trill_are_told():
    piece = passage(FOUR_BARS)
    used = FingeringUsed(4, frozenset(), "side", "bis", "B♭4 was played with side where bis is planned")
    assert comment_on(found_in(piece, fingerings=(used,)), clean=True)[1] == (
        "Bar 2: B♭4 was played with side where bis is planned; finger it as planned, or choose yours in the plan."
    )
    said = "The trill on C in bar 2 has 8.0 notes a second; the C lasts 40 ms longer than the D: your finger is slow"
    uneven = TrillTiming(7, 8.0, 40.0, 5.0, said)
    assert comment_on(found_in(piece, trills=(uneven,)), clean=True)[1].startswith(said)
    even = replace(uneven, main_longer_ms=11.0)
    assert len(comment_on(found_in(piece, trills=(even,)), clean=True)) == 1


def test_another_fingering_is_heard_from_the_keys():
    chart = load("alto")
    piece = passage("A4:1 Bb4:1 A4:1 G4:1 F4:4", fifths=-1)
    plan = planned(piece, chart)
    keys = [choice.keys for choice in plan.choices]
    other = next(f for f in chart.for_note(70) if f.keys != keys[1])
    pressed = [Pressed(float(i), other.keys if i == 1 else k) for i, k in enumerate(keys)]
    assessment = judge(piece, exact(piece, 60), 60, plan=plan, chart=chart, pressed=pressed)
    assert [used.note_index for used in assessment.fingerings if used.sentence] == [1]
    assert assessment.clean
    assert assessment.comment[1].startswith(f"Bar 1: B♭4 was played with {other.name} where {plan.choices[1].name} is")


# -- articulation ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "played", "notes", "says"),
    [
        (
            SLURRED, TONGUED, {5},
            "Bar 2: the note on the and of beat 1 (A4), under a slur, was tongued; keep the air going and move only the"
            " fingers.",
        ),
        (
            SLURRED, TONGUED, {5, 6},
            "Bar 2: 2 of 4 notes under slurs were tongued, over beats 1 to 2; keep the air going and move only the"
            " fingers.",
        ),
        (
            TONGUED, SLURRED, {8, 9, 10, 11, 12, 13},
            "Bar 3: all 6 notes with the tongue were slurred, over beats 1 to 3; touch the reed for each, without"
            " stopping the air.",
        ),
        (
            SLURRED, TONGUED, {1, 2, 3, 5, 6, 7, 8, 9, 10, 11, 12},
            "The slurs were tongued, 11 of 16 notes (bars 1, 2 and 3); keep the air going and move only the fingers.",
        ),
    ],
)  # fmt: skip
def test_slurs_and_tongue(asked, played, notes, says):
    piece = passage(FOUR_BARS)
    assert comment_on(found_in(piece, articulation=begun(piece, asked, played, notes)), clean=True)[1] == says


def test_all_slurred_is_said_last_since_it_may_be_the_keyboard():
    piece = passage(FOUR_BARS)
    all_slurred = begun(piece, TONGUED, SLURRED, set(range(16)))
    played = moved(exact(piece, 60), 10, -0.1)
    comment = comment_on(found_in(piece, played, articulation=all_slurred), clean=False)
    assert comment[0].startswith("Bar 3: the third sixteenth of beat 1 comes 100 ms early")
    assert comment[-1] == "Every note sounds slurred to the next; begin each that no slur leads to with the tongue."


def test_lengths():
    piece = passage(FOUR_BARS)
    long = tuple(Articulated(i, length="staccato", held_share=0.9, verdicts=(TOO_LONG,)) for i in (1, 2, 3))
    as_written = (Articulated(4, length="staccato", held_share=0.5, verdicts=(AS_WRITTEN,)),)
    assert comment_on(found_in(piece, articulation=long + as_written), clean=True)[1] == (
        "Bar 1: 3 of 4 staccato notes last about 90 % of their length; let them ring less, the tongue ends them."
    )
    over = (Articulated(12, length="full", held_share=1.4, verdicts=(TOO_LONG,)),)
    assert comment_on(found_in(piece, articulation=over), clean=True)[1] == (
        "Bar 3: the note on beat 2 (F4) lasts 140 % of its length; end it where the rest begins."
    )
    short = (Articulated(12, length="tenuto", held_share=0.6, verdicts=(TOO_SHORT,)),)
    assert comment_on(found_in(piece, articulation=short), clean=True)[1] == (
        "Bar 3: the note on beat 2 (tenuto F4) lasts 60 % of its length; hold it to the next one."
    )


def test_a_note_that_another_cut_off_is_not_called_short():
    piece = passage(FOUR_BARS)
    short = tuple(Articulated(i, length="full", held_share=0.4, verdicts=(TOO_SHORT,)) for i in (2, 12, 13))
    added = with_note(exact(piece, 60), 2.5, 75, 0.3)
    assert comment_on(found_in(piece, articulation=short), clean=False)[0].startswith("Bars 1 and 3: 3 of 3 notes last")
    comment = comment_on(found_in(piece, added, articulation=short), clean=False)
    assert comment[0].startswith("Bar 1: an extra D♯5 sounds after the note on beat 3;")
    assert comment[1].startswith("Bar 3: 2 of 3 notes last about 40 % of their length; hold them")


def tongued(piece, tempo_bpm):
    """An exact take with a tongue's stroke before each note."""
    played = exact(piece, tempo_bpm)
    played["offset_s"] -= 0.06
    return played


def test_slurs_are_asked_for_where_the_tolerances_say_so():
    piece = passage(FOUR_BARS)
    notes = tuple(replace(note, tongued=note.index not in range(9, 12)) for note in piece.notes)
    piece = replace(piece, notes=notes, slurs=(Slur(8, 11),))
    played = tongued(piece, 60)
    by_default = judge(piece, played, 60)
    assert by_default.clean
    assert by_default.comment[1].startswith("Bar 3: all 3 notes under slurs were tongued, over beat 1; keep the air")
    asked = judge(piece, played, 60, Tolerances(articulation_share=0.9))
    assert asked.because == "12 of 15 notes slurred or tongued as written (80 %, 90 % needed)"
    assert asked.advice == by_default.comment[1]
    assert judge(piece, played, 60, Tolerances(articulation_share=0.8)).clean
    for i in (8, 9, 10):
        played["offset_s"][i] = played["onset_s"][i + 1]
    slurred = judge(piece, played, 60, Tolerances(articulation_share=1.0))
    assert slurred.clean, slurred.because


def test_where_the_breath_gave_out_is_told():
    piece = passage(FOUR_BARS)
    reading = replace(found_in(piece).reading, given_out=(7,))
    assert comment_on(Found(reading=reading), clean=False) == (
        "Bar 2: the breath gave out on the note on beat 3 (C5); breathe before the phrase, and keep the air moving"
        " through it.",
    )
    assert trouble_bars(reading) == (1,)


def test_nothing_is_said_of_how_a_wrong_note_was_begun():
    piece = passage(FOUR_BARS)
    played = exact(piece, 60)
    played["written_midi"][5] += 1
    comment = comment_on(found_in(piece, played, articulation=begun(piece, SLURRED, TONGUED, {5})), clean=False)
    assert len(comment) == 1


def test_slurs_count_for_a_clean_take_where_that_is_asked():
    with pytest.raises(UsageError, match="no share of the slurs: give 0 to 1"):
        check_tolerances(Tolerances(articulation_share=90.0))
    assert tolerance_in_words(Tolerances(articulation_share=0.9)).endswith("off, 90 % slurred or tongued as written")


# -- time --------------------------------------------------------------------------------------------------------------


def test_a_place_in_the_beat_is_what_to_refine_in_a_clean_take():
    piece = passage(RUNS)
    played = exact(piece, 60)
    for i in range(1, 64, 4):
        played = moved(played, i, -0.025)
    assessment = judge(piece, played, 60)
    assert assessment.clean
    (place,) = assessment.places
    assert (place.place, place.count, place.mean_ms) == ("the second sixteenth", 16, pytest.approx(-25.0))
    assert assessment.comment[:2] == (
        "Clean: every note right, 65 of 65 notes on time.",
        "The second sixteenth of the beat comes 25 ms (± 0, 16 times) early within the beat; hold the note before it to"
        " its full length.",
    )


def test_unsteady_time_is_said_once_and_not_note_by_note():
    piece = passage(RUNS)
    off_s = np.random.default_rng(4).choice([-0.055, 0.0, 0.055], len(piece.notes), p=[0.15, 0.7, 0.15])
    played = exact(piece, 60)
    played["onset_s"] += off_s
    comment = judge(piece, played, 60).comment
    early, late = int(np.sum(off_s < 0)), int(np.sum(off_s > 0))
    assert comment[0].startswith(f"The time is unsteady: of 65 notes {early} come early and {late} late, most in bars")
    assert comment[0].endswith("play the small notes with a click on each.")
    assert not any("comes" in sentence and "sixteenth" in sentence for sentence in comment), comment


def test_a_take_that_drifts_far_is_not_late_throughout():
    piece = passage(RUNS)
    played = exact(piece, 60)
    played["onset_s"] = played["onset_s"] + 0.08 * played["onset_s"] ** 2 / 32 - 0.04 * played["onset_s"]
    comment = judge(piece, played, 60).comment
    assert not any("throughout" in sentence for sentence in comment)
    assert any(sentence.startswith("You slowed down over the take, from about 62 to 58") for sentence in comment), (
        comment
    )


def test_wandering_from_the_click_is_told():
    piece = passage(RUNS)
    played = exact(piece, 60)
    played["onset_s"] += 0.09 * np.sin(2 * np.pi * played["onset_s"] / 8)
    comment = judge(piece, played, 60).comment
    assert comment[0].startswith("You leave the click and come back to it: ")
    assert comment[0].endswith("; tap the beat with your foot and listen for each downbeat.")


def test_a_take_off_by_the_count_alone_is_told_so():
    piece = passage(FOUR_BARS)
    assert comment_on(found_in(piece), clean=False) == (
        "Every note right, 16 of 16 notes on time; play it again a little slower and listen for the click.",
    )


def test_drift_is_told_once_it_matters():
    piece = passage(FOUR_BARS)
    little = comment_on(found_in(piece, drift=Drift(60.0, 61.0, 0.0)), clean=True)
    assert len(little) == 1
    much = comment_on(found_in(piece, drift=Drift(60.0, 66.0, -500.0)), clean=True)
    assert much[1].startswith("You sped up over the take, from about 60 to 66;")
    slower = comment_on(found_in(piece, drift=Drift(66.0, 60.0, 500.0)), clean=True)
    assert slower[1].startswith("You slowed down over the take, from about 66 to 60;")
    dotted = comment_on(found_in(passage("C5:3/2 D5:3/2", metre=(6, 8)), drift=Drift(60.0, 66.0, -500.0)), clean=True)
    assert dotted[1].startswith("You sped up over the take, from about ♩. = 40 to ♩. = 44;")


def test_entries_after_rests_are_one_thing():
    piece = passage("C4:1 r:1 D4:1 r:1 " * 3 + "C4:4")
    played = exact(piece, 60)
    for i in (1, 3, 5):
        played = moved(played, i, -0.3)
    assessment = judge(piece, played, 60)
    assert [entry.note_index for entry in assessment.entries if entry.verdict == EARLY] == [1, 3, 5]
    assert any(
        sentence.startswith("After rests you come in early, 3 of 6 times by about 300 ms (bars 1, 2 and 3); count the")
        for sentence in assessment.comment
    ), assessment.comment


# -- the whole ---------------------------------------------------------------------------------------------------------


def test_a_device_that_sends_an_octave_off_is_judged_at_pitch_and_told():
    piece = passage(FOUR_BARS)
    played = tongued(piece, 60)
    played["written_midi"] -= 12
    assessment = judge(piece, played, 60)
    assert [note.played_midi for note in assessment.notes] == [note.written_midi for note in piece.notes]
    assert assessment.comment == (
        "Clean: every note right, 16 of 16 notes on time.",
        "The controller sends written pitch, one octave lower; the take was judged at pitch.",
    )
    played["written_midi"][5] += 1
    wrong = judge(piece, played, 60)
    assert wrong.because == "1 of 16 notes wrong, in bar 2"
    assert wrong.notes[5].played_midi == piece.notes[5].written_midi + 1
    assert wrong.advice.startswith("Bar 2: the note on the and of beat 1 was A♯4, not A4;")
    assert wrong.comment[1].startswith("The controller sends")


def test_nothing_to_say_about_nothing():
    empty = Passage("Empty", (), ())
    silent = np.zeros(0, dtype=PLAYED)
    assert judge(empty, silent, 60).comment == ("There is nothing to play in these bars; choose others.",)
    piece = passage(FOUR_BARS)
    assert judge(piece, silent, 60).comment == (
        "Nothing was heard of these bars; check the port and the instrument, then start again.",
    )


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 9999), st.sampled_from(["clean", "student", "messy", "chaos"]))
def test_a_comment_has_one_to_four_sentences_each_said_once(seed, level):
    piece = melody(seed, 6, seed % 2 == 0)
    assessment = judge(piece, take(piece, 72, level, seed).played, 72)
    assert 1 <= len(assessment.comment) <= MOST_SENTENCES
    assert assessment.advice == assessment.comment[0]
    assert len(set(assessment.comment)) == len(assessment.comment)
    for sentence in assessment.comment:
        assert sentence[0].isupper() or sentence[0].isdigit()
        assert sentence.endswith(".") and ".." not in sentence and "\n" not in sentence and "  " not in sentence
        assert ";" in sentence or assessment.clean or len(assessment.comment) > 1


LIVES_S = st.one_of(st.just(float("nan")), st.floats(-1.0, 5.0))
NOTES = st.tuples(st.floats(-10.0, 60.0), LIVES_S, st.integers(0, 127), st.integers(0, 127))


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 9999), st.lists(NOTES, max_size=40), st.sampled_from([20.0, 72.0, 400.0]))
def test_any_row_of_notes_can_be_judged(seed, rows, tempo_bpm):
    piece = melody(seed, 2)
    played = np.array([(on, on + life, midi, velocity) for on, life, midi, velocity in rows], dtype=PLAYED)
    first, second = judge(piece, played, tempo_bpm), judge(piece, played, tempo_bpm)
    assert first.comment == second.comment and first.notes == second.notes
    assert len(first.realised) == len(played)
    assert len(first.notes) == len(piece.notes)
    assert first.clean == (not first.because)
    realised = {note for note in first.realised if note >= 0}
    assert realised == {n.note_index for n in first.notes if n.deviation_ms is not None}


ODD = "a:D5 C5:1 Bb4:1/2 A4:1/2 r:1 g:F4 G4:1 F4:1/3 E4:1/3 D4:1/3 C4:1/4 E4:1/4 G4:1/4 C5:1/4 Bb4:3/4 A4:1/4 D5:1"
BREATHS = st.lists(st.tuples(st.floats(-1.0, 12.0), st.integers(0, 127)), max_size=20)
PRESSED = st.lists(st.tuples(st.floats(-1.0, 12.0), st.sets(st.sampled_from(["l1", "l2", "bis", "octave", "r1"]))))


@settings(max_examples=60, deadline=None)
@given(st.lists(NOTES, max_size=30), BREATHS, PRESSED, st.integers(0, 1))
def test_nor_does_anything_else_that_is_told_stop_the_judge(rows, breaths, held, with_trill):
    piece = passage(ODD, fifths=-1)
    if with_trill:
        notes = [replace(n, trill=Trill(pitch("C5"))) if n.index == 2 else n for n in piece.notes]
        piece = replace(piece, notes=tuple(notes), slurs=(Slur(1, 3),))
    chart = load("alto")
    played = np.array([(on, on + life, midi, velocity) for on, life, midi, velocity in rows], dtype=PLAYED)
    assessment = judge(
        piece,
        played,
        60,
        Tolerances(articulation_share=0.9),
        planned(piece, chart),
        chart=chart,
        breath=np.array(sorted(breaths), dtype=BREATH),
        pressed=[Pressed(time_s, frozenset(keys)) for time_s, keys in sorted(held, key=lambda item: item[0])],
    )
    assert len(assessment.articulation) == len(assessment.notes) == len(piece.notes)
    assert 1 <= len(assessment.comment) <= MOST_SENTENCES
    assert {slip.note_index for slip in assessment.slips} <= set(assessment.realised)


def test_who_begins_in_the_middle_has_left_nothing_out_by_mistake():
    piece = passage(FOUR_BARS)
    in_time, at_once = exact(piece, 60)[8:], exact(piece, 60)[8:]
    at_once["onset_s"] -= 8.0
    at_once["offset_s"] -= 8.0
    for played in (in_time, at_once):
        assessment = judge(piece, played, 60)
        assert assessment.comment[0] == (
            "Bar 1: you began with the note on beat 1 in bar 3; 8 notes before it were not played; begin where the"
            " count-in leads, or choose bars to play."
        )
        assert not any("throughout" in sentence or "the click" in sentence for sentence in assessment.comment)


def test_the_notes_before_a_stop_are_not_early_for_it():
    piece = passage(FOUR_BARS)
    played = exact(piece, 60)
    played["onset_s"][2:] += 1.8
    played["offset_s"][2:] += 1.8
    reading = read_take(piece, played, 60, Tolerances(), align(piece, played, 60))
    assert [stop.before for stop in reading.stops] == [2] and np.abs(reading.local_s).max() < 1e-9
    assert not any("neighbours" in sentence for sentence in judge(piece, played, 60).comment)


COUNTED = "while the click goes on count it as written, and hold it when you play without"
BREATHED = "take the breath out of the note before it, so that the next one is on the click"


@pytest.mark.parametrize(
    ("sign", "words", "remedy"),
    [
        ("fermata", "the fermata", COUNTED),
        ("caesura", "the caesura", COUNTED),
        ("breath-mark", "the breath mark", BREATHED),
    ],
)
def test_a_fermata_is_counted_while_the_click_goes_on(sign, words, remedy):
    piece = passage("C4:1 D4:1 E4:1 F4:1 G4:1 r:3 C5:1 B4:1 A4:1 G4:1 F4:1 E4:1 D4:2")
    played = exact(piece, 60)
    played["onset_s"][5:] += 1.8
    played["offset_s"][5:] += 1.8
    assert "you stopped for 1.8 s before the note on beat 1" in judge(piece, played, 60).comment[0]
    over_rest = replace(piece, waits=(Wait(Fraction(5), sign),))
    over_note = [replace(n, fermata=sign == "fermata", articulations=frozenset({sign})) for n in piece.notes[4:5]]
    over_note = replace(piece, notes=(*piece.notes[:4], *over_note, *piece.notes[5:]))
    for held in (over_rest, over_note):
        assessment = judge(held, played, 60)
        assert not assessment.clean and assessment.comment[0] == (
            f"Bar 3: {words} made you 1.8 s late for the note on beat 1; {remedy}."
        )


def test_a_note_made_good_after_going_back_has_no_time_to_speak_of():
    piece = passage(FOUR_BARS)
    once = without(exact(piece, 60), 5)
    again = exact(piece, 60)[4:]
    again["onset_s"] += 6.0
    again["offset_s"] += 6.0
    played = np.concatenate([once[:8], again])
    reading = read_take(piece, played, 60, Tolerances(), align(piece, played, 60))
    assert reading.deviation_s[5] == pytest.approx(6.0) and np.isnan(reading.local_s[5])
    assert not any("neighbours" in sentence for sentence in judge(piece, played, 60).comment)


def test_a_skip_is_said_to_begin_in_its_own_bar():
    piece = passage(FOUR_BARS)
    run = range(3, 8)
    assert _about_skip(piece, run, 0).endswith("from the note on beat 4 to the note on beat 3 in bar 2")
    assert _about_skip(piece, run, 1).endswith("from the note on beat 4 in bar 1 to the note on beat 3")
