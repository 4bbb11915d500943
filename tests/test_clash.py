"""Roughness against values computed from Sethares' published constants, and the trap of low notes.

Curve: W. Sethares, JASA 94 (1993) 1218-1228, constants of "Tuning, Timbre, Spectrum, Scale".  The maximum
of the bracket 5(e^-3.51x - e^-5.75x) is where its derivative vanishes: x = ln(5.75/3.51)/(5.75-3.51).
"""

import math

import numpy as np
import pytest

from coach.core.clash import Clash, _dissonance, in_chord, pair_roughness, ring_over, ring_over_roughness
from coach.core.pitch import frequency


def test_the_curve_peaks_where_its_derivative_vanishes():
    x = math.log(5.75 / 3.51) / (5.75 - 3.51)
    assert x == pytest.approx(0.22035, abs=1e-5)
    f1 = 440.0
    at_peak = f1 + x / (0.24 / (0.0207 * f1 + 18.96))
    peak = _dissonance(np.array(f1), np.array(at_peak))
    assert float(peak) == pytest.approx(0.89878, abs=1e-5)
    assert at_peak - f1 == pytest.approx(25.77, abs=0.01)


@pytest.mark.parametrize(
    ("f1", "f2", "d"),
    [(440, 466.1638, 0.898681), (110, 123.4708, 0.846686), (82.4069, 87.3071, 0.490066)],
)
def test_two_sines(f1, f2, d):
    assert float(_dissonance(np.array(f1), np.array(f2))) == pytest.approx(d, abs=1e-5)


# Cross terms of an open bass ringing into the upper notes of a chord (same constants, six partials,
# amplitudes 0.88^(k-1), product rule), computed independently by hand script from the formula.
@pytest.mark.parametrize(
    ("ringing", "chord", "roughness"),
    [
        (40, (52, 56, 59, 64), 3.49),
        (45, (52, 56, 59, 64), 6.28),
        (50, (52, 56, 59, 64), 8.65),
        (40, (45, 52, 57, 60), 7.80),
        (45, (53, 57, 62), 4.65),
    ],
)
def test_ring_over_cross_terms(ringing, chord, roughness):
    assert ring_over_roughness(ringing, chord) == pytest.approx(roughness, abs=0.005)


def test_membership_comes_before_roughness():
    # By roughness alone the harmless E under A minor (7.80) would be worse than the A under E major (6.28).
    assert ring_over(40, (45, 52, 57, 60), bass=None).clash is Clash.LOW
    assert ring_over(45, (52, 56, 59, 64), bass=52).clash is Clash.HIGH  # A against G sharp and a lower bass
    assert ring_over_roughness(40, (45, 52, 57, 60)) > ring_over_roughness(45, (52, 56, 59, 64))


def test_a_chord_tone_below_the_written_bass_changes_the_inversion():
    assert ring_over(40, (48, 55, 64), bass=48).clash is Clash.MIDDLE  # E below the C of a C major chord
    assert ring_over(55, (48, 64), bass=48).clash is Clash.LOW


def test_the_basss_fifth_belongs_unless_a_diminished_one_is_written():
    assert in_chord(45, (50, 66), bass=50)
    assert not in_chord(54, (47, 53, 62), bass=47)  # F sharp over B D F


def test_unison_adds_nothing_and_order_does_not_matter():
    assert ring_over_roughness(45, (45,)) == 0
    assert pair_roughness(45, 52) == pytest.approx(pair_roughness(45, 52))


# The frequency difference at which two sines are roughest: x divided by Sethares' scaling of the lower one.
@pytest.mark.parametrize(
    ("f1", "difference"),
    [(82.4069, 18.97), (110, 19.50), (146.8324, 20.20), (195.9977, 21.13), (440, 25.77), (500, 26.91)],
)
def test_where_two_sines_are_roughest(f1, difference):
    steps = np.arange(1.0, 60.0, 0.01)
    curve = _dissonance(np.full(len(steps), f1), f1 + steps)
    assert float(steps[np.argmax(curve)]) == pytest.approx(difference, abs=0.02)


