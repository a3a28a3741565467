"""Tests of pipelines/ingest."""
