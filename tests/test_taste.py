"""The taste file: which basses may ring, written by hand and by the program."""

import os
import tomllib

import pytest

from coach.core.damping import Reason, plan_stops
from coach.core.errors import CoachError
from coach.core.words import REASON_WORDS
from coach.files.taste import (
    FreeMark,
    Taste,
    free_written,
    parse_place,
    read_taste,
    taste_path,
    with_free,
    without_free,
    write_taste,
)
from tests.scores import piece
from tests.xml_scores import BACKWARD, attributes, note, read

HAND = """\
# What may ring in "A Tune". Bars and beats as printed.
level = "concert"  # the recital is in May
teacher = "K."

[[free]]
bar = 3
beat = 1.0
why = "it sings"

# both of these, until the hand is stronger
[[free]]
bar = 4
beat = "2½"
string = 6
"""


SINGS = "[[free]]\nbar = 3\nbeat = 1.0\nwhy = 'sings'\n"


def beside(folder, text, name="tune.musicxml"):
    score = folder / name
    taste_path(score).write_text(text, "utf-8")
    return score


def test_it_is_called_like_its_score(tmp_path):
    for name in ("a-tune.musicxml", "a-tune.mxl", "a-tune.mid"):
        assert taste_path(tmp_path / name) == tmp_path / "a-tune.taste.toml"
    assert taste_path(tmp_path / "op. 3 no. 1.xml").name == "op. 3 no. 1.taste.toml"


def test_without_a_file_nothing_is_chosen(tmp_path):
    assert read_taste(tmp_path / "tune.musicxml") == Taste(None, ())


def test_a_file_written_by_hand_is_read(tmp_path):
    taste = read_taste(beside(tmp_path, HAND))
    assert taste == Taste("concert", (FreeMark(3, 1.0), FreeMark(4, 2.5, 6)))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("level = concert", "line 1"),
        ("[[free]]\nbar = 3\nbeat 1", "line 3"),
        ('level = "expert"', "level = 'expert'"),
        ("level = [1]", "level = [1]"),
        ("free = 3", "“free” is no list"),
        ("free = [3]", "number 1"),
        ("[[free]]\nbar = 1\nbeat = 1\n[[free]]\nbeat = 1", "[[free]] number 2: it has no bar"),
        ("[[free]]\nbar = 2", "number 1: it has no beat"),
        ("[[free]]\nbar = 2.5\nbeat = 1", "bar = 2.5"),
        ("[[free]]\nbar = true\nbeat = 1", "bar = True"),
        ("[[free]]\nbar = -1\nbeat = 1", "bar = -1"),
        ("[[free]]\nbar = 2\nbeat = 0.5", "beat = 0.5"),
        ("[[free]]\nbar = 2\nbeat = nan", "beat = nan"),
        ("[[free]]\nbar = 2\nbeat = 'two'", "beat = 'two'"),
        ("[[free]]\nbar = 2\nbeat = 1\nstring = 0", "string = 0"),
        ("[[free]]\nbar = 2\nbeat = 1\nstring = 'E'", "string = 'E'"),
        ("x = " + "[" * 900, "too deep"),
        ("x = " + "[" * 900 + "]" * 900, "too deep"),
        ("x = " + "[" * 30 + "]" * 30, "too deep"),
        ("x = " + "{a = " * 900 + "1" + "}" * 900, "too deep"),
        (f"{'a.' * 3000}b = 1", "too deep"),
        (f"[[free]]\nbar = {'1' * 5000}\nbeat = 1", "no TOML"),
        ("#" * (1 << 20) + "\n", "larger than 1 MB"),
    ],
)
def test_a_broken_file_is_refused_in_one_line_and_left_alone(tmp_path, text, says):
    score = beside(tmp_path, text)
    for act in (lambda: read_taste(score), lambda: write_taste(score, Taste("concert"))):
        with pytest.raises(CoachError) as caught:
            act()
        line = str(caught.value)
        assert "tune.taste.toml" in line
        assert says in line
        assert "\n" not in line
        assert line.count("; ") >= 1
    assert taste_path(score).read_text("utf-8") == text
    assert [p.name for p in tmp_path.iterdir()] == ["tune.taste.toml"]


def test_bytes_that_are_no_text_are_refused(tmp_path):
    score = tmp_path / "tune.musicxml"
    taste_path(score).write_bytes(b'level = "\xff"')
    with pytest.raises(CoachError, match="UTF-8"):
        read_taste(score)


def test_what_is_written_reads_back(tmp_path):
    score = tmp_path / "tune.musicxml"
    taste = Taste("first-lesson", (FreeMark(0, 3.0), FreeMark(3, 1 / 3 + 1), FreeMark(12, 2.5, 5)))
    assert write_taste(score, taste, title="A Tune\nfor two") == taste_path(score)
    assert read_taste(score) == taste
    assert taste_path(score).read_text("utf-8").startswith("# What may ring in “A Tune for two”.")
    write_taste(score, Taste())
    assert read_taste(score) == Taste()
    assert [p.name for p in tmp_path.iterdir()] == ["tune.taste.toml"]