def test_an_octave_of_sines_is_smooth():
    assert float(_dissonance(np.array(440.0), np.array(880.0))) == pytest.approx(9.1989e-6, rel=1e-3)


# Two notes of six partials, amplitudes 0.88^(k-1), product rule: intervals of 1 to 12 semitones above a
# C4 and an A2 (the same formula worked by a separate script, each tone's own roughness taken out).
@pytest.mark.parametrize(
    ("low", "own", "sums"),
    [
        (60, 0.028868, (3.0153, 2.2049, 1.7133, 1.5273, 1.0479, 1.5415, 0.5567,
                        1.4715, 1.0078, 1.2553, 1.6932, 0.0743)),
        (45, 0.314818, (4.0330, 4.2271, 3.8342, 3.5266, 3.0962, 3.3370, 2.2237,
                        3.0200, 2.6193, 2.8045, 2.5760, 0.7690)),
    ],
)  # fmt: skip
def test_two_notes_in_every_interval(low, own, sums):
    def inner(pitch):
        k = np.arange(1, 7)
        f, a = frequency(pitch) * k, 0.88 ** (k - 1)
        pairs = [(i, j) for i in range(6) for j in range(i + 1, 6)]
        return sum(a[i] * a[j] * float(_dissonance(np.array(f[i]), np.array(f[j]))) for i, j in pairs)

    assert inner(low) == pytest.approx(own, abs=1e-5)
    for interval, total in enumerate(sums, 1):
        cross = pair_roughness(low, low + interval)
        assert cross + inner(low) + inner(low + interval) == pytest.approx(total, abs=1e-3)


CHORDS = {
    "E": (52, 56, 59, 64), "E7": (50, 56, 59, 64), "Am": (45, 52, 57, 60), "C": (52, 55, 60, 64),
    "G7": (53, 55, 59, 62), "Dm": (53, 57, 62),
}  # fmt: skip


@pytest.mark.parametrize(
    ("chord", "e2", "a2", "d3"),
    [
        ("E", 3.49, 6.28, 8.65), ("E7", 5.68, 7.11, 5.82), ("Am", 7.80, 4.55, 8.91),
        ("C", 4.90, 6.27, 8.55), ("G7", 6.34, 8.60, 6.52), ("Dm", 5.60, 4.65, 4.08),
    ],
)  # fmt: skip
def test_each_open_bass_against_six_chords(chord, e2, a2, d3):
    for ringing, expected in ((40, e2), (45, a2), (50, d3)):
        # A note that is doubled at the unison by the ringing string adds what a note adds to itself.
        pitches = CHORDS[chord]
        own = pair_roughness(ringing, ringing) if ringing in pitches else 0.0
        assert ring_over_roughness(ringing, pitches) + own == pytest.approx(expected, abs=0.01)


def test_membership_decides_before_the_harmony_sounds_in_full():
    # C in the bass and E above: with C major known, a ringing G belongs; with A minor known it does not.
    assert ring_over(55, (48, 64), 48, frozenset((0, 4, 7))).in_chord
    assert not ring_over(55, (48, 64), 48, frozenset((9, 0, 4))).in_chord


def test_a_low_string_is_not_blamed_for_being_low():
    # E2 under A minor (7.80) adds more than A2 under E major (6.28), yet the A is the one to mend first.
    chord_tone = ring_over(40, (45, 52, 57, 60), None, frozenset((9, 0, 4)))
    stranger = ring_over(45, (52, 56, 59, 64), 52, frozenset((4, 8, 11)))
    assert chord_tone.roughness > stranger.roughness
    assert stranger.rank > chord_tone.rank


def test_an_octave_below_the_bass_leaves_the_chord_on_its_feet():
    low_d = ring_over(38, (50, 62, 69), 50, frozenset((2, 5, 9)))
    assert (low_d.clash, low_d.below) == (Clash.LOW, False)
