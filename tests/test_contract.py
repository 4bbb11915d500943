"""The JSON documents that other tools read: exact keys, tokens and kinds of every field."""

import json
from pathlib import Path

from coach.app.piece import open_piece
from coach.core.events import End
from coach.core.preparation import prepare
from coach.core.report import report
from coach.core.session import judge
from coach.files.plan_report import plan_json
from coach.files.plan_text import plan_text
from coach.files.report import review_json, review_text
from tests.scores import piece
from tests.test_session import CLEAN, STEPS, bass_line, on

SCORES = Path(__file__).resolve().parents[1] / "scores"
NUMBER, TEXT, TRUTH = (int, float), str, bool
PLAN_DAMP = {
    "note": int, "bar": int, "beat": NUMBER, "string": int, "fret": int, "pitch": int, "due_bar": int,
    "due_beat": NUMBER, "reason": TEXT, "next_string": int, "ways": list, "way": TEXT, "time_ms": NUMBER,
    "clash": TEXT, "in_chord": TRUTH, "wanted": TRUTH, "number": int, "below_bass": TRUTH, "reachable": TRUTH,
}  # fmt: skip
PLAN_NOTE = {
    "note": int, "bar": int, "beat": NUMBER, "voice": TEXT, "pitch": int, "string": int, "fret": int,
    "finger": int, "pluck": TEXT,
}  # fmt: skip
DAMP = {
    "pass": int, "note": int, "bar": int, "beat": NUMBER, "string": int, "fret": int, "pitch": int,
    "verdict": TEXT, "on_s": NUMBER, "due_s": NUMBER, "release_s": NUMBER, "overhang_ms": NUMBER,
    "uncertainty_ms": NUMBER, "overhang_beats": NUMBER, "way": TEXT,
}  # fmt: skip
NOTE = {
    "pass": int, "bar": int, "beat": NUMBER, "voice": int, "string": int, "pitch": int, "verdict": TEXT,
    "on_s": NUMBER, "asynchrony_ms": NUMBER,
}  # fmt: skip
STRAY = {"pass": int, "string": int, "pitch": int, "bar": int, "from_s": NUMBER, "ms": NUMBER, "source": TEXT}
BAR = {
    "pass": int, "bar": int, "tempo": NUMBER, "drift_ms": NUMBER, "slope_ms": NUMBER, "spread_ms": NUMBER,
    "n": int, "drift_error_ms": NUMBER, "drift_90_ms": list, "slope_error_ms": NUMBER, "slope_90_ms": list,
    "tempo_error": NUMBER, "tempo_90": list, "lean": str, "pace": str, "bass_after_melody_ms": NUMBER,
    "bass_after_melody_error_ms": NUMBER, "bass_after_melody_90_ms": list, "bass_after_melody_n": int,
}  # fmt: skip
DRIFT = {
    "pass": int, "change_percent": NUMBER, "change_error_percent": NUMBER, "change_90_percent": list,
    "change_n": int, "pace": str, "bass_after_melody_ms": NUMBER, "bass_after_melody_error_ms": NUMBER,
    "bass_after_melody_90_ms": list, "bass_after_melody_n": int, "calibrated": TRUTH,
}  # fmt: skip
PASS = {
    "pass": int,
    "first_bar": int,
    "last_bar": int,
    "clean": TRUTH,
    "part": str,
    "unclear": int,
    "faults": list,
}
NULLABLE = {
    "string", "fret", "next_string", "way", "time_ms", "on_s", "due_s", "release_s", "overhang_ms",
    "overhang_beats", "beat", "voice", "asynchrony_ms", "ms", "tempo", "drift_ms", "slope_ms", "spread_ms",
    "finger", "pluck", "drift_error_ms", "drift_90_ms", "slope_error_ms", "slope_90_ms", "tempo_error",
    "tempo_90", "lean", "pace", "bass_after_melody_ms", "bass_after_melody_error_ms",
    "bass_after_melody_90_ms", "change_percent", "change_error_percent", "change_90_percent",
}  # fmt: skip


def check(rows, shape):
    assert rows
    for row in rows:
        assert set(row) == set(shape)
        for key, kind in shape.items():
            assert isinstance(row[key], kind) or (row[key] is None and key in NULLABLE), (key, row[key])


def test_a_plan():
    score = piece("4/4", "A2 1, D3 1, E2 1, - 1, C3 1, C3 1, D3~ 2", qpm=72)
    document = json.loads(plan_json(prepare(score)))
    assert set(document) == {"score", "bars", "damps", "mend_first", "notes", "form"}
    facts = document["score"]
    assert set(facts) == {"title", "bars", "pickup", "key", "scale", "tempo", "meter", "level"}
    assert (facts["bars"], facts["pickup"], facts["tempo"], facts["meter"]) == (2, False, 72.0, "4/4")
    assert facts["level"] == "intermediate"
    assert [set(bar) for bar in document["bars"]] == [{"bar", "chord", "roman", "phrase", "chords"}] * 2
    check(document["damps"], PLAN_DAMP)
    check(document["notes"], PLAN_NOTE)
    assert [row["number"] for row in document["damps"]] == [1, 2, 3, 4, 5, 6]
    wanted = {row["number"] for row in document["damps"] if row["wanted"]}
    assert set(document["mend_first"]) == wanted
    assert [row["reason"] for row in document["damps"]] == [
        "next-bass", "next-bass", "rest", "replaced", "next-bass", "free",
    ]  # fmt: skip
    first = document["damps"][0]
    assert (first["bar"], first["beat"], first["due_bar"], first["due_beat"]) == (1, 1.0, 1, 2.0)
    assert (first["string"], first["fret"], first["pitch"], first["next_string"]) == (5, 0, 45, 4)
    assert first["ways"] == ["returning-thumb", "side-of-thumb"]
    assert first["time_ms"] == round(60_000 / 72, 1)


