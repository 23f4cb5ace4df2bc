"""Wheels on crank and camshaft: teeth from volts, crank angle from teeth."""
