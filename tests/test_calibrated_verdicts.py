"""What a calibration's doubt does to a verdict: less than it is no fault, and it is shown."""

import json

import pytest

from coach.core.lanes import lanes
from coach.core.profile import Profile
from coach.core.report import report
from coach.core.verdicts import Damping, Limits
from coach.files.report import review_json, review_text
from tests.test_artefacts import BASS, bar_of_basses, fed, off


def ended(overhang_ms, doubt_ms, tolerance_ms=30.0):
    """Judge the first of five basses, stopped so late, by a calibration known within ± ``doubt_ms``.

    Half of the variance is the note-on's, half the note-off's; the doubt is two standard deviations.
    """
    each = doubt_ms / 2 / 2**0.5
    profile = Profile(on_error_ms=(each,) * 6, off_error_ms=(each,) * 6)
    events = bar_of_basses()
    events[1] = off(2 + overhang_ms / 1000, 40, 6)
    session = fed(BASS, *events, profile=profile, limits=Limits(tolerance_ms=tolerance_ms))
    return report(session)


@pytest.mark.parametrize(
    ("overhang_ms", "doubt_ms", "kind"),
    [
        (40, 25, Damping.CLEAN),  # 30 + 25 is not passed
        (60, 10, Damping.LATE),  # 30 + 10 is
        (40, 0, Damping.LATE),
        (54, 25, Damping.CLEAN),
        (56, 25, Damping.LATE),
    ],
)
def test_an_overhang_within_its_doubt_is_no_fault(overhang_ms, doubt_ms, kind):
    (row, *_) = ended(overhang_ms, doubt_ms).damps
    assert row.verdict.kind is kind
    assert row.verdict.overhang_ms == pytest.approx(overhang_ms, abs=0.1)
    assert row.verdict.uncertainty_ms == pytest.approx(doubt_ms, abs=0.1)


def test_text_and_json_show_the_doubt():
    result = ended(60, 10)
    assert "60 ms ± 10" in review_text(result)
    (row, *_) = json.loads(review_json(result))["damps"]
    assert (row["overhang_ms"], row["uncertainty_ms"]) == (60.0, 10.0)


@pytest.mark.parametrize(("doubt_ms", "kind"), [(0, Damping.CUT), (25, Damping.CUT), (80, Damping.CLEAN)])
def test_a_note_that_may_have_sounded_long_enough_is_not_cut(doubt_ms, kind):
    """Three quarters of its second are enough (CUT_SHARE, our own figure): it stops 50 ms before that."""
    (row, *_) = ended(-300, doubt_ms).damps
    assert row.verdict.kind is kind


def test_the_bar_to_true_time_shows_the_doubt():
    each = 10 / 2 / 2**0.5
    profile = Profile(on_error_ms=(each,) * 6, off_error_ms=(each,) * 6)
    events = bar_of_basses()
    events[1] = off(2.06, 40, 6)
    session = fed(BASS, *events, profile=profile, limits=Limits(tolerance_ms=30.0))
    found = lanes(session, 1, 0)
    assert "+60 ms ± 10" in {sound.words for lane in found.lanes for sound in lane.sounds}
    assert any("60 ms ± 10" in sentence for sentence in found.said)
