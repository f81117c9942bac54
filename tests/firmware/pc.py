"""The board node's logic on this computer, with sanitizers: lines to ``pc_node.c`` and back."""

from __future__ import annotations

import functools
import subprocess
from dataclasses import dataclass
from pathlib import Path

from tests.firmware.building import FIRMWARE, HERE, PC_FLAGS, SANITIZERS, program

LOGIC = (FIRMWARE / "board" / "node.c", FIRMWARE / "common" / "frame.c", HERE / "pc_hal.c")
Process = subprocess.Popen[str]
INCLUDES = (f"-I{FIRMWARE / 'board'}", f"-I{FIRMWARE / 'common'}", f"-I{HERE}")


@dataclass(frozen=True, slots=True)
class Seen:
    """A node after a line: lamps that are lit as (tens, units), and its counts."""

    digits: tuple[int, int]
    brightness: int
    latches: int
    answers: int
    answer: bytes
    refused: int
    foreign: int


@functools.cache
def node_program() -> Path:
    """The program of ``pc_node.c``."""
    flags = [*PC_FLAGS, *SANITIZERS, *INCLUDES]
    return program("pc-node", [HERE / "pc_node.c", *LOGIC], flags)


def say(process: Process, line: str) -> str:
    """What the program answers to a line."""
    assert process.stdin and process.stdout
    process.stdin.write(line + "\n")
    process.stdin.flush()
    told = process.stdout.readline()
    assert told, f"the program died of {line!r}; its report is on standard error"
    return told.rstrip("\n")


def seen(line: str) -> Seen:
    """What the program's answer says."""
    lamps, brightness, latches, sent, answer, refused, foreign = line.split()
    tens, units = bytes.fromhex(lamps)
    return Seen(
        (tens, units),
        int(brightness),
        int(latches),
        int(sent),
        bytes.fromhex(answer[:-1]),
        int(refused),
        int(foreign),
    )
