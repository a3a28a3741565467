"""What a finding says, for tests: its sentences by id, and what goes into them."""

from __future__ import annotations


def ids(finding):
    """Ids of the sentences."""
    return {item.id for item in finding.says}


def values(finding):
    """Everything that goes into the sentences, by name."""
    return {name: value for item in finding.says for name, value in item.values.items()}
