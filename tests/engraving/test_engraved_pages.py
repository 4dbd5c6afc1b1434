"""Whole passages through the worker: every note has its place, nothing is cut off, nothing collides."""

from __future__ import annotations

import io
import itertools

import pytest
from engraving_documents import DIATONIC, document, every_feature, scale, sixteenths
from PIL import Image

from companion.engraving import Box, Engraved, EngravingRequest, System, engrave

#: Systems' width and staff height on windows of 1024x640, 1280x720, 1920x1080 and 3840x2160.
LAYOUTS = ((640, 26), (790, 30), (1200, 44), (2500, 88))


@pytest.fixture(scope="module", params=LAYOUTS, ids=lambda layout: f"{layout[0]}x{layout[1]}")
def study(request: pytest.FixtureRequest) -> tuple[Engraved, EngravingRequest]:
    width_px, staff_px = request.param
    musicxml, marks = sixteenths(12)
    asked = EngravingRequest(musicxml, width_px, staff_px, marks)
    return engrave(asked), asked


def alpha(system: System) -> Image.Image:
    picture = Image.open(io.BytesIO(system.png))
    assert picture.mode == "RGBA"
    return picture.getchannel("A")


def overlap(a: Box, b: Box) -> bool:
    return a.x < b.x + b.width and b.x < a.x + a.width and a.y < b.y + b.height and b.y < a.y + a.height


def heads_in_order(system: System) -> list[tuple[int, Box]]:
    return sorted((int(note[1:]), box) for note, box in system.heads.items())


def test_pictures_have_the_size_they_say(study: tuple[Engraved, EngravingRequest]) -> None:
    engraved, asked = study
    for system in engraved.systems:
        assert Image.open(io.BytesIO(system.png)).size == (asked.width_px, system.height_px)
        assert system.width_px == asked.width_px


def test_every_note_has_one_head_inside_its_picture(study: tuple[Engraved, EngravingRequest]) -> None:
    engraved, _ = study
    found = [note for system in engraved.systems for note in system.heads]
    assert sorted(found, key=lambda note: int(note[1:])) == [f"n{i}" for i in range(12 * 16)]
    for system in engraved.systems:
        for box in system.heads.values():
            assert box.x >= 0 and box.y >= 0
            assert box.x + box.width <= system.width_px and box.y + box.height <= system.height_px


def test_a_head_box_is_full_of_ink_and_as_high_as_a_space(study: tuple[Engraved, EngravingRequest]) -> None:
    engraved, _ = study
    for system in engraved.systems:
        mask, space = alpha(system), system.staff.height / 4
        for box in system.heads.values():
            assert space * 0.9 < box.height < space * 1.2
            middle = (int(box.x + box.width / 2), int(box.y + box.height / 2))
            assert mask.getpixel(middle) == 255


def test_heads_go_from_left_to_right(study: tuple[Engraved, EngravingRequest]) -> None:
    engraved, _ = study
    for system in engraved.systems:
        heads = [box for _, box in heads_in_order(system)]
        assert all(left.x + left.width < right.x for left, right in itertools.pairwise(heads))


