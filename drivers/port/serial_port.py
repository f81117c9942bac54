"""A serial port that never blocks the event loop, and any other descriptor that behaves like one.

pyserial opens and configures the line and is loaded only then. Bytes go through ``os.read`` and
``os.write`` on the non-blocking descriptor: pyserial's own ``write`` waits, or spins, while the
port is full.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import fcntl
import importlib
import os
import struct
import sys
import termios
from typing import Any

from drivers.base import Clock, Parity, PortError, PortListener, Rs485, StopBits
from drivers.port.background_call import BackgroundCall

READ_BYTES = 1024
"""Read in one go: at worst (a delimiter every other byte) 0.5 ms of work on a PC."""
PATIENCE_S = 0.001
"""How long the event loop waits for a port to close, and to open again: far below 5 ms in all.

Most take 0.1 ms. But a close waits for bytes that do not leave, up to 30 s (``closing_wait`` of
struct tty_port, Linux drivers/tty/tty_port.c), with some USB adapters always 0.1 s
(``drain_delay``, same file); and an open talks with the adapter, which may have died.
"""

# struct serial_struct and its flag, Linux include/uapi/linux/serial.h and tty_flags.h.
_SERIAL_STRUCT_BYTES = 128  # 72 are used on a 64-bit machine
_FLAGS_OFFSET = 16
_ASYNC_LOW_LATENCY = 1 << 13


class FdPort:
    """A port over a descriptor that is open already: a pty's master, a pipe of both ways.

    It owns ``fd`` from the start and closes it in :meth:`close`. A pty's master counts as hung up
    while nobody has its slave open: who plays a device keeps one slave descriptor open.
    """

    def __init__(self, name: str, fd: int | None, *, clock: Clock) -> None:
        self._name = name
        self._fd = fd
        self._clock = clock
        self._listener: PortListener | None = None
        self._loop: asyncio.AbstractEventLoop | None = None

    @property
    def name(self) -> str:
        return self._name

    def open(self, listener: PortListener) -> None:
        """Start to listen. Raises :class:`PortError` when the descriptor is closed."""
        if self._fd is None:
            raise PortError(f"{self._name}: closed")
        os.set_blocking(self._fd, False)
        self._listener = listener
        self._loop = asyncio.get_running_loop()
        add_reader = getattr(self._loop, "add_urgent_reader", self._loop.add_reader)
        add_reader(self._fd, self._readable)

    def write(self, data: bytes) -> int:
        """Hand over what the port takes now; 0 when it is full, lost or closed."""
        if self._listener is None or self._fd is None:
            return 0
        try:
            taken = os.write(self._fd, data)
            os.sched_yield()  # a kernel thread may carry the bytes on: let it do so before we go on
            return taken
        except BlockingIOError:
            return 0
        except OSError as error:
            self._lose(error)
            return 0

    def unsent(self) -> int:
        """Bytes in the kernel's queue: a USB adapter's own buffer, or a pty's, is not counted."""
        if self._fd is None:
            return 0
        try:
            answer = fcntl.ioctl(self._fd, termios.TIOCOUTQ, b"\0\0\0\0")
        except OSError:  # no such request here, or the line has hung up
            return 0
        return int.from_bytes(answer, sys.byteorder)

    def flush(self) -> None:
        if self._fd is None:
            return
        try:
            termios.tcflush(self._fd, termios.TCOFLUSH)
        except termios.error as error:
            raise PortError(f"{self._name}: cannot flush: {error.args[-1]}") from error

    def close(self) -> None:
        """Close the descriptor; a second time does nothing. The listener hears no more."""
        self._stop_reading()
        self._listener = None
        if self._fd is not None:
            self._close_fd(self._fd)
            self._fd = None

    def _close_fd(self, fd: int) -> None:
        os.close(fd)

    def _stop_reading(self) -> None:
        if self._loop is not None and self._fd is not None:
            self._loop.remove_reader(self._fd)

    def _readable(self) -> None:
        at = self._clock()
        listener = self._listener
        if listener is None or self._fd is None:
            return
        try:
            data = os.read(self._fd, READ_BYTES)
        except BlockingIOError:
            return
        except OSError as error:
            self._lose(error)
            return
        if data:
            listener.bytes_received(data, at)
        else:
            self._lose(OSError(errno.EIO, "hung up"))

    def _lose(self, error: OSError) -> None:
        """Stop at once, since a reader of a hung-up tty is called without end; then tell."""
        self._stop_reading()
        listener, self._listener = self._listener, None
        if listener is not None and self._loop is not None:
            lost = PortError(f"{self._name}: lost: {error.strerror or error}")
            # Not from here: a writer shall not be called back from inside its own write.
            self._loop.call_soon(self._tell_lost, listener, lost)

    def _tell_lost(self, listener: PortListener, error: PortError) -> None:
        if self._fd is not None:  # nobody closed it in between
            listener.port_lost(error)


