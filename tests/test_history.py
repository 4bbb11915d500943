"""The history: rows go in and come out, add up by hand, and say what to practise today."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from coach.core.recheck import PastPass
from coach.core.verdicts import Damping
from coach.files.history import History, PassRow, StopRow
from coach.files.history_rows import ASKED, StopDay, stop_histories
from coach.files.history_today import (
    MOST_CHECKED,
    MOST_MENDED,
    MOST_RETURNED,
    Suggestion,
    What,
    suggestions,
)

ROW = PassRow(
    when="2031-05-04T18:30:00+02:00",
    title="Lamps On",
    digest="ab" * 32,
    take="2031-05-04-183000-lamps-on.mid",
    number=1,
    part="together",
    first_bar=1,
    last_bar=4,
    first=0,
    last=3,
    speed=0.8,
    clean=True,
    complete=True,
    faults=0,
    drift_ms=12.5,
    right=20,
    notes=20,
    bpm=48.0,
)
STOP = StopRow(note=3, bar=2, beat=1.0, string=5, kind="clean", overhang_ms=20.0, way="returning-thumb")
NOW = datetime(2031, 5, 5, 17, 0)


@pytest.fixture
def history(tmp_path):
    return History(tmp_path / "data" / "history.sqlite")


def on(day: str, hour: int = 18, **changes: object) -> PassRow:
    """Return the row at another time, without a take."""
    return replace(ROW, when=f"2031-{day}T{hour:02}:00:00", take="", **changes)  # type: ignore[arg-type]


def failing(kind: str, ms: float | None, **changes: object) -> StopRow:
    return replace(STOP, kind=kind, overhang_ms=ms, **changes)  # type: ignore[arg-type]


# --- in and out -------------------------------------------------------------------------------------


def test_an_empty_history_has_nothing_and_makes_no_file(history):
    assert history.passes() == ()
    assert history.pieces() == ()
    assert history.stops(ROW.digest) == ()
    assert history.chunks(ROW.digest) == ()
    assert history.known_takes() == {}
    assert history.today(NOW) == ()
    assert not history.path.parent.exists()
    assert history.notices == []


def test_a_pass_comes_back_as_it_went_in(history):
    assert history.add(ROW, [STOP]) is True
    assert history.passes() == (ROW,)
    (stop,) = history.stops(ROW.digest)
    assert (stop.note, stop.bar, stop.beat, stop.string, stop.way) == (3, 2, 1.0, 5, "returning-thumb")
    assert History(history.path).passes() == (ROW,)


texts = st.text(max_size=40)
figures = st.one_of(st.none(), st.floats(-1e6, 1e6, allow_nan=False))


@settings(max_examples=40, deadline=None)
@example(title="", take=" ", speed=None, drift=None, part="scale")
@given(title=texts, take=texts, speed=figures, drift=figures, part=st.sampled_from(["scale", "bass"]))
def test_whatever_a_title_and_a_file_are_called(tmp_path_factory, title, take, speed, drift, part):
    history = History(tmp_path_factory.mktemp("any") / "history.sqlite")
    row = replace(ROW, title=title, take=take, speed=speed, drift_ms=drift, part=part)
    history.add(row)
    (found,) = history.passes()
    assert (found.speed, found.drift_ms, found.part) == (speed, drift, part)
    assert found.title.isprintable()
    if title.isprintable() and title == " ".join(title.split()):
        assert found.title == title
    history.add(row)  # a take's pass is known again by its printable name
    assert len(history.passes()) == (1 if found.take else 2)


def test_when_must_be_a_date_and_time():
    with pytest.raises(ValueError, match="isoformat"):
        replace(ROW, when="yesterday")


def test_a_pass_of_a_take_is_there_once_and_the_later_word_counts(history):
    history.add(ROW, [STOP])
    assert history.add(replace(ROW, clean=False, faults=1), [failing("late", 300.0)]) is False
    (found,) = history.passes()
    assert (found.clean, found.faults) == (False, 1)
    (stop,) = history.stops(ROW.digest)
    assert (stop.kinds, stop.overhang_ms) == (("late",), 300.0)
    assert history.add(replace(ROW, number=2), [STOP]) is True
    assert history.add(replace(ROW, take="another.mid"), [STOP]) is True
    assert len(history.passes()) == 3


def test_what_was_drilled_as_the_bass_alone_is_not_overwritten_by_the_take(history):
    drilled = replace(ROW, part="bass", right=8, notes=8)
    history.add(drilled, [STOP])
    assert history.add(replace(ROW, clean=False, faults=12), []) is False
    assert history.passes() == (drilled,)
    assert len(history.stops(ROW.digest)) == 1
    history.add(replace(ROW, part="melody"), [])  # but one that says so itself is
    assert history.passes()[0].part == "melody"


def test_passes_without_a_take_are_all_kept(history):
    for _ in range(3):
        assert history.add(replace(ROW, take=""))
    assert len(history.passes()) == 3


def test_passes_by_score_and_by_day_in_order_of_time(history):
    rows = [on("05-04"), on("05-02"), on("05-03", digest="cd" * 32), on("05-03", 9)]
    for row in rows:
        history.add(row)
    assert [row.when[5:13] for row in history.passes()] == ["05-02T18", "05-03T09", "05-03T18", "05-04T18"]
    assert [row.day for row in history.passes("cd" * 32)] == ["2031-05-03"]
    assert [row.day for row in history.passes(ROW.digest, since=date(2031, 5, 3))] == [
        "2031-05-03",
        "2031-05-04",
    ]


def test_a_take_is_added_whole_and_known_by_its_size(history):
    rows = [(replace(ROW, number=n), [STOP]) for n in (1, 2)]
    assert history.add_take(ROW.take, 4711, rows) == 2
    assert history.known_takes() == {ROW.take: 4711}
    assert history.add_take(ROW.take, 4800, [*rows, (replace(ROW, number=3), [STOP])]) == 1
    assert history.known_takes() == {ROW.take: 4800}
    assert [row.number for row in history.passes()] == [1, 2, 3]


def test_passes_that_a_take_turned_out_not_to_have_go(history):
    rows = [(replace(ROW, number=n), [STOP]) for n in (1, 2, 3)]
    history.add_take(ROW.take, 1, rows)
    history.add(replace(ROW, number=4, part="bass"))
    history.add(replace(ROW, take="another.mid", number=9))
    history.add_take(ROW.take, 2, rows[:1])
    assert len(history.passes()) == 5
    history.add_take(ROW.take, 3, rows[:2], whole=True)
    assert [(row.take == ROW.take, row.number) for row in history.passes()] == [
        (True, 1),
        (True, 2),
        (True, 4),
        (False, 9),
    ]
    assert len(history.stops(ROW.digest)[0].kinds) == 2


def test_a_transaction_is_kept_whole_or_not_at_all(history):
    history.add(ROW, [STOP])
    with pytest.raises(Exception, match="NOT NULL"):
        history.add_take("next.mid", 1, [(replace(ROW, take="next.mid"), [STOP, replace(STOP, kind=None)])])
    assert history.passes() == (ROW,)
    assert history.known_takes() == {}
    (stop,) = history.stops(ROW.digest)
    assert stop.asked == 1


def test_the_drill_is_given_what_it_asks_for(history):
    history.add(ROW)
    history.add(replace(ROW, number=2, speed=None))  # too few notes to tell the tempo
    history.add(on("05-02", digest="cd" * 32))
    assert history.past(ROW.digest) == (PastPass(ROW.when, "together", 0, 3, 0.8, True, True),)


# --- what the rows add up to ------------------------------------------------------------------------


def test_a_stop_over_the_days_by_hand(history):
    """Clean 1 of 4, then 2 of 2; of the overhangs -10, 140, 20, 60, 300 the middle one is 60."""
    by_day = {
        "05-02": [("late", 140.0), ("cut", -900.0), ("clean", -10.0), ("ringing", 300.0)],
        "05-04": [("clean", 20.0), ("clean", 60.0), ("missed", None), ("faded", -800.0), ("replaced", -3.0)],
    }
    for day, ends in by_day.items():
        for hour, (kind, ms) in enumerate(ends):
            history.add(on(day, hour), [failing(kind, ms)])
    (stop,) = history.stops(ROW.digest)
    assert (stop.clean, stop.asked) == (3, 6)  # who left a bass out was not asked to stop it
    assert stop.overhang_ms == 60.0
    first, last = stop.days
    assert (first.day, first.asked, first.clean, first.overhang_ms) == ("2031-05-02", 4, 1, 140.0)
    assert (last.day, last.asked, last.clean, last.overhang_ms) == ("2031-05-04", 2, 2, 40.0)
    assert first.mostly == "ringing"  # of four kinds that came once each the gravest
    assert last.mostly == "clean"


def test_a_string_never_heard_to_stop_rang_longest():
    def of(*values: tuple[str, float | None]) -> float | None:
        rows = [("2031-05-02", failing(kind, ms)) for kind, ms in values]
        return stop_histories(rows)[0].overhang_ms

    assert of(("clean", 10.0), ("ringing", None), ("late", 150.0)) == 150.0
    assert of(("clean", 10.0), ("ringing", None), ("ringing", None)) is None
    assert of(("cut", -500.0), ("cut", -700.0)) is None
    assert of(("cut", -500.0), ("clean", 30.0)) == 30.0


def test_only_what_can_be_told_counts_as_asked():
    assert {kind.value for kind in Damping} - ASKED == {"faded", "replaced", "free", "missed"}


@pytest.mark.parametrize(
    ("kinds", "mostly"),
    [
        (("clean", "clean", "late"), "clean"),
        (("clean", "late"), "late"),
        (("late", "ringing"), "ringing"),
        (("cut", "cut", "ringing"), "cut"),
    ],
)
def test_how_a_stop_mostly_ended_on_a_day(kinds, mostly):
    assert StopDay("2031-05-02", kinds, None).mostly == mostly


def test_stops_in_order_of_the_score(history):
    stops = [
        replace(STOP, note=9, bar=4, beat=1.0),
        replace(STOP, note=2, bar=1, beat=3.0),
        replace(STOP, note=5, bar=2, beat=1.0, string=6),
        replace(STOP, note=4, bar=2, beat=1.0, string=4),
    ]
    history.add(ROW, stops)
    assert [stop.note for stop in history.stops(ROW.digest)] == [2, 4, 5, 9]


def test_a_chunk_over_the_days_by_hand(history):
    history.add(on("05-02", speed=0.7, bpm=42.0))
    history.add(on("05-02", 19, speed=0.9, bpm=54.0, clean=False, faults=2))
    history.add(on("05-04", speed=0.8, bpm=48.0))
    history.add(on("05-04", part="bass", speed=1.0))
    history.add(on("05-04", first=0, last=7, last_bar=8, clean=False))
    whole, four, bass = history.chunks(ROW.digest)
    assert (whole.first_bar, whole.last_bar, whole.passes, whole.clean) == (1, 8, 1, 0)
    assert (whole.speed, whole.bpm) == (None, None)  # never clean: no tempo was reached
    assert (four.passes, four.clean, four.speed, four.bpm) == (3, 2, 0.8, 48.0)
    assert four.days == ("2031-05-02", "2031-05-04")
    assert (bass.part, bass.passes, bass.speed) == ("bass", 1, 1.0)


def test_pieces_the_last_practised_first_and_without_a_digest_by_title(history):
    history.add(on("05-02"), [STOP])
    history.add(on("05-04", digest="", title="From the Attic"), [STOP, replace(STOP, note=7)])
    history.add(on("05-03", digest="", title="Another"))
    first, second, third = history.pieces()
    assert [first.title, second.title, third.title] == ["From the Attic", "Another", "Lamps On"]
    assert [len(piece.stops) for piece in (first, second, third)] == [2, 0, 1]
    assert [piece.title for piece in history.pieces(since=date(2031, 5, 3))] == ["From the Attic", "Another"]


# --- what to practise today -------------------------------------------------------------------------


def said(rows, stops=(), today=date(2031, 5, 5)) -> list[tuple]:
    """Return the suggestions in short; ``stops`` are (day, row) of the row's piece."""
    rows = sorted(rows, key=lambda row: row.when)
    found = suggestions(rows, {ROW.digest: sorted(stops, key=lambda item: item[0])}, today)
    return [_short(one) for one in found]


