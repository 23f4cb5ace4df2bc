"""Tests of synthetic."""
