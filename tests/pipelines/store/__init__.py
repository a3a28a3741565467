"""Tests of pipelines/store."""