def test_writing_keeps_every_line_that_need_not_change(tmp_path):
    score = beside(tmp_path, HAND)
    taste = read_taste(score)
    write_taste(score, taste)
    assert taste_path(score).read_text("utf-8") == HAND
    write_taste(score, with_free(taste, FreeMark(9, 1.0)))
    assert taste_path(score).read_text("utf-8") == HAND + "\n[[free]]\nbar = 9\nbeat = 1.0\n"
    write_taste(score, without_free(read_taste(score), FreeMark(9, 1.0)))
    assert taste_path(score).read_text("utf-8") == HAND
    write_taste(score, Taste("intermediate", taste.free))
    assert taste_path(score).read_text("utf-8") == HAND.replace(
        'level = "concert"  # the', 'level = "intermediate"  # the'
    )


def test_a_mark_is_taken_out_with_its_own_lines_only(tmp_path):
    score = beside(tmp_path, HAND)
    write_taste(score, without_free(read_taste(score), FreeMark(3, 1.0)))
    text = taste_path(score).read_text("utf-8")
    assert read_taste(score) == Taste("concert", (FreeMark(4, 2.5, 6),))
    assert "it sings" not in text
    for kept in ("recital is in May", 'teacher = "K."', "# both of these", 'beat = "2½"'):
        assert kept in text


def test_byte_order_marks_line_ends_and_odd_signs_are_kept(tmp_path):
    """A byte order mark and CR LF, as some editors write; U+2028 within a remark ends no line of TOML."""
    text = "\ufeff" + HAND.replace("it sings", "it\u2028sings").replace("until the", "until\u2028the")
    text = text.replace("in May", "in\x85May").replace("\n", "\r\n")
    score = tmp_path / "tune.musicxml"
    taste_path(score).write_bytes(text.encode())
    taste = read_taste(score)
    assert taste == Taste("concert", (FreeMark(3, 1.0), FreeMark(4, 2.5, 6)))
    write_taste(score, taste)
    assert taste_path(score).read_bytes() == text.encode()
    write_taste(score, with_free(taste, FreeMark(9, 1.0)))
    added = "\n[[free]]\nbar = 9\nbeat = 1.0\n".replace("\n", "\r\n")
    assert taste_path(score).read_bytes() == (text + added).encode()


def test_a_file_laid_out_anew_keeps_its_old_text_behind_number_signs(tmp_path):
    text = "# mine\nfree = [\n  {bar = 3, beat = 1},  # it sings\n]  # and no more\n"
    score = beside(tmp_path, text)
    taste = with_free(read_taste(score), FreeMark(5, 2.0))
    write_taste(score, taste)
    new = taste_path(score).read_text("utf-8")
    assert read_taste(score) == taste
    assert new.startswith("# The file as it was before it was laid out anew:\n# mine\n# free = [\n")
    for line in ("#   {bar = 3, beat = 1},  # it sings", "# ]  # and no more"):
        assert f"\n{line}\n" in new
    write_taste(score, with_free(taste, FreeMark(6, 1.0)))  # from now on line by line
    assert taste_path(score).read_text("utf-8") == new + "\n[[free]]\nbar = 6\nbeat = 1.0\n"


def test_a_name_too_long_for_a_taste_file_has_none(tmp_path):
    score = tmp_path / ("x" * 246 + ".musicxml")
    assert read_taste(score) == Taste()
    with pytest.raises(CoachError, match=r"taste file cannot be written \(File name too long\); free"):
        write_taste(score, Taste("concert"))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kind", ["folder", "fifo"])
def test_what_is_no_file_is_not_read(tmp_path, kind):
    path = taste_path(tmp_path / "tune.musicxml")
    os.mkfifo(path) if kind == "fifo" else path.mkdir()
    with pytest.raises(CoachError, match="this is no regular file; move it out of the way"):
        read_taste(tmp_path / "tune.musicxml")


def test_an_empty_taste_keeps_what_else_the_file_holds(tmp_path):
    score = beside(tmp_path, HAND)
    write_taste(score, Taste())
    assert tomllib.loads(taste_path(score).read_text("utf-8")) == {"teacher": "K."}
    assert "recital is in May" in taste_path(score).read_text("utf-8")


@pytest.mark.parametrize(
    "text",
    [
        "free = [{bar = 3, beat = 1.0, why = 'sings'}, {bar = 5, beat = 1}]\nteacher = 'K.'\n",
        "teacher = 'K.'\nfree = [\n  {bar = 3, beat = 1.0, why = 'sings'},\n  {bar = 5, beat = 1},\n]\n",
        f"teacher = '''K.\n[[free]]\n'''\n{SINGS}[[free]]\nbar=5\nbeat=1\n",
        f"{SINGS}[free.more]\nx = 1\n[[free]]\nbar = 5\nbeat = 1\n[rest]\n",
    ],
)
def test_other_ways_to_lay_the_file_out_lose_nothing_either(tmp_path, text):
    score = beside(tmp_path, text)
    before = tomllib.loads(text)
    taste = without_free(with_free(read_taste(score), FreeMark(7, 2.5)), FreeMark(5, 1.0))
    write_taste(score, Taste("concert", taste.free))
    after = tomllib.loads(taste_path(score).read_text("utf-8"))
    assert after.pop("level") == "concert"
    assert after["free"] == [before["free"][0], {"bar": 7, "beat": 2.5}]
    assert {k: v for k, v in after.items() if k != "free"} == {k: v for k, v in before.items() if k != "free"}


