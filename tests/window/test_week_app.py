"""The page of the week: what its keys write, and that nothing of a sheet is lost. Each change is read back with the
TOML library, not with the page's own reader."""

from __future__ import annotations

import re
import shutil
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pygame
import pytest

from companion.cli.week_page import WeekDesk, show_week
from companion.errors import WeekSheetError
from companion.practice.reach import Reach
from companion.record import Sitting, TakeRecord
from companion.record.week_edit import backup_path, set_target
from companion.scores import read
from companion.window.entry_leaf import AskLeaf, EntryLeaf
from companion.window.leaves import ChoiceLeaf
from companion.window.week_app import LOOK_AGAIN_NS, REST_NS, Chosen, WeekApp
from companion.window.week_leaves import FIELDS

PASSAGES = Path(__file__).parents[2] / "shared" / "passages"
SHEET = """\
# My own notes stay here.
format = 1
student = "Robin Example"
week = 2026-11-23

[[item]]
passage = "passages/etude-e-minor.musicxml"
bars = "5-8"
target_bpm = 84      # not above 100 yet
by = "Fri"
start_bpm = 60

# the easy one
[[item]]
passage = "passages/waltz-in-f.musicxml"
target_bpm = 120
"""


class Clock:
    """A clock that stands still until it is moved."""

    def __init__(self) -> None:
        self.now_ns = 0

    def __call__(self) -> int:
        return self.now_ns


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    shutil.copytree(PASSAGES, tmp_path / "passages")
    path = tmp_path / "week.toml"
    path.write_text(SHEET)
    return path


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def app(sheet: Path, clock: Clock) -> Iterator[WeekApp]:
    made = WeekApp(WeekDesk(sheet, sheet.parent / "sessions"), hidden=True, clock=clock)
    yield made
    made.close()


def items(path: Path) -> list[dict[str, object]]:
    found = tomllib.loads(path.read_text())["item"]
    assert isinstance(found, list)
    return found


def press(app: WeekApp, key: str, unicode: str | None = None) -> None:
    codes = {"enter": pygame.K_RETURN, "esc": pygame.K_ESCAPE, "space": pygame.K_SPACE, "del": pygame.K_DELETE}
    codes |= {"down": pygame.K_DOWN, "up": pygame.K_UP, "home": pygame.K_HOME, "back": pygame.K_BACKSPACE}
    code = codes.get(key) or pygame.key.key_code(key)
    text = (key if len(key) == 1 else "") if unicode is None else unicode
    app._handle(pygame.event.Event(pygame.KEYDOWN, key=code, unicode=text, mod=0))
    if text:
        app._handle(pygame.event.Event(pygame.TEXTINPUT, text=text))


def write(app: WeekApp, text: str, clear: bool = True) -> None:
    assert isinstance(app.leaf, EntryLeaf)
    for _ in range(len(app.leaf.text) if clear else 0):
        press(app, "back")
    for letter in text:
        app._handle(pygame.event.Event(pygame.TEXTINPUT, text=letter))
    press(app, "enter")


@pytest.mark.parametrize("day", range(7))
def test_the_leaf_of_the_day_due_shows_all_days_whichever_is_chosen(app: WeekApp, day: int) -> None:
    app.leaf = FIELDS["d"](app, replace(app.shown.sheet.items[0], by=app.shown.sheet.days[day]))
    app.draw()
    assert isinstance(app.leaf, ChoiceLeaf)
    assert len(app.leaf._places) == len(app.leaf.rows()) == 8


def test_a_target_is_turned_and_written_once_it_rests(app: WeekApp, sheet: Path, clock: Clock) -> None:
    for _ in range(3):
        press(app, "+")
    app.frame()
    assert app.items[0].target_bpm == 90 and items(sheet)[0]["target_bpm"] == 84
    clock.now_ns += REST_NS
    app.frame()
    assert items(sheet)[0]["target_bpm"] == 90
    assert backup_path(sheet).read_text() == SHEET
    assert "target_bpm = 90      # not above 100 yet" in sheet.read_text()
    press(app, "-")
    press(app, "down")
    assert items(sheet)[0]["target_bpm"] == 88 and app.at == 1
    press(app, "u")
    press(app, "u")
    assert sheet.read_text() == SHEET
    press(app, "u")
    assert "nothing to take back" in app.said


