"""What players do, each on a made passage with the truth written beside it: matched offline and followed live."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from practice.made import exact, passage, pitch, with_note
from practice.takes import raw_events

from companion.passage import Passage, Trill
from companion.practice import Follower, align
from companion.practice.clock import note_onsets_s
from companion.practice.model import PLAYED

TEMPO_BPM = 96.0
#: Four bars of quavers and quarters without two bars alike, with leaps, a repeated note and a rest.
TUNE = (
    "C4:1/2 E4:1/2 G4:1/2 F4:1/2 D4:1 B4:1  A4:1/2 A4:1/2 F4:1/2 C5:1/2 B4:1/2 G4:1/2 r:1  "
    "E5:1/2 D5:1/2 C5:1/2 A4:1/2 F#4:1 G4:1  D4:1/2 F4:1/2 A4:1/2 D5:1/2 C5:1/2 B4:1/2 C5:1"
)


def tune() -> Passage:
    return passage(TUNE)


def first_of(piece: Passage, bar: int) -> int:
    return next(note.index for note in piece.notes if note.bar == bar)


def in_turn(piece: Passage, *runs: tuple[int, int, float]):
    """Score notes from one to another (the last excluded), each run beginning so long after the one before ended."""
    due_s = note_onsets_s(piece, TEMPO_BPM)
    ends_s = np.array([piece.seconds(note.end, TEMPO_BPM) for note in piece.notes])
    rows, truth, now_s = [], [], 0.0
    for start, stop, pause_s in runs:
        now_s += pause_s
        for i in range(start, stop):
            onset_s = now_s + due_s[i] - due_s[start]
            rows.append((onset_s, onset_s + 0.9 * (ends_s[i] - due_s[i]), piece.notes[i].written_midi, 80))
            truth.append(i)
        now_s += ends_s[stop - 1] - due_s[start]
    return np.array(rows, dtype=PLAYED), truth


def restart():
    piece = tune()
    bar = first_of(piece, 1)
    played, truth = in_turn(piece, (0, bar + 5, 0.0), (bar, len(piece.notes), 0.7))
    return piece, played, truth


def far_restart():
    piece = tune()
    bar = first_of(piece, 3)
    played, truth = in_turn(piece, (0, bar + 3, 0.0), (0, len(piece.notes), 1.1))
    return piece, played, truth


def skipped_bar():
    piece = tune()
    played, truth = in_turn(piece, (0, first_of(piece, 1), 0.0), (first_of(piece, 2), len(piece.notes), 0.05))
    return piece, played, truth


def late_entry():
    piece = tune()
    played, truth = in_turn(piece, (0, len(piece.notes), 5.3))
    return piece, played, truth


def late_entry_after_a_rest():
    piece = tune()
    bar = first_of(piece, 2)
    played, truth = in_turn(piece, (0, bar, 0.0), (bar, len(piece.notes), 2.6))
    return piece, played, truth


def hesitation():
    piece = tune()
    played, truth = in_turn(piece, (0, 9, 0.0), (9, len(piece.notes), 1.9))
    return piece, played, truth


def stutter():
    piece = tune()
    played, truth = in_turn(piece, (0, 10, 0.0), (7, 10, 0.3), (7, len(piece.notes), 0.4))
    return piece, played, truth


def slow_drift():
    """From the set tempo to three quarters of it."""
    piece = tune()
    played = exact(piece, TEMPO_BPM)
    for field in ("onset_s", "offset_s"):
        played[field] += 0.5 * played[field] ** 2 / (3.0 * played["onset_s"][-1])
    return piece, played, list(range(len(piece.notes)))


def half_as_fast_again():
    piece = tune()
    played = exact(piece, 1.5 * TEMPO_BPM)
    return piece, played, list(range(len(piece.notes)))


def swung_quavers():
    piece = tune()
    played = exact(piece, TEMPO_BPM)
    off_beat = np.array([note.start % 1 != 0 for note in piece.notes])
    played["onset_s"][off_beat] += (2 / 3 - 1 / 2) * 60 / TEMPO_BPM
    played["offset_s"] = np.append(played["onset_s"][1:] - 0.02, played["offset_s"][-1])
    return piece, played, list(range(len(piece.notes)))


def trill():
    piece = tune()
    notes = list(piece.notes)
    notes[4] = replace(notes[4], trill=Trill(pitch("E4")))
    piece = replace(piece, notes=tuple(notes))
    played = exact(piece, TEMPO_BPM)
    onset_s, rows = played["onset_s"][4], []
    for k in range(7):
        rows.append((onset_s + 0.085 * k, onset_s + 0.085 * (k + 1), 62 + 2 * (k % 2), 80))
    made = np.concatenate([played[:4], np.array(rows, dtype=PLAYED), played[5:]])
    return piece, made, [0, 1, 2, 3, *[4] * 7, *range(5, len(piece.notes))]


def wrong_notes_and_one_put_right():
    piece = tune()
    played = exact(piece, TEMPO_BPM)
    played["written_midi"][2] += 1
    played["written_midi"][12] -= 12
    again = played[7:8].copy()
    played["written_midi"][7] += 2
    played["offset_s"][7] = played["onset_s"][7] + 0.3
    later = played[8:].copy()
    for field in ("onset_s", "offset_s"):
        again[field] += 0.35
        later[field] += 0.35
    made = np.concatenate([played[:8], again, later])
    return piece, made, [*range(8), 7, *range(8, len(piece.notes))]


STORIES = [
    restart, far_restart, skipped_bar, late_entry, late_entry_after_a_rest, hesitation, stutter, slow_drift,
    half_as_fast_again, swung_quavers, trill, wrong_notes_and_one_put_right,
]  # fmt: skip


def followed(piece, played, tempo_bpm=TEMPO_BPM):
    """A follower that has heard the take, and the caret right after each note."""
    live, carets = Follower(piece, tempo_bpm, 0), []
    for event in raw_events(played):
        live.hear(event)
        if event.message[0] == 0x90:
            carets.append(live.caret)
    return live, carets


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.__name__)
def test_what_players_do_is_matched(story):
    piece, played, truth = story()
    assert align(piece, played, TEMPO_BPM).pairs[: len(played), 0].tolist() == truth


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.__name__)
def test_what_players_do_is_followed(story):
    piece, played, truth = story()
    live, carets = followed(piece, played)
    assert list(live.realised) == truth
    # Going on, the caret is right at once; after a jump from the second note on.
    for i, (caret, here) in enumerate(zip(carets, truth, strict=True)):
        just_jumped = i > 0 and here - truth[i - 1] not in (0, 1)
        if not just_jumped:
            assert caret == here + 1, f"after note {i}"


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.__name__)
@pytest.mark.parametrize("octaves", [-2, -1, 1])
def test_a_device_an_octave_off_is_heard_as_if_at_pitch(story, octaves):
    piece, played, truth = story()
    off = played.copy()
    off["written_midi"] += 12 * octaves
    alignment = align(piece, off, TEMPO_BPM)
    assert alignment.octave_shift == -12 * octaves
    assert alignment.pairs[: len(off), 0].tolist() == truth
    live, carets = followed(piece, off)
    assert live.octave_shift == -12 * octaves
    at_pitch, right_carets = followed(piece, played)
    assert live.realised == at_pitch.realised
    assert [v.kind for v in live.verdicts] == [v.kind for v in at_pitch.verdicts]
    assert carets[6:] == right_carets[6:]


@pytest.mark.parametrize("octaves", [-1, 1])
def test_a_few_notes_an_octave_off_are_slips(octaves):
    piece = tune()
    for slips in ([0], [5], [0, 1], [3, 9, 14], [23, 24]):
        played = exact(piece, TEMPO_BPM)
        played["written_midi"][slips] += 12 * octaves
        alignment = align(piece, played, TEMPO_BPM)
        assert alignment.octave_shift == 0
        assert alignment.pairs[: len(played), 0].tolist() == list(range(len(piece.notes)))
        live, _ = followed(piece, played)
        assert live.octave_shift == 0
        assert [v.kind for v in live.verdicts].count("wrong note") == len(slips)


def test_the_octaves_a_device_is_off_are_taken_back_for_none():
    """A passage that is itself in two octaves, begun in the lower one."""
    low = "C4:1 D4:1 E4:1 F4:1 C5:1 D5:1 E5:1 F5:1"
    piece = passage(low)
    played = exact(piece, TEMPO_BPM)
    assert align(piece, played, TEMPO_BPM).octave_shift == 0
    live, _ = followed(piece, played)
    assert live.octave_shift == 0


STRAY = [-12, -7, -5, -4, -3, -2, -1, 0, 1, 2, 3, 4, 5, 7, 12, 13]


@pytest.mark.parametrize(("where", "life_s"), [(0.15, 0.3), (0.5, 0.12), (0.85, 0.03)])
def test_a_stray_note_anywhere_moves_the_caret_by_one_at_most(where, life_s):
    piece = tune()
    due_s = note_onsets_s(piece, TEMPO_BPM)
    for after in range(len(piece.notes) - 1):
        at_s = due_s[after] + where * (due_s[after + 1] - due_s[after])
        for off in STRAY:
            played = with_note(exact(piece, TEMPO_BPM), at_s, piece.notes[after].written_midi + off, life_s)
            _, carets = followed(piece, played)
            before, stray, back = carets[after : after + 3]
            assert before == after + 1
            assert abs(stray - before) <= 1, (after, off)
            assert abs(back - (after + 2)) <= 1, (after, off)
            # At once, or with the next note, all is well again.
            assert carets[after + 3 :] == list(range(after + 3, len(piece.notes) + 1)), (after, off)


#: Four bars each in a register of its own: two notes after a jump leave no doubt.
REGISTERS = (
    "C4:1/2 D4:1/2 E4:1/2 F4:1/2 D4:1/2 C4:1/2 E4:1  A4:1/2 G4:1/2 A4:1/2 B4:1/2 G4:1/2 B4:1/2 A4:1  "
    "D5:1/2 E5:1/2 C5:1/2 D5:1/2 E5:1/2 C5:1/2 E5:1  G5:1/2 F5:1/2 A5:1/2 G5:1/2 B5:1/2 A5:1/2 G5:1"
)


@pytest.mark.parametrize("bar", range(4))
def test_after_a_jump_the_caret_is_right_within_two_notes(bar):
    piece = passage(REGISTERS)
    to = first_of(piece, bar)
    for stop in range(3, len(piece.notes)):
        if piece.notes[stop - 1].bar in (bar, bar - 1):
            continue
        played, truth = in_turn(piece, (0, stop, 0.0), (to, to + 5, 0.6))
        _, carets = followed(piece, played)
        assert carets[:stop] == list(range(1, stop + 1))
        assert abs(carets[stop] - stop) <= 1, stop
        assert carets[stop + 1 :] == [here + 1 for here in truth[stop + 1 :]], stop


def test_equal_takes_are_matched_in_the_same_way():
    """Repeats of one call, and the same notes given in another order, those of one instant included."""
    piece = tune()
    played = exact(piece, TEMPO_BPM)
    # A keyboard: a second note in the same instant as every third, and one of them twice.
    extra = played[::3].copy()
    extra["written_midi"] += 4
    played = np.concatenate([played, extra, extra[:1]])
    first = align(piece, played, TEMPO_BPM)
    assert np.array_equal(first.pairs, align(piece, played, TEMPO_BPM).pairs)
    found = sorted(zip(played["onset_s"].tolist(), played["written_midi"].tolist(), first.pairs[:, 0], strict=False))
    rng = np.random.default_rng(3)
    for _ in range(12):
        mixed = played[rng.permutation(len(played))]
        other = align(piece, mixed, TEMPO_BPM)
        assert other.cost == first.cost
        rows = zip(mixed["onset_s"].tolist(), mixed["written_midi"].tolist(), other.pairs[:, 0], strict=False)
        assert sorted(rows) == found


@pytest.mark.parametrize("other", [-12, -5, -3, 3, 4, 7, 12])
def test_of_two_notes_at_once_the_written_one_counts(other):
    """Chords from a keyboard: every note with a second one, in the same instant or a little after."""
    piece = tune()
    played = exact(piece, TEMPO_BPM)
    for apart_s in (0.0, 0.004):
        second = played.copy()
        second["written_midi"] += other
        second["onset_s"] += apart_s
        both = np.concatenate([played, second])
        realised = align(piece, both, TEMPO_BPM).pairs[: len(both), 0]
        assert realised[: len(played)].tolist() == list(range(len(piece.notes)))
        # Some may be heard as the note before struck again.
        assert np.sum(realised[len(played) :] >= 0) <= 2


def test_without_offsets_or_with_offset_at_onset_notes_are_no_blips():
    piece, played, truth = hesitation()
    for offset_s in (np.nan, played["onset_s"]):
        bare = played.copy()
        bare["offset_s"] = offset_s
        assert align(piece, bare, TEMPO_BPM).pairs[: len(bare), 0].tolist() == truth
