"""The computer's keys as a horn, drawn: what each key of the keyboard is, to try; to choose anew, one key after the
other; and to find out how many keys at once the keyboard reports."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Literal

import pygame

from companion.charts.model import Chart, Fingering, note_name
from companion.engraving import fonts
from companion.errors import NoFingering
from companion.ports import KeysPort
from companion.ports.keys_file import save_layout
from companion.ports.keys_layout import (
    BREATH,
    RESERVED,
    TONGUE,
    USUAL,
    KeysLayout,
    functions_of,
    in_words,
    place_of_scancode,
)
from companion.units import NS_PER_MS
from companion.window.horn import draw_horn, horn_layout, label_layout
from companion.window.horn_hands import cap_of
from companion.window.layout import Layout
from companion.window.leaves import lay_paper, leaf_box
from companion.window.theme import Ink, Type

__all__ = ["HornKeysLeaf", "shapes_to_hold"]

Mode = Literal["try", "choose", "hold"]
#: Written notes that ask for many keys at once, over all the keyboard: low B flat, D and E flat with the octave key,
#: high E and F with the palm.
HELD_NOTES = (58, 74, 75, 88, 89, 80)
#: Fingers that have stood for so long are all that will come.
STANDS_NS = 1500 * NS_PER_MS
_ENTER = ("return", "enter", "keypad enter")
_WHAT_HELPS = (
    "If you hold them all, the keyboard can't report so many at once: most leave out some combinations to save wires."
    " Choose other keys (Enter on the first page): Shift and Ctrl mostly arrive whatever else is held. Or plug in"
    " a USB keyboard with full rollover. A chord that you never need does no harm."
)


def shapes_to_hold(chart: Chart) -> tuple[Fingering, ...]:
    """Fingerings that ask most of a keyboard."""
    found = []
    for note in HELD_NOTES:
        try:
            found.append(chart.standard(note))
        except NoFingering:
            continue
    return tuple(found)


class HornKeysLeaf:
    """See the module. `port` is None where another controller plays: then the layout is shown, and `use` takes it."""

    kind = "horn-keys"

    def __init__(
        self,
        chart: Chart,
        layout: KeysLayout,
        port: KeysPort | None,
        *,
        clock: Callable[[], int],
        settings: Path | None,
        use: Callable[[], KeysPort | None],
    ) -> None:
        self.chart = chart
        self.layout = layout
        self.port = port
        self.mode: Mode = "try"
        self.said = ""
        self._clock = clock
        self._settings = settings
        self._use = use
        self._asked: list[str] = []
        self._given: dict[str, str] = {}
        self._shapes = shapes_to_hold(chart)
        self._at = 0
        #: For each shape held so far: what of it never came while the rest was down.
        self.missing: dict[int, frozenset[str]] = {}
        self._stood: tuple[frozenset[str], int] = (frozenset(), 0)
        self._box = pygame.Rect(0, 0, 0, 0)
        self._word_places: list[tuple[pygame.Rect, str]] = []

    @property
    def plays_horn(self) -> bool:
        """Whether the keys are the horn's: not while they are chosen."""
        return self.port is not None and self.mode != "choose"

    # -- what is asked -----------------------------------------------------------------------------------------------

    @property
    def asked(self) -> str | None:
        """What a key is to be chosen for now."""
        return self._asked[len(self._given)] if self.mode == "choose" else None

    @property
    def wanted(self) -> frozenset[str]:
        """What is to be held together now."""
        return self._shapes[self._at].keys | {BREATH} if self.mode == "hold" else frozenset()

    def _choose(self) -> None:
        self.mode, self.said = "choose", ""
        self._asked, self._given = list(functions_of(self.chart)), {}
        if self.port is not None:
            self.port.release_all(self._clock())

    def _give(self, place: str | None) -> None:
        """A key was pressed for what is asked."""
        asked = self.asked
        assert asked is not None
        if place is None or place in RESERVED:
            self.said = "That key is needed elsewhere (it ends a take, or belongs to the system): press another one."
            return
        taken = next((function for function, own in self._given.items() if own == place), None)
        if taken is not None:
            self.said = f"{cap_of(place)} is {_the(taken, self.chart)} already: press another one."
            return
        self._given[asked] = place
        self.said = f"{cap_of(place)} is {_the(asked, self.chart)}."
        if len(self._given) == len(self._asked):
            # What this horn doesn't have stays where it is, unless its key was given away.
            crowded = [f for f in USUAL if f not in self._given and self._now(f) in self._given.values()]
            if crowded:
                self._asked += crowded
            else:
                self._keep(KeysLayout({f: self._given.get(f, self._now(f)) for f in USUAL}))

    def _now(self, function: str) -> str:
        return self.layout.places.get(function, USUAL[function])

    def _keep(self, layout: KeysLayout) -> None:
        self.mode = "try"
        path = save_layout(layout, self._settings)
        self.layout = layout
        if self.port is not None:
            self.port.use(self.chart, layout)
        self.said = f"Kept in {path}."

    def _hold_next(self) -> None:
        self._at += 1
        if self._at == len(self._shapes):
            self.mode, self._at = "try", 0
            self.said = self._held_in_words()

    def _held_in_words(self) -> str:
        bad = {i: keys for i, keys in self.missing.items() if keys}
        if not bad:
            return "Every key arrived: the keyboard reports as many at once as the horn needs."
        notes = ", ".join(note_name(self._shapes[i].written_midi) for i in bad)
        keys = ", ".join(sorted({cap_of(self._now(function)) for missing in bad.values() for function in missing}))
        return f"Not all keys arrived for {notes}: missing was {keys}. {_WHAT_HELPS}"

    def _watch(self) -> None:
        """While keys are to be held: note what came, and go on when all did."""
        if self.mode != "hold" or self.port is None:
            return
        held, now_ns = self.port.functions_held, self._clock()
        if held != self._stood[0]:
            self._stood = held, now_ns
        if self.wanted <= held:
            self.missing[self._at] = frozenset()
            if now_ns - self._stood[1] > STANDS_NS // 3:
                self._hold_next()
        elif self.missing.get(self._at, self.wanted) and len(held & self.wanted) >= 2 and self._stands():
            self.missing[self._at] = self.wanted - held

    def _stands(self) -> bool:
        return self._clock() - self._stood[1] > STANDS_NS

    # -- keys and mouse ----------------------------------------------------------------------------------------------

    def key(self, event: pygame.event.Event) -> bool:
        """See `Leaf`."""
        name = pygame.key.name(event.key)
        if name == "escape":
            return self._do("leave")
        if self.mode == "choose":
            if name in _ENTER:
                self._give(self._now(self.asked or BREATH))
            elif name == "backspace":
                self._do("back")
            else:
                self._give(place_of_scancode(getattr(event, "scancode", 0)))
            return False
        if self.mode == "hold":
            return self._do("next") if name in _ENTER else False
        for keys, action, _ in self._words():
            if name in keys:
                return self._do(action)
        return False

    def _do(self, action: str) -> bool:
        if action == "leave":
            if self.mode == "try":
                return True
            self.mode, self.said, self._at = "try", "", 0
        elif action == "choose":
            self._choose()
        elif action == "hold":
            self.mode, self._at, self.missing, self.said = "hold", 0, {}, ""
        elif action == "next":
            self._hold_next()
        elif action == "back":
            if self._given:
                self._given.popitem()
            self.said = ""
        elif action == "keep":
            self._give(self._now(self.asked or BREATH))
        elif action == "usual":
            self._keep(KeysLayout())
        elif action == "use":
            self.port = self._use()
            self.said = "The computer's keys are the horn now."
        return False

    def _words(self) -> tuple[tuple[tuple[str, ...], str, str], ...]:
        """(keys, action, words) at the foot of the leaf."""
        if self.mode == "choose":
            return (
                (_ENTER, "keep", "Enter: leave it as it is"),
                (("backspace",), "back", "Backspace: one back"),
                (("escape",), "leave", "Esc: change nothing"),
            )
        if self.mode == "hold":
            return ((_ENTER, "next", "Enter: the next"), (("escape",), "leave", "Esc: leave off"))
        first: tuple[tuple[tuple[str, ...], str, str], ...] = ((_ENTER, "choose", "Enter: choose the keys anew"),)
        if self.layout.places != USUAL:
            first += ((("backspace",), "usual", "Backspace: the usual keys"),)
        if self.port is not None:
            return (
                *first,
                (("tab",), "hold", "Tab: how many keys at once?"),
                (("escape",), "leave", "Esc: put it away"),
            )
        return (*first, (("tab",), "use", "Tab: play on these keys"), (("escape",), "leave", "Esc: put it away"))

    def click(self, pos: tuple[int, int]) -> bool:
        """See `Leaf`."""
        for box, action in self._word_places:
            if box.inflate(6, 10).collidepoint(pos):
                return self._do(action)
        return not self._box.collidepoint(pos)

    # -- drawing -----------------------------------------------------------------------------------------------------

    def draw(self, target: pygame.Surface, place: Layout, type_: Type) -> None:
        """See `Leaf`."""
        self._watch()
        u = place.scale
        box = self._box = leaf_box(place, 1000, 660)
        lay_paper(target, box, u)
        inner = box.inflate(-round(52 * u), -round(44 * u))
        titles = {
            "try": f"The computer's keys as a horn: {self.chart.title}",
            "choose": "Which key shall it be?",
            "hold": "How many keys at once?",
        }
        type_.draw(target, titles[self.mode], inner.topleft, 22, "bold", max_width_px=inner.width)
        self._draw_words(target, type_, inner, u)
        top = inner.y + type_.line_height(22) + round(8 * u)
        bottom = inner.bottom - type_.line_height(14) - round(10 * u)
        horn = pygame.Rect(inner.x, top, round(inner.width * 0.46), bottom - top)
        self._draw_horn(target, type_, horn)
        text = pygame.Rect(horn.right + round(34 * u), top + round(8 * u), 0, 0)
        text.size = inner.right - text.x, bottom - text.y
        {"try": self._draw_try, "choose": self._draw_choose, "hold": self._draw_hold}[self.mode](target, type_, text, u)

    def _draw_words(self, target: pygame.Surface, type_: Type, inner: pygame.Rect, u: float) -> None:
        x, self._word_places = inner.x, []
        for _, action, words in self._words():
            where = type_.draw(target, words, (x, inner.bottom), 14, "italic", Ink.BLUE, "bottomleft")
            self._word_places.append((where, action))
            x = where.right + round(26 * u)

    def _draw_horn(self, target: pygame.Surface, type_: Type, box: pygame.Rect) -> None:
        held = self.port.held if self.port is not None and self.mode != "choose" else frozenset()
        asked = self.asked
        keys = {key.name for key in self.chart.keys}
        coming = held | ({asked} & keys if asked else self.wanted & keys)
        font = str(fonts.TEXT_REGULAR)
        draw_horn(target, box, self.chart, held, coming, font)
        labels = label_layout(self.chart, box, font)
        for name, cap in horn_layout(self.chart, box).items():
            beside = cap.union(labels[name]) if name in labels else cap
            self._draw_cap(target, type_, beside, cap, name, dark=name in held or name in coming)

    def _draw_cap(
        self, target: pygame.Surface, type_: Type, beside: pygame.Rect, key: pygame.Rect, name: str, dark: bool
    ) -> None:
        """What is printed on the key of the keyboard, on the horn's key or, where that is too small, `beside` it and
        its name."""
        place = self._given.get(name, self._now(name)) if self.mode == "choose" else self._now(name)
        words = cap_of(place)
        roomy = key.height > type_.line_height(19) and key.width > key.height * 0.8 and key.width < key.height * 1.2
        # A stop or a comma is a speck in small type.
        size = 19 if len(words) == 1 and (roomy or not words.isalnum()) else 13
        if type_.width(words, size, "bold") <= key.width - 2:
            # A key that goes down has an arrow in its middle: the letter takes its place.
            if dark:
                pygame.draw.rect(target, Ink.PRINT, key.inflate(-4, -4), border_radius=key.height // 2)
            colour = Ink.PAPER if dark else Ink.BLUE
            type_.draw(target, words, key.center, size, "bold", colour, "center")
        elif beside.right > key.right or beside.left == key.left:
            type_.draw(target, words, (beside.right + 6, key.centery), size, "bold", Ink.BLUE, "midleft")
        else:
            type_.draw(target, words, (beside.left - 6, key.centery), size, "bold", Ink.BLUE, "midright")

    def _draw_blowing(self, target: pygame.Surface, type_: Type, box: pygame.Rect, u: float) -> int:
        """Breath and tongue, which are no keys of the horn; returns the y below them."""
        y = box.y
        held = self.port.functions_held if self.port is not None and self.mode != "choose" else frozenset()
        for function in (BREATH, TONGUE):
            place = self._given.get(function, self._now(function)) if self.mode == "choose" else self._now(function)
            words = cap_of(place)
            cap = pygame.Rect(
                box.x, y, max(round(34 * u), type_.width(words, 15, "bold") + round(18 * u)), round(30 * u)
            )
            on = function in held or function == self.asked
            pygame.draw.rect(target, Ink.PRINT if on else Ink.FAINT, cap, 0 if on else 2, border_radius=5)
            type_.draw(target, words, cap.center, 15, "bold", Ink.PAPER if on else Ink.BLUE, "center")
            what = "breath: hold it to sound" if function == BREATH else "tongue: a new beginning under one breath"
            type_.draw(
                target, what, (cap.right + round(12 * u), cap.centery), 15, anchor="midleft",
                max_width_px=box.right - cap.right - round(12 * u),
            )  # fmt: skip
            y = cap.bottom + round(8 * u)
        return y

    def _draw_try(self, target: pygame.Surface, type_: Type, box: pygame.Rect, u: float) -> None:
        y = self._draw_blowing(target, type_, box, u) + round(10 * u)
        words = (
            "Blue is the computer's key, grey the horn's. Each finger rests where it rests for typing; what it reaches"
            " for on the horn lies beside its place. New breath begins a note anew; fingers that change under one"
            " breath slur."
        )
        y = type_.paragraph(target, words, pygame.Rect(box.x, y, box.width, box.bottom - y), 15) + round(12 * u)
        if self.port is None:
            words = "Another controller plays now. Tab takes these keys instead."
        else:
            words = "Try them here. During a take they are the horn, and Esc ends the take; in between they mean"
            words += " what ? lists."
        y = type_.paragraph(
            target, words, pygame.Rect(box.x, y, box.width, box.bottom - y), 15, "italic", Ink.PENCIL
        ) + round(14 * u)
        if self.port is not None:
            sounding = self.port.sounding
            would = note_name(self.chart.sound(self.port.held))
            if sounding is not None:
                type_.draw(target, note_name(sounding), (box.x, y), 30, "bold")
            else:
                type_.draw(target, f"{would} with breath", (box.x, y), 22, "regular", Ink.QUIET)
            y += type_.line_height(30) + round(10 * u)
        type_.paragraph(target, self.said, pygame.Rect(box.x, y, box.width, box.bottom - y), 15, "italic", Ink.PENCIL)

    def _draw_choose(self, target: pygame.Surface, type_: Type, box: pygame.Rect, u: float) -> None:
        y = self._draw_blowing(target, type_, box, u) + round(16 * u)
        asked = self.asked
        assert asked is not None
        y = type_.paragraph(
            target, f"Press the key for {_the(asked, self.chart)}.", pygame.Rect(box.x, y, box.width, round(90 * u)),
            22, "bold",
        ) + round(8 * u)  # fmt: skip
        words = f"{len(self._given) + 1} of {len(self._asked)}; now it is {cap_of(self._now(asked))}."
        y = type_.paragraph(
            target, words, pygame.Rect(box.x, y, box.width, box.bottom - y), 15, "regular", Ink.QUIET
        ) + round(12 * u)
        type_.paragraph(target, self.said, pygame.Rect(box.x, y, box.width, box.bottom - y), 15, "italic", Ink.PENCIL)

    def _draw_hold(self, target: pygame.Surface, type_: Type, box: pygame.Rect, u: float) -> None:
        held = self.port.functions_held if self.port is not None else frozenset()
        shape = self._shapes[self._at]
        words = f"Hold these together: {note_name(shape.written_midi)} with breath"
        y = type_.paragraph(target, words, pygame.Rect(box.x, box.y, box.width, round(90 * u)), 20, "bold")
        words = f"{self._at + 1} of {len(self._shapes)}. Filled is what has arrived."
        y = type_.paragraph(
            target, words, pygame.Rect(box.x, y, box.width, box.bottom - y), 15, "regular", Ink.QUIET
        ) + round(10 * u)
        x, height = box.x, round(34 * u)
        for function in sorted(self.wanted, key=lambda name: list(USUAL).index(name)):
            words = cap_of(self._now(function))
            cap = pygame.Rect(x, y, max(height, type_.width(words, 15, "bold") + round(16 * u)), height)
            if cap.right > box.right:
                x, y = box.x, y + height + round(8 * u)
                cap.topleft = x, y
            on = function in held
            pygame.draw.rect(target, Ink.PRINT if on else Ink.FAINT, cap, 0 if on else 2, border_radius=5)
            type_.draw(target, words, cap.center, 15, "bold", Ink.PAPER if on else Ink.BLUE, "center")
            x = cap.right + round(8 * u)
        y += height + round(16 * u)
        missing = self.missing.get(self._at)
        if missing:
            keys = ", ".join(sorted(cap_of(self._now(function)) for function in missing))
            said = f"Not arrived: {keys}. {_WHAT_HELPS}"
        else:
            said = "All arrived." if self.wanted <= held else ""
        also = held - self.wanted
        if also:
            keys = ", ".join(sorted(cap_of(self._now(function)) for function in also))
            said = f"Also reported, though not asked for: {keys}. {said}"
        type_.paragraph(target, said, pygame.Rect(box.x, y, box.width, box.bottom - y), 15, "italic", Ink.PENCIL)


def _the(function: str, chart: Chart) -> str:
    words = in_words(function, chart)
    return words if words.startswith("the ") else f"the {words}"
