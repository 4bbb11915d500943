"""``coach history``: takes go in once, the text and the JSON say what was practised, the picture shows it.

What the included takes hold is known from their recipes (tests/takes.py), not from the program.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pygame
import pytest

from coach.app.history import rebuild, remember, remember_sitting, run_history
from coach.app.history_picture import history_page
from coach.app.pass_rows import rows_of
from coach.core.errors import CoachError
from coach.core.report import report
from coach.core.words import HAND_CARE
from coach.files.history import History, history_path
from coach.files.history_rows import TOGETHER
from coach.files.take import read_take
from coach.screen.history_sheet import (
    MARGIN,
    ROW,
    WIDTH,
    DayMark,
    SheetPage,
    SheetRow,
    draw_history,
    most_columns,
)
from coach.screen.theme import DAY
from tests.harness import ROOT
from tests.take_build import record
from tests.test_history import ROW as PASS
from tests.test_history import STOP
from tests.test_history_robust import older
from tests.test_sitting import PIECE, TAKE, sit

RECORDINGS, SCORES = ROOT / "recordings", ROOT / "scores"
UMBRELLA = "02-a-borrowed-umbrella-evening.mid"
NOW = datetime(2026, 11, 25, 17, 0)


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    """A player's own folders, empty, without a score near them."""
    for name in ("XDG_CONFIG_HOME", "XDG_CACHE_HOME", "XDG_DATA_HOME"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    monkeypatch.setenv("COACH_TAKES", str(tmp_path / "takes"))
    (tmp_path / "takes").mkdir()
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def takes(home):
    return home / "takes"


def keep(takes: Path, *names: str) -> None:
    for name in names:
        shutil.copy(RECORDINGS / name, takes)


def told(capsys, score: Path | None = None, **how: object) -> tuple[str, list[str]]:
    """Return what the command says on stdout, and its lines on stderr."""
    assert run_history(score, now=NOW, **how) == 0  # type: ignore[arg-type]
    captured = capsys.readouterr()
    return captured.out, captured.err.splitlines()


def document(capsys, score: Path | None = None, **how: object) -> dict:
    return json.loads(told(capsys, score, how="json", **how)[0])


# --- where it stands --------------------------------------------------------------------------------


def test_the_history_stands_with_the_takes(takes, monkeypatch):
    assert history_path() == takes / "history.sqlite"
    monkeypatch.delenv("COACH_TAKES")
    monkeypatch.setattr("coach.files.settings.platformdirs.user_data_dir", lambda *a, **k: "/people/me/coach")
    assert history_path() == Path("/people/me/coach/history.sqlite")


# --- from the takes ---------------------------------------------------------------------------------


def test_a_take_goes_in_once_however_often_it_is_read(takes):
    keep(takes, UMBRELLA)
    history = History(history_path())
    first = rebuild(history, takes)
    assert (first.takes, first.passes, first.notices) == (1, 3, ())
    rows = history.passes()
    again = rebuild(history, takes)
    assert (again.takes, again.passes) == (0, 0)
    assert rebuild(History(history_path()), takes).takes == 0
    assert history.passes() == rows


def test_the_rows_of_a_take_are_what_its_recipe_says(takes):
    """The whole up to bar 7, from 6 to the end, from 9 to the end; the last time nothing is wrong."""
    keep(takes, UMBRELLA)
    history = History(history_path())
    rebuild(history, takes)
    rows = history.passes()
    assert [(row.number, row.first_bar, row.last_bar) for row in rows] == [(1, 0, 7), (2, 6, 12), (3, 9, 12)]
    assert [row.clean for row in rows] == [False, False, True]
    assert {(row.title, row.take, row.part) for row in rows} == {("A Borrowed Umbrella", UMBRELLA, TOGETHER)}
    assert rows[0].when.startswith("2026-11-24T19:12:0")
    assert [row.when for row in rows] == sorted(row.when for row in rows)
    assert all(row.right <= row.notes for row in rows)
    assert rows[2].right == rows[2].notes
    assert rows[2].faults == 0
    # Bars 0 and 1 to 12 are 13 performed bars; it is written at 60, and played at 0.78 of that, rushing by up
    # to 9 parts in a hundred of the tempo.
    assert (rows[1].first, rows[1].last) == (6, 12)
    for row in rows:
        assert 0.74 < row.speed < 0.88
        assert row.bpm == pytest.approx(60 * row.speed)
    failed = {(stop.bar, stop.beat): set(stop.kinds) - {"clean"} for stop in history.stops(rows[0].digest)}
    assert {place: kinds for place, kinds in failed.items() if kinds} == {
        (2, 1.0): {"late"},
        (4, 1.0): {"ringing"},
        (7, 1.0): {"late"},
        (8, 1.0): {"cut"},
        (10, 1.0): {"late"},
    }
    overhangs = {(stop.bar, stop.beat): stop.days[0].overhang_ms for stop in history.stops(rows[0].digest)}
    assert overhangs[2, 1.0] == pytest.approx(290, abs=60)  # as planted, with the converter's delays


def test_a_sitting_is_remembered_and_not_read_again_from_its_take(takes):
    sitting = sit([(us * 1_000 + 10**12, data) for us, data in TAKE.messages], takes)
    assert remember_sitting(sitting) == ()
    history = History(history_path())
    live = history.passes()
    assert [row.title for row in live] == ["Lamps On"]
    assert rebuild(history, takes).takes == 0
    # … and what its take would have given is the same.
    lost = History(takes / "anew.sqlite")
    assert rebuild(lost, takes).passes == 1
    assert lost.passes() == live
    assert lost.stops(live[0].digest) == history.stops(live[0].digest)


def test_a_sitting_that_was_not_recorded_is_not_remembered(takes):
    sitting = sit([(us * 1_000 + 10**12, data) for us, data in TAKE.messages], None)
    assert remember_sitting(sitting) == ()
    assert list(takes.iterdir()) == []


def test_a_history_that_cannot_be_written_is_a_line_and_no_fault(takes):
    history_path().mkdir()
    sitting = sit([(us * 1_000 + 10**12, data) for us, data in TAKE.messages], takes)
    (line,) = remember_sitting(sitting)
    assert "the history cannot be" in line
    history_path().rmdir()
    assert rebuild(History(history_path()), takes).passes == 1  # nothing was lost


def test_passes_of_an_older_history_are_judged_anew_from_their_takes(takes):
    sitting = sit([(us * 1_000 + 10**12, data) for us, data in TAKE.messages], takes)
    assert remember_sitting(sitting) == ()
    (row,) = History(history_path()).passes()
    assert not row.clean
    assert row.tolerance_ms is not None
    older(History(history_path()))
    with closing(sqlite3.connect(history_path())) as db:  # as if nothing but drift had been wrong
        db.execute("UPDATE passes SET clean = 1, faults = 0")
        db.commit()
    history = History(history_path())
    assert history.passes()[0].clean
    assert (rebuild(history, takes).takes, history.passes()) == (1, (row,))
    assert rebuild(history, takes).takes == 0


def test_a_chunk_that_was_drilled(takes):
    """Bars 1 to 2 of a take of the whole, as if they were the chunk: broken off means not clean."""
    session = sit([(us * 1_000 + 10**12, data) for us, data in TAKE.messages], None).session
    session.chunk = (0, 1)
    result = report(session)
    (row, stops), *_ = rows_of(session, result, TAKE.meta, "a.mid", part="bass", offset=4)
    assert (row.part, row.number, row.first, row.last, row.first_bar, row.last_bar) == ("bass", 5, 0, 1, 1, 2)
    assert not row.clean
    assert stops
    whole = replace(result, passes=(replace(result.passes[0], faults=(), drifted=None, complete=False),))
    assert rows_of(session, whole, TAKE.meta, "a.mid")[0][0].clean is False
    whole = replace(result, passes=(replace(result.passes[0], faults=(), drifted=None, complete=True),))
    row = rows_of(session, whole, TAKE.meta, "a.mid")[0][0]
    assert row.clean is True
    strayed = replace(whole.passes[0], drifted=result.bars[0])
    (row, _), *_ = rows_of(session, replace(whole, passes=(strayed,)), TAKE.meta, "a.mid")
    assert (row.clean, row.faults) == (False, 1)
    assert (row.tolerance_ms, row.drift_limit_ms) == (session.limits.tolerance_ms, strayed.drift_limit_ms)
    assert remember(session, TAKE.meta, takes / "a.mid", result=whole, part="bass") == ()
    assert [row.part for row in History(history_path()).passes()] == ["bass"]


def test_a_step_of_the_ladder_says_itself_what_it_is(takes):
    """The take was played at 0.9 of the tempo (its recipe); a tempo that was kept is the one asked for."""
    session = sit([(us * 1_000 + 10**12, data) for us, data in TAKE.messages], None).session
    result = report(session)

    def row(**meta: object):
        return rows_of(session, result, replace(TAKE.meta, **meta), "a.mid")[0][0]  # type: ignore[arg-type]

    step = row(part="melody", chunk=(2, 5), speed=0.91)
    assert (step.part, step.first, step.last, step.first_bar, step.last_bar) == ("melody", 2, 5, 3, 6)
    assert step.speed == 0.91
    assert row(speed=0.5).speed == pytest.approx(0.9, abs=0.03)
    scale = row(part="scale", chunk=(0, 3))
    assert (scale.part, scale.first, scale.last) == ("scale", 0, -1)


def test_a_scale_is_not_read_from_its_take(takes):
    record(takes / "scale.mid", TAKE.messages, meta=replace(TAKE.meta, part="scale"))
    history = History(history_path())
    assert rebuild(history, takes).passes == 0
    assert list(history.known_takes()) == ["scale.mid"]


def test_a_take_without_its_score_is_told_and_read_when_the_score_is_back(takes, capsys, monkeypatch):
    keep(takes, UMBRELLA)
    score = SCORES / "02-a-borrowed-umbrella.musicxml"
    monkeypatch.setattr("coach.app.piece.material_folders", lambda kind: iter(()))
    out, err = told(capsys)
    assert "Nothing has been practised yet" in out
    (line,) = err
    assert "1 take is not in the history" in line
    assert "A Borrowed Umbrella" in line
    shutil.copy(score, takes)
    assert "A Borrowed Umbrella: 3 passes" in told(capsys)[0]


def test_a_broken_take_and_a_raw_one_hold_nothing_up(takes, capsys):
    keep(takes, "01-lamps-on-evening.mid")
    (takes / "broken.mid").write_bytes(b"MThd, and then nothing that makes sense")
    shutil.copy(ROOT / "recordings" / UMBRELLA, takes / "raw.mid")
    data = (takes / "raw.mid").read_bytes()
    (takes / "raw.mid").write_bytes(data.replace(b'{"format":', b'{"Format":', 1))  # says nothing of itself
    out, err = told(capsys)
    assert "Lamps On: 1 pass" in out
    assert "Umbrella" not in out
    assert sum("broken.mid" in line for line in err) == 1
    assert not any("raw.mid" in line for line in err)


def test_a_take_that_grew_since_is_read_again(takes):
    whole = (RECORDINGS / UMBRELLA).read_bytes()
    (takes / UMBRELLA).write_bytes(whole[: len(whole) * 2 // 3])  # still being played
    history = History(history_path())
    rebuild(history, takes)
    early = history.passes()
    assert 1 <= len(early) <= 2
    (takes / UMBRELLA).write_bytes(whole)
    rebuild(history, takes)
    assert [row.number for row in history.passes()] == [1, 2, 3]
    assert history.passes()[0] == early[0]


def test_a_corrupt_history_is_rebuilt_from_the_takes(takes, capsys):
    keep(takes, UMBRELLA, "01-lamps-on-evening.mid")
    before, _ = told(capsys)
    history_path().write_bytes(b"rubbish that is long enough to be taken for the head of a database")
    after, err = told(capsys)
    assert after == before
    assert sum("history.broken.sqlite" in line for line in err) == 1
    assert (takes / "history.broken.sqlite").exists()
    assert told(capsys) == (before, [])


# --- what is said -----------------------------------------------------------------------------------


def test_the_text(takes, capsys):
    keep(takes, UMBRELLA, "02-a-borrowed-umbrella-prepared.mid", "01-lamps-on-evening.mid")
    out, err = told(capsys)
    assert err == ["coach: the takes that are not in the history yet are being read …"]
    lines = out.splitlines()
    assert lines[0] == "2 pieces on 1 day, last on 24 November."
    today = lines[lines.index("To practise today:") + 1 :]
    assert (
        today[0]
        == "  1. Once more first: the pickup to bar 12 of “A Borrowed Umbrella”, clean on 24 November."
    )
    assert any(
        line.startswith("  2. Mend bar 1, beat 3 of “Lamps On”: the stop on string 4") for line in today
    )
    umbrella = next(line for line in lines if line.startswith("A Borrowed Umbrella:"))
    assert umbrella == "A Borrowed Umbrella: 4 passes, 2 clean, on 1 day, last on 24 November."
    whole = next(line.split() for line in lines if line.startswith("the pickup to bar 12"))
    assert whole[5:8] == ["together", "1", "1"]
    late = next(line.split() for line in lines if line.startswith("2    1 "))
    assert late[2] == "④"
    assert late[5:8] == ["1", "of", "2"]
    assert lines[-1] == HAND_CARE
    assert out.count("that never failed") == 2


def test_of_one_piece_every_stop_is_told(takes, capsys):
    keep(takes, UMBRELLA, "01-lamps-on-evening.mid")
    out, _ = told(capsys, SCORES / "02-a-borrowed-umbrella.musicxml")
    assert "Lamps On" not in out
    assert "never failed" not in out
    assert sum(" of " in line and "④" in line for line in out.splitlines()) >= 3
    assert "Mend bar" in out  # its own, whatever else fails


def test_a_deleted_score_is_still_told_by_its_title(takes, capsys, monkeypatch):
    keep(takes, UMBRELLA)
    told(capsys)
    monkeypatch.setattr("coach.app.piece.material_folders", lambda kind: iter(()))
    out, err = told(capsys)
    assert "last on 24 November. Its score is not at hand." in out
    assert err == []
    for name in ("a borrowed umbrella", "gone/A Borrowed Umbrella.musicxml"):
        assert "A Borrowed Umbrella: 3 passes" in told(capsys, Path(name))[0]
    assert document(capsys)["pieces"][0]["score"] is None


def test_a_score_that_nobody_played_and_one_that_is_not_there(takes, capsys):
    keep(takes, UMBRELLA)
    out, _ = told(capsys, SCORES / "01-lamps-on.musicxml")
    assert "Nothing of “Lamps On” has been practised yet." in out
    with pytest.raises(CoachError, match=r"nowhere\.musicxml: .*no piece in the history"):
        run_history(Path("nowhere.musicxml"), now=NOW)


def test_an_edited_score_is_said_to_be_edited(takes, capsys, home):
    keep(takes, UMBRELLA)
    text = (SCORES / "02-a-borrowed-umbrella.musicxml").read_text("utf-8")
    (home / "edited.musicxml").write_text(text + "<!-- another fingering -->", "utf-8")
    out, _ = told(capsys, home / "edited.musicxml")
    assert "“A Borrowed Umbrella” was edited since" in out
    assert "Nothing of “A Borrowed Umbrella”" in out


def test_only_the_last_days(takes, capsys):
    history = History(history_path())
    history.add(replace(PASS, when="2026-11-19T18:00:00", take=""), [STOP])
    history.add(replace(PASS, when="2026-11-23T18:00:00", take=""), [STOP])
    assert document(capsys, days=3)["pieces"][0]["days"] == ["2026-11-23"]
    assert document(capsys, days=7)["pieces"][0]["days"] == ["2026-11-19", "2026-11-23"]
    assert "Nothing has been practised in the last 2 days." in told(capsys, days=2)[0]


def test_the_json_is_a_contract(takes, capsys):
    keep(takes, UMBRELLA)
    found = document(capsys)
    assert list(found) == ["format", "date", "today", "pieces"]
    assert (found["format"], found["date"]) == (1, "2026-11-25")
    (piece,) = found["pieces"]
    assert list(piece) == ["title", "digest", "score", "passes", "clean", "days", "chunks", "stops"]
    assert (piece["passes"], piece["clean"], piece["days"]) == (3, 1, ["2026-11-24"])
    assert Path(piece["score"]).name == "02-a-borrowed-umbrella.musicxml"
    assert set(piece["chunks"][0]) == {
        "part", "first_bar", "last_bar", "first", "last", "passes", "clean", "speed", "beats_a_minute",
        "days",
    }  # fmt: skip
    assert [(one["first_bar"], one["last_bar"], one["clean"]) for one in piece["chunks"]] == [
        (0, 7, 0),
        (6, 12, 0),
        (9, 12, 1),
    ]
    late = next(stop for stop in piece["stops"] if (stop["bar"], stop["beat"]) == (2, 1.0))
    assert set(late) == {
        "note", "bar", "beat", "string", "way", "asked", "clean", "overhang_ms", "days",
    }  # fmt: skip
    assert (late["string"], late["asked"], late["clean"]) == (4, 1, 0)
    (day,) = late["days"]
    assert set(day) == {"day", "asked", "clean", "verdicts", "overhang_ms"}
    assert day["verdicts"] == ["late"]
    assert {one["what"] for one in found["today"]} == {"check", "mend"}
    check = found["today"][0]
    assert (check["what"], check["first_bar"], check["last_bar"], check["bar"]) == ("check", 9, 12, None)
    mend = next(one for one in found["today"] if one["what"] == "mend")
    assert mend["failed"] <= mend["asked"]
    assert set(mend) == set(check) == {
        "what", "title", "digest", "last_day", "part", "first_bar", "last_bar", "first", "last", "note",
        "bar", "beat", "string", "failed", "asked",
    }  # fmt: skip


def test_an_empty_history(takes, capsys):
    assert document(capsys) == {"format": 1, "date": "2026-11-25", "today": [], "pieces": []}
    assert "play a piece with coach play SCORE" in told(capsys)[0]
    assert list(takes.iterdir()) == []


# --- the picture ------------------------------------------------------------------------------------


def pixels(surface: pygame.Surface) -> np.ndarray:
    return pygame.surfarray.array3d(surface).transpose(1, 0, 2).astype(int)


def near(image: np.ndarray, colour: tuple[int, int, int]) -> np.ndarray:
    return np.abs(image - np.array(colour)).sum(axis=2) < 90


def page(rows: int = 1, days: int = 3, **marks: DayMark) -> SheetPage:
    kinds = {int(name[1:]): mark for name, mark in marks.items()}
    return SheetPage(
        title="Lamps On",
        under="3 passes",
        days=tuple(("May", str(n + 1)) for n in range(days)),
        rows=tuple(SheetRow(5, f"bar {n + 1}, beat 1", kinds, "1 of 3", "+60 ms") for n in range(rows)),
        headings=(("", "clean"), ("median", "overhang")),
        key=(),
        key_note="",
        empty="Nothing.",
    )


def test_a_day_that_was_alike_is_in_colour_and_one_that_was_not_in_pencil():
    bare = pixels(draw_history(page()))
    clean = pixels(draw_history(page(d0=DayMark("clean"))))
    rang = pixels(draw_history(page(d1=DayMark("ringing"))))
    mixed = pixels(draw_history(page(d2=DayMark("late", "1/3"))))
    assert not near(bare, DAY.written).any()
    assert near(clean, DAY.written).sum() > 30
    assert near(rang, DAY.rang).sum() > 60
    assert not near(mixed, DAY.rang).any()
    assert near(mixed, DAY.pencil).sum() > near(bare, DAY.pencil).sum() + 60


def test_days_run_from_left_to_right():
    def middle(name: str) -> float:
        return float(
            np.nonzero(near(pixels(draw_history(page(**{name: DayMark("ringing")}))), DAY.rang))[1].mean()
        )

    assert middle("d0") < middle("d1") < middle("d2")
    assert middle("d1") - middle("d0") == pytest.approx(middle("d2") - middle("d1"), abs=2)


def test_every_row_has_its_height_and_nothing_leaves_the_page():
    one, many = draw_history(page(1)), draw_history(page(20))
    assert many.get_height() - one.get_height() == 19 * ROW
    full = page(20, most_columns(), **{f"d{n}": DayMark("ringing", "10/12") for n in range(most_columns())})
    image = pixels(draw_history(full))
    for edge in (image[:, : MARGIN // 2], image[:, WIDTH - MARGIN // 2 :], image[-MARGIN // 2 :]):
        assert (edge == np.array(DAY.paper)).all()


def test_signs_and_figures_of_neighbouring_days_keep_apart():
    """In a full sheet there is bare paper, but for the hairline, between a day's figure and the next sign."""
    count = most_columns()
    full = page(1, count, **{f"d{n}": DayMark("ringing", "10/12") for n in range(count)})
    image, bare = pixels(draw_history(full)), pixels(draw_history(page(1, count)))
    marks = (np.abs(image - bare).sum(axis=2) > 250).any(axis=0)
    groups = np.count_nonzero(np.diff(marks.astype(int)) == 1)
    assert groups >= 2 * count  # a sign and its figure each, none run into another


def test_the_page_of_a_piece(takes):
    keep(takes, UMBRELLA)
    history = History(history_path())
    rebuild(history, takes)
    (piece,) = history.pieces()
    made = history_page(piece, history.today(NOW), date(2026, 11, 25))
    assert made.days == (("November", "24"),)
    assert len(made.rows) == len(piece.stops) == 15
    late = next(row for row in made.rows if row.label == "bar 2, beat 1")
    assert (late.marks, late.clean) == ({0: DayMark("late")}, "0 of 1")
    assert made.remarks[0].startswith("Once more first: bars 9–12")


def test_where_there_is_no_room_the_page_says_so():
    history = []
    for day in range(1, 29):
        for note in range(40):
            kind = "late" if note % 2 else "clean"
            history.append((f"2026-10-{day:02}", replace(STOP, note=note, bar=note, kind=kind)))
    from coach.files.history_rows import PieceHistory, stop_histories

    piece = PieceHistory("Lamps On", "", 28, 0, ("2026-10-01",), (), stop_histories(history))
    made = history_page(piece, (), date(2026, 11, 25))
    assert len(made.days) == most_columns()
    assert made.days[-1] == ("October", "28")
    assert {row.label for row in made.rows} >= {f"bar {note}, beat 1" for note in range(1, 40, 2)}
    assert [f"{28 - most_columns()} days before these" in made.remarks[0]] == [True]
    assert made.remarks[1] == "8 stops more had no room here."


@pytest.mark.parametrize("kept", [True, False], ids=["a piece", "nothing"])
def test_the_picture_is_written(takes, capsys, home, kept):
    if kept:
        keep(takes, UMBRELLA)
    out, _ = told(capsys, picture=home / "page.png")
    assert out
    image = pygame.image.load(str(home / "page.png"))
    assert image.get_width() == WIDTH
    with pytest.raises(CoachError, match="exists already"):
        run_history(None, picture=home / "page.png", now=NOW)
    assert run_history(None, picture=home / "page.png", replace=True, now=NOW) == 0


def test_the_take_in_the_tests_is_the_one_they_say():
    assert read_take(RECORDINGS / "01-lamps-on-evening.mid").meta.digest == PIECE.score.digest
