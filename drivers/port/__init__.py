"""Byte pipes: a real serial port, and a simulated line in memory."""