def _short(one: Suggestion) -> tuple:
    if one.what is What.CHECK:
        return "check", one.chunk.first, one.chunk.last
    if one.what is What.MEND:
        return "mend", one.stop.note, one.failed, one.asked
    return "return", one.title


def test_what_was_clean_yesterday_is_checked_first():
    assert said([on("05-04")]) == [("check", 0, 3)]
    assert said([on("05-04", clean=False), on("05-04", 19)]) == [("check", 0, 3)]


def test_what_went_wrong_at_last_is_not_checked():
    assert said([on("05-04"), on("05-04", 19, clean=False)]) == []
    assert said([on("05-03"), on("05-04", clean=False)]) == []


def test_what_was_played_today_need_not_be_checked():
    assert said([on("05-04"), on("05-05", 9, clean=False)]) == []
    assert said([on("05-04"), on("05-05", 9, first=0, last=7)]) == []  # as a part of something longer
    assert said([on("05-04"), on("05-05", 9, first=2, last=9)]) == [("check", 0, 3)]
    assert said([on("05-04"), on("05-05", 9, part="bass")]) == [("check", 0, 3)]


def test_a_chunk_within_a_longer_one_to_check_is_left_out():
    rows = [on("05-03"), on("05-04", first=0, last=7), on("05-04", 17, first=8, last=11)]
    assert said(rows) == [("check", 0, 7), ("check", 8, 11)]
    rows = [on("05-04"), on("05-03", first=0, last=7)]  # the shorter was clean again later
    assert said(rows) == [("check", 0, 3), ("check", 0, 7)]


