"""The configuration file: read strictly, every fault with its place.

May import: rulebook, drivers' kinds.
"""
