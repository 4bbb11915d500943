"""What MusicXML says of the guitar: strings, damping marks, octave, tuning, tablature, which part."""

import pytest

from coach.core.errors import ScoreError
from coach.core.pitch import Tuning
from coach.core.score import DampMark
from coach.files.musicxml import parse_musicxml
from tests.xml_scores import (
    BACKWARD,
    FULL,
    GUITAR_CLEF,
    OCTAVE_DOWN,
    PLAIN_CLEF,
    Q,
    attributes,
    back,
    document,
    field,
    note,
    read,
    rows,
    technical,
    words,
)

# --- the guitar -------------------------------------------------------------------------------------


def test_string_fret_fingering_and_pluck_also_on_a_chord_member():
    low = technical("<string>5</string><fret>3</fret><fingering>3</fingering><pluck>p</pluck>")
    high = technical("<string>2</string><fret>1</fret><fingering>1</fingering><pluck>i</pluck>")
    found = read(attributes() + note("C3", 4, inside=low) + note("C4", 4, before="<chord/>", inside=high))
    assert field(found, "string") == [5, 2]
    assert field(found, "fret") == [3, 1]
    assert field(found, "finger") == [3, 1]
    assert field(found, "pluck") == [1, 2]


def test_a_plucking_letter_written_as_a_fingering():
    found = read(attributes() + note("C3", 4, inside=technical("<fingering>m</fingering>")))
    assert (field(found, "pluck"), field(found, "finger")) == ([3], [0])


def test_an_open_string_sign_gives_the_string():
    found = read(attributes() + note("D3", 4, inside=technical("<open-string/>")))
    assert (field(found, "string"), field(found, "fret")) == ([4], [0])


def test_an_impossible_string_is_taken_off_and_told():
    found = read(attributes() + note("E2", 4, inside=technical("<string>1</string>")))
    assert field(found, "string") == [0]
    assert "string number" in found.notices[0]


def test_fermata():
    found = read(attributes() + note("C4", 4, inside="<notations><fermata/></notations>"), FULL)
    assert field(found, "fermata") == [True, False]


def test_a_damp_names_its_string_by_the_words_after_it():
    """Our own convention: MusicXML's damp names no string."""
    damp, five = (
        "<direction-type><damp/></direction-type>",
        "<direction-type><words>5</words></direction-type>",
    )
    both = f"<direction>{damp}{five}</direction>"
    alone = f"<direction>{damp}</direction>"
    everything = "<direction><direction-type><damp-all/></direction-type></direction>"
    found = read(
        attributes()
        + note("C4", 1)
        + both
        + note("C4", 1)
        + alone
        + note("C4", 1)
        + everything
        + note("C4", 1)
    )
    assert found.score.damps == (DampMark(Q, 5), DampMark(2 * Q), DampMark(3 * Q, everything=True))


