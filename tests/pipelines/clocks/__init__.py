"""Tests of pipelines/clocks."""