def test_two_notes_are_not_checked():
    assert said([on("05-04", notes=2)]) == []


def test_what_was_clean_long_ago_is_taken_up_not_checked():
    assert said([on("04-05")]) == [("check", 0, 3)]  # thirty days
    assert said([on("04-04")]) == [("return", "Lamps On")]


def test_a_piece_lies_for_a_week_before_it_is_taken_up():
    assert said([on("04-28", clean=False)]) == [("return", "Lamps On")]
    assert said([on("04-29", clean=False)]) == []
    assert said([on("04-28")]) == [("check", 0, 3)]  # to check it is to take it up


def test_the_stop_that_fails_most_is_mended_first():
    stops = [("2031-05-04", failing(kind, 200.0)) for kind in ("late", "clean", "ringing")]
    stops += [("2031-05-04", failing("late", 200.0, note=8))]
    stops += [("2031-05-04", failing(kind, 200.0, note=9)) for kind in ("clean", "clean", "cut")]
    rows = [on("05-04", clean=False)]
    assert said(rows, stops) == [("mend", 3, 2, 3), ("mend", 8, 1, 1)]  # 1 of 3 is under four in ten


def test_three_clean_in_a_row_mend_a_stop():
    rows = [on("05-04", clean=False)]
    ends = ["late"] * 6 + ["clean"] * 2
    stops = [("2031-05-04", failing(kind, 9.0)) for kind in ends]
    assert said(rows, stops) == [("mend", 3, 6, 8)]
    assert said(rows, [*stops, ("2031-05-04", STOP)]) == []


