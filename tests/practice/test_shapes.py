"""Questions about shapes: the better one as players teach it, answers by choice and by keys, what is said."""

from __future__ import annotations

from dataclasses import replace

import pytest
from planning_passages import passage

from companion.charts import load
from companion.planning import plan
from companion.practice.shapes import (
    CLEAR_S,
    MOST_SHAPES,
    SESSION_LENGTH,
    TEMPO_BPM,
    Session,
    ShapeQuestion,
    answer_by_choice,
    answer_by_keys,
    catalogue,
    change_of,
    explained,
    question_of,
    questions_of,
)
from companion.scores.pitch_words import pitch_from

ALTO = load("alto")


def asked(words: str, at: int = 1) -> ShapeQuestion:
    found = question_of(ALTO, [pitch_from(name) for name in words.split()], at)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("words", "better"),
    [
        # The rules every teacher gives (common practice, no source), a case each.
        ("A4 Bb4 A4", "bis"),
        ("B4 A#4 B4", "side"),
        ("A4 Bb4 B4", "side"),
        ("B4 Bb4 A4", "side"),
        ("C5 Bb4 C5", "side"),
        ("F#4 A#4 B4", "1-and-2"),
        ("F4 Bb4 B4", "1-and-1"),
        ("B4 C5 B4", "side C"),
        ("A4 C5 A4", "standard"),
        ("F4 F#4 F4", "chromatic"),
        ("D4 F#4 F4", "standard"),
        ("D5 C#5 D5", "long C♯, right hand down"),
        ("A5 E6 A5", "front"),
        ("D6 E6 F6", "standard"),
        ("C#4 G#4 C#4", "linked C♯"),
    ],
)
def test_the_better_shape_is_the_one_taught(words: str, better: str) -> None:
    assert asked(words).better.name == better


@pytest.mark.parametrize("horn", ["soprano", "alto", "tenor", "baritone"])
def test_the_catalogue_asks_only_what_is_clear(horn: str) -> None:
    chart = load(horn)
    questions = catalogue(chart)
    assert len(questions) >= 30
    assert len({question.id for question in questions}) == len(questions)
    for question in questions:
        assert 2 <= len(question.shapes) <= MOST_SHAPES
        assert question.better in question.shapes
        assert all(chart.sound(shape.keys) == question.pitch.midi for shape in question.shapes)
        assert question.choice.runners_up[0].extra_s >= CLEAR_S
        again = plan(question.passage, chart, tempo_bpm=TEMPO_BPM)
        assert again.choices[question.asked].fingering == question.better


def test_the_first_lessons_are_of_the_middle_register() -> None:
    assert all(60 <= question.pitch.midi <= 74 for question in catalogue(ALTO)[:SESSION_LENGTH])


def test_every_note_of_the_bar_fills_it() -> None:
    for question in catalogue(ALTO):
        bar = question.passage.bars[0]
        assert sum(note.length for note in question.passage.notes) == bar.length == bar.beats


def test_what_has_nothing_to_choose_is_not_asked() -> None:
    def none(words: str) -> bool:
        return question_of(ALTO, [pitch_from(name) for name in words.split()]) is None

    assert none("G4 A4 B4")  # one fingering only
    assert none("A4 C#5 E5")  # nothing that is clearly better beside these
    assert none("A2 Bb4 A4")  # beyond the horn


def test_a_passage_asks_for_what_its_plan_has() -> None:
    music = passage("A4 _Bb4 _B4 _C5 _B4 _Bb4 _A4 _F4 _F#4 _F4", "1/2", TEMPO_BPM)
    planned = plan(music, ALTO)
    questions = questions_of(music, planned, ALTO)
    assert [question.words for question in questions] == [
        "B♭4 between A4 and B4", "C5 between two B4s", "B♭4 between B4 and A4", "F♯4 between two F4s",
    ]  # fmt: skip
    assert all(question.where.startswith("bar ") for question in questions)


# -- answers ---------------------------------------------------------------------------------------------------------


def test_a_drawn_shape_is_chosen() -> None:
    question = asked("A4 Bb4 B4")
    verdicts = {shape.name: answer_by_choice(question, shape).right for shape in question.shapes}
    assert verdicts == {"bis": False, "side": True, "1-and-2": False, "1-and-1": False}


