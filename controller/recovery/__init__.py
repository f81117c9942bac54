"""Going on after a restart: every moment kept in tmpfs, and what a start makes of it.

May import: rules, journal's rows, drivers.base.
"""
