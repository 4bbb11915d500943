"""Tables of text."""

from coach.files.tables import table


def test_columns_line_up():
    rows = [("bar", "what to do"), ("1", "lay the thumb back on the string it left"), ("12", "–")]
    assert table(rows).splitlines() == [
        "bar  what to do",
        "---  " + "-" * 40,
        "1    lay the thumb back on the string it left",
        "12   –",
    ]
