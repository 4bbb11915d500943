"""Pitches and tunings.  Frequencies: ISO 16:1975 fixes A at 440 Hz; equal temperament gives the rest."""

import pytest

from coach.core.pitch import STANDARD, Tuning, frequency, name, parse_name


@pytest.mark.parametrize(
    ("string", "pitch", "hz"),
    # Handbook table of the standard tuning, equal temperament on A = 440 Hz (computed from ISO 16).
    [
        (6, 40, 82.4069),
        (5, 45, 110.0),
        (4, 50, 146.8324),
        (3, 55, 195.9977),
        (2, 59, 246.9417),
        (1, 64, 329.6276),
    ],
)
def test_open_strings(string, pitch, hz):
    assert STANDARD.open_pitch(string) == pitch
    assert frequency(pitch) == pytest.approx(hz, abs=5e-5)


def test_positions_of_the_first_strings_open_note():
    assert STANDARD.positions(64) == [(1, 0), (2, 5), (3, 9), (4, 14), (5, 19)]
    assert STANDARD.positions(45) == [(5, 0), (6, 5)]
    assert STANDARD.positions(40) == [(6, 0)]
    assert STANDARD.positions(39) == []


def test_a_capo_raises_the_open_strings_and_shortens_the_neck():
    capo = Tuning(capo=3)
    assert capo.open_pitch(6) == 43
    assert capo.fret(6, 43) == 0
    assert capo.fret(6, 42) is None
    assert capo.fret(6, 40 + 20) == 17
    assert capo.fret(6, 40 + 21) is None


def test_a_dropped_sixth_and_a_ten_string_guitar():
    dropped = Tuning((64, 59, 55, 50, 45, 38))
    assert dropped.positions(38) == [(6, 0)]
    ten = Tuning((64, 59, 55, 50, 45, 40, 38, 36, 35, 33))
    assert ten.strings == 10
    assert (10, 0) in ten.positions(33)


@pytest.mark.parametrize(
    ("text", "pitch"), [("E2", 40), ("C4", 60), ("Bb3", 58), ("F♯4", 66), ("a4", 69), ("C-1", 0)]
)
def test_names_are_read(text, pitch):
    assert parse_name(text) == pitch


@pytest.mark.parametrize("text", ["", "H2", "E", "2E", "E2x", "#4"])
def test_what_is_no_name_is_refused(text):
    with pytest.raises(ValueError, match="no pitch name"):
        parse_name(text)


def test_names_lean_with_the_key():
    assert name(58, fifths=-1) == "B♭3"
    assert name(58, fifths=2) == "A♯3"
    assert name(40, octave=False) == "E"
