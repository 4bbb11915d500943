"""Players who rush, drag and lean by a known amount, as onsets: nothing here knows how it is measured."""

import numpy as np

from coach.core.timing import Click, Onset
from tests.scores import Q, piece

BARS = 16
PATTERNS = ("1 1 1 1", "1/2 1/2 1 1/2 1/2 1", "1 1/2 1/2 1 1", "1/2 1/2 1/2 1/2 1 1")
SCORE = piece(
    "4/4", ", ".join(f"A2 {length}" for k in range(BARS) for length in PATTERNS[k % 4].split()), qpm=72
)
TICKS_BARS = {int(note["onset"]): int(note["bar"]) for note in SCORE.notes}
BAR_S = 4 * 60 / 72
CLICK = Click(1_000_000)


def clean_s(ramp=0.0, leaning=None, lean_s=0.0):
    """Times in s, and their ticks: tempo times (1 + ramp) with every bar; one bar leans by ``lean_s``."""
    ticks = SCORE.notes["onset"].astype(float)
    bars = ticks / (4 * Q)
    rate = np.log1p(ramp)
    times = bars * BAR_S if ramp == 0 else BAR_S * -np.expm1(-rate * bars) / rate
    if leaning is not None:
        times = times + np.where(SCORE.notes["bar"] == leaning, lean_s, 0.0)
    return ticks.astype(int), 1.0 + times


def take(seed, *, jitter_s=0.010, wander=0.0, trouble=False, tempo=1.0, **asked):
    """Onsets of one pass.  ``wander``: of each step, the share by which the player's clock errs.

    With ``trouble`` one onset in twelve is left out, two are far off (a wrong note matched there) and
    there is one hesitation of 1.5 s.
    """
    draw = np.random.default_rng(seed)
    ticks, times = clean_s(**asked)
    times = times / tempo
    steps = np.diff(times)
    times = times + np.concatenate(([0.0], np.cumsum(draw.normal(0, 1, len(steps)) * wander * steps)))
    times = times + draw.normal(0, jitter_s, len(times))
    kept = np.ones(len(times), bool)
    if trouble:
        times[len(times) // 2 + int(draw.integers(-8, 8)) :] += 1.5
        times[draw.choice(len(times) - 2, 2, replace=False) + 1] += draw.choice((-0.15, 0.15), 2)
        kept[1:] = draw.random(len(times) - 1) > 1 / 12
    order = np.argsort(times[kept])
    rows = zip(ticks[kept][order].tolist(), times[kept][order].tolist(), strict=True)
    return [Onset(tick, round(s * 1e6), TICKS_BARS[tick]) for tick, s in rows]
