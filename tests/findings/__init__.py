"""Tests of findings."""