def test_a_turned_target_stays_above_the_lowest_rung(app: WeekApp) -> None:
    for _ in range(20):
        press(app, "-")
    assert app.items[0].target_bpm == 60


def test_every_field_is_written_in_its_place(app: WeekApp, sheet: Path) -> None:
    press(app, "t")
    write(app, "92,5")
    press(app, "b")
    write(app, "3 – 6")
    press(app, "n")
    write(app, "5")
    press(app, "w")
    write(app, "wed, Mon")
    press(app, "l")
    press(app, "down")
    press(app, "enter")
    press(app, "a")
    press(app, "home")
    press(app, "down")
    press(app, "down")
    press(app, "enter")
    press(app, "f")
    write(app, "6.4=side")
    press(app, "c")
    write(app, 'Say "ah": été')
    assert items(sheet)[0] == {
        "passage": "passages/etude-e-minor.musicxml", "bars": "3-6", "target_bpm": 92.5, "by": "Fri", "start_bpm": 60,
        "clean_takes": 5, "days": ["Mon", "Wed"], "climb": "alternate", "articulation_share": 0.9,
        "fingerings": {"6.4": "side"}, "comment": 'Say "ah": été',
    }  # fmt: skip
    text = sheet.read_text()
    assert text.startswith("# My own notes stay here.\n") and "# the easy one\n[[item]]" in text
    assert items(sheet)[1] == tomllib.loads(SHEET)["item"][1]


def test_what_is_asked_can_be_taken_away(app: WeekApp, sheet: Path) -> None:
    set_target(
        sheet, "passages/etude-e-minor.musicxml", "5-8", 84, clean_takes=4, days=["Mon"], comment="x",
        articulation_share=0.9,
    )  # fmt: skip
    for letter in "nwc":
        press(app, letter)
        write(app, "")
    for letter in "da":
        press(app, letter)
        press(app, "home")
        press(app, "enter")
    assert sorted(items(sheet)[0]) == ["bars", "passage", "start_bpm", "target_bpm"]


def test_the_day_due_is_chosen(app: WeekApp, sheet: Path) -> None:
    press(app, "down")
    press(app, "d")
    assert isinstance(app.leaf, ChoiceLeaf)
    for _ in range(3):
        press(app, "down")
    press(app, "enter")
    assert items(sheet)[1]["by"] == "Wed" and app.leaf is None


@pytest.mark.parametrize(
    ("letter", "typed", "said"),
    [
        ("t", "fast", "fast is no tempo"),
        ("t", "9", "target_bpm"),
        ("t", "nan", "target_bpm"),
        ("b", "88", "88"),
        ("n", "2.5", "whole one"),
        ("w", "Mon, someday", "someday is no weekday"),
        ("w", "Sun", "after the day it is due"),
        ("f", "side", "write such as 9.12=side"),
    ],
)
def test_what_makes_no_sense_is_said_and_stays_to_be_mended(
    app: WeekApp, sheet: Path, letter: str, typed: str, said: str
) -> None:
    press(app, letter)
    write(app, typed)
    app.frame()
    assert isinstance(app.leaf, EntryLeaf) and app.leaf.text == typed
    assert said in app.leaf.fault
    assert sheet.read_text() == SHEET
    press(app, "esc")
    assert app.leaf is None and not app.quit


def test_another_item_is_added_and_looked_at(app: WeekApp, sheet: Path) -> None:
    press(app, "i")
    assert isinstance(app.leaf, ChoiceLeaf)
    names = [row.text for row in app.leaf.rows()]
    assert names == sorted(path.stem for path in PASSAGES.glob("*.m*"))
    for _ in range(names.index("first-steps")):
        press(app, "down")
    press(app, "enter")
    write(app, "99")
    assert isinstance(app.leaf, EntryLeaf) and "99" in app.leaf.fault
    write(app, "1-2")
    write(app, "72")
    assert items(sheet)[2] == {"passage": "passages/first-steps.musicxml", "bars": "1-2", "target_bpm": 72}
    assert app.at == 2 and app.leaf is None


