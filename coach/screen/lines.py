"""How many lines a stretch of music is set on."""

MOST_BARS = 5  # on a line: what is read from a music stand is to be large
PHRASE = 4  # bars; where they come out even a line is a phrase


def lines_for(bars: int, most: int = MOST_BARS) -> int:
    """Return how many lines so many bars should have at least; wide bars may need more.

    ``most`` is how many bars a line may have: fewer than usual where the signs under them need the room.
    """
    if bars <= most:
        return 1
    return bars // PHRASE if bars % PHRASE == 0 and most >= PHRASE else -(-bars // most)
