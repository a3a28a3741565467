"""Tests of pipelines/derive."""
