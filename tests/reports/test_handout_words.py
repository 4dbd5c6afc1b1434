"""What the printed sheet says, held against the plan and the rules it was made by."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest
from handout_etudes import write_waltz
from planning_passages import passage as passage_of
from practice.made import passage as made_passage

from companion.charts import load
from companion.passage import Passage
from companion.paths import examples_dir
from companion.planning import Plan, page_marks, plan, printed_texts
from companion.practice.ladder import default_ladder
from companion.record import marks
from companion.record.marks import Marked
from companion.record.week import WeekItem, WeekSheet
from companion.reports.handout_words import cards_of, kept_of, legend_of, remarks_of, steps_of
from companion.scores import read

ALTO = load("alto")


@pytest.fixture(scope="module")
def etude() -> tuple[Passage, Plan]:
    passage = read(examples_dir() / "passages" / "etude-e-minor.musicxml")
    return passage, plan(passage, ALTO)


def unmarked(passage: Passage) -> Marked:
    return Marked(passage, {}, {}, {}, {})


def test_the_legend_has_every_mark_on_the_page_once(etude: tuple[Passage, Plan]) -> None:
    rows = [row.mark for row in legend_of([etude], ALTO)]
    assert sorted(rows) == sorted(set(printed_texts(*etude).values()))


def test_the_legend_tells_the_keys_as_the_chart_has_them(etude: tuple[Passage, Plan]) -> None:
    # Common practice, no source: bis is the left index on two keys, side B flat two fingers and the side key.
    rows = {row.mark: row for row in legend_of([etude], ALTO)}
    assert rows["bis"].use == "left 1, bis"
    assert rows["side"].use == "left 1 2, side B♭"
    assert rows["long+R"].use == "octave key, left 3, right 1 2 3"
    assert rows["chr"].name == "F♯4 (F♯5 with the octave key)"


def test_the_same_reason_is_said_once_with_all_its_bars(etude: tuple[Passage, Plan]) -> None:
    passage, planned = etude
    cards = {card.mark: card for card in cards_of(passage, planned, ALTO, unmarked(passage), False, True)}
    assert dict(cards["side"].reasons) == {
        "Bars 4, 8 and 15": "B is next to it, and the index must not slide between its pearl and bis",
        "Bar 9": "between two Cs bis would flip index against middle finger",
    }
    assert not any(card.horn for card in cards.values())


def test_every_place_with_an_alternate_has_its_reason_on_a_card(etude: tuple[Passage, Plan]) -> None:
    passage, planned = etude
    cards = cards_of(passage, planned, ALTO, unmarked(passage), True, True)
    for choice in planned.choices:
        if choice.fingering.mark:
            words = [words for card in cards if card.mark == choice.fingering.mark for _, words in card.reasons]
            assert any(choice.reason.startswith(one) for one in words)
    assert all(card.horn.startswith("<svg") for card in cards)


def test_figures_of_single_changes_are_left_out(etude: tuple[Passage, Plan]) -> None:
    passage, planned = etude
    said = [
        words for card in cards_of(passage, planned, ALTO, unmarked(passage), False, True) for _, words in card.reasons
    ]
    said += [kept.words for kept in kept_of(passage, planned)]
    assert any(" ms" in choice.reason for choice in planned.choices)
    assert said and not any("saves" in words or "quicker" in words for words in said)


def test_what_is_kept_is_usual_and_a_rule_decided_it(etude: tuple[Passage, Plan]) -> None:
    passage, planned = etude
    kept = kept_of(passage, planned)
    assert kept and all(one.words != "the usual fingering" for one in kept)
    for one in kept:
        choice = next(choice for choice in planned.choices if choice.reason.startswith(one.words))
        assert choice.fingering.standard and (choice.rule or choice.saved_s > 0)


def test_the_legend_explains_what_is_written_for_one_time_only() -> None:
    passage = passage_of("Bb4 A4 Bb4 A4")
    # The same two printed notes, played twice.
    notes = tuple(replace(note, source=note.index % 2) for note in passage.notes)
    bars = (passage.bars[0], replace(passage.bars[0], index=1, time_pass=2))
    passage = replace(passage, notes=notes, bars=bars)
    planned = plan(passage, ALTO, {0: "bis", 2: "side"})
    assert printed_texts(passage, planned) == {0: "bis, 2nd side"}
    assert [row.mark for row in legend_of([(passage, planned)], ALTO)] == ["bis", "side", "2nd"]


def test_the_legend_explains_a_trill() -> None:
    passage = passage_of("B4~C5:1")
    planned = plan(passage, ALTO)
    assert printed_texts(passage, planned) == {0: "tr sC"}
    rows = {row.mark: row for row in legend_of([(passage, planned)], ALTO)}
    # The side C belongs to the trill's other note.
    assert list(rows) == ["sC", "tr"] and rows["sC"].name == "C5" and rows["sC"].use == "left 1, side C"


def test_where_every_fingering_is_usual_there_is_nothing_to_say() -> None:
    passage = passage_of("G4 A4 G4 A4")
    planned = plan(passage, ALTO)
    assert not legend_of([(passage, planned)], ALTO)
    assert not cards_of(passage, planned, ALTO, unmarked(passage), True, True)
    assert not kept_of(passage, planned) and not page_marks(passage, planned)


def test_the_teachers_choice_says_so_and_why(tmp_path: Path) -> None:
    path = write_waltz(tmp_path)
    marked = marks.resolve(marks.load(marks.default_path(path)), read(path))
    passage = marked.passage
    planned = plan(passage, ALTO, marked.fingerings)
    reasons = [reason for card in cards_of(passage, planned, ALTO, marked, False, True) for reason in card.reasons]
    assert ("Bar 7", "your teacher’s choice: so that the index is free for the C") in reasons
    # Fixed, but not by the mark sheet: then it stood in the score.
    others = cards_of(passage, planned, ALTO, unmarked(passage), False, True)
    assert ("Bar 7", "printed in the score") in [reason for card in others for reason in card.reasons]


def test_remarks_are_numbered_down_the_page_and_a_repeated_one_comes_once(tmp_path: Path) -> None:
    path = write_waltz(tmp_path)
    marked = marks.resolve(marks.load(marks.default_path(path)), read(path))
    passage = marked.passage
    every = {f"n{note.source}" for note in passage.notes}
    found = remarks_of(passage, marked, every)
    assert [remark.sign for remark in found] == ["1)", "2)", "3)"]
    # Bars 1 and 9 are played twice.
    assert len(marked.comments) == 5
    there = {f"n{note.source}" for note in passage.notes if passage.bars[note.bar].number == "9"}
    assert [(remark.sign, remark.words[:4]) for remark in remarks_of(passage, marked, there)] == [("1)", "Lean")]


def test_an_exercise_takes_off_what_is_printed_over_its_notes(etude: tuple[Passage, Plan]) -> None:
    passage, planned = etude
    exercise = replace(passage, purpose="for the fingers")
    texts = dict(page_marks(exercise, planned))
    assert len(texts) == len({note.source for note in passage.notes})
    assert {note: text for note, text in texts.items() if text} == dict(page_marks(passage, planned))


def test_steps_are_the_rungs_of_the_ladder() -> None:
    passage = passage_of("G4 A4")
    steps = steps_of(passage, default_ladder(passage, 96, 60, 12))
    assert steps.rungs == ("60", "72", "84", "96") and not steps.dotted and steps.clean_takes == 3
    assert steps.title == "Tempo steps, up to ♩ = 96"
    assert steps.days == ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def test_in_six_eight_the_dotted_quarter_is_told() -> None:
    passage = passage_of("G4 A4")
    bars = tuple(replace(bar, beats=6, beat_type=8, length=Fraction(3)) for bar in passage.bars)
    steps = steps_of(replace(passage, bars=bars), default_ladder(passage, 120, 60, 30))
    # A dotted quarter is one and a half quarters: 120 of those a minute are 80 of these.
    assert steps.rungs == ("60", "90", "120") and steps.dotted == ("40", "60", "80")
    assert steps.title.endswith("♩. = 80") and steps.counted == "♩."


def test_so_is_any_other_note_that_the_metre_counts() -> None:
    passage = passage_of("G4 A4")
    halves = tuple(replace(bar, beats=2, beat_type=2) for bar in passage.bars)
    steps = steps_of(replace(passage, bars=halves), default_ladder(passage, 121, 60, 30))
    assert steps.rungs == ("60", "90", "121") and steps.dotted == ("30", "45", "60")
    assert steps.title.endswith("up to half = 60") and steps.counted == "half"
    printed = tuple(replace(bar, mark_unit=Fraction(1, 2)) for bar in passage.bars)
    steps = steps_of(replace(passage, bars=printed), default_ladder(passage, 120, 60, 30))
    assert steps.dotted == ("120", "180", "240") and steps.counted == "♪"


def test_a_climb_that_tries_a_faster_tempo_says_so_beside_the_rung_it_follows() -> None:
    passage = passage_of("G4 A4")
    in_turn = steps_of(passage, default_ladder(passage, 96, 60, 12, climb="alternate"))
    assert in_turn.rungs == ("60, then 96", "72, then 96", "84", "96")
    beyond = steps_of(passage, default_ladder(passage, 96, 60, 12, climb="overshoot"))
    # Two rungs up; before the target itself no more than a tenth beyond it.
    assert beyond.rungs == ("60, then 84", "72, then 96", "84, then 105.6", "96")
    assert steps_of(passage, default_ladder(passage, 96, 60, 12, climb="grow")).rungs == ("60", "72", "84", "96")
    bars = tuple(replace(bar, beats=6, beat_type=8, length=Fraction(3)) for bar in passage.bars)
    dotted = steps_of(replace(passage, bars=bars), default_ladder(passage, 120, 60, 30, climb="alternate"))
    assert dotted.dotted == ("40, then 80", "60", "80")


def test_the_weeks_item_gives_bars_day_share_and_words(tmp_path: Path) -> None:
    passage = passage_of("G4 A4")
    item = WeekItem(
        "a.musicxml", tmp_path / "a.musicxml", 96, bars="5-8", by=date(2026, 11, 25), comment="Sing first.",
        articulation_share=0.9,
    )  # fmt: skip
    sheet = WeekSheet(tmp_path / "week.toml", date(2026, 11, 23), "Kim", (item,))
    steps = steps_of(passage, default_ladder(passage, 96), item, sheet)
    assert steps.title == "Tempo steps, bars 5–8, up to ♩ = 96 by Wed 25 Nov"
    assert steps.words == "Sing first." and "90 % of the notes" in steps.below
    assert steps.days == ("Mon 23", "Tue 24", "Wed 25")


def test_a_single_bar_is_no_bars(tmp_path: Path) -> None:
    passage = passage_of("G4 A4")
    item = WeekItem("a.musicxml", tmp_path / "a.musicxml", 96, bars="5 – 5", exercise="links")
    assert steps_of(passage, default_ladder(passage, 96), item).title == "Tempo steps, links, bar 5, up to ♩ = 96"


def test_where_there_are_many_reasons_the_teachers_stay_and_no_bar_is_forgotten() -> None:
    passage = made_passage("A4:1 Bb4:1 A4:1 G4:1 " * 12)
    fixed = {note.index: "side" for note in passage.notes if note.written_midi == 70}
    planned = plan(passage, ALTO, fixed)
    whys = {index: f"why number {place}" for place, index in enumerate(fixed) if place < 5}
    marked = replace(unmarked(passage), fingerings=fixed, whys=whys)
    # The others are the planner's, each with a reason of its own.
    choices = tuple(
        replace(choice, fixed=False, reason=f"reason in bar {passage.notes[choice.note_index].bar}")
        if choice.note_index in fixed and choice.note_index not in whys
        else choice
        for choice in planned.choices
    )
    (card,) = cards_of(passage, replace(planned, choices=choices), ALTO, marked, False, True)
    said = [words for _, words in card.reasons]
    assert said[:5] == [f"your teacher’s choice: why number {place}" for place in range(5)]
    assert said[5].startswith("reason in bar") and len(said) == 7
    assert card.reasons[6][0].startswith("Bars 7, 8, 9, 10") and "Bars" not in card.reasons[6][1]
