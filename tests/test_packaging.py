"""What is installed on which Python: no version is left without a window or a way in for MIDI.

Wheels on the registry when this was written: python-rtmidi 1.5.8 up to Python 3.12, pygame 2.6.1 up to 3.13,
pygame-ce 2.5.8 for 3.14 (each asked for with ``pip download --only-binary=:all: --python-version``).
"""

import tomllib

import pytest
from packaging.requirements import Requirement

from tests.harness import ROOT

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]


def installed(version, platform="linux", machine="x86_64"):
    where = {"python_version": version, "sys_platform": platform, "platform_machine": machine}
    needed = map(Requirement, PROJECT["dependencies"])
    return {r.name for r in needed if r.marker is None or r.marker.evaluate(where)}


@pytest.mark.parametrize(
    ("version", "window", "rtmidi"),
    [
        ("3.11", "pygame", True),
        ("3.12", "pygame", True),
        ("3.13", "pygame", False),
        ("3.14", "pygame-ce", False),
    ],
)
def test_each_python_gets_what_has_a_wheel(version, window, rtmidi):
    names = installed(version)
    assert {n for n in names if n.startswith("pygame")} == {window}
    assert ("python-rtmidi" in names) is rtmidi
    assert {"mido", "numpy", "defusedxml", "verovio", "resvg"} <= names


def test_no_engraver_is_asked_for_where_it_has_no_wheel():
    assert "resvg" not in installed("3.12", "darwin", "x86_64")
    assert "verovio" not in installed("3.12", "linux", "armv7l")


def test_ci_runs_the_readmes_own_test_command():
    readme = (ROOT / "README.md").read_text("utf-8")
    start = readme.index("<!-- test command -->")
    command = readme[start : readme.index("<!-- end -->", start)].splitlines()[2]
    assert command.startswith("python3 -m venv .venv-test && ")
    assert command.endswith("pytest -q -n auto")
    ci = (ROOT / ".ci" / "run").read_text("utf-8")
    assert "<!-- test command -->" in ci
    assert "pytest" not in ci.replace("# ", "")  # it has no test command of its own
