"""``coach drill`` on the command line: the ladder, what is asked for, and what cannot be."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from coach.app.drill import Wanted, beginning, keep, ladder_of, maker, stand
from coach.app.sitting import limits_of
from coach.app.terms import Terms
from coach.cli import main
from coach.core.drill import PassResult
from coach.core.errors import CoachError
from coach.core.ladder import Part
from coach.files.history import History, history_path
from coach.files.history_rows import PassRow
from coach.files.ladder_file import ladder_path
from tests.drill_room import etude, ladder_of_etude
from tests.harness import ROOT

SCORE = str(ROOT / "scores" / "02-a-borrowed-umbrella.musicxml")
LAMPS = str(ROOT / "scores" / "01-lamps-on.musicxml")
CLEAN = PassResult(complete=True, clean=True, notes=9)


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("XDG_CONFIG_HOME", "XDG_CACHE_HOME", "XDG_DATA_HOME"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    monkeypatch.setenv("COACH_TAKES", str(tmp_path / "takes"))
    monkeypatch.setenv("SDL_VIDEODRIVER", "nothing-of-that-name")
    for name in ("DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    return tmp_path


def said(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, list[str], list[str]]:
    code = main(["drill", *words])
    captured = capsys.readouterr()
    return code, captured.out.splitlines(), captured.err.splitlines()


def test_list_says_every_step_in_order(capsys: pytest.CaptureFixture[str]):
    code, (head, *lines), errors = said(capsys, SCORE, "--list")
    assert (code, errors) == (0, [])
    assert head.startswith("Each step three times clean in a row")
    assert len(lines) == len(ladder_of_etude(2))
    assert lines[0] == "→   1  the scale of A major"
    assert lines[1] == "    2  melody alone, bars 1–2 with the pickup"
    assert lines[-1].split(maxsplit=1)[1] == "together, the whole piece"


def test_list_marks_where_the_player_stands_and_what_is_done(capsys: pytest.CaptureFixture[str]):
    drill = stand(etude(2), ladder_of_etude(2), Wanted(at=1, start=60), ladder_path(""))
    for turn in range(6):
        drill.take(CLEAN, turn * 1_000_000)
    keep(ladder_path(etude(2).score.digest), drill, "t")
    _, (_, *lines), _ = said(capsys, SCORE, "--list")
    assert [line[:5].split() for line in lines[:4]] == [["✓", "1"], ["✓", "2"], ["→", "3"], ["4"]]
    _, (_, *lines), _ = said(capsys, SCORE, "--list", "--from-start")
    assert lines[0].startswith("→   1")
    assert not any("✓" in line for line in lines)


def test_list_of_one_part(capsys: pytest.CaptureFixture[str]):
    code, (_, *lines), _ = said(capsys, SCORE, "--list", "--part", "bass")
    assert code == 0
    assert len(lines) == sum(rung.part is Part.BASS for rung in ladder_of_etude(2)) == 13
    assert all("bass alone" in line for line in lines)
    assert lines[0].startswith("→   1")


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ((LAMPS, "--part", "melody"), "it has no such part"),
        ((SCORE, "--at", "39"), "its ladder has 38 steps, not 39"),
        ((SCORE, "--at", "0"), "its ladder has 38 steps, not 0"),
        ((SCORE, "--at", "-3"), "its ladder has 38 steps, not -3"),
        ((SCORE, "--from", "90", "--goal", "60"), "begin at 90 beats a minute, faster than its goal of 60"),
        (("no-such-file.musicxml",), "no-such-file.musicxml"),
    ],
)
def test_what_cannot_be_is_one_line(capsys: pytest.CaptureFixture[str], words: tuple[str, ...], line: str):
    code, out, errors = said(capsys, *words, "--list")
    assert (code, out) == (1, [])
    assert len(errors) == 1
    assert line in errors[0]


@pytest.mark.parametrize(
    "words", [("--from", "0"), ("--goal", "-5"), ("--needed", "0"), ("--by", "x"), ("--part", "trombone")]
)
def test_a_setting_that_makes_no_sense_is_refused(capsys: pytest.CaptureFixture[str], words: tuple[str, ...]):
    with pytest.raises(SystemExit) as left:
        main(["drill", SCORE, "--list", *words])
    assert left.value.code == 2
    assert words[0] in capsys.readouterr().err


def test_the_help_says_what_there_is(capsys: pytest.CaptureFixture[str]):
    with pytest.raises(SystemExit) as left:
        main(["drill", "--help"])
    assert left.value.code == 0
    told = capsys.readouterr().out
    for word in ("--part", "--at", "--from-start", "--needed", "--goal", "--click", "--silent", "--synth"):
        assert word in told


def test_a_part_that_is_asked_for_forgets_nothing_of_the_others():
    """Who practises the bass for a day has still climbed the steps of the melody."""
    kept = ladder_path(etude(2).score.digest)
    drill = stand(etude(2), ladder_of_etude(2), Wanted(at=2, start=60), kept)
    for turn in range(3):
        drill.take(CLEAN, turn * 1_000_000)
    keep(kept, drill, "t")
    wanted = Wanted(part="bass", start=60)
    rungs = ladder_of(etude(2), Terms(), wanted)
    bass = stand(etude(2), rungs, wanted, kept)
    assert (bass.rung, bass.count) == (rungs[0], 0)
    for turn in range(3):
        bass.take(CLEAN, turn * 1_000_000)
    keep(kept, bass, "t")
    again = stand(etude(2), ladder_of_etude(2), Wanted(start=60), kept)
    assert again.climbed(ladder_of_etude(2)[1])
    assert again.climbed(rungs[0])
    assert again.rung is not None
    assert again.rung.place == rungs[1].place  # it goes on where the player was last


def test_a_ladder_without_steps_is_a_clear_line():
    with pytest.raises(CoachError, match="no such part"):
        ladder_of(etude(1), Terms(), Wanted(part="scale"))


def test_what_was_clean_yesterday_comes_first():
    kept = ladder_path(etude(2).score.digest)
    keep(kept, stand(etude(2), ladder_of_etude(2), Wanted(at=30), kept), "t")
    rung = ladder_of_etude(2)[2]  # melody alone, bars 3–4
    for number in range(3):
        row = PassRow(
            when=f"2020-05-04T18:3{number}:00+00:00", title="A Borrowed Umbrella",
            digest=etude(2).score.digest, take="a.mid", number=number + 1, part="melody",
            first_bar=3, last_bar=4, first=rung.first, last=rung.last, speed=0.8, clean=True, complete=True,
            faults=0, drift_ms=None, right=8, notes=8, bpm=None,
        )  # fmt: skip
        History(history_path()).add(row, ())
    drill = stand(etude(2), ladder_of_etude(2), Wanted(), kept)
    assert (drill.rung, drill.speed, drill.needed) == (rung, 0.8, 1)
    assert drill.at == 29  # where it goes on afterwards
    assert beginning(drill) == "First what was clean before: melody alone, bars 3–4, at 48 beats a minute."
    (said_now,) = drill.take(CLEAN, 0)
    assert (
        said_now.sentence
        == "Still clean. Back again: together, bars 1–2 with the pickup, at 36 beats a minute."
    )
    assert stand(etude(2), ladder_of_etude(2), Wanted(at=7), kept).at == 6  # who asks for a step gets it
    assert stand(etude(2), ladder_of_etude(2), Wanted(from_start=True), kept).at == 0


def test_without_a_display_it_is_one_line(capsys: pytest.CaptureFixture[str]):
    code, _, errors = said(capsys, SCORE, "--silent")
    assert code == 1
    assert len(errors) == 1
    assert "Traceback" not in errors[0]


def test_what_a_step_does_not_ask_for_is_pale_on_its_page():
    # Bars 9 and 10 from the upbeat: of bar 8 only the last eighth is played, of bar 11 only the first beat.
    piece, colour = etude(2), re.compile(r'<note id="(bar\d+)v(\d)n(\d+)" color="#8C8C8C">')
    make = maker(piece, Terms(), None, limits_of({}))
    steps = {rung.name: rung for rung in ladder_of_etude(2)}
    together = make(steps["together, bars 9–10 from the upbeat"], 1.0)
    pale = {found.groups() for found in colour.finditer(together.piece.xml)}
    assert {bar for bar, _, _ in pale}.isdisjoint({"bar9", "bar10"})
    assert {one for one in pale if one[0] in ("bar8", "bar11")} == {
        ("bar8", "1", "1"),
        ("bar8", "2", "1"),
        ("bar11", "1", "2"),
        ("bar11", "1", "3"),
    }
    bass = colour.findall(make(steps["bass alone, bars 9–10"], 1.0).piece.xml)
    assert {voice for bar, voice, _ in bass if bar in ("bar9", "bar10", "bar11")} == {"1"}
    assert colour.sub("", piece.xml) == piece.xml  # the piece itself stays in ink
