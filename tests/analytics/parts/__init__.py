"""Tests of analytics/parts."""
