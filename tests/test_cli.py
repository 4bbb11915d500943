"""The commands as a person types them: output, exit codes, one clear line for everything unusable."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import mido
import pytest

from coach.cli import main
from tests.harness import ROOT

SCORES = sorted((ROOT / "scores").glob("*.musicxml"))
TAKE = ROOT / "recordings" / "02-a-borrowed-umbrella-evening.mid"


@pytest.fixture(autouse=True)
def _places(tmp_path, monkeypatch):
    for name in ("COACH_TAKES", "XDG_CONFIG_HOME", "XDG_CACHE_HOME", "XDG_DATA_HOME"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)


def run(capsys, *words):
    code = main([str(word) for word in words])
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def one_line(err):
    assert err.startswith("coach: ")
    assert err.count("\n") == 1
    return err


@pytest.mark.parametrize("score", SCORES, ids=lambda p: p.stem)
def test_plan_of_every_included_score(capsys, score):
    code, out, err = run(capsys, "plan", score)
    assert (code, err) == (0, "")
    assert any(line.split()[:3] == ["bar", "beat", "bass"] for line in out.splitlines())
    code, out, _ = run(capsys, "plan", score, "--json")
    assert code == 0
    assert len(json.loads(out)["damps"]) >= 15


def test_review_prints_a_table_and_what_to_do_next(capsys):
    code, out, _ = run(capsys, "review", TAKE)
    assert code == 0
    late = next(line for line in out.splitlines() if "stopped late" in line)
    assert late.split()[:3] == ["2", "1", "④"]
    assert "three clean times in a row" in out
    assert "stop at once if anything hurts" in out


def test_review_as_json(capsys):
    code, out, _ = run(capsys, "review", TAKE, "--json")
    assert code == 0
    document = json.loads(out)
    assert [p["pass"] for p in document["passes"]] == [1, 2, 3]
    assert sum(d["verdict"] == "late" for d in document["damps"]) == 3


def test_a_raw_recording_of_the_converter_works_with_the_score_named(capsys, tmp_path):
    raw = mido.MidiFile(type=0, ticks_per_beat=480)
    raw.tracks.append(mido.merge_tracks(mido.MidiFile(TAKE).tracks))
    raw.tracks[0][:] = [m for m in raw.tracks[0] if m.type != "text"]
    raw.ticks_per_beat = mido.MidiFile(TAKE).ticks_per_beat
    path = tmp_path / "raw.mid"
    raw.save(path)
    code, _, err = run(capsys, "review", path)
    assert code == 1
    assert "give the score with --score FILE" in one_line(err)
    code, out, _ = run(capsys, "review", path, "--score", SCORES[1])
    assert code == 0
    assert "stopped late" in out


def test_a_take_of_another_piece_is_refused(capsys):
    code, out, err = run(capsys, "review", TAKE, "--score", SCORES[2])
    assert (code, out) == (1, "")
    first, last = err.splitlines()
    assert "played from another score (A Borrowed Umbrella)" in first
    assert "notes fit 03-rain-on-the-skylight.musicxml" in last


def test_two_takes_of_one_piece_are_compared_and_of_two_are_not(capsys):
    other = ROOT / "recordings" / "02-a-borrowed-umbrella-prepared.mid"
    code, out, _ = run(capsys, "review", TAKE, "--with", other)
    assert code == 0
    assert "this take: Pass 3 of 3" in out
    code, _, err = run(capsys, "review", TAKE, "--with", ROOT / "recordings" / "01-lamps-on-evening.mid")
    assert code == 1
    assert "another score (Lamps On)" in one_line(err)


def test_a_take_of_an_edited_score_is_judged_and_says_so(capsys, tmp_path):
    edited = tmp_path / "edited.musicxml"
    edited.write_text(SCORES[1].read_text("utf-8").replace("Umbrella", "Parasol"), "utf-8")
    code, out, err = run(capsys, "review", TAKE, "--score", edited)
    assert code == 0
    assert "stopped late" in out
    assert "played from another score" in one_line(err)


def test_demo_without_a_display_prints_the_summary(capsys, tmp_path):
    picture = tmp_path / "page.png"
    code, out, _ = run(capsys, "demo", "--headless", "--screenshot", picture)
    assert code == 0
    assert "17 of 22 stops came in time" in out
    assert picture.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_review_writes_the_page_too(capsys, tmp_path):
    picture = tmp_path / "page.png"
    code, out, _ = run(capsys, "review", TAKE, "--screenshot", picture)
    assert code == 0
    assert "stopped late" in out
    assert picture.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_demo_falls_back_to_no_window_where_there_is_no_display(capsys):
    code, out, err = run(capsys, "demo")
    assert code == 0
    assert "No display" in err
    assert "17 of 22 stops came in time" in out


def test_another_tuning_moves_the_notes(capsys):
    code, out, err = run(capsys, "plan", SCORES[0], "--tuning", "D2 A2 D3 G3 B3 E4", "--json")
    assert (code, err) == (0, "")
    strings = {(d["string"], d["fret"]) for d in json.loads(out)["damps"] if d["pitch"] == 40}
    assert strings == {(6, 2)}


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("plan", "nowhere.musicxml"), "nowhere.musicxml"),
        (("review", "nowhere.mid"), "nowhere.mid"),
        (("plan", "README.md"), "README.md"),
        (("review", "README.md"), "README.md"),
        (("plan", "."), ""),
        (("plan", str(SCORES[0]), "--tuning", "H2 A2"), "H2"),
        (("plan", str(SCORES[0]), "--capo", "99"), "capo 99"),
        (("review", str(TAKE), "--profile", "README.md"), "profile"),
        (("demo", "--headless", "--screenshot", "nowhere/page.png"), "nowhere/page.png"),
    ],
    ids=lambda value: " ".join(value)[-30:] if isinstance(value, tuple) else "",
)
def test_unusable_input_is_one_line_and_exit_1(capsys, monkeypatch, words, says):
    monkeypatch.chdir(ROOT)
    code, out, err = run(capsys, *words)
    assert code == 1
    assert out == ""
    assert says in one_line(err)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["review"], "coach review: the following arguments are required: TAKE; see coach review --help"),
        (["nonsense"], "'nonsense'"),
        (["demo", "--size", "wide"], "--size: give a size such as 1280x720"),
        (["play", "x", "--tolerance", "-1"], "--tolerance: a tolerance lies between 10 and 2000 ms"),
        (["drill", "x", "--drift", "abc"], "--drift: a tolerance lies between 10 and 2000 ms"),
        (["review", "x", "--pass", "last"], "--pass: give a whole number"),
    ],
)
def test_wrong_usage_is_one_line_and_exit_2(capsys, words, says):
    with pytest.raises(SystemExit) as stop:
        main(words)
    assert stop.value.code == 2
    err = capsys.readouterr().err
    assert err.startswith("coach")
    assert (says in err, err.count("\n")) == (True, 1)


def test_a_score_without_a_bass_is_said_and_followed(capsys, tmp_path):
    text = """<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>Guitar</part-name>
    </score-part></part-list><part id="P1"><measure number="1"><attributes><divisions>1</divisions><time>
    <beats>2</beats><beat-type>4</beat-type></time><clef><sign>G</sign><line>2</line>
    <clef-octave-change>-1</clef-octave-change></clef></attributes>
    <note><pitch><step>E</step><octave>4</octave></pitch><duration>1</duration><voice>1</voice></note>
    <note><pitch><step>F</step><octave>4</octave></pitch><duration>1</duration><voice>1</voice></note>
    </measure></part></score-partwise>"""
    path = tmp_path / "melody.musicxml"
    path.write_text(text)
    code, out, err = run(capsys, "plan", path, "--json")
    assert code == 0
    assert json.loads(out)["damps"] == []
    assert "no bass voice" in err


def test_the_module_runs_and_a_closed_pipe_is_no_error():
    command = f"{sys.executable} -m coach plan '{SCORES[1]}' | head -1"
    done = subprocess.run(
        ["bash", "-o", "pipefail", "-c", command], cwd=ROOT, capture_output=True, check=False
    )
    assert done.stdout.decode().strip() == "A Borrowed Umbrella"
    assert done.stderr == b""


def test_a_take_beside_its_score_needs_no_option(capsys, tmp_path):
    shutil.copy(SCORES[1], tmp_path / "piece.musicxml")
    shutil.copy(TAKE, tmp_path / "take.mid")
    code, out, _ = run(capsys, "review", tmp_path / "take.mid")
    assert code == 0
    assert out.startswith("A Borrowed Umbrella")
    assert Path(tmp_path / "take.mid").read_bytes() == TAKE.read_bytes()


def test_a_score_name_that_no_file_can_have(capsys):
    code, out, err = run(capsys, "plan", "x" * 300 + ".musicxml")
    assert (code, out) == (1, "")
    assert "cannot be opened" in one_line(err)


def test_without_a_display_the_first_page_gives_way_to_the_commands(capsys):
    code, out, err = run(capsys)
    assert code == 2
    assert err.startswith("coach: ")
    assert "no display" in err
    for command in ("plan", "exercise", "play", "review", "demo", "ports", "desktop"):
        assert f"\n    {command} " in out


def test_the_desktop_gets_an_entry(capsys, tmp_path):
    code, out, _ = run(capsys, "desktop")
    path = out.removeprefix("Written: ").strip()
    assert code == 0
    assert path.startswith(str(tmp_path))
    assert "Exec=" in Path(path).read_text("utf-8")
