"""Views made by hand, for the tests of what draws them."""

from __future__ import annotations

from dataclasses import replace

from coach.core.score import Score
from coach.core.shapes import Foot, View


def blank_view(music: Score, **more: object) -> View:
    """Return a view of the whole piece before anything was played, but for what ``more`` says."""
    plain = View(
        first_bar=0,
        last_bar=len(music.bars) - 1,
        bar=0,
        tick=0.0,
        unsure=False,
        pass_number=1,
        rings=(),
        marks=(),
        drifts=(),
        stops=(),
        foot=Foot(),
    )
    return replace(plain, **more)  # type: ignore[arg-type]
