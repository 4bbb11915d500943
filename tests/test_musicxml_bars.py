"""Bars, meters, the order of playing and tempo in MusicXML: expectations worked out by hand."""

import pytest

from coach.core.score import DEFAULT_QPM
from coach.files.musicxml import parse_musicxml
from tests.xml_scores import (
    BACKWARD,
    FORWARD,
    FULL,
    GUITAR_CLEF,
    Q,
    attributes,
    back,
    bar_numbers,
    barline,
    ending,
    field,
    note,
    read,
    rows,
    sound,
    words,
)

# --- bars, meters, keys -----------------------------------------------------------------------------


def test_a_pickup_is_bar_0_and_counts_from_the_end_of_its_meter():
    found = read(
        f'<measure number="0" implicit="yes">{attributes(3, 4)}{note("E4", 1)}</measure>',
        f'<measure number="1">{note("C4", 3)}</measure>',
        f'<measure number="2">{note("C4", 2)}</measure>',
    )
    assert bar_numbers(found) == [0, 1, 2]
    assert [(bar.onset, bar.length) for bar in found.score.bars] == [(0, Q), (Q, 3 * Q), (4 * Q, 2 * Q)]
    assert found.score.beat(0) == 3.0
    assert found.score.beat(Q) == 1.0
    assert found.notices == ()


def test_a_pickup_that_the_file_numbers_1_is_told():
    found = read(attributes(3, 4) + note("E4", 1), note("C4", 3), note("D4", 3))
    assert bar_numbers(found) == [0, 1, 2]
    assert "bar 0" in found.notices[0]


def test_the_halves_of_a_bar_divided_by_a_repeat_sign():
    """2/4 with a pickup: bar 2 stops an eighth short for the repeat; the next section begins with it."""
    found = read(
        f'<measure number="0" implicit="yes">{attributes(2, 4)}{note("E4", 0.5)}</measure>',
        f'<measure number="1">{note("C4", 2)}</measure>',
        f'<measure number="2">{note("C4", 1.5)}{BACKWARD}</measure>',
        f'<measure number="X1" implicit="yes">{note("G4", 0.5)}</measure>',
        f'<measure number="3">{note("C4", 2)}</measure>',
        f'<measure number="4">{note("C4", 1.5)}</measure>',
    )
    assert bar_numbers(found) == [0, 1, 2, 0, 1, 2, 2, 3, 4]
    bars = found.score.bars
    assert [bar.round for bar in bars] == [1, 1, 1, 2, 2, 2, 1, 1, 1]
    assert bars[6].lead == 3 * Q // 2
    assert found.score.beat(bars[6].onset) == 2.5  # the second half of bar 2
    assert found.score.beat(bars[2].onset) == 1.0
    assert found.score.beat(bars[8].onset) == 1.0  # a short last bar begins on its first beat
    assert found.notices == ()


def test_a_short_bar_amid_the_piece_is_filled_with_silence():
    found = read(attributes() + FULL, note("C4", 2), note("D4", 4), FULL)
    assert rows(found) == [(0, 60, 4), (4, 60, 2), (8, 62, 4), (12, 60, 4)]
    assert "(bar 2)" in found.notices[0]


def test_an_overfull_bar_is_played_longer():
    found = read(attributes() + note("C4", 5), FULL)
    assert rows(found) == [(0, 60, 5), (5, 60, 4)]
    assert "more than its meter" in found.notices[0]


def test_one_long_note_in_a_full_bar_sounds_past_the_barline():
    found = read(attributes() + FULL + back(4) + note("A2", 6, 2), note("D4", 4))
    assert rows(found) == [(0, 45, 6), (0, 60, 4), (4, 62, 4)]
    assert "past the barline" in found.notices[0]


