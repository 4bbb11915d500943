"""The drift of a session's passes: each by itself, and one against a pass of another take."""

from __future__ import annotations

from dataclasses import dataclass, replace

from coach.core.drift import PassDrift, fit_to_model, pass_drift
from coach.core.passes import Pass
from coach.core.session import Session
from coach.core.timing import pass_onsets
from coach.core.together import together


@dataclass(frozen=True, slots=True)
class Place:
    """Where one onset of the score was played, against the model."""

    bar: int  # as a musician counts
    beat: float
    late_ms: float  # negative: early


@dataclass(frozen=True, slots=True)
class ModelDrift:
    """One pass against a pass of another take, the overall ratio of their tempi taken out."""

    name: str  # of the model
    pass_number: int
    model_pass: int
    tempo_percent: float | None  # the tempo of the pass in percent of the model's
    drift: PassDrift
    places: tuple[Place, ...]  # those both have, in order


def drift_of(session: Session, during: Pass) -> PassDrift:
    """Return how one pass's time ran (against the click, where there was one), and how its voices met."""
    found = pass_drift(session.score, pass_onsets(session.score, during), session.click)
    claims = during.claims | during.soft_claims
    by_bar, whole, calibrated = together(session.score, claims, session.profile)
    bars = tuple(replace(bar, together_ms=by_bar.get(bar.bar)) for bar in found.bars)
    return replace(found, bars=bars, together_ms=whole, calibrated=calibrated)


def drift_against(session: Session, during: Pass, model: Session, like: Pass, name: str) -> ModelDrift:
    """Return how one pass's time ran against a pass of another session of the same score."""
    score = session.score
    onsets, theirs = pass_onsets(score, during), pass_onsets(score, like)
    mine, fit = fit_to_model(score, onsets, theirs)
    places = [
        Place(score.bars[onset.bar].number, score.beat(onset.tick, onset.bar), late_us / 1000)
        for onset, late_us in zip(mine, fit.off.tolist(), strict=True)
    ]
    return ModelDrift(
        name=name,
        pass_number=during.number,
        model_pass=like.number,
        tempo_percent=100 / fit.pace if len(mine) > 1 and fit.pace > 0 else None,
        drift=pass_drift(score, onsets, model=theirs),
        places=tuple(places),
    )
