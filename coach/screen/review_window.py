"""The window in which a take is looked back at: a leaf, and under it the time ruler and the leaves' names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pygame

from coach.core.score import Score
from coach.core.shapes import View
from coach.core.stop_counts import StopCount
from coach.screen import lettering
from coach.screen.bar_picture import bar_picture
from coach.screen.bar_sheet import draw_bar
from coach.screen.drift_sheet import draw_drift
from coach.screen.keys import REVIEW_HELD, REVIEW_KEYS, Action, action_of
from coach.screen.often import OftenPainter
from coach.screen.page import Page
from coach.screen.page_area import PageArea, Pages
from coach.screen.page_words import CAPTION, LEAF, NO_REVIEW_REMEDY, UNTITLED
from coach.screen.page_words import LEAVES as LEAF_NAMES
from coach.screen.page_words import REVIEW_KEYS as KEY_LINES
from coach.screen.pencil import Sheet
from coach.screen.ruler import Ruler, RulerPainter
from coach.screen.scene import LEAVES, Leaf, Scene
from coach.screen.sheets import help_sheet, summary_sheet
from coach.screen.stage import Stage
from coach.screen.stamps import Stamp, paint, placed
from coach.screen.theme import DAY, NIGHT, Palette, Reading, Sizes

DESK = Reading(distance_m=1.2)  # at the table, the guitar still on the knee
DRIFT_SAID_MS = 35.0
BAR_SHARE = 0.24  # of the leaf's height: the engraved bar over its strings
LEAF_ACTIONS = (
    Action.LEAF_PAGE,
    Action.LEAF_BAR,
    Action.LEAF_ALL,
    Action.LEAF_TWO,
    Action.LEAF_DRIFT,
    Action.LEAF_WORDS,
)


@dataclass(frozen=True, slots=True)
class Asked:
    """Something a person asked for."""

    action: Action | None = None
    seek_us: int | None = None  # pointed at on the ruler
    choose: int | None = None  # a pass, pointed at
    closed: bool = False


@dataclass(frozen=True, slots=True)
class _Often:
    """All passes laid over the page."""

    counts: tuple[StopCount, ...]

    def __call__(self, page: Page, view: View) -> Sequence[Stamp]:
        slot_of, rows = page.standing(view)
        return OftenPainter(page.layout, page.sizes, page.palette).stamps(self.counts, slot_of, rows)


class ReviewWindow:
    """One take's window, on the screen or offscreen.  For one thread only."""

    def __init__(
        self,
        score: Score,
        xml: str,
        ruler: Ruler,
        *,
        title: str | None = None,
        size: tuple[int, int] | None = None,
        night: bool = False,
        offscreen: bool = False,
        reading: Reading = DESK,
    ) -> None:
        """``xml`` is the score's MusicXML as re-serialised by our reader; empty for the plain staff.

        Raises CoachError where there is no display (``offscreen`` needs none).
        """
        self.score, self.title = score, score.title if title is None else title
        self.night, self._reading, self._ruler = night, reading, ruler
        self.stage = Stage(self.title or UNTITLED, NO_REVIEW_REMEDY, size=size, offscreen=offscreen)
        if not offscreen:
            pygame.event.set_allowed([pygame.MOUSEMOTION])
        self._pages = Pages(
            lambda: PageArea(score, xml, self.title, arrived=self.stage.wake, wait=offscreen, reading=reading)
        )
        self._scene: Scene | None = None
        self._drawn: object = None  # what the leaf's part of the window shows
        self._drawn_band: object = None  # what the band shows
        self._helping = False
        self._measure()

    @property
    def palette(self) -> Palette:
        """The colours in use."""
        return NIGHT if self.night else DAY

    @property
    def sizes(self) -> Sizes:
        """The measures of the page."""
        return self._pages.whole.sizes

    # --- drawing ----------------------------------------------------------------------------------

    def show(self, scene: Scene) -> bool:
        """Draw a scene; return whether anything was drawn."""
        before, self._scene = self._scene, scene
        if self._helping or (scene == before and self._drawn is not None):
            return False
        changed = self._show_leaf(scene)
        band = before is None or self._drawn_band != (
            scene.now_us,
            scene.leaf,
            scene.state,
            scene.chosen,
            scene.against,
        )
        if band:
            self._show_band(scene)
        if changed is None:
            self.stage.update()
        else:
            rects = [*changed, *([self._band] if band else [])]
            if rects:
                self.stage.update(rects)
        return changed is None or bool(changed) or band

    def screenshot(self, path: Path) -> None:
        """Write what the window shows as a PNG.  Raises CoachError where it cannot be written."""
        self.stage.screenshot(path)

    def say(self, words: str) -> None:
        """Tell a sentence to whoever does not see the window: it becomes part of its caption."""
        self.stage.say(CAPTION.format(title=self.title, said=words) if words else self.title or UNTITLED)

    def _show_leaf(self, scene: Scene) -> list[pygame.Rect] | None:
        """Draw the leaf; return the rectangles that changed, None where all of it did."""
        kind = scene.leaf
        if kind in (Leaf.PAGE, Leaf.ALL, Leaf.TWO):
            if self._drawn != "pages":
                self._pages.forget()
                self._drawn = "pages"
            if scene.other is not None:
                return self._pages.show_two(scene.view, scene.other)
            return self._pages.show(scene.view, _Often(scene.counts) if kind is Leaf.ALL else None)
        wanted = (kind, scene.lanes, scene.curves, scene.summary)
        if self._drawn == wanted:
            return []
        self._drawn = wanted
        surface = self.stage.surface
        area = surface.subsurface(self._leaf.clip(surface.get_rect()))
        area.fill(self.palette.paper)
        rect = area.get_rect()
        sizes = self.sizes.plain
        if kind is Leaf.BAR and scene.lanes is not None:
            page = self._pages.whole.binder.page_for(scene.view)
            picture = bar_picture(page, scene.lanes.bar, (rect.width // 2, round(rect.height * BAR_SHARE)))
            if picture is not None:
                area.blit(picture, ((rect.width - picture.get_width()) // 2, 0))
                rect.top, rect.height = picture.get_height(), rect.height - picture.get_height()
            draw_bar(area, rect, scene.lanes, sizes, self.palette)
        elif kind is Leaf.DRIFT:
            numbers = tuple(bar.number for bar in self.score.bars)
            draw_drift(area, rect, scene.curves, numbers, DRIFT_SAID_MS, sizes, self.palette)
        elif kind is Leaf.WORDS and scene.summary is not None:
            area.blit(summary_sheet(scene.summary, sizes, self.palette, hint=""), (0, 0))
        return None

    def _show_band(self, scene: Scene) -> None:
        """Draw the ruler and the leaves' names."""
        surface, sizes, palette = self.stage.surface, self.sizes.plain, self.palette
        self._drawn_band = (scene.now_us, scene.leaf, scene.state, scene.chosen, scene.against)
        surface.fill(palette.paper, self._band)
        self._painter.draw(surface, self._band.top, scene.now_us, scene.chosen or None, scene.against)
        y = self._band.bottom - self._names // 2
        height = round(sizes.quiet)
        stamps: list[Stamp] = []
        for i, (leaf, rect) in enumerate(zip(LEAVES, self._name_rects, strict=True), 1):
            here = leaf is scene.leaf
            written = lettering.words(_leaf_name(i), height, palette.ink if here else palette.pencil)
            stamps.append(Stamp(written.surface, rect.left, y + height // 2 - written.baseline))
            if here:
                line = Sheet((0, -3, rect.width, 3), palette.ink, height)
                line.line((0, 0), (rect.width, 0), max(height * 0.1, 1.5), 3, 1.0)
                stamps.append(placed(line.patch(), rect.left, y + height * 0.95))
        state = lettering.words(scene.state, height, palette.pencil)
        x = surface.get_width() - sizes.margin - state.width
        if x > self._name_rects[-1].right + height:
            stamps.append(Stamp(state.surface, x, y + height // 2 - state.baseline))
        paint(surface, stamps)

    # --- waiting ----------------------------------------------------------------------------------

    def wait(self, timeout_ms: int) -> list[Asked]:
        """Return what a person asked for, at latest after so long.

        Help, night and full screen are dealt with here and not returned.
        """
        found: list[Asked] = []
        dragged: int | None = None
        for event in self.stage.wait(timeout_ms):
            match event.type:
                case pygame.QUIT:
                    found.append(Asked(Action.QUIT, closed=True))
                case pygame.VIDEORESIZE:
                    self._again()
                case pygame.MOUSEBUTTONDOWN if event.button == 1:
                    found += self._pointed(*event.pos)
                case pygame.MOUSEBUTTONDOWN if event.button in (4, 5):
                    found.append(Asked(Action.PREV_BAR if event.button == 4 else Action.NEXT_BAR))
                case pygame.MOUSEMOTION if event.buttons[0] and self._band.collidepoint(event.pos):
                    dragged = self._painter.time_at(event.pos[0])
                case _:
                    action = action_of(event, REVIEW_KEYS, REVIEW_HELD)
                    if action is not None and not self._deal_with(action):
                        found.append(Asked(action))
        if dragged is not None:  # of a movement only where it came to
            found.append(Asked(seek_us=dragged))
        if self._pages.take_arrived():
            self._redraw()
        return found

    def _pointed(self, x: int, y: int) -> list[Asked]:
        if self._helping:
            self._deal_with(Action.HELP)
            return []
        for action, rect in zip(LEAF_ACTIONS, self._name_rects, strict=True):
            if rect.collidepoint(x, y):
                return [Asked(action)]
        if self._band.top <= y < self._band.bottom - self._names:
            chosen = self._painter.pass_at(x, y - self._band.top)
            return [Asked(seek_us=self._painter.time_at(x))] if chosen is None else [Asked(choose=chosen)]
        return []

    def close(self) -> None:
        """Close the window and end the engravers."""
        self._pages.close()
        self.stage.close()

    def __enter__(self) -> ReviewWindow:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- the window itself ------------------------------------------------------------------------

    def _measure(self) -> None:
        """Find where the leaf, the ruler and the names stand."""
        width, height = self.stage.size
        whole = Sizes.of(width, height, self._reading)
        self._painter = RulerPainter(self._ruler, width, whole, self.palette)
        self._names = round(whole.quiet * 2.1)
        band = self._painter.height + self._names
        self._leaf = pygame.Rect(0, 0, width, height - band)
        self._band = pygame.Rect(0, height - band, width, band)
        self._pages.place(lambda: self.stage.surface, self._leaf, height, self.palette)
        x, written = whole.margin, round(whole.quiet)
        self._name_rects: list[pygame.Rect] = []
        for i in range(1, len(LEAVES) + 1):
            wide = lettering.words(_leaf_name(i), written, self.palette.ink).width
            self._name_rects.append(pygame.Rect(x, self._band.bottom - self._names, wide, self._names))
            x += wide + round(whole.quiet * 1.3)
        self._drawn = None
        self._drawn_band = None

    def _again(self) -> None:
        self._measure()
        self._redraw()

    def _redraw(self) -> None:
        """Draw everything anew: the help, or the scene."""
        scene, self._scene, self._drawn = self._scene, None, None
        if self._helping:
            self.stage.surface.blit(
                help_sheet(Sizes.of(*self.stage.size, self._reading), self.palette, KEY_LINES), (0, 0)
            )
            self.stage.update()
            self._scene = scene
        elif scene is not None:
            self.stage.surface.fill(self.palette.paper)
            self._pages.forget()
            self.show(scene)

    def _deal_with(self, action: Action) -> bool:
        """Do what concerns the window alone; return False for what the caller must do."""
        if action is Action.HELP or (self._helping and action is Action.QUIT):
            self._helping = not self._helping
            self._redraw()
            return True
        if action is Action.NIGHT:
            self.night = not self.night
        elif action is Action.FULLSCREEN:
            self.stage.turn_full()
        else:
            return False
        self._again()
        return True


def _leaf_name(number: int) -> str:
    return LEAF.format(number=number, name=LEAF_NAMES[number - 1])
