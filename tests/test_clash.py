"""Roughness against values computed from Sethares' published constants, and the trap of low notes.

Curve: W. Sethares, JASA 94 (1993) 1218-1228, constants of "Tuning, Timbre, Spectrum, Scale".  The maximum
of the bracket 5(e^-3.51x - e^-5.75x) is where its derivative vanishes: x = ln(5.75/3.51)/(5.75-3.51).
"""

import math

import numpy as np
import pytest

from coach.core.clash import Clash, _dissonance, grade, in_chord, pair_roughness, ring_over_roughness


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
    assert grade(40, (45, 52, 57, 60), bass=None) is Clash.LOW
    assert grade(45, (52, 56, 59, 64), bass=52) is Clash.HIGH  # A against G sharp and a lower bass
    assert ring_over_roughness(40, (45, 52, 57, 60)) > ring_over_roughness(45, (52, 56, 59, 64))


def test_a_chord_tone_below_the_written_bass_changes_the_inversion():
    assert grade(40, (48, 55, 64), bass=48) is Clash.MIDDLE  # E below the C of a C major chord
    assert grade(55, (48, 64), bass=48) is Clash.LOW


def test_the_basss_fifth_belongs_unless_a_diminished_one_is_written():
    assert in_chord(45, (50, 66), bass=50)
    assert not in_chord(54, (47, 53, 62), bass=47)  # F sharp over B D F


def test_unison_adds_nothing_and_order_does_not_matter():
    assert ring_over_roughness(45, (45,)) == 0
    assert pair_roughness(45, 52) == pytest.approx(pair_roughness(45, 52))
