"""Tests of analytics/health."""
