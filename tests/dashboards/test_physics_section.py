"""The physics on the pages: every sentence has its words, in each language, and its numbers."""

import inspect
import re
import tomllib
from datetime import UTC, datetime
from importlib import resources
from zoneinfo import ZoneInfo

import pytest

from remanence.analytics.health import physics_locks, physics_supplies
from remanence.analytics.health.physics_locks import physics_of
from remanence.analytics.health.physics_model import (
    CHANGE,
    Curve,
    LockPhysics,
    Quantity,
    Remark,
    SupplyPhysics,
)
from remanence.dashboards.page import LANGUAGES, language
from remanence.dashboards.physics_section import (
    lock_physics_figures,
    sentence,
    shown,
    supply_physics_figures,
    topics,
)
from remanence.shared.weeks import Week
from tests.dashboards import small_venue

ZONE = ZoneInfo("Europe/Lisbon")


def words(code):
    folder = resources.files("remanence.dashboards") / "words"
    text = (folder / f"{code}.physics.toml").read_text("utf-8")
    return tomllib.loads(text)["physics"]


def keys(table, prefix=""):
    for key, value in table.items():
        if isinstance(value, dict):
            yield from keys(value, f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}", value


def test_both_languages_say_the_same_things():
    spoken = [dict(keys(words(code))) for code in LANGUAGES]
    assert spoken[0].keys() == spoken[1].keys()
    for key in spoken[0]:
        slots = [{part.split("}")[0] for part in text[key].split("{")[1:]} for text in spoken]
        assert slots[0] - {"time"} == slots[1] - {"time"}, key


@pytest.mark.parametrize("code", LANGUAGES)
def test_a_sentence_carries_its_numbers_as_people_write_them(code):
    lang = language(code)
    said = Remark("heat", "heat.estimated", {
        "celsius": Quantity(48.08, "°C", 36.5, 71.2),
        "time": datetime(2026, 7, 1, 18, 0, tzinfo=UTC)}, True)
    text = sentence(said, lang, ZONE)
    assert "48\N{NO-BREAK SPACE}°C" in text
    assert "36–71\N{NO-BREAK SPACE}°C" in text
    assert "19:00" in text  # summer time in Lisbon
    assert "{" not in text
    margin = sentence(Remark("heat", "heat.margin", {
        "kelvin": Quantity(71.92, "°C"), "limit": Quantity(120.0, "°C")}), lang, ZONE)
    assert "72\N{NO-BREAK SPACE}°C" in margin


def test_topics_keep_their_order_and_gather_their_sentences():
    lang = language("en")
    says = (Remark("off", "off.blind", {}), Remark("heat", "heat.not_on", {}),
            Remark("off", "off.quiet", {"looked": 3}))
    found = topics(says, lang, ZONE)
    assert [topic.title for topic in found] == ["Switching off", "Coil heat"]
    assert len(found[0].sentences) == 2
    guess = topics((Remark("hold", "heat.not_on", {}, True),), lang, ZONE)
    assert guess[0].title == "Holding force (estimate)"


def test_no_number_is_finer_than_it_can_mean():
    lang = language("en")
    assert shown(Quantity(0.12149, "Ω", 0.1177, 0.1254), lang) == "0.12\N{NO-BREAK SPACE}Ω"
    assert shown(Quantity(94.254, "°C"), lang) == "94\N{NO-BREAK SPACE}°C"
    assert shown(Quantity(4.111, "min"), lang) == "4\N{NO-BREAK SPACE}min"
    assert shown(Quantity(0.52, "min"), lang) == "30\N{NO-BREAK SPACE}s"
    # A change has its sign; none has none.
    assert shown(Quantity(87.2, f"%{CHANGE}", 83.0, 104.0), lang) == "+87%"
    assert shown(Quantity(-80.0, f"%{CHANGE}", -92.0, -68.0), lang) == "\N{MINUS SIGN}80%"
    assert shown(Quantity(1e-8, f"%{CHANGE}", 0.0, 1e-7), lang)[0] == "0"


CURVE = Curve((1.0, 2.0), (3.0, 4.0), (2.0, 3.0), (4.0, 5.0), 1.5)


def lock_item(**more):
    empty = dict.fromkeys((
        "heat", "measured_celsius", "fit", "loaded_volts", "explained", "branch",
        "cable", "hold", "switch_off", "sag", "sag_error", "release_curve", "hold_curve",
        "branch_curve"))
    return LockPhysics(**(empty | {"lock": "a", "says": (), "off_weeks": ()} | more))


def supply_item(**more):
    empty = dict.fromkeys((
        "resistance", "rail", "company", "safe_together", "reset_together",
        "drift_volts_per_week", "recovery_ms", "ripple_volts", "battery", "together_curve",
        "battery_curve"))
    fixed = {"supply": "r", "resistance_estimated": True, "resistance_weeks": (), "sags": 0,
             "together": (), "says": ()}
    return SupplyPhysics(**(empty | fixed | more))


@pytest.mark.parametrize("code", LANGUAGES)
def test_figures_are_drawn_where_there_is_something(code):
    lang = language(code)
    assert lock_physics_figures(lock_item(), lang) == []
    assert supply_physics_figures(supply_item(), lang) == []
    assert len(lock_physics_figures(lock_item(release_curve=CURVE, hold_curve=CURVE), lang)) == 2
    weeks = tuple((Week(2026, number), Quantity(0.1, "Ω", 0.09, 0.11)) for number in (1, 2))
    assert len(lock_physics_figures(lock_item(branch_curve=CURVE, off_weeks=weeks), lang)) == 2
    assert lock_physics_figures(lock_item(off_weeks=weeks[:1]), lang) == []
    drawn = supply_physics_figures(supply_item(
        together_curve=CURVE, battery_curve=CURVE, resistance_weeks=weeks), lang, "x--")
    assert len(drawn) == 3
    assert all('id="x--' in figure for figure in drawn)


def test_every_sentence_of_a_venue_is_said_in_both_languages():
    history = small_venue.history()
    summary = physics_of(history)
    items = [*summary.locks.values(), *summary.supplies.values()]
    says = [said for item in items for said in item.says]
    assert len({said.key for said in says}) > 8
    for code in LANGUAGES:
        for said in says:
            text = sentence(said, language(code), ZONE)
            assert "{" not in text
            assert not text[0].islower()
            assert text.endswith(".")


def test_whatever_may_be_said_has_its_words():
    source = inspect.getsource(physics_locks) + inspect.getsource(physics_supplies)
    topic_names = "|".join(words("en")["topic"])
    keys_said = set(re.findall(rf'"((?:{topic_names})\.[a-z_]+)"', source))
    # Two keys are put together where they are said.
    keys_said |= {"together.some_none", "together.over_none"}
    assert len(keys_said) > 30
    for code in LANGUAGES:
        missing = [key for key in sorted(keys_said) if not language(code).has(f"physics.{key}")]
        assert missing == []
