"""The demo's faults are all named on its last day, and nothing healthy is."""

import gzip

import polars as pl
import pytest

from remanence.analytics.conditions.diagnosis import diagnose
from remanence.analytics.history import History
from remanence.analytics.pairing.rules import pair
from remanence.sample_data.generate import write_demo
from remanence.shared.tables import SIGNALS
from remanence.shared.venue_file import parse_venue
from remanence.shared.weeks import Week

ASKS_FOR_HANDS = ("now", "week", "plan")


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    truth = write_demo(folder)
    venue = parse_venue((folder / "venue.toml").read_text())
    records = pl.concat([
        pl.read_csv(gzip.decompress(path.read_bytes()), schema_overrides={"value": pl.Float64})
        for path in sorted((folder / "logs").glob("*.csv.gz"))
    ]).with_columns(
        pl.col("time").str.to_datetime("%Y-%m-%dT%H:%M:%S%.3fZ", time_unit="us", time_zone="UTC"),
        run=pl.lit(0),
    )
    tables = pair(SIGNALS.conform(records), venue).tables()
    service = pl.read_csv(folder / "service.csv", try_parse_dates=True)
    history = History.of(venue, Week.of(truth.end), service=service, **tables)
    return truth, diagnose(history)


def test_every_standing_fault_is_named(told):
    truth, findings = told
    said = {(finding.subject, finding.condition) for finding in findings}
    standing = {(fault.subject, fault.condition) for fault in truth.standing(truth.end)}
    assert standing - said == set()


def test_nothing_is_said_of_what_is_healthy_or_mended(told):
    truth, findings = told
    faulty = {fault.subject for fault in truth.standing(truth.end)}
    assert [
        (finding.subject, finding.condition) for finding in findings
        if finding.urgency in ASKS_FOR_HANDS and finding.subject not in faulty
    ] == []


def test_what_may_keep_people_in_comes_first(told):
    _, findings = told
    first = [finding.subject for finding in findings if finding.urgency == "now"]
    assert {"parlour-door", "tower-stair"} <= set(first)


def test_steps_are_dated_close_to_the_truth(told):
    truth, findings = told
    since = {(f.subject, f.condition): f.since for f in findings}
    for fault in truth.standing(truth.end):
        if fault.kind != "step" or fault.since == truth.start:
            continue
        found = since[fault.subject, fault.condition]
        assert found is not None, fault.subject
        assert abs((found - fault.since).days) <= 10, (fault, found)
