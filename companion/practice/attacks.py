"""How each played note was begun: with the tongue, or slurred to from the note before. A probability for every note.

The model
---------
What is seen of a beginning is the *gap*: from when the key of the note before came up to when this note began, negative
where both overlap. For either way of beginning there is a distribution of gaps, which hangs on the habits of device and
player. Those are unknown, so a grid of habits is tried, and every note's probability is averaged over the grid by how
well each habit explains the whole take (Bayes' rule, no threshold). All habits are known ones with fixed places, none
is fitted freely: a take with gaps of one kind only stays one kind.

* Wind controller, slurred: the old note ends some ms after the new one began, in the same instant, or a moment before
  (common practice, no source). One MIDI message takes 1 ms on the wire.
* Wind controller, tongued: the tongue touches the reed for 34.5 ms (SD 5.8) whatever the tempo (Hofmann and others
  2012); softer and harder strokes are allowed for. Quick notes leave half the interval.
* Keyboard, slurred: keys overlap by 10 to 80 ms, more in slower notes (range from memory of Repp 1997; the growth:
  Repp 1995), hardly ever by nothing.
* Keyboard, detached: a share of the interval is silent. Staccato notes are held for about 40 %, repeated ones for about
  60 % of the interval (Bresin and Battel 2000); plain detached ones for about 80 or 90 % (common practice, no source).
* Each way to slur may go with each way to attack. In a small share of notes it is anything else, so that no single note
  can overrule the rest.

The same pitch again needs a new attack on any of them. Breath tells more where it is sent: the tongue shuts it off for
a moment, on some sensors only (the shares are ours). Where a device shows the tongue in the breath alone the gaps
are the same for both; that is a habit of its own, tried only where there is breath. A score that asks for a slur makes
one a little likelier: players do as written more often than not.

References
----------
A. Hofmann, V. Chatziioannou, W. Kausel, W. Goebl and others, Proc. ICMPC-ESCOM 2012, 442. B. H. Repp, J. Acoust. Soc.
Am. 97 (1995) 3862-3874: key overlap grows with the duration of the tones. B. H. Repp, Acta Psychologica 94 (1997).
R. Bresin and G. U. Battel, J. New Music Research 29 (2000) 211-224 (shares from the abstract).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import lgamma, log, pi

import numpy as np

from companion.arrays import Floats, Ints
from companion.practice.model import BreathArray, PlayedArray

__all__ = ["breath_falls", "gaps_s", "tongued_probabilities"]

#: Where a device ends a slurred note, before the next one's beginning (negative: after it), and the spread of that.
WIND_SLUR_GAPS_S, WIND_SLUR_SPREAD_S = (-0.012, -0.006, 0.0, 0.002), 0.002
#: How long the tongue takes: Hofmann's 34.5 ms (whose SD is 17 % of it); shorter and longer strokes than that.
TONGUE_GAPS_S, TONGUE_LOG_SD = (0.020, 0.0345, 0.055), 0.25
#: A quick note leaves so much of the interval to the tongue.
TONGUE_SHARE = 0.5
#: Overlap of keys, and silence as a share of the interval: barely and plainly detached, repeated, staccato. The spreads
#: are factors.
KEY_OVERLAPS_S, KEY_OVERLAP_LOG_SD = (0.012, 0.035, 0.100), 0.5
DETACHED_SHARES, DETACHED_LOG_SD = (0.08, 0.2, 0.4, 0.6), 0.35
#: Share of notes that no habit explains.
ODD_SHARE = 0.03
#: An odd slur overlaps by up to so much, or comes so late, seldom much later. An odd attack is seldom quicker than
#: this.
ODD_SLUR_S, LATE_SLUR_S, QUICK_ATTACK_S = (-0.5, 0.01), 0.002, 0.01
#: The lowest log density: what can't be.
LEAST_LOG = -40.0
#: Shares of tongued notes that are tried: a take may be all slurred, or all tongued.
SHARES_TONGUED = (0.02, 0.25, 0.5, 0.75, 0.98)
#: Natural log odds: what the score asks; a new attack at the same pitch; a device that hides the tongue.
ASKED_LOGIT, SAME_PITCH_LOGIT, HIDDEN_LOG = 1.0, 60.0, log(0.02)
#: The lowest breath round a beginning as a share of the breath before it, and how often it falls under the first, under
#: the second, or stays: tongued, slurred, and tongued on a device that shows it in the breath alone (ours).
BREATH_FALLS = (0.35, 0.75)
FALLS_TONGUED, FALLS_SLURRED, FALLS_SHOWN = (0.45, 0.20, 0.35), (0.01, 0.04, 0.95), (0.75, 0.20, 0.05)
#: Breath this near a beginning belongs to it.
NEAR_S = 0.015
#: Breath that is up in fewer of the notes than this is a keyboard's pressure, or a pedal.
BLOWN_SHARE = 0.8


@dataclass(frozen=True)
class _Seen:
    """What is seen of all beginnings but the first [shape=(notes - 1,)]."""

    gaps_s: Floats
    intervals_s: Floats
    prior_logit: Floats
    falls: Floats


def gaps_s(played: PlayedArray) -> Floats:
    """Silence before each note in s, negative where it overlaps the one before [shape=(notes,)]; NaN for the first. A
    note whose end was never told ends with the next one. Where a key was held on under the note before (a brushed one),
    the sound ended with the later of the two."""
    gaps = np.full(len(played), np.nan)
    up_s = played["offset_s"]
    ends_s = up_s.copy()
    ends_s[1:] = np.where(np.isnan(up_s[1:]), np.nan, np.fmax(up_s[1:], up_s[:-1]))
    gaps[1:] = np.nan_to_num(played["onset_s"][1:] - ends_s[:-1], nan=0.0)
    return gaps


def tongued_probabilities(
    played: PlayedArray, asked_slurred: Floats | None = None, breath: BreathArray | None = None
) -> Floats:
    """How likely each played note was begun with the tongue.

    Parameters
    ----------
    played : array of `PLAYED` [shape=(notes,)]
        In order of onset.
    asked_slurred : array [shape=(notes,)], optional
        1 where the score asks for a slur into this note, -1 where it asks for the tongue, 0 where it doesn't say.
    breath : array of `BREATH`, optional

    Returns
    -------
    float array [shape=(notes,)]
        NaN for the first note, which nothing comes before.
    """
    found = np.full(len(played), np.nan)
    if len(played) < 2:
        return found
    asked = np.zeros(len(played)) if asked_slurred is None else asked_slurred
    same_pitch = played["written_midi"][1:] == played["written_midi"][:-1]
    seen = _Seen(
        gaps_s=gaps_s(played)[1:],
        intervals_s=np.maximum(np.diff(played["onset_s"]), 1e-3),
        prior_logit=SAME_PITCH_LOGIT * same_pitch - ASKED_LOGIT * asked[1:],
        falls=breath_falls(played, breath)[1:],
    )
    found[1:] = _averaged(seen)
    return found


def _averaged(seen: _Seen) -> Floats:
    """Probabilities under each habit and each share of tongued notes, averaged by how well these explain the take."""
    habits = _habits(seen)
    log_slurred = np.array([slur for slur, _, _ in habits])
    log_tongued = np.array([tongue for _, tongue, _ in habits])
    # The same factor for all habits leaves their odds as they are and the numbers within reach.
    most = np.maximum(log_slurred, log_tongued).max(axis=0)
    shares = np.array(SHARES_TONGUED)
    logit = (np.log(shares) - np.log1p(-shares))[:, None] + seen.prior_logit
    before = 1.0 / (1.0 + np.exp(-logit))
    tongued = np.exp(log_tongued - most)[:, None, :] * before
    each = tongued + np.exp(log_slurred - most)[:, None, :] * (1.0 - before)
    weight = np.log(each).sum(axis=2) + np.array([prior for _, _, prior in habits])[:, None]
    weight = np.exp(weight - weight.max())
    averaged: Floats = np.einsum("hs,hsn->n", weight / weight.sum(), tongued / each)
    return averaged.clip(0.0, 1.0)


def _habits(seen: _Seen) -> list[tuple[Floats, Floats, float]]:
    """Log densities of what is seen, slurred and tongued (a factor of both left out); log prior of each habit."""
    gaps, per_note_s = seen.gaps_s, seen.intervals_s
    odd_slur, odd_attack = _odd(seen)
    slurs = [_student(gaps, gap_s, WIND_SLUR_SPREAD_S) for gap_s in WIND_SLUR_GAPS_S]
    slurs += [_log_normal(-gaps, overlap_s, KEY_OVERLAP_LOG_SD) for overlap_s in KEY_OVERLAPS_S]
    slurs = [_mixed(slur, odd_slur, ODD_SHARE) for slur in slurs]
    attacks = [_log_normal(gaps, np.minimum(s, TONGUE_SHARE * per_note_s), TONGUE_LOG_SD) for s in TONGUE_GAPS_S]
    attacks += [_log_normal(gaps, share * per_note_s, DETACHED_LOG_SD) for share in DETACHED_SHARES]
    attacks = [_mixed(attack, odd_attack, ODD_SHARE) for attack in attacks]
    habits = [(slur, attack, -log(len(slurs) * len(attacks))) for slur in slurs for attack in attacks]
    breath_logit = _falls_logit(seen.falls, FALLS_TONGUED)
    habits = [(slur, tongue + breath_logit, prior) for slur, tongue, prior in habits]
    if np.isfinite(seen.falls).any():
        shown_logit = _falls_logit(seen.falls, FALLS_SHOWN)
        habits += [(slur, slur + shown_logit, HIDDEN_LOG) for slur in slurs[: len(WIND_SLUR_GAPS_S)]]
    return habits


def _odd(seen: _Seen) -> tuple[Floats, Floats]:
    """Log densities of what no habit explains: a slur anywhere in `ODD_SLUR_S`, an attack after any silence."""
    low_s, high_s = ODD_SLUR_S
    late_s = np.maximum(seen.gaps_s - high_s, 0.0)
    slur = -log(high_s - low_s) - late_s / LATE_SLUR_S
    silent_s = np.maximum(seen.gaps_s, 1e-9)
    attack = np.log(-np.expm1(-silent_s / QUICK_ATTACK_S)) - np.log(np.maximum(seen.intervals_s, 0.1))
    return np.maximum(slur, LEAST_LOG), np.maximum(attack, LEAST_LOG)


def _mixed(log_density: Floats, odd: Floats, share: float) -> Floats:
    mixed: Floats = np.logaddexp(log_density + log(1 - share), odd + log(share))
    return mixed


def _student(x: Floats, middle: float, spread: float, freedom: int = 4) -> Floats:
    """Log density of Student's t: a bell with room for outliers."""
    const = lgamma((freedom + 1) / 2) - lgamma(freedom / 2) - 0.5 * log(freedom * pi) - log(spread)
    density: Floats = const - 0.5 * (freedom + 1) * np.log1p(((x - middle) / spread) ** 2 / freedom)
    return density


