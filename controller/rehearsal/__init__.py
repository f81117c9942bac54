"""A sequence of presses in virtual time, through gestures and play clock, line by line. Pure.

May import: rules, rulebook.
"""
