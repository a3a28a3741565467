"""Whatever a log is made up of: a record, a reject with a reason, or a plain message.

The fuzzer that is guided by coverage is in tests/fuzz; this one makes up logs out of likely parts.
"""

from __future__ import annotations

import contextlib
import time
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from remanence.shared.errors import RemanenceError
from tests.fuzz.targets import forms, read_all

FORMS = forms()


def try_all(form, path):
    with contextlib.suppress(RemanenceError):
        read_all(form, path)


CELL = st.one_of(
    st.sampled_from([
        "2026-11-02T18:03:11.482Z", "2026-11-02 18:03", "1970-01-01T00:00:00Z", "1793642591482",
        "north/q1", "rail-a", "command", "volts", "1", "0", "11.62", "nan", "-inf", "1e308",
        "1e999", "-0", "0x10", "1_000", "", " ", '"', '""', "=1+1", "<script>", "null", "true", "١",
        "\u2028", "\x00", "\ud7ff", "9" * 400, "-9223372036854775809", "{}", "[", "\\", "#", "time",
    ]),
    st.text(max_size=12),
)
LINE = st.lists(CELL, max_size=7)


@settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data(), title=st.sampled_from(sorted(FORMS)))
def test_made_up_logs(tmp_path_factory, data, title):
    form = FORMS[title]
    lines = data.draw(st.lists(LINE, max_size=6))
    joint = data.draw(st.sampled_from([",", ";", "\t", " ", form.log.delimiter]))
    tail = "\n".join(joint.join(cells) for cells in lines).encode("utf-8", "surrogatepass")
    raw = data.draw(st.binary(max_size=20))
    path = tmp_path_factory.getbasetemp() / "made-up"
    path.write_bytes(data.draw(st.sampled_from([form.good, b"", form.good[:40]])) + tail + raw)
    try_all(form, path)


@pytest.mark.parametrize("title", ["The default layout", "JSON Lines"])
def test_a_million_channels_take_no_age(tmp_path, title):
    form = FORMS[title]
    count = 30_000
    path = Path(tmp_path / "many")
    if form.log.format == "csv":
        body = "".join(f"2026-11-02T18:03:11Z,x{i}/q,command,1\n" for i in range(count))
        path.write_text("time,channel,quantity,value\n" + body)
    else:
        frame = pl.DataFrame({"channel": [f"x{i}/q" for i in range(count)]}).with_columns(
            time=pl.lit("2026-11-02T18:03:11Z"), quantity=pl.lit("command"), value=1)
        frame.write_ndjson(path)
    begun = time.process_time()
    assert read_all(form, path) >= count
    assert time.process_time() - begun < 20
