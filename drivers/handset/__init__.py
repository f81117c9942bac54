"""Drivers of handsets and keys."""
