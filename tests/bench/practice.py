"""A practice hour with the drill, faster than life: a real port, a real window, the ladder, the history.

    python -m tests.bench.practice [--minutes 60] [--times 10] [--rate 0.8] [--etude 2]

A player in this process sends clean passes at the given rate, and passes with one fault, into a JACK port
of its own; the program, in another process with its window under Xvfb, hears them through its usual reader.
Only its clock runs ``--times`` as fast: music, waiting and practice time alike.  What it suggests is accepted
by a key.  Printed: what was played and what the history says of it, the steps climbed, memory, frames.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import asdict
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import IO, Any

from coach.app import drill as drill_app
from coach.app import live as live_app
from coach.app.drill import Wanted, drill_part, keep, ladder_of, maker, rules_of
from coach.app.drill_live import DrillLive
from coach.app.history import remember_sitting
from coach.app.play import guitar_in
from coach.app.sitting import Sitting, limits_of
from coach.app.terms import Terms
from coach.core.drill import Drill, PassResult
from coach.core.drill_rules import Decision
from coach.core.ladder import Part, Rung
from coach.files.history import History, history_path
from coach.files.ladder_file import ladder_path, read_ladder
from coach.files.settings import load_settings
from coach.screen.keys import DRILL_KEYS
from coach.screen.window import Window
from tests.dice import Dice
from tests.drill_room import etude
from tests.harness import ROOT, Display, JackServer, Plug, display_of, until
from tests.player import Converter, Faults, Manner, Performance, Placed, Player

SIZE = (1280, 720)
STEADY = Manner(rush=0.0, rubato=0.004, uneven=0.006, spread_ms=6.0, jitter_ms=2.0)
REST_S = 3.5  # from the last stroke to the next attempt, at the least; the settling time is 2 s
PATIENCE_S = 30.0  # of the music's time, for the program to change the step
CLEAN_ENDS = {"clean", "replaced", "free", "faded"}


# --- the program --------------------------------------------------------------------------------------


class FastDrill(Drill):
    """The drill on a clock that runs faster."""

    times = 1

    def take(self, result: PassResult, now_us: int) -> tuple[Decision, ...]:
        return super().take(result, now_us * self.times)

    def tick(self, now_us: int) -> tuple[Decision, ...]:
        return super().tick(now_us * self.times)


class Watched(DrillLive):
    """The drill in its window; it says on standard output how it stands, and measures itself."""

    out: IO[str]
    kinds: dict[str, int]
    frames_ms: list[float]
    changes_ms: list[float]  # frames in which another step or tempo was begun, and the first

    def _say(self, decisions: tuple[Decision, ...]) -> None:
        for one in decisions:
            self.kinds[one.kind.value] = self.kinds.get(one.kind.value, 0) + 1
        super()._say(decisions)

    def step(self, now_ns: int) -> None:
        start = time.perf_counter_ns()
        super().step(now_ns)
        self._stepped_ms = (time.perf_counter_ns() - start) / 1e6
        drill = self.drill
        says = {
            "rung": {**asdict(self.rung), "part": self.rung.part.value},
            "speed": self.speed,
            "moving": self._moving,
            "passes": drill.passes,
            "climbed": sum(drill.climbed(rung) for rung in drill.rungs),
            "steps": len(drill.rungs),
            "at": drill.at,
            "finished": drill.finished,
            "suggests": drill.suggestion is not None,
        }
        if says != getattr(self, "_said_last", None):
            self._said_last = says
            print(json.dumps(says), file=self.out, flush=True)

    def _show(self) -> None:
        start, before = time.perf_counter_ns(), getattr(self, "_shown_last", None)
        super()._show()
        self._shown_last = self.sitting
        took_ms = (time.perf_counter_ns() - start) / 1e6 + getattr(self, "_stepped_ms", 0.0)
        (self.frames_ms if before is self.sitting else self.changes_ms).append(took_ms)


def program(number: int, times: int) -> None:
    """Run the drill until interrupted; standard output carries lines of JSON."""
    out = os.fdopen(os.dup(1), "w")
    os.dup2(2, 1)  # what the program prints goes to the terminal
    piece, terms = etude(number), Terms()
    drill_app.Sitting = partial(Sitting, speed=float(times))  # type: ignore[misc, assignment]
    live_app.CALM_MS = max(live_app.CALM_MS // times, 1)  # type: ignore[misc]
    live_app.MESSAGE_NS //= times
    FastDrill.times = times
    drill = FastDrill(ladder_of(piece, terms, Wanted()), rules_of(piece, Wanted()))
    kept = ladder_path(piece.score.digest)
    ended_ms: list[float] = []

    def ended(sitting: Sitting) -> None:
        start = time.perf_counter_ns()
        for line in remember_sitting(sitting, part=drill_part(sitting)):
            print(line, file=sys.stderr)
        keep(kept, drill, piece.title)
        ended_ms.append((time.perf_counter_ns() - start) / 1e6)

    profile = Converter.ideal().profile(piece.score.tuning)
    window = Window(piece.score, piece.xml, size=SIZE, title=piece.title, keys=DRILL_KEYS)
    live = Watched(drill, maker(piece, terms, profile, limits_of({})), window, listen=False, ended=ended)
    live.out, live.kinds, live.frames_ms, live.changes_ms = out, {}, [], []
    live.speak = lambda sentence: window.say(sentence)  # type: ignore[method-assign]
    window.turn_to(live.sitting.piece.score, live.sitting.piece.xml)
    memory: list[tuple[float, int]] = []
    stop = threading.Event()
    begin = time.perf_counter()

    def look() -> None:
        while not stop.wait(5 * 60 / times / 2):
            memory.append(((time.perf_counter() - begin) * times / 60, rss_kib()))

    threading.Thread(target=look, daemon=True).start()
    live.run(guitar_in("guitar", live.on_message, load_settings()), None, linger=False)
    stop.set()
    memory.append(((time.perf_counter() - begin) * times / 60, rss_kib()))
    if live.sitting.begun:
        ended(live.sitting)
    window.close()
    said = {"kinds": live.kinds, "memory": memory, "ended_ms": ended_ms}
    said |= {"frames_ms": live.frames_ms, "changes_ms": live.changes_ms}
    print(json.dumps({"over": said}), file=out, flush=True)


def rss_kib() -> int:
    """Return this process's resident memory."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") // 1024