def test_a_folder_that_cannot_be_written_is_told(tmp_path):
    score = tmp_path / "no" / "such" / "tune.musicxml"
    with pytest.raises(CoachError, match="cannot be written"):
        write_taste(score, Taste("concert"))


@pytest.mark.parametrize(
    ("text", "mark"),
    [
        ("3:1", FreeMark(3, 1.0)),
        ("0:3", FreeMark(0, 3.0)),
        ("3:1.5", FreeMark(3, 1.5)),
        (" 3 : 1½ ", FreeMark(3, 1.5)),
        ("12:2¾@5", FreeMark(12, 2.75, 5)),
        ("3:1@⑥", FreeMark(3, 1.0, 6)),
    ],
)
def test_places_as_typed(text, mark):
    assert parse_place(text) == mark


@pytest.mark.parametrize(
    "text", ["", "3", "3:", ":1", "3:0", "3:0.5", "-3:1", "3:1@0", "3:1@13", "3:1@", "3:x", "a\nb"]
)
def test_what_is_no_place_is_told_in_one_line(text):
    with pytest.raises(CoachError, match=r"BAR:BEAT") as caught:
        parse_place(text)
    assert "\n" not in str(caught.value)


def test_marks_are_added_once_and_taken_back():
    taste = with_free(Taste(), FreeMark(3, 4 / 3))
    assert with_free(taste, FreeMark(3, 1.33)) == taste
    assert with_free(taste, FreeMark(3, 1.33, 6)) == taste  # all that start there ring already
    two = with_free(with_free(Taste("concert"), FreeMark(3, 1.0, 6)), FreeMark(3, 1.0, 5))
    assert without_free(two, FreeMark(3, 1.0, 6)) == Taste("concert", (FreeMark(3, 1.0, 5),))
    assert without_free(two, FreeMark(3, 1.0)) == Taste("concert")
    assert without_free(two, FreeMark(3, 2.0)) == two
    assert without_free(taste, FreeMark(3, 1.33, 6)) == Taste()


def test_a_free_bass_is_found_by_bar_and_beat_and_is_not_asked_for():
    score = piece("3/4", "A2 1, D3 2, E2+B2 3, A2@5 3", "E4 3, E4 3, E4 3", pickup="0")
    taste = Taste(None, (FreeMark(1, 2.0), FreeMark(2, 1.0, 6)))
    free, notices = free_written(taste, score)
    assert not notices
    stops = plan_stops(score, free=free)
    reasons = {(score.beat(int(score.notes["onset"][s.note])), s.string): s.reason for s in stops[:4]}
    ringing = {place for place, reason in reasons.items() if reason is Reason.FREE}
    assert ringing == {(2.0, 4), (1.0, 6)}
    assert reasons[1.0, 5] is not Reason.FREE
    assert REASON_WORDS[Reason.FREE] == "may ring"


def test_beats_of_a_pickup_count_towards_the_bar():
    score = piece("3/4", "E2 1, A2 3", pickup="1")  # the pickup is the third beat of bar 0
    assert free_written(Taste(None, (FreeMark(0, 3.0),)), score) == (frozenset({0}), ())


def test_thirds_of_a_beat_may_be_rounded_and_near_misses_are_none():
    score = piece("3/4", "- 1/3, E2 2/3, A2 2")
    assert free_written(Taste(None, (FreeMark(1, 1.33),)), score)[0]
    assert not free_written(Taste(None, (FreeMark(1, 1.3),)), score)[0]


def test_a_mark_where_no_bass_starts_is_told():
    score = piece("3/4", "E2 3, A2 3", "- 1, E4 2, E4 3")
    taste = Taste(None, (FreeMark(9, 2.0), FreeMark(1, 2.0), FreeMark(1, 1.0, 5), FreeMark(2, 1.0)))
    free, notices = free_written(taste, score)
    assert free == {score.notes["written"][score.notes["pitch"] == 45].item()}
    assert notices == (
        "The taste file lets bar 9 beat 2 ring, but no bass starts there.",
        "The taste file lets bar 1 beat 2 ring, but no bass starts there.",
        "The taste file lets bar 1 beat 1 on string 5 ring, but no bass starts there.",
    )


def test_every_round_of_a_repeat_rings():
    bar = attributes(2, 4) + note("E2", 1) + note("A2", 1)
    score = read(bar, note("D3", 2) + BACKWARD).score
    free, _ = free_written(Taste(None, (FreeMark(1, 1.0),)), score)
    assert len(free) == 1
    stops = plan_stops(score, free=free)
    assert [s.reason is Reason.FREE for s in stops] == [True, False, False, True, False, False]
