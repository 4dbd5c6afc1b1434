"""Small MusicXML documents written in the test that needs them."""

from __future__ import annotations

from pathlib import Path

from companion.passage import Passage
from companion.scores import read

__all__ = ["bar", "direction", "document", "note", "read_made", "words"]


def note(pitch: str, quarters: float = 1, notations: str = "", inside: str = "", voice: int = 1) -> str:
    """A note such as `C5`, `F#5`, `Bb4` or `r` for a rest, with 4 divisions a quarter; `inside` comes after its
    voice."""
    if pitch == "r":
        head = "<rest/>"
    else:
        alter = {"#": "<alter>1</alter>", "b": "<alter>-1</alter>"}.get(pitch[1], "")
        head = f"<pitch><step>{pitch[0]}</step>{alter}<octave>{pitch[-1]}</octave></pitch>"
    signs = f"<notations>{notations}</notations>" if notations else ""
    return f"<note>{head}<duration>{round(4 * quarters)}</duration><voice>{voice}</voice>{inside}{signs}</note>"


def direction(kind: str, sound: str = "") -> str:
    """A `<direction>` that holds `kind`."""
    return f"<direction><direction-type>{kind}</direction-type>{sound}</direction>"


def words(text: str, sound: str = "") -> str:
    """A `<direction>` in words."""
    return direction(f"<words>{text}</words>", sound)


def bar(*content: str, metre: str = "") -> str:
    """The content of a measure; `metre` such as `6/8` begins it with a time signature."""
    if not metre:
        return "".join(content)
    beats, beat_type = metre.split("/")
    time = f"<time><beats>{beats}</beats><beat-type>{beat_type}</beat-type></time>"
    return f"<attributes><divisions>4</divisions>{time}</attributes>" + "".join(content)


def document(*bars: str, name: str = "Saxophone", head: str = "") -> str:
    """One part; the first bar is in 4/4 unless it says otherwise. `head` comes before the list of parts."""
    if "<time>" not in bars[0]:
        bars = (bar(bars[0], metre="4/4"), *bars[1:])
    measures = "".join(f'<measure number="{i}">{content}</measure>' for i, content in enumerate(bars, 1))
    return (
        f'<score-partwise version="4.0">{head}<part-list><score-part id="P1"><part-name>{name}</part-name></score-part>'
        f'</part-list><part id="P1">{measures}</part></score-partwise>'
    )


def read_made(folder: Path, *bars: str, name: str = "Saxophone", head: str = "") -> Passage:
    """The passage in such a document, written into `folder`."""
    path = folder / "made.musicxml"
    path.write_text(document(*bars, name=name, head=head), encoding="utf-8")
    return read(path)
