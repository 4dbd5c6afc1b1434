"""Slips and their fingers. Which note sounds between two fingerings follows from the mechanism; what is known from
outside says so."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from blip_fingers import changes, scales
from hypothesis import given
from hypothesis import strategies as st
from practice.made import exact, passage, with_note

from companion import charts
from companion.errors import UsageError
from companion.passage import Passage, Pitch, Trill
from companion.planning import plan
from companion.practice import align
from companion.practice.between import Change, Mover, State
from companion.practice.model import PLAYED, Pressed
from companion.practice.simulation import simulate
from companion.practice.slips import blip_limit_s, find_slips, likeliest, sure_fingers

ALTO = charts.load("alto")
BPM = 100.0
#: The second note of a passage in quarters.
AT_S = 0.6


def slips_of(text: str, *blips: int, marks=None, life_s=0.038, bpm=BPM, **more):
    """Slips of the first two notes of `text`, with short notes before the second."""
    piece = passage(text)
    played = exact(piece, bpm)
    due_s = float(played["onset_s"][1])
    for i, midi in enumerate(reversed(blips)):
        played = with_note(played, due_s - (i + 1) * life_s, midi, life_s)
    realised = np.array([0, *([-1] * len(blips)), *range(1, len(piece.notes))])
    return find_slips(piece, played, realised, plan(piece, ALTO, marks), ALTO, **more)


def only(text: str, *blips: int, **more):
    (slip,) = slips_of(text, *blips, **more)
    return slip


# -- who was early, who late -----------------------------------------------------------------------------------------


def test_f_to_f_sharp_with_a_g_is_a_late_middle_finger_and_with_an_e_a_late_index() -> None:
    """G if the old finger lifts first, E if the new one closes first: common practice, no source."""
    lifted_first = only("F4:1 F#4:1", 67, marks={1: "standard"})
    assert (lifted_first.early, lifted_first.late) == (("right index",), ("right middle",))
    closed_first = only("F4:1 F#4:1", 64, marks={1: "standard"})
    assert (closed_first.early, closed_first.late) == (("right middle",), ("right index",))
    assert closed_first.sentence == (
        "From F4 to F♯4 a short E4 sounds for 38 ms: your right index came up late, behind the middle finger"
    )


def test_what_is_measured_is_the_life_of_the_blip() -> None:
    slip = only("G4:1 Bb4:1", 71)
    assert (slip.note_index, slip.from_index, slip.heard_midi) == (1, 0, 71)
    assert slip.time_s == pytest.approx(AT_S - 0.038)
    assert slip.life_ms == pytest.approx(38.0)
    assert slip.by_ms == slip.life_ms
    assert slip.told
    assert ALTO.sound(slip.keys) == 71
    assert slip.states == 2
    assert slip.late == ("left index",)
    assert "your left index went down late, behind the middle finger" in slip.sentence


def test_a_hand_is_named_whole_where_all_its_fingers_moved() -> None:
    slip = only("C5:1 D5:1", 79, marks={0: "standard", 1: "standard"})
    assert set(slip.late) == {"right index", "right middle", "right ring"}
    assert "your right hand went down late, behind the left hand" in slip.sentence


def test_two_blips_of_one_change_tell_more_than_each_alone() -> None:
    """From open C to D, first A5 and then F♯5: the second alone leaves open whether the thumb was there at first."""
    first, second = slips_of("C5:1 D5:1", 81, 78, marks={0: "standard", 1: "standard"}, life_s=0.03)
    assert first.told and second.told
    assert {"left thumb", "left index"} <= set(first.early)
    assert "left ring" in first.late and "left ring" in second.early
    assert second.states <= only("C5:1 D5:1", 78, marks={0: "standard", 1: "standard"}).states


def test_blips_that_no_order_gives_one_after_another_are_told_one_by_one() -> None:
    found = slips_of("F4:1 F#4:1", 64, 67, marks={1: "standard"}, life_s=0.02)
    assert [slip.late for slip in found] == [("right index",), ("right middle",)]


@pytest.mark.parametrize(
    ("text", "pitches", "realised"),
    [
        ("C5:1 D5:1", (84, 72), [0, -1, 0, 1]),
        ("C5:1 D5:1", (84, 72), [0, -1, -1, 1]),
        ("D5:1 C5:1", (72, 84), [0, 1, -1, 1]),
        ("D5:1 C5:1", (72, 84), [0, -1, -1, 1]),
    ],
)
def test_a_note_that_comes_back_for_a_moment_is_on_the_way(text, pitches, realised) -> None:
    """C with the octave key down, C again as the thumb bounces, then D; and back: however the short C was matched."""
    piece = passage(text)
    played = with_note(with_note(exact(piece, BPM), 0.53, pitches[0], 0.03), 0.56, pitches[1], 0.04)
    (slip,) = find_slips(piece, played, np.array(realised), plan(piece, ALTO, {0: "standard", 1: "standard"}), ALTO)
    assert (slip.from_index, slip.note_index, slip.heard_midi) == (0, 1, 84)
    assert (slip.early if text.startswith("C") else slip.late) == ("left thumb",)


def test_a_note_parted_by_a_key_that_was_brushed_is_no_change() -> None:
    piece = passage("A4:1 B4:1")
    played = with_note(with_note(exact(piece, BPM), 0.2, 70, 0.03), 0.23, 69, 0.37)
    (slip,) = find_slips(piece, played, np.array([0, -1, 0, 1]), plan(piece, ALTO), ALTO)
    assert (slip.from_index, slip.note_index) == (0, 0)
    assert "Between A4 and A4 again a short B♭4 sounds for 30 ms: the side B♭ key touched" in slip.sentence


def test_a_blip_within_a_trill_goes_by_the_trills_fingerings() -> None:
    piece = passage("F4:4")
    note = replace(piece.notes[0], trill=Trill(Pitch("F", 1, 4)))
    piece = replace(piece, notes=(note,))
    standard = plan(piece, ALTO)
    (choice,) = standard.choices
    flip = replace(standard, choices=(replace(choice, trill_fingering=ALTO.standard(66)),))
    rows = [(0.0, 65), (0.1, 66), (0.2, 65), (0.28, 64), (0.3, 66), (0.4, 65), (0.48, 64), (0.5, 66)]
    played = np.zeros(len(rows), dtype=PLAYED)
    played["onset_s"], played["written_midi"] = zip(*rows, strict=True)
    played["offset_s"] = [*played["onset_s"][1:], 0.6]
    realised = np.where(played["written_midi"] == 64, -1, 0)
    found = find_slips(piece, played, realised, flip, ALTO)
    assert [(slip.from_index, slip.note_index, slip.late) for slip in found] == [(0, 0, ("right index",))] * 2
    assert found[0].sentence.startswith("From F4 to F♯4 a short E4 sounds for 20 ms")


@pytest.mark.parametrize(
    ("text", "heard", "name"),
    [("C#5:1 E5:1", 70, "A♯4"), ("Eb4:1 G4:1", 66, "G♭4"), ("C5:1 D5:1", 70, "B♭4"), ("C5:1 D5:1", 78, "F♯5")],
)
def test_a_false_note_is_spelled_as_those_around_it(text: str, heard: int, name: str) -> None:
    assert f" a short {name} sounds for 38 ms" in only(text, heard).sentence


def test_many_fingers_are_counted_in_the_sentence_and_named_in_the_fields() -> None:
    lone = only("D5:1 B4:1", 76)
    assert lone.early == ("right ring",)
    assert len(lone.late) == 5
    assert lone.sentence.endswith("your right ring finger came up early, ahead of 5 others")


def change_of(*fingers: str) -> Change:
    """Fingers that each press a key of their own; states are made by hand."""
    movers = tuple(Mover(finger, frozenset(), frozenset({finger})) for finger in fingers)
    return Change(frozenset(), frozenset(fingers), movers, ())


def state(*progress: int, keys: str = "") -> State:
    return State(frozenset(keys.split()), progress)


L_INDEX, L_MIDDLE, R_INDEX, R_MIDDLE = "left index", "left middle", "right index", "right middle"


@pytest.mark.parametrize(
    ("fingers", "states", "expected"),
    [
        # One state, and two that agree on one pair.
        ((L_INDEX, R_INDEX), [(2, 0)], ((L_INDEX,), (R_INDEX,))),
        ((L_INDEX, L_MIDDLE, R_INDEX), [(2, 0, 0), (2, 2, 0)], ((L_INDEX,), (R_INDEX,))),
        # Halfway is ahead of those that have not moved and behind those that have.
        ((L_INDEX, R_INDEX), [(1, 0)], ((L_INDEX,), (R_INDEX,))),
        ((L_INDEX, L_MIDDLE, R_INDEX), [(2, 1, 0)], ((L_INDEX,), (R_INDEX,))),
        # Either finger of one hand may have been first, the other hand was last for sure.
        ((L_INDEX, L_MIDDLE, R_INDEX), [(2, 0, 0), (0, 2, 0)], (("left hand",), (R_INDEX,))),
        ((L_INDEX, R_INDEX, R_MIDDLE), [(2, 2, 0), (2, 0, 2)], ((L_INDEX,), ("right hand",))),
        # The rest of that same hand may not be said to be both early and late.
        ((L_INDEX, L_MIDDLE, "left ring"), [(2, 0, 0), (0, 2, 0)], ((), ())),
        # Either hand may have been first.
        ((L_INDEX, R_INDEX), [(2, 0), (0, 2)], ((), ())),
        ((L_INDEX, R_INDEX, R_MIDDLE), [(2, 0, 0), (0, 2, 0)], ((), ())),
        ((L_INDEX,), [(1,)], ((), ())),
    ],
)
def test_what_is_sure_is_what_all_states_agree_on(fingers, states, expected) -> None:
    assert sure_fingers(change_of(*fingers), [state(*progress) for progress in states]) == expected


def test_the_likeliest_state_is_hands_apart_then_nobody_halfway_then_few_out_of_step() -> None:
    three = change_of(L_INDEX, L_MIDDLE, R_INDEX)
    hands, fingers = state(2, 2, 0, keys="z"), state(2, 0, 0, keys="a")
    assert likeliest(three, [fingers, hands]) == likeliest(three, [hands, fingers]) == hands
    two = change_of(L_INDEX, R_INDEX)
    assert likeliest(two, [state(1, 0, keys="a"), state(2, 0, keys="z")]) == state(2, 0, keys="z")
    four = change_of(L_INDEX, L_MIDDLE, R_INDEX, R_MIDDLE)
    one, many = state(2, 0, 0, 0, keys="z"), state(2, 0, 2, 0, keys="a")
    assert likeliest(four, [many, one]) == one
    five = change_of(L_INDEX, L_MIDDLE, "left ring", "left little", R_INDEX)
    one, many = state(2, 0, 0, 0, 0, keys="z"), state(2, 2, 0, 0, 0, keys="a")
    assert likeliest(five, [many, one]) == one
    assert likeliest(two, [state(2, 0, keys="b"), state(0, 2, keys="a")]) == state(0, 2, keys="a")


# -- where it can't be told ------------------------------------------------------------------------------------------


def untold(slip) -> bool:
    return not slip.told and slip.early == slip.late == () and slip.by_ms is None


def test_two_stories_with_other_fingers_name_none_and_are_both_told_of() -> None:
    """Low C♯ to E♭ lets a D sound if the right little finger is on neither of its keys, whichever hand was first."""
    slip = only("C#4:1 Eb4:1", 62)
    assert untold(slip)
    assert slip.states > 1
    assert slip.sentence.endswith(
        "it can't be told which finger: either the left little finger was behind the right little finger or the right"
        " little finger was behind the left little finger"
    )


def test_where_one_side_only_is_sure_it_is_said_without_a_name_in_the_fields() -> None:
    """B to D over a B♭: r1 and r2 and r3 all close the bis pad, the middle finger is late in each case."""
    slip = only("B4:1 D5:1", 70)
    assert untold(slip)
    assert "your left middle finger came late; it can't be told against which other finger" in slip.sentence


def test_a_single_finger_has_nobody_to_be_behind() -> None:
    slip = only("C#4:1 B3:1", 60)
    assert untold(slip)
    assert slip.states > 0
    assert "only your left little finger moves there, and had left one key before it had the next" in slip.sentence


@pytest.mark.parametrize(
    ("text", "marks", "midi", "says"),
    [
        ("G4:1 A4:1", None, 79, "it is an octave above G4, which comes from the octave key or from the air"),
        ("A4:1 A5:1", None, 57, "it is an octave below A4, which comes from the air"),
        ("G4:1 A4:1", None, 68, "the left little finger on one of its keys for a moment would sound it"),
        ("A4:1 A4:1", None, 70, "the side B♭ key touched for a moment would sound it"),
        ("A4:1 A4:1", None, 71, "the left middle finger's key let go for a moment would sound it"),
        ("D5:1 E5:1", {1: "standard"}, 61, "so a key was brushed or the note broke"),
        ("A4:1 A4:1", None, 60, "no finger moves there, so a key was brushed or the note broke"),
        ("F4:1 F#4:1", {1: "chromatic"}, 64, "no order of the planned fingers sounds it; those of F♯4 with its usual"),
        ("C#6:1 Eb6:1", None, 86, "the palm E♭ key came after the palm D key"),
        # Two other fingerings of C♯ would do, two fingers under C: neither is named.
        ("D5:1 C#5:1", {1: "long C♯, right hand down"}, 76, "sounds it, so a key was brushed or the note broke"),
        ("B3:1 C4:1", None, 77, "no order of the planned fingers sounds it, so a key was brushed or the note broke"),
        ("B3:1 C4:1", None, 66, "no order of the planned fingers sounds it, so a key was brushed or the note broke"),
    ],
)
def test_what_the_planned_fingers_do_not_sound_is_said_to_come_from_elsewhere(text, marks, midi, says) -> None:
    slip = only(text, midi, marks=marks)
    assert untold(slip)
    assert slip.states == 0
    assert says in slip.sentence


@pytest.mark.parametrize("known", [{}, {"plan": True}, {"chart": True}])
def test_without_plan_or_chart_the_slip_is_there_and_untold(known) -> None:
    piece = passage("G4:1 Bb4:1")
    played = with_note(exact(piece, BPM), AT_S - 0.038, 69, 0.038)
    given = {"plan": plan(piece, ALTO)} if "plan" in known else {"chart": ALTO} if "chart" in known else {}
    (slip,) = find_slips(piece, played, np.array([0, -1, 1]), **given)
    assert untold(slip)
    assert slip.sentence == (
        "From G4 to B♭4 a short A4 sounds for 38 ms; which fingers, only their planned fingerings can tell"
    )


def test_a_plan_of_other_notes_is_refused() -> None:
    piece = passage("G4:1 Bb4:1")
    with pytest.raises(UsageError, match="the plan is for 1 notes and the passage has 2: plan these bars anew"):
        find_slips(piece, exact(piece, BPM), np.array([0, 1]), plan(passage("G4:1"), ALTO), ALTO)


# -- what is a blip --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bpm", "life_s", "is_one"),
    [(100, 0.074, True), (100, 0.095, False), (60, 0.1, True), (60, 0.155, False), (30, 0.14, True), (30, 0.16, False)],
)
def test_a_blip_may_last_longer_in_slow_music(bpm: float, life_s: float, is_one: bool) -> None:
    assert len(slips_of("G4:1 Bb4:1", 69, bpm=bpm, life_s=life_s)) == is_one


def test_a_longer_note_that_no_fingers_of_the_change_sound_is_an_added_one() -> None:
    assert len(slips_of("G4:1 G4:1", 68, bpm=60, life_s=0.06)) == 1
    assert slips_of("G4:1 G4:1", 68, bpm=60, life_s=0.1) == ()
    piece = passage("G4:1 Bb4:1")
    played = with_note(exact(piece, 60), 0.9, 69, 0.1)
    assert find_slips(piece, played, np.array([0, -1, 1])) == ()


def test_the_limit_is_that_of_the_matching_and_grows_with_the_interval_up_to_an_end() -> None:
    assert [blip_limit_s(between_s) for between_s in (0.1, 0.5, 0.8, 1.0, 3.0)] == [
        0.075,
        0.075,
        pytest.approx(0.12),
        0.15,
        0.15,
    ]


def test_a_short_note_beside_a_wrong_or_missing_one_is_no_slip_of_this_change() -> None:
    piece = passage("G4:1 Bb4:1 A4:1")
    fingered = plan(piece, ALTO)
    played = with_note(exact(piece, BPM), AT_S - 0.038, 69, 0.038)
    assert len(find_slips(piece, played, np.array([0, -1, 1, 2]), fingered, ALTO)) == 1
    assert find_slips(piece, played, np.array([0, -1, -1, 2]), fingered, ALTO) == ()
    wrong = played.copy()
    wrong["written_midi"][2] = 60
    assert find_slips(piece, wrong, np.array([0, -1, 1, 2]), fingered, ALTO) == ()
    assert find_slips(piece, played, np.array([1, -1, 0, 2]), fingered, ALTO) == ()
    assert find_slips(piece, played, np.array([0, -1, 2, 2]), fingered, ALTO) == ()
    skipped = played.copy()
    skipped["written_midi"] = [67, 71, 69, 60]
    four = passage("G4:1 Bb4:1 A4:1 C4:1")
    assert find_slips(four, skipped, np.array([0, -1, 2, 3]), plan(four, ALTO), ALTO) == (), "B♭ was left out"


def test_one_of_the_two_notes_sounding_twice_is_no_wrong_note() -> None:
    assert slips_of("G4:1 Bb4:1", 67) == ()
    assert slips_of("G4:1 Bb4:1", 70) == ()
    assert [slip.heard_midi for slip in slips_of("G4:1 Bb4:1", 69, 67)] == [69]


def test_an_empty_take_has_no_slips() -> None:
    assert find_slips(passage("G4:1"), np.zeros(0, dtype=PLAYED), np.zeros(0, dtype=np.int64)) == ()


# -- over many -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["alto", "baritone"])
@pytest.mark.parametrize("measure", [changes, scales])
def test_fingers_are_named_right_over_all_changes_of_neighbouring_notes(measure, name: str) -> None:
    """Held against brute force over the chart: what can be told is, and nothing else."""
    count = measure(charts.load(name), trials=1, seed=17)
    tellable = count["tellable finger"] + count["tellable hand"]
    assert tellable > 80
    assert count["right finger"] + count["right hand"] >= 0.95 * tellable
    assert count["named in vain"] == 0
    assert count["named wrong"] <= 0.01 * tellable


def scale_piece(seed: int) -> Passage:
    """Steps and thirds of D major, up and down at random."""
    rng = np.random.default_rng(seed)
    names = ["D4", "E4", "F#4", "G4", "A4", "B4", "C#5", "D5", "E5", "F#5", "G5", "A5", "B5", "C#6", "D6"]
    at, words = 7, []
    for step in rng.choice([-2, -1, -1, 1, 1, 2], 48):
        at = min(max(at + int(step), 0), len(names) - 1)
        words.append(f"{names[at]}:1/4")
    return passage(" ".join(words))


def test_simulated_blips_are_found_in_whole_takes_and_their_fingers_named() -> None:
    count: Counter[str] = Counter()
    for seed in range(16):
        piece = scale_piece(seed)
        fingered = plan(piece, ALTO)
        take = simulate(piece, 80, "chaos", seed, kinds={"blip"}, plan=fingered, chart=ALTO)
        realised = align(piece, take.played, 80).pairs[: len(take.played), 0]
        found = {round(s.time_s, 6): s for s in find_slips(piece, take.played, realised, fingered, ALTO)}
        for blip in (blip for blip in take.blips if blip.early):
            slip = found.get(round(float(take.played["onset_s"][blip.played_index]), 6))
            named = slip is not None and slip.told
            count["true"] += 1
            count["right"] += named and set(slip.early) <= set(blip.early) and set(slip.late) <= set(blip.late)
    assert count["true"] >= 8
    assert count["right"] >= 0.9 * count["true"]


@given(
    pitches=st.lists(st.integers(58, 90), min_size=2, max_size=12),
    extras=st.lists(st.integers(0, 11), max_size=6),
    heard=st.lists(st.integers(0, 127), min_size=12, max_size=12),
)
def test_any_take_is_told_consistently(pitches: list[int], extras: list[int], heard: list[int]) -> None:
    names = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
    piece = passage(" ".join(f"{names[midi % 12]}{midi // 12 - 1}:1/2" for midi in pitches))
    played, realised = exact(piece, BPM), list(range(len(pitches)))
    for note in sorted({extra for extra in extras if 0 < extra < len(pitches)}, reverse=True):
        played = with_note(played, float(played["onset_s"][note]) - 0.03, heard[note], 0.03)
        realised.insert(note, -1)
    for slip in find_slips(piece, played, np.array(realised), plan(piece, ALTO), ALTO):
        assert slip.told == bool(slip.early) == bool(slip.late) == (slip.by_ms is not None)
        assert not set(slip.early) & set(slip.late)
        assert not slip.states or ALTO.sound(slip.keys) == slip.heard_midi
        assert slip.sentence.startswith(("From ", "Between "))
        assert slip.note_index == slip.from_index + 1


# -- with the keys that were held ------------------------------------------------------------------------------------


def keys_at(*rows: tuple[float, str]) -> tuple[Pressed, ...]:
    return tuple(Pressed(time_s, frozenset(keys.split())) for time_s, keys in rows)


def test_held_keys_tell_who_was_late_and_by_how_much() -> None:
    """G to B♭ with side where bis is planned: the plan could not have told it."""
    held = keys_at((0.0, "l1 l2 l3"), (0.562, "l1 l2"), (0.6, "l1 l2 side_b_flat"))
    slip = only("G4:1 Bb4:1", 69, pressed=held)
    assert (slip.early, slip.late) == (("left ring",), ("right side",))
    assert slip.by_ms == pytest.approx(38.0)
    assert slip.keys == {"l1", "l2"}
    assert slip.sentence == (
        "From G4 to B♭4 a short A4 sounds for 38 ms: your right side key went down late, behind the left ring finger by"
        " 38 ms, as the keys tell"
    )


def test_held_keys_that_arrive_just_after_their_note_count_with_it() -> None:
    held = keys_at((0.002, "l1 l2 l3"), (0.564, "l1 l2"), (0.602, "l1 bis"))
    slip = only("G4:1 Bb4:1", 69, pressed=held)
    assert (slip.early, slip.late) == (("left ring",), ("left index", "left middle"))


def test_held_keys_show_a_key_that_was_brushed() -> None:
    held = keys_at((0.0, "l1 l2 l3"), (0.562, "l1 l2 l3 g_sharp"), (0.6, "l1 l2 l3"))
    slip = only("G4:1 G4:1", 68, pressed=held)
    assert untold(slip)
    assert (slip.keys, slip.states) == ({"l1", "l2", "l3", "g_sharp"}, 1)
    assert slip.sentence.endswith("sounds for 38 ms: the G♯ key went down and came up again")


def test_held_keys_that_do_not_sound_it_leave_the_air() -> None:
    held = keys_at((0.0, "l1 l2 l3"), (0.6, "l1 bis"))
    slip = only("G4:1 Bb4:1", 79, pressed=held)
    assert untold(slip)
    assert slip.sentence.endswith("the keys held then sound G4, so the air made it")


def test_held_keys_are_enough_without_a_plan() -> None:
    piece = passage("G4:1 Bb4:1")
    played = with_note(exact(piece, BPM), AT_S - 0.038, 69, 0.038)
    held = keys_at((0.0, "l1 l2 l3"), (0.562, "l1 l2"), (0.6, "l1 bis"))
    (slip,) = find_slips(piece, played, np.array([0, -1, 1]), None, ALTO, held)
    assert slip.early == ("left ring",)


def test_where_the_keys_were_not_told_the_plan_is_used() -> None:
    late = keys_at((5.0, "l1 l2"))
    assert only("G4:1 Bb4:1", 71, pressed=late) == only("G4:1 Bb4:1", 71)
