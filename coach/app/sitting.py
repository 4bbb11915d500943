"""One live sitting: messages are stamped into the session's time, recorded, decoded, judged.

The order is fixed: a message is recorded before anything is made of it.  Times are rounded to what the
file can hold before the session sees them, so that the saved take replays to the same verdicts.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from coach.app.piece import Piece
from coach.app.step import Step, of_take, whole
from coach.app.terms import Terms, terms_of
from coach.core.events import End, Tick
from coach.core.follower import Follower
from coach.core.groups import Groups
from coach.core.pickup_words import channels_off
from coach.core.profile import Profile
from coach.core.report import report
from coach.core.score import Score
from coach.core.session import Session
from coach.core.shapes import Summary
from coach.core.summary import summarise
from coach.core.timing import Click
from coach.core.verdicts import Change, Limits
from coach.core.wire import Decoder
from coach.devices.clock import SessionClock
from coach.devices.messages import Heard
from coach.files.recording import Recorder, new_take_path
from coach.files.take import Take, TakeMeta

LEAD_NS = 500_000_000  # a take begins this long before its first message


class Sitting:
    """The mutable owner of what happens between sitting down and getting up."""

    def __init__(
        self,
        piece: Piece,
        *,
        profile: Profile,
        limits: Limits,
        folder: Path | None,
        started: datetime,
        terms: Terms | None = None,
        speed: float = 1.0,
        step: Step | None = None,
        asked_speed: float | None = None,
    ) -> None:
        """``folder`` is where the take is recorded; None records nothing.

        ``speed`` is that of a take played back: its own time is kept, so that no verdict depends on it.
        ``step``: what of the piece is played (default: all of it); ``asked_speed``: the tempo asked
        for, as a share of the written one; None: the player's own.
        """
        self.terms = terms or Terms()
        self.step = step or whole(piece, self.terms)
        self.piece, self.asked_speed = self.step.piece, asked_speed
        self.session = Session(
            self.piece.score,
            profile=profile,
            limits=limits,
            stops=self.step.stops,
            chunk=self.step.chunk,
        )
        self.decoder = Decoder(self.session.profile, self.session.channels)
        self.recorder: Recorder | None = None
        self._folder, self._started, self._speed = folder, started, speed
        self._clock: SessionClock | None = None
        self._heard = False
        self._told = False

    @property
    def begun(self) -> bool:
        """Whether anything has been heard."""
        return self._heard

    def start_click(self, heard_ns: int, beat_ns: int) -> None:
        """Set the session's time by a click that begins at ``heard_ns``, its music's tick 0 at ``beat_ns``.

        To be called before anything is heard.
        """
        assert not self._heard
        assert self.asked_speed is not None
        self._clock = SessionClock(heard_ns, self._speed)
        self.session.set_click(Click((beat_ns - heard_ns) // 1000, self.asked_speed))

    def _click_qpm(self) -> float | None:
        click = self.session.click
        return None if click is None else self.piece.score.qpm(0) * click.speed

    @property
    def ignored(self) -> Counter[str]:
        """What was heard but not used, beside what the session counts."""
        counted = Counter(self.decoder.ignored)
        if self._clock is not None and self._clock.clamped:
            counted["messages out of order"] = self._clock.clamped
        return counted

    def hear(self, heard: Heard) -> list[Change]:
        """Take one message from the port."""
        if self._clock is None:
            self._clock = SessionClock(heard.stamp_ns - LEAD_NS, self._speed)
        if not self._heard:
            self._heard = True
            self._begin_recording()
        time_us = self._clock.us(heard.stamp_ns)
        if self.recorder is not None:
            time_us = self.recorder.quantise(time_us)
            self.recorder.write(time_us, heard.data)
        changes: list[Change] = []
        for event in self.decoder.decode(time_us, heard.data):
            changes += self.session.feed(event)
        return changes

    def news(self) -> str:
        """Return, once, what is to be said of the pickup; nothing where all is well."""
        said = "" if self._told else channels_off(self.session.channels)
        self._told = self._told or bool(said)
        return said

    def tick(self, now_ns: int) -> list[Change]:
        """Let silence speak: settle what is due by now."""
        if self._clock is None or self.session.ended:
            return []
        return self.session.feed(Tick(self._quantised(self._clock.tick_us(now_ns))))

    def end(self, now_ns: int) -> list[Change]:
        """End the sitting: everything settles, the take is closed."""
        if self._clock is None or self.session.ended:
            return []
        time_us = self._quantised(self._clock.us(now_ns))
        changes = self.session.feed(End(time_us))
        if self.recorder is not None:
            self.recorder.close(time_us)
        return changes

    def summary(self) -> Summary:
        """Return what to say of everything heard."""
        return summarise(report(self.session, self.ignored), self.piece.title)

    def now_us(self, now_ns: int) -> int:
        """Return the session's time of a moment, for drawing."""
        return 0 if self._clock is None else max(self._clock.elapsed_us(now_ns), 0)

    def _quantised(self, time_us: int) -> int:
        return self.recorder.quantise(time_us) if self.recorder is not None else time_us

    def _begin_recording(self) -> None:
        if self._folder is None:
            return
        score = self.piece.score
        meta = TakeMeta(
            title=score.title,
            digest=score.digest,
            profile=self.session.profile,
            tolerances=limits_plain(self.session.limits),
            level=self.terms.level.token,
            free=tuple(sorted(self.terms.free)),
            chunk=self.session.chunk,
            speed=self.asked_speed,
            click_qpm=self._click_qpm(),
            click_us=self.session.click.start_us if self.session.click else None,
            started=self._started.isoformat(timespec="seconds"),
        )
        rung = self.step.rung
        if rung is not None:
            bars = (rung.first, rung.last)
            meta = replace(meta, part=rung.part.value, chunk=bars, lands=rung.lands, upbeat=rung.upbeat)
        first = score.bars[0]
        path = new_take_path(self._folder, score.title, self._started)
        self.recorder = Recorder(
            path, meta, qpm=score.qpm(0), meter=(first.beats, first.beat_unit), fifths=first.fifths
        )


