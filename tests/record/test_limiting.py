"""What holds a passage back, from takes made by hand with known faults."""

from __future__ import annotations

from dataclasses import replace

from companion.practice.hurdle import Hurdle
from companion.practice.model import AS_WRITTEN, LATE, NOT_SLURRED, ON_TIME, SLURRED, TONGUED, WRONG_NOTE, Tolerances
from companion.record.limiting import ARTICULATION, NOTES, TIMING, holds_back, near_limit
from companion.record.model import NoteRecord, TakeRecord
from companion.record.trouble import TroubleSpot

RIGHT = NoteRecord(
    "5", "1", 67, "standard", ("l1",), ON_TIME, 0.0, 67, 250.0, begun=SLURRED, articulation=(AS_WRITTEN,)
)
SPOT = TroubleSpot(
    67, ("l1",), 70, ("l1", "bis"), "5", "2", 3, 4, "G to B♭ bis", 9, 5, 3, "2026-11-24", (("late", 5),), 0.5, 0.3, 0.8,
    90.0, 3, 4, 0, 5, 1, "G to B♭ bis in bar 5: failed in 5 of 9 takes",
)  # fmt: skip
HURDLE = Hurdle(7, 6, 88.0, True, "C to D", "bar 6", 1, 1, "bar 6", "C to D in bar 6 goes up to about 88")


def take(tempo_bpm: float = 80, clean: bool = False, *changed: NoteRecord, **more: object) -> TakeRecord:
    notes = (*changed, *[RIGHT] * (20 - len(changed)))
    return replace(TakeRecord("T", tempo_bpm, clean=clean, notes=notes), **more)  # type: ignore[arg-type]


def test_only_the_newest_takes_near_the_limit_count() -> None:
    takes = [take(60, True), take(75), take(80), take(90), replace(take(90), interrupted="the port vanished")]
    assert [t.tempo_bpm for t in near_limit(takes, 80)] == [75, 80, 90]
    assert len(near_limit(takes, None)) == 4
    assert len(near_limit([take()] * 40, 80)) == 12


def test_each_cause_is_counted_once_a_take() -> None:
    wrong = replace(RIGHT, verdict=WRONG_NOTE, bar="6", deviation_ms=None)
    late = replace(RIGHT, verdict=LATE, deviation_ms=60.0)
    tongued = replace(RIGHT, begun=TONGUED, articulation=(NOT_SLURRED,))
    asked = Tolerances(articulation_share=0.9)
    found = holds_back(
        [
            take(80, True),
            take(84, False, wrong, wrong),
            take(80, False, wrong, late, late),
            take(80, False, late, late),
            take(80, False, tongued, tongued, tongued, tolerances=asked),
            take(80, False, added=((3, 70),)),
        ]
    )
    assert (found.takes, found.not_clean) == (6, 5)
    assert found.causes == ((NOTES, 3), (TIMING, 2), (ARTICULATION, 1))
    assert found.sentences[0] == (
        "Of the last 6 takes at 80 or more 5 were not clean: wrong, missing or added notes in 3 (most often in bar 6),"
        " timing in 2, slurs and tongue in 1."
    )


def test_one_late_note_of_twenty_is_within_what_a_clean_take_may_have() -> None:
    late = replace(RIGHT, verdict=LATE, deviation_ms=60.0)
    assert holds_back([take(80, False, late, added=((1, 60),))]).causes == ((NOTES, 1),)
    assert holds_back([take(80, False, late)]).causes == ((TIMING, 1),)  # so it was far off


def test_articulation_is_said_where_it_is_asked_for_or_far_off() -> None:
    tongued = replace(RIGHT, begun=TONGUED, articulation=(NOT_SLURRED,))
    three = [take(80, True, *[tongued] * 3)]
    assert holds_back(three).as_written == 0.85
    assert not holds_back(three).sentences
    asked = [take(80, True, *[tongued] * 3, tolerances=Tolerances(articulation_share=0.9))]
    assert holds_back(asked).sentences == ("Slurs and tongue: 85 % of the notes as written; 90 % are asked for.",)
    assert holds_back([take(80, True, *[tongued] * 5)]).sentences == (
        "Slurs and tongue: 75 % of the notes as written.",
    )


def test_the_change_comes_first_and_is_named_once() -> None:
    takes = [take(80, True)]
    assert holds_back(takes, [SPOT], HURDLE).sentences == (
        "G to B♭ bis in bar 5: failed in 5 of 9 takes.",
        "C to D in bar 6 goes up to about 88.",
    )
    assert len(holds_back(takes, [SPOT], replace(HURDLE, note_index=4)).sentences) == 1


def test_evenness_is_the_spread_of_a_note_against_its_neighbours() -> None:
    """Deviations drawn with a spread of 20 ms round a drift: the drift does not count, the 20 ms come out."""
    import numpy as np

    drawn = 20 * np.random.default_rng(1).standard_normal(2000) + np.linspace(0, 400, 2000)
    notes = tuple(replace(RIGHT, deviation_ms=float(d), verdict=LATE) for d in drawn)
    found = holds_back([replace(take(), notes=notes)])
    assert found.scatter_ms is not None
    assert abs(found.scatter_ms - 20) < 1
    assert "Evenness: a note lies some" in found.sentences[-1]


def test_no_takes_say_nothing() -> None:
    assert holds_back([]).sentences == ()
