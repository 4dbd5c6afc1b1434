"""The picture is drawn pixel by pixel."""

from __future__ import annotations

import io

import pytest
import typst
from PIL import Image

from companion.engraving.draw import unscaled_height

COMPILER = typst.Compiler(font_paths=typst.Fonts(include_system_fonts=False, include_embedded_fonts=False))


def rows_of_lines(width_px: int, height_px: int) -> list[int]:
    """Opacity, row by row, of a picture with a line one pixel high on every fourth row, drawn by Typst."""
    lines = "".join(f'<rect x="0" y="{y}" width="{width_px}" height="1"/>' for y in range(0, height_px, 4))
    size = f'width="{width_px}" height="{height_px}"'
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" {size} viewBox="0 0 {width_px} {height_px}">{lines}</svg>'
    page = (
        f"#set page(width: {width_px}pt, height: {height_px}pt, margin: 0pt, fill: none)\n"
        f'#image(bytes(sys.inputs.svg), format: "svg", width: {width_px}pt, height: {height_px}pt)'
    )
    png = COMPILER.compile(page.encode(), format="png", ppi=72, sys_inputs={"svg": svg})
    assert isinstance(png, bytes)
    mask = Image.open(io.BytesIO(png)).getchannel("A")
    return [int(mask.getpixel((width_px // 3, y))) for y in range(mask.height)]


@pytest.mark.parametrize("width_px", [640, 789, 790, 1200, 2500])
def test_heights_are_chosen_so_that_lines_stay_sharp(width_px: int) -> None:
    heights = {unscaled_height(width_px, height_px) for height_px in range(80, 130, 3)}
    for height_px in heights:
        rows = rows_of_lines(width_px, height_px)
        assert rows == [255 if y % 4 == 0 else 0 for y in range(height_px)]


def test_a_height_that_would_blur_is_passed_over() -> None:
    assert unscaled_height(790, 94) == 95
    assert set(rows_of_lines(790, 94)) != {0, 255}


@pytest.mark.parametrize("width_px", range(600, 700, 7))
def test_little_room_is_added(width_px: int) -> None:
    for height_px in range(60, 400, 3):
        assert 0 <= unscaled_height(width_px, height_px) - height_px <= 4
