"""The designer's sheet: its page, its script against the program, its files for the controller."""

from __future__ import annotations

import csv
import json
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
import ruamel.yaml
import yaml
from hypothesis import example, given
from hypothesis import strategies as st

from remanence.analytics.timing.answer import lock_answer
from remanence.analytics.timing.gather import answer_json, group_json, timing
from remanence.analytics.timing.model import RISKS, TARGETS, key
from remanence.analytics.timing.together import together
from remanence.dashboards.page import language
from remanence.dashboards.timing_code import (
    c_header,
    stems,
    yaml_number,
    yaml_string,
    yaml_text,
)
from remanence.dashboards.timing_formats import share
from remanence.dashboards.timing_sheet import render_timing, target_text
from remanence.shared.limits import Limits
from tests.analytics.timing.timing_venue import history_of, venue_of
from tests.dashboards.timing_sample import many_times, sheet_of_every_kind

WIDTHS = {"phone": (390, 844), "desk": (1280, 900)}


@pytest.fixture(scope="module")
def sheet():
    return sheet_of_every_kind()


@pytest.fixture(scope="module")
def folder(sheet, tmp_path_factory):
    target = tmp_path_factory.mktemp("timing")
    for name, content in render_timing(sheet, Limits()).items():
        (target / name).parent.mkdir(parents=True, exist_ok=True)
        (target / name).write_bytes(content)
    return target


@pytest.fixture
def opened(browser, folder):
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto((folder / "index.html").as_uri())
    yield page
    page.close()


def test_every_kind_of_answer_is_in_the_sample(sheet):
    assert {answer.pulse.state for answer in sheet.answers} == {
        "good", "tight", "none", "door", "too-few"}
    assert {model.basis for model in sheet.models} == {"own", "borrowed", "none"}
    assert sheet.groups


# --- the page's script against the program ----------------------------------------------------

ASK = """([lock, target, risk, slow, cue]) => {
  const data = JSON.parse(document.getElementById('timing-data').textContent);
  const model = data.locks.find(item => item.lock === lock);
  return RemanenceTiming.lockAnswer(data, model, target, risk, slow, cue);
}"""

ASK_GROUP = """([names, volts, low, target]) => {
  const data = JSON.parse(document.getElementById('timing-data').textContent);
  const locks = names.map(name => data.locks.find(item => item.lock === name));
  return RemanenceTiming.together(data, locks, volts, low, target);
}"""


def _same(found: object, expected: object, place: str) -> None:
    """Equal to the last digit; numbers compared as numbers, 3 and 3.0 alike."""
    if isinstance(expected, dict):
        assert isinstance(found, dict), place
        for name, value in expected.items():
            _same(found[name], value, f"{place}.{name}")
    elif isinstance(expected, list | tuple):
        assert len(found) == len(expected), place
        for i, value in enumerate(expected):
            _same(found[i], value, f"{place}[{i}]")
    elif isinstance(expected, float) and not float(expected).is_integer():
        # Powers may differ in the last bit between two libraries; nothing shown does.
        assert found == pytest.approx(expected, rel=1e-12, abs=0), place
    else:
        assert found == expected, place


def test_the_page_answers_for_each_lock_as_the_program_does(opened, sheet):
    rng = np.random.default_rng(1)
    asked = 0
    for model in sheet.models:
        for target in TARGETS:
            risk = float(rng.choice(RISKS))
            for volts in (None, 9.6, 10.9, 11.6, 12.0, 12.37, 13.2):
                answer = lock_answer(model, sheet.settings, target=target, risk=risk,
                                     slow_volts=volts, cue_volts=volts)
                found = opened.evaluate(ASK, [model.lock, key(target), key(risk), volts, volts])
                _same(found, answer_json(answer), f"{model.lock} {target} {risk} {volts}")
                asked += 1
    assert asked == len(sheet.models) * len(TARGETS) * 7


def test_the_page_answers_for_groups_as_the_program_does(opened, sheet):
    rng = np.random.default_rng(2)
    names = [model.lock for model in sheet.models]
    by_name = {model.lock: model for model in sheet.models}
    for _ in range(25):
        picked = [str(n) for n in rng.choice(names, size=int(rng.integers(2, 7)), replace=False)]
        volts = {"rail-a": [None, 12.0, 11.63, 10.45][int(rng.integers(4))]}
        low = volts if rng.random() < 0.5 else {"rail-a": 11.6}
        target = float(rng.choice(TARGETS))
        expected = together([by_name[n] for n in picked], sheet.rails, sheet.settings,
                            volts=volts, low_volts=low, target=target)
        found = opened.evaluate(ASK_GROUP, [picked, volts, low, key(target)])
        wanted = group_json(expected)
        del wanted["joint"]
        _same(found, wanted, f"{picked} {volts} {low}")


