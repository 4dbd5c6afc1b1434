"""What every key does, as data: the list of keys, the line at the foot and the handling are all made from this
table."""

from __future__ import annotations

from dataclasses import dataclass

import pygame

__all__ = ["BINDINGS", "REPEATED", "Binding", "action_for", "foot_line"]

READY, COUNT_IN, PLAYING, PAUSED, AFTER = "ready", "count-in", "playing", "paused", "after"
#: A take is gone through again; the bars are heard as they are written.
REPLAY, EXAMPLE = "replay", "example"
_BETWEEN = (READY, AFTER)
_TAKE = (COUNT_IN, PLAYING)
_ALWAYS = (READY, COUNT_IN, PLAYING, PAUSED, AFTER, REPLAY, EXAMPLE)
_REPLAY, _HEARING = (REPLAY,), (REPLAY, EXAMPLE)


@dataclass(frozen=True, slots=True)
class Binding:
    """`keys` are pygame key names or the characters typed; `label` is how the key is printed; `states` where it works;
    `foot` how early it comes in the line at the foot (0: not there) and `short` its words there."""

    keys: tuple[str, ...]
    label: str
    action: str
    what: str
    states: tuple[str, ...] = _ALWAYS
    foot: int = 0
    short: str = ""


BINDINGS = (
    Binding(("space",), "space", "start", "start a take", _BETWEEN, 1, "start"),
    Binding(("space",), "space", "stop", "stop the take", _TAKE, 1, "stop"),
    Binding(("space",), "space", "go_on", "go on after a pause", (PAUSED,), 1, "go on"),
    Binding(("r",), "R", "again", "play the bars that went wrong, by themselves", (AFTER,), 2, "bars that went wrong"),
    Binding(("e",), "E", "comment", "all that the last take tells", (AFTER, REPLAY), 3, "comment"),
    Binding(("n",), "N", "next_told", "the next slip, and its fingers on the horn", (AFTER,)),
    Binding(("g",), "G", "replay", "go through a take again, note by note", _BETWEEN, 4, "replay"),
    Binding(("v",), "V", "example", "hear the bars chosen, as they are written", _BETWEEN, 4, "hear"),
    Binding(("v",), "V", "leave", "and stop hearing them", (EXAMPLE,), 2, "enough"),
    Binding(("s",), "S", "strip", "early and late under the staff, or no longer", (AFTER, REPLAY)),
    Binding(("o",), "O", "trouble", "your own trouble spots in this passage", _BETWEEN),
    Binding(("k",), "K", "offered", "take the bars of the spot the ladder offers", _BETWEEN),
    Binding(("x",), "X", "exercises", "exercises out of this passage, and back", _BETWEEN, 6, "exercises"),
    Binding(("w",), "W", "whole", "back to the whole passage", _BETWEEN, 7, "whole passage"),
    Binding(("b",), "B", "bars", "choose bars (or draw across them)", _BETWEEN, 5, "bars"),
    Binding(("t",), "T", "tempo", "choose the tempo, and how to climb", _BETWEEN, 8, "tempo"),
    Binding(("+", "="), "+", "faster", "one rung up", _BETWEEN),
    Binding(("-",), "−", "slower", "one rung down", _BETWEEN),
    Binding(
        ("f",), "F", "fingerings", "the fingerings of this passage, with reasons", (*_BETWEEN, PAUSED), 9, "fingerings"
    ),
    Binding(("return", "enter", "keypad enter"), "Enter", "note", "all fingerings of the note looked at", _BETWEEN),
    Binding(("1", "2", "3"), "1–3", "pick", "take that runner-up for the note looked at", _BETWEEN),
    Binding(("0", "delete", "backspace"), "0", "unmark", "take the mark off the note looked at", _BETWEEN),
    Binding(("h",), "H", "spots", "tint the hardest spots, or no longer", _BETWEEN, 10, "hard spots"),
    Binding(("l",), "L", "limits", "list the hardest spots, and what would help", _BETWEEN),
    Binding(("left",), "←", "look_back", "look at the note before", _BETWEEN),
    Binding(("right",), "→", "look_on", "look at the next note", _BETWEEN),
    Binding(("page up", "up"), "↑", "page_back", "turn the page back", (*_BETWEEN, PAUSED, *_HEARING)),
    Binding(("page down", "down"), "↓", "page_on", "turn the page on", (*_BETWEEN, PAUSED, *_HEARING)),
    Binding(("i",), "I", "instrument", "choose the instrument", _BETWEEN),
    Binding(("p",), "P", "port", "choose the controller", (*_BETWEEN, PAUSED), 11, "controller"),
    Binding(("c",), "C", "check", "one-note check: what pitch the controller sends", _BETWEEN),
    Binding(("a",), "A", "shapes", "all shapes of every note, and practising them", _BETWEEN, 13, "shapes"),
    Binding(("j",), "J", "horn_keys", "the computer's keys as a horn: which is which", _BETWEEN),
    Binding(("d",), "D", "delay", "take a steady lateness as the delay of the set-up", (AFTER,)),
    Binding(("m",), "M", "mute", "click on or off", _ALWAYS, 12, "click on/off"),
    Binding(("]",), "]", "louder", "click louder"),
    Binding(("[",), "[", "softer", "click softer"),
    Binding(("u",), "U", "mute_tone", "tone on or off (replays, the computer's keys)"),
    Binding((".",), ".", "tone_louder", "tone louder"),
    Binding((",",), ",", "tone_softer", "tone softer"),
    Binding(("?", "f1"), "?", "keys", "all keys", _ALWAYS, 6, "all keys"),
    Binding(("f11",), "F11", "full_screen", "full screen on or off"),
    Binding(("escape",), "Esc", "leave", "stop, leave an exercise, or put the stand away"),
    Binding(("space",), "space", "replay_toggle", "in a replay: play, or stand still", _HEARING, 1, "play, pause"),
    Binding(("left",), "←", "replay_back", "in a replay: a note back", _HEARING, 2, "note back"),
    Binding(("right",), "→", "replay_on", "in a replay: a note on (or click a note)", _HEARING, 2, "note on"),
    Binding(
        ("+", "="), "+", "replay_faster", "in a replay: faster, up to twice the take's tempo", _HEARING, 3, "faster"
    ),
    Binding(("-",), "−", "replay_slower", "in a replay: slower, down to a quarter", _HEARING, 3, "slower"),
    Binding(
        ("v",), "V", "replay_sound", "in a replay: hear it as played, as written, both", _REPLAY, 4, "what is heard"
    ),
    Binding(("t",), "T", "replay_take", "in a replay: another take of this sitting", _REPLAY, 5, "which take"),
)

