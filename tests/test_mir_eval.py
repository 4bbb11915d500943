"""Our matching beside mir_eval's, the reference library of music information retrieval (0.8.2 and later).

Its rules, from the documentation of ``mir_eval.transcription``: an onset within 50 ms, a pitch within half a
semitone, an offset within the larger of 50 ms and 20 % of the reference's length.
"""

import json

import numpy as np
import pytest

from coach.app.piece import find_score, open_piece
from coach.app.sitting import limits_of, replay
from coach.core.pitch import frequency
from coach.files.take import read_take
from tests.test_truth import TAKES

transcription = pytest.importorskip("mir_eval.transcription")


def sounds(path):
    """What was played (the player's account) and what the session heard, with what it made of it."""
    take = read_take(path)
    piece = open_piece(find_score(take.meta.digest, []))
    session, _ = replay(take, piece, profile=None, limits=limits_of(take.meta.tolerances))
    truth = json.loads(path.with_suffix(".truth.json").read_text("utf-8"))["notes"]
    return truth, [m for m in session.matching.matches if m.played.off_us is not None]


def intervals(pairs):
    return np.array([(on / 1e6, max(off, on + 1) / 1e6) for on, off in pairs])


@pytest.mark.parametrize("path", TAKES, ids=lambda p: p.stem)
def test_the_notes_we_heard_are_the_notes_that_mir_eval_pairs(path):
    truth, heard = sounds(path)
    played = intervals((n["onset_us"], n["release_us"]) for n in truth)
    ours = intervals((m.played.on_us, m.played.off_us) for m in heard)
    pairs = transcription.match_notes(
        played,
        np.array([frequency(n["pitch"]) for n in truth]),
        ours,
        np.array([frequency(m.played.pitch) for m in heard]),
        onset_tolerance=0.05,
        offset_ratio=0.2,
        offset_min_tolerance=0.05,
    )
    by_mir_eval = {theirs: truth[ref] for ref, theirs in pairs}
    assert len(pairs) == len(heard), "a note we heard is none that was played, or its end is wrong"
    for index, match in enumerate(heard):
        note = by_mir_eval[index]
        if match.label.note >= 0:
            assert (note["note"], note["pass_number"]) == (match.label.note, match.during.number)
        else:
            assert note["kind"] in ("stray", "extra")