def test_an_item_goes_only_when_it_is_said_twice(app: WeekApp, sheet: Path) -> None:
    press(app, "x")
    assert isinstance(app.leaf, AskLeaf)
    app.frame()
    press(app, "esc")
    assert sheet.read_text() == SHEET
    press(app, "del")
    press(app, "y")
    assert [item["passage"] for item in items(sheet)] == ["passages/waltz-in-f.musicxml"]
    press(app, "u")
    assert sheet.read_text() == SHEET


def test_the_student_reads_and_plays(sheet: Path) -> None:
    app = WeekApp(WeekDesk(sheet, sheet.parent / "sessions", teacher=False), hidden=True, student=True)
    for key in ("+", "-", "t", "x", "i", "c", "u", "del"):
        press(app, key)
        assert app.leaf is None and app.pending is None
    press(app, "space")
    assert app.quit and app.chosen == Chosen(
        command=("play", str(sheet.parent / "passages" / "etude-e-minor.musicxml"), "--bars", "5-8")
    )
    assert sheet.read_text() == SHEET
    app.close()


def test_a_sheet_that_another_program_changed_is_shown_anew(app: WeekApp, sheet: Path, clock: Clock) -> None:
    press(app, "down")
    new = "\n[[item]]\npassage = 'passages/first-steps.musicxml'\ntarget_bpm = 60\n"
    sheet.write_text(SHEET.replace("[[item]]", new.strip() + "\n\n[[item]]", 1).replace("= 120", "= 126"))
    clock.now_ns += LOOK_AGAIN_NS
    app.frame()
    assert len(app.items) == 3 and app.at == 2 and app.items[2].target_bpm == 126
    assert "another program" in app.said
    press(app, "+")
    press(app, "up")
    assert [item["target_bpm"] for item in items(sheet)] == [60, 84, 128]


def test_a_torn_sheet_is_left_alone_until_it_is_whole(app: WeekApp, sheet: Path, clock: Clock) -> None:
    app.frame()
    torn = SHEET[: SHEET.index("target_bpm = 120") + 8]
    sheet.write_text(torn)
    clock.now_ns += LOOK_AGAIN_NS
    app.frame()
    assert "week.toml" in app.fault and len(app.items) == 2
    press(app, "+")
    app.flush()
    press(app, "c")
    press(app, "x")
    if app.leaf is not None:
        press(app, "y")
    assert sheet.read_text() == torn
    sheet.write_text(SHEET)
    clock.now_ns += LOOK_AGAIN_NS
    app.frame()
    assert app.fault == ""


def test_an_item_that_went_meanwhile_is_not_made_anew(app: WeekApp, sheet: Path) -> None:
    press(app, "c")
    without = SHEET[: SHEET.index("[[item]]")] + SHEET[SHEET.index("# the easy one") :]
    sheet.write_text(without)
    write(app, "Much work went into this sentence.")
    assert isinstance(app.leaf, EntryLeaf) and "holds nothing of bars 5-8" in app.leaf.fault
    assert app.leaf.text == "Much work went into this sentence."
    assert sheet.read_text() == without


def test_somebody_elses_edit_is_not_taken_back(app: WeekApp, sheet: Path) -> None:
    press(app, "t")
    write(app, "90")
    sheet.write_text(sheet.read_text().replace("= 120", "= 126"))
    press(app, "u")
    assert "somebody else" in app.said and items(sheet)[1]["target_bpm"] == 126


def test_a_first_sheet_is_begun_on_the_page(tmp_path: Path) -> None:
    path = tmp_path / "lesson" / "week.toml"
    app = WeekApp(WeekDesk(path, tmp_path / "sessions"), hidden=True)
    app.frame()
    press(app, "i")
    press(app, "enter")
    write(app, "")
    write(app, "80")
    assert items(path)[0]["target_bpm"] == 80
    assert (path.parent / str(items(path)[0]["passage"])).is_file()
    app.close()


def of_parts(path: Path, *names: str) -> None:
    """First Steps in a part for each name."""
    whole = (PASSAGES / "first-steps.musicxml").read_text()
    part = whole[whole.index("<part id=") : whole.index("</part>") + len("</part>")]
    own = re.findall(r'<part id="(\w+)"', part)[0]
    listed = "".join(
        f'<score-part id="Q{i}"><part-name>{name}</part-name></score-part>' for i, name in enumerate(names)
    )
    parts = "".join(part.replace(f'id="{own}"', f'id="Q{i}"') for i in range(len(names)))
    head = whole[: whole.index("<part-list>")]
    path.write_text(f"{head}<part-list>{listed}</part-list>{parts}</score-partwise>")