def test_real_keys_name_the_shape() -> None:
    question = asked("A4 Bb4 B4")
    side = answer_by_keys(question, ALTO, frozenset({"l1", "l2", "side_b_flat"}))
    assert side.right and side.exact and side.fingering is not None and side.fingering.name == "side"
    bis = answer_by_keys(question, ALTO, frozenset({"l1", "bis"}))
    assert not bis.right and bis.fingering is not None and bis.fingering.name == "bis"


def test_keys_that_sound_another_note_are_told() -> None:
    question = asked("A4 Bb4 B4")
    answer = answer_by_keys(question, ALTO, frozenset({"l1", "l2"}))
    assert not answer.right and answer.fingering is None and answer.sounds_midi == 69
    assert explained(question, ALTO, answer)[0] == "These keys sound A4, not B♭4."


def test_a_key_that_changes_nothing_is_said_and_no_fault() -> None:
    question = asked("E4 F#4 G4")
    answer = answer_by_keys(question, ALTO, question.better.keys | {"e_flat"})
    assert answer.sounds_midi == 66 and answer.right and not answer.exact
    assert "Besides that: down: E♭ key." in " ".join(explained(question, ALTO, answer))


def test_what_is_said_names_the_reason_and_the_price() -> None:
    question = asked("A4 Bb4 B4")
    wrong = explained(question, ALTO, answer_by_choice(question, question.shapes[0]))
    assert wrong[0] == "Bis sounds B♭4 too, but is not the better one."
    assert wrong[1].startswith("Better here: side. B is next to it")
    extra = {other.fingering.name: other.extra_s for other in question.choice.runners_up}
    assert f"bis {1000 * extra['bis']:.0f} ms" in wrong[2]
    plain = explained(asked("A4 C5 A4"), ALTO)
    assert plain[0] == "Better here: the usual fingering. Nothing beside it asks for another."


# -- what changes ----------------------------------------------------------------------------------------------------


def test_a_change_in_words() -> None:
    bis, side = ({f.name: f.keys for f in ALTO.for_note(70)}[name] for name in ("bis", "side"))
    change = change_of(ALTO, bis, side)
    assert [key.name for key in change.down] == ["l2", "side_b_flat"]
    assert [key.name for key in change.up] == ["bis"] and [key.name for key in change.stay] == ["l1"]
    assert change.sentence() == ("Down: left middle finger, side B♭ key. Up: bis key. Stays: left index.")
    assert change_of(ALTO, side, side).sentence() == "No key moves."


def test_a_hand_is_said_as_one() -> None:
    change = change_of(ALTO, ALTO.standard(90).keys, ALTO.standard(58).keys)
    assert change.lines()[0] == ("down", "all left fingers, all right fingers, low B♭ and low C keys")


def test_a_finger_that_goes_from_key_to_key_is_said() -> None:
    chromatic, d = ALTO.called(66, "chromatic")[0], ALTO.standard(62)
    sentence = change_of(ALTO, chromatic.keys, d.keys).sentence()
    assert "The right ring finger goes from one key to another." in sentence


# -- a session -------------------------------------------------------------------------------------------------------


def test_what_was_wrong_comes_once_more() -> None:
    questions = catalogue(ALTO)
    session = Session(questions)
    assert session.first_count == SESSION_LENGTH
    missed = session.question
    while (question := session.question) is not None:
        wrong = next(shape for shape in question.shapes if shape != question.better)
        first = session.at == 0
        assert session.answer(answer_by_choice(question, wrong if first else question.better))
        assert not session.answer(answer_by_choice(question, question.better)), "only the first answer counts"
        assert session.go_on()
    assert [question for question, _ in session.answers][SESSION_LENGTH:] == [missed]
    assert session.right_at_once == SESSION_LENGTH - 1
    assert not session.go_on()


def test_a_wrong_answer_at_the_end_does_not_go_on_for_ever() -> None:
    session = Session(catalogue(ALTO), 2)
    count = 0
    while (question := session.question) is not None:
        wrong = next(shape for shape in question.shapes if shape != question.better)
        session.answer(answer_by_choice(question, wrong))
        session.go_on()
        count += 1
    assert count == 4


def test_rules_of_a_teacher_are_followed() -> None:
    from companion.planning import RULES

    without = tuple(replace(rule, weight_s=0.0) for rule in RULES)
    found = question_of(ALTO, [pitch_from(name) for name in ("C5", "Bb4", "C5")], 1, without)
    assert found is None or found.choice.runners_up[0].extra_s < asked("C5 Bb4 C5").choice.runners_up[0].extra_s
