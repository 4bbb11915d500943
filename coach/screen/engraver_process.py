"""The engraver's child process: started, asked once, ended when it takes too long.

verovio and resvg may hang or crash on a strange file, and hold the interpreter's lock; in a process of
their own they can be killed for it.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Sequence
from importlib import metadata
from pathlib import Path

TIMEOUT_S = 20.0  # 200 bars take 1.6 s here; a slow machine with a long score may need ten times that
MOST_BYTES = 256 << 20  # an answer larger than this is no page


def can_engrave() -> bool:
    """Return whether the engraver's packages are installed."""
    return bool(version("verovio") and version("resvg"))


def version(package: str) -> str:
    """Return an installed package's version, or an empty string."""
    try:
        return metadata.version(package)
    except metadata.PackageNotFoundError:
        return ""


def frame(body: bytes) -> bytes:
    """Return a request as a child reads it: its length in four bytes (big-endian), then the request."""
    return len(body).to_bytes(4, "big") + body


def start(command: Sequence[str]) -> subprocess.Popen[bytes]:
    """Start an engraver that waits for its request."""
    return subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,  # a strange score makes the engraver chatter; its end says enough
        env=_environment(),
        start_new_session=True,
    )


def ask(child: subprocess.Popen[bytes], request: bytes, timeout_s: float = TIMEOUT_S) -> tuple[bytes, str]:
    """Return the child's answer to one request frame, or nothing and why; the child is ended either way."""
    try:
        answer, _ = child.communicate(request, timeout=timeout_s)
    except subprocess.TimeoutExpired:
        child.kill()
        child.communicate()
        return b"", f"the engraver took longer than {timeout_s:g} s"
    if child.returncode:
        return b"", f"the engraver ended with code {child.returncode}"
    if len(answer) > MOST_BYTES:
        return b"", "the engraver's page is too large"
    return answer, ""


def _environment() -> dict[str, str]:
    """Return the environment in which the child finds the same package as this process."""
    root = str(Path(__file__).resolve().parents[2])
    path = os.environ.get("PYTHONPATH")
    return {**os.environ, "PYTHONPATH": f"{root}{os.pathsep}{path}" if path else root}
