"""Looking back at a take without a window: the playhead, the passes, what each leaf holds."""

import json

import pytest

from coach.app.judged import Judged, compared_text
from coach.app.look_back import LookBack
from coach.app.piece import find_score, open_piece
from coach.app.replay import Ear, look_back, steer
from coach.app.sitting import limits_of, replay
from coach.core.report import report
from coach.core.shapes import RingState
from coach.files.take import read_take
from coach.screen.keys import Action
from coach.screen.review_window import Asked
from coach.screen.scene import Leaf
from tests.harness import ROOT

RECORDINGS = ROOT / "recordings"
NAME = "02-a-borrowed-umbrella"


def opened(name: str = f"{NAME}-evening", **how) -> LookBack:
    take = read_take(RECORDINGS / f"{name}.mid")
    piece = open_piece(find_score(take.meta.digest, []))
    return look_back(take, piece, profile=None, limits=limits_of(take.meta.tolerances), **how)


def prepared() -> Judged:
    take = read_take(RECORDINGS / f"{NAME}-prepared.mid")
    piece = open_piece(find_score(take.meta.digest, []))
    session, ignored = replay(take, piece, profile=None, limits=limits_of(take.meta.tolerances))
    return Judged(session, report(session, ignored), "the earlier day")


def truth(name: str) -> dict:
    return json.loads((RECORDINGS / f"{name}.truth.json").read_text("utf-8"))


@pytest.fixture
def found() -> LookBack:
    return opened()


def test_it_plays_as_it_happened_and_stands_still_at_the_end(found):
    assert found.playing
    start = found.now_us
    found.advance(1_000_000)
    assert found.now_us == start + 1_000_000
    assert found.scene().view == found.rewind.viewer.view(found.now_us, foot=found.scene().view.foot)
    found.advance(10**9)
    assert found.ended
    assert not found.playing
    found.advance(1)
    assert found.now_us == found.rewind.end_us
    found.press(Action.PAUSE)  # from the end it plays from the start again
    assert found.playing
    assert found.now_us == 0


def test_standing_still_all_of_the_pass_is_there_with_the_playhead_in_its_bar(found):
    found.press(Action.PAUSE)
    assert not found.playing
    found.press(Action.RESTART)
    view = found.scene().view
    settled = {ring.state for ring in view.rings}
    assert {RingState.CLEAN, RingState.LATE} <= settled  # although the playhead stands at the beginning
    assert not any(ring.sounding for ring in view.rings)
    assert view.bar == 0
    assert not view.finished
    found.press(Action.NEXT_BAR)
    found.press(Action.NEXT_BAR)
    found.press(Action.NEXT_BAR)
    assert found.scene().view.bar == 2
    found.press(Action.PREV_BAR)
    assert found.scene().view.bar == 1


def test_every_fault_is_said_where_it_stands_and_the_playhead_waits_there(found):
    visited = []
    found.press(Action.RESTART)
    while True:
        found.press(Action.NEXT_FAULT)
        if visited and found.now_us == visited[-1]:
            break
        visited.append(found.now_us)
        assert not found.playing
        assert found.scene().view.foot.message.startswith("Bar ")
    assert visited == sorted(set(found.rewind.faults))
    assert found.scene().view.foot.message == "There is no other fault on this side."
    found.press(Action.PREV_FAULT)
    assert found.now_us == visited[-2]


def test_a_clean_take_says_that_there_is_no_fault():
    found = opened("01-lamps-on-prepared")
    found.press(Action.NEXT_FAULT)
    found.press(Action.PAUSE)
    found.press(Action.NEXT_FAULT)
    assert found.scene().view.foot.message == "There is no fault in this take."


def test_passes_are_chosen_one_after_the_other_and_by_pointing(found):
    count = len(truth(f"{NAME}-evening")["passes"])
    assert len(found.ruler.passes) == count == 3
    found.press(Action.PAUSE)
    found.press(Action.NEXT_PASS)
    assert found.chosen == 2
    assert found.now_us == found.ruler.passes[1].start_us
    assert found.scene().view.pass_number == 2
    for _ in range(count + 2):
        found.press(Action.NEXT_PASS)
    assert found.chosen == count
    steer(found, Asked(choose=1))
    assert found.chosen == 1
    steer(found, Asked(seek_us=found.ruler.passes[1].start_us + 1))
    assert found.chosen == 2
    # Two of them beside one another, the earlier above, both at the same bar.
    found.press(Action.LEAF_TWO)
    scene = found.scene()
    assert scene.view.foot.message.startswith(f"Pass 1 of {count}")
    assert scene.other.foot.message.startswith(f"Pass 2 of {count}")
    assert (scene.view.bar, scene.view.tick) == (scene.other.bar, scene.other.tick)


def test_a_key_of_a_leaf_leads_there_and_the_same_key_back(found):
    for action, leaf in (
        (Action.LEAF_BAR, Leaf.BAR),
        (Action.LEAF_ALL, Leaf.ALL),
        (Action.LEAF_DRIFT, Leaf.DRIFT),
        (Action.LEAF_WORDS, Leaf.WORDS),
    ):
        found.press(action)
        assert found.leaf is leaf
        found.press(action)
        assert found.leaf is Leaf.PAGE


