"""The click: exact to the sample in the buffer, and as the mixer plays it."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from ports.passages import etude

from companion.ports.click import CLICK_RATE_HZ, ClickPlayer, PlainClick, click_tone, render_click
from companion.practice.clock import take_clock


@pytest.mark.parametrize("rate_hz", [16_000, 44_100, 48_000])
def test_every_click_begins_at_its_sample(rate_hz: int) -> None:
    times_s = np.cumsum(np.random.default_rng(1).uniform(0.1, 1.0, 200)) - 2.0
    clicks = [PlainClick(float(t), i % 4 == 0, t < 0) for i, t in enumerate(times_s)]
    buffer = render_click(clicks, rate_hz, level=0.5, lead_s=2.0)
    assert buffer.dtype == np.int16
    for click in clicks:
        place = round((2.0 + click.time_s) * rate_hz)
        assert buffer[place - 1] == 0
        assert abs(int(buffer[place])) > 0.7 * np.abs(buffer[place : place + 400]).max()
    silent = np.ones(len(buffer), bool)
    for click in clicks:
        place = round((2.0 + click.time_s) * rate_hz)
        silent[place : place + round(0.06 * rate_hz)] = False
    assert not buffer[silent].any()


def test_the_downbeat_is_higher_and_the_count_in_softer() -> None:
    def strongest_hz(tone: np.ndarray) -> float:
        return float(np.argmax(np.abs(np.fft.rfft(tone, 16_000))))

    assert strongest_hz(click_tone(True)) > 1.3 * strongest_hz(click_tone(False))
    for downbeat in (True, False):
        counted, played = (render_click([PlainClick(0, downbeat, c)], level=0.5) for c in (True, False))
        assert np.abs(counted).max() < np.abs(played).max() == round(0.5 * 32767)
    assert np.abs(render_click([PlainClick(0)])).max() <= 0.3 * 32767, "moderate unless asked otherwise"


def test_clicks_close_together_add_up_without_wrapping_round() -> None:
    buffer = render_click([PlainClick(0.0, True), PlainClick(1 / 16_000, True)], 16_000, level=1.0)
    tone = np.rint(click_tone(True, 16_000) * 32767)
    assert buffer[1] == np.clip(tone[1] + tone[0], -32768, 32767)


def test_a_take_is_rendered_as_the_clock_has_it() -> None:
    clock = take_clock(etude(32), 120, count_in_bars=1)
    buffer = render_click(clock.clicks, lead_s=-clock.start_s)
    onsets = [round((click.time_s - clock.start_s) * CLICK_RATE_HZ) for click in clock.clicks]
    assert onsets == [8000 * i for i in range(12)]
    assert all(buffer[onset] for onset in onsets)


def test_a_click_before_the_buffer_is_refused() -> None:
    with pytest.raises(ValueError, match=r"a click at -1 s lies before the buffer: give lead_s=1 or more"):
        render_click([PlainClick(-1.0), PlainClick(0.0)])


def test_long_takes_stay_small_and_quick() -> None:
    clicks = [PlainClick(i * 0.5, i % 4 == 0) for i in range(1200)]
    began_s = time.thread_time()
    buffer = render_click(clicks)
    assert time.thread_time() - began_s < 0.25  # measured: about 10 ms for these ten minutes
    assert buffer.nbytes < 20_000_000
    assert len(render_click([])) < 1000


def test_starting_tells_when_the_first_sample_sounds() -> None:
    player = ClickPlayer()
    buffer = render_click([PlainClick(0.0)])
    try:
        assert player.open()
        now_ns = time.perf_counter_ns()
        start_ns = player.start(buffer)
        assert 0 < start_ns - now_ns - player.latency_ns < 2_000_000_000
        at_ns = time.perf_counter_ns() + 200_000_000
        assert 0 <= player.start(buffer, at_ns) - at_ns < 20_000_000
        player.set_volume(2.0)
        player.set_muted(True)
        assert player._sound.get_volume() == 0
        player.set_muted(False)
        assert player._sound.get_volume() == 1
        player.stop()
        player.stop()
        assert player.remark == ""
    finally:
        player.close()


def test_without_a_sound_device_it_says_so_once_and_goes_on() -> None:
    code = """
from companion.ports.click import ClickPlayer, PlainClick, render_click
player = ClickPlayer(now_ns=lambda: 1_000)
assert player.start(render_click([PlainClick(0.0)]), 5_000) == 5_000
assert player.start(render_click([PlainClick(0.0)])) == 1_000
player.set_volume(0.5); player.stop(); player.close()
print(player.remark)
"""
    done = _run(code, SDL_AUDIODRIVER="no_such_driver")
    assert done.stderr == ""
    assert done.stdout.startswith("no sound (") and done.stdout.endswith(
        "the click is silent, the beat is still to be seen\n"
    )


def test_what_the_mixer_plays_keeps_every_distance_to_the_sample(tmp_path: Path) -> None:
    """SDL's `disk` driver writes what would go to the sound card."""
    played = tmp_path / "played.raw"
    code = """
import time
from companion.ports.click import ClickPlayer, PlainClick, render_click
player = ClickPlayer()
player.start(render_click([PlainClick(0.1 + 0.0733 * i, i == 0) for i in range(6)]))
time.sleep(0.9)
player.close()
assert player.remark == "", player.remark
"""
    done = _run(code, SDL_AUDIODRIVER="disk", SDL_DISKAUDIOFILE=str(played))
    assert done.returncode == 0, done.stderr
    samples = np.frombuffer(played.read_bytes(), dtype=np.int16)
    loud = np.flatnonzero(np.abs(samples) > 0.5 * np.abs(samples).max())
    onsets = loud[np.flatnonzero(np.diff(loud, prepend=-10_000) > 500)]
    wanted = np.array([round((0.1 + 0.0733 * i) * CLICK_RATE_HZ) for i in range(6)])
    assert len(onsets) == 6
    assert (onsets - onsets[0]).tolist() == (wanted - wanted[0]).tolist()


def _run(code: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        timeout=20,
        check=False,
    )
