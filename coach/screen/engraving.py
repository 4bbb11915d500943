"""Engraving in a child process, with a timeout, and its cache on disk.

The page never waits for it: ``Engraver.begin`` returns at once, and what was engraved is handed to a
callback from another thread.  Where engraving cannot run, the callback is given None and the plain staff
stays.  The same request is answered from the user's cache folder without a child (some 5 ms).
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import platformdirs

from coach.screen import engraver_process
from coach.screen.engraved import Box, Engraved, System
from coach.screen.engraver_process import TIMEOUT_S, can_engrave, version
from coach.screen.font_files import MUSIC, PRINT, PRINT_FAMILY
from coach.screen.lines import MOST_BARS

FORMAT = 10  # of the cache's files; raised whenever the child's answer or its look changes
MOST_KEPT = 200  # cache files, the oldest go first
COMMAND = (sys.executable, "-m", "coach.screen.engraver_child")


@dataclass(frozen=True, slots=True)
class Request:
    """What is to be engraved."""

    xml: str  # our own re-serialised MusicXML, never the file as it came
    width: int  # pixels
    space: float  # pixels between two staff lines
    bars: tuple[int, int] | None = None  # first and last written bar, from 0; None is all
    most: int = MOST_BARS  # on a line

    @property
    def key(self) -> str:
        """A digest of everything that shapes the answer."""
        parts = (str(FORMAT), version("verovio"), version("resvg"), self.xml)
        rest = f"{self.width} {self.space} {self.bars} {self.most}"
        return hashlib.sha256("\0".join((*parts, rest)).encode("utf-8", "surrogatepass")).hexdigest()

    def frame(self) -> bytes:
        """Return the request as the child reads it."""
        body = json.dumps(
            {
                "xml": self.xml,
                "width": self.width,
                "space": self.space,
                "bars": self.bars,
                "music": str(MUSIC),
                "text": str(PRINT),
                "family": PRINT_FAMILY,
                "most": self.most,
            }
        ).encode()
        return engraver_process.frame(body)


def cache_folder() -> Path:
    """Return where engraved pages are kept."""
    return platformdirs.user_cache_path("coach") / "engraving"


def unpack(answer: bytes, space: float) -> Engraved:
    """Return what a child's answer holds.  Raises ValueError where it is damaged."""
    try:
        length = int.from_bytes(answer[:4], "big")
        head = json.loads(answer[4 : 4 + length])
        at, systems = 4 + length, []
        for plain in head["systems"]:
            ink = answer[at : at + plain["ink"]]
            at += plain["ink"]
            if len(ink) != plain["ink"]:
                raise ValueError("cut off")
            systems.append(_system(plain, ink))
        if at != len(answer) or not systems:
            raise ValueError("of another length than it says")
    except (KeyError, TypeError, UnicodeDecodeError, json.JSONDecodeError) as error:
        raise ValueError(f"not an engraver's answer: {error}") from error
    return Engraved(tuple(systems), space, plain=False, fill=float(head["systems"][0]["fill"]))


def _system(plain: dict[str, Any], ink: bytes) -> System:
    top, bottom = plain["staff"]
    bars: dict[str, list[float]] = plain["bars"]
    return System(
        width=plain["width"],
        height=plain["height"],
        staff_top=top,
        staff_bottom=bottom,
        boxes={name: Box(*box) for name, box in plain["boxes"].items()},
        bars=tuple(bars),
        bar_boxes={name: (left, right) for name, (left, right) in bars.items()},
        ink=ink,
    )


class Engraver:
    """Engraves one request at a time; a new one ends the one before."""

    def __init__(
        self,
        done: Callable[[Request, Engraved | None, str], None],
        *,
        folder: Path | None = None,
        command: Sequence[str] = COMMAND,
        timeout_s: float = TIMEOUT_S,
    ) -> None:
        """``done`` is called from another thread with the request, what was engraved, and why not if not."""
        self._done, self._command, self._timeout_s = done, command, timeout_s
        self._folder = cache_folder() if folder is None else folder
        self._lock = threading.Lock()  # guards the three below
        self._child: subprocess.Popen[bytes] | None = None
        self._current: Request | None = None
        self._closed = False

    def begin(self, request: Request) -> None:
        """Start engraving, in the background."""
        with self._lock:
            if self._closed:
                return
            self._current = request
            self._kill()
        threading.Thread(target=self._work, args=(request,), name="engraver", daemon=True).start()

    def kept(self, request: Request) -> Engraved | None:
        """Return what the cache holds, if anything; some milliseconds."""
        try:
            answer = self._path(request).read_bytes()
        except OSError:
            return None
        try:
            return unpack(answer, request.space)
        except ValueError:  # damaged: engraved anew, and written over
            return None

    def _path(self, request: Request) -> Path:
        return self._folder / f"{request.key}.page"

    def close(self) -> None:
        """End the child; ``done`` is not called any more."""
        with self._lock:
            self._closed = True
            self._current = None
            self._kill()

    def engrave(self, request: Request) -> tuple[Engraved | None, str]:
        """Return what is engraved, or None and why; waits for it."""
        kept = self.kept(request)
        if kept is not None:
            return kept, ""
        if not can_engrave():
            return None, "the engraver is not installed"
        answer, why = self._ask(request)
        if not why:
            try:
                engraved = unpack(answer, request.space)
            except ValueError as error:
                return None, str(error)
            self._keep(self._path(request), answer)
            return engraved, ""
        return None, why

    def _work(self, request: Request) -> None:
        engraved, why = self.engrave(request)
        with self._lock:
            wanted = not self._closed and self._current is request
        if wanted:
            self._done(request, engraved, why)

    def _ask(self, request: Request) -> tuple[bytes, str]:
        with self._lock:
            if self._closed:
                return b"", "closed"
            child = engraver_process.start(self._command)
            self._child = child
        try:
            return engraver_process.ask(child, request.frame(), self._timeout_s)
        finally:
            with self._lock:
                if self._child is child:
                    self._child = None

    def _kill(self) -> None:
        if self._child is not None:
            self._child.kill()

    def _keep(self, path: Path, answer: bytes) -> None:
        """Write to the cache, aside and then renamed; a cache that cannot be written is no loss."""
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            handle, aside = tempfile.mkstemp(dir=self._folder, suffix=".part")
            with os.fdopen(handle, "wb") as file:
                file.write(answer)
            os.replace(aside, path)
            pages = sorted(self._folder.glob("*.page"), key=lambda p: p.stat().st_mtime)
            for old in pages[:-MOST_KEPT]:
                old.unlink(missing_ok=True)
        except OSError:
            return
