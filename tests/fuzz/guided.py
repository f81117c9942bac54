"""A small fuzzer guided by coverage: what reaches new lines of a parser is kept and changed on.

Inputs come from a corpus, at first the target's seeds, by random changes: bits, bytes, numbers,
words, pieces moved, doubled, dropped or taken from another input. Words are what the parser's own
code compares with (its string constants) and what the target names. The coverage is that of edges
between lines, in the target's modules only (``sys.settrace``). All chance comes from one seed. An
input that fails is shortened and given in hexadecimal, to be run alone:
``python -m tests.fuzz TARGET --input HEX``.

In the manner of "grey-box" fuzzers; the general method as in Zeller and others, "The Fuzzing Book".
"""

from __future__ import annotations

import random
import re
import sys
import types
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

LONGEST_INPUT = 4096
_NUMBERS = (
    b"0 1 -1 9 10 99 100 127 128 255 256 999 65535 65536 4294967296 1e9 1e999 0x7f nan".split()
)
_BYTES = (0x00, 0x01, 0x0A, 0x1B, 0x20, 0x22, 0x30, 0x7F, 0x80, 0xC3, 0xFE, 0xFF)

Check = Callable[[bytes, Path], None]


@dataclass(frozen=True)
class Target:
    """A parser and its contract.

    ``check`` feeds one input to the parser and raises whatever the contract forbids; it may use the
    folder it is given. ``modules`` are those whose coverage guides, ``seeds`` good inputs.
    """

    name: str
    check: Check
    modules: tuple[types.ModuleType, ...]
    seeds: tuple[bytes, ...]
    words: tuple[bytes, ...] = ()
    reaches: float = 0.6
    """The least share of the first module's lines that a run has to reach."""


class FuzzFailure(AssertionError):
    """An input broke the contract; ``data`` is that input."""

    def __init__(self, target: Target, seed: int, execution: int, data: bytes) -> None:
        self.data = data
        self.execution = execution
        super().__init__(
            f"{target.name}: execution {execution} of seed {seed} broke the contract; again with\n"
            f"    python -m tests.fuzz {target.name} --input {data.hex() or '-'}"
        )


@dataclass
class Outcome:
    """What a run did. ``lines`` of each module: reached, and all there are inside functions."""

    executions: int = 0
    corpus: list[bytes] = field(default_factory=list)
    edges: int = 0
    lines: dict[str, tuple[int, int]] = field(default_factory=dict)

    def summary(self, target: Target) -> str:
        """One line of figures."""
        found = len(self.corpus) - len(target.seeds)
        reached = " ".join(f"{name} {hit}/{all_}" for name, (hit, all_) in self.lines.items())
        figures = f"{self.executions} executions, {self.edges} edges, {found} inputs kept"
        return f"fuzz {target.name}: {figures}, lines {reached}"


def code_objects(module: types.ModuleType) -> Iterator[types.CodeType]:
    """The code of every function of a module, methods and inner functions too."""
    path = Path(str(module.__file__))
    waiting = [compile(path.read_text("utf-8"), str(path), "exec", dont_inherit=True)]
    while waiting:
        code = waiting.pop()
        waiting += [each for each in code.co_consts if isinstance(each, types.CodeType)]
        if code.co_flags & 0x02:  # CO_NEWLOCALS: functions, neither the module nor a class
            yield code


def words_of(module: types.ModuleType) -> set[bytes]:
    """The words that the module's functions and tables hold: what its parser may compare with."""
    found: set[bytes] = set()
    waiting: list[Any] = [code.co_consts for code in code_objects(module)]
    waiting += [value for name, value in vars(module).items() if not name.startswith("__")]
    while waiting:
        value = waiting.pop()
        if isinstance(value, str) and 0 < len(value) <= 24:
            found.add(value.encode())
        elif isinstance(value, bytes) and 0 < len(value) <= 24:
            found.add(value)
        elif isinstance(value, tuple | frozenset | set | list):
            waiting.extend(value)
        elif isinstance(value, dict):
            waiting += [*value, *value.values()]
    return found