def test_what_is_shown_at_first_is_what_the_tables_show(opened, sheet):
    opened.click("[data-pick=all]")
    for model in sheet.models:
        for field in ("pulse", "opens", "retry", "retries", "stuck", "sound", "light"):
            place = f'[data-test="{{}}-{model.lock}"] [data-test={field}]'
            assert opened.locator(place.format("try")).inner_text() == opened.locator(
                place.format("lock")).inner_text(), (model.lock, field)


def test_picking_changes_the_answers_at_once_and_without_a_server(opened, sheet):
    requests = []
    opened.on("request", lambda request: requests.append(request.url))
    opened.click("[data-pick=none]")
    assert opened.locator("#try-answers").inner_text() == language("en")("timing.try.pick")
    opened.check('input[value="chart-drawer"]')
    pulse = opened.locator('[data-test="try-chart-drawer"] [data-test=pulse]')
    usual = pulse.inner_text()
    opened.select_option("select[name=target]", "0.9")
    assert pulse.inner_text() != usual
    opened.select_option("select[name=target]", "0.999")
    assert pulse.inner_text() == usual
    opened.uncheck("input[name=range]")
    slider = opened.locator("input[data-supply=rail-a]")
    slider.fill("10.4")
    assert int(pulse.inner_text().split()[0]) > int(usual.split()[0])
    assert language("en")("timing.try.outside") in opened.locator(".try-rail output").inner_text()
    opened.check('input[value="bell-drawer"]')
    assert opened.locator("[data-test=try-together]").count() == 1
    assert requests == []


def test_what_is_picked_stands_in_the_address_and_comes_back_from_it(browser, opened):
    opened.click("[data-pick=none]")
    opened.check('input[value="chart-drawer"]')
    opened.select_option("select[name=target]", "0.95")
    opened.uncheck("input[name=range]")
    opened.locator("input[data-supply=rail-a]").fill("10.4")
    shared = opened.url
    answers = opened.locator("#try-answers").inner_text()
    page = browser.new_page()
    page.goto(shared)
    assert page.locator("#try-answers").inner_text() == answers
    assert [box.input_value() for box in page.locator("input[name=lock]:checked").all()] == [
        "chart-drawer"]
    page.close()


def test_a_room_can_be_picked_and_the_rest_is_out_of_sight(opened, sheet):
    rooms = {model.lock: model.room for model in sheet.models}
    room = sheet.models[0].room
    if len(set(rooms.values())) == 1:
        pytest.skip("the sample has one room")
    opened.select_option("#room-filter select", room)
    for lock, own in rooms.items():
        seen = opened.locator(f'[data-test="lock-{lock}"]').is_visible()
        assert seen is (own == room), lock
    assert "room=" in opened.url


def test_the_answers_can_be_saved_as_a_file(opened):
    opened.click("[data-pick=none]")
    opened.check('input[value="chart-drawer"]')
    opened.select_option("select[name=target]", "0.95")
    with opened.expect_download() as saved:
        opened.click("#try-save")
    rows = list(csv.DictReader(saved.value.path().read_text(encoding="utf-8").splitlines()))
    assert [row["lock"] for row in rows] == ["chart-drawer"]
    assert rows[0]["release_target_share"] == "0.95"
    shown = opened.locator('[data-test="try-chart-drawer"] [data-test=pulse]').inner_text()
    assert float(rows[0]["pulse_recommended_ms"]) == float(shown.split()[0].replace(",", ""))


def test_each_answer_is_to_the_chance_that_was_asked_for(opened, sheet):
    lang = language("en")
    opened.click("[data-pick=all]")
    for target in ("0.9", "0.999"):
        opened.select_option("select[name=target]", target)
        for model in sheet.models:
            answer = lock_answer(model, sheet.settings, target=float(target),
                                 slow_volts=sheet.rails[model.supply].low_volts)
            cell = opened.locator(f'[data-test="try-{model.lock}"] td').nth(1).inner_text()
            met = lang("timing.met", target=target_text(float(target), lang), expected="")
            assert (met.rstrip() in cell) is (answer.pulse.stated is not None
                                              and answer.pulse.stated >= float(target)), model.lock
            if answer.pulse.expected is not None:
                assert share(answer.pulse.expected, lang) in cell, model.lock


