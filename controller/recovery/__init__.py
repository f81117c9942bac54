"""Going on after a restart: checkpoints in tmpfs, and what a start makes of the newest.

May import: rules, journal's rows, drivers.base.
"""
