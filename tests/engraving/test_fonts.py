"""The fonts that come along hold what the program writes, and their licences lie beside them."""

from __future__ import annotations

import json

import pytest
from fontTools.ttLib import TTFont

from companion.engraving import fonts
from companion.engraving.lettering import text_width

FACES = {
    "Regular": fonts.TEXT_REGULAR,
    "Italic": fonts.TEXT_ITALIC,
    "Bold": fonts.TEXT_BOLD,
    "BoldItalic": fonts.TEXT_BOLD_ITALIC,
}


@pytest.mark.parametrize("face", FACES)
def test_every_face_has_the_signs_of_the_trade(face: str) -> None:
    font = TTFont(FACES[face])
    assert font["name"].getDebugName(1) == fonts.TEXT_FAMILY
    cmap = font.getBestCmap()
    assert [sign for sign in "♭♮♯♩♪–—−→←↑↓…×±°·éüßñłÄŠž" if ord(sign) not in cmap] == []
    glyphs = font.getGlyphSet()
    from fontTools.pens.boundsPen import BoundsPen

    for sign in "♭♮♯":
        pen = BoundsPen(glyphs)
        glyphs[cmap[ord(sign)]].draw(pen)
        left, bottom, right, top = pen.bounds
        assert 0 < left < right < glyphs[cmap[ord(sign)]].width and -150 < bottom < 0 and 600 < top < 720


@pytest.mark.parametrize("face", FACES)
def test_the_table_of_widths_is_the_fonts_own(face: str) -> None:
    font = TTFont(FACES[face])
    cmap, metrics, scale = font.getBestCmap(), font["hmtx"], 1000 / font["head"].unitsPerEm
    table = json.loads(fonts.ADVANCES.read_text(encoding="utf-8"))[face]
    assert len(table) > 200
    assert table == {letter: round(metrics[cmap[ord(letter)]][0] * scale) for letter in table}
    assert text_width("bis", 20.0, face) == pytest.approx(sum(table[letter] for letter in "bis") * 0.02)


def test_the_music_font_has_the_metronome_notes() -> None:
    font = TTFont(fonts.MUSIC)
    assert font["name"].getDebugName(1) == fonts.MUSIC_FAMILY
    assert {ord(sign) for sign in fonts.METRONOME_NOTES.values()} <= set(font.getBestCmap())


def test_licences_are_shipped_and_the_whole_is_small() -> None:
    for name in ("CompanionSerif-OFL.txt", "CompanionMusic-OFL.txt"):
        text = (fonts.FOLDER / name).read_text(encoding="utf-8")
        assert "SIL OPEN FONT LICENSE Version 1.1" in text and "Copyright" in text
    assert sum(file.stat().st_size for file in fonts.FOLDER.iterdir()) < 3_000_000


def test_reserved_names_are_not_used() -> None:
    """OFL 1.1, condition 3: a changed font may not carry a reserved name."""
    for file in (*FACES.values(), fonts.MUSIC):
        names = [str(record) for record in TTFont(file)["name"].names if record.nameID in (1, 3, 4, 6, 16)]
        assert names and not [n for n in names if "Leipzig" in n or "Libertine" in n or "Biolinum" in n or "STIX" in n]
