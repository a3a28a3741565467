"""Text on its way to a terminal: lines of 100 columns, and colour only where a person watches."""

from __future__ import annotations

import io

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from remanence.shared.terminal import WIDTH, coloured, fitted, printable


class Watched(io.StringIO):
    def isatty(self) -> bool:
        return True


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.text(st.characters(codec="ascii", categories=["L", "N"]), min_size=1,
                        max_size=30), min_size=1, max_size=40))
def test_no_line_is_wider_and_no_word_is_lost(words):
    text = fitted("  " + " ".join(words))
    assert all(len(line) <= WIDTH for line in text.splitlines())
    assert text.split() == words


def test_a_path_stays_whole_however_long():
    path = "/a" * 80
    assert path in fitted(f"Health report: {path}").split()


def test_what_a_line_goes_on_with_is_set_in():
    made = fitted("  " + "word " * 40).splitlines()
    assert all(line.startswith("      word") for line in made[1:])


@pytest.mark.parametrize(("environment", "stream", "expected"), [
    ({}, Watched(), True), ({}, io.StringIO(), False), ({"NO_COLOR": "1"}, Watched(), False),
    ({"NO_COLOR": ""}, Watched(), True), ({"TERM": "dumb"}, Watched(), False),
])
def test_colour_is_for_a_person_who_watches(monkeypatch, environment, stream, expected):
    """no-color.org: a NO_COLOR that is set and not empty means none."""
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    text = "  Do not use  a: Catch sticks\nnothing"
    assert ("\x1b[" in coloured(text, stream)) == expected


def test_no_sign_out_of_a_log_colours_anything():
    assert "\x1b" not in printable("\x1b[31mred")
