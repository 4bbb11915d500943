"""Finding the key: of a piece, and of each of its bars.

The key profiles are Krumhansl and Kessler's (Psychological Review 89, 1982, pp. 334-368; as printed in
Krumhansl, *Cognitive Foundations of Musical Pitch*, 1990, p. 30).  A passage's duration-weighted pitch
classes are correlated (Pearson) with the 24 rotations.  The correlation alone takes a passage on the dominant
for the dominant's key, so the signature, the mode and where the piece comes to rest count beside it, and the
keys of bars are found for the whole piece at once, at a price for each change.  The weights of that further
evidence are our own.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coach.core.score import Score
from coach.core.spelling import Key, key_of, pitch_class

Vector = NDArray[np.float64]

MAJOR = (6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88)
MINOR = (6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17)
KEYS: tuple[Key, ...] = tuple(key_of(pitch, minor) for minor in (False, True) for pitch in range(12))
# Mode of a signature -> how many fifths its tonic lies above the major key's, and whether its third is minor.
MODE_STEPS = {
    "major": (0, False), "ionian": (0, False), "minor": (3, True), "aeolian": (3, True), "dorian": (2, True),
    "phrygian": (4, True), "lydian": (-1, False), "mixolydian": (1, False), "locrian": (5, True),
}  # fmt: skip

# Evidence in units of correlation.
SIGNATURE = 0.25  # for the two keys of the signature
FEW_BARS = (
    0.4  # more for them in a single bar whose notes they hold, fading until four bars speak for themselves
)
NEAR_SIGNATURE = 0.06  # one sign away: old minor scores leave the flat of the sixth out
STATED_MODE = 0.3
NOT_CONTRADICTED = 1.0  # more for the stated key where its scale holds every note
LAST_BASS = 0.15  # the piece comes to rest on the tonic
FIRST_BASS = 0.05
LAST_CHORD = 0.05  # for each note of the tonic triad in the last chord
HALF_CLOSE = 0.15  # the last chord is the major dominant of the signature's minor key
# Keys of bars.
SHARE_LIMIT = 0.15  # of a bar's notes outside the scale count no more: one chromatic chord is no new key
OUTSIDE = 4.0  # cost of a bar wholly outside the scale
PROFILE = 0.4  # weight of the correlation: small, since it prefers the dominant's key over a dominant
HOME = 0.05  # a bar for free to the piece's key
BAR_SIGNATURE = 0.05  # the same to the two keys of its signature
CHANGE = 0.3  # price of a change of key
REMOTE = 0.03  # against a bar for each sign more than one by which a key's signature differs from the piece's
FEWEST_BARS = 4  # that a key must last: half a period
BASS = 2.0  # weight of bass notes


class Candidate(NamedTuple):
    """A key and how well the notes correlate with its profile."""

    key: Key
    r: float


def _profiles() -> Vector:
    rows = [np.roll(MINOR if key.minor else MAJOR, key.pitch_class) for key in KEYS]
    rows = [(row - row.mean()) / np.sqrt(((row - row.mean()) ** 2).sum()) for row in rows]
    return np.array(rows)


_PROFILES = _profiles()


def correlations(weights: Vector) -> Vector:
    """Return Pearson's r with the 24 profiles, in the order of ``KEYS``.

    ``weights``: shape (12,) or (n, 12), pitch class 0 being C; a row without variation gives zeros.
    """
    apart = weights - weights.mean(axis=-1, keepdims=True)
    length = np.sqrt((apart**2).sum(axis=-1, keepdims=True))
    found: Vector = np.einsum("...j,kj->...k", apart / np.where(length > 1e-12, length, np.inf), _PROFILES)
    return found


def rank_keys(weights: Vector) -> list[Candidate]:
    """Return the 24 keys, best first, by correlation alone (Krumhansl 1990, ch. 4)."""
    r = correlations(weights)
    return [Candidate(KEYS[i], float(r[i])) for i in np.argsort(-r, kind="stable")]


def weigh(score: Score, onset: int = 0, end: int | None = None) -> Vector:
    """Return how long each pitch class sounds, in ticks, shape (12,), within a stretch."""
    notes = score.notes
    over = np.minimum(notes["onset"] + notes["duration"], score.end if end is None else end)
    lengths = np.maximum(over - np.maximum(notes["onset"], onset), 0)
    return np.bincount(notes["pitch"] % 12, lengths, 12).astype(float)


def find_key(score: Score) -> Key:
    """Return the key of a piece.

    Where the signature changes, the key of the signature that lasts longest (the first of equals).  A stated
    mode settles between the signature's major and minor unless the notes flatly contradict it: while they are
    all of the stated key's scale (in minor with both sixths and sevenths) they do not.
    """
    return rank_score(score)[0].key


def rank_score(score: Score) -> list[Candidate]:
    """Return the 24 keys, best first, by all the evidence; the figure is r plus what else speaks for it."""
    fifths = main_signature(score)
    onset, end = _stretch(score, fifths)
    weights = weigh(score, onset, end)
    marks = correlations(weights).copy()
    few = FEW_BARS * max(0.0, 1.0 - (sum(onset <= bar.onset < end for bar in score.bars) - 1) / 3)
    held = (weights > 0) @ (_scale_shares() == 0).T == 0  # keys whose scale holds every note
    first, last, chord = _rests(score, onset, end)
    stated = MODE_STEPS.get(score.mode) if score.bars and score.bars[0].fifths == fifths else None
    for i, key in enumerate(KEYS):
        apart = abs((key.fifths - fifths + 6) % 12 - 6)  # seven sharps sound as five flats
        marks[i] += SIGNATURE + few * held[i] if apart == 0 else NEAR_SIGNATURE if apart == 1 else 0.0
        if stated and key.minor == stated[1] and key.pitch_class == pitch_class(fifths + stated[0]):
            marks[i] += STATED_MODE + NOT_CONTRADICTED * held[i]
        tonic = key.pitch_class
        marks[i] += LAST_BASS * (last == tonic) + FIRST_BASS * (first == tonic)
        marks[i] += LAST_CHORD * len(chord & _triad(tonic, key.minor))
        if key.minor and apart == 0 and chord == _triad((tonic + 7) % 12, False):
            marks[i] += HALF_CLOSE
    order = np.argsort(-marks, kind="stable")
    return [Candidate(_as_signed(KEYS[i], fifths), float(marks[i])) for i in order]


def _as_signed(key: Key, fifths: int) -> Key:
    """Return a key spelt as the signature spells it: G flat major under six flats."""
    for places in (-12, 12):
        other = Key(key.tonic + places, key.minor)
        if abs(other.fifths) <= 7 and abs(other.fifths - fifths) < abs(key.fifths - fifths):
            return other
    return key


def main_signature(score: Score) -> int:
    """Return the signature that lasts longest, in sharps; flats are negative."""
    lasts: dict[int, int] = {}
    for bar in score.bars:
        lasts[bar.fifths] = lasts.get(bar.fifths, 0) + bar.length
    return max(lasts, key=lambda fifths: lasts[fifths]) if lasts else 0


def _stretch(score: Score, fifths: int) -> tuple[int, int]:
    """Return the first run of bars with a signature, from its onset to its end; the longest of them."""
    runs: list[tuple[int, int]] = []
    for bar in score.bars:
        if bar.fifths != fifths:
            continue
        if runs and runs[-1][1] == bar.onset:
            runs[-1] = runs[-1][0], bar.end
        else:
            runs.append((bar.onset, bar.end))
    return max(runs, key=lambda run: run[1] - run[0]) if runs else (0, score.end)


def _triad(tonic: int, minor: bool) -> set[int]:
    return {tonic, (tonic + (3 if minor else 4)) % 12, (tonic + 7) % 12}


def _rests(score: Score, onset: int, end: int) -> tuple[int, int, set[int]]:
    """Return the first bass, what a stretch comes to rest on, and its last chord, as pitch classes.

    It rests on the root of its last chord where that is a triad, or else on the last bass; −1 for none.
    """
    notes = score.notes
    rows = notes[(notes["onset"] >= onset) & (notes["onset"] < end) & (notes["duration"] > 0)]
    if not len(rows):
        return -1, -1, set()
    basses = rows[rows["bass"]] if rows["bass"].any() else rows
    first = int(basses[basses["onset"] == basses["onset"][0]]["pitch"].min()) % 12
    low = int(basses[basses["onset"] == basses["onset"][-1]]["pitch"].min()) % 12
    sounding = rows[rows["onset"] + rows["duration"] > rows["onset"][-1]]
    chord = {int(pitch) % 12 for pitch in sounding["pitch"]}
    if len(chord) == 1:  # the last note of a broken chord or of a tune
        chord = {int(pitch) % 12 for pitch in rows[rows["bar"] == rows["bar"][-1]]["pitch"]}
    roots = [tonic for tonic in range(12) if chord in (_triad(tonic, False), _triad(tonic, True))]
    return first, roots[0] if roots else low, chord


# --- keys of bars --------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _scale_shares() -> Vector:
    """Return how far each pitch class belongs to each key's scale, shape (24, 12).

    The minor keys hold both sevenths and both sixths, the natural seventh and raised sixth less so: they
    tell C major from A minor.
    """
    major = np.isin(np.arange(12), (0, 2, 4, 5, 7, 9, 11)).astype(float)
    minor = np.isin(np.arange(12), (0, 2, 3, 5, 7, 8, 11)).astype(float)
    minor[10], minor[9] = 0.6, 0.6
    return np.array([np.roll(minor if key.minor else major, key.pitch_class) for key in KEYS])


def bar_keys(score: Score, key: Key) -> tuple[Key, ...]:
    """Return the key of each performed bar; ``key`` is the piece's.

    A key lasts four bars at least (or the piece): a bar or two of applied dominants are no new key.
    """
    count = len(score.bars)
    if not count:
        return ()
    marks = _bar_marks(score, key)
    least = min(FEWEST_BARS, count)
    sums = np.vstack([np.zeros((1, 24)), np.cumsum(marks, axis=0)])
    best = np.full((count + 1, 24), -np.inf)
    best[0] = 0.0
    came: list[list[tuple[int, int]]] = [[(0, -1)] * 24 for _ in range(count + 1)]
    for at in range(least, count + 1):
        stay = best[at - 1] + marks[at - 1] if at > least else np.full(24, -np.inf)
        start = at - least
        before = int(np.argmax(best[start]))
        change = CHANGE if start else CHANGE * np.array([not _same(other, key) for other in KEYS])
        fresh = best[start][before] - change + sums[at] - sums[start]
        best[at] = np.maximum(stay, fresh)
        came[at] = [(at - 1, k) if stay[k] >= fresh[k] else (start, before) for k in range(24)]
    found: list[int] = []
    at, now = count, int(np.argmax(best[count]))
    while at > 0:
        start, before = came[at][now]
        found += [now] * (at - start)
        at, now = start, before
    return tuple(_named(KEYS[i], key) for i in reversed(found))


def _named(key: Key, home: Key) -> Key:
    """Return the piece's own key where it is that, so that its spelling is kept."""
    return home if _same(key, home) else _as_signed(key, home.fifths)


