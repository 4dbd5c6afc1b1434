"""How well a performance without a click is timed and told: run by hand, `python -m benchmarks.no_click`.

Simulated takes of which the tempo is known, at 0.7 to 1.3 of the printed tempo: how far the tempo found is off, how far
the own beat is off where each note was due, how often a tempo that moves is told, and how often one that holds is
called moving.
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np

from companion.practice.clock import note_onsets_s
from companion.practice.judges_sheet import judge_performance
from companion.practice.simulation import KINDS, simulate
from companion.scores import read

PASSAGES = Path(__file__).parents[1] / "shared" / "passages"
TREND_SHARES = (0.0, 0.03, 0.05, 0.08, 0.12, 0.2)
SEEDS = 20
#: Without drift and swing, so that the truth is what is put in here.
NO_TEMPO = [kind for kind in KINDS if kind not in ("drift", "swing")]


def main() -> None:
    """Print the tables."""
    passages = [read(path) for path in sorted(PASSAGES.iterdir()) if path.suffix in (".musicxml", ".mid")]
    print("level     change   takes  tempo off, median / 95 %   beat off (ms, median)  told as moving  seconds a take")
    for level in ("clean", "student", "messy"):
        for change in TREND_SHARES:
            tempo_off, beat_off_ms, told, took_s = [], [], 0, []
            for music in passages:
                for seed in range(SEEDS):
                    rng = np.random.default_rng(seed)
                    tempo_bpm = music.marked_tempo_bpm() * rng.uniform(0.7, 1.3)
                    kinds = [] if level == "clean" else NO_TEMPO
                    played = simulate(music, tempo_bpm, level, seed, kinds=kinds).played.copy()
                    lasts_s, sign = music.seconds(music.end, tempo_bpm), rng.choice([-1.0, 1.0])
                    for name in ("onset_s", "offset_s"):
                        played[name] += sign * change * played[name] ** 2 / (2 * lasts_s) + 3.0
                    begin = time.perf_counter()
                    judged = judge_performance(music, played)
                    took_s.append(time.perf_counter() - begin)
                    told += "it grew" in judged.sheet.tempo
                    if judged.own is None:
                        continue
                    tempo_off.append(abs(judged.own.tempo_bpm * (1 + sign * change / 2) / tempo_bpm - 1))
                    if level == "clean":
                        due_s = note_onsets_s(music, tempo_bpm)
                        due_s = due_s + sign * change * due_s**2 / (2 * lasts_s) + 3.0
                        beat_off_ms.append(1000 * float(np.nanmedian(np.abs(judged.own.due_s - due_s))))
            off = f"{100 * np.median(tempo_off):.1f} % / {100 * np.quantile(tempo_off, 0.95):.1f} %"
            beat = f"{np.median(beat_off_ms):.0f}" if beat_off_ms else "-"
            count = len(passages) * SEEDS
            print(
                f"{level:8}  {100 * change:4.0f} %  {count:6}  {off:>25}   {beat:>20}  {100 * told / count:12.0f} %"
                f"  {np.median(took_s):8.2f} (most {max(took_s):.2f})"
            )


if __name__ == "__main__":
    main()
