"""Tests of pipelines/sheets."""