def _same(key: Key, other: Key) -> bool:
    return key.minor == other.minor and key.pitch_class == other.pitch_class


def _bar_marks(score: Score, home: Key) -> Vector:
    """Return how well each bar, heard with half of its neighbours, fits each key, shape (bars, 24)."""
    bars = weigh_bars(score)
    heard = bars.copy()
    heard[1:] += bars[:-1] / 2
    heard[:-1] += bars[1:] / 2
    totals = heard.sum(axis=1, keepdims=True)
    shares = heard / np.where(totals > 0, totals, 1.0)
    outside: Vector = np.minimum(np.einsum("ij,kj->ik", shares, 1.0 - _scale_shares()), SHARE_LIMIT)
    marks: Vector = PROFILE * correlations(heard) - OUTSIDE * outside
    signatures = np.array([bar.fifths for bar in score.bars])
    for i, key in enumerate(KEYS):
        marks[:, i] += HOME * _same(key, home)
        marks[:, i] -= REMOTE * max(abs((key.fifths - home.fifths + 6) % 12 - 6) - 1, 0)
        marks[:, i] += BAR_SIGNATURE * ((key.fifths - signatures) % 12 == 0)
    return marks


def weigh_bars(score: Score) -> Vector:
    """Return how long each pitch class sounds in each performed bar, basses doubled, shape (bars, 12)."""
    out = np.zeros((len(score.bars), 12))
    notes = score.notes
    ends = notes["onset"] + notes["duration"]
    for pitch, bass, onset, end, bar in zip(
        (notes["pitch"] % 12).tolist(), notes["bass"].tolist(), notes["onset"].tolist(), ends.tolist(),
        notes["bar"].tolist(), strict=True,
    ):  # fmt: skip
        while bar < len(score.bars) and end > score.bars[bar].onset:
            here = score.bars[bar]
            share = (min(end, here.end) - max(onset, here.onset)) / here.length
            out[bar, pitch] += share * (BASS if bass else 1.0)
            bar += 1
    return out
