"""Stops a process at each of its system calls: ptrace(2), without a tool to install.

PTRACE_GET_SYSCALL_INFO (Linux 5.3) says which call it is on any machine; only the calls' numbers
differ. A thread that is killed at the entry of a call never makes it (ptrace(2), "Syscall-stops":
a fatal signal pending after an entry stop cancels the call); ``test_ptrace.py`` holds it to that.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import platform
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from tests.shared.program import ROOT

_SYSCALL, _SEIZE, _INTERRUPT, _LISTEN, _GET_SYSCALL_INFO = 24, 0x4206, 0x4207, 0x4208, 0x420E
_TRACESYSGOOD, _TRACECLONE, _EXITKILL = 0x1, 0x8, 0x10_0000
_EVENT_STOP = 128
_SYSCALL_STOP = signal.SIGTRAP | 0x80
_WALL = 0x4000_0000
_JOB_CONTROL = {signal.SIGSTOP, signal.SIGTSTP, signal.SIGTTIN, signal.SIGTTOU}

# Linux: arch/x86/entry/syscalls/syscall_64.tbl and include/uapi/asm-generic/unistd.h
_NUMBERS = {
    "x86_64": {
        0: "read", 1: "write", 3: "close", 5: "fstat", 8: "lseek", 9: "mmap", 10: "mprotect",
        11: "munmap", 13: "rt_sigaction", 14: "rt_sigprocmask", 16: "ioctl", 17: "pread64",
        18: "pwrite64", 19: "readv", 20: "writev", 24: "sched_yield", 28: "madvise", 39: "getpid",
        72: "fcntl", 73: "flock", 74: "fsync", 75: "fdatasync", 76: "truncate", 77: "ftruncate",
        82: "rename", 83: "mkdir", 87: "unlink", 91: "fchmod", 107: "geteuid", 202: "futex",
        228: "clock_gettime", 230: "clock_nanosleep", 232: "epoll_wait", 233: "epoll_ctl",
        257: "openat", 258: "mkdirat", 262: "newfstatat", 263: "unlinkat", 264: "renameat",
        281: "epoll_pwait", 285: "fallocate", 290: "eventfd2", 305: "clock_adjtime",
        316: "renameat2", 332: "statx",
    },
    "aarch64": {
        63: "read", 64: "write", 57: "close", 80: "fstat", 62: "lseek", 222: "mmap",
        226: "mprotect", 215: "munmap", 134: "rt_sigaction", 135: "rt_sigprocmask", 29: "ioctl",
        67: "pread64", 68: "pwrite64", 65: "readv", 66: "writev", 124: "sched_yield",
        233: "madvise", 172: "getpid", 25: "fcntl", 32: "flock", 82: "fsync", 83: "fdatasync",
        45: "truncate", 46: "ftruncate", 52: "fchmod", 175: "geteuid", 98: "futex",
        113: "clock_gettime", 115: "clock_nanosleep", 21: "epoll_ctl", 56: "openat",
        34: "mkdirat", 79: "newfstatat", 35: "unlinkat", 38: "renameat", 22: "epoll_pwait",
        47: "fallocate", 19: "eventfd2", 266: "clock_adjtime", 276: "renameat2", 291: "statx",
    },
}  # fmt: skip


class _Info(ctypes.Structure):
    """struct ptrace_syscall_info of ptrace(2)."""

    _fields_ = [
        ("op", ctypes.c_uint8),
        ("pad", ctypes.c_uint8 * 3),
        ("arch", ctypes.c_uint32),
        ("instruction_pointer", ctypes.c_uint64),
        ("stack_pointer", ctypes.c_uint64),
        ("words", ctypes.c_uint64 * 8),
    ]


@dataclass(frozen=True, slots=True)
class Call:
    """One stop of a thread at a system call. ``result`` is None at its entry, else what it
    returned: a negative error number when it failed."""

    thread: int
    name: str
    arguments: tuple[int, ...]
    result: int | None = None


class TracedError(Exception):
    """The kernel does not let us trace; the message has its reason."""


class Traced:
    """All threads of the running child process ``pid``, which leads a process group, from now on.

    Everything is done by the Python thread that made this.
    """

    def __init__(self, pid: int) -> None:
        self.pid = pid
        self.status: int | None = None
        """How the process ended, as of waitpid(2); None while it runs."""
        self._libc = ctypes.CDLL(None, use_errno=True)
        self._libc.ptrace.argtypes = [
            ctypes.c_long,
            ctypes.c_long,
            ctypes.c_void_p,
            ctypes.c_void_p,
        ]
        self._libc.ptrace.restype = ctypes.c_long
        self._names = _NUMBERS.get(platform.machine(), {})
        if not self._names:
            raise TracedError(f"the calls of {platform.machine()} are not known here")
        self._entered: dict[int, Call] = {}
        for thread in sorted(int(each.name) for each in Path(f"/proc/{pid}/task").iterdir()):
            self._ptrace(_SEIZE, thread, 0, _TRACESYSGOOD | _TRACECLONE | _EXITKILL)
            self._ptrace(_INTERRUPT, thread)

    def calls(self) -> Iterator[Call]:
        """Each entry and each return of a call, the thread standing still meanwhile, until the
        process has ended."""
        while self.status is None:
            thread, status = os.waitpid(-self.pid, _WALL)
            if not os.WIFSTOPPED(status):
                if thread == self.pid:
                    self.status = status
                continue
            call = self._call(thread) if os.WSTOPSIG(status) == _SYSCALL_STOP else None
            if call is not None:
                yield call
            self._go_on(thread, status)

    def kill(self) -> None:
        """End the process where it stands: no thread of it makes another call."""
        with contextlib.suppress(ProcessLookupError):
            os.kill(self.pid, signal.SIGKILL)

    def path_of(self, descriptor: int) -> str:
        """What an open descriptor of the process leads to."""
        return str(Path(f"/proc/{self.pid}/fd/{descriptor}").readlink())

    def memory(self, address: int, length: int) -> bytes:
        """Bytes of the process's memory."""
        with Path(f"/proc/{self.pid}/mem").open("rb", buffering=0) as memory:
            memory.seek(address)
            return memory.read(length) or b""

    def text(self, address: int) -> str:
        """A string that ends with a zero byte, such as a path given to a call."""
        found = b""
        while b"\0" not in found:  # page by page: the next one may not exist
            found += self.memory(address + len(found), 4096 - (address + len(found)) % 4096)
        return os.fsdecode(found.split(b"\0")[0])

    def _call(self, thread: int) -> Call | None:
        info = _Info()
        try:
            self._ptrace(_GET_SYSCALL_INFO, thread, ctypes.sizeof(info), ctypes.addressof(info))
        except ProcessLookupError:  # killed meanwhile
            return None
        if info.op == 1:
            number, *arguments = info.words[:7]
            call = Call(thread, self._names.get(number, f"call {number}"), tuple(arguments))
            self._entered[thread] = call
            return call
        entered = self._entered.pop(thread, None)
        if entered is None:  # it was in this call when we came
            return None
        result = ctypes.c_int64(info.words[0]).value
        return Call(thread, entered.name, entered.arguments, result)

    def _go_on(self, thread: int, status: int) -> None:
        event, number = status >> 16, os.WSTOPSIG(status)
        request, deliver = _SYSCALL, 0
        if event == _EVENT_STOP and number in _JOB_CONTROL:
            request = _LISTEN  # a stop of the whole process: it stays stopped
        elif event == 0 and number != _SYSCALL_STOP:
            deliver = number
        with contextlib.suppress(ProcessLookupError):  # killed meanwhile
            self._ptrace(request, thread, 0, deliver)

    def _ptrace(self, request: int, thread: int, address: int = 0, data: int = 0) -> None:
        if self._libc.ptrace(request, thread, address, data) < 0:
            error = ctypes.get_errno()
            if request == _SEIZE:
                raise TracedError(f"ptrace of {thread}: {os.strerror(error)}")
            raise OSError(error, os.strerror(error))


@contextlib.contextmanager
def started(*arguments: str) -> Iterator[tuple[Traced, IO[bytes]]]:
    """A Python program, and its standard output, traced from where it waits for a line, which then
    comes. It tells that it waits by the line "ready"."""
    with subprocess.Popen(
        [sys.executable, *arguments],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        process_group=0,
    ) as program:
        assert program.stdin is not None and program.stdout is not None
        assert program.stdout.readline() == b"ready\n"
        traced = Traced(program.pid)
        program.stdin.write(b"go\n")
        program.stdin.close()
        yield traced, program.stdout
