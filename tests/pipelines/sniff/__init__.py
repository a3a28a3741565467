"""Tests of pipelines/sniff."""
