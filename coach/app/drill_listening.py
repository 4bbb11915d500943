"""What a player of a drill asks to hear, and the click; where nothing can be heard it is said why."""

from __future__ import annotations

from collections.abc import Callable
from math import ceil

from coach.app.drill_sound import Passage, Player
from coach.app.sitting import Sitting
from coach.core import drill_words
from coach.core.sounding import Track

AHEAD_NS = 200_000_000  # a click is ordered so long before it is heard
# What of the model goes along: its name in the words, the melody, the bass.
ALONG = (("", False, False), ("both", True, True), ("melody", True, False), ("bass", False, True))


class Listening:
    """The owner of what is heard; the step and its sitting come in."""

    def __init__(
        self,
        player: Player | None,
        tell: Callable[[str], None],
        *,
        click: bool = False,
        subdivide: int = 1,
        silent: int = 0,
    ) -> None:
        """``tell`` says a sentence on the page; ``click``: one goes on while the step is played."""
        self._player, self._tell, self.click = player, tell, click
        self._subdivide, self._silent = subdivide, silent
        self._click_ns = 0  # when the click was heard by which the session's time is set
        self._clicking: int | None = None  # the token of the click that runs
        self._along = 0  # what of the model goes along, an index into ALONG
        self._trouble = ""  # of the player, as it was told

    # --- there is sound, or none ------------------------------------------------------------------

    @property
    def _why_none(self) -> str:
        if self._player is None:
            return drill_words.TURNED_OFF
        return self._player.trouble

    def look(self) -> None:
        """Say once when the sound has gone, and when it has come back."""
        trouble = "" if self._player is None else self._player.trouble
        if trouble != self._trouble:
            self._trouble = trouble
            self._tell(self._why_none or drill_words.SOUND_BACK)

    def hear(self, track: Track, told: str = "") -> bool:
        """Play a track instead of what plays now; where there is no sound, say why and return False.

        ``told`` says what is heard.  It is ordered all the same: the player looks for its device again.
        """
        self._clicking = None
        why = self._why_none
        if self._player is not None:
            self._player.play(track)
        if why or told:
            self._tell(why or told)
        return not why

    def hush(self) -> None:
        """Let nothing be heard."""
        self._clicking, self._along = None, 0
        if self._player is not None:
            self._player.stop()

    # --- what is asked for ------------------------------------------------------------------------

    def model_or_stop(self, passage: Passage) -> None:
        """Play the step; stop what plays, but for the click."""
        player = self._player
        if player is not None and player.playing and self._clicking is None and not self._why_none:
            self.hush()
        else:
            self.hear(passage.model())

    def along(self, passage: Passage) -> None:
        """Let the model go on round after round: both voices, the tune, the bass, none."""
        self._along = (self._along + 1) % len(ALONG)
        name, melody, bass = ALONG[self._along]
        if not self._along:
            self.hush()
            self._tell(drill_words.ALONG_OFF)
        elif self.hear(passage.model(melody=melody, bass=bass, repeat=True)):
            self._tell(drill_words.ALONG[name])
        else:
            self._along = 0

    def turn_click(self) -> None:
        """Let the click go along, or no more."""
        self.click = not self.click
        if not self.click:
            self.hush()
            self._tell(drill_words.CLICK_OFF)
        else:
            self._tell(self._why_none or drill_words.CLICK_ON)

    # --- the click --------------------------------------------------------------------------------

    def keep_click(self, sitting: Sitting, passage: Passage, now_ns: int) -> None:
        """Begin the click where it is wanted and nothing else sounds; set the session's time by it."""
        player, session = self._player, sitting.session
        if player is None or not self.click:
            return
        if self._clicking is None and not player.playing and not self._along:
            at_ns = None if session.click is None else self._beat_ns(sitting, passage, now_ns + AHEAD_NS)
            self._clicking = player.play(
                passage.clicks(subdivide=self._subdivide, silent=self._silent), at_ns=at_ns
            )
        if self._clicking is not None and not sitting.begun and session.click is None:
            start_ns = player.start_ns(self._clicking)
            if start_ns is not None:
                music_ns = round((passage.lead_s + passage.beat_s(0)) * 1e9)
                sitting.start_click(start_ns, start_ns + music_ns)
                self._click_ns = start_ns

    def _beat_ns(self, sitting: Sitting, passage: Passage, after_ns: int) -> int:
        """Return the next beat of the click that sets the session's time, after a moment."""
        chunk = sitting.step.chunk
        bar = sitting.session.score.bars[0 if chunk is None else chunk[0]]
        beat_ns = (passage.beat_s(bar.onset + bar.beat_ticks) - passage.beat_s(bar.onset)) * 1e9
        return self._click_ns + round(ceil((after_ns - self._click_ns) / beat_ns) * beat_ns)