def test_each_leaf_brings_what_it_shows(found):
    found.press(Action.PAUSE)
    found.press(Action.LEAF_BAR)
    scene = found.scene()
    assert scene.lanes.bar == scene.view.bar
    assert scene.lanes.lanes
    found.press(Action.LEAF_ALL)
    scene = found.scene()
    assert scene.counts
    assert not scene.view.rings
    found.press(Action.LEAF_DRIFT)
    curve = found.scene().curves[0]
    drifts = [r.timing.drift_ms for r in found.judged.result.bars if r.pass_number == found.chosen]
    assert [ms for _, ms in curve.points] == [ms for ms in drifts if ms is not None]
    found.press(Action.LEAF_WORDS)
    assert found.scene().summary.headline == found.rewind.piece.title


def test_one_pass_has_nothing_beside_it():
    found = opened("01-lamps-on-prepared")
    assert len(found.judged.passes) == 1
    found.press(Action.LEAF_TWO)
    scene = found.scene()
    assert scene.other is None
    assert scene.view.foot.message == "There is only one pass: nothing to lay beside it."


def test_another_take_is_laid_above():
    other = prepared()
    found = opened(other=other)
    found.press(Action.OTHER_PASS)
    assert found.leaf is Leaf.TWO
    scene = found.scene()
    assert scene.view.foot.message.startswith("the earlier day: Pass 1")
    assert scene.other.foot.message.startswith("this take: Pass 1")
    assert all(ring.state is not RingState.LATE for ring in scene.view.rings)  # it was prepared
    text = compared_text(other, found.judged.session, found.judged.result)
    assert text.splitlines()[:2] == [
        "the earlier day: Pass 1 of 1, the pickup to bar 12: clean.",
        "this take: Pass 3 of 3, bars 9–12: clean.",
    ]
    assert text.splitlines()[2] == "In the bars both have (9–12): nothing went wrong in either."
    # The other way round: what the second pass did wrong is new.
    found.choose(2)
    scene = found.scene()
    faults = [e for e in truth(f"{NAME}-evening")["ends"] if e["pass_number"] == 2 and e["verdict"] == "late"]
    assert len(faults) == 2
    assert "new faults" in scene.other.foot.message


def test_the_ruler_holds_the_players_own_faults(found):
    told = truth(f"{NAME}-evening")
    kinds = [fault.kind for fault in found.ruler.faults]
    for kind in ("late", "ringing", "cut"):
        assert kinds.count(kind) == [end["verdict"] for end in told["ends"]].count(kind) > 0
    assert kinds.count("missing") == len(told["missing"])
    for shown, played in zip(found.ruler.passes, told["passes"], strict=True):
        assert shown.number == played["number"]
        assert abs(shown.start_us - played["from_us"]) < 100_000


class Loudspeaker:
    """A player that keeps what it is given."""

    def __init__(self) -> None:
        self.tracks, self.playing, self.closed = [], False, False

    def play(self, track, *, at_ns=None):
        self.tracks.append(track)
        self.playing = True
        return len(self.tracks)

    def stop(self):
        self.playing = False

    def close(self):
        self.closed = True


def test_a_pass_is_heard_as_it_rang_and_with_its_stops_in_time(found):
    made = []

    def speaker():
        made.append(Loudspeaker())
        return made[-1]

    ear = Ear(found, speaker)
    found.press(Action.PAUSE)
    found.choose(2)
    ear.press(Action.NEXT_BAR)
    assert made == []  # nobody asked for sound
    ear.press(Action.LAST_PASS)
    assert found.playing  # the page goes along, from the beginning of the pass
    assert found.now_us == found.ruler.passes[1].start_us
    ear.press(Action.MENDED)
    as_it_rang, mended = made[0].tracks
    assert len(as_it_rang.tones) == len(mended.tones) > 10
    # The D of bar 7 was stopped 241 ms late: only where stops failed do the two differ.
    earlier = [
        a.stop_s - b.stop_s
        for a, b in zip(as_it_rang.tones, mended.tones, strict=True)
        if a.stop_s is not None and b.stop_s is not None and a.stop_s != b.stop_s
    ]
    assert any(abs(s - 0.241) < 0.02 for s in earlier)
    ear.press(Action.NEXT_BAR)
    assert not made[0].playing
    ear.close()
    assert made[0].closed


def test_against_a_model_one_line_shows_how_far_the_pass_is_from_it(found):
    """Against itself a pass is nowhere ahead or behind; another pass beside it is laid by it as ever."""
    same = Judged(found.judged.session, found.judged.result, "the model")
    beside = opened(other=same, model=True, leaf="drift", number=same.best)
    (curve,) = beside.scene().curves
    assert len(curve.points) >= 3
    assert [ms for _, ms in curve.points] == pytest.approx([0.0] * len(curve.points), abs=1e-6)
    assert all(low <= 0.0 <= high for low, high in curve.spans)
    assert curve.name == f"against the model, pass {same.best}"
    beside.choose(2)
    (other,) = beside.scene().curves
    assert max(abs(ms) for _, ms in other.points) > 5.0
    beside.press(Action.OTHER_PASS)
    while beside.beside()[0] is same:
        beside.press(Action.OTHER_PASS)
    assert len(beside.scene().curves) == len(beside.judged.passes)
    assert not beside.scene().curves[0].spans