def test_of_a_score_with_several_parts_the_sheet_names_the_one_that_was_found(app: WeekApp, sheet: Path) -> None:
    trio = sheet.parent / "passages" / "aaa-trio.musicxml"
    of_parts(trio, "Flute", "Alto Saxophone")
    press(app, "i")
    press(app, "enter")
    write(app, "1-2")
    assert isinstance(app.leaf, EntryLeaf) and app.leaf.title == "aaa-trio, bars 1–2, Alto Saxophone: target"
    write(app, "72")
    assert items(sheet)[2]["part"] == "Alto Saxophone"
    of_parts(trio, "Flute", "Clarinet")
    app.source = WeekDesk(sheet, sheet.parent / "sessions")
    press(app, "i")
    press(app, "enter")
    write(app, "3-4")
    assert isinstance(app.leaf, EntryLeaf)
    assert "week set" in app.leaf.fault and "several parts (Flute, Clarinet)" in app.leaf.fault
    assert len(items(sheet)) == 3


def test_the_students_sheet_must_be_there(tmp_path: Path) -> None:
    with pytest.raises(WeekSheetError, match="no such week sheet"):
        WeekApp(WeekDesk(tmp_path / "week.toml", tmp_path, teacher=False), hidden=True, student=True)


def test_what_was_reached_is_looked_up_and_drawn(app: WeekApp, sheet: Path) -> None:
    while app.look_up_next():
        pass
    score = sheet.parent / "passages" / "etude-e-minor.musicxml"
    sitting = Sitting.begin(sheet.parent / "sessions", datetime(2026, 11, 24, 17, tzinfo=UTC))
    told = {"origin": str(score), "sha256": read(score).sha256, "bars": "5-8", "instrument": "alto"}
    for i, bpm in enumerate((76.0, 84.0)):
        sitting.append(TakeRecord("Étude", bpm, since_run_ns=i * 10**11, clean=True, **told))  # type: ignore[arg-type]
    app._handle(pygame.event.Event(pygame.WINDOWFOCUSGAINED))
    while app.look_up_next():
        pass
    assert app.item is not None
    about = app.about(app.item)
    assert about is not None and about.title == read(score).title
    assert about.reached.best_by_day[1] == (84.0, 1, 2) and about.reached.at_target == 1
    app.draw()


