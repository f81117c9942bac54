"""The pure rules core: no asyncio, no clock, no input or output, no logging.

Time comes in as an argument; the core names its next deadline and never waits. May import: nothing
of ours.
"""
