"""Who may import whom."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MAY = {
    "shared": set(),
    "analytics": {"shared"},
    "dashboards": {"shared", "analytics"},
    "sample_data": {"shared"},
    "pipelines": {"shared", "analytics", "dashboards", "sample_data"},
}


def imported(path: Path) -> set[str]:
    """The first names of everything that a file imports."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            names.add(node.module.split(".")[0])
    return names


@pytest.mark.parametrize("room", MAY)
def test_a_room_imports_only_whom_it_may(room):
    files = sorted((ROOT / room).rglob("*.py"))
    assert files
    wrong = {
        str(path.relative_to(ROOT)): sorted(found)
        for path in files
        if (found := imported(path) & (set(MAY) - MAY[room] - {room}))
    }
    assert not wrong


def test_analytics_touches_no_disk_no_clock_no_screen():
    forbidden = {"os", "pathlib", "shutil", "subprocess", "time", "logging", "tqdm"}
    wrong = {}
    for path in sorted((ROOT / "analytics").rglob("*.py")):
        calls = {
            node.func.id if isinstance(node.func, ast.Name) else node.func.attr
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name | ast.Attribute)
        }
        found = (imported(path) & forbidden) | (
            calls & {"open", "print", "read_csv", "read_parquet", "scan_parquet", "now", "today"}
        )
        if found:
            wrong[path.name] = sorted(found)
    assert not wrong
