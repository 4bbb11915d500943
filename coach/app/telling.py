"""What is said while a sitting runs: after each pass its worst fault, and what shows from now on."""

from __future__ import annotations

from dataclasses import dataclass

from coach.core.report import report
from coach.core.summary import pass_sentence
from coach.core.view import Viewer


@dataclass(frozen=True, slots=True)
class Said:
    """What there is to say at one moment."""

    sentences: tuple[str, ...] = ()  # for the page, in order
    of_pass: str = ""  # of them the one about a pass


class Telling:
    """Says each thing once."""

    def __init__(self, viewer: Viewer) -> None:
        self.viewer = viewer
        self._told = self._changes_told = 0  # passes that have had their sentence, changes of the amount

    def due(self, now_us: int) -> Said:
        """Return what is to be said now: of a pass that is over, before it what shows from now on.

        Nothing is said of a pass whose marks are still kept back.
        """
        now = self.viewer.course(now_us)
        sentences = list(now.changes[self._changes_told :])
        self._changes_told = max(self._changes_told, len(now.changes))
        of_pass = ""
        if now.final > self._told:
            self._told = now.final
            result = report(self.viewer.session)
            clean = result.passes[now.final - 1].clean
            if now.shown >= now.final and not (sentences and clean):  # "three clean passes" has said it
                of_pass = pass_sentence(result, now.final)
                sentences.append(of_pass)
        return Said(tuple(s for s in sentences if s), of_pass)

    def begin_again(self) -> None:
        """Forget the changes of the amount: another was chosen."""
        self._changes_told = 0
