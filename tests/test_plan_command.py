"""``coach plan`` as a person uses it; and that play and review keep to what it keeps."""

import json
import os
import shutil
from datetime import datetime
from pathlib import Path

import pytest

from coach.app.piece import open_piece
from coach.app.sitting import Sitting, limits_of, replay
from coach.app.terms import Terms, terms_beside, terms_of
from coach.cli import main
from coach.core.levels import FIRST_LESSON, INTERMEDIATE, LEVELS
from coach.core.preparation import prepare
from coach.core.verdicts import Damping, DampingVerdict
from coach.devices.messages import Heard
from coach.files.plan_text import plan_text, stop_text
from coach.files.take import read_take
from tests.harness import ROOT

UMBRELLA = ROOT / "scores" / "02-a-borrowed-umbrella.musicxml"
TAKE = ROOT / "recordings" / "02-a-borrowed-umbrella-evening.mid"


@pytest.fixture
def score(tmp_path):
    return Path(shutil.copy(UMBRELLA, tmp_path / "umbrella.musicxml"))


def run(capsys, *words):
    code = main([str(word) for word in words])
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def damps(capsys, *words):
    code, out, err = run(capsys, "plan", *words, "--json")
    assert code == 0, err
    return json.loads(out)["damps"]


def test_the_plan_tells_key_form_chords_and_stops(capsys):
    code, out, err = run(capsys, "plan", UMBRELLA)
    assert (code, err) == (0, "")
    assert "A major, 2/4, ♩ = 60." in out
    assert "Mend these first: " in out
    assert "stop at once if anything hurts" in out
    row = next(line for line in out.splitlines() if line.startswith("5 "))  # bar 5: D on 4, then A on 5
    assert row.split()[:6] == ["5", "5", "1", "D", "④", "6:1"]
    assert "rest stroke, or returning thumb" in row


def test_one_stop_in_full(capsys):
    code, out, _ = run(capsys, "plan", UMBRELLA, "--stop", "5")
    assert code == 0
    lines = out.splitlines()
    assert lines[0] == "Stop 5 (the D of bar 5, string ④)"
    yes = [line for line in lines if line.startswith("  yes")]
    no = [line for line in lines if line.startswith("  no")]
    assert [line.split()[1:3] for line in yes] == [["rest", "stroke:"], ["returning", "thumb:"]]
    assert any("side of the thumb: string ④ is not the next lower-sounding" in line for line in no)
    assert any("left hand lifts: the string is open" in line for line in no)
    assert len(yes) + len(no) == 7  # every way of the trade is told


def test_a_stop_into_a_rest_tells_what_it_would_ring_into(capsys):
    # Étude 3, bar 4: the low E ends at the rest; under the A of bar 5 (A minor) it would lie below the bass.
    code, out, _ = run(capsys, "plan", UMBRELLA.with_name("03-rain-on-the-skylight.musicxml"), "--stop", "7")
    assert code == 0
    assert out.splitlines()[1:3] == [
        "It must end at 4:3: rest.",
        "If it rings on: muddies, below the bass, at 5:1: it belongs to the chord there, Am.",
    ]


def test_what_may_ring_is_kept_beside_the_score(capsys, score):
    assert damps(capsys, score)[1]["reason"] == "next-bass"
    code, _, err = run(capsys, "plan", score, "--free", "2:1")
    assert code == 0
    assert str(score.with_name("umbrella.taste.toml")) in err
    assert damps(capsys, score)[1]["reason"] == "free"
    assert terms_beside(open_piece(score))[0].free == {int(open_piece(score).score.notes["written"][row])
        for row in [damps(capsys, score)[1]["note"]]}  # fmt: skip
    assert run(capsys, "plan", score, "--ask", "2:1")[0] == 0
    assert damps(capsys, score)[1]["reason"] == "next-bass"


def test_a_mark_of_taste_that_meets_no_bass_any_more_is_told(capsys, score):
    score.with_name("umbrella.taste.toml").write_text("[[free]]\nbar = 2\nbeat = 2.0\n", "utf-8")
    code, _, err = run(capsys, "plan", score)
    assert code == 0
    assert "bar 2" in err.splitlines()[-1]


@pytest.mark.parametrize("words", [("--free", "2:2"), ("--ask", "2:1"), ("--free", "2:1", "--stop", "99")])
def test_nothing_is_kept_of_a_command_that_cannot_be(capsys, score, words):
    code, out, err = run(capsys, "plan", score, *words)
    assert (code, out, err.count("\n")) == (1, "", 1)
    assert not score.with_name("umbrella.taste.toml").exists()