class Coverage:
    """Lines and edges reached in some modules while it is switched on."""

    def __init__(self, modules: Sequence[types.ModuleType]) -> None:
        self.edges: set[tuple[int, int]] = set()
        self._files = {str(module.__file__): place << 16 for place, module in enumerate(modules)}
        self._modules = modules
        self._last = 0

    def __enter__(self) -> None:
        self._last = 0
        sys.settrace(self._called)

    def __exit__(self, *_: object) -> None:
        sys.settrace(None)

    def _called(self, frame: types.FrameType, event: str, arg: Any) -> Any:
        base = self._files.get(frame.f_code.co_filename)
        if base is None:
            return None
        edges = self.edges

        def line(frame: types.FrameType, event: str, arg: Any) -> Any:
            here = base + frame.f_lineno
            edges.add((self._last, here))
            self._last = here
            return line

        return line

    def lines(self) -> dict[str, tuple[int, int]]:
        """For each module the lines reached inside functions, and how many there are."""
        reached = {place for edge in self.edges for place in edge}
        counts = {}
        for place, module in enumerate(self._modules):
            every = {
                line
                for code in code_objects(module)
                for _, _, line in code.co_lines()
                if line is not None and line != code.co_firstlineno
            }
            hit = {line for line in every if (place << 16) + line in reached}
            counts[module.__name__] = (len(hit), len(every))
        return counts


class Mutator:
    """Makes inputs of inputs."""

    def __init__(self, dice: random.Random, words: Sequence[bytes]) -> None:
        self._dice = dice
        self._words = list(words) or [b"\0"]
        self._ways = (
            self._flip,
            self._byte,
            self._word,
            self._word,
            self._number,
            self._drop,
            self._double,
            self._splice,
            self._move,
            self._arithmetic,
        )
        self._ways_of_text = (self._line, self._value, self._value, self._number)

    def change(self, data: bytes, corpus: Sequence[bytes]) -> bytes:
        """``data`` changed in one to eight ways; pieces may come out of ``corpus``."""
        # Half of the texts keep their syntax: else nothing would get behind a strict parser of it.
        gentle = b"\n" in data and self._dice.random() < 0.5
        for _ in range(self._dice.choice((1, 1, 2, 3, 4, 8))):
            data = self._dice.choice(self._ways_of_text if gentle else self._ways)(data, corpus)
        return data[:LONGEST_INPUT]

    def _place(self, data: bytes) -> int:
        return self._dice.randrange(len(data) + 1)

    def _span(self, data: bytes) -> tuple[int, int]:
        start = self._place(data)
        length = self._dice.choice((1, 1, 2, 4, 8, 16, 64, 256))
        return start, min(len(data), start + self._dice.randint(1, length))

    def _line(self, data: bytes, corpus: Sequence[bytes]) -> bytes:
        """One line dropped, doubled, or a word or a line of another input put in."""
        dice, lines = self._dice, data.split(b"\n")
        at = dice.randrange(len(lines))
        new = dice.choice((lines, self._words, dice.choice(corpus).split(b"\n")))
        lines[at : at + dice.randrange(2)] = [dice.choice(new)] * dice.randrange(3)
        return b"\n".join(lines)

    def _value(self, data: bytes, _: Sequence[bytes]) -> bytes:
        """What stands behind a blank exchanged, up to the next one or to the line's end."""
        upto = self._dice.choice((rb"(?<=[= ])[^\s=,]+", rb"(?<== ).+"))
        places = list(re.finditer(upto, data))
        if not places:
            return data
        place, dice = self._dice.choice(places), self._dice
        quote = dice.choice((b"", b"", b'"'))
        new = dice.choice((dice.choice(self._words), dice.choice(_NUMBERS), b"", b"[]", b"{}"))
        return data[: place.start()] + quote + new + quote + data[place.end() :]

    def _flip(self, data: bytes, _: Sequence[bytes]) -> bytes:
        if not data:
            return data
        at = self._dice.randrange(len(data))
        return data[:at] + bytes([data[at] ^ 1 << self._dice.randrange(8)]) + data[at + 1 :]

    def _byte(self, data: bytes, _: Sequence[bytes]) -> bytes:
        at, dice = self._place(data), self._dice
        byte = dice.choice(_BYTES) if dice.random() < 0.5 else dice.randrange(256)
        return data[:at] + bytes([byte]) + data[at + dice.randrange(2) :]

    def _word(self, data: bytes, _: Sequence[bytes]) -> bytes:
        start, end = self._span(data)
        word = self._dice.choice(self._words)
        return data[:start] + word + data[start if self._dice.random() < 0.5 else end :]

    def _number(self, data: bytes, _: Sequence[bytes]) -> bytes:
        numbers = list(re.finditer(rb"-?[0-9]+", data))
        if not numbers:
            return data
        chosen = self._dice.choice(numbers)
        return data[: chosen.start()] + self._dice.choice(_NUMBERS) + data[chosen.end() :]

    def _drop(self, data: bytes, _: Sequence[bytes]) -> bytes:
        start, end = self._span(data)
        return data[:start] + data[end:]

    def _double(self, data: bytes, _: Sequence[bytes]) -> bytes:
        start, end = self._span(data)
        return data[:end] + data[start:end] * self._dice.choice((1, 1, 2, 16)) + data[end:]

    def _splice(self, data: bytes, corpus: Sequence[bytes]) -> bytes:
        other = self._dice.choice(corpus)
        start, end = self._span(other)
        at = self._place(data)
        if self._dice.random() < 0.3:
            return data[:at] + other[self._place(other) :]
        return data[:at] + other[start:end] + data[at:]

    def _move(self, data: bytes, _: Sequence[bytes]) -> bytes:
        start, end = self._span(data)
        rest = data[:start] + data[end:]
        at = self._place(rest)
        return rest[:at] + data[start:end] + rest[at:]

    def _arithmetic(self, data: bytes, _: Sequence[bytes]) -> bytes:
        if not data:
            return data
        at = self._dice.randrange(len(data))
        step = self._dice.choice((-1, 1, -2, 2, -16, 16))
        return data[:at] + bytes([(data[at] + step) & 0xFF]) + data[at + 1 :]


