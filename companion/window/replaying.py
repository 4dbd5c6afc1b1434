"""A take gone through again at the stand, or the bars heard as they are written: the pure `Replay` with its sound and
its words."""

from __future__ import annotations

from bisect import bisect_right

from companion.charts.model import note_name
from companion.ports.click import PlainClick, render_click
from companion.ports.tone import REED, SOFT, Tone, TonePlayer, can_sound, render_tones
from companion.practice.clock import take_clock
from companion.practice.matching import align
from companion.practice.metronome import metronome_number
from companion.practice.rehearsal import FinishedTake, Section
from companion.practice.replay import Moment, Replay, Sounding
from companion.practice.words import bar_in_words, place_in_words
from companion.window.carets import Carets
from companion.window.comment_leaf import off_in_words, slip_in_words
from companion.window.horn_views import HornView, fingering_in_words, shape_of, slip_view
from companion.window.run import Run

__all__ = ["SOUNDS", "Replaying", "replay_of"]

#: What is heard, in the order the key goes through it.
SOUNDS = ("as played", "as written", "both", "silent")
#: So much is rendered at once; what comes after it is rendered when it is due.
CHUNK_S = 60.0
#: A single step lets its note sound so long.
STEP_S = 0.45


def replay_of(take: FinishedTake) -> Replay:
    """The replay of a take."""
    passage, played, assessment = take.section.passage, take.played, take.assessment
    realised = assessment.realised
    if len(realised) != len(played):
        # A take judged by something that does not tell which note is which.
        pairs = {int(p): int(n) for n, p in align(passage, played, take.tempo_bpm).pairs if p >= 0}
        realised = tuple(pairs.get(i, -1) for i in range(len(played)))
    return Replay(passage, played, realised, take.tempo_bpm, assessment.slips)


def example_of(section: Section, tempo_bpm: float) -> Replay:
    """The bars played as they stand."""
    from companion.practice.example import as_written  # not before: the first page needs none

    passage = section.passage
    return Replay(passage, as_written(passage, tempo_bpm), range(len(passage.notes)), tempo_bpm)


