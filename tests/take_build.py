"""Recording takes in tests."""

from coach.core.profile import Profile
from coach.files.recording import Recorder, TakeMeta

ON, OFF = bytes((0x94, 45, 90)), bytes((0x84, 45, 64))
FULL = TakeMeta(
    title="Étude du tram nº 2",
    digest="ab" * 32,
    profile=Profile(name="attic", base_channel=11, bend_range=12.0, on_delay_ms=(4.0, 5.0, 6.5)),
    tolerances={"damp_ms": 120.0, "melody_ms": 250.0},
    chunk=(5, 8),
    click_qpm=72.0,
    started="2031-05-04T18:30:00",
)


def record(path, messages, *, meta=FULL, end_us=None, **how):
    with Recorder(path, meta, **how) as recorder:
        for time_us, data in messages:
            recorder.write(time_us, data)
        recorder.close(end_us)
    assert recorder.failed is None
    return recorder


ODD = [
    b"\xf8",  # clock
    b"\xfe",  # active sensing
    b"\xff",  # reset
    b"\xf0\x7e\x7f\x06\x01\xf7",  # a whole sysex
    b"\xf0\x43\x12",  # one broken off
    b"\x43\x12\xf7",  # and its rest
    b"\xf0\x43\xf8\x12\xf7",  # a clock inside a sysex
    b"\x94",
    b"\x94\x2d",
    b"\x2d\x5a",  # data by running status
    b"\x94\x2d\x5a\x2d\x00",  # two messages in one
    b"\x94\x2d\xff",
    b"\xc2\xf0",
    b"\xf7",
    b"\xf0\xf7",
    bytes(range(256)),
]