def _log_normal(x: Floats, middle: Floats | float, log_sd: float) -> Floats:
    """Log density round `middle`, of things that can't be under zero."""
    positive = np.maximum(x, 1e-9)
    density: Floats = (
        -np.log(positive) - log(log_sd * (2 * pi) ** 0.5) - 0.5 * (np.log(positive / middle) / log_sd) ** 2
    )
    return np.where(x > 0, np.maximum(density, LEAST_LOG), LEAST_LOG)


def breath_falls(played: PlayedArray, breath: BreathArray | None) -> Floats:
    """The lowest breath round each beginning, as a share of the breath in the note before [shape=(notes,)].

    NaN where that can't be said: the first note, none sent, or what was sent is not breath because it is down in many
    of the notes."""
    falls = np.full(len(played), np.nan)
    if breath is None or len(breath) < 2 or len(played) < 2:
        return falls
    onsets_s = played["onset_s"]
    ends_s = np.fmin(played["offset_s"][:-1], onsets_s[1:])
    middle_s = 0.5 * (onsets_s[:-1] + ends_s)
    levels = _breath_at(breath, middle_s)
    if np.mean(levels > 0) < BLOWN_SHARE:
        return falls
    lows = _lowest(breath, np.maximum(ends_s - NEAR_S, middle_s), onsets_s[1:] + NEAR_S)
    with np.errstate(divide="ignore", invalid="ignore"):
        falls[1:] = np.where(levels > 0, np.minimum(lows / levels, 1.0), np.nan)
    return falls


def _breath_at(breath: BreathArray, times_s: Floats) -> Floats:
    at = np.searchsorted(breath["time_s"], times_s, side="right") - 1
    return np.where(at >= 0, breath["value"][np.maximum(at, 0)], 0).astype(np.float64)


def _lowest(breath: BreathArray, from_s: Floats, to_s: Floats) -> Floats:
    """The lowest value that stood at any time from `from_s` to `to_s`."""
    lows = _breath_at(breath, from_s)
    first = np.searchsorted(breath["time_s"], from_s, side="right")
    last = np.searchsorted(breath["time_s"], to_s, side="right")
    for i in np.flatnonzero(last > first):
        lows[i] = min(lows[i], float(breath["value"][first[i] : last[i]].min()))
    return lows


def _falls_logit(falls: Floats, tongued: tuple[float, ...]) -> Floats:
    """Log odds of the tongue from how far the breath fell; 0 where nothing is known."""
    logit = np.log(np.array(tongued)) - np.log(np.array(FALLS_SLURRED))
    kind: Ints = np.digitize(np.nan_to_num(falls, nan=1.0), BREATH_FALLS)
    return np.where(np.isfinite(falls), logit[kind], 0.0)