class SerialPort(FdPort):
    """A serial port at ``path``, opened for this process alone, 8 bits, with ``parity`` and
    one or two stop bits.

    ``rs485`` says who turns an RS-485 line around: "adapter" for one that does it by itself,
    "kernel" where the UART driver drives RTS. After :meth:`open`, ``low_latency`` tells whether
    the port hands over received bytes at once (USB adapters wait up to 16 ms otherwise); None
    where the port has no such setting.
    """

    def __init__(
        self,
        path: str,
        baud: int = 38400,
        *,
        rs485: Rs485 = "adapter",
        parity: Parity = "none",
        stop_bits: StopBits = 1,
        clock: Clock,
    ) -> None:
        super().__init__(path, None, clock=clock)
        self._framing = {"parity": parity[0].upper(), "stopbits": stop_bits}
        self._baud = baud
        self._rs485 = rs485
        self.patience_s = PATIENCE_S
        self._device: Any = None
        self._served = False
        self._opening: BackgroundCall[Any] | None = None
        self._closing: BackgroundCall[None] | None = None
        self.low_latency: bool | None = None

    def open(self, listener: PortListener) -> None:
        """Open and configure the port. Raises :class:`PortError`, which names the path.

        The first time it waits as long as that takes. Later others are being served: what takes
        longer than ``patience_s`` goes on beside, with an error, and is there the next time.
        """
        self.close()
        self._device = self._opened_again() if self._served else self._opened()
        self._fd = self._device.fileno()
        try:
            super().open(listener)
        except BaseException:
            self.close()
            raise

    def _opened_again(self) -> Any:
        if self._closing is not None and not self._closing.done(self.patience_s):
            # An open now would wait for it inside the kernel.
            raise PortError(f"{self._name}: cannot open yet: still closing, its bytes do not leave")
        waited = self._opening is not None
        opening = self._opening or BackgroundCall(self._opened, f"open {self._name}")
        if not opening.done(self.patience_s):
            self._opening = opening
            raise PortError(f"{self._name}: cannot open yet: its device takes long to answer")
        self._opening = None
        device = opening.result()
        if waited:
            with contextlib.suppress(termios.error):  # gone again: the first read will tell
                device.reset_input_buffer()
        return device

    def _opened(self) -> Any:
        """The device at the path, configured."""
        self._served = True
        serial = self._pyserial("serial")
        try:
            # inter_byte_timeout 0 sets VMIN to 1: with 0 an empty read would not mean a hang-up.
            device = serial.Serial(
                self._name,
                self._baud,
                timeout=0,
                inter_byte_timeout=0,
                exclusive=True,
                **self._framing,
            )
        except (OSError, ValueError, termios.error) as error:
            raise PortError(f"{self._name}: cannot open: {_plain(error)}") from error
        try:
            if self._rs485 == "kernel":
                self._let_kernel_turn_around(device)
            self.low_latency = set_low_latency(device.fileno())
        except BaseException:
            device.close()
            raise
        return device

    def _pyserial(self, module: str) -> Any:
        try:
            return importlib.import_module(module)
        except ImportError as error:
            raise PortError(
                f"{self._name}: cannot open: the Python package pyserial is not installed"
            ) from error

    def _let_kernel_turn_around(self, device: Any) -> None:
        settings = self._pyserial("serial.rs485").RS485Settings()
        try:
            device.rs485_mode = settings
        except (OSError, ValueError, termios.error) as error:
            raise PortError(
                f"{self._name}: this port's driver cannot turn an RS-485 line around; use an "
                f'adapter that does it by itself and rs485 = "adapter" ({_plain(error)})'
            ) from error

    def _close_fd(self, fd: int) -> None:
        device, self._device = self._device, None

        def close() -> None:
            with contextlib.suppress(OSError):  # EIO: what had not left is lost
                device.close()

        # Needed: a process that ends lets the boards' last frame leave.
        self._closing = BackgroundCall(close, f"close {self._name}", needed=True)
        self._closing.done(self.patience_s)


def set_low_latency(fd: int) -> bool | None:
    """Ask the driver of ``fd`` to hand over each received byte at once.

    Gives whether the setting holds, or None where the port has none (ENOTTY, EINVAL) or we may
    not change it (EPERM).
    """
    state = bytearray(_SERIAL_STRUCT_BYTES)
    try:
        fcntl.ioctl(fd, termios.TIOCGSERIAL, state)
        flags = _flags(state)
        if not flags & _ASYNC_LOW_LATENCY:
            struct.pack_into("=i", state, _FLAGS_OFFSET, flags | _ASYNC_LOW_LATENCY)
            fcntl.ioctl(fd, termios.TIOCSSERIAL, state)
            fcntl.ioctl(fd, termios.TIOCGSERIAL, state)
    except OSError:
        return None
    return bool(_flags(state) & _ASYNC_LOW_LATENCY)


def _flags(state: bytearray) -> int:
    return int(struct.unpack_from("=i", state, _FLAGS_OFFSET)[0])


def _plain(error: BaseException) -> str:
    """The system's own words where there are some: pyserial wraps and quotes them."""
    number = error.args[0] if error.args else None
    return os.strerror(number) if isinstance(number, int) else str(error)
