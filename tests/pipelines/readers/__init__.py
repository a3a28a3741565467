"""Tests of pipelines/readers."""
