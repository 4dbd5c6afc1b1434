"""Takes made up for tests of the studio: they fail in every way there is, most often at one fingering."""

from __future__ import annotations

import random

from companion.practice.model import EARLY, LATE, LEFT_OUT, NOT_REACHED, ON_TIME, WRONG_NOTE, Tolerances
from companion.record import NoteRecord, TakeRecord
from companion.record.model import SlipRecord

__all__ = ["SHAPES", "a_take"]

#: (written MIDI number, fingering, keys); the open horn has no keys, and one note has no plan.
SHAPES = (
    (71, "standard", ("l1",)), (70, "side", ("l1", "l2", "side_b_flat")), (70, "bis", ("bis", "l1")),
    (73, "open", ()), (69, "standard", ("l1", "l2")), (67, "standard", ("l1", "l2", "l3")), (60, "", ()),
)  # fmt: skip
RIGHT = (ON_TIME, EARLY, LATE)


def a_take(rng: random.Random, number: int, weak: int) -> TakeRecord:
    """A take in which the changes to shape `weak` fail more often than others, in every way there is."""
    notes, slips = [], []
    for i in range(24):
        which = rng.randrange(len(SHAPES))
        midi, name, keys = SHAPES[which]
        fails = rng.random() < (0.6 if which == weak else 0.04)
        verdict = rng.choice(RIGHT)
        how = rng.randrange(6) if fails else -1
        if how in (0, 1):
            verdict = (WRONG_NOTE, LEFT_OUT)[how]
        if how == 2 and i:
            slips.append(SlipRecord(i, i - 1, midi + 1, 40.0))
        late_ms = {4: 90.0, 5: 700.0}.get(how, 0.0)
        notes.append(
            NoteRecord(
                str(i // 8 + 1), str(i % 8), midi, name, keys, verdict if i < 22 or how < 0 else NOT_REACHED,
                None if verdict in (WRONG_NOTE, LEFT_OUT) else round(rng.gauss(0, 20) + late_ms, 3), midi,
                available_ms=None if not i or rng.random() < 0.05 else 250.0, went_back=int(how == 3),
            )
        )  # fmt: skip
    if rng.random() < 0.2:
        slips.append(SlipRecord(9, 7, 70, 30.0))  # not from the note before: no slip of one change
    return TakeRecord(
        rng.choice(["Étude", "Waltz"]), float(rng.choice((60, 72, 84))),
        origin=rng.choice(["a.musicxml", "b/c.mid", ""]), sha256=rng.choice(["aa", ""]),
        instrument="alto" if number % 7 else "tenor", port="wind",
        tempo_played_bpm=rng.choice((None, 58.0, 71.5)), notes=tuple(notes), slips=tuple(slips),
        since_run_ns=number * 60 * 10**9, tolerances=Tolerances(on_time_ms=rng.choice((20.0, 45.0))),
        ladder=rng.choice(({}, {"trying": False}, {"trying": rng.random() < 0.3})),
    )  # fmt: skip
