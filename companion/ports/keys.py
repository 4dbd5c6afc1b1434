"""The computer's keys as a horn: `--port keys`.

The window tells which keys of the keyboard go down and up; out come ordinary MIDI messages at written pitch, and with
every change a message that names the keys of the horn that are held. What sounds is what the horn would sound with
those keys, while the breath is on.

Conventions
-----------
* A change of fingers under one breath is a slur: note-on, then the note-off of the note before at the same time. New
  breath is a new attack. The tongue's key interrupts the breath for `TONGUE_NS`.
* Keys of one change come one after the other, as fingers do. A state of the fingers speaks once it has stood for
  `SETTLE_NS`, counted from its first change, and its note is stamped with the last change within that time: so a note
  in between that lasts longer is heard, as on the horn.
* Repeats that the system makes of a held key are no presses.

References
----------
A. Almeida, R. Chow, J. Smith, J. Wolfe, JASA 126 (2009) 1521: a key of a flute closes in about 10 ms when pushed. A
USB keyboard that is asked 125 times a second reports two fingers that fall together up to 8 ms apart.
A. Hofmann and others, ICMPC-ESCOM 2012, 442: the tongue touches the reed for 34.5 ms (SD 5.8).
"""

from __future__ import annotations

import time
from collections.abc import Callable

from companion.charts.model import Chart
from companion.ports.keys_layout import BREATH, TONGUE, KeysLayout
from companion.practice.model import RawEvent
from companion.practice.pressed import key_message
from companion.units import NS_PER_MS

__all__ = ["KEYS_PORT", "SETTLE_NS", "TONGUE_NS", "KeysPort", "is_keys"]

KEYS_PORT = "keys"
#: A pad needs so long to close, so nothing shorter can speak.
SETTLE_NS = 10 * NS_PER_MS
#: A short stroke of the tongue, under Hofmann's mean: what it takes is added to the note's time, which the player can't
#: begin earlier.
TONGUE_NS = 20 * NS_PER_MS
#: A key has no strength.
_VELOCITY, _BREATH = 90, 100
_NOTE_OFF, _NOTE_ON, _CONTROL, _BREATH_CONTROLLER = 0x80, 0x90, 0xB0, 2


def is_keys(name: str) -> bool:
    """Whether a port's name means the computer's keys."""
    return name.strip().lower() == KEYS_PORT


class KeysPort:
    """An `InPort` that is told of presses; times are on the clock given, in ns.

    Parameters
    ----------
    chart
        The horn: which keys it has and what they sound.
    layout
        Which key of the keyboard is which.
    now_ns
        The clock that `drain` asks what has become due.
    """

    def __init__(
        self, chart: Chart, layout: KeysLayout | None = None, now_ns: Callable[[], int] = time.perf_counter_ns
    ) -> None:
        self.name = KEYS_PORT
        self.chart = chart
        self.layout = layout or KeysLayout()
        self._now_ns = now_ns
        self._known = frozenset(key.name for key in chart.keys)
        self._down: set[str] = set()
        self._kept: list[RawEvent] = []
        self._sounding: int | None = None
        #: When the fingers last moved, and when what they hold speaks; None where nothing waits to speak.
        self._changed_ns = 0
        self._speaks_ns: int | None = None
        self._closed = False

    # -- the fingers -------------------------------------------------------------------------------------------------

    @property
    def held(self) -> frozenset[str]:
        """The keys of the horn that are down."""
        return frozenset(self._down & self._known)

    @property
    def functions_held(self) -> frozenset[str]:
        """What is held of the whole layout: keys of the horn, `breath`, `tongue`."""
        return frozenset(self._down)

    @property
    def blowing(self) -> bool:
        """Whether the breath's key is down."""
        return BREATH in self._down

    @property
    def sounding(self) -> int | None:
        """The written MIDI number that sounds, None in silence."""
        return self._sounding

    def use(self, chart: Chart, layout: KeysLayout) -> None:
        """Another horn or layout; all fingers are taken off first."""
        self.release_all(self._now_ns())
        self.chart, self.layout = chart, layout
        self._known = frozenset(key.name for key in chart.keys)

    def press(self, place: str, time_ns: int) -> bool:
        """A key of the keyboard went down; says whether it is part of the horn."""
        function = self.layout.function_at(place)
        if function is None or (function not in self._known and function not in (BREATH, TONGUE)):
            return False
        if function not in self._down:  # else the system repeats it
            self._settle(time_ns)
            self._down.add(function)
            self._moved(function, time_ns, down=True)
        return True

    def release(self, place: str, time_ns: int) -> bool:
        """A key of the keyboard came up; says whether it had been down on the horn."""
        function = self.layout.function_at(place)
        if function is None or function not in self._down:
            return False
        self._settle(time_ns)
        self._down.discard(function)
        self._moved(function, time_ns, down=False)
        return True

    def release_all(self, time_ns: int) -> None:
        """Every finger and the breath off: the window has lost the keyboard."""
        self._settle(time_ns)
        for function in sorted(self._down, key=lambda name: name != BREATH):
            self._down.discard(function)
            self._moved(function, time_ns, down=False)

    def _moved(self, function: str, time_ns: int, down: bool) -> None:
        if function == TONGUE:
            if down and self.blowing:
                # What was about to speak waits for the tongue; fingers that move under it are heard when it leaves.
                self._silence(time_ns)
                self._changed_ns = self._speaks_ns = time_ns + TONGUE_NS
            return
        if function == BREATH:
            self._send(time_ns, bytes((_CONTROL, _BREATH_CONTROLLER, _BREATH if down else 0)))
        else:
            self._send(time_ns, key_message(self.held))
        if not self.blowing:
            self._silence(time_ns)
            self._speaks_ns = None
        elif self._speaks_ns is None:
            self._changed_ns, self._speaks_ns = time_ns, time_ns + SETTLE_NS
        else:
            self._changed_ns = max(self._changed_ns, time_ns)

    # -- the sound ---------------------------------------------------------------------------------------------------

    def _settle(self, now_ns: int) -> None:
        """Let speak what has stood long enough by now."""
        if self._speaks_ns is not None and now_ns >= self._speaks_ns:
            self._speaks_ns = None
            self._speak(self._changed_ns)

    def _speak(self, time_ns: int) -> None:
        note, before = self.chart.sound(self.held), self._sounding
        if note == before:
            return
        self._send(time_ns, bytes((_NOTE_ON, note, _VELOCITY)))
        if before is not None:
            self._send(time_ns, bytes((_NOTE_OFF, before, 0)))
        self._sounding = note

    def _silence(self, time_ns: int) -> None:
        if self._sounding is not None:
            self._send(time_ns, bytes((_NOTE_OFF, self._sounding, 0)))
            self._sounding = None

    def _send(self, time_ns: int, message: bytes) -> None:
        if not self._closed:
            self._kept.append(RawEvent(time_ns, message))

    # -- as every port -----------------------------------------------------------------------------------------------

    def drain(self) -> list[RawEvent]:
        """All messages since the last call."""
        self._settle(self._now_ns())
        drained, self._kept = self._kept, []
        return drained

    @property
    def alive(self) -> bool:
        """The keyboard doesn't vanish; False once closed."""
        return not self._closed

    def reopen(self) -> None:
        """Nothing to do: the keyboard is there."""

    def close(self) -> None:
        """Forget what is held; twice does no harm."""
        self._down.clear()
        self._kept.clear()
        self._closed = True
