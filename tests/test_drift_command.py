"""``coach review TAKE --model OTHER``: the time against another take's, in words, in JSON and refused."""

import json
from pathlib import Path

from coach.cli import main

ROOT = Path(__file__).parents[1]
TAKE, MODEL, STRANGE = (
    str(ROOT / "recordings" / f"{name}.mid")
    for name in ("01-lamps-on-evening", "01-lamps-on-prepared", "02-a-borrowed-umbrella-evening")
)


def test_against_a_model_in_words_and_in_json(capsys):
    assert main(["review", TAKE, "--model", MODEL]) == 0
    out = capsys.readouterr().out
    assert "Against 2026-11-24, 19:00, at " in out
    assert main(["review", TAKE, "--model", MODEL, "--json"]) == 0
    model = json.loads(capsys.readouterr().out)["model"]
    # Both recipes (tests/takes.py): the evening's tempo is 0.9 of the prepared take's.
    assert 86 < model["tempo"] < 94
    assert [bar["bar"] for bar in model["bars"]] == list(range(1, 9))
    places = [(place["bar"], place["beat"]) for place in model["places"]]
    assert places == sorted(places)
    assert places[0] == (1, 1.0)


def test_against_itself_nothing_is_said(capsys):
    assert main(["review", TAKE, "--model", TAKE, "--json"]) == 0
    model = json.loads(capsys.readouterr().out)["model"]
    assert model["tempo"] == 100.0
    assert all(place["late_ms"] == 0 for place in model["places"])
    assert not any(bar["lean"] or bar["pace"] for bar in model["bars"])


def test_a_take_of_another_piece_is_no_model(capsys):
    assert main(["review", TAKE, "--model", STRANGE]) != 0
    assert "compare takes of one piece" in capsys.readouterr().err


def test_without_a_model_the_document_has_none(capsys):
    assert main(["review", TAKE, "--json"]) == 0
    assert "model" not in json.loads(capsys.readouterr().out)
