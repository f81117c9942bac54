"""Drivers of end-zone boards."""