def shortened(target: Target, folder: Path, data: bytes, kind: type[Exception]) -> bytes:
    """A shorter input that fails with the same type of error: pieces are left out while it does."""
    size = len(data) // 2
    while size:
        at = 0
        while at < len(data):
            shorter = data[:at] + data[at + size :]
            try:
                target.check(shorter, folder)
            except kind:
                data = shorter
                continue
            except Exception:
                pass
            at += size
        size //= 2
    return data


def fuzz(target: Target, folder: Path, executions: int, seed: int) -> Outcome:
    """Run ``target`` so many times. Raises :class:`FuzzFailure` for the first broken contract."""
    dice = random.Random(f"{target.name} {seed}")
    words = sorted(set[bytes]().union(*(words_of(module) for module in target.modules)))
    if target.words:  # one draw in three is of these, however many words the code has
        words += list(target.words) * (len(words) // (2 * len(target.words)) + 1)
    mutator = Mutator(dice, words)
    coverage = Coverage(target.modules)
    outcome = Outcome(corpus=list(target.seeds))
    for execution in range(executions):
        if execution < len(target.seeds):
            data = target.seeds[execution]
        else:
            # What was found last is the least explored: half of the tries start there.
            recent = outcome.corpus[-8:] if dice.random() < 0.5 else outcome.corpus
            data = mutator.change(dice.choice(recent), outcome.corpus)
        known = len(coverage.edges)
        try:
            with coverage:
                target.check(data, folder)
        except Exception as error:
            shortest = shortened(target, folder, data, type(error))
            raise FuzzFailure(target, seed, execution, shortest) from error
        if len(coverage.edges) > known and execution >= len(target.seeds):
            outcome.corpus.append(data)
    outcome.executions = executions
    outcome.edges = len(coverage.edges)
    outcome.lines = coverage.lines()
    return outcome
