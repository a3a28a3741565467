"""Tests of analytics/timing."""
