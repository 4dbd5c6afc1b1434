"""Directions and bar lines of MusicXML: tempo marks, and the signs and words that decide the playing order."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from lxml import etree

from companion.scores import tempo_words
from companion.scores.guards import one_line
from companion.scores.written import Marks, WrittenTempo

__all__ = [
    "MAX_TIMES",
    "barline_marks",
    "beat_unit_beats",
    "direction_marks",
    "direction_silence",
    "direction_tempo",
    "goes_on_as_before",
    "merge_marks",
    "metronome_in_words",
    "one_a_place",
]

MAX_TIMES = 8
#: Note values in quarters (MusicXML 4.0, note-type-value).
NOTE_BEATS = {
    "maxima": Fraction(32),
    "long": Fraction(16),
    "breve": Fraction(8),
    "whole": Fraction(4),
    "half": Fraction(2),
    "quarter": Fraction(1),
    "eighth": Fraction(1, 2),
    **{name: Fraction(4, int(re.sub(r"\D", "", name))) for name in ("16th", "32nd", "64th", "128th")},
    **{name: Fraction(4, int(re.sub(r"\D", "", name))) for name in ("256th", "512th", "1024th")},
}
_UNIT_SIGNS = {"breve": "𝅜", "whole": "𝅝", "half": "𝅗𝅥", "quarter": "♩", "eighth": "♪", "16th": "𝅘𝅥𝅯"}
_TEMPO_BPM = (4.0, 2000.0)
_NUMBER = re.compile(r"[0-9]{1,4}(?:\.[0-9]{1,6})?")
_JUMP = re.compile(r"^(?P<capo>d\.?\s?c\b\.?|da capo\b)|^(?P<segno>d\.?\s?s(?:egno)?\b\.?|d(?:al|el) segno\b)")
_FINE = ("fine", "fin", "ende", "schluss")
_AL = re.compile(
    rf"\b(?:al(?:la)?|[aà] la|au|bis(?: zum)?)\s+({'|'.join(_FINE)}|coda)\b"
    r"|\b(?:to|e poi la|poi)\s+(?:the\s+)?(coda)\b"
)
_SIMILE = re.compile(r"\bsim(?:ile|\.)|\bsempre (?:molto |poco )?(?:leg|stacc|ten|marc)|^(?:legato|stacc(?:ato|\.))$")
#: A breath and a caesura that were typed as text.
_SILENCES = {",": "breath-mark", "’": "breath-mark", "'": "breath-mark", "//": "caesura"}
_WITH_REPEATS = re.compile(r"\b(?:con|with|coi|colle|mit) (?:la |le |the )?(?:rep|rip|wiederh)")
_TIMES_WORDS = ("two", "three", "four", "five", "six", "seven", "eight")
_TIMES = re.compile(
    rf"^(?:play|repeat)?\s*(?:(?P<many>[2-8]|{'|'.join(_TIMES_WORDS)})\s*(?:x|×|times)|[x×]\s*(?P<by>[2-8]))$"
)
#: Segno and coda as characters: Unicode, and SMuFL 1.4 from memory.
_SIGNS_AS_TEXT = {"\U0001d10b": "segno", "\ue047": "segno", "\U0001d10c": "coda", "\ue048": "coda"}
_TO_CODA = re.compile(r"^(to|al|alla)( the)? coda\b")


def beat_unit_beats(unit: str | None, dots: int) -> Fraction | None:
    """Quarters in a beat unit with so many dots, None where the unit is unknown."""
    beats = NOTE_BEATS.get((unit or "").strip())
    return beats * (2 - Fraction(1, 2 ** min(dots, 8))) if beats is not None else None


def direction_silence(direction: etree._Element) -> str:
    """The sign for a breath or a caesura that a `<direction>` is, in letters; empty for any other."""
    return _SILENCES.get(_words(direction), "")


def goes_on_as_before(direction: etree._Element) -> str:
    """Words that carry an articulation on without drawing it: `simile`, `sempre staccato`; empty for others."""
    words = one_line(_words(direction))
    return words if _SIMILE.search(words.lower()) else ""


def _words(direction: etree._Element) -> str:
    return " ".join(" ".join("".join(w.itertext()) for w in direction.iterfind("direction-type/words")).split())


def direction_tempo(direction: etree._Element, onset: Fraction) -> WrittenTempo | None:
    """The tempo a `<direction>` or `<sound>` sets, or its words where they speak of tempo and give no number; a printed
    metronome mark, also one in words, counts before a `<sound tempo>`."""
    words = one_line(tempo_words.in_plain_signs(_words(direction)))
    sound = direction if direction.tag == "sound" else direction.find("sound")
    bpm = _plausible(sound.get("tempo")) if sound is not None else None
    if sound is not None and _swings(sound) and not tempo_words.asks_swing(words):
        words = f"{words} (swing)" if words else "swing"
    for metronome in direction.iterfind("direction-type/metronome"):
        if (mark := _metronome(metronome, onset, words) or _note_equation(metronome, onset, words)) is not None:
            return mark if mark.quarter_bpm is not None or bpm is None else replace(mark, quarter_bpm=bpm, ratio=None)
    if (mark := _in_words(words, onset)) is not None:
        return mark if mark.quarter_bpm is not None or bpm is None else replace(mark, quarter_bpm=bpm, ratio=None)
    if bpm is None and not tempo_words.speaks_of_tempo(words):
        return None
    return WrittenTempo(onset, bpm, words, tempo_words.times_as_fast(words) if bpm is None else None)


def one_a_place(tempos: Sequence[WrittenTempo]) -> tuple[WrittenTempo, ...]:
    """The tempos in order; where a mark is printed, the first counts, and what playback says there beside it does
    not."""
    found: list[WrittenTempo] = []
    printed = {tempo.onset: tempo for tempo in reversed(tempos) if tempo.unit is not None}
    for tempo in sorted(tempos, key=lambda tempo: tempo.onset):
        mark = printed.get(tempo.onset, tempo)
        if tempo is mark or tempo.words_only:
            found.append(tempo)
        elif tempo.unit is None and tempo_words.speaks_of_tempo(tempo.text):
            found.append(replace(tempo, quarter_bpm=None, ratio=None))
    return tuple(found)


def _swings(sound: etree._Element) -> bool:
    """MusicXML 4.0, `<swing>`: `first` and `second` are how long the notes of a pair last, in proportion."""
    first, second = (sound.findtext(f"swing/{name}") for name in ("first", "second"))
    return first is not None and second is not None and first.strip() != second.strip()


def _in_words(words: str, onset: Fraction) -> WrittenTempo | None:
    found = tempo_words.mark_in_words(words)
    if found is None:
        return None
    if found.number is not None:
        return WrittenTempo(onset, round(found.number * float(found.beats), 6), words, unit=found.beats)
    return WrittenTempo(onset, None, words, float(found.beats / (found.old_beats or found.beats)), found.beats)


def _plausible(text: str | None) -> float | None:
    found = _NUMBER.search(text or "")
    bpm = float(found.group()) if found else 0.0
    return bpm if _TEMPO_BPM[0] <= bpm <= _TEMPO_BPM[1] else None


def _metronome(metronome: etree._Element, onset: Fraction, words: str) -> WrittenTempo | None:
    """`♩. = 60`, or two units related."""
    units: list[list[tuple[str, int]]] = []
    for child in metronome:
        if child.tag == "beat-unit":
            units.append([((child.text or "").strip(), 0)])
        elif child.tag == "beat-unit-dot" and units:
            units[-1][-1] = (units[-1][-1][0], units[-1][-1][1] + 1)
        elif child.tag == "beat-unit-tied" and units:
            units[-1].append(((child.findtext("beat-unit") or "").strip(), len(child.findall("beat-unit-dot"))))
    beats = [_beats_of(unit) for unit in units]
    if not beats or beats[0] is None:
        return None
    label = " ".join(filter(None, [words, _unit_text(units[0]), "="]))
    per_minute = _plausible(metronome.findtext("per-minute"))
    if per_minute is not None:
        shown = one_line(metronome.findtext("per-minute") or "", 20)
        return WrittenTempo(onset, round(per_minute * float(beats[0]), 6), f"{label} {shown}", unit=beats[0])
    if len(beats) > 1 and beats[1] is not None:
        return WrittenTempo(onset, None, f"{label} {_unit_text(units[1])}", float(beats[1] / beats[0]), beats[1])
    return None


def _note_equation(metronome: etree._Element, onset: Fraction, words: str) -> WrittenTempo | None:
    """Notes on either side of an equals sign, as `<metronome-note>`: one note on each side relates two tempos; a pair
    that equals a longer note and a shorter one asks for swing."""
    sides: list[list[etree._Element]] = [[]]
    for child in metronome:
        if child.tag == "metronome-relation":
            sides.append([])
        elif child.tag == "metronome-note":
            sides[-1].append(child)
    if len(sides) != 2 or not all(sides):
        return None
    lengths = [[_metronome_note(note) for note in side] for side in sides]
    old, new = ([beats for beats in side if beats is not None] for side in lengths)
    if len(old) == len(new) == 1:
        texts = (_unit_text([((s[0].findtext("metronome-type") or "").strip(), len(s[0].findall("metronome-dot")))])
                 for s in sides)  # fmt: skip
        label = " ".join(filter(None, [words, " = ".join(texts)]))
        return WrittenTempo(onset, None, label, float(new[0] / old[0]), new[0])
    if len(old) == len(new) == 2 and old[0] == old[1] and new[0] > new[1]:
        return WrittenTempo(onset, None, words if tempo_words.asks_swing(words) else f"{words} swing".strip())
    return None


def metronome_in_words(metronome: etree._Element) -> str:
    """A metronome mark as text: `♩ = ♩.`, `swing`; empty where it says nothing that is read."""
    mark = _metronome(metronome, Fraction(0), "") or _note_equation(metronome, Fraction(0), "")
    return mark.text if mark is not None else ""


def _metronome_note(note: etree._Element) -> Fraction | None:
    return beat_unit_beats(note.findtext("metronome-type"), len(note.findall("metronome-dot")))


def _beats_of(unit: list[tuple[str, int]]) -> Fraction | None:
    """Quarters in a unit; tied ones are added."""
    parts = [beat_unit_beats(*part) for part in unit]
    return sum((part for part in parts if part is not None), Fraction(0)) if None not in parts else None


def _unit_text(unit: list[tuple[str, int]]) -> str:
    return "+".join(_UNIT_SIGNS.get(name, name) + "." * dots for name, dots in unit)


def direction_marks(direction: etree._Element) -> Marks:
    """What a `<direction>` or `<sound>` says about the playing order, in signs, in words or for playback."""
    sound = direction if direction.tag == "sound" else direction.find("sound")
    words = _words(direction)
    said = _sign_as_text(words) or _said(words)
    signs = Marks(
        segno=tuple("" for _ in direction.iterfind("direction-type/segno")),
        coda_signs=sum(1 for _ in direction.iterfind("direction-type/coda")),
    )
    marks = merge_marks(said, signs)
    return merge_marks(marks, _sound_marks(sound)) if sound is not None else marks


def _sign_as_text(words: str) -> Marks | None:
    """A segno or coda that stands there alone, as a character."""
    match _SIGNS_AS_TEXT.get(words.strip()):
        case "segno":
            return Marks(segno=("",))
        case "coda":
            return Marks(coda_signs=1)
    return None


def _said(words: str) -> Marks:
    for sign, name in _SIGNS_AS_TEXT.items():
        words = words.replace(sign, f" {name} ")
    if times := _TIMES.match(words.lower().strip(" ().")):
        many = times["many"] or times["by"]
        return Marks(times=_TIMES_WORDS.index(many) + 2 if many in _TIMES_WORDS else int(many))
    text = "".join(c for c in words.lower() if c.isalnum() or c in " .").strip()
    text = re.sub(r"\s+", " ", text)
    if jump := _JUMP.match(text):
        al = _AL.search(text)
        goal = next(filter(None, al.groups())) if al else ""
        goal = "fine" if goal in _FINE else goal
        again = bool(_WITH_REPEATS.search(text))
        return Marks(jump="dacapo" if jump["capo"] else "dalsegno", al=goal, with_repeats=again)
    bare = text.rstrip(" .")
    # In small letters the others are words of a song.
    if bare == "fine" or (bare in _FINE and words.strip(" (")[:1].isupper()):
        return Marks(fine=True)
    if _TO_CODA.match(text):
        return Marks(to_coda=("",))
    return Marks(coda=("",)) if bare == "coda" else Marks()


def _sound_marks(sound: etree._Element) -> Marks:
    def label(attribute: str) -> tuple[str, ...]:
        value = sound.get(attribute)
        return (one_line(value),) if value else ()

    jump = "dacapo" if sound.get("dacapo") == "yes" else "dalsegno" if sound.get("dalsegno") else ""
    return Marks(
        forward=sound.get("forward-repeat") == "yes",
        segno=label("segno"),
        coda=label("coda"),
        to_coda=label("tocoda"),
        fine=sound.get("fine", "no") not in ("no", ""),
        jump=jump,
        jump_label=one_line(sound.get("dalsegno", "")) if jump == "dalsegno" else "",
    )


def barline_marks(barline: etree._Element) -> Marks:
    """What a `<barline>` says about the playing order."""
    marks = Marks(
        segno=((barline.get("segno") or "",) if barline.find("segno") is not None else ()),
        coda_signs=1 if barline.find("coda") is not None else 0,
    )
    repeat, ending = barline.find("repeat"), barline.find("ending")
    if repeat is not None and repeat.get("direction") == "forward":
        marks = replace(marks, forward=True)
    elif repeat is not None and repeat.get("direction") == "backward":
        after_jump = repeat.get("after-jump") == "yes"
        marks = replace(marks, backward=True, times=_times(repeat.get("times")), after_jump=after_jump)
    if ending is not None and ending.get("type") == "start":
        marks = replace(marks, endings=_ending_numbers(ending.get("number")))
    elif ending is not None:
        marks = replace(marks, ending_stops=True)
    return marks


def _times(text: str | None) -> int | None:
    digits = (text or "").strip()
    return int(digits) if digits.isascii() and digits.isdigit() and len(digits) < 7 and int(digits) > 0 else None


def _ending_numbers(text: str | None) -> frozenset[int]:
    numbers: set[int] = set()
    for piece in re.findall(r"[0-9]{1,3}(?:\s*-\s*[0-9]{1,3})?", text or ""):
        low, _, high = piece.partition("-")
        numbers.update(range(int(low), min(int(high or low), int(low) + 64) + 1))
    return frozenset(numbers - {0})


def merge_marks(one: Marks, other: Marks) -> Marks:
    """Both together. Words and `<sound>` of one direction often say the same thing twice."""
    return Marks(
        forward=one.forward or other.forward,
        backward=one.backward or other.backward,
        times=one.times if other.times is None else other.times,
        after_jump=one.after_jump or other.after_jump,
        endings=one.endings | other.endings,
        ending_stops=one.ending_stops or other.ending_stops,
        segno=_labels(one.segno, other.segno),
        coda=_labels(one.coda, other.coda),
        to_coda=_labels(one.to_coda, other.to_coda),
        coda_signs=one.coda_signs + other.coda_signs,
        fine=one.fine or other.fine,
        jump=one.jump or other.jump,
        jump_label=one.jump_label or other.jump_label,
        al=one.al or other.al,
        with_repeats=one.with_repeats or other.with_repeats,
    )


def _labels(one: tuple[str, ...], other: tuple[str, ...]) -> tuple[str, ...]:
    """Labels without doubles; a sign without a label is the same as the labelled one beside it."""
    named = tuple(dict.fromkeys(label for label in (*one, *other) if label))
    return named or (one or other)[:1]