def test_the_form_works_from_the_keyboard(opened):
    opened.focus('input[value="bell-drawer"]')
    opened.keyboard.press("Space")
    assert opened.locator('[data-test="try-bell-drawer"]').count() == 1


@pytest.mark.parametrize(("width", "scheme"), [("phone", "light"), ("desk", "dark")])
def test_the_page_is_accessible_quiet_and_asks_nobody(browser, folder, width, scheme):
    from axe_playwright_python.sync_playwright import Axe

    size = WIDTHS[width]
    context = browser.new_context(viewport={"width": size[0], "height": size[1]},
                                  color_scheme=scheme)
    page = context.new_page()
    complaints, requests = [], []
    page.on("console", lambda message: complaints.append(message.text)
            if message.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("request", lambda request: requests.append(request.url))
    page.goto((folder / "index.html").as_uri())
    page.click("[data-pick=all]")
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    assert all(figure.is_visible() for figure in page.locator(".chart").all())
    results = Axe().run(page, options={"preload": False, "resultTypes": ["violations"]})
    assert results.violations_count == 0, results.generate_report()
    assert complaints == []
    assert all(url.startswith((folder.as_uri(), "data:", "blob:")) for url in requests)
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    context.close()


# --- the page without a browser ---------------------------------------------------------------


class _Text(HTMLParser):
    def __init__(self, page: bytes) -> None:
        super().__init__()
        self.text, self.urls, self.tags = "", [], []
        self.feed(page.decode())

    def handle_data(self, data: str) -> None:
        self.text += data

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.urls += [value or "" for name, value in attrs if name in ("src", "href")]


@pytest.mark.parametrize("code", ["en", "de"])
def test_the_same_numbers_give_the_same_bytes_and_nothing_is_fetched(sheet, code):
    files = render_timing(sheet, Limits(), language_code=code)
    assert files == render_timing(sheet, Limits(), language_code=code)
    page = _Text(files["index.html"])
    assert [url for url in page.urls if "//" in url] == []
    for url in page.urls:
        assert url.startswith(("#", "data:")) or url in files, url
    assert not re.search(r"\{\w+\}", re.sub(r"<script.*?</script>", "", files[
        "index.html"].decode(), flags=re.S)), "a blank was not filled in"


def test_names_are_text_and_reasons_are_words(sheet):
    body = render_timing(sheet, Limits())["index.html"]
    page = _Text(body)
    assert "cupboard <b>7</b>" in page.text
    assert b"cupboard <b>" not in body
    assert "No pulse does both" in page.text
    assert "a person's push" in page.text
    assert "On an exit route: it must open by hand" in page.text
    assert "no safety device" in page.text


def test_sixty_locks_stay_light(sheet):
    many = many_times(sheet, 63)
    assert len(render_timing(many, Limits())["index.html"]) < 600_000


def test_an_empty_venue_still_makes_a_page():
    from remanence.shared.weeks import Week

    empty = timing(history_of(venue_of(), week=Week(2026, 20)))
    page = _Text(render_timing(empty, Limits())["index.html"])
    assert "no command" in page.text


# --- for the controller -----------------------------------------------------------------------


def test_the_header_compiles_and_says_how_each_value_was_found(sheet, tmp_path):
    text = c_header(sheet, "0.1.0")
    answer = sheet.answers[0]
    assert f"#define LOCK_CHART_DRAWER_PULSE_MS {answer.pulse.recommended_ms:.0f}" in text
    assert f"#define LOCK_CHART_DRAWER_RETRY_AFTER_MS {answer.wait.retry_ms:.0f}" in text
    assert str(sheet.first_day) in text
    assert str(sheet.last_day) in text
    assert "LOCK_SHORT_DRAWER_PULSE_MS" not in text  # No pulse does both: nothing to use.
    assert "NO RECOMMENDED VALUE: no pulse does both" in text
    assert "LOCK_STORE_DOOR_OFF_TIME_MS" in text
    assert "LOCK_STORE_DOOR_CUE_SOUND" not in text  # From its feedback.
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        pytest.skip("no C compiler")
    (tmp_path / "timing.h").write_text(text)
    names = re.findall(r"#define (\w+) ", text)
    assert len(names) == len(set(names))
    uses = "".join(f"long use_{i} = {name};\n" for i, name in enumerate(names))
    (tmp_path / "main.c").write_text('#include "timing.h"\n#include "timing.h"\n' + uses)
    subprocess.run([compiler, "-std=c89", "-pedantic", "-Wall", "-Wextra", "-Werror",
                    "-fsyntax-only", str(tmp_path / "main.c")], check=True)


def test_hostile_names_stay_inside_their_comments(sheet, tmp_path):
    name = 'a */ int x; /* "\\\n#define Y'
    hostile = replace(
        sheet, venue_name=name, models=(replace(sheet.models[0], lock=name, room=name),),
        answers=(replace(sheet.answers[0], lock=name),), groups=())
    text = c_header(hostile, "0.1.0")
    assert len(re.findall(r"^#define \w+_MS", text, flags=re.M)) == 8 - 1
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler:
        (tmp_path / "main.c").write_text(text + "\nint main(void) { return 0; }\n")
        subprocess.run([compiler, "-std=c89", "-pedantic", "-Wall", "-Werror", "-fsyntax-only",
                        str(tmp_path / "main.c")], check=True)
    assert list(yaml.safe_load(yaml_text(hostile, "0.1.0"))["locks"]) == [name]


def test_identifiers_are_never_alike():
    names = ["a-b", "a_b", "A b", "7", "Größe", "", "日本"]
    chosen = stems(names)
    assert len(set(chosen.values())) == len(names)
    assert all(re.fullmatch(r"LOCK_[A-Z0-9_]+", stem) for stem in chosen.values())


def test_the_yaml_holds_the_same_values_with_units_in_their_names(sheet):
    text = yaml_text(sheet, "0.1.0")
    read = yaml.safe_load(text)
    assert list(read["locks"]) == [model.lock for model in sheet.models]
    for model, answer in zip(sheet.models, sheet.answers, strict=True):
        values = read["locks"][model.lock]
        name = "off_time_ms" if model.magnet else "pulse_ms"
        assert values.get(name) == answer.pulse.recommended_ms
        assert values.get("retry_after_ms") == answer.wait.retry_ms
        assert values["state"] == answer.pulse.state
    assert read["data_first_day"] == str(sheet.first_day)
    assert read["groups"][0]["delay_ms"]
    assert "# from " in text
    assert "# borrowed: " in text
    assert all(line.isprintable() for line in text.splitlines())


def read_by_1_1(text):
    return yaml.safe_load(text)


def read_by_1_2(text):
    return ruamel.yaml.YAML(typ="safe", pure=True).load(text)


@pytest.mark.parametrize("read", [read_by_1_1, read_by_1_2])
@given(text=st.text(st.characters(exclude_categories=["Cs"]), max_size=40),
       number=st.floats(0, 1e15, allow_subnormal=False))
@example(text="\U0001f5dd the key", number=1e-05)
@example(text="no", number=1e6)
@example(text="\x85\u2028\ufeff\x00: #", number=0.0)
def test_readers_of_either_yaml_find_every_text_and_number_as_it_was(read, text, number):
    """YAML 1.1 and 1.2.2, each by a reader of its own."""
    line = f"{yaml_string(text)}: [{yaml_string(text)}, {yaml_number(number)}]\n"
    (key, (value, figure)), = read(line).items()
    assert key == value == text
    assert not isinstance(figure, str)
    assert figure == pytest.approx(number, rel=1e-5, abs=0)


def test_the_json_is_plain(sheet):
    assert json.loads(json.dumps(sheet.as_json(), allow_nan=False))["locks"][0]["answer"]


def test_every_word_that_the_script_uses_is_in_the_page(sheet):
    body = render_timing(sheet, Limits())["index.html"].decode()
    held = json.loads(re.search(
        r'id="timing-data">(.*?)</script>', body, flags=re.S)[1])["words"]
    from remanence.dashboards.page import resource

    script = resource("timing_page.js")
    used = set(re.findall(r'words\["([^"]+)"\]', script))
    used |= set(re.findall(r"\bwords\.(\w+)", script))
    used |= set(re.findall(r'fill\("([^"]+)"', script))
    used |= set(re.findall(r'"((?:group|none|falls|mend)[._][\w.-]+)"', script))
    used -= {"none_", "falls_", "change."}
    assert len(used) > 30
    assert used <= set(held), used - set(held)
