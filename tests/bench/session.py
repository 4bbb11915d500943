"""Cost of ``Session.feed`` by length of the score, and the speed of judging a whole take.

Run: ``python -m tests.bench.session``.  The bar to stay under is 0.96 ms, the time that one three-byte
message takes on a 31,250 Bd MIDI wire (MIDI 1.0 Detailed Specification 4.2.1: 320 µs a byte).
"""

import gc
import sys
import time

import numpy as np

from coach.core.events import End, NoteOff, NoteOn
from coach.core.session import Session, judge
from tests.pieces import generated_piece


def events_of(score, seed=1, wrong=0.03):
    """A plain performance at the written tempo with a few wrong notes and late stops."""
    rng = np.random.default_rng(seed)
    events = []
    for note in score.notes:
        start = round(score.nominal_us(int(note["onset"])) + rng.normal(0, 8_000)) + 1_000_000
        end = round(score.nominal_us(int(note["onset"] + note["duration"])) + rng.normal(20_000, 60_000))
        pitch = int(note["pitch"]) + (1 if rng.random() < wrong else 0)
        string = int(note["string"]) or 1
        events.append(NoteOn(start, pitch, 80, string))
        events.append(NoteOff(max(end + 1_000_000, start + 50_000), pitch, string))
    events.sort(key=lambda e: e.time_us)
    return [*events, End(events[-1].time_us + 3_000_000)]


def main():
    rows = []
    for groups in (16, 200, 2_000, 20_000):
        score = generated_piece(seed=1, groups=groups)
        session = Session(score)
        events = events_of(score)[:6_000]
        costs = []
        gc.collect()
        gc.disable()
        for event in events:
            began = time.perf_counter_ns()
            session.feed(event)
            costs.append(time.perf_counter_ns() - began)
        gc.enable()
        ms = np.array(costs[len(costs) // 20 :]) / 1e6
        rows.append((session.groups.count, len(ms), np.median(ms), np.percentile(ms, 99), ms.max()))
    print("feed, ms an event\n  groups  events  median     p99     max")
    for count, n, median, p99, worst in rows:
        print(f"{count:8d}{n:8d}{median:8.3f}{p99:8.3f}{worst:8.3f}")
    score = generated_piece(seed=2, groups=700)
    events = events_of(score)
    began = time.perf_counter()
    judge(events, score)
    took = time.perf_counter() - began
    length = events[-1].time_us / 1e6
    print(f"judge: {length:.0f} s of music in {took:.3f} s, {length / took:.0f} times real time")
    print(f"  scaled to a take of 5 minutes: {300 * took / length:.3f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
