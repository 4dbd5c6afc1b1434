"""Make the fonts that are shipped: `python -m companion.engraving.make_fonts LIBERTINUS_FOLDER`.

Run by hand when Libertinus Serif or Verovio's music font changes; needs fonttools and brotli, which nothing else here
does. The folder holds `LibertinusSerif-Regular.otf` and its italic, bold and bold italic.

What is changed, and why
------------------------
* Every face gets the accidentals ♭ ♮ ♯ of the music font: italic and bold had none, and the regular ones were too small
  to read at 12 px, where a player looks for the difference between B and B♭.
* The families are renamed, since OFL fonts with a reserved name may not keep it when they are changed, and so that no
  font of the same name that is installed or built into Typst is taken in their place.
* Verovio carries its music font as WOFF2 inside a style sheet; Typst and pygame want a TrueType file.
* The widths of the mark's letters are written down, so that placing a mark needs no font library.
"""

from __future__ import annotations

import base64
import io
import json
import re
import sys
from pathlib import Path
from typing import Any

from companion.engraving.fonts import ADVANCES, FOLDER, MUSIC, MUSIC_FAMILY, TEXT_FAMILY

FACES = ("Regular", "Italic", "Bold", "BoldItalic")
#: sign -> SMuFL code point ("Standard accidentals (12-EDO)"), bottom and height in 1/1000 em; capitals are 645 high
ACCIDENTALS = {"♭": (0xE260, -15.0, 690.0), "♮": (0xE261, -90.0, 740.0), "♯": (0xE262, -90.0, 740.0)}
WIDENING = 1.3  # accidentals on a staff are narrower than letters want them
SIDE_BEARING = 50
MADE_UTC_S = 1_700_000_000  # a fixed time stamp, so that the same sources give the same files
MAC_EPOCH_OFFSET_S = 2_082_844_800


def main() -> int:
    """Write the fonts and the table of widths."""
    source = Path(sys.argv[1])
    music = _verovio_font("Leipzig")
    widths: dict[str, dict[str, int]] = {}
    for face in FACES:
        font = _open(source / f"LibertinusSerif-{face}.otf")
        for sign, (code_point, bottom, height) in ACCIDENTALS.items():
            _draw_accidental(music, font, sign, code_point, bottom, height)
        _rename(font, TEXT_FAMILY, face)
        font.save(FOLDER / f"CompanionSerif-{face}.otf")
        widths[face] = _widths(font)
    _rename(music, MUSIC_FAMILY, "Regular")
    music.save(MUSIC)
    ADVANCES.write_text(json.dumps(widths, ensure_ascii=False, separators=(",", ":")) + "\n", encoding="utf-8")
    return 0


def _open(file: Path | io.BytesIO) -> Any:
    from fontTools.ttLib import TTFont

    return TTFont(file, recalcTimestamp=False)


def _verovio_font(name: str) -> Any:
    import verovio

    css = (Path(verovio.__file__).parent / "data" / f"{name}.css").read_text(encoding="ascii")
    found = re.search(r"base64,([A-Za-z0-9+/=]+)", css)
    if found is None:
        raise SystemExit(f"no WOFF2 in {name}.css of this Verovio")
    font = _open(io.BytesIO(base64.b64decode(found[1])))
    font.flavor = None
    return font


def _draw_accidental(music: Any, text: Any, sign: str, code_point: int, bottom: float, height: float) -> None:
    """Draw a sign of the music font into a text font, `height` units high from `bottom` units up."""
    from fontTools.pens.boundsPen import BoundsPen
    from fontTools.pens.t2CharStringPen import T2CharStringPen
    from fontTools.pens.transformPen import TransformPen

    glyphs = music.getGlyphSet()
    glyph = glyphs[music.getBestCmap()[code_point]]
    bounds = BoundsPen(glyphs)
    glyph.draw(bounds)
    x_min, y_min, x_max, y_max = bounds.bounds
    scale = height / (y_max - y_min)
    across = scale * WIDENING
    width = round((x_max - x_min) * across + 2 * SIDE_BEARING)
    pen = T2CharStringPen(width, glyphs)
    glyph.draw(TransformPen(pen, (across, 0, 0, scale, SIDE_BEARING - x_min * across, bottom - y_min * scale)))
    _put_glyph(text, sign, pen, width)


def _put_glyph(font: Any, sign: str, pen: Any, width: int) -> None:
    """Put a drawn glyph into a CFF font, in place of the one that is there or as a new one."""
    top = font["CFF "].cff.topDictIndex[0]
    name = font.getBestCmap().get(ord(sign), f"uni{ord(sign):04X}")
    charstring = pen.getCharString(private=top.Private, globalSubrs=top.GlobalSubrs)
    strings = top.CharStrings
    if name in strings.charStrings:
        strings[name] = charstring
    else:
        strings.charStringsIndex.append(charstring)
        strings.charStrings[name] = len(strings.charStringsIndex) - 1
        top.charset.append(name)
        font.setGlyphOrder(top.charset)
    font["hmtx"].metrics[name] = (width, SIDE_BEARING)
    for table in font["cmap"].tables:
        if table.isUnicode():
            table.cmap[ord(sign)] = name


def _rename(font: Any, family: str, face: str) -> None:
    style = {"BoldItalic": "Bold Italic"}.get(face, face)
    post_script = f"{family.replace(' ', '')}-{face}"
    keep = {i: font["name"].getDebugName(i) for i in (0, 13, 14)}
    font["name"].names = []
    entries = {1: family, 2: style, 3: post_script, 4: f"{family} {style}", 6: post_script, **keep}
    for name_id, text in entries.items():
        if text:
            font["name"].setName(text, name_id, 3, 1, 0x409)
    font["head"].created = font["head"].modified = MADE_UTC_S + MAC_EPOCH_OFFSET_S
    if "CFF " in font:
        cff = font["CFF "].cff
        cff.fontNames = [post_script]
        top = cff.topDictIndex[0]
        top.FamilyName, top.FullName = family, f"{family} {style}"
    if "FFTM" in font:
        del font["FFTM"]


def _widths(font: Any) -> dict[str, int]:
    """Advance widths in 1/1000 em of the letters and signs that a mark is likely to hold."""
    scale = 1000 / font["head"].unitsPerEm
    cmap, metrics = font.getBestCmap(), font["hmtx"]
    wanted = [*range(0x20, 0x7F), *range(0xA0, 0x180), *map(ord, "–—−→←↑↓…♩♪♭♮♯’‘“”")]
    return {chr(c): round(metrics[cmap[c]][0] * scale) for c in wanted if c in cmap}


if __name__ == "__main__":
    sys.exit(main())
