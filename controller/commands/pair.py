"""``playclock pair``: give a handset its keys by cable, list the handsets paired, revoke one.

Exit codes: 0 done, 1 the handset was not paired, 2 a mistake in the command line, the
configuration or the key file. The key file changes at the very end, or not at all.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from controller.clock import boottime
from controller.config.load import load_config
from controller.config.model import Config
from controller.outcome import DONE, FOUND_WRONG, MISTAKE, plain
from controller.service.event_loop import UrgentLoop
from drivers.base import Port, PortError
from drivers.handset.key_change import KeyChange, Owner
from drivers.handset.keys import (
    FIRST_HANDSET,
    LAST_HANDSET,
    Keys,
    fingerprint,
    load_keys,
    new_key,
)
from drivers.handset.layouts import LAYOUTS
from drivers.handset.pairing import PairingCable, PairingError
from drivers.handset.pairing_messages import Here, Paired
from drivers.port.serial_port import SerialPort

BAUD = 38400
SHORTEST_WAIT_S, LONGEST_WAIT_S = 0.1, 600.0
RESTART = "systemctl restart playclock"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of ``pair``."""
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--config", type=Path, metavar="FILE", help="the installation (TOML)")
    where.add_argument("--key-file", type=Path, metavar="FILE", help="the key file alone")
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--handset", type=_number, metavar="N", help="pair this handset (1-254)")
    what.add_argument("--list", action="store_true", help="which handsets have a key; never a key")
    what.add_argument("--revoke", type=_number, metavar="N", help="take this handset's key away")
    what.add_argument(
        "--renew-broadcast",
        action="store_true",
        help="a new key for what all handsets are told: all have to be paired again",
    )
    parser.add_argument("--port", metavar="PORT", help="serial port of the cable, for --handset")
    parser.add_argument(
        "--wait-s",
        type=_seconds,
        default=60.0,
        metavar="S",
        help="how long to wait for the handset (default: 60)",
    )


def _number(text: str) -> int:
    if text.isascii() and text.isdigit() and len(text) <= len(str(LAST_HANDSET)):
        value = int(text)
        if FIRST_HANDSET <= value <= LAST_HANDSET:
            return value
    raise argparse.ArgumentTypeError(f"{text!r}: must be {FIRST_HANDSET} to {LAST_HANDSET}")


