"""The pages as text: what they say, that nothing is missing, that nothing comes from outside."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from html.parser import HTMLParser
from urllib.parse import unquote

import pytest

from remanence.analytics.conditions import catalogue
from remanence.analytics.health.gather import health
from remanence.dashboards.health_report import render_health, render_single_file
from remanence.dashboards.health_words import Speaker
from remanence.dashboards.page import language
from remanence.dashboards.work_sheet import work_sheet
from remanence.shared.findings import Evidence, Finding
from tests.dashboards import small_venue

EMPTY = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source",
         "track", "wbr"}


class Page(HTMLParser):
    """Ids, links and the text by ``data-test``."""

    def __init__(self, content: bytes):
        super().__init__()
        self.ids, self.links, self.text, self._open = [], [], {}, []
        self.whole = ""
        self._raw = False
        self.feed(content.decode())

    def handle_starttag(self, tag, attributes):
        named = dict(attributes)
        if "id" in named:
            self.ids.append(named["id"])
        self.links += [named[key] for key in ("href", "src") if named.get(key)]
        if tag == "script" or tag == "style":
            self._raw = True
        if tag not in EMPTY:
            self._open.append(named.get("data-test"))

    def handle_endtag(self, tag):
        self._raw = False
        if tag not in EMPTY and self._open:
            self._open.pop()

    def handle_data(self, data):
        if self._raw:
            return
        self.whole += data
        for name in {name for name in self._open if name}:
            self.text[name] = self.text.get(name, "") + data


def said(content: bytes) -> str:
    return " ".join(Page(content).whole.split())


def test_the_same_numbers_give_the_same_bytes(busy):
    again = health(small_venue.history(), small_venue.findings(), version="0.1.0")
    once = health(small_venue.history(), small_venue.findings()[::-1], version="0.1.0")
    assert render_health(again) == render_health(once)
    assert render_single_file(busy) == render_single_file(busy)


@pytest.mark.parametrize("code", ["en", "de"])
def test_every_link_leads_somewhere(busy, code):
    files = render_health(busy, code)
    pages = {name: Page(content) for name, content in files.items() if name.endswith(".html")}
    assert len(pages) == 2 + len(busy.locks) + len(busy.supplies)
    reached = set()
    for name, page in pages.items():
        assert len(page.ids) == len(set(page.ids)), f"{name}: an id stands twice"
        for link in page.links:
            if link.startswith("data:"):
                continue
            assert "//" not in link, f"{name}: {link} is outside"
            path, _, anchor = unquote(link).partition("#")
            parts = name.split("/")[:-1] if path else name.split("/")
            for step in path.split("/") if path else ():
                parts = parts[:-1] if step == ".." else [*parts, step]
            target = "/".join(parts)
            assert target in files, f"{name}: {link} leads nowhere"
            reached.add(target)
            if anchor and target in pages and not link.startswith("#s-"):
                assert anchor in pages[target].ids, f"{name}: {link} has no such place"
    assert reached >= set(pages), "a page that no link leads to"


def test_links_of_the_single_file_stay_within_it(busy):
    page = Page(render_single_file(busy))
    assert len(page.ids) == len(set(page.ids))
    for link in page.links:
        if not link.startswith("data:"):
            assert link.startswith("#"), link
            assert link[1:] in page.ids, link


def test_the_front_page_names_lock_fault_sureness_date_and_what_to_bring(busy):
    jobs = Page(render_health(busy)["index.html"]).text["job"]
    first = " ".join(jobs.split("chart-door")[0].split())
    for piece in ("Do not use", "lamp-door", "Lamp room", "Magnet releases late", "590 ms",
                  "was 421 ms", "93% sure", "since 2 Nov",
                  "magnet-l (none in stock)"):
        assert piece in first, piece


@pytest.mark.parametrize("code", ["en", "de"])
@pytest.mark.parametrize("urgency", ["week", "watch"])
def test_every_condition_is_told_of_every_kind_of_subject(code, urgency):
    house = small_venue.venue()
    names = {"lock": house.locks[0].id, "supply": house.supplies[0].id,
             "controller": house.controllers[0], "room": house.rooms[0],
             "part": house.locks[0].part, "venue": house.id}
    for condition in catalogue().values():
        found = [Finding(names[kind], kind, condition.name, urgency, 0.9, date(2026, 11, 9))
                 for kind in condition.subject_kinds]
        made = health(small_venue.history(), found, version="0.1.0")
        text = Page(render_health(made, code)["index.html"]).whole
        for item in found:
            assert (house.name if item.subject_kind == "venue" else item.subject) in text
        work_sheet(Speaker(language(code), made), str)


@pytest.mark.parametrize(("percent", "told"), [
    (131.0, "voltage drop per ampere 131% of before"),
    (446.0, "voltage drop per ampere 4.5 times what it was")])
def test_what_is_twice_as_much_and_more_is_told_as_so_many_times(busy, percent, told):
    found = Finding("rail-a", "supply", "supply-sag", "plan", 0.9, date(2026, 11, 9), None, None,
                    (Evidence("sag-per-ampere-against-before", percent, "%", 140, None, None,
                              100.0),))
    assert Speaker(language("en"), busy).figure(found) == told


def test_two_doors_with_the_same_due_test_are_one_job(busy):
    assert ("chart-door", "gallery-door") in [job.subjects for job in busy.jobs]


def test_a_week_with_nothing_to_do_says_so_and_what_it_rests_on(quiet):
    verdict = " ".join(Page(render_health(quiet)["index.html"]).text["verdict"].split())
    assert verdict.startswith("No jobs this week")
    assert "Log on 7 of 7 days. 9 of 11 locks checked." in verdict


def test_a_week_without_data_never_looks_like_a_healthy_one(silent):
    files = render_health(silent)
    verdict = " ".join(Page(files["index.html"]).text["verdict"].split())
    assert verdict.startswith("No log this week: state unknown")
    assert "No data does not mean good" in verdict
    assert silent.count("good") == 0
    assert "No data does not mean good" in said(files["index.html"])
    assert "No jobs" not in said(files["work-sheet.html"])
    for lock in silent.locks:
        assert lock.state == "too-little-data"


def test_a_week_in_which_nothing_could_be_watched_is_not_called_good():
    house = small_venue.venue()
    blind = replace(house, locks=tuple(replace(lock, contact=None, self_cut=False)
                                       for lock in house.locks))
    page = health(small_venue.history(house=blind, quiet=True), [])
    verdict = Page(render_health(page)["index.html"]).text["verdict"]
    assert "No jobs" not in verdict
    assert "too little data to be sure" in verdict


def test_names_with_markup_are_text(busy):
    for name, content in render_health(busy).items():
        if name.endswith(".html"):
            assert b"<b onmouseover" not in content, name
            assert b"Lamp <i>room" not in content, name
            assert b"<shimmed>" not in content, name


def test_the_lock_page_has_what_the_bench_needs(busy):
    text = said(render_health(busy)["locks/chart-drawer.html"])
    for piece in ("opens when energised (fail-secure)", "Catch sticks", "97% sure",
                  "Could also be: Coil runs hot", "95–108", "Expect:", "If not:",
                  "80% of rated voltage or less", "Before (", "Not answered:",
                  "Typical:", "north/q1, energised at 1", "latch-s"):
        assert piece in text, piece


def test_the_checks_stand_before_the_evidence(busy):
    for page in ("locks/chart-drawer.html", "supplies/rail-a.html"):
        text = said(render_health(busy)[page])
        assert text.index("The fault") < text.index("What to check") < text.index("Figures for:")


def test_an_unobserved_lock_says_why_there_is_nothing_to_see(busy):
    text = said(render_health(busy)["locks/sextant-box.html"])
    assert "No feedback switch is wired" in text
    assert "Not checked" in text


def test_every_condition_has_words_and_a_check_in_every_language():
    for code in ("en", "de"):
        lang = language(code)
        for condition in catalogue().values():
            for part in ("wrong", "means", "bring"):
                assert lang.has(f"condition.{condition.name}.{part}"), (code, condition.name, part)
            for part in ("do", "expect", "means"):
                assert lang.has(f"check.{condition.name}.1.{part}"), (code, condition.name, part)


def test_the_other_language_has_no_english_left(busy):
    files = render_health(busy, "de")
    for name, content in files.items():
        if not name.endswith(".html"):
            continue
        text = said(content)
        for word in (" the ", " before ", " since ", " lock ", "Rail", "week", "Good"):
            assert word not in text, (name, word)
    front = said(files["index.html"])
    assert "Woche 47, 16.–22." in front
    assert "Spule" in said(files["locks/lamp-door.html"])
    assert "seit 2. Nov." in front


def _sheet(page):
    return work_sheet(Speaker(language("en"), page), lambda lock: f"locks/{lock}.html")


def test_the_work_sheet_has_what_must_not_be_used_first_and_then_walks_through_the_rooms(busy):
    sheet = _sheet(busy)
    assert [stop.title for stop in sheet.stops] == [
        "Do not use", "Chart room", "Gallery", "Rails"]
    assert [stop.stops_play for stop in sheet.stops] == [True, False, False, False]
    parts = tuple(part.replace("\xa0", " ") for part in sheet.parts)
    assert parts == ("Holding magnet (magnet-l) (none in stock)",
                     "Spring latch, 12 V (latch-s) (2 in stock)")
    text = said(render_health(busy)["work-sheet.html"])
    assert "remanence service venue.toml LOCK replaced" in text


def test_a_card_has_all_that_the_job_needs(busy):
    cards = Page(render_health(busy)["work-sheet.html"]).text["card"]
    card = " ".join(cards.split("lamp-door")[1].split("chart-drawer")[0].split())
    for piece in ("Lamp room", "south/q2, rail rail-b", "Magnet releases late",
                  "590 ms (575–604), was 421 ms", "since 2 Nov (between 29 Oct and 5 Nov)",
                  "Expect:", "If not:", "Holding magnet (magnet-l)"):
        assert piece in card, piece
    for check in Speaker(language("en"), busy).checks(busy.jobs[0].lead):
        assert check.do in card


def test_no_job_is_left_off_the_work_sheet(busy):
    many = replace(busy, jobs=tuple(
        replace(busy.jobs[0], subjects=(lock.lock.id,), rooms=(lock.lock.room,))
        for lock in busy.locks for _ in range(4)), plans=())
    assert sum(len(stop.cards) for stop in _sheet(many).stops) == 4 * len(busy.locks)


def test_a_release_test_has_a_box_for_passed_and_one_for_failed_at_each_lock(busy):
    text = render_health(busy)["work-sheet.html"].decode()
    for lock in ("chart-door", "gallery-door"):
        for result in ("passed", "failed"):
            assert re.search(rf'<input type="checkbox" data-keep="[^"]*{lock}-{result}">', text)


def test_square_codes_lead_to_the_lock_s_page_where_pages_are_served(busy):
    assert b'class="code"' not in render_health(busy)["work-sheet.html"]
    served = replace(busy, venue=replace(busy.venue, served_at="http://192.168.1.20:8080/"))
    files = render_health(served)
    links = re.findall(r'class="code" href="([^"]*)"', files["work-sheet.html"].decode())
    assert "http://192.168.1.20:8080/reports/2026-W47/locks/lamp-door.html" in links
    for link in links:
        assert link.removeprefix("http://192.168.1.20:8080/reports/2026-W47/") in files


def test_the_code_that_is_drawn_is_the_one_of_the_address(busy):
    import segno

    served = replace(busy, venue=replace(busy.venue, served_at="http://h"))
    text = render_health(served)["work-sheet.html"].decode()
    address = "http://h/reports/2026-W47/locks/lamp-door.html"
    way = re.search(r'd="([^"]*)"', segno.make(address, error="m", micro=False).svg_inline(
        border=4, omitsize=True, dark="#000", light="#fff").partition('stroke="#000"')[2]).group(1)
    assert way in text.partition(f'href="{address}"')[2].partition("</a>")[0]


def test_figures_need_no_script_and_hold_summaries_not_rows(busy):
    content = render_health(busy)["locks/oil-chest.html"].decode()
    assert set(re.findall(r'<figure class="plot" id="([\w-]*)"', content)) >= {
        "latency", "distribution", "volts", "heat", "trace-1"}
    figures = re.findall(r"<figure.*?</figure>", content, re.DOTALL)
    assert all("<svg" in figure and len(figure) < 9000 for figure in figures)
    assert "plotly" not in content.lower()


def test_the_first_figure_shows_the_fault_and_says_so(busy):
    content = render_health(busy)["locks/chart-drawer.html"].decode()
    title = re.search(r'<h3 class="plot-title"[^>]*>(.*?)</h3>', content).group(1)
    assert title.replace("\xa0", " ") == "Catch sticks: 101 ms, was 61 ms"


def test_a_good_lock_s_page_shows_its_weeks_and_folds_the_rest(busy):
    content = render_health(busy)["locks/bell-case.html"].decode()
    before, _, after = content.partition('<details class="more">')
    assert re.findall(r'<figure class="plot" id="([\w-]*)"', before) == ["latency"]
    assert "This week in numbers" in after
    assert "This week in numbers" not in before


def test_a_fault_s_paragraph_does_not_repeat_the_lock_s_name(busy):
    for code, here in (("en", "This lock"), ("de", "Dieses Schloss")):
        content = said(render_health(busy, code)["locks/lamp-door.html"])
        fault = content.partition("93")[2].partition("2 ")[0]
        assert "lamp-door" not in fault
        assert here in content


def test_a_page_tells_a_quantity_once(busy):
    text = said(render_health(busy)["locks/chart-drawer.html"])
    assert "Not answered before" not in text
    told = re.findall(r"Median time to release|Median before", text)
    assert told.count("Median before") <= 1


def test_all_locks_stand_in_one_table_with_what_its_columns_sort_by(busy):
    content = render_health(busy)["index.html"].decode()
    rows = re.findall(r'<tr class="[\w-]+" data-find="([^"]*)"', content)
    assert len(rows) == len(busy.locks)
    assert any("chart room" in row and "catch sticks" in row for row in rows)
    jumps = re.findall(r'<a href="#(room-\d+)">', content)
    assert len(jumps) == len({lock.lock.room for lock in busy.locks})
    assert all(f'id="{place}"' in content for place in jumps)


def test_what_is_new_worse_and_fixed_since_the_last_report_stands_on_top(busy):
    assert b"Since the last report" not in render_health(busy)["index.html"]
    lead = busy.jobs[0].lead
    jobs = (replace(busy.jobs[0], lead=replace(lead, status="worse")),
            *(replace(job, lead=replace(job.lead, status="standing"), others=())
              for job in busy.jobs[1:]))
    over = replace(lead, subject="bell-case", status="ended")
    later = replace(busy, jobs=jobs, ended=(over,), locks=tuple(
        replace(lock, known=replace(lock.known, findings=tuple(
            replace(f, status="standing") for f in lock.findings)))
        for lock in busy.locks))
    page = Page(render_health(later)["index.html"])
    text = " ".join(page.text["since-last"].split())
    assert "1 worse: lamp-door Magnet releases late" in text
    assert "1 fixed: bell-case" in text
    assert " ".join(page.text["job"].split()).count("worse") == 1
