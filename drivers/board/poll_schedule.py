"""When to ask which node what it shows: often enough to trust, seldom enough not to be in the way.

While a node may answer, nothing can be sent, so a change that meets the wait is late by up to
19.3 ms. Hence the calm moments, and hence the bound on the share of time. Pure: ``now`` is passed
in.
"""

from __future__ import annotations

from collections.abc import Iterable

from drivers.base import MS_NS

CALM_NS = 300 * MS_NS
LATEST_CALM_NS = 800 * MS_NS
"""A SHOW asks by choice from 300 to 800 ms after a change: clear of this change and the next."""
ASK_PERIOD_NS = 950 * MS_NS
"""Least time between two questions to one node: about a second, at ten SHOWs a second."""
OVERDUE_NS = 1_300 * MS_NS
"""After this the next SHOW asks, whatever it shows: waiting for its repetition 25 ms later would
meet the next press of a busy keeper more often, not less."""
REPLY_SHARE = 0.03
"""Most of the time that waits for answers may take together: two boards once a second."""
WINDOW_NS = 14_200_000
"""From the first byte of a SHOW to the end of the answer that it asks for (PROTOCOL.md)."""
LONGEST_WINDOW_NS = 19_300_000
QUICK_RETRIES = 3
"""How often a node is asked again at each SHOW after a bad answer: enough to find a fault."""
DARK_PERIOD_NS = 250 * MS_NS
"""How often a node that answers badly is asked while all are dark: nothing that the boards show can
be late then, and a board that is back shall light up within the time that allows it."""


class PollSchedule:
    """Chooses the node that the next SHOW asks.

    The one not asked for longest, about once a second, at a calm moment; where changes leave none,
    with the first SHOW after 1.3 s. After a bad
    answer with each SHOW that changes nothing, three times; then at the usual pace again, so that
    a dead board does not hold up the others, unless all are dark: then four times a second. With
    many nodes each is asked less often, so that all questions together stay within
    ``REPLY_SHARE``.
    """

    def __init__(self, nodes: Iterable[int], now: int) -> None:
        self._asked_at = dict.fromkeys(nodes, now - ASK_PERIOD_NS)
        self._failures = dict.fromkeys(self._asked_at, 0)
        self._changed_at = now
        self._idle_until = now
        self._dark = False

    def next_node(self, now: int, changes: bool, dark: bool = False) -> int:
        """Give the node to ask with a SHOW that goes out now, 0 for none.

        ``changes`` says that it shows something new, ``dark`` that it shows nothing.
        """
        if dark is not self._dark:
            self._dark, self._idle_until = dark, now
        if changes:
            self._changed_at = now
            if not dark and now - min(self._asked_at.values()) < OVERDUE_NS:
                return 0
        if now < self._idle_until:
            return 0
        retries = [] if changes else [n for n in self._asked_at if self._retries(n)]
        if retries:
            return min(retries, key=self._asked_at.__getitem__)
        node = min(self._asked_at, key=lambda n: self._asked_at[n] + self._period_ns(n))
        since_ask_ns = now - self._asked_at[node]
        if since_ask_ns < self._period_ns(node):
            return 0
        if dark and self._failures[node]:
            return node
        since_change_ns = now - self._changed_at
        calm = CALM_NS <= since_change_ns <= LATEST_CALM_NS or since_change_ns >= OVERDUE_NS
        return node if calm or since_ask_ns >= OVERDUE_NS else 0

    def asked(self, node: int, now: int) -> None:
        self._asked_at[node] = now

    def answered(self, node: int, right: bool) -> None:
        """Take note of an answer, or with ``right`` False of a wrong or missing one."""
        self._failures[node] = 0 if right else self._failures[node] + 1
        self._idle_until = (
            0
            if any(map(self._retries, self._asked_at))
            else min(at + self._period_ns(n) for n, at in self._asked_at.items())
        )

    def _retries(self, node: int) -> bool:
        return 1 <= self._failures[node] <= QUICK_RETRIES

    def _period_ns(self, node: int) -> int:
        if self._dark and self._failures[node]:
            return DARK_PERIOD_NS
        window_ns = LONGEST_WINDOW_NS if self._failures[node] else WINDOW_NS
        return max(ASK_PERIOD_NS, round(len(self._asked_at) * window_ns / REPLY_SHARE))
