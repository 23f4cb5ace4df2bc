"""Tests of pipelines."""
