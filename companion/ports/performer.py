"""The simulated player's take as MIDI messages. Pure: same in, same out.

How it plays is `companion.practice.simulation`. At the stand there are more levels than that knows: players who have
practised the bars and keep with the click. They slip the more the faster it goes, at the same places again, less with
every take, and make good what a stumble cost. The figures are ours, chosen so that `steady` has about 6 ms of spread
against the click, `student` 9 to 14 ms and `beginner` 25 ms and more, and so that a student climbs the ladder.
"""

from __future__ import annotations

from collections.abc import Mapping

from companion.charts.model import Chart
from companion.errors import UsageError
from companion.passage import Passage
from companion.planning.model import Plan
from companion.practice import sim_levels as kinds_of
from companion.practice import simulation
from companion.practice.sim_levels import Level
from companion.practice.simulation import SimulatedTake, TimedMessage, play_take

__all__ = ["LEVELS", "TimedMessage", "perform"]


def _practised(
    finger_sd_s: float, clock_share: float, early_s: float, correction: float, length_sd: float, rates: dict[str, float]
) -> Level:
    return Level(
        finger_sd_s, clock_share, early_s, correction, length_sd,
        catch_up_share=0.25, pause_s=(0.1, 0.35), corrected=0.0, strain_growth=2.5, place_spread=1.0,
        rates={kinds_of.TRILL: 1.0, **rates},
    )  # fmt: skip


#: Of the levels that `simulation` has, only its own `student`, a lesson's first reading, is not among these.
LEVELS: Mapping[str, Level] = {
    "steady": _practised(0.005, 0.008, 0.0, 0.7, 0.02, {}),
    "student": _practised(
        0.007, 0.015, 0.003, 0.6, 0.03,
        {
            kinds_of.WRONG_PITCH: 0.0012, kinds_of.OCTAVE_SLIP: 0.0002, kinds_of.BLIP: 0.0010,
            kinds_of.LEFT_OUT_NOTE: 0.0004, kinds_of.DOUBLED: 0.0003, kinds_of.STUTTER: 0.0005,
            kinds_of.HESITATION: 0.0006, kinds_of.ARTICULATION: 0.0008,
        },
    ),
    "beginner": _practised(
        0.016, 0.035, 0.010, 0.4, 0.08,
        {
            kinds_of.WRONG_PITCH: 0.017, kinds_of.OCTAVE_SLIP: 0.003, kinds_of.BLIP: 0.012,
            kinds_of.LEFT_OUT_NOTE: 0.007, kinds_of.DOUBLED: 0.006, kinds_of.STUTTER: 0.010,
            kinds_of.HESITATION: 0.012, kinds_of.ARTICULATION: 0.030,
        },
    ),
    **{name: level for name, level in simulation.LEVELS.items() if name != "student"},
}  # fmt: skip


def perform(
    passage: Passage,
    tempo_bpm: float,
    level: str,
    seed: int,
    take: int = 0,
    shift_semitones: int = 0,
    plan: Plan | None = None,
    breath_hz: float = 100.0,
    chart: Chart | None = None,
) -> tuple[TimedMessage, ...]:
    """One take of the passage as MIDI messages in order of time.

    Parameters
    ----------
    tempo_bpm
        Quarters a minute; later tempo marks keep their ratio to the first.
    level
        A key of `LEVELS`.
    take
        0 for the first; the same seed, take and tempo give the same events.
    shift_semitones
        What a listener must add to a number received to get the written pitch: 0 for a device that sends written
        pitch, 9 for an alto that sends sounding pitch.
    plan
        Where given, hard changes of fingering (`change_s`) are where slips and hesitations gather.
    breath_hz
        How often the breath is looked at; 0 sends none.
    chart
        With the plan: what sounds where fingers do not move together.

    Raises
    ------
    UsageError
        Unknown level, a tempo that isn't positive, a plan of another passage, or a note outside MIDI's 0 to 127.
    """
    if level not in LEVELS:
        raise UsageError(f"no player called {level!r}: there is {', '.join(LEVELS)}")
    played = play_take(
        passage, tempo_bpm, LEVELS[level], level, seed, take=take, plan=plan, chart=chart, breath_hz=breath_hz
    )
    return _shifted(played, shift_semitones) if shift_semitones else played.messages


def _shifted(take: SimulatedTake, shift_semitones: int) -> tuple[TimedMessage, ...]:
    for midi in sorted({int(midi) for midi in take.played["written_midi"]}):
        if not 0 <= midi - shift_semitones <= 127:
            raise UsageError(f"written note {midi} less {shift_semitones} semitones is outside MIDI's 0 to 127")
    return tuple(
        TimedMessage(time_s, bytes((message[0], message[1] - shift_semitones, message[2])))
        if message[0] in (0x80, 0x90)
        else TimedMessage(time_s, message)
        for time_s, message in take.messages
    )
