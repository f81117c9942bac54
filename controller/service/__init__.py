"""The shell around the play clock: one timer, the drivers, the order of things in a turn.

May import: rules, rulebook, status, recovery, journal, drivers.base.
"""
