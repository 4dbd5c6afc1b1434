from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from practice.made import passage

from companion.errors import UsageError
from companion.passage import Passage, TempoMark
from companion.practice.ladder import METRONOME_BPM, Ladder, default_ladder, metronome_bpm
from companion.practice.model import Assessment

EMPTY = Passage("Empty", (), ())


def marked(bpm):
    return replace(EMPTY, tempos=(TempoMark(Fraction(0), bpm),))


def after(ladder, *takes):
    step = None
    for clean in takes:
        ladder, step = ladder.after(clean)
    return ladder, step


def test_the_rungs_end_exactly_on_the_target():
    assert Ladder(60, 8, 92).rungs == (60, 68, 76, 84, 92)
    assert Ladder(60, 8, 90).rungs == (60, 68, 76, 84, 90)
    # A last step of under half a step is merged into the one before.
    assert Ladder(60, 8, 87).rungs == (60, 68, 76, 87)
    assert Ladder(60, 8, 60).rungs == (60,)
    assert Ladder(60, 8, 61).rungs == (60, 61)


@given(st.floats(10, 300), st.floats(0.5, 60), st.floats(0, 300))
def test_rungs_rise_by_about_a_step_to_the_target(start, step, more):
    target = min(start + more, 600.0)
    rungs = Ladder(start, step, target).rungs
    assert rungs[0] == start
    assert rungs[-1] == target
    gaps = [b - a for a, b in pairwise(rungs)]
    assert all(0 < gap <= 1.5 * step + 1e-4 for gap in gaps)


def test_clean_takes_in_a_row_climb():
    ladder = Ladder(60, 4, 68)
    ladder, step = after(ladder, True)
    assert (step.kind, step.sentence) == ("stay", "One clean take at 60, 2 to go.")
    ladder, step = after(ladder, True)
    assert (step.kind, step.sentence) == ("stay", "Two clean takes at 60, 1 to go.")
    ladder, step = after(ladder, True)
    assert (step.kind, step.sentence) == ("climb", "Three clean takes at 60: on to 64.")
    assert (ladder.tempo_bpm, ladder.clean_in_a_row) == (64, 0)


def test_a_take_that_is_not_clean_starts_the_count_again():
    ladder, step = after(Ladder(60, 4, 68), True, True, False)
    assert (step.kind, step.sentence) == ("stay", "Not clean yet: stay at 60.")
    ladder, step = after(ladder, True, True)
    assert (step.kind, ladder.rung) == ("stay", 0)


def test_repeated_trouble_steps_back_but_not_below_the_lowest_rung():
    ladder, step = after(Ladder(60, 4, 68).at(64), False, False, False)
    assert (step.kind, step.sentence) == ("step back", "Three takes not clean at 64: back to 60.")
    ladder, step = after(ladder, False, False, False)
    assert (step.kind, ladder.rung, ladder.trouble_in_a_row) == ("stay", 0, 0)
    assert step.sentence == "Three takes not clean on the lowest rung: take fewer bars, or start below 60."


def test_a_clean_take_between_forgives_trouble():
    ladder, step = after(Ladder(60, 4, 68).at(64), False, False, True, False, False)
    assert (step.kind, ladder.tempo_bpm) == ("stay", 64)


def test_the_target_is_reached_and_stays_so():
    ladder, step = after(Ladder(60, 4, 64, clean_needed=2).at(64), True, True)
    assert (step.kind, step.sentence) == ("target reached", "Two clean takes at 64: the target is reached.")
    assert after(ladder, True)[1].kind == "target reached"


def test_an_assessment_decides_by_whether_it_is_clean():
    assessment = Assessment(60, (), (), True, "", "")
    assert Ladder(60, 4, 64, clean_needed=1).after(assessment)[1].kind == "climb"
    assert Ladder(60, 4, 64, clean_needed=1).after(replace(assessment, clean=False))[1].kind == "stay"


