"""Faults planted into events and into samples."""