#: Actions that go on while the key is held.
REPEATED = frozenset(
    {
        "faster",
        "slower",
        "look_back",
        "look_on",
        "page_back",
        "page_on",
        "louder",
        "softer",
        "tone_louder",
        "tone_softer",
        "next_told",
        "replay_back",
        "replay_on",
        "replay_faster",
        "replay_slower",
    }
)


def action_for(event: pygame.event.Event, state: str) -> str | None:
    """The action a key press means in this state; None where it means nothing."""
    typed, name = event.unicode, pygame.key.name(event.key)
    for binding in BINDINGS:
        if state in binding.states and (name in binding.keys or (typed and typed.lower() in binding.keys)):
            return binding.action
    return None


#: While the computer's keys play, most keys belong to the horn.
_HORN_ENDS = Binding(("escape",), "Esc", "leave", "stop", _TAKE, 1, "stop: the other keys are the horn")


#: An exercise is on the stand in place of the piece.
_BACK = Binding(("escape",), "Esc", "leave", "back to the piece", _BETWEEN, 2, "back to the piece")


def foot_line(state: str, horn_keys: frozenset[str] = frozenset(), exercise: bool = False) -> tuple[Binding, ...]:
    """The bindings shown at the foot of the window in this state, most wanted first. `horn_keys` are the names of those
    that belong to the computer's keys as a horn, which has them during a take; `exercise` says that Esc leads from an
    exercise to the piece."""
    shown = [b for b in (*BINDINGS, *((_BACK,) if exercise else ())) if b.foot and state in b.states]
    if horn_keys and state in _TAKE:
        shown = [_HORN_ENDS, *(b for b in shown if not horn_keys.issuperset(b.keys))]
    return tuple(sorted(shown, key=lambda b: b.foot))
