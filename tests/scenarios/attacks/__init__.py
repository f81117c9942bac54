"""Attacks by the rows of ``hardware/THREATS.md`` and the rules of ``hardware/PROTOCOL.md``.

Written from those pages alone, with frames of the tests' own (``tests.shared.frames``). Each attack
counts its attempts; ``python -m tests.scenarios.attacks`` prints the table, from the same functions
that the tests run.
"""
