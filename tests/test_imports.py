"""Imports go one way: cli -> app -> screen, devices, files -> core; the core knows no edge at all."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1] / "coach"
MODULES = sorted(ROOT.rglob("*.py"))
CORE_MAY = {
    "__future__", "bisect", "collections", "dataclasses", "enum", "functools", "heapq", "itertools", "math",
    "numpy", "operator", "statistics", "types", "typing", "fractions",
}  # fmt: skip
ROOMS = {"core": 0, "files": 1, "devices": 1, "screen": 1, "app": 2, "cli": 3}


def imported(path):
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module or ""


def room(module):
    parts = module.split(".")
    return parts[1] if len(parts) > 1 and parts[0] == "coach" else ""


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_go_one_way(path):
    relative = path.relative_to(ROOT.parent).with_suffix("")
    here = room(".".join(relative.parts))
    for module in imported(path):
        if here == "core":
            top = module.split(".")[0]
            assert module.startswith("coach.core") or top in CORE_MAY, f"core imports {module}"
        there = room(module)
        if here in ROOMS and there in ROOMS and here != there:
            assert ROOMS[there] < ROOMS[here], f"{here} imports {module}"


def test_the_walk_finds_the_rooms():
    assert {"core", "files", "devices", "screen"} <= {p.name for p in ROOT.iterdir() if p.is_dir()}
    assert len(MODULES) > 20