def test_only_the_last_ten_times_count():
    rows = [on("05-04", clean=False)]
    ends = ["late"] * 20 + ["clean", "clean", "late"] * 2 + ["clean", "clean", "late", "late"]
    stops = [("2031-05-04", failing(kind, 9.0)) for kind in ends]
    assert said(rows, stops) == [("mend", 3, 4, 10)]


def test_a_stop_of_a_piece_long_laid_aside_is_not_mended():
    assert said([on("04-02", clean=False)], [("2031-04-02", failing("late", 200.0))]) == [
        ("return", "Lamps On")
    ]


def test_of_a_score_that_was_edited_only_the_newer_counts():
    rows = [on("05-02"), on("05-03", digest="cd" * 32, first=4, last=7)]
    stops = [("2031-05-02", failing("late", 200.0))]
    assert said(rows, stops) == [("check", 4, 7)]


def test_no_more_than_can_be_done():
    rows = [on("05-04", n, first=4 * n, last=4 * n + 3) for n in range(6)]
    rows += [on(f"04-{n:02}", title=f"Piece {n}", digest=f"{n:02}", clean=False) for n in range(10, 16)]
    stops = [("2031-05-04", failing("late", 200.0, note=n)) for n in range(6)]
    kinds = [what for what, *_ in said(rows, stops)]
    assert kinds == ["check"] * MOST_CHECKED + ["mend"] * MOST_MENDED + ["return"] * MOST_RETURNED


def test_today_is_read_from_the_file_and_of_one_piece_if_asked(history):
    history.add(on("05-04"), [failing("late", 240.0)])
    history.add(on("05-04", 19, digest="cd" * 32, title="Other", part="bass"))
    assert [(one.what, one.title) for one in history.today(NOW)] == [
        (What.CHECK, "Other"),
        (What.CHECK, "Lamps On"),
        (What.MEND, "Lamps On"),
    ]
    assert [one.title for one in history.today(NOW, "cd" * 32)] == ["Other"]
