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


def watched(session):
    """Make the session's follower note its own CPU time; return the list its costs go to, in ns."""
    spent = []
    for name in ("feed", "trace"):
        call = getattr(session.follower, name)

        def timed(*arguments, call=call):
            began = time.thread_time_ns()
            result = call(*arguments)
            spent.append(time.thread_time_ns() - began)
            return result

        setattr(session.follower, name, timed)
    return spent


def main():
    rows = []
    for groups in (16, 200, 2_000, 20_000):
        score = generated_piece(seed=1, groups=groups)
        session = Session(score)
        spent = watched(session)
        events = events_of(score)[:6_000]
        wall, cpu, own = [], [], []
        gc.collect()
        gc.disable()
        for event in events:
            spent.clear()
            began, began_cpu = time.perf_counter_ns(), time.thread_time_ns()
            session.feed(event)
            cpu.append(time.thread_time_ns() - began_cpu)
            wall.append(time.perf_counter_ns() - began)
            own.append(cpu[-1] - sum(spent))
        gc.enable()
        warm = len(wall) // 20
        rows.append(
            (session.groups.count, len(wall) - warm, *(np.array(c[warm:]) / 1e6 for c in (wall, cpu, own)))
        )
    print("feed, ms an event: by the clock; CPU time; CPU time without the follower's feed and trace")
    print("  groups  events" + "   median     p99     max" * 3)
    for count, n, *costs in rows:
        figures = "".join(f"{np.median(ms):9.3f}{np.percentile(ms, 99):8.3f}{ms.max():8.3f}" for ms in costs)
        print(f"{count:8d}{n:8d}{figures}")
    score = generated_piece(seed=2, groups=700)
    events = events_of(score)
    began, began_cpu = time.perf_counter(), time.thread_time()
    judge(events, score)
    took, took_cpu = time.perf_counter() - began, time.thread_time() - began_cpu
    length = events[-1].time_us / 1e6
    print(f"judge: {length:.0f} s of music in {took:.3f} s, {length / took:.0f} times real time")
    scaled, scaled_cpu = 300 * took / length, 300 * took_cpu / length
    print(f"  scaled to a take of 5 minutes: {scaled:.3f} s ({scaled_cpu:.3f} s of CPU)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
