"""Tests of analytics/conditions."""
