"""Tests of analytics/statistics."""