def _seconds(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not SHORTEST_WAIT_S <= value <= LONGEST_WAIT_S:
        allowed = f"{SHORTEST_WAIT_S:g} to {LONGEST_WAIT_S:g}"
        raise argparse.ArgumentTypeError(f"{text!r}: must be {allowed} seconds")
    return value


def run(args: argparse.Namespace) -> int:
    """Pair, list or revoke; gives the exit code."""
    try:
        place = _place(args)
        if args.list:
            return _list(place)
        with KeyChange(place.path, place.owner) as change:
            if args.revoke is not None:
                return _revoke(place, change, args.revoke)
            if args.renew_broadcast:
                return _renew(place, change)
            return _pair(place, change, args)
    except (ValueError, OSError) as error:
        print(f"playclock pair: {_advised(error)}", file=sys.stderr)
        return MISTAKE


@dataclass(frozen=True, slots=True)
class Place:
    """The key file, whose it shall be, and the installation it belongs to, if one was named."""

    path: Path
    owner: Owner | None = None
    config: Config | None = None

    def layout(self, number: int) -> str | None:
        """The keys that a handset has by the configuration."""
        handsets = self.config.handsets if self.config else ()
        for each in handsets:
            if each.id == number and each.port:
                return each.layout
        return None

    @property
    def source(self) -> str:
        """The configuration's own name."""
        return self.config.source if self.config else "the configuration"

    @property
    def wanted(self) -> list[int]:
        """The handsets that the configuration wants paired."""
        handsets = self.config.handsets if self.config else ()
        return sorted(each.id for each in handsets if each.port)


def _place(args: argparse.Namespace) -> Place:
    if args.handset is not None and args.port is None:
        raise ValueError("--handset wants the --port of the cable")
    if args.handset is None and args.port is not None:
        raise ValueError(f"--port {args.port}: only pairing (--handset) uses a cable")
    if args.config is None:
        return Place(args.key_file)
    config = load_config(args.config)
    if config.key_file is None:
        raise ValueError(f"{config.source}: key_file: none is named")
    taken = {each.port for each in config.boards} | {each.port for each in config.handsets}
    if args.port is not None and args.port in taken:
        raise ValueError(f"--port {args.port}: {config.source} has boards or a receiver there")
    try:
        there = config.state_folder.stat()
    except OSError:
        return Place(config.key_file, None, config)
    return Place(config.key_file, (there.st_uid, there.st_gid), config)


def _list(place: Place) -> int:
    keys = load_keys(place.path)
    print(f"broadcast    key {fingerprint(keys.broadcast)}")
    wanted = place.wanted
    for number in sorted({*keys.handset, *wanted}):
        named = f"handset {number}".ljust(12)
        if number not in keys.handset:
            print(f"{named} no key: pair it, the service does not start without")
            continue
        note = "" if place.config is None or number in wanted else "  not in the configuration"
        print(f"{named} key {fingerprint(keys.handset[number])}{note}")
    if not keys.handset and not wanted:
        print("no handset is paired")
    return DONE


def _revoke(place: Place, change: KeyChange, number: int) -> int:
    keys = change.keys
    if keys is None or number not in keys.handset:
        there = _numbers(keys.handset if keys else ())
        raise ValueError(f"{place.path}: handset {number} has no key; handsets with one: {there}")
    rest = {each: key for each, key in keys.handset.items() if each != number}
    _put(change, Keys(keys.broadcast, rest))
    print(f"Handset {number} has no key any more in {place.path}.")
    if number in place.wanted:
        print(f"  First take handset {number} out of {place.source}, or pair another one as it:")
        print("  the service does not start with a handset that has no key.")
    print(f"  A service that runs still obeys it: {RESTART} (the count goes on).")
    print("  If it is lost: it knows the broadcast key, and who has it can tell the handsets,")
    print("  never the boards, something wrong. Between games: playclock pair --renew-broadcast,")
    print(f"  then pair again: {_numbers(rest)}.")
    return DONE


def _renew(place: Place, change: KeyChange) -> int:
    before = () if change.keys is None else change.keys.handset
    _put(change, Keys(new_key(), {}))
    print(f"A new broadcast key is in {place.path}; no handset is paired with it.")
    print("  Pair each handset before the next start: the service does not start without.")
    print(f"  To pair: {_numbers({*before, *place.wanted})}. Leave out what is lost.")
    return DONE


def _put(change: KeyChange, keys: Keys) -> None:
    change.prepare(keys)
    change.commit()


def _numbers(handsets: Iterable[int]) -> str:
    return ", ".join(str(each) for each in sorted(handsets)) or "none"


def _pair(place: Place, change: KeyChange, args: argparse.Namespace) -> int:
    pairing = Pairing(place, change, args.handset, args.wait_s)
    try:
        with asyncio.Runner(loop_factory=UrgentLoop) as runner:
            runner.run(pairing.run(SerialPort(args.port, BAUD, clock=boottime)))
    except (PairingError, PortError) as error:
        print(f"playclock pair: {error}", file=sys.stderr)
        return FOUND_WRONG
    finally:
        if not pairing.done:
            print(f"{place.path} is as it was.", file=sys.stderr)
        if pairing.doubtful:
            print(
                f"Handset {args.handset} may have new keys that nothing else has: "
                "pair it again before it is used.",
                file=sys.stderr,
            )
    return DONE


class Pairing:
    """One handset, from the first question to the key file in its place."""

    def __init__(self, place: Place, change: KeyChange, number: int, wait_s: float) -> None:
        self._place, self._change = place, change
        self._number, self._wait_s = number, wait_s
        self.done = self.doubtful = False

    async def run(self, port: Port) -> None:
        """Pair the handset behind ``port``. Raises :class:`PairingError`, :class:`PortError` and
        ``OSError``."""
        number = self._number
        async with PairingCable(port) as cable:
            _say(f"Pairing handset {number} at {port.name}: switch it off, put the cable into")
            _say("its radio's socket, hold 40 and UNDO, and switch it on. The cable carries the")
            _say("keys in clear: use your own, where nobody else has a hand on it.")
            here = await cable.find(self._wait_s)
            _say(
                f"There is a handset of {here.layout} keys, firmware {here.revision}, {_is(here)}."
            )
            self._fits(here)
            paired = self._prepared()
            self.doubtful = True
            await cable.give(paired)
        self._change.commit()
        self.done, self.doubtful = True, False
        named = fingerprint(paired.handset_key)
        _say(f"Paired: handset {number} has proved that it holds key {named}.")
        _say("Switch it off and put its radio back in.")
        if self._place.config is not None and number not in self._place.wanted:
            _say(f"{self._place.config.source} does not name handset {number} yet.")
        _say(f"The service takes the new key at its next start: {RESTART}")

    def _fits(self, here: Here) -> None:
        """Is it the handset that was meant?"""
        layout = self._place.layout(self._number)
        if layout is not None and len(LAYOUTS[layout]) != here.layout:
            raise PairingError(
                f"handset {self._number} has {len(LAYOUTS[layout])} keys by {self._place.source}"
                f", this one has {here.layout}: another handset is on the cable"
            )
        keys = self._change.keys
        if keys is None or here.number == self._number:
            return
        known = keys.handset.get(here.number)
        if known is not None and here.proves(Paired(here.number, known, keys.broadcast)):
            raise PairingError(
                f"this is handset {here.number} of {self._place.path}, not {self._number}: "
                f"put the right one on the cable, or revoke {here.number} first"
            )

    def _prepared(self) -> Paired:
        """The new keys, in a file that waits beside the old one."""
        keys = self._change.keys
        broadcast = new_key() if keys is None else keys.broadcast
        own = new_key()
        others = {} if keys is None else keys.handset
        self._change.prepare(Keys(broadcast, {**others, self._number: own}))
        return Paired(self._number, own, broadcast)


def _is(here: Here) -> str:
    return f"paired as handset {here.number}" if here.number else "not paired yet"


def _say(line: str) -> None:
    print(line, flush=True)


def _advised(error: Exception) -> str:
    """The error, and what to do where that is plain."""
    advice = " (run this with sudo)" if isinstance(error, PermissionError) else ""
    return plain(error) + advice
