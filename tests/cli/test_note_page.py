"""`companion fingerings --note`: the page in an 80-column terminal, and its picture."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from lxml import etree

from companion import charts
from companion.cli import main
from companion.cli.note_page import note_page
from companion.errors import NoFingering, UsageError
from companion.passage import Pitch
from companion.planning import change_seconds
from companion.planning.search import search

ALTO = charts.load("alto")
B_FLAT, G = Pitch("B", -1, 4), Pitch("G", 0, 4)


def page(pitch: Pitch, search_too: bool = False, beside: Pitch | None = None, picture: Path | None = None) -> str:
    out = io.StringIO()
    note_page(ALTO, pitch, search_too, beside, out, picture)
    return out.getvalue()


def test_every_fingering_of_the_chart_is_drawn_with_name_mark_use_and_source() -> None:
    text = page(B_FLAT)
    words = " ".join(text.split())
    assert text.startswith("B♭4 on the alto saxophone\n\nbis\n  left        ● ○ ○  bis ")
    for fingering in ALTO.for_note(70):
        assert f"\n\n{fingering.name}\n" in text
        assert f"mark on the page: {fingering.mark}" in words
    assert "only for" not in text and "computed" not in text
    assert "only for a trill" in page(Pitch("D", 0, 5))


@pytest.mark.parametrize("midi", range(ALTO.lowest_midi, ALTO.highest_midi + 1))
def test_the_page_fits_eighty_columns(midi: int) -> None:
    steps = [("C", 0), ("C", 1), ("D", 0), ("E", -1), ("E", 0), ("F", 0), ("F", 1), ("G", 0), ("A", -1), ("A", 0),
             ("B", -1), ("B", 0)]  # fmt: skip
    step, alter = steps[midi % 12]
    text = page(Pitch(step, alter, midi // 12 - 1), True, G)
    assert max(map(len, text.splitlines())) <= 80
    assert all(line == line.rstrip() for line in text.splitlines())


def test_what_the_horn_gives_besides_is_called_computed_and_untested_with_its_time() -> None:
    text = page(B_FLAT, True, G)
    neighbour = ALTO.standard(67)
    assert text.startswith("B♭4 on the alto saxophone, the easiest from G4 first\n")
    others = [one for one in search(ALTO, 70, neighbour) if one.known is None]
    assert text.count("computed, untested") == len(others) >= 3
    for one in others:
        assert one.change_s is not None
        assert f"computed, untested, {one.change_s * 1000:.0f} ms from G4" in text
    side_s = change_seconds(ALTO, neighbour, ALTO.called(70, "side")[0])
    assert f"\nside, {side_s * 1000:.0f} ms from G4\n" in text
    assert "stays down from G4: left ring finger" in text
    assert "with a tuner" in text
    words, without_neighbour = (" ".join(shown.split()) for shown in (text, page(B_FLAT, True)))
    assert "Their times are reckoned" in words and "Their times" not in without_neighbour


def test_where_there_is_nothing_else_it_is_said() -> None:
    assert "The horn's mechanism gives no others but for fingers left down or lifted." in page(Pitch("B", -1, 3), True)


def test_a_terminal_without_circles_gets_letters() -> None:
    out = io.TextIOWrapper(io.BytesIO(), encoding="cp1252")
    note_page(ALTO, B_FLAT, True, G, out, None)
    out.seek(0)
    text = out.read()
    assert text.startswith("Bb4 on the alto saxophone")
    assert "right       o o o  side Bb" in text and text.isascii()


def test_the_picture_has_a_horn_for_each(tmp_path: Path) -> None:
    file = tmp_path / "b-flat.svg"
    text = page(B_FLAT, True, G, file)
    assert text.endswith(f"Drawn in {file}.\n")
    root = etree.parse(file).getroot()
    found = search(ALTO, 70, ALTO.standard(67))
    pressed = [
        frozenset(rect.get("data-key") for rect in group.iter("{*}rect") if rect.get("fill") == "black")
        for group in root.iter("{*}g")
        if group.get("transform")
    ]
    assert sorted(map(sorted, pressed)) == sorted(sorted(one.keys) for one in found)
    assert "untested," in "".join(root.itertext())
    page(B_FLAT, False, None, tmp_path / "b-flat.pdf")
    assert (tmp_path / "b-flat.pdf").read_bytes().startswith(b"%PDF")


def test_bad_input_is_said_before_anything_is_printed(tmp_path: Path) -> None:
    out = io.StringIO()
    with pytest.raises(NoFingering, match="no fingering for G6"):
        note_page(ALTO, Pitch("G", 0, 6), True, None, out, None)
    with pytest.raises(UsageError, match="end the name in"):
        note_page(ALTO, B_FLAT, False, None, out, tmp_path / "horn.jpeg")
    assert out.getvalue() == "" and list(tmp_path.iterdir()) == []


def test_the_command_shows_the_page(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = tmp_path / "c.png"
    assert (
        main(["fingerings", "--note", "C5", "--search", "--beside", "B4", "--instrument", "tenor", "-o", str(file)])
        == 0
    )
    assert capsys.readouterr().out.startswith("C5 on the tenor saxophone, the easiest from B4 first\n\nside C, ")
    assert file.read_bytes().startswith(b"\x89PNG")
