"""Tests of analytics/clocks."""
