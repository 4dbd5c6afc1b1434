"""What happens in a mock performance, without a pixel: the order of pieces, the controller, the judge, the record."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from companion.charts.model import Chart
from companion.errors import PortError, RecordError
from companion.passage import Passage
from companion.planning.model import Plan
from companion.ports import PortName, SimulatedPort
from companion.ports.names import is_system_port
from companion.practice.clock import note_onsets_s
from companion.practice.finished import FinishedTake, Section
from companion.practice.follower import Follower
from companion.practice.hearing import breath_of, is_note_on, to_played
from companion.practice.judges_sheet import JudgedTake, judge_performance
from companion.practice.ladder import default_ladder
from companion.practice.mock import ANNOUNCED, OVER, PLAYING, SILENCE_S, Going, Mock, Piece
from companion.practice.model import RawEvent, Tolerances
from companion.practice.pressed import pressed_of
from companion.record import Sitting, take_record
from companion.units import ns_from_s
from companion.window.controller import Controller

__all__ = ["Judged", "MockPiece", "MockRun", "MockSetup"]

#: The simulated player takes a breath of this length before it begins.
BREATH_S = 2.0
#: Its tempo, as a share of the printed one: nobody takes exactly that without a click.
SIMULATED_SHARE = 0.96
#: So many notes that are all as far off tell that the controller sends another pitch.
TOLD_BY_NOTES = 4


@dataclass(frozen=True, slots=True, eq=False)
class MockPiece:
    """One piece as it is to be played: bars of a passage, with the plan of the whole. `target_bpm` is the week's, None
    without one."""

    passage: Passage
    section: Section
    plan: Plan
    title: str
    tolerances: Tolerances = field(default_factory=Tolerances)
    target_bpm: float | None = None


@dataclass(frozen=True, slots=True)
class MockSetup:
    """All that the command line and the memory settled before the window opens."""

    pieces: tuple[MockPiece, ...]
    chart: Chart
    port: str = ""
    silence_s: float = SILENCE_S
    sessions: Path = Path("sessions")
    settings: Path | None = None
    shift_semitones: int | None = None
    hidden: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """A piece with what became of it: `take` is what the page's marks are made of, both None where nothing was
    played."""

    piece: MockPiece
    going: Going
    judged: JudgedTake | None = None
    take: FinishedTake | None = None


class MockRun:
    """Runs a mock performance; `update` is called once a frame. What a key can do is a method here.

    Raises `PortError` where the port can't be opened.
    """

    def __init__(self, setup: MockSetup, clock: Callable[[], int] = time.perf_counter_ns) -> None:
        self.setup, self.clock = setup, clock
        self._started_ns = clock()
        self._sitting = Sitting.begin(setup.sessions, datetime.now().astimezone())
        self.said = ""
        self.judged: list[Judged] = []
        self.unsaved = ""
        self.controller = Controller(clock, lambda: setup.chart, setup.settings)
        if setup.port:
            try:
                self.controller.take(setup.port)
            except BaseException:
                self.close()
                raise
        elif not setup.hidden:
            try:
                self.controller.watch_ports()
            except PortError as error:
                self.said = str(error)
        self.shift_semitones = self._shift()
        self._follower: Follower | None = None
        self._followed: Going | None = None
        self._was = ""
        pieces = [Piece(p.section.passage, p.title, p.section.label.replace("–", "-")) for p in setup.pieces]
        self.mock = Mock(pieces, clock(), self.shift_semitones, setup.silence_s)

    def _shift(self) -> int:
        asked = self.setup.shift_semitones
        return self.controller.settings.shift_semitones if asked is None else asked

    @property
    def piece(self) -> MockPiece | None:
        """What is announced or played now; None in a silence and at the end."""
        return self.setup.pieces[self.mock.place] if self.mock.phase in (ANNOUNCED, PLAYING) else None

    @property
    def caret(self) -> int | None:
        """Index in the whole passage of the note expected next, as far as the player's own tempo tells it; for turning
        the page."""
        if self.piece is None or self._follower is None:
            return None
        last = len(self.piece.section.passage.notes) - 1
        return self.piece.section.first_note + min(self._follower.caret, last)

    @property
    def over(self) -> bool:
        """All pieces are over and judged."""
        return self.mock.phase == OVER and len(self.judged) == len(self.setup.pieces)

    def update(self) -> list[RawEvent]:
        """Drain the port, let time pass; a piece that is over is judged and kept at once, though nobody is told before
        the end. Returns what was heard."""
        now_ns = self.clock()
        heard = self.controller.drain()
        for event in heard:
            self.mock.hear(event)
            self._follow(event)
        self._look_at_ports(now_ns)
        self.mock.tick(now_ns)
        if self.mock.phase != self._was:
            # What has changed is seen before the judge takes his time.
            self._enter(now_ns)
        else:
            self._judge_next()
        return heard

    def _judge_next(self) -> bool:
        """Judge the next piece that is over; returns whether there was one."""
        goings = self.mock.goings[len(self.judged) :]
        if not goings or goings[0].ended_ns is None:
            return False
        self._judge(goings[0])
        return True

    def _enter(self, now_ns: int) -> None:
        self._was = self.mock.phase
        if self._was == ANNOUNCED:
            self._follower = None
            self._let_it_play(now_ns)
        elif self._was == PLAYING and self.said and not self.unsaved:
            self.said = ""

    def _follow(self, event: RawEvent) -> None:
        piece = self.piece
        if piece is None or self.mock.phase != PLAYING:
            return
        going, begins = self.mock.goings[-1], is_note_on(event.message)
        if going is not self._followed:
            self._followed, self._follower = going, None
        if self._follower is None and begins:
            self._follower = self._follower_of(piece, event.time_ns)
        if self._follower is None:
            return
        self._follower.hear(event)
        if begins and (shift := self._sent_otherwise(piece, going)) and going.begun_ns is not None:
            self._follower = self._follower_of(piece, going.begun_ns, shift)
            for each in going.events:
                self._follower.hear(each)

    def _follower_of(self, piece: MockPiece, first_note_ns: int, more_shift: int = 0) -> Follower:
        passage = piece.section.passage
        tempo_bpm = piece.target_bpm or passage.marked_tempo_bpm()
        start_ns = first_note_ns - ns_from_s(float(note_onsets_s(passage, tempo_bpm)[0]))
        return Follower(passage, tempo_bpm, start_ns, shift_semitones=self.shift_semitones + more_shift)

    def _sent_otherwise(self, piece: MockPiece, going: Going) -> int:
        """What has to be added to make the first notes right, told once they are there: 0 where that isn't one number.
        The page is turned then for a controller that sends another pitch, too."""
        heard = [event.message[1] for event in going.events if is_note_on(event.message)]
        if len(heard) != TOLD_BY_NOTES:
            return 0
        notes = piece.section.passage.notes
        off = {note.written_midi - midi - self.shift_semitones for note, midi in zip(notes, heard, strict=False)}
        return off.pop() if len(off) == 1 else 0

    def _let_it_play(self, now_ns: int) -> None:
        """The simulated player takes a breath and plays in a tempo of its own."""
        player = self.controller.port
        if not isinstance(player, SimulatedPort) or self.piece is None:
            return
        section = self.piece.section
        bpm = SIMULATED_SHARE * (self.piece.target_bpm or section.passage.marked_tempo_bpm())
        plan = self.piece.plan.part(section.first_note, len(section.passage.notes))
        player.play(section.passage, bpm, now_ns + ns_from_s(BREATH_S), plan, self.setup.chart)

    # -- the controller -----------------------------------------------------------------------------------------------

    def _look_at_ports(self, now_ns: int) -> None:
        """A controller that vanished is said, and taken again when it is back; the piece it left is begun anew. Without
        one, the first to be plugged in is taken."""
        news = self.controller.look()
        if self.controller.port is None and self.controller.watch is not None:
            self._take_first(news.others)
        if news.vanished:
            self._lose(self.controller.name, now_ns)
        if news.back:
            self._reopen()

    def _lose(self, name: str, now_ns: int) -> None:
        lost = self.mock.begin_again(now_ns)
        again = " and begin this piece anew" if lost is not None else ""
        self.said = f"{name} vanished: plug it in again{again}"
        if lost is not None:
            self._follower = None
            while self._judge_next():
                pass
            self._judge(lost, f"{name} vanished")

    def _reopen(self) -> None:
        try:
            self.controller.reopen()
        except PortError as error:
            self.said = str(error)
            return
        begin = ": begin when you are ready" if self.mock.phase == ANNOUNCED else ""
        self.said = f"{self.controller.name} is back{begin}"

    def _take_first(self, appeared: Sequence[PortName]) -> None:
        there = [one.name for one in self.controller.there() if not is_system_port(one.name)]
        name = appeared[0].name if appeared else there[0] if len(there) == 1 else ""
        if not name:
            which = f"several controllers are there ({', '.join(there)}): leave with Esc and name one with --port"
            self.said = which if there else "no controller is there: plug one in"
            return
        try:
            self.controller.take(name)
        except PortError as error:
            self.said = str(error)
            return
        self.shift_semitones = self._shift()
        self.mock.use_shift(self.shift_semitones)
        self.said = f"{name} is here"

    def go_on(self) -> None:
        """The silence, or the piece, is over."""
        before = self.mock.phase
        self.mock.go_on(self.clock())
        if self.mock.phase != before and isinstance(self.controller.port, SimulatedPort):
            self.controller.port.stop()

    # -- the end ------------------------------------------------------------------------------------------------------

    def leave(self) -> None:
        """Left before the end: what was played is judged and kept all the same."""
        now_ns = self.clock()
        for going in self.mock.goings[len(self.judged) :]:
            if going.ended_ns is None:
                going.ended_ns, going.broken_off = now_ns, True
            self._judge(going)

    def _judge(self, going: Going, interrupted: str = "") -> None:
        """Judge and keep what was played of the next piece; where it was interrupted it is kept, and no more."""
        piece = self.setup.pieces[len(self.judged)]
        if going.begun_ns is None:
            self.judged.append(Judged(piece, going))
            return
        chart, section, zero_ns = self.setup.chart, piece.section, going.begun_ns
        played = to_played(going.events, zero_ns, self.shift_semitones)
        judged = judge_performance(
            section.passage,
            played,
            piece.tolerances,
            piece.plan.part(section.first_note, len(section.passage.notes)),
            chart=chart,
            breath=breath_of(going.events, zero_ns),
            pressed=pressed_of(tuple(going.events), zero_ns, chart),
        )
        beat_0_ns = zero_ns + ns_from_s(judged.start_s)
        end_ns = max(going.ended_ns or zero_ns, zero_ns)
        shift = self.shift_semitones + judged.shift_semitones
        self._keep(piece, going, judged, beat_0_ns, shift, interrupted)
        if interrupted:
            return
        ladder = default_ladder(section.passage, piece.target_bpm)
        take = FinishedTake(
            section, judged.assessment.tempo_bpm, ladder, ladder, beat_0_ns, end_ns, tuple(going.events), (),
            to_played(going.events, beat_0_ns, shift), judged.assessment, None,
        )  # fmt: skip
        self.judged.append(Judged(piece, going, judged, take))

    def _keep(
        self, piece: MockPiece, going: Going, judged: JudgedTake, beat_0_ns: int, shift: int, interrupted: str
    ) -> None:
        sheet = judged.sheet
        said = (sheet.first, sheet.notes, sheet.rhythm, sheet.tempo, sheet.articulation)
        # A tempo of the player's own is no more exact than this.
        tempo_bpm = round(judged.assessment.tempo_bpm, 1)
        assessment = replace(
            judged.assessment,
            tempo_bpm=tempo_bpm,
            clean=sheet.clean,
            because=sheet.because,
            advice=sheet.first,
            comment=tuple(filter(None, said)),
        )
        begin_ns = min([going.begun_ns or going.announced_ns, beat_0_ns, *(e.time_ns for e in going.events[:1])])
        record = take_record(
            piece.section.passage, piece.plan, self.setup.chart, assessment, going.events,
            take_ns=begin_ns, beat_0_ns=beat_0_ns, end_ns=going.ended_ns or self.clock(), run_ns=self._started_ns,
            first_note=piece.section.first_note, bars=piece.section.label, port=self.controller.name,
            shift_semitones=shift, interrupted=interrupted, target_bpm=piece.target_bpm, tolerances=piece.tolerances,
            performance=True,
        )  # fmt: skip
        try:
            self._sitting.append(record)
            self.unsaved = ""
        except RecordError as error:
            self.unsaved = self.said = str(error)

    def sentences(self, judged: Judged) -> Sequence[tuple[str, str]]:
        """What the judge wrote of a piece: a label and a sentence each."""
        if judged.judged is None:
            return (("Heard first", "Nothing of this piece was played."),)
        sheet = judged.judged.sheet
        lines = (
            ("Heard first", sheet.first), ("Notes", sheet.notes), ("Rhythm", sheet.rhythm), ("Tempo", sheet.tempo),
            ("Articulation", sheet.articulation),
        )  # fmt: skip
        return tuple(line for line in lines if line[1])

    def close(self) -> None:
        """Give port and watch back; takes that could not be written are tried once more."""
        self.unsaved = self._sitting.last_try()
        self.controller.close()