def test_bars_cover_the_staff_and_hold_their_notes(study: tuple[Engraved, EngravingRequest]) -> None:
    engraved, _ = study
    assert [bar for system in engraved.systems for bar in system.bars] == list(range(12))
    for system in engraved.systems:
        boxes = list(system.bars.values())
        assert boxes[0].x == pytest.approx(system.staff.x, abs=1.0)
        assert boxes[-1].x + boxes[-1].width == pytest.approx(system.staff.x + system.staff.width, abs=1.0)
        for left, right in itertools.pairwise(boxes):
            assert left.x + left.width == pytest.approx(right.x, abs=0.5)
        for note, head in heads_in_order(system):
            bar = system.bars[note // 16]
            assert bar.x < head.x and head.x + head.width < bar.x + bar.width


def test_the_outermost_pixels_are_empty(study: tuple[Engraved, EngravingRequest]) -> None:
    engraved, _ = study
    for system in engraved.systems:
        assert_ring_empty(system)


def assert_ring_empty(system: System) -> None:
    mask = alpha(system)
    width, height = mask.size
    edges = ((0, 0, width, 1), (0, height - 1, width, height), (0, 0, 1, height), (width - 1, 0, width, height))
    assert [mask.crop(edge).getextrema()[1] for edge in edges] == [0, 0, 0, 0]


def test_marks_touch_neither_heads_nor_each_other_nor_the_staff(study: tuple[Engraved, EngravingRequest]) -> None:
    engraved, asked = study
    assert {note for system in engraved.systems for note in system.marks} == {note for note, _ in asked.marks}
    for system in engraved.systems:
        for a, b in itertools.combinations(system.marks.values(), 2):
            assert not overlap(a, b)
        for mark, head in itertools.product(system.marks.values(), system.heads.values()):
            assert not overlap(mark, head)
        for note, mark in system.marks.items():
            head = system.heads[note]
            assert mark.y + mark.height < min(system.staff.y, head.y)
            slipped = abs((mark.x + mark.width / 2) - (head.x + head.width / 2))
            assert slipped <= max(mark.width / 2, 0.2 * asked.staff_px) + 0.35 * asked.staff_px


def test_marks_touch_nothing_that_is_drawn() -> None:
    musicxml, marks = sixteenths(8, seed=5)
    for system in engrave(EngravingRequest(musicxml, 790, 30, marks)).systems:
        for box in system.marks.values():
            assert not black_within(system, box)


def test_a_tempo_mark_makes_way_for_the_marks_below_it() -> None:
    tempo = "<direction placement='above'><direction-type><words>Allegro molto</words></direction-type></direction>"
    musicxml, _ = scale()
    with_tempo = musicxml.replace(b"<note", tempo.encode() + b"<note", 1)
    assert with_tempo != musicxml
    marks = (("n0", "side"), ("n1", "bis"), ("n2", "bis"))
    (free,) = engrave(EngravingRequest(musicxml, 790, 30, marks)).systems
    (system,) = engrave(EngravingRequest(with_tempo, 790, 30, marks)).systems
    for note, box in system.marks.items():
        # Where it stands without a tempo mark, which is over the notes: it isn't the one that gives way.
        assert box.y - system.staff.y == pytest.approx(free.marks[note].y - free.staff.y, abs=0.5)
        assert not black_within(system, box)
    above = Box(0, 0, system.width_px, min(box.y for box in system.marks.values()) - 1)
    assert black_within(system, above)
    assert_ring_empty(system)


def test_brackets_of_endings_make_way_together() -> None:
    musicxml, _ = scale(2, notes=16)
    first, second = musicxml.split(b"</measure>", 1)
    ending = '<barline location="{}"><ending number="{}" type="{}"/></barline>'
    ends = [(ending.format("left", n, "start"), ending.format("right", n, "stop")) for n in (1, 2)]
    first = first.replace(b"<note", ends[0][0].encode() + b"<note", 1) + ends[0][1].encode() + b"</measure>"
    second = second.replace(b"<note", ends[1][0].encode() + b"<note", 1)
    second = second.replace(b"</measure>", ends[1][1].encode() + b"</measure>", 1)
    marks = (("n2", "side"),)
    (free,) = engrave(EngravingRequest(musicxml, 790, 30, marks)).systems
    (system,) = engrave(EngravingRequest(first + second, 790, 30, marks)).systems
    box, staff = system.marks["n2"], system.staff
    assert box.y - staff.y == pytest.approx(free.marks["n2"].y - free.staff.y, abs=0.5)
    assert not black_within(system, box)
    # Both brackets lie on one line, above the mark.
    tops = [
        next(y for y in range(int(staff.y)) if black_within(system, Box(bar.x + bar.width / 2, y, 2, 0)))
        for bar in system.bars.values()
    ]
    assert len(tops) == 2 and tops[0] == tops[1] < box.y


def black_within(system: System, box: Box) -> bool:
    """Whether anything is drawn there that is not a mark, which is blue."""
    picture = Image.open(io.BytesIO(system.png))
    area = picture.crop((int(box.x), int(box.y), int(box.x + box.width) + 1, int(box.y + box.height) + 1))
    pixels = area.tobytes()  # red, green, blue, opacity
    return any(opacity > 50 and blue < 64 for blue, opacity in zip(pixels[2::4], pixels[3::4], strict=True))


def test_marks_are_drawn_in_ink_blue_where_their_boxes_are() -> None:
    musicxml, _ = scale()
    (system,) = engrave(EngravingRequest(musicxml, 790, 44, (("n2", "bis"), ("n6", "side")))).systems
    picture = Image.open(io.BytesIO(system.png))
    for box in system.marks.values():
        area = picture.crop((int(box.x), int(box.y), int(box.x + box.width) + 1, int(box.y + box.height) + 1))
        raw = area.tobytes()
        solid = {raw[i : i + 3] for i in range(0, len(raw), 4) if raw[i + 3] == 255}
        assert solid == {bytes.fromhex("23477A")}


def test_staff_lines_are_whole_pixels_evenly_apart(study: tuple[Engraved, EngravingRequest]) -> None:
    engraved, asked = study
    space = engraved.systems[0].staff.height / 4
    assert space == int(space) and abs(4 * space - asked.staff_px) <= 2
    for system in engraved.systems:
        mask = alpha(system)
        # At the very left end of the staff, before the clef, nothing else crosses the lines.
        top, bottom = int(system.staff.y - space / 2), int(system.staff.y + 4.5 * space)
        column = {y: mask.getpixel((round(system.staff.x), y)) for y in range(top, bottom)}
        inked = [y for y, value in column.items() if value]
        thick = len(inked) // 5
        assert len(inked) == 5 * thick and len({column[y] for y in inked}) == 1
        tops = inked[::thick]
        assert [b - a for a, b in itertools.pairwise(tops)] == [int(space)] * 4


@pytest.mark.parametrize(("width_px", "staff_px"), LAYOUTS)
def test_heads_stand_at_the_height_of_their_pitch(width_px: int, staff_px: float) -> None:
    """A step is half a staff space; B4 stands on the middle line of the treble staff."""
    musicxml, pitches = scale(low=-2, notes=24)
    for system in engrave(EngravingRequest(musicxml, width_px, staff_px)).systems:
        step_px, middle = system.staff.height / 8, system.staff.y + system.staff.height / 2
        for note, head in heads_in_order(system):
            pitch = pitches[note]
            steps_above_b4 = DIATONIC.index(pitch[0]) + 7 * int(pitch[1]) - (6 + 7 * 4)
            assert head.y + head.height / 2 == pytest.approx(middle - steps_above_b4 * step_px, abs=1.0), pitch


@pytest.mark.parametrize(("width_px", "staff_px"), [*LAYOUTS, (420, 30)])
def test_everything_an_etude_prints_fits(width_px: int, staff_px: float) -> None:
    musicxml, notes, bars = every_feature()
    marks = tuple((note, "bis") for note in sorted(notes))
    engraved = engrave(EngravingRequest(musicxml, width_px, staff_px, marks))
    found = [note for system in engraved.systems for note in system.heads]
    assert len(found) == len(set(found)) and set(found) == notes
    assert [bar for system in engraved.systems for bar in system.bars] == list(range(bars))
    for system in engraved.systems:
        assert_ring_empty(system)
        for mark, head in itertools.product(system.marks.values(), system.heads.values()):
            assert not overlap(mark, head)


def test_two_marks_on_one_note_stand_one_above_the_other_and_the_same_mark_once() -> None:
    musicxml, _ = scale()
    once = engrave(EngravingRequest(musicxml, 790, 30, (("n3", "bis"),))).systems[0]
    again = engrave(EngravingRequest(musicxml, 790, 30, (("n3", "bis"), ("n3", "bis")))).systems[0]
    both = engrave(EngravingRequest(musicxml, 790, 30, (("n3", "bis"), ("n3", "side")))).systems[0]
    assert again == once
    assert both.marks["n3"].height > 1.8 * once.marks["n3"].height


def test_a_printed_fingering_gives_way_to_the_mark() -> None:
    note = "<note><pitch><step>B</step><octave>4</octave></pitch><duration>48</duration><type>whole</type>"
    printed = "<notations><technical><fingering>TTT</fingering></technical></notations>"
    with_print, without = document([f"{note}{printed}</note>"]), document([f"{note}</note>"])
    mark = (("n0", "bis"),)
    assert engrave(EngravingRequest(with_print, 790, 30, mark)) == engrave(EngravingRequest(without, 790, 30, mark))
    assert engrave(EngravingRequest(with_print, 790, 30)) != engrave(EngravingRequest(without, 790, 30))
