"""``coach exercise``: what is written, what is said, and what is refused."""

from pathlib import Path

import pytest

from coach.app.exercise import run_exercise
from coach.core import words
from coach.core.damping import plan_stops
from coach.core.errors import CoachError
from coach.files.score_file import read_score

SCORES = Path(__file__).parents[1] / "scores"
UMBRELLA = SCORES / "02-a-borrowed-umbrella.musicxml"
LAMPS = SCORES / "01-lamps-on.musicxml"


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def refusal(path, **options):
    with pytest.raises(CoachError) as caught:
        run_exercise(path, **options)
    told = str(caught.value)
    assert "\n" not in told
    return told


@pytest.mark.parametrize(
    ("kind", "stop", "ending", "title"),
    [
        ("stop", 5, "stop-5", "A Borrowed Umbrella: stop 5, bar 5"),
        ("worst", None, "stop-", "A Borrowed Umbrella: stop "),
        ("melody", None, "melody", "A Borrowed Umbrella: the tune alone"),
        ("bass", None, "bass", "A Borrowed Umbrella: the bass line alone"),
        ("scale", None, "scale", "A Borrowed Umbrella: the scale of the tune"),
    ],
)
def test_every_kind_is_written_into_the_current_folder(folder, capsys, kind, stop, ending, title):
    assert run_exercise(UMBRELLA, kind=kind, stop=stop) == 0
    (path,) = folder.iterdir()
    assert path.name.startswith(f"02-a-borrowed-umbrella-{ending}")
    score = read_score(path).score
    assert score.title.startswith(title)
    assert len(score.notes)
    told = capsys.readouterr().out
    assert told.startswith(f"Written: {path.name}\n")
    assert words.HAND_CARE in told
    assert "“A Borrowed Umbrella”" in told


def test_it_says_what_it_trains_in_plain_sentences(capsys):
    run_exercise(UMBRELLA, kind="stop", stop=5)
    told = capsys.readouterr().out
    assert (
        "It trains stop 5 of “A Borrowed Umbrella”: in bar 5 the D on string ④ has to end as the A on "
        "string ⑤ begins; the thumb comes to rest on string ④ as it plays the new bass."
    ) in told
    assert "bars 4–6 of the piece, as written." in told
    assert "Go on to the next stage once you have played it cleanly three times running." in told
    assert "♩ = 36" in told


def test_the_numbers_are_those_of_the_plan(folder):
    # Étude 1: stop 2 is bar 1, beat 2 (beat 1 is replaced by the same string)
    run_exercise(LAMPS, kind="stop", stop=2, out=folder / "two.xml")
    score = read_score(folder / "two.xml").score
    first = plan_stops(score)[0]
    assert (first.string, first.next_string) == (5, 4)


def test_a_file_is_never_overwritten_unasked(folder):
    path = folder / "mine.musicxml"
    path.write_text("mine")
    told = refusal(UMBRELLA, kind="bass", out=path)
    assert "exists already" in told
    assert "--replace" in told
    assert path.read_text() == "mine"
    assert run_exercise(UMBRELLA, kind="bass", out=path, replace=True) == 0
    assert "score-partwise" in path.read_text()
    assert [found.name for found in folder.iterdir()] == ["mine.musicxml"]


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"kind": "stop", "stop": 99}, "no stop 99: the piece has 19"),
        ({"kind": "stop", "stop": 0}, "no stop 0"),
        ({"kind": "stop", "stop": 1}, "stop 1 asks for nothing: the same string is played again"),
        ({"kind": "melody"}, "no tune"),
        ({"kind": "scale"}, "no tune"),
        ({"kind": "bass", "out": Path("nowhere/x.musicxml")}, "no such folder"),
        ({"kind": "bass", "out": Path("x.mid")}, "MusicXML"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_line(folder, options, told):
    assert told in refusal(LAMPS, **options)
    assert list(folder.iterdir()) == []


def test_a_refused_number_names_others_near_it():
    assert refusal(LAMPS, kind="stop", stop=1).endswith("choose one of 2, 3, 4")


def test_a_bass_that_may_ring_asks_for_nothing():
    assert "that bass may ring" in refusal(SCORES / "04-pages-turning.musicxml", kind="stop", stop=3)


def test_a_folder_is_no_file(folder):
    (folder / "x.musicxml").mkdir()
    assert "this is a folder" in refusal(LAMPS, kind="bass", out=folder / "x.musicxml")