# --- the player ---------------------------------------------------------------------------------------


class Status:
    """What the program said last."""

    def __init__(self, stream: IO[str]) -> None:
        self.now: dict[str, Any] = {}
        self.over: dict[str, Any] = {}
        self._stream = stream
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        for line in self._stream:
            said = json.loads(line)
            if "over" in said:
                self.over = said["over"]
            else:
                self.now = said


def attempt(make: Any, says: dict[str, Any], seed: int, rate: float) -> tuple[Performance, bool, Rung]:
    """Return what the player makes of the step, whether it is clean, and the step."""
    rung = Rung(**{**says["rung"], "part": Part(says["rung"]["part"])})
    score = make(rung, says["speed"]).piece.score
    dice = Dice(f"practice {seed}")
    good = dice.chance(rate)

    def play(*placed: Placed) -> Performance:
        faults = Faults(placed=placed)
        return Player(
            score, seed=seed, tempo=says["speed"], faults=faults, manner=STEADY, converter=Converter.ideal()
        ).play()

    if good:
        return play(), True, rung
    for _ in range(20):
        note = score.notes[dice.whole(0, len(score.notes) - 1)]
        bar = score.bars[int(note["bar"])]
        kinds = ("late", "cut", "ringing", "wrong") if note["bass"] else ("wrong", "missing")
        beat = score.beat(int(note["onset"]), int(note["bar"]))
        placed = Placed(dice.one_of(kinds), bar.number, beat, bool(note["bass"]), turn=bar.round)
        try:
            made = play(placed)
        except (LookupError, ValueError):  # no room for that there
            continue
        if not clean(made, rung):
            return made, False, rung
    return play(), True, rung


def clean(made: Performance, rung: Rung) -> bool:
    """Whether a performance has no fault that the step asks about; what it lands on may end as it likes."""
    truth = made.truth
    wrong = any(note.kind != "right" for note in truth.notes)
    last = max(note.onset_us for note in truth.notes) - 60_000
    ends = any(end.verdict not in CLEAN_ENDS for end in truth.ends if end.on_us is None or end.on_us < last)
    return not (wrong or truth.missing or ends)


def send(plug: Plug, made: Performance, times: int) -> None:
    """Send a performance, so many times as fast."""
    begin = time.perf_counter()
    for time_us, data in made.messages:
        left = begin + time_us / 1e6 / times - time.perf_counter()
        if left > 0:
            time.sleep(left)
        plug.send(data)


def practise(
    display: Display, plug: Plug, process: subprocess.Popen[str], options: argparse.Namespace
) -> tuple[list[dict[str, Any]], Status, float]:
    """Play for the time asked; return every attempt, what the program said, and the minutes it took."""
    assert process.stdout is not None
    status, times = Status(process.stdout), options.times
    assert until(lambda: bool(status.now), 30), "the program never said anything"
    plug.send()
    profile = Converter.ideal().profile(etude(options.etude).score.tuning)
    make = maker(etude(options.etude), Terms(), profile, limits_of({}))
    played: list[dict[str, Any]] = []
    begin = time.perf_counter()
    while (minutes := (time.perf_counter() - begin) * times / 60) < options.minutes:
        says = status.now
        if says["finished"] or process.poll() is not None:
            break
        made, good, rung = attempt(make, says, len(played) + 1, options.rate)
        before = says["passes"]
        send(plug, made, times)
        played.append({"place": rung.place, "speed": says["speed"], "clean": good})
        time.sleep(REST_S / times)
        heard = until(lambda before=before: status.now["passes"] > before, PATIENCE_S / times)  # type: ignore[misc]
        if not heard:
            print(f"not counted: pass {len(played)}, {rung.name} at {says['speed']:g}")
        if status.now["suggests"]:
            display.ask("key", "Right")
            time.sleep(0.1)
        if not until(lambda: not status.now["moving"], PATIENCE_S / times):
            print(f"did not change: after pass {len(played)}, {rung.name}")
    return played, status, minutes