@pytest.fixture
def crowded(score, tmp_path):
    """A folder with a score, its taste, a page of two, a link to the score, a pipe."""
    (tmp_path / "umbrella.taste.toml").write_text("# mine\n", "utf-8")
    (tmp_path / "old.pdf").write_text("old", "utf-8")
    (tmp_path / "page-2.png").write_text("old", "utf-8")
    (tmp_path / "link.musicxml").symlink_to(score)
    (tmp_path / "hard.musicxml").hardlink_to(score)
    os.mkfifo(tmp_path / "pipe.png")
    return tmp_path


@pytest.mark.parametrize(
    "words",
    [
        ("--pdf", "umbrella.musicxml", "--replace"),
        ("--png", "umbrella.musicxml", "--replace"),
        ("--musicxml", "umbrella.musicxml", "--replace"),
        ("--musicxml", "link.musicxml", "--replace"),
        ("--musicxml", "hard.musicxml", "--replace"),
        ("--musicxml", "umbrella.taste.toml", "--replace"),
        ("--pdf", "old.pdf"),
        ("--png", "page.png"),
        ("--png", "pipe.png", "--replace"),
        ("--pdf", "new.x", "--png", "new.x"),
        ("--pdf", "."),
        ("--pdf", "old.pdf/x"),
        ("--pdf", "x" * 300),
        ("--musicxml", "/"),
    ],
)
def test_no_file_is_lost_to_an_output(capsys, crowded, monkeypatch, words):
    monkeypatch.chdir(crowded)
    before = {path: path.read_bytes() for path in sorted(crowded.iterdir()) if path.is_file()}
    code, out, err = run(capsys, "plan", "umbrella.musicxml", *words)
    assert (code, out) == (1, "")
    assert err.startswith("coach: ")
    assert err.count("\n") == 1
    assert {path: path.read_bytes() for path in sorted(crowded.iterdir()) if path.is_file()} == before


def test_replace_writes_over_and_follows_a_link(capsys, score, tmp_path):
    (tmp_path / "real.pdf").write_text("old", "utf-8")
    (tmp_path / "link.pdf").symlink_to(tmp_path / "real.pdf")
    assert run(capsys, "plan", score, "--pdf", tmp_path / "link.pdf", "--replace")[0] == 0
    assert (tmp_path / "link.pdf").is_symlink()
    assert (tmp_path / "real.pdf").read_bytes().startswith(b"%PDF-")


def test_one_stop_is_told_and_the_page_printed(capsys, score, tmp_path):
    code, out, _ = run(capsys, "plan", score, "--stop", "5", "--png", tmp_path / "a.png")
    assert code == 0
    assert out.startswith("Stop 5 ")
    assert out.rstrip().endswith(f"Printed: {tmp_path / 'a.png'}")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--stop", "99"), "stop 99"),
        (("--stop", "0"), "stop 0"),
        (("--tempo", "999"), "tempo 999"),
        (("--free", "here"), "here"),
        (("--pdf", "nowhere/x.pdf"), "nowhere"),
        (("--png", "nowhere/x.png"), "nowhere"),
        (("--musicxml", "nowhere/x.musicxml"), "nowhere"),
    ],
)
def test_one_line_for_what_cannot_be(capsys, score, words, said):
    code, out, err = run(capsys, "plan", score, *words)
    assert (code, out) == (1, "")
    assert err.startswith("coach: ")
    assert err.count("\n") == 1
    assert said in err


def test_levels_ask_for_more_and_more(capsys, score):
    wanted = {
        level: sum(row["wanted"] for row in damps(capsys, score, "--level", level))
        for level in ("first-lesson", "intermediate", "concert")
    }
    assert 0 < wanted["first-lesson"] < wanted["intermediate"] <= wanted["concert"]
    text = run(capsys, "plan", score, "--level", "first-lesson")[1]
    assert "not asked for yet" in text
    assert "side of the thumb" not in text


def test_at_a_faster_tempo_the_thumb_has_less_time(capsys, score):
    slow, fast = damps(capsys, score), damps(capsys, score, "--tempo", "120")
    for at_60, at_120 in zip(slow, fast, strict=True):
        if at_60["time_ms"] is not None:
            assert at_120["time_ms"] == pytest.approx(at_60["time_ms"] / 2, abs=0.1)


