"""What sound costs: ``python -m tests.bench.sound``.  CPU time, not wall time; the best of a few runs.

The bars to stay under: 10 s of six-string music ready to be heard in well under 1 s, and full playing (six
strings, click and stops, in blocks of 256 frames) in under a tenth of one core.
"""

import sys
import time
from pathlib import Path

import numpy as np

from coach.app.piece import open_piece
from coach.core.count_in import click_ticks, count_in
from coach.core.damping import plan_stops
from coach.core.demonstration import assemble, demonstration
from coach.core.mixer import Mixer
from coach.core.pluck import OPEN, open_t60_s, ring
from coach.core.sounding import Tick, Tone, Track

SCORES = Path(__file__).parents[2] / "scores"
RATE, BLOCK = 48_000, 256


def best_s(work, times=3):
    """Return the least CPU time that a piece of work takes, in s."""
    spent = []
    for _ in range(times):
        began = time.process_time()
        work()
        spent.append(time.process_time() - began)
    return min(spent)


def six_strings(seconds, seed=1):
    """Music on all six strings: about twenty strokes a second, every second one stopped, and a click."""
    dice = np.random.default_rng(seed)
    tones = []
    for string, low in enumerate(OPEN, 1):
        at = 0.0
        while at < seconds:
            length = float(dice.choice([0.15, 0.3, 0.45]))
            stop = at + 0.8 * length if dice.random() < 0.5 else None
            tones.append(Tone(at, low + int(dice.integers(0, 6)), string, int(dice.integers(40, 120)), stop))
            at += length
    ticks = tuple(
        Tick(k * 0.125, 2 if k % 16 == 0 else 1 if k % 4 == 0 else 0) for k in range(int(seconds * 8))
    )
    return tuple(tones), ticks


def share(mixer, seconds):
    """Return the part of one core that playing takes, and the longest block's part of its time."""
    longest, began = 0.0, time.process_time()
    for frame in range(0, round(seconds * RATE), BLOCK):
        at = time.thread_time()
        mixer.block(frame, BLOCK)
        longest = max(longest, time.thread_time() - at)
    return (time.process_time() - began) / seconds, longest * RATE / BLOCK


def held_mb(mixer):
    """Return how much memory a mixer's samples take, in MB."""
    owners = {id(p.samples if p.samples.base is None else p.samples.base): p.samples for p in mixer._parts}
    return sum((s if s.base is None else s.base).nbytes for s in owners.values()) / 1e6


def main():
    for pitch in (40, 52, 64, 76):
        spent = best_s(lambda pitch=pitch: ring(pitch, 5 * RATE, RATE, t60_s=open_t60_s(pitch)))
        print(f"a free string of pitch {pitch}: {spent / 5 * 1e3:.2f} ms a second of tone")
    tones, ticks = six_strings(10.0)
    for name, period in (("once", None), ("again and again", 10.0)):
        track = Track(tones, ticks, 10.0, period)
        made = best_s(lambda track=track: Mixer(track, RATE))
        mixer = Mixer(track, RATE)
        used, longest = share(mixer, 20.0 if period else 10.0)
        print(
            f"10 s on six strings, {len(tones)} tones, {name}: made in {made:.3f} s, "
            f"{held_mb(mixer):.0f} MB; playing {used:.2%} of one core, longest block {longest:.1%}"
        )
    for path in sorted(SCORES.glob("*.musicxml")):
        score = open_piece(path).score
        last = len(score.bars) - 1
        lead = count_in(score, 0, 1.0)
        tones = demonstration(score, plan_stops(score), (0, last), 1.0)
        track = assemble(
            tones, click_ticks(score, 0, last, 1.0, subdivide=2), lead.length_s, count=lead.ticks
        )
        made = best_s(lambda track=track: Mixer(track, RATE), 2)
        mixer = Mixer(track, RATE)
        used, longest = share(mixer, track.length_s)
        print(
            f"{path.stem[:2]}: {track.length_s:.0f} s, {len(tones)} tones, made in {made:.3f} s, "
            f"{held_mb(mixer):.0f} MB; playing {used:.2%} of one core, longest block {longest:.1%}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
