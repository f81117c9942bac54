"""Soaks: the service kept running for long, to see that nothing in it grows and nothing slows.

``day`` plays 24 hours in virtual time, where a leak of one object a refresh or a press shows by its
count; ``minutes`` plays 20 minutes with the real process on ptys, where memory, processor time,
wake-ups and lateness are those of the machine. ``flood`` does the same while a stranger's
transmitter fills the receiver's port. Run the first two, or what is named, from the checkout with
an interpreter that has pyserial::

    python3 -m tests.scenarios.soak [--hours 24] [--minutes 20] [--flood 10]

Times of a shared machine do not repeat. So the end of a run is held against its own beginning, and
lateness against a bare event loop that runs beside it.
"""
