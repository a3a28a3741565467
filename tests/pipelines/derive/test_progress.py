"""Somebody who watches sees how far the pairing of a long log has come."""

from __future__ import annotations

import io

import pytest

from remanence.pipelines.derive import derive as deriving
from remanence.pipelines.sheets.refresh import take_in
from tests.durability.small_venue import make


class Screen(io.StringIO):
    def __init__(self, watched: bool) -> None:
        super().__init__()
        self.watched = watched

    def isatty(self) -> bool:
        return self.watched


@pytest.mark.parametrize(("watched", "least", "shown"), [
    (True, 1, True), (False, 1, False), (True, 10**9, False),
])
def test_the_pairing_of_a_long_log_shows_how_far_it_is(
        tmp_path, monkeypatch, watched, least, shown):
    screen = Screen(watched)
    monkeypatch.setattr("sys.stderr", screen)
    monkeypatch.setattr(deriving, "WATCHED_ROWS", least)
    take_in(make(tmp_path / "house", days=6))
    text = screen.getvalue()
    assert ("pairing" in text) == shown
    if shown:
        assert "100%" in text
