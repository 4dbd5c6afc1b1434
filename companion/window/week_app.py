"""The week sheet as a page: for the student to read, for the teacher to write on."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import pygame

from companion.errors import CompanionError
from companion.record.week import MAX_BPM, MIN_BPM, WeekItem
from companion.units import ns_from_s
from companion.window.display import fitted, open_window, scale_of, turn_full_screen
from companion.window.entry_leaf import EntryLeaf
from companion.window.layout import layout
from companion.window.leaves import Leaf
from companion.window.shots import Shots
from companion.window.theme import Type
from companion.window.week_data import ItemAbout, WeekShown, WeekSource, key_of
from companion.window.week_editor import WeekEditor
from companion.window.week_leaves import FIELDS, drop_leaf, move_leaf, new_leaf
from companion.window.week_view import WeekView

__all__ = ["Chosen", "WeekApp"]

LOOKS_PER_S = 30
STEP_BPM = 2.0
#: A target that is turned up and down is written once it rests; the sheet is looked at again so often.
REST_NS, LOOK_AGAIN_NS = ns_from_s(0.8), ns_from_s(0.7)
#: An item is looked up once nothing was pressed for so long, so that keys never wait for it.
IDLE_NS = ns_from_s(0.15)
_CAPTION = "The week – companion"
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Chosen:
    """What the page was left for: the words of a command, or the number of the item whose progress is asked for."""

    command: tuple[str, ...] = ()
    progress: int | None = None


class WeekApp:
    """Shows a week sheet until the page is left.

    Parameters
    ----------
    source
        Where sheet, items and passages come from.
    student
        To read only.
    clock
        Nanoseconds.
    editor
        Knows what can be taken back, where the page was left and comes back.

    Raises
    ------
    CompanionError
        Where there is no sheet to be shown.
    """

    def __init__(
        self,
        source: WeekSource,
        *,
        student: bool = False,
        size: tuple[int, int] = (1280, 720),
        hidden: bool = False,
        shots: Path | None = None,
        clock: Callable[[], int] = time.perf_counter_ns,
        at: int = 0,
        editor: WeekEditor | None = None,
    ) -> None:
        self.source, self.student, self.hidden, self.clock = source, student, hidden, clock
        self.shown: WeekShown = source.look()
        self.shots = Shots(shots) if shots else None
        self.editor = editor or WeekEditor(source.path)
        self.at = at
        self.leaf: Leaf | None = None
        self.said = self.fault = ""
        self.pending: tuple[WeekItem, float] | None = None
        self.quit = False
        self.chosen: Chosen | None = None
        self._abouts: dict[WeekItem, ItemAbout] = {}
        self._stamp = self._stamp_now()
        self._looked_ns = self._pressed_ns = clock()
        self._swallow = ""
        self._changed = True
        self.surface = open_window(_CAPTION, size, hidden=hidden, repeat_ms=80)
        self.view = WeekView(self)

    # -- what is shown ------------------------------------------------------------------------------------------------

    @property
    def size(self) -> tuple[int, int]:
        """The window's."""
        return self.surface.get_size()

    @property
    def items(self) -> tuple[WeekItem, ...]:
        """Those of the sheet, with a target that is being turned."""
        if self.pending is None:
            return self.shown.sheet.items
        old, bpm = self.pending
        return tuple(replace(i, target_bpm=bpm) if i == old else i for i in self.shown.sheet.items)

    @property
    def item(self) -> WeekItem | None:
        """The one looked at, as the sheet has it."""
        items = self.shown.sheet.items
        return items[min(self.at, len(items) - 1)] if items else None

    def about(self, item: WeekItem) -> ItemAbout | None:
        """What is known of an item; None until it is looked up."""
        return self._abouts.get(item)

    def look_up_next(self) -> bool:
        """Look up one item that isn't known yet, the one looked at first; False where all are."""
        items = self.shown.sheet.items
        first = [self.item] if self.item is not None else []
        for item in [*first, *items]:
            if item not in self._abouts:
                self._abouts[item] = self.source.about(item)
                self._changed = True
                return True
        return False

    def look_again(self) -> None:
        """Read the sheet anew; the item looked at stays the same where it is still there. A sheet that is torn leaves
        what was shown, with the fault."""
        key = key_of(self.item) if self.item is not None else None
        self._changed = True
        self._stamp = self._stamp_now()
        try:
            self.shown, self.fault = self.source.look(), ""
        except CompanionError as error:
            self.fault = str(error)
            return
        keys = [key_of(item) for item in self.shown.sheet.items]
        self.at = keys.index(key) if key in keys else max(0, min(self.at, len(keys) - 1))
        if self.pending is not None and self.pending[0] not in self.shown.sheet.items:
            self.pending = None

    def _stamp_now(self) -> tuple[int, int] | None:
        try:
            status = self.source.path.stat()
        except OSError:
            return None
        return status.st_mtime_ns, status.st_size

    def _changed_elsewhere(self) -> bool:
        """Whether another program wrote; then its sheet is shown, and that is said."""
        if self._stamp_now() == self._stamp:
            return False
        self.look_again()
        if not self.fault:
            self.said = "The sheet was changed by another program: this is how it stands now."
        return True

    # -- writing ------------------------------------------------------------------------------------------------------

    def write(self, item: WeekItem, **values: Any) -> None:
        """Tell an item something. Raises `CompanionError` where it can't be written."""
        if also := self._edit(lambda: self.editor.change(item, **values)):
            more = [f"And {len(also) - 1} more like this."] if len(also) > 1 else []
            self.said = " ".join([self.said, also[0], *more])
        if values.get("new_bars") is not None:
            self._go_to(lambda each: (each.passage, each.exercise) == (item.passage, item.exercise), values["new_bars"])

    def add(self, passage: Path, bars: str, target_bpm: float, part: str = "") -> None:
        """Another item, which is looked at then. Raises `CompanionError` where it can't be written."""
        name = self._edit(lambda: self.editor.add(passage, bars, target_bpm, part))
        self._go_to(lambda each: (each.passage, each.exercise) == (name, ""), bars)

    def drop(self, item: WeekItem) -> None:
        """Take an item out. Raises `CompanionError` where it can't be written."""
        self._edit(lambda: self.editor.drop(item))

    def _edit(self, act: Callable[[], _T]) -> _T:
        done = act()
        self.said = f"Written to {self.source.path.name}. U takes it back."
        self.look_again()
        return done

    def _go_to(self, same: Callable[[WeekItem], bool], bars: str) -> None:
        from companion.record.model import normal_bars

        wanted = normal_bars(bars)
        found = [i for i, each in enumerate(self.shown.sheet.items) if same(each) and each.bars == wanted]
        self.at = found[-1] if found else self.at

    def guarded(self, act: Callable[..., object]) -> Callable[..., None]:
        """The same, with its fault as a line on the page."""

        def guarded(*given: Any) -> None:
            try:
                act(*given)
            except CompanionError as error:
                self.said = str(error)
                self._changed = True

        return guarded

    def lay(self, leaf: Leaf) -> None:
        """Lay a leaf over the page, in place of the one that is there."""
        self.leaf = leaf

    def _turn(self, by_bpm: float) -> None:
        """Turn the target; it is written once it rests."""
        item = self.item
        if self.student or item is None:
            return
        now = self.pending[1] if self.pending is not None and self.pending[0] == item else item.target_bpm
        if self.pending is not None and self.pending[0] != item:
            self.flush()
        low = max(MIN_BPM, item.start_bpm or MIN_BPM)
        bpm = min(max(now + by_bpm, low), MAX_BPM)
        self.pending, self.said = (item, bpm), ""

    def flush(self) -> None:
        """Write a target that was turned."""
        if self.pending is None:
            return
        item, bpm = self.pending
        self.pending = None
        if bpm != item.target_bpm:
            self.guarded(lambda: self.write(item, target_bpm=bpm))()

    def _take_back(self) -> None:
        if self.pending is not None:
            self.pending = None
        elif self.editor.take_back():
            self.look_again()
            self.said = "Taken back."
        else:
            self.said = "There is nothing to take back."

    # -- the loop -----------------------------------------------------------------------------------------------------

    def loop(self) -> Chosen | None:
        """What the page was left for; None where it was just left. The window stays for another page: `close`."""
        self.quit, self.chosen = False, None
        pace = pygame.time.Clock()
        while not self.quit:
            self.frame()
            if self.hidden:
                self._show_all()
                self.quit = True
            else:
                pace.tick(LOOKS_PER_S)
        self.flush()
        return self.chosen

    def frame(self) -> None:
        """One look at keys, mouse and sheet."""
        for event in pygame.event.get():
            self._handle(event)
        now = self.clock()
        if self.pending is not None and now - self._pressed_ns >= REST_NS:
            self.flush()
        if now - self._looked_ns >= LOOK_AGAIN_NS:
            self._looked_ns = now
            self._changed_elsewhere()
        if self._changed:
            self._changed = False
            self.draw()
            pygame.display.update()
        elif self.pending is None and now - self._pressed_ns >= IDLE_NS:
            self.look_up_next()

    def draw(self) -> None:
        """The page and the leaf on it."""
        type_ = Type(scale_of(self.size))
        self.view.draw(self.surface, type_)
        if self.leaf is not None:
            self.leaf.draw(self.surface, layout(*self.size), type_)

    def come_back(self, at: int, said: str = "") -> None:
        """Another page was shown in this window: go on with the item that was looked at there."""
        self.surface = pygame.display.get_surface() or self.surface
        pygame.display.set_caption(_CAPTION)
        self.at = max(0, min(at, len(self.shown.sheet.items) - 1))
        self.look_again()
        self.said = said

    def close(self) -> None:
        """Give the window back."""
        pygame.display.quit()

    def _handle(self, event: pygame.event.Event) -> None:
        if event.type == pygame.QUIT:
            self.quit = True
        elif event.type == pygame.VIDEORESIZE:
            self.surface = fitted((event.w, event.h))
        elif event.type == pygame.WINDOWFOCUSGAINED:
            # Somebody may have played or synchronised meanwhile.
            self._abouts.clear()
            if not self._changed_elsewhere():
                self.look_again()
        elif event.type == pygame.TEXTINPUT:
            self._type(event.text)
        elif event.type == pygame.KEYDOWN:
            self._pressed_ns = self.clock()
            self._swallow = ""
            self._key(event)
        elif event.type == pygame.MOUSEBUTTONDOWN and event.button == 1:
            self._pressed_ns = self.clock()
            self._click(event.pos)
        elif event.type == pygame.MOUSEWHEEL and self.leaf is None:
            self._move(-event.y)
        elif event.type not in (pygame.WINDOWEXPOSED, pygame.WINDOWRESTORED):
            return
        self._changed = True

    def _type(self, text: str) -> None:
        # The letter that opened the leaf comes as text as well.
        swallowed, self._swallow = self._swallow, ""
        if isinstance(self.leaf, EntryLeaf) and text != swallowed:
            self.leaf.type(text)

    def _key(self, event: pygame.event.Event) -> None:
        if self.leaf is not None:
            self._answer(lambda leaf: leaf.key(event))
            return
        name, typed = pygame.key.name(event.key), event.unicode
        self.said = ""
        if name in ("up", "down", "page up", "page down", "home", "end"):
            steps = {"up": -1, "down": 1, "page up": -8, "page down": 8, "home": -(10**6), "end": 10**6}
            self._move(steps[name])
        elif name == "escape":
            self.flush()
            self.quit = True
        elif typed in ("+", "=") or name in ("[+]", "keypad +"):
            self._turn(STEP_BPM)
        elif typed == "-" or name in ("[-]", "keypad -"):
            self._turn(-STEP_BPM)
        elif name == "f11":
            self._full_screen()
        else:
            self._letter({"space": " ", "return": " ", "enter": " "}.get(name, typed.lower() or name))
            self._swallow = typed if self.leaf is not None else ""

    def _letter(self, letter: str) -> None:
        if letter == "u" and not self.student:
            self.guarded(self._take_back)()
            return
        self.flush()
        item = self.item
        if letter == "i" and not self.student:
            self.guarded(lambda: self.lay(new_leaf(self)))()
        if item is None:
            return
        if letter == " ":
            self._start(item)
        elif letter == "p":
            self.chosen, self.quit = Chosen(progress=self.shown.sheet.items.index(item)), True
        elif self.student:
            return
        elif letter in FIELDS:
            self._open(letter)
        elif letter in ("x", "delete", "\x7f"):
            self.leaf = drop_leaf(self, item)
        elif letter == "m":
            self.leaf = move_leaf(self, item)

    def _open(self, letter: str) -> None:
        """A field's leaf, of the sheet as it is now."""
        self._changed_elsewhere()
        if self.fault or self.item is None:
            return
        self.leaf = FIELDS[letter](self, self.item)

    def _start(self, item: WeekItem) -> None:
        about = self.about(item) or self.source.about(item)
        if about.command:
            self.chosen, self.quit = Chosen(command=about.command), True
        else:
            self.said = " ".join(about.said) or f"{item.passage} can't be put on the stand."

    def _move(self, by: int) -> None:
        self.flush()
        self.at = max(0, min(self.at + by, len(self.shown.sheet.items) - 1))

    def _answer(self, act: Callable[[Leaf], bool]) -> None:
        """Hand a key or a click to the leaf; it may lay another in its place."""
        leaf = self.leaf
        assert leaf is not None
        done = False

        def ask() -> None:
            nonlocal done
            done = act(leaf)

        self.guarded(ask)()
        if done and self.leaf is leaf:
            self.leaf = None

    def _click(self, pos: tuple[int, int]) -> None:
        if self.leaf is not None:
            self._answer(lambda leaf: leaf.click(pos))
            return
        self.said = ""
        found = self.view.at(pos)
        if isinstance(found, int):
            self._move(found - self.at)
        elif found in ("+", "-"):
            self._turn(STEP_BPM if found == "+" else -STEP_BPM)
        elif found == "escape":
            self.flush()
            self.quit = True
        elif found:
            self._letter(found)

    def _full_screen(self) -> None:
        self.said = turn_full_screen()
        self.surface = pygame.display.get_surface() or self.surface

    def _show_all(self) -> None:
        """Each item, and each leaf, for the pictures."""
        while self.look_up_next():
            pass
        if self.shots is None:
            return
        kind = "week-student" if self.student else "week"
        for number in range(max(1, len(self.shown.sheet.items))):
            self.at, self.leaf = number, None
            self.draw()
            self.shots.take(kind if number == 0 else f"{kind}-{number + 1}", self.surface)
        self.at = 0
        item = self.item
        if self.student or item is None:
            return
        for leaf in (
            *(make(self, item) for make in FIELDS.values()),
            new_leaf(self),
            drop_leaf(self, item),
            move_leaf(self, item),
        ):
            self.leaf = leaf
            self.draw()
            self.shots.take(leaf.kind, self.surface)
        self.leaf = None
