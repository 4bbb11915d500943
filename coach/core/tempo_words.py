"""A tempo in the meter's own beat, as a sign and in words."""

from __future__ import annotations

from coach.core.score import Score


def written_tempo(score: Score) -> str:
    """Return the written tempo in the meter's own beat, such as ``♩ = 58``; empty where none is given."""
    if not score.tempo_given or not score.bars:
        return ""
    quarters = beat_quarters(score)
    return f"{'♩.' if quarters == 1.5 else '♩'} = {score.qpm(0) / quarters:.0f}"


def tempo_at(score: Score, speed: float) -> str:
    """Return a tempo that is a share of the written one, in the meter's own beat: ``♩ = 36``."""
    quarters = beat_quarters(score)
    return f"{'♩.' if quarters == 1.5 else '♩'} = {score.qpm(0) * speed / quarters:.0f}"


def beats_a_minute(score: Score, speed: float) -> str:
    """Return a tempo that is a share of the written one, in words: ``36 beats a minute``."""
    return f"{score.qpm(0) * speed / beat_quarters(score):.0f} beats a minute"


def beat_quarters(score: Score) -> float:
    """Return the quarter notes in the beat that a tempo counts: 1, or 1½ in 6/8 and its like."""
    first = score.bars[0]
    return 1.5 if first.beat_unit == 8 and first.beats % 3 == 0 else 1.0
