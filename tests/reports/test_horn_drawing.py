"""The drawn horn, read back from the picture, against the chart it is drawn from; the terminal's, kept as text."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import pytest
from lxml import etree
from pypdf import PdfReader

from companion import charts
from companion.charts.model import Chart
from companion.errors import ChartError, UsageError
from companion.reports.horn_drawing import (
    PNG_DPI,
    horn_svg,
    horn_text,
    horns_svg,
    horns_text,
    key_words,
    rendered,
    write_picture,
)

SVG = "{http://www.w3.org/2000/svg}"
ALTO = charts.load("alto")


def keys_of(midi: int, name: str, chart: Chart = ALTO) -> frozenset[str]:
    return chart.called(midi, name)[0].keys


def fills(svg: str) -> dict[str, str]:
    root = etree.fromstring(svg.encode())
    return {rect.get("data-key"): rect.get("fill") for rect in root.iter(f"{SVG}rect") if rect.get("data-key")}


def test_a_terminal_shows_each_hand_on_a_line() -> None:
    assert horn_text(ALTO, keys_of(82, "side")) == (
        "left   8va  ● ● ○         ",
        "right       ○ ○ ○  side B♭",
    )
    assert horn_text(ALTO, keys_of(89, "standard")) == (
        "left   8va  ○ ○ ○  palm E♭ D F",
        "right       ○ ○ ○  side E     ",
    )


def test_a_plain_terminal_gets_letters() -> None:
    lines = horn_text(ALTO, keys_of(58, "standard"), ascii_only=True)
    assert lines == (
        "left        X X X  low Bb",
        "right       X X X  low C ",
    )
    assert all(line.isascii() for f in ALTO.fingerings for line in horn_text(ALTO, f.keys, ascii_only=True))


@pytest.mark.parametrize("name", charts.names())
def test_no_two_fingerings_of_a_chart_look_alike_in_a_terminal(name: str) -> None:
    chart = charts.load(name)
    shapes = {fingering.keys for fingering in chart.fingerings}
    for ascii_only in (False, True):
        assert len({horn_text(chart, keys, ascii_only) for keys in shapes}) == len(shapes)
    assert max(len(horn_text(chart, keys)[0]) for keys in shapes) <= 38  # two side by side on 80 columns


def test_keys_have_the_names_a_player_says() -> None:
    said = {key.name: key_words(key) for key in ALTO.keys}
    assert said["l3"] == "left ring finger"
    assert said["palm_e_flat"] == "palm E♭"
    assert said["chromatic_f_sharp"] == "chromatic F♯"
    assert said["e_flat"] == "E♭"
    assert len(set(said.values())) == len(said)


def test_several_stand_side_by_side_within_the_width() -> None:
    drawn = [("bis", ["left hand only"], keys_of(70, "bis")), ("side", [], keys_of(70, "side"))]
    assert horns_text(ALTO, drawn, width=64) == [
        "bis                              side",
        "left        ● ○ ○  bis           left        ● ● ○",
        "right       ○ ○ ○                right       ○ ○ ○  side B♭",
        "left hand only",
    ]
    assert len(horns_text(ALTO, drawn, width=40)) == 8  # under one another
    everything = [(f.name, [f.use, f.source], f.keys) for f in ALTO.fingerings]
    assert max(map(len, horns_text(ALTO, everything, width=80))) <= 80
    assert horns_text(ALTO, []) == []


@pytest.mark.parametrize("name", charts.names())
def test_each_pressed_key_is_solid_and_every_other_an_outline(name: str) -> None:
    chart = charts.load(name)
    for fingering in chart.fingerings:
        expected = {key.name: "black" if key.name in fingering.keys else "white" for key in chart.keys}
        assert fills(horn_svg(chart, fingering.keys)) == expected


def test_the_keys_stand_where_the_chart_puts_them() -> None:
    root = etree.fromstring(horn_svg(ALTO, frozenset(), height=320).encode())
    assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("160", "320", "0 0 100 200")
    rects = {rect.get("data-key"): rect for rect in root.iter(f"{SVG}rect")}
    for key in ALTO.keys:
        x, y, w, h = (float(rects[key.name].get(name)) for name in ("x", "y", "width", "height"))
        assert (x + w / 2, y + h / 2) == pytest.approx((key.x + key.width / 2, key.y + key.height / 2))
    assert sorted(t.text for t in root.iter(f"{SVG}text")) == sorted(key.label for key in ALTO.keys if key.label)


def test_beside_a_neighbour_what_goes_down_is_ringed_and_what_comes_up_dashed() -> None:
    bis, side = keys_of(70, "bis"), keys_of(70, "side")
    root = etree.fromstring(horn_svg(ALTO, side, held=bis).encode())
    rects = list(root.iter(f"{SVG}rect"))
    assert {r.get("data-key") for r in rects if r.get("stroke-dasharray")} == bis - side
    assert sum(r.get("fill") == "none" for r in rects) == len(side - bis)
    assert "stroke-dasharray" not in horn_svg(ALTO, side) and 'fill="none"' not in horn_svg(ALTO, side)


def test_any_text_is_shown_as_it_is() -> None:
    nasty = '<b>&amp; "#sys.inputs" ]]> \x00\x1b ♭ ' + "W" * 90
    root = etree.fromstring(horns_svg(ALTO, [(nasty, [nasty], frozenset())]).encode())
    texts = [text.text for text in root.iter(f"{SVG}text") if text.text not in {key.label for key in ALTO.keys}]
    assert "".join("".join(texts).split()) == "".join(nasty.replace("\x00", "").replace("\x1b", "").split()) * 2
    assert rendered(etree.tostring(root, encoding="unicode"), ".pdf").startswith(b"%PDF")


def test_several_stand_apart_and_lie_within_the_picture() -> None:
    drawn = [(f"{f.name} of a long name", [f.use] * 3, f.keys) for f in ALTO.fingerings[:7]]
    root = etree.fromstring(horns_svg(ALTO, drawn, across=3).encode())
    wide, high = (float(part) for part in root.get("viewBox").split()[2:])
    places = [g.get("transform") for g in root.iter(f"{SVG}g") if g.get("transform")]
    corners = [tuple(map(float, place[len("translate(") : -1].split())) for place in places]
    assert len(set(corners)) == 7 and len({x for x, _ in corners}) == 3 and len({y for _, y in corners}) == 3
    assert all(0 <= x <= wide - 100 and 0 <= y <= high - 200 for x, y in corners)
    assert all(float(text.get("y")) < high for text in root.iter(f"{SVG}text"))
    etree.fromstring(horns_svg(ALTO, []).encode())


def test_a_pdf_keeps_lines_and_text_as_such_and_a_png_has_its_size() -> None:
    svg = horns_svg(ALTO, [("B♭4 side", ["both hands"], keys_of(70, "side"))], height=200)
    page = PdfReader(io.BytesIO(rendered(svg, ".pdf"))).pages[0]
    assert list(page.images) == []
    root = etree.fromstring(svg.encode())
    size_pt = float(root.get("width")), float(root.get("height"))
    assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(size_pt, abs=0.1)
    png = rendered(svg, ".png")
    assert png.startswith(b"\x89PNG")
    assert struct.unpack(">II", png[16:24]) == pytest.approx([side * PNG_DPI / 72 for side in size_pt], abs=1)


def test_a_picture_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    svg = horn_svg(ALTO, frozenset())
    with pytest.raises(UsageError, match=r"'horn.gif': end the name in .svg, .png, .pdf"):
        write_picture(svg, tmp_path / "horn.gif")
    with pytest.raises(UsageError, match="can't be written"):
        write_picture(svg, tmp_path / "nowhere" / "horn.svg")
    write_picture(svg, tmp_path / "horn.SVG")
    assert (tmp_path / "horn.SVG").read_text(encoding="utf-8") == svg
    assert [file.name for file in tmp_path.iterdir()] == ["horn.SVG"]


def test_an_unknown_key_is_said() -> None:
    for draw in (horn_svg, horn_text):
        with pytest.raises(ChartError, match="no key 'l9'"):
            draw(ALTO, frozenset({"l9"}))