def test_meters_and_keys_change():
    key, time = "<key><fifths>-3</fifths></key>", "<time><beats>6</beats><beat-type>8</beat-type></time>"
    change = f"<attributes>{key}{time}</attributes>"
    found = read(attributes(fifths=2) + FULL, change + note("C4", 3))
    assert [(b.beats, b.beat_unit, b.fifths, b.length // Q) for b in found.score.bars] == [
        (4, 4, 2, 4),
        (6, 8, -3, 3),
    ]


def test_meters_that_are_sums():
    plus = "<time><beats>3+2</beats><beat-type>8</beat-type></time>"
    pair = "<time><beats>3</beats><beat-type>8</beat-type><beats>1</beats><beat-type>4</beat-type></time>"
    found = read(
        f"<attributes><divisions>4</divisions>{plus}{GUITAR_CLEF}</attributes>" + note("C4", 2.5),
        f"<attributes>{pair}</attributes>" + note("C4", 2.5),
    )
    assert [(bar.beats, bar.beat_unit, bar.length) for bar in found.score.bars] == [(5, 8, 5 * Q // 2)] * 2


def test_a_key_that_changes_within_a_bar_holds_from_the_next():
    found = read(
        attributes()
        + note("C4", 2)
        + "<attributes><key><fifths>4</fifths></key></attributes>"
        + note("C4", 2),
        FULL,
    )
    assert [bar.fifths for bar in found.score.bars] == [0, 4]


def test_the_mode_of_the_first_key():
    key = "<attributes><divisions>4</divisions><key><fifths>0</fifths><mode>minor</mode></key></attributes>"
    assert read(key + attributes() + FULL).score.mode == "minor"


def test_without_a_time_signature_bars_are_as_long_as_their_notes():
    found = read(
        f"<attributes><divisions>4</divisions>{GUITAR_CLEF}</attributes>" + note("C4", 3), note("C4", 2.5)
    )
    assert [(bar.length, bar.beats, bar.beat_unit) for bar in found.score.bars] == [
        (3 * Q, 3, 4),
        (5 * Q // 2, 5, 8),
    ]


# --- order of playing -------------------------------------------------------------------------------


def test_a_repeat_played_three_times():
    found = read(
        attributes() + FORWARD + FULL, FULL + barline('<repeat direction="backward" times="3"/>'), FULL
    )
    assert bar_numbers(found) == [1, 2, 1, 2, 1, 2, 3]
    assert [bar.round for bar in found.score.bars] == [1, 1, 2, 2, 3, 3, 1]
    assert field(found, "written") == [0, 1, 0, 1, 0, 1, 2]
    assert len(found.score.ids) == 3


@pytest.mark.parametrize("text", ["1, 2", "1,2", "1-2", "1. 2."])
def test_a_bracket_for_two_rounds(text):
    found = read(
        attributes() + FULL,
        ending(text, "start", "left")
        + FULL
        + ending(text, "stop", "right", '<repeat direction="backward"/>'),
        ending("3", "start", "left") + FULL + ending("3", "discontinue", "right"),
    )
    assert bar_numbers(found) == [1, 2, 1, 2, 1, 3]


def test_da_capo_al_fine_by_sound():
    found = read(attributes() + FULL, FULL + sound('fine="yes"'), FULL + sound('dacapo="yes"'))
    assert bar_numbers(found) == [1, 2, 3, 1, 2]


def test_a_sound_directly_in_the_bar():
    found = read(attributes() + FULL + '<sound fine="yes"/>', FULL + '<sound dacapo="yes"/>')
    assert bar_numbers(found) == [1, 2, 1]


@pytest.mark.parametrize("text", ["D.C. al Fine", "Da Capo al Fine", "d.c. al fine", "D. C. al Fine"])
def test_da_capo_al_fine_by_words(text):
    """Fine printed over the first note of its bar still means the end of the bar (common practice)."""
    found = read(attributes() + FULL, words("Fine") + FULL, FULL + words(text))
    assert bar_numbers(found) == [1, 2, 3, 1, 2]


def test_dal_segno_al_coda_by_sound():
    found = read(
        attributes() + FULL,
        sound('segno="s"') + FULL,
        FULL + sound('tocoda="c"'),
        FULL + sound('dalsegno="s"'),
        sound('coda="c"') + FULL,
    )
    assert bar_numbers(found) == [1, 2, 3, 4, 2, 3, 5]


def test_dal_segno_al_coda_by_signs_and_words():
    segno = "<direction><direction-type><segno/></direction-type></direction>"
    coda = "<direction><direction-type><coda/></direction-type></direction>"
    signs_only = read(
        attributes() + FULL, segno + FULL, FULL + coda, FULL + words("D.S. al Coda"), coda + FULL
    )
    assert bar_numbers(signs_only) == [1, 2, 3, 4, 2, 3, 5]
    with_words = read(
        attributes() + FULL,
        segno + FULL,
        FULL + words("To Coda") + coda,
        FULL + words("Dal Segno al Coda"),
        coda + FULL,
    )
    assert bar_numbers(with_words) == [1, 2, 3, 4, 2, 3, 5]


def test_what_sound_says_of_a_jump_holds_against_words():
    found = read(attributes() + FULL + words("D.C."), FULL + sound('dacapo="yes"'), FULL)
    assert bar_numbers(found) == [1, 2, 1, 2, 3]


def test_repeats_are_not_taken_again_after_da_capo():
    found = read(attributes() + FULL + BACKWARD, FULL + sound('dacapo="yes"'))
    assert bar_numbers(found) == [1, 1, 2, 1, 2]


def test_jumps_and_tempo_printed_over_another_part_hold_for_the_guitar():
    tempo, jump = sound('tempo="96"'), sound('dacapo="yes"')
    above = f"<measure number='1'>{tempo}{attributes()}{note('G4', 4)}</measure>"
    above += f"<measure number='2'>{note('G4', 4)}{jump}</measure>"
    listed = "<score-part id='V'><part-name>Voice</part-name></score-part>"
    listed += "<score-part id='G'><part-name>Guitar</part-name></score-part>"
    below = f"<measure number='1'>{attributes()}{FULL}</measure><measure number='2'>{FULL}</measure>"
    data = (
        f"<score-partwise><part-list>{listed}</part-list>"
        f"<part id='V'>{above}</part><part id='G'>{below}</part></score-partwise>"
    )
    found = parse_musicxml(data.encode(), "duo.musicxml")
    assert bar_numbers(found) == [1, 2, 1, 2]
    assert found.score.tempo["qpm"].tolist() == [96]
    assert found.notices == ("The file has 2 parts: “Guitar” is read.",)


# --- tempo ------------------------------------------------------------------------------------------


def metronome(unit: str, figure: str, dots="") -> str:
    inside = f"<beat-unit>{unit}</beat-unit>{dots}<per-minute>{figure}</per-minute>"
    return f"<direction><direction-type><metronome>{inside}</metronome></direction-type></direction>"


def test_without_a_tempo_the_practice_tempo_holds():
    found = read(attributes() + FULL)
    assert not found.score.tempo_given
    assert found.score.tempo.tolist() == [(0, DEFAULT_QPM)]


@pytest.mark.parametrize(
    ("mark", "qpm"),
    [
        (sound('tempo="84"'), 84),
        (metronome("quarter", "72"), 72),
        (metronome("half", "40"), 80),
        (metronome("quarter", "60", "<beat-unit-dot/>"), 90),
        (metronome("eighth", "c. 132"), 66),
        ('<sound tempo="50.5"/>', 50.5),
    ],
)
def test_tempo_is_in_quarters_a_minute(mark, qpm):
    found = read(attributes() + mark + FULL)
    assert found.score.tempo_given
    assert found.score.tempo.tolist() == [(0, qpm)]


def test_a_sound_beside_a_metronome_mark_holds():
    both = metronome("quarter", "60").replace("</direction>", '<sound tempo="63"/></direction>')
    assert read(attributes() + both + FULL).score.tempo.tolist() == [(0, 63)]


def test_a_tempo_within_a_bar_and_one_come_back_to():
    found = read(
        attributes() + sound('tempo="60"') + FULL,
        note("C4", 2) + sound('tempo="40"') + note("C4", 2) + BACKWARD,
    )
    assert found.score.tempo.tolist() == [(0, 60), (6 * Q, 40), (8 * Q, 60), (14 * Q, 40)]


def test_a_tempo_that_cannot_be_is_told():
    found = read(attributes() + sound('tempo="0"') + sound('tempo="nan"') + FULL)
    assert not found.score.tempo_given
    assert "tempo" in found.notices[0]
