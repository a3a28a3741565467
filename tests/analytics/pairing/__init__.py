"""Tests of analytics/pairing."""