def test_a_target_out_of_reach_has_a_flag(app: WeekApp) -> None:
    while app.look_up_next():
        pass
    assert app.item is not None
    plain = app._abouts[app.item]
    app.draw()
    before = app.surface.copy()
    sentence = "84 is out of reach as yet: D to E in bar 6 goes up to 70; in reach is 69"
    app._abouts[app.item] = replace(plain, reach=Reach(70.0, 69.0, True, sentence))
    app.draw()
    # Left of the target in the first row, where nothing stood.
    row = next(box for box, what in app.view._places if what == 0)
    flag = pygame.Rect(row.x + row.width // 3, row.y, row.width // 5, row.height)
    assert pygame.image.tobytes(before.subsurface(flag), "RGB") != pygame.image.tobytes(
        app.surface.subsurface(flag), "RGB"
    )
    press(app, "t")
    assert isinstance(app.leaf, EntryLeaf) and "In reach is 69" in app.leaf.hint


def test_the_mouse_chooses_turns_and_opens(app: WeekApp, sheet: Path) -> None:
    app.draw()

    def click(what: int | str) -> None:
        box = next(box for box, each in reversed(app.view._places) if each == what)
        app._handle(pygame.event.Event(pygame.MOUSEBUTTONDOWN, button=1, pos=box.center))

    click(1)
    assert app.at == 1
    app.draw()
    click("+")
    click("+")
    click(0)
    assert items(sheet)[1]["target_bpm"] == 124
    click("c")
    assert app.leaf is not None and app.leaf.kind == "week-comment"


@pytest.mark.parametrize("size", [(1024, 640), (1920, 1080)])
def test_long_and_hostile_texts_are_drawn(sheet: Path, size: tuple[int, int]) -> None:
    long = "𝄞 " + "unbreakable" * 150
    set_target(sheet, "passages/etude-e-minor.musicxml", "5-8", 84, comment=long)
    for bar in range(1, 21):
        set_target(sheet, "passages/waltz-in-f.musicxml", str(bar), 84, comment="\\x1b[2J {0} %s " * 40)
    sheet.write_text(sheet.read_text().replace("Robin Example", "R" * 3000))
    app = WeekApp(WeekDesk(sheet, sheet.parent / "sessions"), hidden=True, size=size)
    while app.look_up_next():
        pass
    for key in ("down", *["down"] * 30, "c", "esc", "x", "n", "i", "esc"):
        press(app, key)
        app.frame()
    assert app.at == len(app.items) - 1 == 21
    app.close()


def test_pictures_of_every_leaf(sheet: Path, tmp_path: Path) -> None:
    app = WeekApp(WeekDesk(sheet, sheet.parent / "sessions"), hidden=True, shots=tmp_path / "shots")
    assert app.loop() is None
    app.close()
    names = {path.stem for path in (tmp_path / "shots").iterdir()}
    assert {"week", "week-2", "week-target", "week-climb", "week-comment", "week-new", "week-drop"} <= names
    assert sheet.read_text() == SHEET


def test_progress_is_asked_for_the_item_looked_at(app: WeekApp) -> None:
    press(app, "down")
    press(app, "+")
    press(app, "p")
    assert app.quit and app.chosen == Chosen(progress=1)
    assert app.items[1].target_bpm == 122 and app.pending is None


def test_progress_is_shown_in_the_same_window_and_the_stand_after_it(
    sheet: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The keys come as a player would press them, one at each look."""
    keys = [pygame.K_DOWN, pygame.K_PLUS, pygame.K_p, pygame.K_RIGHT, pygame.K_ESCAPE, pygame.K_u, pygame.K_SPACE]
    keys += [pygame.K_p, pygame.K_ESCAPE, pygame.K_ESCAPE]
    seen: list[str] = []

    def get() -> list[pygame.event.Event]:
        seen.append(pygame.display.get_caption()[0].partition(" – ")[0])
        code = keys.pop(0)
        typed = {pygame.K_PLUS: "+", pygame.K_SPACE: " "}.get(code, chr(code) if code < 128 else "")
        return [pygame.event.Event(pygame.KEYDOWN, key=code, unicode=typed, mod=0)]

    played: list[list[str]] = []
    monkeypatch.setattr(pygame.event, "get", get)
    monkeypatch.setattr("companion.cli.main", lambda words: played.append(words))
    monkeypatch.setattr("companion.window.display.open_display", lambda hidden: pygame.display.init())
    desk = WeekDesk(sheet, sheet.parent / "sessions", ("--sessions", "x"))
    assert show_week(desk, student=False, size=(1024, 640), hidden=False, shots=None) == 0
    week, progress = "The week", "Progress"
    assert seen == [week, week, week, progress, progress, week, week, week, progress, week]
    # Right went from the second item round to the first; U took the target back that P had written.
    words = ["play", str(sheet.parent / "passages" / "etude-e-minor.musicxml"), "--bars", "5-8", "--sessions", "x"]
    assert played == [[*words, "--size", "1024x640"]]
    assert sheet.read_text() == SHEET and backup_path(sheet).read_text() == SHEET.replace("= 120", "= 122")


def test_what_was_written_before_the_stand_can_be_taken_back_after_it(
    sheet: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keys = [(pygame.K_PLUS, "+"), (pygame.K_SPACE, " "), (pygame.K_u, "u"), (pygame.K_ESCAPE, "")]
    said: list[str] = []

    def get() -> list[pygame.event.Event]:
        code, typed = keys.pop(0)
        return [pygame.event.Event(pygame.KEYDOWN, key=code, unicode=typed, mod=0)]

    def stand(words: list[str]) -> int:
        assert "target_bpm = 86" in sheet.read_text()
        print("companion: note: one thing", file=sys.stderr)
        print("companion: the chart can't be read", file=sys.stderr)
        return 1

    class Seen(WeekApp):
        def loop(self) -> Chosen | None:
            said.append(self.said)
            return super().loop()

    monkeypatch.setattr(pygame.event, "get", get)
    monkeypatch.setattr("companion.cli.main", stand)
    monkeypatch.setattr("companion.window.week_app.WeekApp", Seen)
    monkeypatch.setattr("companion.window.display.open_display", lambda hidden: pygame.display.init())
    desk = WeekDesk(sheet, sheet.parent / "sessions")
    assert show_week(desk, student=False, size=(1024, 640), hidden=False, shots=None) == 0
    assert sheet.read_text() == SHEET
    # What went wrong at the stand is said here, too.
    assert said == ["", "something went wrong: the chart can't be read"]


def test_the_sheet_moves_to_another_week_when_it_is_said_twice(app: WeekApp, sheet: Path) -> None:
    app.shown = replace(app.shown, today=date(2026, 12, 9))
    press(app, "m")
    assert isinstance(app.leaf, AskLeaf) and "Monday 7 December" in app.leaf.question
    press(app, "n")
    assert sheet.read_text() == SHEET
    app.shown = replace(app.shown, today=date(2026, 11, 29))
    press(app, "m")
    press(app, "y")
    assert sheet.read_text() == SHEET.replace("2026-11-23", "2026-11-30")
    assert app.shown.sheet.week == date(2026, 11, 30) and app.items[0].by == date(2026, 12, 4)
    press(app, "u")
    assert sheet.read_text() == SHEET


def test_dates_that_the_next_week_has_behind_it_move_along_and_that_is_said(app: WeekApp, sheet: Path) -> None:
    sheet.write_text(SHEET.replace('by = "Fri"', "by = 2026-11-27") + "by = 2026-11-29\n")
    app.look_again()
    press(app, "m")
    press(app, "y")
    assert [item["by"] for item in items(sheet)] == [date(2026, 12, 4), date(2026, 12, 6)]
    assert app.said.endswith("bars 5–8: due on Fri 27 Nov, before that week: now Fri 4 Dec. And 1 more like this.")
    press(app, "u")
    assert [item["by"] for item in items(sheet)] == [date(2026, 11, 27), date(2026, 11, 29)]


def test_a_sheet_that_is_gone_for_a_moment_is_not_begun_anew(app: WeekApp, sheet: Path, clock: Clock) -> None:
    sheet.unlink()
    clock.now_ns += LOOK_AGAIN_NS
    app.frame()
    assert "no such week sheet" in app.fault and len(app.items) == 2
    press(app, "+")
    app.flush()
    assert not sheet.exists()


def test_a_long_comment_is_shown_where_it_is_written(app: WeekApp) -> None:
    press(app, "c")
    assert isinstance(app.leaf, EntryLeaf)
    app.leaf.type("word " * 400)
    assert len(app.leaf.text) == 2000
    app.leaf.at = 1000
    app._handle(pygame.event.Event(pygame.TEXTINPUT, text="full"))
    assert len(app.leaf.text) == 2000
    for _ in range(5):
        press(app, "back")
    app._handle(pygame.event.Event(pygame.TEXTINPUT, text="mine"))
    assert app.leaf.text[995:999] == "mine" and app.leaf.at == 999
    app.draw()


def test_keys_in_the_foot_can_be_clicked(app: WeekApp) -> None:
    app.draw()
    for what, kind in (("x", "week-drop"), ("m", "week-move"), ("i", "week-new")):
        box = next(box for box, each in app.view._places if each == what)
        app._handle(pygame.event.Event(pygame.MOUSEBUTTONDOWN, button=1, pos=box.center))
        assert app.leaf is not None and app.leaf.kind == kind
        app.leaf = None


def test_a_number_typed_takes_the_old_ones_place_unless_it_is_mended(app: WeekApp) -> None:
    for keys, text in (("96", "96"), (["back", "7"], "7"), ([pygame.K_LEFT, "1"], "814")):
        press(app, "t")
        assert isinstance(app.leaf, EntryLeaf) and app.leaf.text == "84"
        app.draw()
        for key in keys:
            if isinstance(key, int):
                app._handle(pygame.event.Event(pygame.KEYDOWN, key=key, unicode="", mod=0))
            else:
                press(app, key)
        assert app.leaf.text == text
        press(app, "esc")
