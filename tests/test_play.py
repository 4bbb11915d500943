"""What a sitting is asked for."""

from __future__ import annotations

import pytest

from coach.app.piece import open_piece
from coach.app.play import Asked
from coach.core.profile import Profile
from tests.harness import ROOT

PIECE = open_piece(sorted((ROOT / "scores").glob("*.musicxml"))[0])


@pytest.mark.parametrize(
    ("asked", "profile"),
    [
        (Asked(), Profile()),
        (Asked(profile=Profile(base_channel=11), kept=True), Profile(base_channel=11)),
        (Asked(profile=Profile(strings=8), kept=True), Profile()),  # learnt on another guitar
        (Asked(profile=Profile(strings=8)), Profile(strings=8)),  # it was named: so it is meant
    ],
)
def test_a_profile_that_was_learnt_serves_a_guitar_of_as_many_strings(asked, profile):
    assert asked.profile_for(PIECE) == profile
