"""How a wrong pitch is wrong: what the player read, or forgot to read.

Conventions
-----------
* An accidental holds to the end of its bar, for its own line or space in its own octave; after the bar line the key
  signature holds again (common practice, no source).
* The likeliest reading comes first: what the signature or an accidental explains is no slip to the neighbouring note,
  though it lies a semitone away. All of it is a guess from one pitch, and said as one: what was played, and what stands
  there.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from companion.passage import Note, Passage, Pitch
from companion.practice.model import WRONG_NOTE, NoteResult
from companion.practice.words import bars_in_words, times_in_words

__all__ = [
    "ACCIDENTAL_FORGOTTEN", "ACCIDENTAL_KEPT", "KEY_SIGNATURE", "MISREADINGS", "NEIGHBOUR", "NOT_IN_SIGNATURE",
    "OCTAVE", "OTHER", "OTHER_WAY", "SEMITONE", "THIRD", "Pattern", "heard_pitch", "misread_in_words", "misread_of",
    "patterns", "reason_in_words", "signature_alter",
]  # fmt: skip

#: What the key signature alters was played without it.
KEY_SIGNATURE = "key signature"
#: An accidental more than the signature has, such as C♯ where only F♯ stands.
NOT_IN_SIGNATURE = "not in the key signature"
#: An accidental before the note, or earlier in the bar, was not played.
ACCIDENTAL_FORGOTTEN = "accidental forgotten"
#: An accidental that a natural or a bar line had ended was still played, or one of another octave.
ACCIDENTAL_KEPT = "accidental kept"
#: A sharp was read as a flat, or a flat as a sharp.
OTHER_WAY = "sharp for flat"
OCTAVE = "octave"
#: The next line was read for a line, the next space for a space.
THIRD = "third"
NEIGHBOUR = "neighbour"
SEMITONE = "semitone"
OTHER = "other"
MISREADINGS = (
    KEY_SIGNATURE, NOT_IN_SIGNATURE, ACCIDENTAL_FORGOTTEN, ACCIDENTAL_KEPT, OTHER_WAY, OCTAVE, THIRD, NEIGHBOUR,
    SEMITONE, OTHER,
)  # fmt: skip

_STEPS = "CDEFGAB"
#: Sharps come in this order, flats in the opposite one.
_ORDER_OF_SHARPS = "FCGDAEB"
_FLAT_NAMES = (("C", 0), ("D", -1), ("D", 0), ("E", -1), ("E", 0), ("F", 0), ("G", -1), ("G", 0), ("A", -1), ("A", 0),
               ("B", -1), ("B", 0))  # fmt: skip
_SHARP_NAMES = (("C", 0), ("C", 1), ("D", 0), ("D", 1), ("E", 0), ("F", 0), ("F", 1), ("G", 0), ("G", 1), ("A", 0),
                ("A", 1), ("B", 0))  # fmt: skip
_SIGNS = {-2: "double flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double sharp"}


@dataclass(frozen=True, slots=True)
class Pattern:
    """The same misreading more than once in a take: `sentence` says it once, for all `notes` (score indices)."""

    kind: str
    notes: tuple[int, ...]
    sentence: str


def signature_alter(step: str, fifths: int) -> int:
    """What a key signature of so many fifths (sharps positive) does to a step, in semitones."""
    place = _ORDER_OF_SHARPS.index(step)
    return (fifths - place + 6) // 7


def misread_of(passage: Passage, note_index: int, played_midi: int) -> str:
    """How a pitch is wrong: one of `MISREADINGS`, empty where it is right.

    Parameters
    ----------
    passage : Passage
    note_index : int
        The score note in whose place it was played.
    played_midi : int
        Written MIDI number of what was played.
    """
    return _read(passage, note_index, played_midi)[0]


def heard_pitch(passage: Passage, note_index: int, played_midi: int) -> Pitch:
    """What was played, spelled as the player is likely to have read it."""
    return _read(passage, note_index, played_midi)[1]


def misread_in_words(passage: Passage, note_index: int, played_midi: int) -> str:
    """`F natural for F♯: the key signature`; without a reason where none is likely, as `A♯ for A`. Empty where it is
    right."""
    kind, heard = _read(passage, note_index, played_midi)
    note = passage.notes[note_index]
    if not kind:
        return ""
    natural = " natural" if heard.alter == 0 and heard.step == note.written.step and note.written.alter else ""
    reason = reason_in_words(passage, note_index, played_midi)
    octave = kind == OCTAVE
    said = f"{heard} for {note.written}" if octave else f"{heard.name}{natural} for {note.written.name}"
    return f"{said}: {reason}" if reason else said


def reason_in_words(passage: Passage, note_index: int, played_midi: int) -> str:
    """Why it may be so, as the end of a sentence: `the key signature`. Empty where nothing explains it."""
    kind, heard = _read(passage, note_index, played_midi)
    note = passage.notes[note_index]
    if kind == KEY_SIGNATURE:
        return f"the key signature has {note.written.name}"
    if kind == NOT_IN_SIGNATURE:
        return f"the key signature has no {heard.name}"
    if kind == ACCIDENTAL_FORGOTTEN:
        sign = _SIGNS[note.written.alter]
        earlier = _state(passage, note)[0] == note.written.alter
        return f"the {sign} earlier in the bar still holds" if earlier else f"the {sign} before it was overlooked"
    if kind == ACCIDENTAL_KEPT:
        return f"the {_SIGNS[heard.alter]} before it no longer holds"
    if kind == OTHER_WAY:
        return f"the {_SIGNS[note.written.alter]} was read as a {_SIGNS[heard.alter]}"
    if kind == OCTAVE:
        apart = (played_midi - note.written_midi) // 12
        far = "an octave" if abs(apart) == 1 else f"{abs(apart)} octaves"
        key = ", mind the octave key" if abs(apart) == 1 else ""
        return f"{far} too {'high' if apart > 0 else 'low'}{key}"
    if kind == THIRD:
        where = "up" if heard.midi > note.written_midi else "down"
        return f"a third {where}, the next {_line_or_space(note.written)}"
    return ""


def patterns(passage: Passage, results: Iterable[NoteResult]) -> tuple[Pattern, ...]:
    """Misreadings that came more than once in a take, the most frequent first."""
    found: dict[tuple[str, str, str], list[NoteResult]] = {}
    for result in results:
        if result.verdict == WRONG_NOTE and result.played_midi is not None:
            kind, heard = _read(passage, result.note_index, result.played_midi)
            written = passage.notes[result.note_index].written
            # An octave is the same misreading on every note, all others on their own.
            key = (kind, "", "") if kind == OCTAVE else (kind, written.name, heard.name)
            found.setdefault(key, []).append(result)
    more = [(key, group) for key, group in found.items() if len(group) > 1 and key[0]]
    more.sort(key=lambda item: (-len(item[1]), item[1][0].note_index))
    return tuple(
        Pattern(key[0], tuple(r.note_index for r in group), _sentence(passage, key, group)) for key, group in more
    )


def _sentence(passage: Passage, key: tuple[str, str, str], group: list[NoteResult]) -> str:
    kind, written, heard = key
    bars = bars_in_words(passage, (passage.notes[r.note_index].bar for r in group))
    times = times_in_words(len(group))
    if kind == OCTAVE:
        ups = sum(1 for r in group if (r.played_midi or 0) > passage.notes[r.note_index].written_midi)
        side = "high" if ups == len(group) else "low" if not ups else "high or low"
        return (
            f"{len(group)} notes came an octave too {side} ({bars}); mind the octave key, and keep the mouth as it is."
        )
    if kind == KEY_SIGNATURE:
        return (
            f"{written} was played {heard} {times} ({bars}): the key signature has it; say its name before you start."
        )
    head = f"{written} was played {heard} {times} ({bars})"
    first = group[0]
    if kind in (NOT_IN_SIGNATURE, ACCIDENTAL_FORGOTTEN, ACCIDENTAL_KEPT, OTHER_WAY):
        reason = reason_in_words(passage, first.note_index, first.played_midi or 0)
        return f"{head}: {reason}; ring it in pencil and play the bar slower."
    if kind == THIRD:
        line = _line_or_space(passage.notes[first.note_index].written)
        return f"{head}, the next {line}; write its name over it and play the bar slower."
    return f"{head}; say its name and finger it without blowing, then play it slower."


def _read(passage: Passage, note_index: int, played_midi: int) -> tuple[str, Pitch]:
    """The kind, and the pitch as the player is likely to have read it."""
    note = passage.notes[note_index]
    written, fifths = note.written, passage.bars[note.bar].fifths
    apart = played_midi - written.midi
    if not apart:
        return "", written
    if apart % 12 == 0:
        return OCTAVE, Pitch(written.step, written.alter, written.octave + apart // 12)
    signature = signature_alter(written.step, fifths)
    same_step = Pitch(written.step, written.alter + apart, written.octave)
    for kind, alters in (
        (KEY_SIGNATURE, [0] if written.alter == signature else []),
        *_accidentals(passage, note, signature),
        (NOT_IN_SIGNATURE, _one_more(written, fifths)),
    ):
        if same_step.alter in alters:
            return kind, same_step
    for distance, kind in ((1, NEIGHBOUR), (2, THIRD)):
        for beside in (_beside(written, distance, fifths), _beside(written, -distance, fifths)):
            if beside.midi == played_midi:
                return kind, beside
    # Only now: a whole step from a sharp or flat is the neighbour where the scale has it.
    if written.alter and same_step.alter == -written.alter:
        return OTHER_WAY, same_step
    heard = _spelled(played_midi, flat=fifths < 0 or written.alter < 0)
    return (SEMITONE if abs(apart) == 1 else OTHER), heard


def _accidentals(passage: Passage, note: Note, signature: int) -> tuple[tuple[str, list[int]], ...]:
    """What the step would be with an accidental forgotten, or with one kept that holds no longer."""
    state, others = _state(passage, note)
    alter = note.written.alter
    kept = [a for a in others if a != alter]
    if state not in (alter, signature):
        # A natural (or another sign) takes an earlier one back: playing that on is keeping it.
        kept.append(state)
    forgotten = [a for a in (signature, state) if a != alter and a not in kept]
    return ((ACCIDENTAL_KEPT, kept), (ACCIDENTAL_FORGOTTEN, forgotten))


def _state(passage: Passage, note: Note) -> tuple[int, list[int]]:
    """What the step is without a sign of its own here; and signs on it that do not hold: of the bar before, of another
    octave."""
    bars, written = passage.bars, note.written
    signature = signature_alter(written.step, bars[note.bar].fifths)
    others: list[int] = []
    for earlier in reversed(passage.notes[: note.index]):
        if earlier.bar < note.bar - 1:
            break
        if earlier.written.step != written.step:
            continue
        alter = earlier.written.alter
        if earlier.bar == note.bar and earlier.written.octave == written.octave:
            return alter, others
        if alter != signature_alter(written.step, bars[earlier.bar].fifths) or alter != signature:
            others.append(alter)
    return signature, others


def _one_more(written: Pitch, fifths: int) -> list[int]:
    """The step as a signature of one sharp or flat more, or two, would have it."""
    own = signature_alter(written.step, fifths)
    if written.alter != own:
        return []
    ways = (1, 2) if fifths > 0 else (-1, -2) if fifths < 0 else (1, -1)
    return [a for a in {signature_alter(written.step, fifths + more) for more in ways} if a != own]


def _beside(written: Pitch, steps: int, fifths: int) -> Pitch:
    """So many steps of the staff away, as the key signature has it."""
    place = _STEPS.index(written.step) + steps
    step = _STEPS[place % 7]
    return Pitch(step, signature_alter(step, fifths), written.octave + place // 7)


def _spelled(midi: int, *, flat: bool) -> Pitch:
    step, alter = (_FLAT_NAMES if flat else _SHARP_NAMES)[midi % 12]
    return Pitch(step, alter, midi // 12 - 1)


def _line_or_space(written: Pitch) -> str:
    """On the treble staff: E4 is the lowest line, and lines are two steps apart (ledger lines too)."""
    place = _STEPS.index(written.step) + 7 * written.octave - (_STEPS.index("E") + 7 * 4)
    return "line" if place % 2 == 0 else "space"
