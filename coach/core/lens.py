"""What of a page is shown, as a teacher or a person's setting wants it; no verdict changes for it."""

from __future__ import annotations

from dataclasses import replace

from coach.core.feedback import Amount, shown_rings
from coach.core.score import Score
from coach.core.shapes import Ring, View


class Lens:
    """Between the view and the page.  Set its switches; ``see`` does the rest."""

    def __init__(self, score: Score, *, still: bool = False) -> None:
        """``still``: nothing slides; what sounds grows beat by beat."""
        self.score, self.still = score, still
        self.plan = False  # only what is to be stopped, and nothing that was played
        self.hidden = False  # what sounds, but no verdicts
        self._frozen: View | None = None
        self._last: View | None = None

    @property
    def frozen(self) -> bool:
        """Whether the page stands still while the playing goes on."""
        return self._frozen is not None

    def freeze(self, on: bool) -> None:
        """Keep the page as it is, or let it go on."""
        self._frozen = self._last if on else None

    def see(self, view: View) -> View:
        """Return what is shown of a view; how the port is shows on a page that stands still, too."""
        if self._frozen is not None:
            foot = replace(self._frozen.foot, port=view.foot.port, alarm=view.foot.alarm)
            view = replace(self._frozen, foot=foot)
        self._last = view
        return self.thin(view)

    def thin(self, view: View) -> View:
        """Return what plan, hidden verdicts and stillness leave of a view, be it another take's."""
        if self.plan or self.hidden:
            rings = () if self.plan else tuple(shown_rings(view.rings, Amount.AFTER))
            foot = replace(view.foot, message="")  # it tells of what was played
            view = replace(view, rings=rings, marks=(), drifts=(), foot=foot)
        if self.still:
            view = replace(
                view, tick=self._beat(view.tick), rings=tuple(self._by_beat(r) for r in view.rings)
            )
        return view

    def _by_beat(self, ring: Ring) -> Ring:
        if not ring.sounding:
            return ring
        return replace(ring, end_tick=max(self._beat(ring.end_tick), ring.start_tick))

    def _beat(self, tick: float) -> float:
        """Return the beat at or before a tick."""
        bar = self.score.bars[self.score.bar_index(tick)]
        first = bar.onset - bar.lead  # of a pickup the beats are those of the bar it is the end of
        return max(first + (tick - first) // bar.beat_ticks * bar.beat_ticks, bar.onset)
