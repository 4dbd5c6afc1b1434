"""The pictures of `--shots`: of each state of a run as it goes, and at its end of the screens that nobody opened."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

from companion.window.head import beat_now
from companion.window.leaves import ScreenLeaf
from companion.window.lists import LEAVES
from companion.window.shots import Shots

if TYPE_CHECKING:
    from companion.window.app import App

__all__ = ["StandShots"]

#: So long the exercises are waited for that are looked for beside the loop.
OFFERS_WAIT_S = 10.0


class StandShots:
    """Takes pictures of an `App` into a folder, which is made. Raises `UsageError` where nothing can be saved there."""

    def __init__(self, app: App, folder: Path) -> None:
        self._app, self._shots = app, Shots(folder)

    def take(self) -> None:
        """Of this frame, where it shows a state that is worth one."""
        app, rehearsal = self._app, self._app.run.rehearsal
        if not app.stand.page.done:
            return
        state, beat = rehearsal.state, beat_now(app.run)
        if state == "playing" and rehearsal.caret < len(rehearsal.section.passage.notes) * 2 // 5:
            return
        if state == "count-in" and (beat is None or beat.at < 1):
            return
        self._shots.take(app.leaf.kind if app.leaf else state, app.screen, again=state == "after" and app.leaf is None)

    def take_the_rest(self) -> None:
        """Of the screens that nobody opened in a run by itself."""
        app, stand = self._app, self._app.stand
        self._what_the_take_tells()
        stand.looked_at = self._telling_note()
        app.run.repertoire.offers(OFFERS_WAIT_S)
        for action in LEAVES:
            app.do(action)
            if app.leaf is not None:
                app.frame()
                if isinstance(app.leaf, ScreenLeaf):
                    app.leaf.close()
                app.leaf = None
        if app.run.check.asking:
            app.run.end_check(keep=False)
        stand.refresh()
        self._an_exercise()
        self._trouble_bars()
        stand.looked_at = None
        app.run.whole()
        app.do("spots")
        self._take("hard-spots")

    def _take(self, name: str) -> None:
        self._app.stand.draw(self._app.screen)
        self._shots.take(name, self._app.screen)

    def _what_the_take_tells(self) -> None:
        """A slip on the horn, and the take gone through again to the middle of it."""
        app, stand = self._app, self._app.stand
        app.run.say("")
        if stand.told_notes():
            app.do("next_told")
            self._take("slip")
        if stand.take_shown() is not None:
            app.do("replay")
        if stand.replaying is not None:
            for _ in range(len(stand.replaying.replay.steps_s) * 2 // 5):
                stand.replaying.step(1)
            stand.go_on_replaying()
            self._take("replay")
            stand.end_replay()
        stand.look_at(None, telling=False)

    def _an_exercise(self) -> None:
        app, repertoire = self._app, self._app.run.repertoire
        offers = repertoire.offers(OFFERS_WAIT_S)
        if not offers:
            return
        repertoire.take_offer(offers[0])
        app.show_music()
        while not (app.stand.page.done or app.stand.engraving_fault):  # the engraver gives up by itself
            time.sleep(0.005)
            app.frame()
        self._take("exercise")
        repertoire.back_to_piece()
        app.show_music()

    def _telling_note(self) -> int:
        """A note of the bars chosen with something to choose."""
        rehearsal = self._app.run.rehearsal
        first = rehearsal.section.first_note
        choices = rehearsal.plan.choices[first + 1 : first + len(rehearsal.section.passage.notes)]
        return next((c.note_index for c in choices if len(c.runners_up) > 1 and c.fingering.mark), first)

    def _trouble_bars(self) -> None:
        stand, rehearsal = self._app.stand, self._app.run.rehearsal
        section = rehearsal.trouble_section() or (0, min(1, len(rehearsal.passage.bars) - 1))
        rehearsal.choose_bars(*section)
        stand.looked_at = self._telling_note()
        stand.page.follow(stand.looked_at, stand.place.music)
        stand.page.fill(stand.place.music)
        self._take("chosen-bars")
