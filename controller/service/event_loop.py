"""An event loop that serves the path from press to board before anything else.

A file descriptor given to :meth:`UrgentLoop.add_urgent_reader` has its callback called from inside
the wait itself, before the loop looks at timers and queues a handle for each ready descriptor. On
an idle machine, whose caches are cold, that detour costs more than authenticating the press.
"""

from __future__ import annotations

import asyncio
import contextlib
import select
import selectors
from collections.abc import Callable, Mapping
from typing import Any


class UrgentSelector(selectors.BaseSelector):
    """``epoll(7)`` with urgent readers. ``failed`` is told what a callback of theirs raises."""

    def __init__(self) -> None:
        self._epoll = select.epoll()
        self._keys: dict[int, selectors.SelectorKey] = {}
        self._urgent: dict[int, Callable[[], None]] = {}
        self.failed: Callable[[Exception], None] = lambda error: None

    def add_urgent(self, fd: int, callback: Callable[[], None]) -> None:
        """Call ``callback`` whenever ``fd`` can be read or has hung up."""
        self._epoll.register(fd, select.EPOLLIN)
        self._urgent[fd] = callback

    def remove_urgent(self, fd: int) -> bool:
        """Undo :meth:`add_urgent`; False for a descriptor that has no urgent reader."""
        if self._urgent.pop(fd, None) is None:
            return False
        self._epoll.unregister(fd)
        return True

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """Wait, serve urgent readers, and give the rest, as every selector does."""
        ready = []
        for fd, event in self._wait(timeout):
            callback = self._urgent.get(fd)
            if callback is None:
                key = self._keys.get(fd)
                if key is not None:
                    ready.append((key, _mask(event) & key.events))
                continue
            try:
                callback()
            except Exception as error:
                self.failed(error)
        return ready

    def _wait(self, timeout: float | None) -> list[tuple[int, int]]:
        try:
            # Rounded up to a millisecond, epoll's resolution, so that no timer is met too early.
            wait_s = -1 if timeout is None else max(0, -(-timeout * 1000 // 1)) / 1000
            return self._epoll.poll(wait_s)
        except InterruptedError:
            return []

    def register(self, fileobj: Any, events: int, data: Any = None) -> selectors.SelectorKey:
        """As every selector."""
        fd = fileobj if isinstance(fileobj, int) else fileobj.fileno()
        if fd in self._keys:
            raise KeyError(f"{fileobj!r} (FD {fd}) is already registered")
        self._epoll.register(fd, _epoll_mask(events))
        key = self._keys[fd] = selectors.SelectorKey(fileobj, fd, events, data)
        return key

    def unregister(self, fileobj: Any) -> selectors.SelectorKey:
        """As every selector."""
        key = self.get_key(fileobj)
        del self._keys[key.fd]
        with contextlib.suppress(OSError):  # closed before: epoll has forgotten it by itself
            self._epoll.unregister(key.fd)
        return key

    def modify(self, fileobj: Any, events: int, data: Any = None) -> selectors.SelectorKey:
        """As every selector."""
        key = self.get_key(fileobj)
        if events != key.events:
            self._epoll.modify(key.fd, _epoll_mask(events))
        changed = self._keys[key.fd] = key._replace(events=events, data=data)
        return changed

    def get_key(self, fileobj: Any) -> selectors.SelectorKey:
        """As every selector."""
        fd = fileobj if isinstance(fileobj, int) else fileobj.fileno()
        try:
            return self._keys[fd]
        except KeyError:
            raise KeyError(f"{fileobj!r} is not registered") from None

    def get_map(self) -> Mapping[Any, selectors.SelectorKey]:
        """As every selector; urgent readers are not in it."""
        return self._keys

    def close(self) -> None:
        """Close the ``epoll`` itself."""
        self._epoll.close()
        self._keys.clear()
        self._urgent.clear()


class UrgentLoop(asyncio.SelectorEventLoop):
    """The event loop of the service."""

    def __init__(self) -> None:
        self._urgent_selector = UrgentSelector()
        super().__init__(self._urgent_selector)
        self._urgent_selector.failed = self._urgent_failed

    def add_urgent_reader(self, fd: int, callback: Callable[[], None]) -> None:
        """Call ``callback`` as soon as ``fd`` can be read, before anything else."""
        self._urgent_selector.add_urgent(fd, callback)

    def remove_reader(self, fd: Any) -> bool:
        """Remove a reader of either kind."""
        if isinstance(fd, int) and self._urgent_selector.remove_urgent(fd):
            return True
        return super().remove_reader(fd)

    def _urgent_failed(self, error: Exception) -> None:
        self.call_exception_handler({"message": "an urgent reader failed", "exception": error})


def _mask(event: int) -> int:
    """What an epoll event is to a selector: an error or a hang-up is both."""
    mask = 0
    if event & ~select.EPOLLIN:
        mask |= selectors.EVENT_WRITE
    if event & ~select.EPOLLOUT:
        mask |= selectors.EVENT_READ
    return mask


def _epoll_mask(events: int) -> int:
    mask = select.EPOLLIN if events & selectors.EVENT_READ else 0
    return mask | (select.EPOLLOUT if events & selectors.EVENT_WRITE else 0)
