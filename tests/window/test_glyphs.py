"""Every letter and sign the window writes is in the fonts that come along: what a font lacks is drawn as a box."""

from __future__ import annotations

import ast
from pathlib import Path

import pygame
import pytest
from fontTools.ttLib import TTFont
from window.stand_tools import make_setup, open_stand, playable

from companion.charts import load, names
from companion.cli import main
from companion.engraving import fonts
from companion.window import horn_hands
from companion.window.bindings import BINDINGS
from companion.window.horn_hands import cap_of
from companion.window.leaves import KeysLeaf
from companion.window.shapes_layout import KEYS
from companion.window.theme import Style, Type, can_write, wrap

PACKAGE = Path(__file__).resolve().parents[2] / "companion"
FACES = {
    style: set(TTFont(path).getBestCmap())
    for style, path in (
        ("regular", fonts.TEXT_REGULAR), ("italic", fonts.TEXT_ITALIC), ("bold", fonts.TEXT_BOLD),
        ("music", fonts.MUSIC),
    )
}  # fmt: skip
#: Rooms whose sentences are shown in the window.
SPEAKING = ("charts", "exercises", "planning", "ports", "practice", "record", "window", "errors.py", "passage.py")
#: Patterns that find what may not be written to a file; they are never shown.
NEVER_SHOWN = {"record/model.py", "record/take_tables.py"}


def sources() -> list[Path]:
    found = []
    for room in SPEAKING:
        path = PACKAGE / room
        found += [path] if path.is_file() else sorted(path.rglob("*.py"))
    return [path for path in found if str(path.relative_to(PACKAGE)) not in NEVER_SHOWN]


@pytest.mark.parametrize("file", sources(), ids=lambda file: str(file.relative_to(PACKAGE)))
def test_no_sentence_of_the_program_has_a_letter_that_a_text_font_lacks(file: Path) -> None:
    known = FACES["regular"] & FACES["italic"] & FACES["bold"]
    texts = [n.value for n in ast.walk(ast.parse(file.read_text(encoding="utf-8"))) if isinstance(n, ast.Constant)]
    lacking = {c for text in texts if isinstance(text, str) for c in text if c.isprintable() and ord(c) not in known}
    assert not lacking


def test_keys_and_labels_of_every_table_and_horn_can_be_written() -> None:
    texts = [text for b in BINDINGS for text in (b.label, b.what, b.short)]
    texts += [text for k in KEYS for text in (k.label, k.short, k.beside)]
    for name in names():
        chart = load(name)
        texts += [chart.title, *(key.label for key in chart.keys)]
        texts += [text for f in chart.fingerings for text in (f.name, f.mark, f.use)]
    assert [text for text in texts if not can_write(text)] == []


@pytest.mark.parametrize("command", ["play", "shapes"])
def test_what_the_screens_really_write_has_its_glyphs(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All leaves, a take and its comment, exercises, all screens of the shapes: as they are drawn for pictures."""
    written: set[tuple[str, Style]] = set()
    usual = Type.surface

    def surface(self: Type, text: str, size: float, style: Style = "regular", *rest: object) -> pygame.Surface:
        written.add((text, style))
        return usual(self, text, size, style, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(Type, "surface", surface)
    shots = ["--hidden", "--shots", str(tmp_path / "shots"), "--size", "1024x640"]
    if command == "play":
        from companion.cli.demo import DEMO_PASSAGE
        from companion.paths import shared_dir

        assert main(["play", str(shared_dir() / DEMO_PASSAGE), "--port", "sim:beginner:3", "--takes", "1", *shots]) == 0
    else:
        assert main(["shapes", *shots]) == 0
    assert len(written) > 60
    lacking = {(text, style) for text, style in written if any(ord(c) not in FACES[style] for c in text)}
    assert not lacking


def test_a_key_of_another_script_is_named_by_its_place(monkeypatch: pytest.MonkeyPatch) -> None:
    pygame.display.init()
    for printed, shown in (("ф", "Ф"), ("ö", "Ö"), ("か", "D"), ("ع", "D"), ("left shift", "Shift left"), ("", "D")):
        monkeypatch.setattr(horn_hands.pygame.key, "name", lambda code, printed=printed: printed)
        assert cap_of("D") == shown


@pytest.mark.parametrize("size", [(1024, 640), (1280, 720), (1920, 1080)])
def test_every_line_of_the_list_of_keys_is_whole(size: tuple[int, int], tmp_path: Path) -> None:
    app = open_stand(make_setup(playable(bars=2), tmp_path), size)
    shortened: list[str] = []
    usual = app.stand.type.shorten

    def shorten(text: str, size: float, style: Style, max_width_px: float) -> str:
        short = usual(text, size, style, max_width_px)
        if short != text:
            shortened.append(text)
        return short

    app.stand.type.shorten = shorten  # type: ignore[method-assign]
    try:
        app.do("keys")
        assert isinstance(app.leaf, KeysLeaf)
        app.frame()
        app.leaf.page = 1
        app.frame()
    finally:
        app.close()
    assert not shortened


def test_wrapping_loses_no_letter() -> None:
    font = Type(1.0).font(15)
    text = "Links: B♭ to C♯ (bars 12 to 14), then with more and more of its bar"
    for width_px in (40, 90, 200, 1000):
        assert " ".join(wrap(text, font, width_px)).replace(" ", "") == text.replace(" ", "")
