"""Modbus RTU frames of the few functions that a display needs, by pymodbus."""

from __future__ import annotations

from typing import NamedTuple

from drivers.base import DriverError, FrameError

EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    6: "server device busy",
}
"""MODBUS application protocol V1.1b3, 7."""
BUSY = 6


class Response(NamedTuple):
    """What a unit answered: the value read or written, or the number of its exception."""

    value: int | None
    exception: int = 0


class Frames:
    """Makes requests and reads answers. Raises :class:`DriverError` without pymodbus."""

    def __init__(self, name: str) -> None:
        try:
            from pymodbus.framer import FramerRTU  # noqa: PLC0415 - only a configured one loads it
            from pymodbus.pdu import DecodePDU, register_message  # noqa: PLC0415
        except ImportError as error:
            raise DriverError(f"{name}: the Python package pymodbus is not installed") from error
        self._messages = register_message
        self._framer = FramerRTU(DecodePDU(is_server=False))

    def write(self, unit: int, register: int, value: int, function: int) -> bytes:
        """Ask ``unit`` to hold ``value``, with function 6 or 16."""
        kinds = {
            6: self._messages.WriteSingleRegisterRequest,
            16: self._messages.WriteMultipleRegistersRequest,
        }
        return self._framer.buildFrame(
            kinds[function](dev_id=unit, address=register, registers=[value])
        )

    def read(self, unit: int, register: int, function: int) -> bytes:
        """Ask ``unit`` for one register, with function 3 or 4."""
        kinds = {
            3: self._messages.ReadHoldingRegistersRequest,
            4: self._messages.ReadInputRegistersRequest,
        }
        return self._framer.buildFrame(kinds[function](dev_id=unit, address=register, count=1))

    def answer(self, request: bytes, data: bytes) -> Response | None:
        """The answer to ``request`` among the bytes heard since; None while there is none.

        Raises :class:`FrameError` when what came answers something else.
        """
        function = request[1]
        if function != 6 and data.startswith(request):  # the adapter hears itself
            data = data[len(request) :]
        try:
            _, pdu = self._framer.handleFrame(data, request[0], 0)
        except Exception as error:  # the library raises several of its own on odd bytes
            raise FrameError(f"answer {data.hex(' ')}: {error}") from error
        if pdu is None:
            return None
        if pdu.function_code & 0x7F != function:
            raise FrameError(f"answer {data.hex(' ')}: not of function {function}")
        if pdu.isError():
            return Response(None, int(getattr(pdu, "exception_code", 0)))
        if function in (3, 4):
            if len(pdu.registers) != 1:
                raise FrameError(f"answer {data.hex(' ')}: {len(pdu.registers)} registers, not 1")
            return Response(pdu.registers[0])
        if pdu.address != int.from_bytes(request[2:4], "big"):
            raise FrameError(f"answer {data.hex(' ')}: speaks of register {pdu.address}")
        if function == 6 and pdu.registers[0] != int.from_bytes(request[4:6], "big"):
            raise FrameError(f"answer {data.hex(' ')}: another value than was written")
        return Response(int.from_bytes(request[-4:-2], "big"))
