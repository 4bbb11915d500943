"""Which string sounds, and what the converter made up, by literal messages (times in ms)."""

from coach.core.events import AllOff, NoteOff, NoteOn
from coach.core.profile import Profile
from coach.core.ringing import Ringing


def heard(*messages, profile=None):
    """Feed (ms, "on" or "off", pitch, string[, velocity]); return the Ringing."""
    ringing = Ringing(profile or Profile())
    for ms, kind, pitch, string, *velocity in messages:
        if kind == "on":
            ringing.note_on(NoteOn(ms * 1000, pitch, *(velocity or [80]), string))
        else:
            ringing.note_off(NoteOff(ms * 1000, pitch, string))
    return ringing


def sounds(ringing):
    return [
        (n.pitch, n.on_us // 1000, None if n.off_us is None else n.off_us // 1000) for n in ringing.played
    ]


def test_a_new_note_on_the_string_ends_the_old_one_and_its_late_note_off_is_passed_over():
    ringing = heard((0, "on", 45, 5), (500, "on", 47, 5), (502, "off", 45, 5), (900, "off", 47, 5))
    assert sounds(ringing) == [(45, 0, 500), (47, 500, 900)]
    assert ringing.played[0].replucked_by == 1


def test_the_same_pitch_anew_keeps_its_own_note_off():
    ringing = heard((0, "on", 45, 5), (500, "on", 45, 5), (504, "off", 45, 5), (900, "off", 45, 5))
    assert sounds(ringing) == [(45, 0, 500), (45, 500, 900)]
    # A converter that sends one note-off only: a good while later it is the new note's.
    ringing = heard((0, "on", 45, 5), (500, "on", 45, 5), (900, "off", 45, 5))
    assert sounds(ringing) == [(45, 0, 500), (45, 500, 900)]


def test_double_triggers_are_one_note_with_or_without_a_note_off_between():
    for between in ([], [(25, "off", 45, 5)], [(33, "off", 45, 5)]):
        messages = sorted([(0, "on", 45, 5), (30, "on", 45, 5), *between, (900, "off", 45, 5)])
        ringing = heard(*messages)
        assert sounds(ringing) == [(45, 0, 900)], between
        assert ringing.ignored["double triggers"] == 1


def test_a_ghost_in_the_gap_of_a_double_trigger_is_a_ghost():
    ringing = heard(
        (0, "on", 50, 4, 71), (31, "off", 50, 4), (34, "on", 69, 4, 12), (35, "on", 50, 4, 59),
        (60, "off", 69, 4), (900, "off", 50, 4),
    )  # fmt: skip
    assert sounds(ringing) == [(50, 0, 900)]
    assert ringing.ignored["ghost notes"] == 1


def test_a_soft_note_that_is_no_partial_of_what_sounds_is_a_note():
    ringing = heard((0, "on", 45, 5, 80), (40, "on", 59, 2, 12))
    assert sounds(ringing) == [(45, 0, None), (59, 40, None)]


def test_an_inferred_string_can_be_told_anew_and_ends_nothing_until_it_is_certain():
    ringing = heard((0, "on", 55, None), (500, "on", 59, None), profile=Profile(single_channel=True))
    melody, other = ringing.played
    ringing.infer(melody, 3)
    ringing.infer(other, 3)
    assert sounds(ringing) == [(55, 0, None), (59, 500, None)]
    ringing.infer(other, 2)
    ringing.confirm(other)
    assert melody.sounding
    ringing.infer(other, 3)
    ringing.confirm(other)
    assert (melody.off_us, melody.replucked_by) == (500_000, 1)


def test_an_inferred_string_brings_its_delays():
    profile = Profile(
        single_channel=True, on_delay_ms=(0, 0, 0, 0, 20, 30), off_delay_ms=(0, 0, 0, 0, 50, 60)
    )
    ringing = heard((100, "on", 45, None), (700, "off", 45, None), profile=profile)
    ringing.infer(ringing.played[0], 5)
    assert sounds(ringing) == [(45, 80, 650)]
    ringing.infer(ringing.played[0], 6)
    assert sounds(ringing) == [(45, 70, 640)]


def test_all_off_ends_one_string_or_all():
    ringing = heard((0, "on", 45, 5), (0, "on", 50, 4), (0, "on", 64, 1))
    ringing.all_off(AllOff(100_000, 4))
    assert [n.pitch for n in ringing.sounding()] == [45, 64]
    ringing.all_off(AllOff(200_000))
    assert ringing.sounding() == []