def main() -> None:
    """Practise, and print what came of it."""
    raw = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=raw)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--times", type=int, default=10)
    parser.add_argument("--rate", type=float, default=0.8)
    parser.add_argument("--etude", type=int, default=2)
    parser.add_argument("--program", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.program:
        program(options.etude, options.times)
        return
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "frames").mkdir()
        for name in ("COACH_TAKES", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME"):
            os.environ[name] = str(folder / "home")
        server = JackServer(period=64)
        server.start()
        os.environ.update(server.env)
        try:
            with display_of(folder / "frames", *SIZE) as display, Plug("guitar") as plug:
                told(*_run(display, plug, options), options)
        finally:
            server.stop()


def _run(
    display: Display, plug: Plug, options: argparse.Namespace
) -> tuple[list[dict[str, Any]], Status, float]:
    words = ["--program", "--etude", str(options.etude), "--times", str(options.times)]
    process = subprocess.Popen(
        [sys.executable, "-X", "faulthandler", "-m", "tests.bench.practice", *words],
        cwd=ROOT,
        env={**os.environ, **display.env},
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        found = practise(display, plug, process, options)
        process.send_signal(signal.SIGINT)
        process.wait(30)
        assert until(lambda: bool(found[1].over), 5), f"the program ended with {process.returncode}"
        return found
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()


def told(played: list[dict[str, Any]], status: Status, minutes: float, options: argparse.Namespace) -> None:
    """Print the table."""
    says, over = status.now, status.over
    rows = sorted(History(history_path()).passes(), key=lambda row: (row.take, row.number))
    rows.sort(key=lambda row: datetime.fromisoformat(row.when))
    good = sum(one["clean"] for one in played)
    print(f"{minutes:.1f} minutes at {options.times} times the speed of life, étude {options.etude}")
    print(f"passes played {len(played)}, clean {good}; the drill counted {says['passes']}")
    print(f"steps climbed {says['climbed']} of {says['steps']}; it stands at step {says['at'] + 1}")
    print("decisions: " + ", ".join(f"{kind} {count}" for kind, count in sorted(over["kinds"].items())))

    def tally(found: list[tuple[tuple[Any, ...], float, bool]]) -> dict[Any, tuple[int, int]]:
        sums: dict[Any, tuple[int, int]] = {}
        for where, speed, fine in found:
            passes, clean_ones = sums.get((where, round(speed, 3)), (0, 0))
            sums[where, round(speed, 3)] = passes + 1, clean_ones + fine
        return sums

    by_history = tally([((row.part, row.first, row.last), row.speed or 0, row.clean) for row in rows])
    by_player = tally([(tuple(one["place"]), one["speed"], one["clean"]) for one in played])
    differ = {k for k in by_history | by_player if by_history.get(k) != by_player.get(k)}
    print(f"history rows {len(rows)}, clean {sum(row.clean for row in rows)}; ", end="")
    print(f"of {len(by_player)} steps and tempi {len(differ)} differ from what was played")
    for key in sorted(differ):
        print(f"  {key}: history {by_history.get(key)}, played {by_player.get(key)} (passes, clean)")
    memory, frames = over["memory"], sorted(over["frames_ms"])
    print("memory, MiB: " + ", ".join(f"{kib / 1024:.0f} at {at:.0f} min" for at, kib in memory))
    share = [frames[min(int(len(frames) * q), len(frames) - 1)] for q in (0.5, 0.99)]
    print(f"frames {len(frames)}: median {share[0]:.2f}, p99 {share[1]:.1f}, longest {frames[-1]:.1f} ms")
    print("  the longest ten: " + ", ".join(f"{ms:.0f}" for ms in frames[-10:]))
    changes = over["changes_ms"]
    print(f"the first frame {changes[0]:.0f} ms; another step or tempo is begun within ", end="")
    print(f"{max(changes[1:], default=0.0):.0f} ms ({len(changes) - 1} times), ", end="")
    print(f"of which a sitting is put away within {max(over['ended_ms'], default=0.0):.0f} ms")
    plain, notice = read_ladder(ladder_path(etude(options.etude).score.digest))
    print(f"the kept ladder stands at {plain['at'] if plain else None} {notice}")


if __name__ == "__main__":
    main()
