"""From the time left to the numerals shown. Said once, here.

A count shows the ceiling of the seconds left: 40 for the whole first second, 0 exactly at expiry.
Whole seconds, as the boards on the field show them (common practice, no source).
"""

from __future__ import annotations

SECOND_NS = 1_000_000_000


def numerals(remaining_ns: int, total_s: int) -> int:
    """Numerals, 0 to ``total_s``, for ``remaining_ns`` nanoseconds of a count of ``total_s`` s.

    A count that has not begun (a start lag) shows its full number.
    """
    return max(0, min(total_s, -(-remaining_ns // SECOND_NS)))


def next_change_at(expires_at: int, shown: int) -> int:
    """When a running count that shows ``shown`` (1 or more) will show one less."""
    return expires_at - (shown - 1) * SECOND_NS
