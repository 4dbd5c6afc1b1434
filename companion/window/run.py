"""What happens at the stand, without a pixel: takes are begun, heard, ended and kept.

`Run.update` is called once a frame. It drains the port, tells the rehearsal the time, writes finished takes to the
record and leaves sentences to show in `notice`. What a key can do is a method here, or of the part it concerns:
`repertoire` (the music), `controller`, `check` (of one note), `sound`, `own_limits`."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

from companion.charts import load
from companion.charts.model import Chart
from companion.errors import PortError, RecordError
from companion.passage import Passage
from companion.planning.limits import Limits
from companion.ports import PortName, SimulatedPort
from companion.practice.clock import Click
from companion.practice.finished import STOPPED
from companion.practice.hurdle import Hurdle
from companion.practice.model import RawEvent
from companion.practice.rehearsal import FinishedTake, Rehearsal, Section
from companion.practice.stretch import Stretch
from companion.record import Sitting, TakeRecord, finished_take_record
from companion.record.progress import BREAK_S
from companion.units import NS_PER_S, ns_from_s
from companion.window.controller import NO_NEWS, Controller
from companion.window.fingerings import fix
from companion.window.music import Music
from companion.window.note_check import NoteCheck
from companion.window.own_limits import OwnLimits
from companion.window.repertoire import Repertoire
from companion.window.setup import Setup
from companion.window.sound import Sound
from companion.window.stepped_clock import SteppedClock
from companion.window.takes import result_of, said_after

if TYPE_CHECKING:
    from companion.record.trouble import TroubleSpot

__all__ = ["Run"]

NOTICE_NS = 8 * NS_PER_S
#: Devices that come and go are looked for once the first frames are drawn.
WATCH_AFTER_NS = NS_PER_S
#: Time between the key and the first click: enough to render the click, short enough to feel at once.
LEAD_S = 0.35


class Run:
    """One sitting at the stand."""

    def __init__(self, setup: Setup, clock: Callable[[], int] = time.perf_counter_ns) -> None:
        self.setup = setup
        self.clock = clock
        self.repertoire = Repertoire(setup, self._hurdles_at, self._turned)
        self.began_ns = clock()
        self.sitting = Sitting.begin(setup.sessions, datetime.now().astimezone())
        self.results: list[dict[str, object]] = []
        self.unsaved = ""
        self.check = NoteCheck()
        self._notice, self._notice_until_ns = "", 0
        self._stretch = Stretch(BREAK_S)
        self._next_take_ns = 0
        self._told_silent = False
        self.offered: PortName | None = None
        self.controller = Controller(lambda: self.clock(), lambda: self.chart, setup.settings)
        self.own_limits = OwnLimits(setup.sessions, lambda: self.chart)
        self.sound = Sound(
            setup.settings, lambda: self.chart.transposition,
            silent=setup.hidden or isinstance(clock, SteppedClock), click_muted=setup.muted,
        )  # fmt: skip
        self.count_in: list[tuple[int, Click]] = []
        remarks = (*setup.remarks, *self.controller.memory.remarks)
        if remarks:
            self.say("; ".join(remarks))
        if setup.port:
            self.use_port(setup.port)
        if setup.by_itself:
            self._next_take_ns = self.began_ns + ns_from_s(min(1.5, setup.review_s))

    @property
    def music(self) -> Music:
        """What stands on the stand."""
        return self.repertoire.music

    @property
    def rehearsal(self) -> Rehearsal:
        """That of the music on the stand."""
        return self.repertoire.music.rehearsal

    @property
    def chart(self) -> Chart:
        """The horn that it is planned for."""
        return self.repertoire.chart

    def _turned(self) -> None:
        """Nothing of the music before begins by itself, or is still said."""
        self._next_take_ns, self._notice = 0, ""

    # -- what is said ------------------------------------------------------------------------------------------------

    def say(self, sentence: str) -> None:
        """Show a sentence for a while."""
        self._notice, self._notice_until_ns = sentence, self.clock() + NOTICE_NS

    @property
    def notice(self) -> str:
        """The sentence to show, empty once it has been there long enough."""
        return self._notice if self.clock() < self._notice_until_ns else ""

    # -- the controller ----------------------------------------------------------------------------------------------

    def use_port(self, name: str) -> None:
        """Take another controller; during a pause the take can go on with it. Raises `PortError`."""
        self.controller.take(name)
        self.sound.horn.stop()
        self.offered = None
        known, setup = self.controller.settings, self.setup
        self.rehearsal.shift_semitones = (
            known.shift_semitones if setup.shift_semitones is None else setup.shift_semitones
        )
        self.rehearsal.delay_ms = known.delay_ms if setup.delay_ms is None else setup.delay_ms
        self._remember()

    def _remember(self) -> None:
        """Keep the port with its shift and delay for the next run; a full disk is said, not fatal."""
        try:
            self.controller.remember(self.rehearsal.shift_semitones, self.rehearsal.delay_ms)
        except PortError as error:
            self.say(str(error))

    def _look_at_ports(self, now_ns: int) -> None:
        news = self.controller.look()
        if news is NO_NEWS:
            return
        name = self.controller.name
        if self.controller.missing and self.rehearsal.state in ("count-in", "playing"):
            self.rehearsal.pause(f"{name} vanished", now_ns)
            self.sound.click.stop()
        for other in news.others:
            self.offered = other
            self.say(f"{other.name} is here: press P to play on it")
        if news.back:
            self._reopen()

    def _reopen(self) -> None:
        try:
            self.controller.reopen()
        except PortError as error:
            self.say(str(error))
            return
        again = "press the space bar to go on" if self.rehearsal.state == "paused" else "it can be played again"
        self.say(f"{self.controller.name} is back: {again}")

    # -- the one-note check -------------------------------------------------------------------------------------------

    def begin_check(self) -> None:
        """Ask for one known note."""
        trouble = "" if self.controller.port is not None else "no controller is chosen: press Esc, then P"
        self.check.begin(self.rehearsal, trouble)

    def end_check(self, keep: bool) -> None:
        """Keep what was found, or leave it as it was."""
        self.check.end(self.rehearsal, keep)
        self._remember()

    # -- a take ------------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Count in and begin a take."""
        if self.controller.port is None:
            self.say("no controller is chosen: press P for the list, or plug one in")
            return
        if self.controller.missing:
            self.say(f"{self.controller.name} is not there: plug it in, or choose another with P")
            return
        self._next_take_ns = 0
        self.rehearsal.lay_out()
        clock = self.rehearsal.clock()
        count_in_s = -clock.start_s
        zero_ns = self._start_click(clock.clicks, count_in_s)
        self.rehearsal.begin(zero_ns, self.clock())
        self._let_simulated_play(self.rehearsal.section.passage, self.rehearsal.tempo_bpm, zero_ns)

    def _start_click(self, clicks: tuple[Click, ...], count_in_s: float) -> int:
        """Start the click; returns when the section's beat 0 sounds."""
        lead_s = LEAD_S + count_in_s
        start_ns = self.sound.start_click(clicks, lead_s)
        zero_ns = (self.clock() if start_ns is None else start_ns) + ns_from_s(lead_s)
        if self.sound.click.remark and not self._told_silent:
            self.say(self.sound.click.remark)
            self._told_silent = True
        self.count_in = [(zero_ns + ns_from_s(click.time_s), click) for click in clicks if click.count_in]
        return zero_ns

    def _let_simulated_play(self, passage: Passage, tempo_bpm: float, zero_ns: int) -> None:
        """Let it play the section, or the end of it, whose first bar begins at `zero_ns`."""
        player = self.controller.port
        if isinstance(player, SimulatedPort):
            section, count = self.rehearsal.section, len(passage.notes)
            first = section.first_note + len(section.passage.notes) - count
            player.play(passage, tempo_bpm, zero_ns, self.rehearsal.plan.part(first, count), self.chart)

    def stop(self) -> None:
        """End the take under way; what was played is kept in the record."""
        # What came since the last frame was played too.
        self.rehearsal.hear(self.controller.drain(), self.clock())
        self.sound.click.stop()
        if isinstance(self.controller.port, SimulatedPort):
            self.controller.port.stop()
        self._next_take_ns = 0
        self._finished(self.rehearsal.finish(self.clock(), STOPPED))

    def go_on(self) -> None:
        """Go on with a paused take from the start of the bar it stopped in."""
        if self.controller.port is None or self.controller.missing:
            self.say(
                f"{self.controller.name or 'the controller'} is not back yet: plug it in, or choose another with P"
            )
            return
        clicks, at_s = self.rehearsal.clicks_to_go_on()
        count_in_s = at_s - clicks[0].time_s if clicks else 0.0
        moved = tuple(replace(click, time_s=click.time_s - at_s) for click in clicks)
        rest, tempo_bpm = self.rehearsal.rest_to_play()
        zero_ns = self._start_click(moved, count_in_s)
        self.rehearsal.go_on(zero_ns)
        self._let_simulated_play(rest, tempo_bpm, zero_ns)

    def update(self) -> list[RawEvent]:
        """One frame: hear, tell the time, keep what is finished. Returns the events heard, for measuring."""
        now_ns, rehearsal, controller = self.clock(), self.rehearsal, self.controller
        self.sound.turn()
        settled = now_ns - self.began_ns > WATCH_AFTER_NS
        if settled and controller.watch is None and not self.setup.hidden:
            controller.watch_ports()
            # Now rather than with the first take, which would stand still for it.
            self.sound.click.open()
        if settled and not rehearsal.busy:
            self.music.trouble.ask(self.chart, rehearsal.plan, len(self.results))
        events = controller.drain()
        self._sound_horn(events, now_ns)
        self.check.hear(events, rehearsal, self.chart)
        # What came before a device vanished is heard before the take is halted.
        rehearsal.hear(events, now_ns)
        self._look_at_ports(now_ns)
        self._finished(rehearsal.tick(now_ns))
        if self._next_take_ns and now_ns >= self._next_take_ns and not rehearsal.busy and not self.done:
            self.start()
        return events

    def _sound_horn(self, events: list[RawEvent], now_ns: int) -> None:
        """Let the horn of the computer's keys be heard."""
        if self.controller.keys is None or self.sound.silent:
            return
        self.sound.hear(events)
        if not self.rehearsal.busy and now_ns - self.began_ns > WATCH_AFTER_NS:
            self.sound.horn.prepare_one(self.chart)

    @property
    def done(self) -> bool:
        """Whether as many takes were played as were asked for."""
        return self.setup.takes is not None and len(self.results) >= self.setup.takes

    def _finished(self, take: FinishedTake | None) -> None:
        if take is None:
            return
        self.sound.click.stop()
        self.results.append(result_of(take, self.rehearsal.plan))
        self._stretch = self._stretch.after(take.start_ns, take.end_ns)
        if self._stretch.words and not self.controller.simulated:
            self.say(self._stretch.words)
        try:
            self.sitting.append(self._record_of(take))
        except RecordError as error:
            self.say(str(error))
        if self.setup.by_itself and not take.stopped:
            self._next_take_ns = self.clock() + ns_from_s(self.setup.review_s)
        if words := said_after(take, self.controller.simulated):
            self.say(words)

    def _hurdles_at(self, section: Section, tempo_bpm: float) -> list[Hurdle]:
        """What of these bars can't go at a tempo, by the player's pace and by what keeps failing. The simulated player
        has other fingers."""
        if self.controller.simulated:
            return []
        return self.own_limits.hurdles(self.rehearsal, self.music.trouble.spots, section, tempo_bpm)

    def _record_of(self, take: FinishedTake) -> TakeRecord:
        rehearsal = self.rehearsal
        return finished_take_record(
            take,
            rehearsal.plan,
            self.chart,
            run_ns=self.began_ns,
            port=self.controller.name,
            shift_semitones=rehearsal.shift_semitones,
            delay_ms=rehearsal.delay_ms,
            tolerances=rehearsal.tolerances,
        )

    # -- choices -----------------------------------------------------------------------------------------------------

    def take_delay(self) -> None:
        """Take the steady offset of the last take as the delay of the set-up."""
        take = self.rehearsal.last_take
        delay_ms = take.suspected_delay_ms if take else None
        if delay_ms is None:
            self.say("the last take shows no steady delay")
            return
        self.rehearsal.delay_ms += delay_ms
        self._remember()
        self.say(f"the delay of the set-up is taken as {self.rehearsal.delay_ms:.0f} ms from now on")

    def again(self) -> None:
        """Only the bars that went wrong in the last take, at once."""
        section = self.rehearsal.trouble_section()
        if section is None:
            self.say("no bar went wrong in the last take")
            return
        self.rehearsal.choose_bars(*section)
        self.start()

    def take_offered(self) -> None:
        """Only the bars of the spot that the ladder waits for."""
        offered = self.rehearsal.spot_section()
        if offered is None:
            self.say("the ladder offers no spot now")
            return
        self.rehearsal.choose_bars(*offered)

    def whole(self) -> None:
        """Back to the whole passage."""
        self.rehearsal.choose_bars(0, len(self.rehearsal.passage.bars) - 1)

    def step_tempo(self, rungs: int) -> None:
        """Rungs up or down."""
        ladder = self.rehearsal.ladder
        rung = max(0, min(len(ladder.rungs) - 1, ladder.rung + rungs))
        self.rehearsal.choose_tempo(ladder.rungs[rung])

    def use_instrument(self, name: str) -> None:
        """Plan the piece, and an exercise on the stand, for another horn. Raises `NoFingering` where one of them can't
        be played on it, `UsageError` during a take (nothing changes then)."""
        self.repertoire.use_chart(load(name))
        if (keys := self.controller.keys) is not None:
            keys.use(self.chart, keys.layout)
            self.sound.horn.stop()
        self.own_limits.forget()

    def take_trouble(self, spot: TroubleSpot) -> None:
        """Only the bars of a trouble spot."""
        notes = self.rehearsal.passage.notes
        bars = sorted(notes[index].bar for index in (spot.from_index, spot.note_index) if index >= 0)
        self.rehearsal.choose_bars(bars[0], bars[-1])

    def pick(self, note_index: int, name: str | None) -> None:
        """Fix a fingering of a note, every time it is played, plan the rest around it and keep the mark; None takes it
        away. Raises `UsageError` during a take."""
        passage, chart = self.rehearsal.passage, self.chart
        said = fix(self.music, note_index, name, lambda marks: self.repertoire.planned(passage, chart, marks))
        if said:
            self.say("; ".join(said))

    def limits(self) -> Limits:
        """The speed limits of the bars on the stand, by the notes' indices in the whole passage."""
        return self.own_limits.of(self.rehearsal)

    def close(self) -> None:
        """Give everything back; a take under way is kept as stopped."""
        if self.rehearsal.busy:
            self.stop()
        self.unsaved = self.sitting.last_try()
        self.repertoire.close()
        self.sound.close()
        self.controller.close()
