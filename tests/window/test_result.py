"""What a finished take leaves on the page: pencil marks in their places, the strip under its staff, slips on the
horn, the comment in full."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pygame
import pytest
from window.stand_tools import click, key, make_setup, open_stand, playable, until

from companion.practice.clock import note_onsets_s
from companion.practice.model import (
    ADDED,
    AS_WRITTEN,
    EARLY,
    LATE,
    LEFT_OUT,
    NOT_REACHED,
    NOT_SLURRED,
    NOT_TONGUED,
    ON_TIME,
    TOO_LONG,
    TOO_SHORT,
    WRONG_NOTE,
    Articulated,
    Assessment,
    Drift,
    Entry,
    FingeringUsed,
    NoteResult,
    PlaceTiming,
    Slip,
    Tolerances,
    TrillTiming,
)
from companion.window.app import App
from companion.window.bindings import BINDINGS
from companion.window.comment_leaf import ReadLeaf, comment_sections
from companion.window.horn import caught_conditions
from companion.window.horn_views import slip_view
from companion.window.pencilled import CUT, LONGER, SHORTER, SLIP, SLUR, SPOT, USED, Mark, Pencilled, staff_steps
from companion.window.result import TICKS_A_BAR, marks_of, slip_at, strip_of_take, timing_of
from companion.window.theme import Ink, Type

PASSAGE = playable(bars=12)
SIZES = [(1024, 640), (1280, 720), (1920, 1080), (3840, 2160)]
SENTENCE = "From the third to the fourth note your left index came 38 ms after the ring finger."


@pytest.fixture
def app(tmp_path: Path) -> Iterator[App]:
    made = open_stand(make_setup(PASSAGE, tmp_path))
    yield made
    made.close()


def _slip(app: App, index: int) -> Slip:
    """A slip into a note, by a state really on the way there where there is one."""
    choices, chart = app.run.rehearsal.plan.choices, app.run.chart
    before, after = choices[index - 1].keys, choices[index].keys
    state = before ^ frozenset(sorted(before ^ after)[:1])
    return Slip(
        index, index - 1, chart.sound(state), 1.0, 30.0, ("left ring",), ("left index",), 38.0, True, state, 2, SENTENCE
    )


def _judged(app: App, **changes: object) -> None:
    """Play a take, and put another judgement in its place."""
    key(app, "space", " ")
    until(app, lambda: app.run.rehearsal.state == "after")
    take = app.run.rehearsal.takes[-1]
    plain = replace(
        take.assessment,
        notes=tuple(NoteResult(i, ON_TIME, 5.0) for i in range(len(PASSAGE.notes))),
        added=(), slips=(), fingerings=(), articulation=(), trills=(), places=(), entries=(), drift=None,
    )  # fmt: skip
    app.run.rehearsal.takes[-1] = replace(take, assessment=replace(plain, **changes))  # type: ignore[arg-type]
    app.stand.page.top = 0
    app.frame()


def test_each_verdict_has_its_mark(app: App) -> None:
    articulation = tuple(
        Articulated(i, verdicts=(verdict,), probability=0.9)
        for i, verdict in enumerate((AS_WRITTEN, NOT_SLURRED, NOT_TONGUED, TOO_LONG, TOO_SHORT))
    )
    used = (FingeringUsed(6, frozenset({"l1", "bis"}), "bis", "side", "You used bis; side was planned."),)
    notes = (NoteResult(0, WRONG_NOTE, 3.0, 61), NoteResult(1, LEFT_OUT), NoteResult(2, ON_TIME, 1.0))
    slip = _slip(app, 9)
    _judged(app, notes=notes, articulation=articulation, fingerings=used, slips=(slip,), added=((4, 64),))
    marks = {(mark.note_index, mark.kind) for mark in marks_of(app.run.rehearsal.takes[-1])}
    assert marks == {
        (0, WRONG_NOTE), (1, LEFT_OUT), (4, ADDED), (1, SLUR), (2, CUT), (3, SHORTER), (4, LONGER), (6, USED),
        (9, SLIP),
    }  # fmt: skip


def test_a_slip_is_not_pencilled_as_an_added_note_too(app: App) -> None:
    slip = _slip(app, 9)
    _judged(app, slips=(slip,), added=((8, slip.heard_midi), (3, 99)))
    kinds = [(mark.note_index, mark.kind) for mark in marks_of(app.run.rehearsal.takes[-1])]
    assert kinds == [(3, ADDED), (9, SLIP)]


def test_a_bar_is_not_covered_with_ticks(app: App) -> None:
    articulation = tuple(
        Articulated(n.index, verdicts=(TOO_LONG,), probability=n.index / 1000) for n in PASSAGE.notes if n.index
    )
    _judged(app, articulation=articulation)
    by_bar: dict[int, list[int]] = {}
    for mark in marks_of(app.run.rehearsal.takes[-1]):
        by_bar.setdefault(PASSAGE.notes[mark.note_index].bar, []).append(mark.note_index)
    for bar, marked in by_bar.items():
        surest = [n.index for n in PASSAGE.notes if n.bar == bar and n.index][-TICKS_A_BAR:]
        assert sorted(marked) == surest


@pytest.mark.parametrize(
    ("written", "heard", "fifths", "steps"),
    [
        (60, 62, 0, 1),
        (60, 61, 0, 0),
        (62, 61, -3, 0),
        (60, 61, -3, 1),
        (60, 72, 0, 7),
        (71, 60, 2, -6),
        (70, 71, -2, 0),
    ],
)
def test_a_slip_stands_on_the_staff_where_it_sounded(written: int, heard: int, fifths: int, steps: int) -> None:
    assert staff_steps(written, heard, fifths) == steps


def test_the_strip_has_every_note_that_was_reached(app: App) -> None:
    notes = (
        NoteResult(0, ON_TIME, -4.0), NoteResult(1, LATE, 77.0), NoteResult(2, WRONG_NOTE, 5.0),
        NoteResult(3, LEFT_OUT), NoteResult(4, NOT_REACHED),
    )  # fmt: skip
    _judged(app, notes=notes)
    take = app.run.rehearsal.takes[-1]
    strip = strip_of_take(take, app.run.rehearsal.tolerances)
    assert [(n.note_index, n.deviation_ms) for n in strip.notes] == [(0, -4.0), (1, 77.0), (2, None), (3, None)]
    assert all(n.early_ms >= app.run.rehearsal.tolerances.on_time_ms for n in strip.notes)


def test_after_going_back_notes_are_read_against_the_players_own_beat(app: App) -> None:
    """Twenty notes on the click, then two seconds behind and a tenth slower: a straight line, but for one note."""
    _judged(app)
    take = app.run.rehearsal.takes[-1]
    due_s = note_onsets_s(PASSAGE, take.tempo_bpm)
    off_ms = np.where(np.arange(len(due_s)) < 20, 4.0, 2000.0 + 100.0 * (due_s - due_s[20]))
    off_ms[30] += 150.0
    verdict = [LATE if off > 100 else ON_TIME for off in off_ms]
    notes = tuple(NoteResult(i, verdict[i], float(off_ms[i])) for i in range(len(due_s)))
    take = replace(take, assessment=replace(take.assessment, notes=notes))
    timing = timing_of(take, app.run.rehearsal.tolerances)
    assert [note.own_beat for note in timing] == [False] * 20 + [True] * (len(due_s) - 20)
    assert all(note.deviation_ms == 4.0 for note in timing[:20])
    assert timing[30].deviation_ms == pytest.approx(150.0, abs=1e-6)
    assert max(abs(n.deviation_ms or 0.0) for n in timing[36:]) < 1e-6, "a straight line through the neighbours"
    arrows = [mark for mark in marks_of(take) if mark.kind in (EARLY, LATE)]
    assert (arrows[0].note_index, round(arrows[0].amount_ms)) == (20, 2000), "where the click was left"
    assert 30 in {mark.note_index for mark in arrows} and not any(mark.note_index > 36 for mark in arrows)


@pytest.mark.parametrize("size", SIZES)
def test_strips_touch_no_engraving_and_stay_on_the_page(tmp_path: Path, size: tuple[int, int]) -> None:
    app = open_stand(make_setup(PASSAGE, tmp_path), size)
    _judged(app)
    page, area = app.stand.page, app.stand.place.music
    assert page.strip_shown
    visible = range(page.top, page.last_visible(area) + 1)
    for number in visible:
        box = page.strip_box(number, area)
        assert area.contains(box)
        assert box.height >= 2 * app.stand.type.line_height(12, "italic") - 6, "early and late need room"
        for other in visible:
            x, y = page.origin(other, area)
            picture = page.picture(other)
            assert not box.colliderect(picture.get_rect(topleft=(x, y))), (number, other)
    app.close()


def test_s_takes_the_strips_away_and_the_page_has_their_room_again(app: App) -> None:
    _judged(app)
    page, area = app.stand.page, app.stand.place.music
    before = page.last_visible(area) - page.top
    key(app, "s")
    assert not page.strip_shown and page.last_visible(area) - page.top > before
    key(app, "s")
    assert page.strip_shown


def test_a_take_that_begins_takes_the_strips_away(app: App) -> None:
    _judged(app)
    key(app, "space", " ")
    app.frame()
    assert not app.stand.page.strip_shown


@pytest.mark.parametrize("size", SIZES)
def test_articulation_is_pencilled_clear_of_print_and_of_other_marks(tmp_path: Path, size: tuple[int, int]) -> None:
    app = open_stand(make_setup(PASSAGE, tmp_path), size)
    page, area = app.stand.page, app.stand.place.music
    kinds = (SLUR, CUT, SHORTER, LONGER, USED, SPOT)
    marks = [
        Mark(note.index, kinds[i % len(kinds)], from_index=note.index - 1, text="side")
        for i, note in enumerate(PASSAGE.notes[1:60:3])
    ]
    pencilled = Pencilled(page, area, Type(app.stand.place.scale))
    pencilled.draw(app.screen, marks)
    assert len(pencilled._taken) > 5
    for box in pencilled._taken:
        assert area.contains(box)
    overlapping = [(a, b) for a, b in combinations(pencilled._taken, 2) if a.inflate(-4, -4).colliderect(b)]
    assert not overlapping
    printed = 0
    for mark, box in zip([m for m in marks if page.head(m.note_index, area)], pencilled._taken, strict=True):
        number = page.system_of(mark.note_index)
        assert number is not None
        printed += pencilled.print_in(number, box) > 0.05 * box.width * box.height
    assert printed <= len(pencilled._taken) // 8, "marks lie over notes"
    app.close()


@pytest.mark.parametrize("kind", [EARLY, LATE, SLUR, CUT, SHORTER, LONGER, SPOT])
def test_a_mark_stays_with_its_note_also_at_the_end_of_a_line(app: App, kind: str) -> None:
    page, area = app.stand.page, app.stand.place.music
    for note in PASSAGE.notes[1:]:
        head = page.head(note.index, area)
        if head is None:
            continue
        pencilled = Pencilled(page, area, app.stand.type)
        pencilled.draw(app.screen, [Mark(note.index, kind, 90.0, from_index=note.index - 1)])
        (box,) = pencilled._taken
        assert area.contains(box)
        assert abs(box.centerx - head.centerx) < 4 * head.width, (note.index, box, head)
        assert abs(box.centery - head.centery) < 9 * head.height, (note.index, box, head)


def test_a_click_on_a_slip_shows_its_fingers_and_a_click_on_the_note_its_fingerings(app: App) -> None:
    index = next(
        i
        for i in range(2, len(PASSAGE.notes))
        if len(_moving(app, i)) > 1 and app.stand.page.head(i, app.stand.place.music)
    )
    _judged(app, slips=(_slip(app, index),))
    (box, mark), *_ = app.stand.page.mark_places
    assert mark.kind == SLIP and mark.note_index == index
    click(app, box.center)
    view = app.stand.told_view()
    assert view is not None and view.words == SENTENCE and view.slip is not None
    conditions = set(caught_conditions(view.keys, view.before, view.after).values())
    assert any(c.startswith("early") for c in conditions) and any(c.startswith("late") for c in conditions)
    head = app.stand.page.head(index, app.stand.place.music)
    assert head is not None
    click(app, head.center)
    assert app.stand.looked_at == index and app.stand.told_view() is None
    key(app, "left")
    key(app, "right")
    assert app.stand.told_view() is not None, "the arrows come to the slip too"
    key(app, "escape")
    assert app.stand.told_view() is None and not app.quit


def _moving(app: App, index: int) -> frozenset[str]:
    choices = app.run.rehearsal.plan.choices
    return choices[index - 1].keys ^ choices[index].keys


def test_n_goes_from_slip_to_slip_and_round(app: App) -> None:
    key(app, "n")
    assert app.stand.looked_at is None
    _judged(app, slips=(_slip(app, 5), _slip(app, 30)))
    seen = []
    for _ in range(3):
        key(app, "n")
        seen.append(app.stand.looked_at)
        assert app.stand.page.head(seen[-1] or 0, app.stand.place.music) is not None
    assert seen == [5, 30, 5]
    take = app.run.rehearsal.takes[-1]
    assert slip_at(take, 30) is not None and slip_at(take, 31) is None


def test_early_and_late_keys_differ_by_more_than_colour() -> None:
    from companion.window.keycap import HornInk, keycap

    grey = {}
    for what in ("idle", "stay", "down", "up", "early_down", "early_up", "late_down", "late_up"):
        picture = keycap(40, 40, "round", what, 3.0, HornInk())  # type: ignore[arg-type]
        flat = pygame.Surface(picture.get_size())
        flat.fill(Ink.PAPER)
        flat.blit(picture, (0, 0))
        grey[what] = pygame.surfarray.array3d(flat).mean(axis=2)
    for a, b in combinations(grey, 2):
        assert (abs(grey[a] - grey[b]) > 60).mean() > 0.02, (a, b)


def test_another_fingering_is_shown_beside_the_planned_one(app: App) -> None:
    chart, note = app.run.chart, next(n for n in PASSAGE.notes if n.written_midi % 12 == 10 or n.index == 8)
    other = chart.for_note(note.written_midi)[-1]
    used = FingeringUsed(note.index, other.keys, other.name, "planned", "You used another one.")
    _judged(app, fingerings=(used,))
    app.stand.look_at(note.index, telling=True)
    app.frame()
    view = app.stand.told_view()
    assert view is not None and view.keys == other.keys
    assert view.below_keys == app.run.rehearsal.plan.choices[note.index].keys


def _full(assessment: Assessment) -> Assessment:
    return replace(
        assessment,
        comment=("Bar 2: the slurs were tongued.", "The second sixteenth is rushed."),
        drift=Drift(84.0, 90.0, -120.0),
        entries=(Entry(0, 45.0, LATE),),
        places=(PlaceTiming("the second sixteenth", -14.0, 4.0, 23, (1,)),),
        trills=(TrillTiming(5, 9.0, 12.0, 8.0, "The trill leans on its written note."),),
        articulation=(Articulated(3, verdicts=(NOT_SLURRED,)),),
        fingerings=(FingeringUsed(6, frozenset(), "bis", "side", "You used bis; side was planned."),),
    )


def test_the_comment_is_read_in_full(app: App) -> None:
    _judged(app, slips=(_slip(app, 5),))
    take = app.run.rehearsal.takes[-1]
    app.run.rehearsal.takes[-1] = take = replace(take, assessment=_full(take.assessment))
    said = {section.heading: section.lines for section in comment_sections(take)}
    assert list(said["The take"][:2]) == list(take.assessment.comment)
    assert said["Slips"] == ("Bar 1: f" + SENTENCE[1:],)
    assert said["Articulation"] == ("1 note tongued in a slur: bar 1.",)
    assert "45 ms late" in said["Entries"][0] and "14 ms early (± 4, 23 notes)" in said["Within the beat"][0]
    assert "84" in said["Tempo"][0] and "90" in said["Tempo"][0] and "120 ms ahead" in said["Tempo"][0]
    assert said["Trills"] and said["Fingerings"]
    key(app, "e")
    assert isinstance(app.leaf, ReadLeaf)
    key(app, "escape")
    assert app.leaf is None


def test_seconds_lost_before_are_no_late_entry(app: App) -> None:
    """The entry at note 30 comes 150 ms behind the own beat, the one at note 20 where that begins."""
    _judged(app)
    take = app.run.rehearsal.takes[-1]
    count = len(PASSAGE.notes)
    off_ms = np.where(np.arange(count) < 20, 0.0, 9000.0)
    off_ms[30] += 150.0
    notes = tuple(NoteResult(i, LATE if off else ON_TIME, float(off)) for i, off in enumerate(off_ms))
    entries = tuple(Entry(i, float(off_ms[i]), notes[i].verdict) for i in (0, 20, 30))
    judged = replace(take.assessment, notes=notes, entries=entries, drift=Drift(60.0, 60.0, 9000.0))
    said = {section.heading: section.lines for section in comment_sections(replace(take, assessment=judged))}
    assert len(said["Entries"]) == 1 and said["Entries"][0].endswith(": 150 ms late, by your own beat.")
    assert said["Tempo"][0].endswith("9.0 s behind the click at the end, with all stops and returns.")
    on_beat = replace(judged, entries=entries[:2])
    said = {section.heading: section.lines for section in comment_sections(replace(take, assessment=on_beat))}
    assert said["Entries"] == ("All 2 entries come in time.",)


def test_a_note_made_good_by_going_back_is_neither_late_on_the_strip_nor_on_the_page(app: App) -> None:
    _judged(app)
    take = app.run.rehearsal.takes[-1]
    count = len(PASSAGE.notes)
    notes = tuple(NoteResult(i, LATE if i == 5 else ON_TIME, 6000.0 if i == 5 else 0.0) for i in range(count))
    realised = (*range(5), *range(6, 9), *range(4, count))
    take = replace(take, assessment=replace(take.assessment, notes=notes, realised=realised))
    assert timing_of(take, Tolerances())[5].deviation_ms is None
    assert not [mark for mark in marks_of(take) if mark.kind in (EARLY, LATE)]


def test_a_slip_on_the_horn_ends_with_a_full_stop(app: App) -> None:
    slip = replace(_slip(app, 5), sentence=SENTENCE.rstrip("."))
    assert slip_view(slip, frozenset(), frozenset()).words == SENTENCE


def test_a_leaf_longer_than_the_window_is_read_on_with_the_arrows(tmp_path: Path) -> None:
    app = open_stand(make_setup(PASSAGE, tmp_path), (1024, 640))
    _judged(app)
    take = app.run.rehearsal.takes[-1]
    long = replace(take.assessment, comment=tuple(f"Sentence {i}: " + "and so on " * 30 for i in range(20)))
    app.run.rehearsal.takes[-1] = replace(take, assessment=long)
    key(app, "e")
    leaf = app.leaf
    assert isinstance(leaf, ReadLeaf) and leaf.more
    for _ in range(300):
        key(app, "down")
        if not leaf.more:
            break
    assert not leaf.more and leaf.first > 10
    key(app, "up")
    assert leaf.more
    app.close()


def test_before_a_take_nothing_is_told(app: App) -> None:
    key(app, "e")
    assert app.leaf is None
    key(app, "g")
    assert app.stand.replaying is None and "no take" in app.run.notice


@pytest.mark.parametrize("size", SIZES)
def test_every_line_of_the_keys_fits(tmp_path: Path, size: tuple[int, int]) -> None:
    """Nothing of the list of keys and of the pencil's meanings is cut off or runs out of the leaf."""
    app = open_stand(make_setup(PASSAGE, tmp_path), size)
    drawn: list[tuple[str, float | None, str]] = []
    type_ = app.stand.type
    plain = type_.draw

    def draw(target, text, at, size=15, style="regular", *rest, **named):  # type: ignore[no-untyped-def]
        width = named.get("max_width_px")
        drawn.append((text, width, type_.shorten(text, size, style, width) if width else text))
        return plain(target, text, at, size, style, *rest, **named)

    key(app, "f1")
    type_.draw = draw  # type: ignore[method-assign]
    app.frame()
    key(app, "right")
    app.frame()
    shown = {text for text, *_ in drawn}
    assert {binding.what for binding in BINDINGS} <= shown and any("trouble spot (O)" in text for text in shown)
    for text, _, short in drawn:
        assert text == short, f"{text!r} is cut to {short!r}"
    leaf = app.leaf
    assert leaf is not None
    key(app, "left")
    key(app, "x")
    assert app.leaf is None
    app.close()
