"""A service put together from a configuration, or the simulator.

May import: all but commands, console and check.
"""
