"""Two invented etudes with a teacher's marks, for the tests of the printed sheet: a waltz with a repeat and endings,
and two pages of sixteenths."""

from __future__ import annotations

import random
import re
from pathlib import Path
from xml.sax.saxutils import escape

__all__ = ["SIXTEENTHS_TITLE", "WALTZ_TITLE", "write_sixteenths", "write_waltz"]

WALTZ_TITLE, SIXTEENTHS_TITLE = "Lamplight Waltz", "Étude of the Narrow Stairs"
_LENGTHS = {
    "s": (1, "16th"),
    "e": (2, "eighth"),
    "q": (4, "quarter"),
    "Q": (6, "quarter"),
    "h": (8, "half"),
    "H": (12, "half"),
}
_TOKEN = re.compile(r"([A-G])(#|b|n)?(\d)([seqQhH])([().>-]*)|r([seqQh])")

_WALTZ = """
mf|C5q( D5e Eb5e F5e G5e)
|Ab5q. G5q. F5q.
|Eb5q( D5e C5e Bb4e C5e)
|D5H
p|Bb4e( C5e) Bb4e( A4e) Bb4e( D5e)
|C5e( Bb4e) A4e( G4e) F#4e( G4e)
cresc|A4q( Bb4q C5q)
|D5h rq
f|F5Q( Eb5e) D5q
|Eb5Q( D5e) C5q
|D5e( C5e Bb4e A4e G4e F#4e)
|G4e( Bb4e D5e G5e) F5e.> Eb5e.
p|D5e( C5e B4e C5e) Ab4e( G4e)
1|F4e( F#4e G4e Ab4e A4e Bb4e)
2|Bb4q( A4q) Bb4q-
dolce|Bb5q( Ab5e G5e F5e Eb5e)
|C6e( Bb5e Ab5e Bb5e) G5q
|F5e( F#5e G5e) E6e.> F6e.> D6e.
end|C5H
"""
_WALTZ_MARKS = """format = 1

[[comment]]
bar = "1"
note = 1
text = "Breathe in on two and three of an empty bar, then begin from nothing."

[[comment]]
bar = "9"
note = 1
text = "Lean on the first note, let the other two fall."

[[comment]]
bar = "14"
note = 2
text = "F to F♯: the ring finger of the right hand finds the chromatic key, r1 stays down. Ten times, eyes closed."

[[fingering]]
bar = "7"
note = 2
use = "side"
why = "so that the index is free for the C"
"""


def write_waltz(folder: Path, title: str = WALTZ_TITLE) -> Path:
    """The waltz with its mark sheet; returns the score's path."""
    bars = [line.partition("|") for line in _WALTZ.strip().splitlines()]
    music = [_bar(i, sign, notes, beats=3) for i, (sign, _, notes) in enumerate(bars, start=1)]
    path = folder / "lamplight-waltz.musicxml"
    path.write_text(_document(title, "A. Nobody", "Andante con moto", 108, -3, 3, music), encoding="utf-8")
    path.with_suffix(".marks.toml").write_text(_WALTZ_MARKS, encoding="utf-8")
    return path


