"""A house to take logs into, for the tests of ingest."""

import pytest

from tests.pipelines.ingest.house import House


@pytest.fixture
def house(tmp_path):
    return House(tmp_path)
