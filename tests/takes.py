"""The takes in ``recordings/``: which faults each holds, and how they are written.

``python -m tests.player`` writes them all anew.  The faults of the evening takes are placed by hand, so that
each take tells a student's story; everything else is drawn from the seed.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, dataclass, field, fields, is_dataclass
from pathlib import Path
from typing import Any

from coach.core.score import Score
from coach.files.recording import Recorder, TakeMeta
from coach.files.score_file import read_score
from tests.converter import Converter
from tests.player import Faults, Manner, Performance, Placed, Player

ROOT = Path(__file__).resolve().parents[1]
FORMAT = 1  # of the truth files
TROUBLES = {
    "soft", "legato", "octave_rate", "octave_mend_rate", "lost_off_rate", "fade_slope_s", "pull_rate",
    "split_rate", "sympathetic_rate",
}  # fmt: skip
QUIET = Converter(ghost_rate=0.01, double_rate=0.0, bend_rate=0.05)
BUSY = Converter(ghost_rate=0.05, double_rate=0.02, double_gap_rate=0.0, bend_rate=0.25)


@dataclass(frozen=True, slots=True)
class Recipe:
    """One take: everything the player is told."""

    name: str
    seed: int
    score: str
    about: str
    tempo: float = 1.0
    faults: Faults = field(default_factory=Faults)
    manner: Manner = field(default_factory=Manner)
    converter: Converter = QUIET
    started: str = "2026-11-24T19:00:00"

    def read(self) -> Score:
        """Return the étude."""
        return read_score(ROOT / "scores" / f"{self.score}.musicxml").score

    def perform(self, score: Score | None = None) -> Performance:
        """Return the performance; always the same."""
        return Player(
            score or self.read(),
            seed=self.seed,
            tempo=self.tempo,
            faults=self.faults,
            manner=self.manner,
            converter=self.converter,
        ).play()


P = Placed

RECIPES = (
    Recipe("01-lamps-on-prepared", 101, "01-lamps-on", "prepared; nothing wrong"),
    Recipe(
        "01-lamps-on-evening",
        102,
        "01-lamps-on",
        "two late stops, one bass rings on, one is cut",
        tempo=0.9,
        started="2026-11-24T19:04:00",
        faults=Faults(
            placed=(
                P("late", 1, 3),
                P("ringing", 3, 3),
                P("cut", 5, 3),
                P("late", 7, 2, value=310),
            )
        ),
    ),
    Recipe("02-a-borrowed-umbrella-prepared", 201, "02-a-borrowed-umbrella", "prepared; nothing wrong"),
    Recipe(
        "02-a-borrowed-umbrella-evening",
        202,
        "02-a-borrowed-umbrella",
        "the demo: rushes a little; late stops, a bass rings on, one is cut, a wrong note, a missing one, a "
        "brushed string; stops in bar 7 and goes back two bars; at the end plays the last line once more",
        tempo=0.78,
        started="2026-11-24T19:12:00",
        manner=Manner(rush=0.09, rubato=0.02, uneven=0.015),
        converter=BUSY,
        faults=Faults(
            placed=(
                P("late", 2, 1, value=290),
                P("ringing", 4, 1),
                P("wrong", 5, 2.5, bass=False),
                P("restart", 7, 1, value=1),
                P("stray", 6, 1, pass_number=2),
                P("late", 7, 1, value=240, pass_number=2),
                P("cut", 8, 1),
                P("hesitation", 9, 1, value=0.9, pass_number=2),
                P("late", 10, 1, value=330, pass_number=2),
                P("missing", 10, 2.5, bass=False, pass_number=2),
                P("restart", 12, 1, value=3),
            )
        ),
    ),
    Recipe("03-rain-on-the-skylight-prepared", 301, "03-rain-on-the-skylight", "prepared; nothing wrong"),
    Recipe(
        "03-rain-on-the-skylight-evening",
        302,
        "03-rain-on-the-skylight",
        "basses left ringing into the rests; a wrong bass, a hesitation before the tied C, one restart",
        tempo=0.88,
        started="2026-11-24T19:21:00",
        manner=Manner(rush=-0.04, rubato=0.02, uneven=0.015),
        converter=BUSY,
        faults=Faults(
            placed=(
                P("late", 1, 1, value=350),
                P("ringing", 3, 3),
                P("hesitation", 6, 3, value=1.2),
                P("wrong", 7, 2),
                P("restart", 8, 3, value=3),
                P("late", 5, 1, value=400, pass_number=2),
                P("cut", 9, 3),
                P("missing", 10, 3),
                P("late", 11, 1, value=300),
            )
        ),
    ),
    Recipe(
        "03-rain-on-the-skylight-one-channel",
        303,
        "03-rain-on-the-skylight",
        "a pickup that sends all strings on channel 1; two late stops",
        started="2026-11-24T19:27:00",
        converter=Converter(
            ghost_rate=0.01,
            double_rate=0.0,
            bend_rate=0.0,
            single_channel=True,
            zero_rate=1.0,
            touch_rate=0.0,
        ),
        faults=Faults(placed=(P("late", 2, 3, value=320), P("late", 5, 1, value=350))),
    ),
    Recipe(
        "04-pages-turning-prepared",
        401,
        "04-pages-turning",
        "prepared; strings on channels 11 to 16; nothing wrong",
        converter=Converter(ghost_rate=0.01, double_rate=0.0, bend_rate=0.05, base_channel=11),
    ),
    Recipe(
        "04-pages-turning-evening",
        402,
        "04-pages-turning",
        "basses that may ring and basses that should not have; two missing inner notes, an extra one",
        tempo=0.9,
        started="2026-11-24T19:35:00",
        manner=Manner(rubato=0.02, uneven=0.015),
        converter=BUSY,
        faults=Faults(
            placed=(
                P("ringing", 2, 1),
                P("missing", 5, 2, bass=False),
                P("cut", 7, 1),
                P("ringing", 5, 4, turn=2),
                P("missing", 4, 5, bass=False, turn=2),
                P("extra", 6, 4, turn=2),
            )
        ),
    ),
    Recipe("05-the-last-one-out-prepared", 501, "05-the-last-one-out", "prepared; nothing wrong"),
    Recipe(
        "05-the-last-one-out-evening",
        502,
        "05-the-last-one-out",
        "each way of stopping fails once; one restart; better in the last eight bars",
        tempo=0.85,
        started="2026-11-24T19:44:00",
        manner=Manner(rush=0.03, rubato=0.02, uneven=0.015),
        converter=BUSY,
        faults=Faults(
            placed=(
                P("late", 1, 1, value=330),
                P("ringing", 3, 1),
                P("late", 4, 1, value=300),
                P("ringing", 8, 1),
                P("late", 9, 1, value=280),
                P("wrong", 11, 3, bass=False),
                P("restart", 12, 1, value=3),
                P("stray", 10, 1, pass_number=2),
                P("late", 15, 1, value=260),
                P("cut", 16, 1),
                P("late", 20, 1, value=240),
            )
        ),
    ),
)  # fmt: skip


def write(recipe: Recipe, folder: Path) -> Performance:
    """Write one take and its truth into ``folder``, in place of what was there."""
    score = recipe.read()
    done = recipe.perform(score)
    path = folder / f"{recipe.name}.mid"
    path.unlink(missing_ok=True)
    meta = TakeMeta(title=score.title, digest=score.digest, profile=done.profile, started=recipe.started)
    first = score.bars[0]
    qpm = score.qpm(0) * recipe.tempo
    with Recorder(path, meta, qpm=qpm, meter=(first.beats, first.beat_unit), fifths=first.fifths) as recorder:
        for time_us, data in done.messages:
            recorder.write(time_us, data)
        recorder.close(done.end_us)
        if recorder.failed:
            raise OSError(recorder.failed)
    truth = json.dumps(plain(recipe, score, done), indent=1, ensure_ascii=False)
    (folder / f"{recipe.name}.truth.json").write_text(truth + "\n", encoding="utf-8")
    return done


def plain(recipe: Recipe, score: Score, done: Performance) -> dict[str, Any]:
    """Return a take's truth file as JSON-ready values."""
    truth = done.truth.to_plain()
    for entry in (*truth["notes"], *truth["ends"], *truth["missing"]):
        row = entry["note"]
        if row >= 0:
            note = score.notes[row]
            entry["bar_number"] = score.bars[note["bar"]].number
            entry["beat"] = round(score.beat(int(note["onset"])), 4)
            entry["id"] = score.ids[note["written"]]
    return {
        "format": FORMAT,
        "simulated": True,
        "about": recipe.about,
        "score": f"{recipe.score}.musicxml",
        "digest": score.digest,
        "seed": recipe.seed,
        "tempo": recipe.tempo,
        "faults": _changed(recipe.faults),
        "manner": _habits(recipe.manner),
        "converter": _habits(recipe.converter),
        **truth,
    }


def _habits(value: Manner | Converter) -> dict[str, Any]:
    """Return how one plays or converts, JSON-ready; of the troubles only those that there are."""
    default = type(value)()
    return {k: v for k, v in asdict(value).items() if k not in TROUBLES or v != getattr(default, k)}


def _changed(value: object) -> Any:
    """Return a dataclass's fields that differ from their defaults, JSON-ready."""
    if is_dataclass(value):
        return {
            f.name: _changed(getattr(value, f.name))
            for f in fields(value)
            if getattr(value, f.name) != f.default
        }
    return [_changed(item) for item in value] if isinstance(value, tuple) else value


def main() -> None:
    """Write every take."""
    folder = ROOT / "recordings"
    folder.mkdir(exist_ok=True)
    for recipe in RECIPES:
        done = write(recipe, folder)
        verdicts = [end.verdict for end in done.truth.ends]
        counts = ", ".join(f"{verdicts.count(v)} {v}" for v in sorted(set(verdicts)))
        passes = len(done.truth.passes)
        sys.stdout.write(f"{recipe.name}: {done.end_us / 1e6:.1f} s, {passes} pass(es); {counts}\n")
