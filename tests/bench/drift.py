"""How well drift is known, by seeded takes: ``python -m tests.bench.drift [TAKES [FIRST]]``.

Seeds below 100 were looked at while the estimators were chosen; what is reported starts at FIRST, 100.

Coverage: in how many of a hundred takes the 90 % interval holds what was put in.  False alarms: in how many
takes of a steady player anything at all is said.  What is heard is the reference: 2.5 % of the step, here
10.4 to 20.8 ms (Friberg & Sundberg 1995); a change of 0.17 to 0.3 % an interval (Dahl & Madison, RPPW 10).

The player in trouble stops near the middle of the piece, soon after his seventh bar (a stop right at the end
of a bar that leans may swallow its step back into time); his fourth bar is far from that.  Both rows are a
little under the nominal 90 %.

A player whose clock wanders (the rows with ``wander``) does stray from any steady line, and is rightly told:
his rows are there for the change over the whole pass, which has to hold 0 all the same.
"""

import sys

import numpy as np

from coach.core.drift import pass_drift
from tests.drifting import CLICK, SCORE, take

FIRST = int(sys.argv[2]) if sys.argv[2:] else 100


def seeds(takes):
    return range(FIRST, FIRST + takes)


def against(how, seed, onsets, **asked):
    if how == "click":
        return pass_drift(SCORE, onsets, CLICK)
    model = take(10_000 + seed, tempo=1.1, jitter_s=asked.get("jitter_s", 0.010)) if how == "model" else None
    return pass_drift(SCORE, onsets, model=model)


def holds(told, value):
    return told is not None and told.low <= value <= told.high


def ramp(how, percent, takes, **asked):
    """Return the share of takes whose interval holds the change asked for, that were named, and its width."""
    found = [against(how, s, take(s, ramp=percent / 100, **asked)) for s in seeds(takes)]
    name = "rushing" if percent > 0 else "dragging"
    return (
        np.mean([holds(one.change_percent, percent) for one in found]),
        np.mean([one.pace == name for one in found]),
        np.median([one.change_percent.high - one.change_percent.low for one in found]),
    )


def lean(how, ms, takes, bar=6, **asked):
    """Return coverage of one bar's lean, how often it was named, the interval's width, and others named."""
    found = [against(how, s, take(s, leaning=bar, lean_s=ms / 1000, **asked)) for s in seeds(takes)]
    rows = [next(b for b in one.bars if b.bar == bar) for one in found]
    name = "behind" if ms > 0 else "ahead"
    return (
        np.mean([holds(row.drift_ms, ms) for row in rows]),
        np.mean([row.lean == name for row in rows]),
        np.median([row.drift_ms.high - row.drift_ms.low for row in rows if row.drift_ms is not None]),
        np.mean([any(b.lean for b in one.bars if b.bar != bar) for one in found]),
    )


def figures(how, takes, **asked):
    """Return coverage of each kind of figure, of a steady player: truth 0, 0, 100 and 0."""
    found = [against(how, s, take(s, **asked), **asked) for s in seeds(takes)]
    rows = [b for one in found for b in one.bars if b.drift_ms is not None]
    return (
        np.mean([holds(b.drift_ms, 0.0) for b in rows]),
        np.mean([holds(b.slope_ms, 0.0) for b in rows]),
        np.mean([holds(b.tempo_percent, 100.0) for b in rows]),
        np.mean([holds(one.change_percent, 0.0) for one in found]),
        np.mean([one.named for one in found]),
    )


def main(takes):
    print(f"{takes} takes each; 16 bars, jitter 10 ms\n")
    print("coverage of the 90 % interval   named   width")
    for how in ("own", "click", "model"):
        for percent in (-2, 2):
            for trouble in (False, True) if how != "click" else (False,):
                row = ramp(how, percent, takes, trouble=trouble)
                told = f"{how:6} ramp {percent:+d} %/bar{', trouble' if trouble else '':10}"
                print(f"{told} {row[0]:.3f}   {row[1]:.3f}   {row[2]:.2f} %/bar")
        for ms in (-30, 30):
            for bar, trouble in ((6, False), (6, True), (3, True)) if how != "click" else ((6, False),):
                row = lean(how, ms, takes, bar=bar, trouble=trouble)
                told = f"{how:6} bar {bar + 1} {ms:+d} ms{', trouble' if trouble else '':10}"
                print(f"{told}    {row[0]:.3f}   {row[1]:.3f}   {row[2]:.1f} ms   other bars: {row[3]:.3f}")
    print("\nsteady player: coverage of drift, slope, tempo, change; takes of which anything is said")
    for how in ("own", "click", "model"):
        for asked in ({}, {"trouble": True}, {"jitter_s": 0.02}, {"jitter_s": 0.005, "wander": 0.01}):
            if how == "click" and (asked.get("trouble") or asked.get("wander")):
                continue  # the click goes on without the player: what it says then is true
            row = figures(how, takes, **asked)
            print(f"{how:6} {asked!s:38}", "  ".join(f"{v:.3f}" for v in row))


if __name__ == "__main__":
    main(int(sys.argv[1]) if sys.argv[1:] else 400)
