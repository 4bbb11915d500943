"""Tables of text."""

from hypothesis import given
from hypothesis import strategies as st

from coach.files.tables import table

ROWS = [("bar", "what to do"), ("1", "lay the thumb back on the string it left"), ("12", "–")]


def test_columns_line_up():
    lines = table(ROWS).splitlines()
    assert lines[0] == "bar  what to do"
    assert lines[1] == "---  " + "-" * 40
    assert lines[2] == "1    lay the thumb back on the string it left"
    assert lines[3] == "12   –"


def test_a_narrow_terminal_wraps_the_widest_column():
    lines = table(ROWS, width=30).splitlines()
    assert max(map(len, lines)) <= 30
    assert lines[2:4] == ["1    lay the thumb back on the", "     string it left"]


cells = st.text("ab c", min_size=0, max_size=30)


@given(st.lists(st.tuples(cells, cells, cells), min_size=1, max_size=8), st.integers(20, 100))
def test_wrapping_loses_no_word(rows, width):
    rows = [("x", "y", "z"), *rows]
    wrapped = table(rows, width)
    for row in rows:
        for word in " ".join(row).split():
            assert word in wrapped
