"""One player, one passage, take after take: what state the stand is in and what follows from each event.

Pure: the caller hands in the time, starts the click, opens the ports and writes the record. A take begins with a
count-in, may be paused (the controller vanished) and go on from the start of the bar it stopped in, and ends by itself
after the last note. Time within a take is the take's own: a pause is taken out of it, so that what is played after it
is read against the same clock."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Literal

from companion.charts.model import Chart
from companion.errors import UsageError
from companion.passage import Note, Passage
from companion.planning.model import Choice, Plan
from companion.practice.climbs import bar_groups
from companion.practice.clock import Click, TakeClock, take_clock, tempo_at_bpm
from companion.practice.finished import FinishedTake, Pause, Section
from companion.practice.follower import Follower
from companion.practice.hearing import breath_of, is_note_on, to_played
from companion.practice.hurdle import Hurdle, worst_hurdle
from companion.practice.ladder import Ladder, Step
from companion.practice.metronome import counted_note
from companion.practice.model import (
    EARLY,
    ON_TIME,
    Assessment,
    LiveVerdict,
    PlayedArray,
    RawEvent,
    Tolerances,
)
from companion.practice.pressed import pressed_of
from companion.units import NS_PER_MS, ns_from_s, s_from_ms, s_from_ns

__all__ = ["FinishedTake", "HurdlesAt", "Pause", "Rehearsal", "Section", "State"]

State = Literal["ready", "count-in", "playing", "paused", "after"]

#: The first note of a bar belongs to it though it comes so much before the bar's beginning.
EARLY_FIRST_NOTE_NS = 60 * NS_PER_MS
UNHEARD = "Nothing was heard, so the take does not count."

#: Asked with the bars on the stand and the next rung's tempo, in quarters a minute of the section's first tempo: the
#: changes that stand in its way.
HurdlesAt = Callable[[Section, float], Iterable[Hurdle]]


class Rehearsal:
    """The mutable heart of the stand. See the module's text; every method is told the time it is called at.

    `chart` lets slips be told by finger; `hurdles_at` says what stands in the way of a tempo (see `HurdlesAt`).
    """

    def __init__(
        self,
        passage: Passage,
        plan: Plan,
        ladder: Ladder,
        *,
        tolerances: Tolerances | None = None,
        shift_semitones: int = 0,
        delay_ms: float = 0.0,
        chart: Chart | None = None,
        hurdles_at: HurdlesAt | None = None,
    ) -> None:
        if not passage.notes:
            raise UsageError(f"{passage.title}: there is no note to play in this passage")
        self.passage = passage
        self.plan = plan
        self.ladder = ladder
        self.tolerances = tolerances or Tolerances()
        self.shift_semitones = shift_semitones
        self.delay_ms = delay_ms
        self.chart = chart
        self.hurdles_at = hurdles_at
        self.state: State = "ready"
        self.takes: list[FinishedTake] = []
        #: Of a growing ladder, which group of the bars chosen was reached.
        self._groups: dict[tuple[int, int], int] = {}
        self._choose(self._section(0, len(passage.bars) - 1))
        self.paused_because = ""
        self._reset_take()

    # -- what is on the stand ---------------------------------------------------------------------------------------

    def _section(self, first_bar: int, last_bar: int) -> Section:
        whole = first_bar == 0 and last_bar == len(self.passage.bars) - 1
        excerpt = self.passage if whole else self.passage.excerpt(first_bar, last_bar)
        if not excerpt.notes:
            raise UsageError("there is no note to play in these bars: choose others")
        first_note = next(n.index for n in self.passage.notes if first_bar <= n.bar <= last_bar)
        bars = sorted(self.passage.bars[first_bar : last_bar + 1], key=lambda bar: bar.written_index)
        # As printed: where a repeat lies within, the last bar played need not be the last on the page.
        low, high = bars[0].number, bars[-1].number
        label = "" if whole else low if low == high else f"{low}–{high}"
        return Section(first_bar, last_bar, excerpt, first_note, label)

    def choose_bars(self, first_bar: int, last_bar: int) -> None:
        """Play only these bars (indices into the passage's bars, both included). Raises `UsageError` during a take."""
        self._only_between_takes("choose other bars")
        first_bar, last_bar = sorted((first_bar, last_bar))
        # Bars that went wrong, or that the ladder waits for, are taken alone: they don't grow.
        whole = (first_bar, last_bar) == (0, len(self.passage.bars) - 1)
        alone = not whole and (first_bar, last_bar) in (self.trouble_section(), self.spot_section())
        self._choose(self._section(first_bar, last_bar), alone)
        self.state = "ready"
        self._reset_take()

    def _choose(self, section: Section, alone: bool = False) -> None:
        self.chosen = self.section = section
        groups = () if alone else bar_groups(section.passage)
        self.ladder = replace(self.ladder, counted=counted_note(section.passage.bars[0]))
        self.ladder = self.ladder.in_groups(groups, self._groups.get((section.first_bar, section.last_bar), 0))
        self.lay_out()

    def lay_out(self) -> None:
        """Put the bars of the next take on the stand: of a growing ladder the group that has been reached. Until then
        those of the last take stay, to be read."""
        if not self.busy and self.ladder.group_bars:
            self.section = self._group(self.ladder.group)

    def _group(self, group: int) -> Section:
        first_bar = self.chosen.first_bar
        return self._section(first_bar, first_bar + self.ladder.group_bars[group] - 1)

    def choose_tempo(self, tempo_bpm: float) -> None:
        """Stand on the rung at this tempo; clean takes are counted anew."""
        self._only_between_takes("change the tempo")
        self.ladder = self.ladder.at(tempo_bpm)
        self.state = "ready" if self.state == "after" else self.state
        self.lay_out()

    def use_ladder(self, ladder: Ladder) -> None:
        """Another ladder for the bars chosen. Raises `UsageError` during a take."""
        self._only_between_takes("take another ladder")
        self.ladder = ladder
        self._choose(self.chosen)
        self.state = "ready"
        self._reset_take()

    def replan(self, plan: Plan, chart: Chart | None = None) -> None:
        """Another instrument (its chart then) or other marks: the same notes with another plan."""
        self._only_between_takes("change fingerings or the instrument")
        self.plan = plan
        self.chart = chart or self.chart

    def _only_between_takes(self, wish: str) -> None:
        if self.busy:
            raise UsageError(f"stop the take first, then {wish}")

    @property
    def busy(self) -> bool:
        """Whether a take is under way (counted in, played or paused)."""
        return self.state in ("count-in", "playing", "paused")

    @property
    def tempo_bpm(self) -> float:
        """The tempo of the rung, in quarters a minute."""
        return self.ladder.tempo_bpm

    def choice(self, note: Note) -> Choice:
        """The plan's choice for a note of the section."""
        return self.plan.choices[self.section.first_note + note.index]

    @property
    def caret(self) -> int:
        """Index in the section of the next note to play; the number of its notes once all are played."""
        return self._follower.caret if self._follower else 0

    @property
    def live(self) -> dict[int, LiveVerdict]:
        """The newest verdict on each note of the take under way, by index in the section."""
        return self._live

    @property
    def last_take(self) -> FinishedTake | None:
        """The take just played."""
        return self.takes[-1] if self.takes else None

    # -- a take -----------------------------------------------------------------------------------------------------

    def _reset_take(self) -> None:
        self._follower: Follower | None = None
        self._clock: TakeClock | None = None
        self._events: list[RawEvent] = []
        self._live: dict[int, LiveVerdict] = {}
        self._pauses: list[Pause] = []
        self._while_paused: list[int] = []
        self._start_ns = 0
        self._shift_ns = 0
        self._goes_on_ns = 0
        self._paused_at_ns = 0
        self.version = 0

    def clock(self) -> TakeClock:
        """The click and the onsets of a take at the present tempo."""
        if self._clock is None or not self.busy:
            self._clock = take_clock(self.section.passage, self.tempo_bpm)
        return self._clock

    def clicks_to_go_on(self) -> tuple[tuple[Click, ...], float]:
        """The clicks for going on after a pause (count-in first) and the section's time in seconds that they lead
        to."""
        clock = self.clock()
        at_s = self._bar_start_s(self._bar_to_go_on())
        count_in = tuple(
            replace(c, time_s=c.time_s + at_s - self._first_count_end_s()) for c in clock.clicks if c.count_in
        )
        return count_in + tuple(c for c in clock.clicks if not c.count_in and c.time_s >= at_s - 1e-9), at_s

    def _first_count_end_s(self) -> float:
        clicks = self.clock().clicks
        return next((c.time_s for c in clicks if not c.count_in), 0.0)

    def begin(self, start_ns: int, now_ns: int) -> None:
        """Begin a take whose beat 0 sounds at `start_ns`."""
        if self.busy:
            raise UsageError("a take is under way: stop it first")
        self.lay_out()
        self._reset_take()
        self.clock()
        self._start_ns = start_ns
        self._goes_on_ns = start_ns
        self._follower = self._new_follower()
        self.state = "count-in"
        self.tick(now_ns)

    def _new_follower(self) -> Follower:
        return Follower(self.section.passage, self.tempo_bpm, self._start_ns, self.tolerances, self.shift_semitones)

    def _own_time_ns(self, time_ns: int) -> int:
        return time_ns - self._shift_ns - self._delay_ns

    @property
    def _delay_ns(self) -> int:
        return ns_from_s(s_from_ms(self.delay_ms))

    def hear(self, events: list[RawEvent], now_ns: int) -> None:
        """Take in what was played. Between takes it is not part of a take; while paused it is kept and not judged."""
        if self.state == "paused":
            self._while_paused += range(len(self._events), len(self._events) + len(events))
            self._events += events
            return
        if self.state not in ("count-in", "playing") or self._follower is None:
            return
        for event in events:
            self._events.append(event)
            own = RawEvent(self._own_time_ns(event.time_ns), event.message)
            for verdict in self._follower.hear(own):
                self._note_verdict(verdict)
        if events and self.state == "count-in" and self.caret > 0:
            self.state = "playing"

    def _note_verdict(self, verdict: LiveVerdict) -> None:
        self.version += 1
        if verdict.note_index >= 0:
            self._live[verdict.note_index] = verdict

    def tick(self, now_ns: int) -> FinishedTake | None:
        """Time passes: the count-in ends, a note turns out to be left out, the take ends. Returns the take that
        ended."""
        if self.state == "count-in" and now_ns >= self._goes_on_ns:
            self.state = "playing"
        if self.state != "playing" or self._follower is None:
            return None
        for verdict in self._follower.tick(self._own_time_ns(now_ns)):
            self._note_verdict(verdict)
        return self.finish(now_ns) if self._follower.finished(self._own_time_ns(now_ns)) else None

    def time_s(self, now_ns: int) -> float:
        """Where the click is, in seconds from beat 0 of the section (negative in the count-in)."""
        if self.state == "paused":
            now_ns = self._paused_at_ns
        return s_from_ns(now_ns - self._shift_ns - self._start_ns)

    def pause(self, because: str, now_ns: int) -> None:
        """Halt the take, keeping all that was played."""
        if self.state in ("count-in", "playing"):
            self._paused_at_ns = now_ns
            self.paused_because = because
            self.state = "paused"

    def _bar_to_go_on(self) -> int:
        notes = self.section.passage.notes
        return notes[min(self.caret, len(notes) - 1)].bar if notes else 0

    def _bar_start_s(self, bar: int) -> float:
        passage = self.section.passage
        return passage.seconds(passage.bars[bar].start, self.tempo_bpm)

    def rest_to_play(self) -> tuple[Passage, float]:
        """What a paused take has still to come, from the bar it goes on with, and the tempo there."""
        passage, bar = self.section.passage, self._bar_to_go_on()
        tempo_bpm = tempo_at_bpm(passage, passage.bars[bar].start, self.tempo_bpm)
        return passage.excerpt(bar, len(passage.bars) - 1), tempo_bpm

    @property
    def bar_to_go_on(self) -> str:
        """Printed number of the bar a paused take goes on from."""
        return self.section.passage.bars[self._bar_to_go_on()].number

    def go_on(self, at_ns: int) -> None:
        """Go on after a pause: the bar's first beat sounds at `at_ns`. The bar's notes from before the pause stay in
        the record, but the bar is played and judged anew."""
        if self.state != "paused":
            raise UsageError("no take is paused")
        bar = self._bar_to_go_on()
        bar_ns = self._start_ns + ns_from_s(self._bar_start_s(bar))
        self._pauses.append(Pause(self._paused_at_ns, bar, at_ns - bar_ns))
        self._shift_ns = at_ns - bar_ns
        self._goes_on_ns = at_ns
        self._follower = self._new_follower()
        self._live = {}
        for event in self._judged_events():
            for verdict in self._follower.hear(event):
                self._note_verdict(verdict)
        self.state = "count-in"

    def _judged_events(self) -> list[RawEvent]:
        """The events that count, in the take's own time: without those of a bar begun before a pause and played
        anew, and without what was played while it was paused."""
        judged: list[RawEvent] = []
        shift_ns, pauses, unjudged = 0, list(self._pauses), set(self._while_paused)
        for i, event in enumerate(self._events):
            if i in unjudged:
                continue
            while pauses and event.time_ns >= pauses[0].at_ns:
                pause = pauses.pop(0)
                judged = self._before_bar(judged, pause.from_bar)
                shift_ns = pause.shift_ns
            judged.append(RawEvent(event.time_ns - shift_ns - self._delay_ns, event.message))
        return self._before_bar(judged, pauses[-1].from_bar) if pauses else judged

    def _before_bar(self, events: list[RawEvent], bar: int) -> list[RawEvent]:
        """What was played before a bar of the section; its first note may have come a little early."""
        limit_ns = self._start_ns + ns_from_s(self._bar_start_s(bar)) - EARLY_FIRST_NOTE_NS
        return [event for event in events if event.time_ns < limit_ns]

    def finish(self, now_ns: int, stopped: str = "") -> FinishedTake | None:
        """End the take. One in which nothing was played and that was stopped leaves no trace (returns None)."""
        if not self.busy:
            return None
        if stopped and not any(is_note_on(event.message) for event in self._events):
            self.state = "ready"
            self._reset_take()
            return None
        played, assessment = self._judged()
        before = self.ladder
        step: Step | None = None
        if not stopped and not self._pauses:
            # Silence is a cable, not trouble with the music: it sends nobody a rung back.
            hurdle = self._hurdle(assessment) if assessment.clean else None
            self.ladder, step = before.after(assessment, hurdle) if len(played) else (before, Step("stay", UNHEARD))
            self._groups[self.chosen.first_bar, self.chosen.last_bar] = self.ladder.group
        take = FinishedTake(
            section=self.section,
            tempo_bpm=before.tempo_bpm,
            ladder_before=before,
            ladder_after=self.ladder,
            start_ns=self._start_ns,
            end_ns=now_ns,
            events=tuple(self._events),
            pauses=tuple(self._pauses),
            played=played,
            assessment=assessment,
            step=step,
            stopped=stopped or ("interrupted: it does not count on the ladder" if self._pauses else ""),
        )
        self.takes.append(take)
        self.state = "after"
        return take

    def _judged(self) -> tuple[PlayedArray, Assessment]:
        """The notes of the take that count, and the final word on them."""
        from companion.practice.judging import judge  # not before: the first page needs no judge

        passage, judged = self.section.passage, self._judged_events()
        played = to_played(judged, self._start_ns, self.shift_semitones)
        assessment = judge(
            passage,
            played,
            self.tempo_bpm,
            self.tolerances,
            self.plan.part(self.section.first_note, len(passage.notes)),
            chart=self.chart,
            breath=breath_of(judged, self._start_ns),
            pressed=pressed_of(judged, self._start_ns, self.chart) if self.chart else (),
        )
        return played, assessment

    def _hurdle(self, assessment: Assessment) -> Hurdle | None:
        """What stands most in the way of the next rung in these bars, after a clean take."""
        next_bpm = self.ladder.fastest_next_bpm
        # Nothing is asked before the ladder would climb.
        if next_bpm is None or self.hurdles_at is None or self.ladder.clean_in_a_row + 1 < self.ladder.clean_needed:
            return None
        section = self._group(self.ladder.group + 1) if self.ladder.at_target else self.section
        return worst_hurdle((self._seen_now(h, assessment) for h in self.hurdles_at(section, next_bpm)), next_bpm)

    def _seen_now(self, hurdle: Hurdle, assessment: Assessment) -> Hurdle:
        """A limit from earlier takes is no reason to hold where the takes on this rung went beyond it, nor where the
        spot has been taken alone: that is how its limit rises. It is said all the same."""
        if hurdle.note_index - self.section.first_note >= len(assessment.notes):  # in the bars to be added
            return hurdle
        if not hurdle.measured or self._is_alone(hurdle):
            return replace(hurdle, measured=False)
        if hurdle.limit_bpm > self.tempo_bpm:
            return hurdle
        earlier = [take.assessment for take in self.takes[-(self.ladder.clean_needed - 1) :] if self._is_like_now(take)]
        of_rung = [assessment, *(earlier if self.ladder.clean_needed > 1 else [])]
        went_well = len(of_rung) >= self.ladder.clean_needed and all(self._went_well(hurdle, a) for a in of_rung)
        if not went_well:
            return hurdle
        return replace(hurdle, measured=False, sentence=f"{hurdle.sentence} (these takes went beyond that)")

    def _is_like_now(self, take: FinishedTake) -> bool:
        return take.section == self.section and take.tempo_bpm == self.tempo_bpm and not take.stopped

    def _went_well(self, hurdle: Hurdle, assessment: Assessment) -> bool:
        index = hurdle.note_index - self.section.first_note
        slipped = any(slip.note_index == index for slip in assessment.slips)
        return assessment.notes[index].verdict in (ON_TIME, EARLY) and not slipped

    def _is_alone(self, hurdle: Hurdle) -> bool:
        here = (self.section.first_bar, self.section.last_bar)
        return here == (hurdle.first_bar, hurdle.last_bar)

    def spot_section(self) -> tuple[int, int] | None:
        """Bars (first, last, indices into the whole passage) of the change that the ladder spoke of after the last
        take; None where it spoke of none."""
        step = self.last_take.step if self.last_take else None
        if step is None or step.hurdle is None or self._is_alone(step.hurdle):
            return None
        return step.hurdle.first_bar, step.hurdle.last_bar

    def trouble_section(self) -> tuple[int, int] | None:
        """Bars (first, last, indices into the whole passage) round the worst trouble of the last take: the bars that
        went wrong and join each other, at most four."""
        take = self.last_take
        if take is None or not take.assessment.trouble_bars:
            return None
        wrong = set(take.assessment.trouble_bars)
        low = high = take.assessment.trouble_bars[0]
        while high - low < 3 and (low - 1 in wrong or high + 1 in wrong):
            low, high = (low - 1, high) if low - 1 in wrong else (low, high + 1)
        return take.section.first_bar + low, take.section.first_bar + high
