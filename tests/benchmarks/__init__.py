"""Benchmarks: what the service costs over a floor that is measured in the same run.

Run one from the checkout, with an interpreter that has pyserial::

    python3 -m tests.benchmarks.latency
    python3 -m tests.benchmarks.lateness
    python3 -m tests.benchmarks.startup
    python3 -m tests.benchmarks.footprint
    python3 -m tests.benchmarks.night

Times of a shared machine do not repeat; ratios to the floor do, roughly. So a benchmark prints
ratios beside their goals, and no test asserts on a time.
"""