def write_sixteenths(folder: Path, bars: int = 44, title: str = SIXTEENTHS_TITLE) -> Path:
    """Sixteenths up and down chords and scales of D minor, with a mark sheet; returns the score's path."""
    rng = random.Random(17)
    line = ["D", "E", "F", "G", "A", "Bb", "C"]
    music = []
    place = 14
    signs = {1: "mf", 9: "p", 13: "cresc", 17: "f", 25: "p", 33: "cresc", 37: "f"}
    for number in range(1, bars):
        notes = []
        for _ in range(4):
            shape = rng.choice([(0, 1, 2, 1), (0, 2, 1, 3), (0, -1, -2, -3), (0, 1, -1, 0), (0, 2, 4, 2), (0, 4, 2, 1)])
            ends = rng.choice(["( ) . .", "( . . )", ". . . .", "( ) ( )", "( . ) ."]).split()
            inside = False
            for step, end in zip(shape, ends, strict=True):
                degree = place + step
                name, octave = line[degree % 7], 3 + (degree // 7) + (1 if degree % 7 == 6 else 0)
                if name == "C" and rng.random() < 0.5:
                    name = "C#"
                if name == "Bb" and rng.random() < 0.25:
                    name = "Bn"
                inside = inside or end == "("
                notes.append(f"{name}{octave}s{'' if inside and end == '.' else end}")
                inside = inside and end != ")"
            place += rng.choice([-3, -2, -1, 1, 2, 3])
            place = min(max(place, 8), 19)
        music.append(_bar(number, signs.get(number, ""), " ".join(notes), beats=4))
    music.append(_bar(bars, "end", "D5e.> A4e.> F4e.> A4e.> D4h", beats=4))
    path = folder / "narrow-stairs.musicxml"
    path.write_text(_document(title, "A. Nobody", "Allegro, sempre leggiero", 84, -1, 4, music), encoding="utf-8")
    marks = "format = 1\n" + "".join(
        f'\n[[comment]]\nbar = "{bar}"\nnote = {note}\ntext = "{text}"\n'
        for bar, note, text in (
            (3, 5, "Low wrist here. Slowly in dotted rhythms first, both ways."),
            (12, 1, "New colour: dark, from far away."),
            (25, 9, "Don't hurry the tongued ones."),
            (38, 2, "This is the bar the jury listens to."),
        )
    )
    path.with_suffix(".marks.toml").write_text(marks, encoding="utf-8")
    return path


def _document(title: str, composer: str, words: str, bpm: int, fifths: int, beats: int, bars: list[str]) -> str:
    first = (
        f"<attributes><divisions>4</divisions><key><fifths>{fifths}</fifths><mode>minor</mode></key>"
        f"<time><beats>{beats}</beats><beat-type>4</beat-type></time><clef><sign>G</sign><line>2</line></clef>"
        "<transpose><diatonic>-5</diatonic><chromatic>-9</chromatic></transpose></attributes>"
        f'<direction placement="above"><direction-type><words font-weight="bold">{escape(words)}</words>'
        "</direction-type><direction-type><metronome><beat-unit>quarter</beat-unit>"
        f'<per-minute>{bpm}</per-minute></metronome></direction-type><sound tempo="{bpm}"/></direction>'
    )
    body = "".join(bars).replace("<first/>", first, 1)
    return (
        '<?xml version="1.0" encoding="UTF-8"?><score-partwise version="4.0">'
        f"<work><work-title>{escape(title)}</work-title></work><identification>"
        f'<creator type="composer">{escape(composer)}</creator></identification><part-list><score-part id="P1">'
        f'<part-name>Alto Saxophone</part-name></score-part></part-list><part id="P1">{body}</part></score-partwise>'
    )


def _bar(number: int, sign: str, notes: str, beats: int) -> str:
    """`sign`: a dynamic, words, `end`, or the number of an ending (the first one ends a repeat)."""
    before = "<first/>" if number == 1 else ""
    left = right = ""
    if sign in ("1", "2"):
        kind = "stop" if sign == "1" else "discontinue"
        repeat = '<repeat direction="backward"/>' if sign == "1" else ""
        left = f'<barline location="left"><ending number="{sign}" type="start"/></barline>'
        right = f'<barline location="right"><ending number="{sign}" type="{kind}"/>{repeat}</barline>'
    elif sign == "end":
        right = '<barline location="right"><bar-style>light-heavy</bar-style></barline>'
    elif sign in ("p", "mf", "f"):
        before += (
            f'<direction placement="below"><direction-type><dynamics><{sign}/></dynamics></direction-type></direction>'
        )
    elif sign:
        before += (
            f'<direction placement="below"><direction-type><words font-style="italic">{sign}</words></direction-type>'
            "</direction>"
        )
    tokens = [_TOKEN.fullmatch(token) for token in notes.split()]
    played = "".join(_beamed(tokens, i) for i in range(len(tokens)))
    return f'<measure number="{number}">{left}{before}{played}{right}</measure>'


def _beamed(tokens: list[re.Match[str] | None], i: int) -> str:
    token = tokens[i]
    assert token is not None
    lengths = [_LENGTHS[t[4] or t[6]][0] for t in tokens if t is not None]
    start, group = sum(lengths[:i]), sum(lengths[:i]) // 4
    short = [length < 4 and t is not None and t[1] is not None for length, t in zip(lengths, tokens, strict=True)]
    before = i > 0 and short[i - 1] and sum(lengths[: i - 1]) // 4 == group
    after = i + 1 < len(tokens) and short[i + 1] and (start + lengths[i]) // 4 == group
    return _note(token, before, after if short[i] else False, short[i])


def _note(token: re.Match[str], before: bool, after: bool, short: bool) -> str:
    length, kind = _LENGTHS[token[4] or token[6]]
    dot = "<dot/>" if (token[4] or token[6]) in "QH" else ""
    if token[6]:
        return f"<note><rest/><duration>{length}</duration><voice>1</voice><type>{kind}</type></note>"
    alter = {"#": "<alter>1</alter>", "b": "<alter>-1</alter>"}.get(token[2] or "", "")
    beam = ""
    if short and (before or after):
        state = "continue" if before and after else "begin" if after else "end"
        levels = (1, 2) if kind == "16th" else (1,)
        beam = "".join(f'<beam number="{level}">{state}</beam>' for level in levels)
    signs = token[5]
    slurs = "".join(f'<slur type="{t}" number="1"/>' for s, t in (("(", "start"), (")", "stop")) if s in signs)
    marks = "".join(f"<{m}/>" for s, m in ((">", "accent"), (".", "staccato"), ("-", "tenuto")) if s in signs)
    notations = f"<notations>{slurs}{f'<articulations>{marks}</articulations>' if marks else ''}</notations>"
    return (
        f"<note><pitch><step>{token[1]}</step>{alter}<octave>{token[3]}</octave></pitch><duration>{length}</duration>"
        f"<voice>1</voice><type>{kind}</type>{dot}{beam}{notations if slurs or marks else ''}</note>"
    )