def test_a_damp_in_two_directions_with_a_circled_number_and_an_offset():
    mark = "<direction><direction-type><damp/></direction-type><offset>2</offset></direction>"
    found = read(attributes() + mark + words("④") + FULL, FULL + BACKWARD)
    assert found.score.damps == (DampMark(Q // 2, 4), DampMark(8 * Q + Q // 2, 4))


def test_other_words_after_a_damp_name_no_string():
    mark = "<direction><direction-type><damp/></direction-type></direction>"
    assert read(attributes() + mark + words("dolce") + FULL).score.damps == (DampMark(0),)
    assert read(attributes() + mark + FULL + words("5")).score.damps == (DampMark(0),)


# --- pitch, octave, tuning --------------------------------------------------------------------------


def test_sounding_pitch_is_pitch_plus_transpose():
    found = read(attributes(more=PLAIN_CLEF + OCTAVE_DOWN) + note("E3", 4))
    assert field(found, "pitch") == [40]
    assert found.notices == ()


def test_an_octave_clef_changes_only_where_a_note_is_drawn():
    found = read(attributes(more=GUITAR_CLEF) + note("E2", 4))
    assert field(found, "pitch") == [40]
    assert found.notices == ()


def test_with_neither_a_guitar_is_read_an_octave_down_and_told():
    found = read(attributes(more=PLAIN_CLEF) + note("E3", 2) + note("C5", 2))
    assert field(found, "pitch") == [40, 60]
    assert "octave lower" in found.notices[0]


def test_with_neither_but_notes_below_the_written_range_pitches_are_sounding():
    found = read(attributes(more=PLAIN_CLEF) + note("A2", 2) + note("C5", 2))
    assert field(found, "pitch") == [45, 72]


def test_another_instrument_is_left_where_it_is():
    assert field(read(attributes(more=PLAIN_CLEF) + note("E4", 4), name="Violin"), "pitch") == [64]


def test_strings_and_frets_settle_the_octave():
    place = technical("<string>5</string><fret>0</fret>")
    found = read(attributes(more=PLAIN_CLEF) + note("A3", 4, inside=place) + "", note("A3", 4, inside=place))
    assert field(found, "pitch") == [45, 45]
    assert "octave lower" in found.notices[0]


def test_a_transposition_that_would_leave_the_strings_is_not_applied():
    found = read(attributes(more=GUITAR_CLEF + OCTAVE_DOWN) + note("E2", 2) + note("C4", 2))
    assert field(found, "pitch") == [40, 60]
    assert "no string" in found.notices[0]


def tuned(*names: str, more="") -> str:
    """Return staff-details with these open strings, lowest (line 1) first."""
    lines = "".join(
        f'<staff-tuning line="{i}"><tuning-step>{n[0]}</tuning-step>'
        f"<tuning-octave>{n[-1]}</tuning-octave></staff-tuning>"
        for i, n in enumerate(names, 1)
    )
    return f"<staff-details>{lines}{more}</staff-details>"


def test_staff_tuning_and_capo():
    drop_d = tuned("D2", "A2", "D3", "G3", "B3", "E4", more="<capo>2</capo>")
    found = read(
        attributes(more=GUITAR_CLEF + drop_d) + note("E2", 4, inside=technical("<string>6</string>"))
    )
    assert found.score.tuning == Tuning((64, 59, 55, 50, 45, 38), 2)
    assert field(found, "string") == [6]


def test_eight_strings():
    found = read(
        attributes(more=GUITAR_CLEF + tuned("A1", "D2", "E2", "A2", "D3", "G3", "B3", "E4")) + note("A2", 4)
    )
    assert found.score.tuning.open_pitches == (64, 59, 55, 50, 45, 40, 38, 33)


def test_a_scordatura_names_the_string_it_changes():
    accord = '<accord string="6"><tuning-step>D</tuning-step><tuning-octave>2</tuning-octave></accord>'
    mark = f"<direction><direction-type><scordatura>{accord}</scordatura></direction-type></direction>"
    assert read(attributes() + mark + FULL).score.tuning.open_pitches == (64, 59, 55, 50, 45, 38)


@pytest.mark.parametrize("text", ["⑥ = D", "6 = D", "⑥ to D", "6th=D", "Drop D tuning"])
def test_a_tuning_in_words_is_read_and_told(text):
    found = read(attributes() + words(text) + FULL)
    assert found.score.tuning.open_pitches == (64, 59, 55, 50, 45, 38)
    assert "String 6 is tuned to D2" in found.notices[0]


def test_words_that_are_no_tuning():
    assert read(attributes() + words("bars 5 to D") + FULL).score.tuning == Tuning()


def test_a_low_d_without_a_word_is_a_dropped_sixth_string():
    found = read(attributes() + note("D2", 4))
    assert found.score.tuning.open_pitches[5] == 38
    assert "String 6" in found.notices[0]


def test_frets_tell_the_tuning():
    place = technical("<string>5</string><fret>0</fret>")
    found = read(attributes() + note("G2", 4, inside=place), note("G2", 4, inside=place))
    assert found.score.tuning.open_pitches == (64, 59, 55, 50, 43, 40)
    assert field(found, "string") == [5, 5]


# --- staves and parts -------------------------------------------------------------------------------

TAB = '<clef number="2"><sign>TAB</sign><line>5</line></clef>'


def test_notation_with_tablature_is_read_once_with_the_tablatures_strings():
    staves = f'<staves>2</staves><clef number="1"><sign>G</sign><line>2</line></clef>{TAB}'
    on_staff_2 = "<staff>2</staff>"
    bar = (
        attributes(more=staves + OCTAVE_DOWN)
        + note("C4", 2, inside="<staff>1</staff>")
        + note("G4", 2, before="<chord/>", inside="<staff>1</staff>")
        + note("E4", 2, inside="<staff>1</staff>")
        + back(4)
        + note("C4", 2, 5, inside=on_staff_2 + technical("<string>5</string><fret>3</fret>"))
        + note(
            "G4", 2, 5, before="<chord/>", inside=on_staff_2 + technical("<string>3</string><fret>0</fret>")
        )
        + note("E4", 2, 5, inside=on_staff_2 + technical("<string>4</string><fret>2</fret>"))
    )
    found = read(bar, FULL)
    assert rows(found)[:3] == [(0, 48, 2), (0, 55, 2), (2, 52, 2)]
    assert field(found, "string")[:3] == [5, 3, 4]
    assert field(found, "fret")[:3] == [3, 0, 2]
    assert set(field(found, "voice")) == {1}
    assert "TAB" not in found.xml
    assert found.xml.count("<note ") == 4
    assert "<staff>" not in found.xml


def test_notation_and_tablature_as_two_parts():
    tab = (
        f"<part id='T'><measure number='1'>{attributes(more='<clef><sign>TAB</sign></clef>')}"
        + note("D3", 4, inside=technical("<string>5</string><fret>5</fret>"))
        + "</measure></part>"
    )
    found = read(
        attributes() + note("D3", 4),
        more_parts=tab,
        more_list="<score-part id='T'><part-name>Guitar</part-name></score-part>",
    )
    assert rows(found) == [(0, 50, 4)]
    assert field(found, "string") == [5]
    assert found.notices == ()


def test_tablature_alone_is_read_and_engraved_on_a_staff():
    place = technical("<string>6</string><fret>3</fret>")
    found = read(attributes(more="<clef><sign>TAB</sign><line>5</line></clef>") + note("G2", 4, inside=place))
    assert rows(found) == [(0, 43, 4)]
    assert "<sign>G</sign><line>2</line><clef-octave-change>-1</clef-octave-change>" in found.xml


def test_the_guitar_is_taken_from_several_parts():
    flute = f"<part id='F'><measure number='1'>{attributes(more=PLAIN_CLEF)}{note('G5', 4)}</measure></part>"
    listed = "<score-part id='F'><part-name>Flute</part-name></score-part>"
    data = document(attributes() + note("A2", 4), more_parts=flute, more_list=listed)
    assert rows(parse_musicxml(data, "duo")) == [(0, 45, 4)]
    assert rows(parse_musicxml(data, "duo", part="F")) == [(0, 79, 4)]
    with pytest.raises(ScoreError, match="no part “X”; choose one of P1, F"):
        parse_musicxml(data, "duo", part="X")


def test_a_timewise_score():
    data = (
        "<score-timewise><part-list><score-part id='P1'><part-name/></score-part></part-list>"
        f"<measure number='1'><part id='P1'>{attributes()}{FULL}</part></measure>"
        f"<measure number='2'><part id='P1'>{note('D4', 4)}</part></measure></score-timewise>"
    )
    assert rows(parse_musicxml(data.encode(), "timewise.xml")) == [(0, 60, 4), (4, 62, 4)]