def test_harmony_and_form_of_an_etude():
    # Étude 2 is in A major (three sharps); its last bar is the tonic chord, on the bass A alone and above.
    document = json.loads(plan_json(prepare(open_piece(SCORES / "02-a-borrowed-umbrella.musicxml").score)))
    assert document["score"]["key"] == "A major"
    assert document["score"]["scale"].startswith("A")
    assert (document["bars"][-1]["chord"], document["bars"][-1]["roman"]) == ("A", "I")
    assert document["bars"][-1]["phrase"]
    assert document["score"]["pickup"] is True
    chunks = document["form"]["chunks"]
    assert {c["size"] for c in chunks} >= {1, 2, 4}
    first_four = next(c for c in chunks if c["size"] == 4)
    assert (first_four["last_bar"], first_four["lands_bar"], first_four["join"]) == (4, 5, False)


def test_a_pickup_bar_is_bar_0_and_its_beats_lead_to_the_barline():
    score = piece("2/4", "- 1/2, A2 1, D3 1", "E4 1/2, E4 2", pickup="1/2")
    document = json.loads(plan_json(prepare(score)))
    assert document["score"]["pickup"] is True
    assert [bar["bar"] for bar in document["bars"]] == [0, 1]
    session = judge([on(1, 64), on(1.5, 45), on(1.5, 64), on(2.5, 50), End(9_000_000)], score)
    notes = json.loads(review_json(report(session)))["notes"]
    assert (notes[0]["bar"], notes[0]["beat"]) == (0, 2.5)  # the last eighth of a 2/4 bar


def take(**changed):
    line = list(CLEAN)
    for index, value in changed.items():
        line[int(index[1:])] = value
    events = [*bass_line(*line), on(3.5, 59, velocity=30)]
    return judge([*sorted(events, key=lambda e: e.time_us), End(10_000_000)], STEPS)


def test_a_review():
    document = json.loads(review_json(report(take(n0=(45, 1.24), n2=(41, 1.0)))))
    assert set(document) == {"passes", "damps", "strays", "notes", "bars", "ignored", "drift"}
    check(document["passes"], PASS)
    check(document["damps"], DAMP)
    check(document["notes"], NOTE)
    check(document["strays"], STRAY)
    check(document["bars"], BAR)
    check(document["drift"], DRIFT)
    late = document["damps"][0]
    assert late | {"overhang_beats": 0, "fret": 0} == {
        "pass": 1, "note": 0, "bar": 1, "beat": 1.0, "string": 5, "fret": 0, "pitch": 45, "verdict": "late",
        "on_s": 1.0, "due_s": 2.0, "release_s": 2.24, "overhang_ms": 240.0, "overhang_beats": 0,
        "uncertainty_ms": 0.0, "way": "returning-thumb",
    }  # fmt: skip
    assert abs(late["overhang_beats"] - 0.24) < 1e-3
    assert [n["verdict"] for n in document["notes"]][:3] == ["right", "right", "wrong"]
    stray = document["strays"][0]
    assert (stray["string"], stray["pitch"], stray["from_s"], stray["ms"]) == (2, 59, 3.5, None)
    assert document["passes"][0]["clean"] is False
    assert {f["what"] for f in document["passes"][0]["faults"]} == {"late", "wrong", "stray"}


def test_a_clean_pass_says_so():
    clean = judge([*bass_line(*CLEAN), End(10_000_000)], STEPS)
    (one,) = json.loads(review_json(report(clean)))["passes"]
    assert one == {
        "pass": 1,
        "first_bar": 1,
        "last_bar": 2,
        "clean": True,
        "part": "",
        "unclear": 0,
        "faults": [],
    }
    assert "Pass 1, bars 1–2: clean." in review_text(report(clean))


def test_the_tables_a_student_reads():
    text = review_text(report(take(n0=(45, 1.24))))
    row = next(line for line in text.splitlines() if "stopped late" in line)
    assert row.split()[:3] == ["1", "1", "⑤"]
    assert "+240 ms" in row
    assert row.endswith("play the new bass, then lay the thumb straight back on string 5")
    plan = plan_text(prepare(STEPS)).splitlines()
    row = next(line for line in plan if "returning thumb, or side of the thumb" in line)
    assert row.split()[:5] == ["1", "1", "1", "A", "⑤"]
