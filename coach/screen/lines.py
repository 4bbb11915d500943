"""How many lines a stretch of music is set on."""

MOST_BARS = 5  # on a line: what is read from a music stand is to be large
PHRASE = 4  # bars; where they come out even a line is a phrase


def lines_for(bars: int) -> int:
    """Return how many lines so many bars should have at least; wide bars may need more."""
    if bars <= MOST_BARS:
        return 1
    return bars // PHRASE if bars % PHRASE == 0 else -(-bars // MOST_BARS)
