"""MusicXML documents for the tests, made of invented music."""

from __future__ import annotations

import random

__all__ = ["DIATONIC", "document", "every_feature", "scale", "sixteenths"]

DIATONIC = "CDEFGAB"
_HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?><score-partwise version="4.0"><part-list><score-part id="P1">'
    '<part-name>Alto Saxophone</part-name></score-part></part-list><part id="P1">'
)
_FOUR_FOUR = (
    "<attributes><divisions>12</divisions><key><fifths>{fifths}</fifths></key><time><beats>4</beats>"
    "<beat-type>4</beat-type></time><clef><sign>G</sign><line>2</line></clef></attributes>"
)


class Maker:
    """Counts `<note>` elements, so that each gets the id of its place in the document."""

    def __init__(self) -> None:
        self.count = 0

    def note(
        self, pitch: str, duration: int, kind: str, *, after: str = "", before: str = "", notations: str = ""
    ) -> str:
        """One note; `pitch` is a letter, perhaps `#` or `b`, and the octave."""
        alter = {"#": "<alter>1</alter>", "b": "<alter>-1</alter>"}.get(pitch[1:-1], "")
        ties = "".join(f'<tie type="{t}"/>' for t in ("stop", "start") if f'<tied type="{t}"/>' in notations)
        length = f"<duration>{duration}</duration>" if duration else ""
        marks = f"<notations>{notations}</notations>" if notations else ""
        text = (
            f'<note id="n{self.count}">{before}<pitch><step>{pitch[0]}</step>{alter}<octave>{pitch[-1]}</octave>'
            f"</pitch>{length}{ties}<voice>1</voice><type>{kind}</type>{after}{marks}</note>"
        )
        self.count += 1
        return text

    def rest(self, duration: int, kind: str = "") -> str:
        """A rest, a whole bar's where no kind is given."""
        whole, written = ("", f"<type>{kind}</type>") if kind else (' measure="yes"', "")
        text = f'<note id="n{self.count}"><rest{whole}/><duration>{duration}</duration><voice>1</voice>{written}</note>'
        self.count += 1
        return text


def document(bars: list[str], *, first: str | None = None) -> bytes:
    """A document of these bars' contents; `first` goes before the first bar's notes."""
    opening = _FOUR_FOUR.format(fifths=0) if first is None else first
    measures = "".join(
        f'<measure number="{index + 1}" id="m{index}">{opening if index == 0 else ""}{bar}</measure>'
        for index, bar in enumerate(bars)
    )
    return f"{_HEAD}{measures}</part></score-partwise>".encode()


def scale(low: int = 0, notes: int = 8) -> tuple[bytes, list[str]]:
    """Eighths going up the white keys from C4 plus `low` steps; returns the pitches too."""
    maker = Maker()
    pitches = [f"{DIATONIC[(low + i) % 7]}{4 + (low + i) // 7}" for i in range(notes)]
    written = [maker.note(pitch, 6, "eighth") for pitch in pitches]
    return document(["".join(written[i : i + 8]) for i in range(0, notes, 8)]), pitches


def sixteenths(bars: int, seed: int = 1, mark_share: float = 0.2) -> tuple[bytes, tuple[tuple[str, str], ...]]:
    """A study in sixteenths with slurs, dots, flats and high notes, and marks for some of its notes."""
    rng, maker, step = random.Random(seed), Maker(), 12
    marks, contents = [], []
    for _ in range(bars):
        written = ""
        for _beat in range(4):
            slurred = rng.choice(((0, 1), (0, 3), (2, 3), ()))
            for position, kind in enumerate(("begin", "continue", "continue", "end")):
                step = max(1, min(18, step + rng.choice((-2, -1, -1, 1, 1, 2))))
                flat = rng.random() < 0.08
                pitch = f"{DIATONIC[step % 7]}{'b' if flat else ''}{4 + step // 7}"
                notations = ""
                if position in slurred:
                    notations = f'<slur type="{"start" if position == slurred[0] else "stop"}" number="1"/>'
                elif not slurred:
                    notations = "<articulations><staccato/></articulations>"
                if rng.random() < mark_share:
                    marks.append((f"n{maker.count}", rng.choice(("bis", "side", "chr.", "long", "1-2", "front"))))
                beams = f'<beam number="1">{kind}</beam><beam number="2">{kind}</beam>'
                sign = "<accidental>flat</accidental>" if flat else ""
                written += maker.note(pitch, 3, "16th", after=sign + beams, notations=notations)
        contents.append(written)
    tempo = (
        '<direction placement="above"><direction-type><words font-weight="bold">Allegretto</words></direction-type>'
        "<direction-type><metronome><beat-unit>quarter</beat-unit><per-minute>84</per-minute></metronome></direction-type>"
        '</direction><direction placement="below"><direction-type><dynamics><mf/></dynamics></direction-type>'
        "</direction>"
    )
    return document(contents, first=_FOUR_FOUR.format(fifths=1) + tempo), tuple(marks)


