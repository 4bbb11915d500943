"""Live, through the recorder, and from the saved file: one and the same verdicts.

Stamps are made up, so nothing here waits for a clock.
"""

from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given, settings
from hypothesis import strategies as st

from coach.app.piece import open_piece
from coach.app.sitting import Sitting, limits_of, replay
from coach.core.profile import Profile
from coach.core.verdicts import Limits
from coach.devices.messages import Heard
from coach.files.take import read_take
from tests.harness import ROOT

PIECE = open_piece(ROOT / "scores" / "01-lamps-on.musicxml")
TAKE = read_take(ROOT / "recordings" / "01-lamps-on-evening.mid")
WHEN = datetime(2031, 5, 4, 18, 30, tzinfo=UTC)
NS = 1_000


def sit(rows, folder, ticks=(), profile=None, speed=1.0):
    """Play rows of (stamp in ns, bytes); return the sitting, ended two seconds after the last."""
    sitting = Sitting(
        PIECE,
        profile=profile or TAKE.meta.profile,
        limits=Limits(tolerance_ms=90.0),
        folder=folder,
        started=WHEN,
        speed=speed,
    )
    moments = [(stamp, 1, data) for stamp, data in rows] + [(stamp, 0, b"") for stamp in ticks]
    for stamp, is_message, data in sorted(moments, key=lambda m: m[:2]):
        if is_message:
            sitting.hear(Heard(stamp, data))
        else:
            sitting.tick(stamp)
    sitting.end(max(stamp for stamp, _ in rows) + 2_000_000_000)
    return sitting


def from_file(path):
    take = read_take(path)
    assert take.complete
    return replay(take, PIECE, profile=None, limits=limits_of(take.meta.tolerances))


jitters = st.lists(
    st.integers(-15_000_000, 15_000_000), min_size=len(TAKE.messages), max_size=len(TAKE.messages)
)
stray_bytes = st.lists(
    st.tuples(st.integers(0, 40_000_000_000), st.binary(min_size=1, max_size=5)), max_size=6
)


@settings(max_examples=25, deadline=None)
@given(jitters, stray_bytes, st.lists(st.integers(0, 45_000_000_000), max_size=60))
def test_the_saved_take_replays_to_the_same_verdicts(jitter, junk, ticks):
    rows = [(us * NS + off + 10**12, data) for (us, data), off in zip(TAKE.messages, jitter, strict=True)]
    rows += [(stamp + 10**12, data) for stamp, data in junk]
    with TemporaryDirectory() as folder:
        live = sit(rows, Path(folder), [t + 10**12 for t in ticks])
        assert live.recorder is not None
        assert live.recorder.failed is None
        session, ignored = from_file(live.recorder.path)
        assert session.verdicts == live.session.verdicts
        assert session.now_us == live.session.now_us
        assert ignored == live.decoder.ignored
        assert session.limits == live.session.limits


def test_a_take_played_back_faster_is_judged_in_its_own_time():
    rows = [(us * NS + 10**12, data) for us, data in TAKE.messages]
    plain = sit(rows, None)
    fast = sit([((stamp - 10**12) // 3 + 10**12, data) for stamp, data in rows], None, speed=3.0)
    assert fast.session.verdicts.keys() == plain.session.verdicts.keys()
    for key, verdict in fast.session.verdicts.items():
        kind = getattr(verdict, "kind", None)
        assert kind == getattr(plain.session.verdicts[key], "kind", None)


def test_nothing_is_recorded_before_the_first_message(tmp_path):
    sitting = Sitting(PIECE, profile=Profile(), limits=Limits(), folder=tmp_path, started=WHEN)
    assert sitting.tick(5 * 10**9) == []
    assert sitting.end(6 * 10**9) == []
    assert list(tmp_path.iterdir()) == []


def test_a_message_older_than_a_tick_is_taken_as_coming_now_and_counted(tmp_path):
    rows = [(us * NS, data) for us, data in TAKE.messages[:4]]
    sitting = Sitting(PIECE, profile=Profile(), limits=Limits(), folder=tmp_path, started=WHEN)
    sitting.hear(Heard(rows[0][0], rows[0][1]))
    sitting.tick(rows[0][0] + 3_000_000_000)
    sitting.hear(Heard(rows[0][0] + 1_000_000, rows[1][1]))
    assert sitting.ignored["messages out of order"] == 1


def test_an_unwritable_folder_is_said_and_playing_goes_on(tmp_path):
    (tmp_path / "file").write_text("in the way")
    rows = [(us * NS, data) for us, data in TAKE.messages]
    sitting = sit(rows, tmp_path / "file")
    assert sitting.recorder is not None
    assert "file" in (sitting.recorder.failed or "")
    assert len(sitting.session.verdicts) > 20