@given(st.lists(st.booleans(), max_size=80), st.integers(1, 4), st.integers(1, 4))
def test_whatever_happens_the_player_stands_on_a_rung(takes, clean_needed, trouble_allowed):
    ladder = Ladder(60, 4, 80, clean_needed, trouble_allowed)
    for clean in takes:
        before = ladder
        ladder, step = ladder.after(clean)
        assert abs(ladder.rung - before.rung) <= 1
        assert (step.kind == "climb") == (ladder.rung > before.rung)
        assert (step.kind == "step back") == (ladder.rung < before.rung)
        assert ladder.clean_in_a_row <= clean_needed
        assert ladder.trouble_in_a_row < trouble_allowed
        assert ladder.clean_in_a_row == 0 or ladder.trouble_in_a_row == 0


def test_the_rule_in_words():
    assert Ladder(60, 4, 80).rule == "Three clean takes in a row: up 4. Three takes in a row not clean: one rung back."
    assert Ladder(60, 2.5, 80, 1, 12).rule == (
        "One clean take in a row: up 2.5. 12 takes in a row not clean: one rung back."
    )


def test_at_finds_the_nearest_rung():
    assert Ladder(60, 8, 92, clean_in_a_row=2).at(71) == Ladder(60, 8, 92, rung=1)
    assert Ladder(60, 8, 92).at(500).tempo_bpm == 92


@pytest.mark.parametrize(
    ("numbers", "says"),
    [
        ((0, 4, 80), "start tempo of 0"),
        ((60, 4, float("nan")), "target tempo of nan"),
        ((60, 4, 5000), "target tempo of 5000"),
        ((90, 4, 80), "start at 90 and end below it"),
        ((60, 0, 80), "a step of 0"),
        ((60, -4, 80), "a step of -4"),
        ((60, 4, 80, 0), "0 takes in a row"),
        ((60, 4, 80, 3, 0), "0 takes in a row"),
        ((60, 4, 80, 3, 3, 9), "no rung 9"),
    ],
)
def test_numbers_that_make_no_ladder_are_refused_in_one_line(numbers, says):
    with pytest.raises(UsageError, match=says) as caught:
        Ladder(*numbers)
    assert "\n" not in str(caught.value)


def test_the_default_follows_the_tempo_mark():
    ladder = default_ladder(marked(112.0))
    # 60 % of 112 is 67.2, the metronome number next to it 66.
    assert (ladder.start_bpm, ladder.step_bpm, ladder.target_bpm) == (66, 4, 112)
    assert ladder.rungs[-1] == 112
    assert default_ladder(EMPTY).target_bpm == 92
    assert default_ladder(marked(240.0)).step_bpm == 4
    assert len(default_ladder(marked(400.0)).rungs) <= 26


def test_what_is_given_is_kept():
    ladder = default_ladder(marked(112.0), 100, 70, 10, 5)
    assert (ladder.start_bpm, ladder.step_bpm, ladder.target_bpm, ladder.clean_needed) == (70, 10, 100, 5)
    # A start above the printed tempo moves the target, unless that is given too.
    assert default_ladder(marked(60.0), start_bpm=80).rungs == (80,)
    with pytest.raises(UsageError, match="start at 80 and end below it, at 70"):
        default_ladder(marked(60.0), target_bpm=70, start_bpm=80)


@given(st.floats(17, 600))
def test_every_tempo_mark_gives_a_ladder(bpm):
    ladder = default_ladder(marked(bpm))
    assert ladder.rungs[-1] == bpm
    assert 0.55 * bpm <= ladder.start_bpm <= 0.66 * bpm


def test_the_pendulum_numbers():
    assert METRONOME_BPM[:3] == (40, 42, 44)
    assert METRONOME_BPM[-3:] == (192, 200, 208)
    assert {60, 63, 66, 69, 72, 76, 116, 120, 126, 138, 144, 152} <= set(METRONOME_BPM)
    assert metronome_bpm(67.2) == 66
    assert metronome_bpm(25.4) == 25
    assert metronome_bpm(3.0) == 10


def test_steps_in_per_cent_grow_with_the_tempo():
    # 60 times 1.1, 1.21, 1.331, 1.4641, on whole numbers; 96.6 is within half a step of the target.
    assert Ladder(60, 4, 97, step_percent=10).rungs == (60, 66, 73, 80, 88, 97)
    assert default_ladder(marked(120.0), 97, 60, step_percent=10).rungs == (60, 66, 73, 80, 88, 97)
    assert Ladder(60, 4, 97, step_percent=10).rule.startswith("Three clean takes in a row: up 10 per cent.")
    assert after(Ladder(60, 4, 97, 1, step_percent=10), True)[1].sentence == "One clean take at 60: on to 66."