class Replaying:
    """The stand's replay of one take; of an example of the bars chosen, at the rung's tempo, where `take` is None."""

    def __init__(self, run: Run, take: FinishedTake | None) -> None:
        self.run = run
        self.take = take
        rehearsal = run.rehearsal
        self.section = take.section if take is not None else rehearsal.section
        self.tempo_bpm = take.tempo_bpm if take is not None else rehearsal.tempo_bpm
        self.replay = replay_of(take) if take is not None else example_of(self.section, self.tempo_bpm)
        self.sound = SOUNDS[0]
        self._player = TonePlayer(run.sound.click)
        self._rendered_to_s = 0.0

    # -- moving on ---------------------------------------------------------------------------------------------------

    def toggle(self) -> None:
        """Play or stand still."""
        if self.replay.playing:
            self.replay.pause(self.run.clock())
            self._silence()
        else:
            self._play()

    def _play(self) -> None:
        if self.replay.position_s >= self.replay.end_s:
            self.replay.position_s = self.replay.start_s
        self.replay.play(self._start_sound())

    def tick(self) -> bool:
        """Time passes; whether the end was reached just now."""
        self._turn()
        if not self.replay.playing:
            return False
        if self.replay.tick(self.run.clock()):
            self._silence()
            return True
        if self.replay.position_s >= self._rendered_to_s:
            self._play()
        return False

    def step(self, by: int) -> None:
        """A note forward or back, and let it be heard."""
        self.replay.step(by)
        self._silence()
        self._sound_step()

    def go_to(self, note_index: int) -> None:
        """To a note of the whole passage, where the take has it."""
        own = note_index - self.section.first_note
        if 0 <= own < len(self.section.passage.notes):
            self.replay.go_to(own)
            self._silence()
            self._sound_step()

    def turn_speed(self, by: int) -> None:
        """Faster or slower, from where it is."""
        self.replay.turn_speed(by, self.run.clock())
        if self.replay.playing:
            self._play()

    def next_sound(self) -> None:
        """What is heard: as played, as written, both, nothing."""
        self.sound = SOUNDS[(SOUNDS.index(self.sound) + 1) % len(SOUNDS)]
        if self.replay.playing:
            self.replay.tick(self.run.clock())
            self._play()

    def close(self) -> None:
        """Put it away."""
        self.replay.pause(self.run.clock())
        self._silence()

    # -- sound -------------------------------------------------------------------------------------------------------

    @property
    def _heard(self) -> bool:
        return not self.run.sound.silent

    def _turn(self) -> None:
        """The tone's level as it is chosen now."""
        self._player.set_volume(self.run.sound.levels.now.tone)
        self._player.set_muted(self.run.sound.levels.now.tone_muted)

    def _silence(self) -> None:
        self._player.stop()
        self.run.sound.click.stop()

    def _start_sound(self) -> int:
        """Start the sound at the replay's position; returns when it begins."""
        replay, speed = self.replay, self.replay.speed_percent / 100
        from_s = replay.position_s
        chunk_end_s = from_s + CHUNK_S * speed
        self._rendered_to_s = chunk_end_s
        if not self._heard:
            return self.run.clock()
        tones = render_tones(self._tones(from_s, chunk_end_s, speed))
        clicks = [
            PlainClick((click.time_s - from_s) / speed, click.downbeat)
            for click in take_clock(self.section.passage, self.tempo_bpm, 0).clicks
            if from_s <= click.time_s < chunk_end_s
        ]
        self._turn()
        start_ns = self.run.sound.click.start(render_click(clicks)) if clicks else self.run.clock()
        self._player.start(tones)
        return start_ns

    def _tones(self, from_s: float, to_s: float, speed: float) -> list[Tone]:
        wanted: list[tuple[Sounding, float]] = []
        if self.sound in ("as played", "both"):
            wanted += [(sounding, REED) for sounding in self.replay.played_tones()]
        if self.sound in ("as written", "both"):
            wanted += [(sounding, SOFT) for sounding in self.replay.written_tones()]
        tones = []
        for sounding, falloff in wanted:
            end_s = min(sounding.time_s + sounding.life_s, to_s)
            start_s = max(sounding.time_s, from_s)
            midi = sounding.written_midi + self.run.chart.transposition
            if end_s > start_s and sounding.time_s < to_s and can_sound(midi):
                tones.append(Tone((start_s - from_s) / speed, (end_s - start_s) / speed, midi, falloff))
        return tones

    def _sound_step(self) -> None:
        if not self._heard:
            return
        self._turn()
        moment, shift = self.replay.moment(), self.run.chart.transposition
        tones = []
        if self.sound in ("as played", "both") and moment.heard_midi is not None:
            tones.append(Tone(0.0, STEP_S, moment.heard_midi + shift, REED))
        if self.sound in ("as written", "both") and moment.written is not None:
            written = self.section.passage.notes[moment.written].written_midi
            tones.append(Tone(0.0, STEP_S, written + shift, SOFT))
        self._player.start(render_tones([tone for tone in tones if can_sound(tone.sounding_midi)]))

    # -- what is seen ------------------------------------------------------------------------------------------------

    def moment(self) -> Moment:
        """See `Replay.moment`."""
        return self.replay.moment()

    def in_whole(self, index: int | None) -> int | None:
        """A note of the take's bars as one of the whole passage."""
        return None if index is None else index + self.section.first_note

    def carets(self) -> Carets:
        """Where the two carets stand, by indices of the whole passage."""
        moment = self.moment()
        return Carets(self.in_whole(moment.sounded), self.in_whole(moment.written), self._cursor(moment))

    def horn_view(self) -> HornView:
        """The shape planned for the note that is written now, and what is heard."""
        moment, music, chart = self.moment(), self.run.music, self.run.chart
        choices, notes = music.rehearsal.plan.choices, music.passage.notes
        if moment.slip is not None:
            first, slip = self.section.first_note, moment.slip
            return slip_view(slip, choices[max(0, slip.from_index + first)].keys, choices[slip.note_index + first].keys)
        at, sounded = self.in_whole(moment.written), self.in_whole(moment.sounded)
        heard = "silence" if moment.heard_midi is None else note_name(moment.heard_midi)
        keys = shape_of(chart, moment.heard_midi) if moment.heard_midi is not None else None
        if at is None:
            return HornView("the count-in", "", frozenset(), frozenset(), frozenset(), None, "heard", heard, keys)
        if sounded is not None and moment.heard_midi == notes[sounded].written_midi:
            keys = choices[sounded].keys
        shape = choices[at].keys
        before = choices[at - 1].keys if at else shape
        title = f"written: {fingering_in_words(notes[at], choices[at])}"
        return HornView(title, music.reason(at), shape, before, shape, None, "heard", heard, keys)

    def _cursor(self, moment: Moment) -> tuple[int, int, float] | None:
        due_s = self.replay.due_s
        if not due_s or moment.written is None:
            return None
        at = bisect_right(due_s, moment.cursor_s + 1e-4) - 1
        if at < 0:
            return None
        following = min(at + 1, len(due_s) - 1)
        span_s = due_s[following] - due_s[at]
        share = (moment.cursor_s - due_s[at]) / span_s if span_s > 0 else 0.0
        first = self.section.first_note
        # In hundredths: fine enough to glide, coarse enough that a picture is not drawn for nothing.
        return first + at, first + following, round(share, 2)

    def sentence(self) -> str:
        """`At 50 % of the take's tempo, as played. Bar 3, the note on beat 1: A4, 23 ms late.`"""
        replay, moment = self.replay, self.moment()
        if self.take is None:
            number = metronome_number(self.tempo_bpm * replay.speed_percent / 100, self.section.passage.bars[0])
            return f"As written, at {number}. {self._example_in_words(moment)}"
        way = "silent" if self.sound == "silent" else f"heard {self.sound}"
        return f"Replay at {replay.speed_percent} % of the take's tempo, {way}. {self._moment_in_words(moment)}"

    def _example_in_words(self, moment: Moment) -> str:
        if moment.sounded is None:
            return "The space bar plays and stops; Esc leads back."
        passage = self.section.passage
        note = passage.notes[moment.sounded]
        return f"{bar_in_words(passage, note.bar).capitalize()}, {place_in_words(passage, note)}: {note.written}."

    def _moment_in_words(self, moment: Moment) -> str:
        passage = self.section.passage
        if moment.slip is not None and moment.slip.sentence:
            return slip_in_words(passage, moment.slip)
        at = self._note_here(moment)
        if at is None:
            return "Before the first note."
        note = passage.notes[at]
        words = f"{bar_in_words(passage, note.bar).capitalize()}, {place_in_words(passage, note)}: "
        if moment.extra and moment.heard_midi is not None:
            return words + f"{note_name(moment.heard_midi)} sounds, which is not written."
        words += f"{note.written} is written"
        if moment.played_index < 0 or at != moment.sounded:
            return words + " and was not played."
        assert self.take is not None
        played = int(self.take.played["written_midi"][moment.played_index])
        if played != note.written_midi:
            words += f", {note_name(played)} was played"
        if moment.off_ms is None or note.grace:
            return words + "."
        off = off_in_words(moment.off_ms, "on your own beat" if moment.own_beat else "on the click")
        return f"{words}; {off}{', by your own beat' if moment.own_beat and round(moment.off_ms) else ''}."

    def _note_here(self, moment: Moment) -> int | None:
        """The score note a step is about: what sounds, or what is due and nobody played."""
        due_s = self.replay.left_out_s.get(moment.written, None) if moment.written is not None else None
        if due_s is not None and abs(due_s - moment.position_s) < 1e-3:
            return moment.written
        return moment.sounded if moment.sounded is not None else moment.written

    def seen(self) -> tuple[object, ...]:
        """What a picture of the replay depends on."""
        moment = self.moment()
        return (
            self.carets(), moment.played_index, moment.heard_midi, moment.slip, self.replay.speed_percent, self.sound,
            self.replay.playing, self.take and self.take.start_ns,
        )  # fmt: skip
