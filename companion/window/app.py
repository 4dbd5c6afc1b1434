"""The window: one loop that drains, decides, draws; and what each key and mouse button leads to.

The loop does at each look: events of the window to actions, `Run.update`, the engraver's next systems, drawing what
changed. A hidden window (no display) with the simulated player runs on a stepped clock, as fast as frames can be
drawn."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from pathlib import Path

import pygame

from companion.engraving import Engraver
from companion.errors import CompanionError, UsageError
from companion.passage import Passage
from companion.ports import is_sim
from companion.practice.model import RawEvent
from companion.units import NS_PER_S, ns_from_s
from companion.window.bindings import REPEATED, action_for
from companion.window.display import fitted, open_window, turn_full_screen
from companion.window.horn_column import RUNNERS_UP_SHOWN
from companion.window.horn_hands import HornHands, wants_horn
from companion.window.leaves import Leaf, NoteCheckLeaf, ScreenLeaf
from companion.window.lists import LEAVES
from companion.window.page import PageView
from companion.window.replaying import Replaying
from companion.window.run import Run
from companion.window.setup import Setup
from companion.window.sheets import Sheets
from companion.window.stand import Stand
from companion.window.stand_shots import StandShots
from companion.window.stepped_clock import SteppedClock

__all__ = ["App"]

#: How often the port and the window's events are looked at. A look that changes nothing draws nothing, so this costs
#: little, and a note is on the glass within a few ms instead of waiting for a sixtieth of a second.
LOOKS_PER_S = 200
#: On the stepped clock a frame stands for this much time: fine enough that no note is skipped over in a picture.
STEP_NS = NS_PER_S // 30


def _caption(passage: Passage) -> str:
    return f"{passage.title} – companion"


class App:
    """The stand in a window. `musicxml` gives the engraver its document; it is asked once, after the window is up."""

    def __init__(
        self,
        setup: Setup,
        musicxml: Callable[[], bytes],
        *,
        size: tuple[int, int] = (1280, 720),
        shots: Path | None = None,
        engraver: Engraver | None = None,
    ) -> None:
        self.setup = setup
        self.stepped = SteppedClock() if setup.hidden and is_sim(setup.port) else None
        self.engraver = engraver or Engraver()
        self.screen = open_window(_caption(setup.passage), size, hidden=setup.hidden, repeat_ms=60)
        self.run = Run(setup, self.stepped or time.perf_counter_ns)
        pygame.display.set_caption(_caption(self.run.rehearsal.passage))
        self.stand = Stand(self.run, PageView(setup.passage), self.screen.get_size())
        self.leaf: Leaf | None = None
        self.shots = StandShots(self, shots) if shots else None
        self.quit = False
        self.first_frame_ns = 0
        self.to_glass_ns: deque[int] = deque(maxlen=20_000)
        self._keys_down: set[int] = set()
        self._hands = HornHands(self.run.clock)
        self._pressed_at: tuple[int, int] | None = None
        self._sheets = Sheets(self.stand, self.engraver, musicxml)

    # -- the loop ----------------------------------------------------------------------------------------------------

    def loop(self) -> None:
        """Run until the window is closed or the wanted takes are played."""
        pace = pygame.time.Clock()
        try:
            while not self.quit:
                heard = self.frame()
                self._measure(heard)
                if self.stepped:
                    self._step()
                else:
                    pace.tick(LOOKS_PER_S)
                if self.run.done and self._settled():
                    break
            if self.shots and not self.quit:
                self.shots.take_the_rest()
        finally:
            self.close()

    def _step(self) -> None:
        """Let the stepped clock run once the page is there, so that pictures show it."""
        if self.stepped and (self.stand.page.done or self.stand.engraving_fault):
            self.stepped.step(STEP_NS)
        else:
            time.sleep(0.005)

    def _settled(self) -> bool:
        """After the last take: leave the pencilled page to be read, unless nobody looks."""
        return self.setup.hidden or (not self.run.rehearsal.busy and self._read_long_enough())

    def _read_long_enough(self) -> bool:
        take = self.run.rehearsal.last_take
        return take is None or self.run.clock() - take.end_ns > ns_from_s(self.setup.review_s)

    def frame(self) -> list[RawEvent]:
        """One frame; returns the events heard in it."""
        for event in pygame.event.get():
            self._handle(event)
        self._hands.playing(self.run.controller.keys, self._horn_wanted())
        takes_before = len(self.run.results)
        heard = self.run.update()
        if len(self.run.results) > takes_before:
            self.stand.show_result()
        # None first: what a protocol asks of it costs more than the rest of a still frame.
        if self.leaf is not None and isinstance(self.leaf, ScreenLeaf):
            self.leaf.hear(heard)
        self.stand.go_on_replaying()
        self._sheets.collect()
        changed = self.stand.draw(self.screen) if self.leaf is None else self._draw_with_leaf()
        if changed:
            pygame.display.update(changed)
        else:
            self.stand.page.prepare(self.stand.place.music)
        if not self.first_frame_ns and self.stand.page.systems:
            self.first_frame_ns = time.perf_counter_ns()
        if self.shots:
            self.shots.take()
        return heard

    def _draw_with_leaf(self) -> list[pygame.Rect]:
        if isinstance(self.leaf, ScreenLeaf):
            return [self.screen.get_rect()] if self.leaf.draw_changed(self.screen, self.stand.type) else []
        self.stand.refresh()
        self.stand.draw(self.screen)
        if self.leaf is not None:
            self.leaf.draw(self.screen, self.stand.place, self.stand.type)
        return [self.screen.get_rect()]

    def _measure(self, heard: list[RawEvent]) -> None:
        if heard and not self.stepped:
            now_ns = time.perf_counter_ns()
            self.to_glass_ns.extend(now_ns - event.time_ns for event in heard if event.message[0] & 0xF0 == 0x90)

    def ask_to_end(self) -> None:
        """Leave the loop after this frame; a take under way is kept as stopped."""
        self.quit = True

    def close(self) -> None:
        """Give everything back."""
        if isinstance(self.leaf, ScreenLeaf):
            self.leaf.close()
        self.run.close()
        self.engraver.close()
        pygame.display.quit()

    # -- keys and mouse ----------------------------------------------------------------------------------------------

    def _handle(self, event: pygame.event.Event) -> None:
        if self._hands.take(event, self.run.controller.keys, self._horn_wanted()):
            return
        if event.type == pygame.QUIT:
            self.quit = True
        elif event.type == pygame.VIDEORESIZE:
            self._resize((event.w, event.h))
        elif event.type in (pygame.WINDOWEXPOSED, pygame.WINDOWRESTORED):
            self.stand.refresh()
            if isinstance(self.leaf, ScreenLeaf):
                self.leaf.forget()
        elif event.type == pygame.KEYDOWN:
            self._key(event, held=event.key in self._keys_down)
            self._keys_down.add(event.key)
        elif event.type == pygame.KEYUP:
            self._keys_down.discard(event.key)
        elif event.type == pygame.MOUSEWHEEL and self.leaf is None:
            self.stand.page.turn(-event.y)
        elif event.type == pygame.MOUSEBUTTONDOWN and event.button == 1:
            self._press(event.pos)
        elif event.type == pygame.MOUSEMOTION and self._pressed_at:
            self._drag(event.pos)
        elif event.type == pygame.MOUSEBUTTONUP and event.button == 1:
            self._release(event.pos)

    def _horn_wanted(self) -> bool:
        """Whether the computer's keys play now, where they are the port."""
        if self.leaf is not None:
            return wants_horn(self.leaf)
        return self.run.rehearsal.state in ("count-in", "playing")

    def _resize(self, size: tuple[int, int]) -> None:
        if size == (self.stand.place.width_px, self.stand.place.height_px):
            return
        self.screen = fitted(size)
        self.stand.resize(self.screen.get_size())
        self._sheets.engrave()

    def _key(self, event: pygame.event.Event, held: bool) -> None:
        if self.leaf is not None:
            leaf = self.leaf
            if self._guarded(lambda: leaf.key(event, held) if isinstance(leaf, ScreenLeaf) else leaf.key(event)):
                self._take_leaf_away()
            return
        action = action_for(event, self.stand.state)
        if action == "pick":
            digits = [text for text in (event.unicode, pygame.key.name(event.key)) if text.isdecimal()]
            self._pick_runner_up(int(digits[0]) - 1)
            return
        # A key held down repeats where that helps to get along, but doesn't start and stop takes in turn.
        if action and not (held and action not in REPEATED):
            self.do(action)

    def _press(self, pos: tuple[int, int]) -> None:
        if self.leaf is not None:
            if self._guarded(lambda: self.leaf.click(pos) if self.leaf else True):
                self._take_leaf_away()
            return
        action = self.stand.action_at(pos)
        rung = self.stand.rung_at(pos)
        runner_up = self.stand.runner_up_at(pos)
        if action:
            self.do(action)
        elif runner_up is not None:
            self._pick_runner_up(runner_up)
        elif rung is not None and not self.run.rehearsal.busy and self.stand.replaying is None:
            self._guarded(lambda: self.run.rehearsal.choose_tempo(self.run.rehearsal.ladder.rungs[rung]))
        elif self.stand.place.music.collidepoint(pos) and not self.run.rehearsal.busy:
            self._press_page(pos)

    def _press_page(self, pos: tuple[int, int]) -> None:
        """A slip's mark tells of its fingers; in a replay a note is gone to; else notes are looked at, bars drawn
        across."""
        stand = self.stand
        mark = stand.page.mark_at(pos)
        note = stand.page.note_at(pos, stand.place.music)
        if stand.replaying is not None:
            wanted = mark.note_index if mark is not None else note
            if wanted is not None:
                stand.replaying.go_to(wanted)
        elif mark is not None and stand.take_shown() is not None:
            stand.look_at(mark.note_index, telling=True)
            self.run.say("")
        else:
            self._pressed_at = pos

    def _drag(self, pos: tuple[int, int]) -> None:
        assert self._pressed_at
        if abs(pos[0] - self._pressed_at[0]) + abs(pos[1] - self._pressed_at[1]) < 12:
            return
        page, area = self.stand.page, self.stand.place.music
        start, end = page.bar_at(self._pressed_at, area), page.bar_at(pos, area)
        if start is not None and end is not None:
            self.stand.drag_from, self.stand.drag_to = start, end

    def _release(self, pos: tuple[int, int]) -> None:
        if self._pressed_at is None:
            return
        if self.stand.drag_from is not None:
            passage = self.run.rehearsal.passage
            low, high = sorted(passage.bars[i].written_index for i in self.stand.chosen_bars())
            section = passage.written_range(low, high)
            self._guarded(lambda: self.run.rehearsal.choose_bars(*section))
            self.stand.looked_at = None
        else:
            self.stand.look_at(self.stand.page.note_at(pos, self.stand.place.music), telling=False)
            self.run.say("")  # what was said before makes room for the note's own line
        self._pressed_at = self.stand.drag_from = self.stand.drag_to = None

    def _guarded(self, act: Callable[[], object]) -> bool:
        """Do something; what can't be done is said on the page instead of ending the program."""
        try:
            return bool(act())
        except CompanionError as error:
            self.run.say(str(error))
            return True

    def _take_leaf_away(self) -> None:
        if isinstance(self.leaf, NoteCheckLeaf) and self.run.check.asking:
            self.run.end_check(keep=True)
        if isinstance(self.leaf, ScreenLeaf):
            self.leaf.close()
        self.leaf = None
        self.stand.refresh()
        self.show_music()

    def show_music(self) -> None:
        """The sheet of what the run has on the stand, engraved as it is planned now."""
        if self._sheets.turn():
            pygame.display.set_caption(_caption(self.run.rehearsal.passage))
        self._sheets.engrave()

    # -- actions -----------------------------------------------------------------------------------------------------

    def do(self, action: str) -> None:
        """Carry out an action of the bindings."""
        run, levels = self.run, self.run.sound.levels
        acts: dict[str, Callable[[], object]] = {
            "start": run.start,
            "stop": run.stop,
            "go_on": run.go_on,
            "again": run.again,
            "whole": run.whole,
            "faster": lambda: run.step_tempo(1),
            "slower": lambda: run.step_tempo(-1),
            "look_back": lambda: self._look(-1),
            "look_on": lambda: self._look(1),
            "page_back": lambda: self.stand.page.turn(-1),
            "page_on": lambda: self.stand.page.turn(1),
            "delay": run.take_delay,
            "mute": lambda: run.say(levels.mute_click()),
            "louder": lambda: run.say(levels.turn_click(0.1)),
            "softer": lambda: run.say(levels.turn_click(-0.1)),
            "mute_tone": lambda: run.say(levels.mute_tone()),
            "tone_louder": lambda: run.say(levels.turn_tone(0.1)),
            "tone_softer": lambda: run.say(levels.turn_tone(-0.1)),
            "full_screen": self._full_screen,
            "pick": lambda: self._pick_runner_up(0),
            "unmark": lambda: self._pick(None),
            "spots": self._show_spots,
            "strip": self._turn_strip,
            "next_told": self._look_at_next_told,
            "offered": run.take_offered,
            "replay": self._begin_replay,
            "example": self._begin_example,
            "replay_toggle": lambda: self._replaying().toggle(),
            "replay_back": lambda: self._replaying().step(-1),
            "replay_on": lambda: self._replaying().step(1),
            "replay_faster": lambda: self._replaying().turn_speed(1),
            "replay_slower": lambda: self._replaying().turn_speed(-1),
            "replay_sound": lambda: self._replaying().next_sound(),
            "replay_take": lambda: self._open("replay_take"),
            "leave": self._leave,
        }
        self._guarded(acts[action] if action in acts else lambda: self._open(action))

    def _open(self, action: str) -> None:
        self.leaf = LEAVES[action](self.run, self.stand)

    def _pick_runner_up(self, number: int) -> None:
        at = self.stand.looked_at
        others = self.run.rehearsal.plan.choices[at].runners_up if at is not None else ()
        if at is None:
            self.run.say("click a note first, or go to it with the arrows")
        elif number < min(len(others), RUNNERS_UP_SHOWN):
            self._pick(others[number].fingering.name)

    def _pick(self, name: str | None) -> None:
        """Fix a fingering of the note looked at, or take its mark away."""
        at = self.stand.looked_at
        if at is None:
            return
        self._guarded(lambda: self.run.pick(at, name))
        self._sheets.engrave()

    def _show_spots(self) -> None:
        self.stand.spots_shown = not self.stand.spots_shown
        spots = self.run.limits().spots if self.stand.spots_shown else ()
        self.run.say("")
        if spots:
            self.stand.looked_at = None
            self.stand.page.follow(spots[0].first_note, self.stand.place.music)
            self.stand.page.fill(self.stand.place.music)

    # what a take tells

    def _turn_strip(self) -> None:
        stand = self.stand
        stand.strip_wanted = not stand.strip_wanted
        stand.page.strip_shown = stand.strip() is not None
        if stand.looked_at is not None:
            stand.page.follow(stand.looked_at, stand.place.music)
        stand.page.fill(stand.place.music)

    def _look_at_next_told(self) -> None:
        stand = self.stand
        told = stand.told_notes()
        if not told:
            self.run.say("nothing slipped in the last take, and no other fingering was told")
            return
        at = stand.looked_at
        following = next((index for index in told if at is None or index > at), told[0])
        stand.look_at(following, telling=True)
        self.run.say("")
        stand.page.follow(following, stand.place.music)

    def _begin_replay(self) -> None:
        take = self.run.rehearsal.last_take
        if take is None:
            raise UsageError("there is no take to go through yet: the space bar starts one")
        if not len(take.played):
            raise UsageError("nothing was played in the last take: there is nothing to go through")
        self.stand.replay(take)

    def _begin_example(self) -> None:
        """Hear the bars chosen as they are written, at the rung's tempo."""
        self.stand.replay(None)
        self._replaying().toggle()

    def _replaying(self) -> Replaying:
        if self.stand.replaying is None:
            raise UsageError("no take is being gone through: G begins that")
        return self.stand.replaying

    def _leave(self) -> None:
        if self.stand.replaying is not None:
            self.stand.end_replay()
        elif self.run.rehearsal.busy:
            self.run.stop()
            self._hands.let_go(self.run.controller.keys)
        elif self.stand.looked_at is not None:
            self.stand.looked_at = None
        elif self.run.repertoire.on_exercise:
            self.run.repertoire.back_to_piece()
            self.show_music()
        else:
            self.quit = True

    def _full_screen(self) -> None:
        if said := turn_full_screen():
            self.run.say(said)
            return
        self._resize(pygame.display.get_window_size())
        self.stand.refresh()

    def _look(self, by: int) -> None:
        notes, section = self.run.rehearsal.passage.notes, self.run.rehearsal.section
        at = self.stand.looked_at
        at = section.first_note if at is None else max(0, min(len(notes) - 1, at + by))
        self.stand.look_at(at, telling=at in self.stand.told_notes())
        self.run.say("")
        self.stand.page.follow(at, self.stand.place.music)
