"""The included takes against what was really played: the simulated player's own account beside each take.

The takes are simulated and say so; the account was written by the player (``tests/player.py``), which knows
nothing of the judge.
"""

import json
from pathlib import Path

import pytest

from coach.app.piece import find_score, open_piece
from coach.app.sitting import limits_of, replay
from coach.core.report import report
from coach.core.verdicts import Stroke
from coach.files.take import read_take

RECORDINGS = Path(__file__).parents[1] / "recordings"
TAKES = sorted(RECORDINGS.glob("*.mid"))
EXACT_MS = 15.0


def judged(path):
    take = read_take(path)
    piece = open_piece(find_score(take.meta.digest, []))
    session, ignored = replay(take, piece, profile=None, limits=limits_of(take.meta.tolerances))
    truth = json.loads(path.with_suffix(".truth.json").read_text("utf-8"))
    return report(session, ignored), truth


def test_every_etude_has_takes():
    assert len(TAKES) >= 10
    assert {path.name[:2] for path in TAKES} == {"01", "02", "03", "04", "05"}


@pytest.mark.parametrize("path", TAKES, ids=lambda p: p.stem)
def test_every_bass_end_is_what_was_played(path):
    result, truth = judged(path)
    found = {(row.verdict.pass_number, row.verdict.note): row.verdict.kind.value for row in result.damps}
    assert found == {(end["pass_number"], end["note"]): end["verdict"] for end in truth["ends"]}


@pytest.mark.parametrize("path", TAKES, ids=lambda p: p.stem)
def test_overhangs_are_within_15_ms(path):
    result, truth = judged(path)
    found = {(row.verdict.pass_number, row.verdict.note): row.verdict for row in result.damps}
    compared = 0
    for end in truth["ends"]:
        verdict = found[end["pass_number"], end["note"]]
        if end["overhang_ms"] is None or verdict.release_us is None:
            continue
        if end["verdict"] == "replaced":
            continue  # a finger may touch the string a moment before it plucks it: no overhang to speak of
        assert abs(verdict.release_us - end["release_us"]) <= EXACT_MS * 1000
        if end["reason"] != "end":  # after the last note nothing is heard that would tell where the end was
            assert verdict.overhang_ms == pytest.approx(end["overhang_ms"], abs=EXACT_MS)
        compared += 1
    assert compared >= 8


@pytest.mark.parametrize("path", TAKES, ids=lambda p: p.stem)
def test_notes_left_out_wrong_and_unasked_are_the_ones_planted(path):
    result, truth = judged(path)

    def rows(kind):
        return sorted((r.verdict.pass_number, r.verdict.note) for r in result.notes if r.verdict.kind is kind)

    def played(kind):
        return [n for n in truth["notes"] if n["kind"] == kind]

    assert rows(Stroke.MISSING) == sorted((m["pass_number"], m["note"]) for m in truth["missing"])
    assert rows(Stroke.WRONG) == sorted((n["pass_number"], n["note"]) for n in played("wrong"))
    assert len(rows(Stroke.EXTRA)) == len(played("extra"))
    strays = [(r.verdict.string, r.verdict.pitch) for r in result.strays]
    assert strays == [(n["string"], n["pitch"]) for n in played("stray")]


@pytest.mark.parametrize("path", TAKES, ids=lambda p: p.stem)
def test_passes_begin_and_end_where_the_player_turned(path):
    result, truth = judged(path)
    assert [one.number for one in result.passes] == [p["number"] for p in truth["passes"]]
