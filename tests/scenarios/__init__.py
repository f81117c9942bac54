"""Scenario suites: whole games, with hardware, software and people that fail."""
