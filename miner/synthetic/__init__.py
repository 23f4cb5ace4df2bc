"""Engines, coils, leads and faults made up, with truth."""