def every_feature() -> tuple[bytes, set[str], int]:
    """One of everything an etude book prints; returns the ids of its notes (rests left out) and its number of bars."""
    maker, rests = Maker(), set()

    def rest(duration: int, kind: str = "") -> str:
        rests.add(f"n{maker.count}")
        return maker.rest(duration, kind)

    triplet = "<time-modification><actual-notes>3</actual-notes><normal-notes>2</normal-notes></time-modification>"
    wedge = '<direction placement="below"><direction-type><wedge type="{}"/></direction-type></direction>'
    bars = [
        maker.note("B4", 12, "quarter"),
        '<barline location="left"><bar-style>heavy-light</bar-style><repeat direction="forward"/></barline>'
        + wedge.format("crescendo")
        + maker.note("G4", 4, "eighth", after=triplet, notations='<tuplet type="start" bracket="yes"/>')
        + maker.note("Ab4", 4, "eighth", after=triplet)
        + maker.note("Bb4", 4, "eighth", after=triplet, notations='<tuplet type="stop"/>')
        + maker.note("C5", 12, "quarter", notations="<articulations><accent/></articulations>")
        + wedge.format("stop")
        + maker.note("D6", 0, "16th", before='<grace slash="yes"/>', notations='<slur type="start" number="2"/>')
        + maker.note(
            "Eb6",
            12,
            "quarter",
            notations='<slur type="stop" number="2"/><ornaments><trill-mark/></ornaments>'
            "<technical><fingering>TA</fingering></technical>",
        )
        + maker.note("F6", 12, "quarter", notations="<fermata/><articulations><tenuto/></articulations>"),
        '<direction placement="above"><direction-type><rehearsal>A</rehearsal></direction-type></direction>'
        + maker.note("Bb3", 24, "half", notations='<tied type="start"/>')
        + maker.note("Bb3", 24, "half", notations='<tied type="stop"/>'),
        '<barline location="left"><ending number="1" type="start"/></barline>'
        + maker.note("C4", 48, "whole")
        + '<barline location="right"><bar-style>light-heavy</bar-style><ending number="1" type="stop"/>'
        '<repeat direction="backward"/></barline>',
        '<barline location="left"><ending number="2" type="start"/></barline>'
        + maker.note("F#6", 48, "whole")
        + '<barline location="right"><ending number="2" type="stop"/></barline>',
        "<attributes><measure-style><multiple-rest>2</multiple-rest></measure-style></attributes>" + rest(48),
        rest(48),
        "<attributes><key><fifths>2</fifths></key><time><beats>6</beats><beat-type>8</beat-type></time></attributes>"
        '<direction placement="above"><direction-type><words font-style="italic">a tempo, in words so many that no'
        " system of a small page could ever hold them all in one line</words></direction-type></direction>"
        + "".join(maker.note(pitch, 6, "eighth") for pitch in ("F#4", "A4", "D5", "F#5", "A5"))
        + rest(6, "eighth"),
        maker.note("Ab5", 36, "half", after="<dot/><accidental>flat</accidental>").replace(
            "</note>", "<lyric><syllabic>single</syllabic><text>lyric</text></lyric></note>"
        ),
    ]
    attributes = _FOUR_FOUR.format(fifths=-3)
    notes = {f"n{i}" for i in range(maker.count)} - rests
    return document(bars, first=attributes), notes, len(bars)
