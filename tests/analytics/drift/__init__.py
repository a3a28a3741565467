"""Tests of analytics/drift."""
