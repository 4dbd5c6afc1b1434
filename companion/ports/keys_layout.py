"""Which key of the computer's keyboard is which key of the horn.

Keys are told by their place, not by what is printed on them: a place has the name of what a US keyboard prints there,
and the number that the USB standard gives it. So a layout is right on QWERTY, QWERTZ and AZERTY alike.

References
----------
USB-IF, HID Usage Tables 1.12 (2004), page 0x07, "Keyboard/Keypad": the numbers, which are also those of the windowing
library's scancodes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from companion.charts.model import Chart
from companion.practice.finger_words import key_in_words

__all__ = [
    "BREATH", "PLACES", "RESERVED", "TONGUE", "USUAL", "KeysLayout", "functions_of", "in_words", "place_named",
    "place_of_scancode",
]  # fmt: skip

#: What is no key of the horn: blowing, and the tongue's stroke.
BREATH, TONGUE = "breath", "tongue"

#: place -> number on the USB standard's page of keys
PLACES: Mapping[str, int] = MappingProxyType(
    {chr(ord("A") + i): 4 + i for i in range(26)}
    | {digit: 30 + i for i, digit in enumerate("1234567890")}
    | {
        "Return": 40, "Escape": 41, "Backspace": 42, "Tab": 43, "Space": 44, "Minus": 45, "Equals": 46,
        "LeftBracket": 47, "RightBracket": 48, "Backslash": 49, "NonUSHash": 50, "Semicolon": 51, "Apostrophe": 52,
        "Grave": 53, "Comma": 54, "Period": 55, "Slash": 56, "CapsLock": 57,
    }
    | {f"F{i}": 57 + i for i in range(1, 13)}
    | {
        "Insert": 73, "Home": 74, "PageUp": 75, "Delete": 76, "End": 77, "PageDown": 78, "Right": 79, "Left": 80,
        "Down": 81, "Up": 82, "KeypadDivide": 84, "KeypadMultiply": 85, "KeypadMinus": 86, "KeypadPlus": 87,
        "KeypadEnter": 88,
    }
    | {f"Keypad{digit}": 89 + i for i, digit in enumerate("1234567890")}
    | {
        "KeypadPeriod": 99, "NonUSBackslash": 100, "LeftCtrl": 224, "LeftShift": 225, "LeftAlt": 226, "LeftGui": 227,
        "RightCtrl": 228, "RightShift": 229, "RightAlt": 230, "RightGui": 231,
    }
)  # fmt: skip
_PLACE_OF = {number: place for place, number in PLACES.items()}
_BY_FOLDED = {place.casefold(): place for place in PLACES}
#: Never part of the horn: what ends a take, opens help, fills the screen; what the system takes for itself or changes
#: for good; what confirms and goes back where keys are chosen.
RESERVED = frozenset(
    {"Escape", "F1", "F11", "Return", "KeypadEnter", "Backspace", "CapsLock", "LeftGui", "RightGui", "Tab"}
)

#: The usual layout. Each finger rests where typists rest it: left ring, middle and index on S D F, the right ones on
#: J K L, the little fingers beside them; what a finger reaches for on the horn lies next to its place. The thumbs blow
#: (right) and work the octave key (left). The low keys of the left little finger, which sound with nearly all others
#: down, are modifiers: keyboards mostly wire these apart (from memory), so that they arrive whatever else is held.
USUAL: Mapping[str, str] = MappingProxyType(
    {
        BREATH: "Space", TONGUE: "N", "octave": "V", "low_a": "B",
        "l1": "F", "bis": "G", "front_f": "T", "l2": "D", "l3": "S",
        "palm_d": "R", "palm_e_flat": "E", "palm_f": "W",
        "g_sharp": "A", "low_c_sharp": "Z", "low_b": "LeftShift", "low_b_flat": "LeftCtrl",
        "r1": "J", "r2": "K", "r3": "L", "side_b_flat": "H", "side_c": "Y", "side_e": "U",
        "chromatic_f_sharp": "Period", "high_f_sharp": "O", "e_flat": "Semicolon", "low_c": "Slash",
    }
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class KeysLayout:
    """`places` tells for each function (a key's name on the horn, `breath` or `tongue`) its place on the keyboard; each
    place serves one function. A function without a place can't be played."""

    places: Mapping[str, str] = field(default_factory=lambda: USUAL)

    def function_at(self, place: str) -> str | None:
        """What a place is for; None where it is no part of the horn."""
        return next((function for function, at in self.places.items() if at == place), None)

    def function_of_scancode(self, scancode: int) -> str | None:
        """What the key with this number is for; None where it is no part of the horn."""
        place = _PLACE_OF.get(scancode)
        return None if place is None else self.function_at(place)

    def places_of(self, keys: frozenset[str]) -> tuple[str, ...]:
        """Where the fingers lie for these keys of the horn, by name; keys without a place are left out."""
        return tuple(self.places[key] for key in sorted(keys) if key in self.places)


def functions_of(chart: Chart) -> tuple[str, ...]:
    """What a layout has places for on this horn: breath, tongue, then its keys from the top."""
    return (BREATH, TONGUE, *(key.name for key in chart.keys))


def in_words(function: str, chart: Chart) -> str:
    """`the breath`, `the tongue`, `the left index finger's key`."""
    if function in (BREATH, TONGUE):
        return f"the {function}"
    key = next((key for key in chart.keys if key.name == function), None)
    return function if key is None else key_in_words(key)


def place_named(name: str) -> str | None:
    """The place as it is spelled in the table, capitals and blanks aside; None where there is none of that name."""
    return _BY_FOLDED.get(name.casefold().replace(" ", "").replace("_", ""))


def place_of_scancode(scancode: int) -> str | None:
    """The place with this number; None where no layout can use it."""
    return _PLACE_OF.get(scancode)
