"""Roman numerals and names of chords.

Numerals as in a harmony class: the degree of the root, upper case over a major third and lower case over a
minor one, ``o`` diminished, ``%`` half-diminished, ``+`` augmented, then the figures of the inversion (6, 64,
7, 65, 43, 42).  In minor the degrees are those of the natural scale, except that a diminished chord on the
raised seventh is plain ``viio``.  A dominant or a leading-note chord of another degree is written ``V7/V``;
the lowered second degree is ``N``; a chord of the sixth that is the tonic over the dominant's bass stays
``I64``.  Suspended and added-sixth chords have no figures of an inversion: ``Vsus4``, ``ivadd6``.
Common practice; the letters o, %, + and the order of the figures follow the RomanText format (Tymoczko,
Gotham, Cuthbert and Ariza, ISMIR 2019).
"""

from __future__ import annotations

from coach.core.spelling import Key, place_name

DEGREES = ("I", "II", "III", "IV", "V", "VI", "VII")
STEPS_UP = (0, 2, 4, -1, 1, 3, 5)  # degrees of a major scale as fifths above the tonic
MINOR_STEPS = (0, 2, -3, -1, 1, -4, -2)
LOWERED_SECOND = -5
LEADING_NOTE = 5  # fifths from a tonic up to its leading note
AUGMENTED_SIXTH = -4  # the lowered sixth, on which an augmented sixth sounds as a dominant seventh
TRIAD_FIGURES = ("", "6", "64")
SEVENTH_FIGURES = ("7", "65", "43", "42")

MINOR_THIRD = frozenset(("m", "m7", "m6", "°", "°7", "m7♭5"))
SIGN = {"°": "o", "°7": "o", "m7♭5": "%", "+": "+"}
SEVENTHS = frozenset(("7", "maj7", "m7", "m7♭5", "°7"))
TRIADS = frozenset(("", "m", "°", "+"))
WORDED = {"6": "add6", "m6": "add6", "sus4": "sus4", "sus2": "sus2", "5": "5"}
# Degrees (fifths above the tonic) that dominants are borrowed for, and whether their triad is minor.
TARGETS = {
    False: {2: True, 4: True, -1: False, 1: False, 3: True},
    True: {-3: False, -1: True, 1: False, -4: False, -2: False},
}
LEADING = frozenset(("°", "°7", "m7♭5"))
DOMINANT = frozenset(("", "7"))
# Roots of diatonic chords in fifths above the tonic; in minor those of both sixths and sevenths.
DIATONIC: dict[bool, dict[str, frozenset[int]]] = {
    False: {
        "": frozenset((0, -1, 1)), "m": frozenset((2, 4, 3)), "°": frozenset((5,)), "7": frozenset((1,)),
        "maj7": frozenset((0, -1)), "m7": frozenset((2, 4, 3)), "m7♭5": frozenset((5,)),
        "°7": frozenset((5,)), "+": frozenset((1,)),
    },
    True: {
        "": frozenset((-3, -1, 1, -4, -2)), "m": frozenset((0, -1, 1, 2)), "°": frozenset((2, 5, 3)),
        "7": frozenset((1, -2)), "maj7": frozenset((-3, -4)), "m7": frozenset((0, -1, 1, 2)),
        "m7♭5": frozenset((2, 3)), "°7": frozenset((5,)), "+": frozenset((-3,)),
    },
}  # fmt: skip


def degree(place: int, key: Key) -> str:
    """Return the degree of a root in upper case, with its accidental: ``bVI``, ``#IV``."""
    steps = MINOR_STEPS if key.minor else STEPS_UP
    index = next(i for i, step in enumerate(steps) if (place - key.tonic - step) % 7 == 0)
    signs = (place - key.tonic - steps[index]) // 7
    return ("#" * signs if signs > 0 else "b" * -signs) + DEGREES[index]


def figures(quality: str, inversion: int) -> str:
    """Return the figures of an inversion; a word for what is neither triad nor seventh."""
    if quality in WORDED:
        return WORDED[quality]
    return (SEVENTH_FIGURES if quality in SEVENTHS else TRIAD_FIGURES)[inversion]


def plain_numeral(root: int, quality: str, inversion: int, key: Key) -> str:
    """Return a chord's numeral on its own degree, whatever its function."""
    minor = quality in MINOR_THIRD or (quality == "5" and _minor_triad(root, key))
    found = degree(root, key)
    if key.minor and quality in LEADING and root == key.tonic + LEADING_NOTE:
        found = "VII"
    if minor:
        found = found.lower()
    return found + SIGN.get(quality, "") + figures(quality, inversion)


def numeral(root: int, quality: str, inversion: int, key: Key, to: int | None = None) -> str:
    """Return a chord's Roman numeral.

    ``root`` and ``to`` are places on the line of fifths; ``to`` is the root that follows, where it is known:
    a diatonic dominant seventh or tonic major triad is an applied one only where its own tonic follows.
    """
    apart = root - key.tonic
    if apart == LOWERED_SECOND and quality == "":
        return "N" + figures(quality, inversion)
    if apart == AUGMENTED_SIXTH and (quality, inversion) == ("7", 0) and to == key.tonic + 1:
        return "Ger65"  # its seventh is an augmented sixth that opens into the octave of the dominant
    target = applied_to(root, quality, key, to)
    if target is None:
        return plain_numeral(root, quality, inversion, key)
    lower = TARGETS[key.minor][target]
    name = degree(key.tonic + target, key)
    name = name.lower() if lower else name
    head = "V" if quality in DOMINANT else "vii" + SIGN[quality]
    return f"{head}{figures(quality, inversion)}/{name}"


def applied_to(root: int, quality: str, key: Key, to: int | None = None) -> int | None:
    """Return the degree, in fifths above the tonic, whose dominant or leading-note chord this is."""
    apart = root - key.tonic
    if quality in DOMINANT:
        target = apart - 1
    elif quality in LEADING:
        target = apart - LEADING_NOTE
    else:
        return None
    if target not in TARGETS[key.minor]:
        return None
    follows = to is not None and to == key.tonic + target
    own = apart in DIATONIC[key.minor][quality]
    if quality == "" and key.minor and apart == 0:
        own = True  # the major tonic of a minor key is its close, unless the fourth degree follows
    if own:
        return target if follows and _worth_naming(apart, quality, key) else None
    return target


def _worth_naming(apart: int, quality: str, key: Key) -> bool:
    """Tell whether a chord of the key is named by what it leads to: VII7 to III and I to iv in minor."""
    return key.minor and (apart, quality) in {(-2, "7"), (0, "")}


def _minor_triad(root: int, key: Key) -> bool:
    """Tell whether the key's triad on a root has a minor third (the dominant of minor has a major one)."""
    minors = (0, -1, 2) if key.minor else (2, 4, 3, 5)
    return root - key.tonic in minors


def chord_name(root: int, quality: str, bass: int) -> str:
    """Return a chord's name, such as ``E7/G♯``; the bass is named where it is not the root."""
    own = place_name(root) + quality
    return own if bass == root else f"{own}/{place_name(bass)}"