def test_the_marked_score_reads_back_to_the_same_plan(capsys, score, tmp_path):
    marked = tmp_path / "marked.musicxml"
    code, out, _ = run(capsys, "plan", score, "--musicxml", marked)
    assert code == 0
    assert out.strip() == f"Written: {marked}"
    assert damps(capsys, marked) == damps(capsys, score)


def test_the_page_is_printed(capsys, score, tmp_path):
    code, out, _ = run(capsys, "plan", score, "--pdf", tmp_path / "a.pdf", "--png", tmp_path / "a.png")
    assert code == 0
    assert out.splitlines() == [f"Printed: {tmp_path / 'a.pdf'}", f"Printed: {tmp_path / 'a.png'}"]
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF-")
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")


def ends(session):
    return {v.note: v.kind for v in session.verdicts.values() if isinstance(v, DampingVerdict)}


def test_a_take_is_judged_under_the_terms_it_was_played_under(tmp_path):
    piece, take = open_piece(UMBRELLA), read_take(TAKE)
    faulty = replay(take, piece, profile=None, limits=limits_of({}))[0]
    late = next(note for note, kind in ends(faulty).items() if kind is Damping.LATE)
    terms = Terms(FIRST_LESSON, frozenset((int(piece.score.notes["written"][late]),)))
    sitting = Sitting(
        piece,
        profile=take.meta.profile,
        limits=limits_of({}),
        folder=tmp_path,
        started=datetime(2026, 11, 25, 18, 30),
        terms=terms,
    )
    for time_us, data in take.messages:
        sitting.hear(Heard(time_us * 1000, data))
    sitting.end(take.end_us * 1000)
    assert ends(sitting.session)[late] is Damping.FREE
    saved = read_take(next(tmp_path.glob("*.mid")))
    assert terms_of(saved.meta) == terms
    again = replay(saved, piece, profile=None, limits=limits_of(saved.meta.tolerances))[0]
    assert ends(again) == ends(sitting.session)
    as_ever = replay(saved, piece, profile=None, limits=limits_of({}), terms=Terms())[0]
    assert ends(as_ever)[late] is Damping.LATE


def test_the_level_beside_the_score_holds_unless_another_is_named(score):
    score.with_name("umbrella.taste.toml").write_text('level = "first-lesson"\n', "utf-8")
    piece = open_piece(score)
    assert terms_beside(piece)[0].level is FIRST_LESSON
    assert terms_beside(piece, "intermediate")[0].level is INTERMEDIATE


def test_review_at_a_level(capsys):
    strict = json.loads(run(capsys, "review", TAKE, "--json", "--level", "concert")[1])
    mild = json.loads(run(capsys, "review", TAKE, "--json", "--level", "first-lesson")[1])

    def faults(document):
        return sum(row["verdict"] in ("late", "ringing", "cut") for row in document["damps"])

    assert faults(strict) > faults(mild)


@pytest.mark.parametrize("name", sorted(path.name for path in UMBRELLA.parent.glob("*.musicxml")))
@pytest.mark.parametrize("level", ["first-lesson", "intermediate", "concert"])
def test_a_narrow_terminal_loses_no_stop_and_no_line_is_too_long(name, level):
    prepared = prepare(open_piece(UMBRELLA.parent / name).score, level=LEVELS[level])
    text = plan_text(prepared, 80)
    assert max(map(len, text.splitlines())) <= 80
    numbers = [
        int(line[:3]) for line in text.splitlines() if line[:3].strip().isdigit() and line[3:5] == "  "
    ]
    assert numbers == [number for number, _ in prepared.first_rounds()]
    for number in numbers:
        assert max(map(len, stop_text(prepared, number, 80).splitlines())) <= 80


def test_the_fingers_of_every_note(capsys):
    code, out, _ = run(capsys, "plan", UMBRELLA, "--fingers")
    assert code == 0
    rows = [line.split() for line in out.splitlines()[4:]]
    assert len(rows) == len(open_piece(UMBRELLA).score.notes)
    # Bar 1, beat 1, as printed in the score: A on the open fifth string by the thumb, C sharp on 2 at fret 2.
    assert ["1", "1", "bass", "A", "⑤", "0", "–", "p"] in rows
    assert ["1", "tune", "C♯", "②", "2", "3", "m"] in rows