@pytest.mark.parametrize("percent", [0.5, -5, 51, float("nan"), float("inf")])
def test_no_step_of_such_a_share(percent):
    with pytest.raises(UsageError, match="per cent makes no ladder: give one from 1 to 50"):
        Ladder(60, 4, 97, step_percent=percent)


@given(st.floats(10, 600), st.floats(10, 600), st.floats(1, 50))
def test_a_climb_in_per_cent_ends_at_the_target(one, other, percent):
    low, high = sorted((one, other))
    ladder = Ladder(low, 4, high, 1, step_percent=percent)
    rungs = ladder.rungs
    assert (rungs[0], rungs[-1]) == (low, high)
    assert all(lower < higher for lower, higher in pairwise(rungs))
    # At most a step, and half a step more where the last is merged; each rung is rounded by up to a half.
    share = percent / 100
    for lower, higher in pairwise(rungs):
        assert higher <= ((lower + 0.5) * (1 + share) + 0.5) * (1 + share / 2) + 1e-6
    for _ in rungs:
        ladder, step = ladder.after(True)
    assert step.kind == "target reached"
    assert ladder.tempo_bpm == high


def test_its_sentences_tell_tempos_in_the_note_that_the_metre_counts() -> None:
    six_eight = passage("C5:3/2 D5:3/2 E5:3", metre=(6, 8), tempos=(TempoMark(Fraction(0), 90.0),))
    ladder = default_ladder(six_eight, 90, 60, 15, clean_needed=1, climb="alternate")
    assert ladder.rungs == (60, 75, 90) and "a try at ♩. = 60, then up 10." in ladder.rule
    sentences = []
    for clean in (False, True, False, True):
        ladder, step = ladder.after(clean)
        sentences.append(step.sentence)
    assert sentences == [
        "Not clean yet: stay at ♩. = 40.",
        "One clean take at ♩. = 40: one try at ♩. = 60, then ♩. = 50.",
        "The try at ♩. = 60: not clean, which counts for nothing. Now ♩. = 50.",
        "One clean take at ♩. = 50: on to ♩. = 60.",
    ]
    in_halves = default_ladder(passage("C5:4", metre=(2, 2)), 90, 60)
    assert in_halves.after(False)[1].sentence == "Not clean yet: stay at half = 30."


@pytest.mark.parametrize(("metre", "target_bpm", "rungs"), [
    ((6, 8), 96.0, ["38", "41", "44", "47", "50", "53", "56", "59", "62", "64"]),
    ((3, 8), 60.0, ["72", "80", "88", "96", "104", "112", "120"]),
    ((2, 2), 92.0, ["28", "30", "32", "34", "36", "38", "40", "42", "44", "46"]),
    ((4, 4), 84.0, ["50", "54", "58", "62", "66", "70", "74", "78", "82", "84"]),
    # Nothing printed: the usual 92 quarters, on a whole number.
    ((6, 8), None, ["37", "40", "43", "46", "49", "52", "55", "58", "61"]),
])  # fmt: skip
def test_its_own_numbers_are_whole_ones_of_the_note_that_is_counted(
    metre: tuple[int, int], target_bpm: float | None, rungs: list[str]
) -> None:
    ladder = default_ladder(passage("C5:3 D5:3", metre=metre), target_bpm)
    assert [ladder.counted.number(bpm) for bpm in ladder.rungs] == rungs


@given(st.sampled_from([(6, 8), (3, 8), (2, 2), (4, 4), (3, 16), (3, 1)]), st.floats(10, 600))
def test_every_target_has_a_ladder_in_every_metre(metre: tuple[int, int], target_bpm: float) -> None:
    ladder = default_ladder(passage("C5:3 D5:3", metre=metre), target_bpm)
    assert ladder.rungs[0] <= ladder.rungs[-1] == target_bpm and len(ladder.rungs) <= 38