def limits_plain(limits: Limits) -> dict[str, float]:
    """Return the tolerances that a take is saved with."""
    return {
        **({"all_strings": 1.0} if limits.all_strings else {}),
        "tolerance_ms": limits.tolerance_ms,
        "stray_ms": limits.stray_ms,
        "drift_ms": limits.drift_ms,
        **({} if limits.hands_alone else {"hands_alone": 0.0}),
        **({} if limits.drift_fault_ms is None else {"drift_fault_ms": limits.drift_fault_ms}),
    }


def limits_of(plain: dict[str, float], tolerance_ms: float | None = None) -> Limits:
    """Return the limits a take was judged by; ``tolerance_ms`` overrules them."""
    default = Limits()
    return Limits(
        tolerance_ms=tolerance_ms or plain.get("tolerance_ms", default.tolerance_ms),
        all_strings=bool(plain.get("all_strings", default.all_strings)),
        stray_ms=plain.get("stray_ms", default.stray_ms),
        drift_ms=plain.get("drift_ms", default.drift_ms),
        drift_fault_ms=plain.get("drift_fault_ms"),
        hands_alone=bool(plain.get("hands_alone", default.hands_alone)),
    )


def click_of(meta: TakeMeta, score: Score) -> Click | None:
    """Return the click a take was played to; None without one."""
    if meta.click_qpm is None or meta.click_us is None:
        return None
    return Click(meta.click_us, meta.click_qpm / score.qpm(0))


def replay(
    take: Take,
    piece: Piece,
    *,
    profile: Profile | None,
    limits: Limits,
    terms: Terms | None = None,
    follow: Callable[[Groups, tuple[int, int] | None], Follower] | None = None,
) -> tuple[Session, Counter[str]]:
    """Return the session after a whole take, and what its messages held that was not used.

    ``terms``: what was asked for (default: what the take was played under); ``follow``: see ``Session``.
    """
    step = of_take(piece, terms or terms_of(take.meta), take.meta)
    session = Session(
        step.piece.score,
        profile=profile or take.meta.profile,
        limits=limits,
        stops=step.stops,
        chunk=step.chunk,
        click=click_of(take.meta, step.piece.score),
        follow=follow,
    )
    decoder = Decoder(session.profile, session.channels)
    for time_us, data in take.messages:
        for event in decoder.decode(time_us, data):
            session.feed(event)
    session.feed(End(max(take.end_us, session.now_us)))
    return session, decoder.ignored
