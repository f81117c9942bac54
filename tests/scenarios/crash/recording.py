"""What a program really asks of the file system, system call by system call."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from tests.scenarios.crash.disk import File, FolderSynced, Named, Resized, Said, Step, Synced, Wrote
from tests.scenarios.crash.ptrace import Call, Traced, started

SHARED_INDEX = "-shm"
"""SQLite's index of its log: memory shared by processes, made anew after a power cut
(sqlite.org/walformat.html, "The WAL-Index File Format"); never synced, written by mmap(2)."""
STDOUT = 1
_O_CREAT, _O_TRUNC = 0o100, 0o1000
_AT_REMOVEDIR = 0x200


def record(module: str, *arguments: str, folder: Path) -> list[Step]:
    """Run ``python -m module arguments`` and give every change it made below ``folder``.

    The program waits for a line on its standard input before it begins; each line of its standard
    output is a :class:`Said`.
    """
    with started("-m", module, *arguments) as (traced, output):
        recorder = _Recorder(traced, folder)
        steps = recorder.record()
        said = output.read().decode().splitlines()
    assert traced.status == 0, traced.status
    assert [step.text for step in steps if isinstance(step, Said)] == said
    return steps


class _Recorder:
    def __init__(self, traced: Traced, folder: Path) -> None:
        self.traced = traced
        self._folder = folder.resolve()
        self._files: dict[str, File] = {}
        self._steps: list[Step] = []
        self._meant: dict[str, Callable[[Call], None]] = {
            "openat": self._opened,
            "write": self._wrote,
            "pwrite64": self._wrote,
            "ftruncate": self._resized,
            "fsync": self._synced,
            "fdatasync": self._synced,
            "rename": lambda call: self._moved(call.arguments[0], call.arguments[1]),
            "renameat": lambda call: self._moved(call.arguments[1], call.arguments[3]),
            "renameat2": lambda call: self._moved(call.arguments[1], call.arguments[3]),
            "unlink": lambda call: self._removed(call.arguments[0]),
            "unlinkat": self._unlinked,
        }

    def record(self) -> list[Step]:
        for call in self.traced.calls():
            if call.result is not None and call.result >= 0:
                meant = self._meant.get(call.name)
                if meant is not None:
                    meant(call)
        return self._steps

    def _name(self, path: str) -> str | None:
        """The path relative to the folder; None outside, and for what is no part of the disk."""
        if path.endswith(SHARED_INDEX) or not Path(path).is_relative_to(self._folder):
            return None
        name = str(Path(path).relative_to(self._folder))
        return "" if name == "." else name

    def _file(self, descriptor: int) -> File | None:
        name = self._name(self.traced.path_of(descriptor))
        return None if name is None else self._files.get(name)

    def _opened(self, call: Call) -> None:
        assert call.result is not None
        flags = call.arguments[2]
        name = self._name(self.traced.path_of(call.result))
        if name is None or not flags & (_O_CREAT | _O_TRUNC):
            return
        if name not in self._files:
            file = self._files[name] = File()
            self._steps.append(Named(name, file))
        elif flags & _O_TRUNC:
            self._steps.append(Resized(self._files[name], 0))

    def _wrote(self, call: Call) -> None:
        descriptor, address, _, offset = call.arguments[:4]
        assert call.result is not None
        if descriptor == STDOUT:
            text = self.traced.memory(address, call.result).decode()
            self._steps += [Said(line) for line in text.splitlines()]
            return
        file = self._file(descriptor)
        if file is None:
            return
        if call.name == "write":
            position = Path(f"/proc/{self.traced.pid}/fdinfo/{descriptor}").read_text()
            offset = int(position.split()[1]) - call.result
        self._steps.append(Wrote(file, offset, self.traced.memory(address, call.result)))

    def _resized(self, call: Call) -> None:
        file = self._file(call.arguments[0])
        if file is not None:
            self._steps.append(Resized(file, call.arguments[1]))

    def _synced(self, call: Call) -> None:
        name = self._name(self.traced.path_of(call.arguments[0]))
        if name is None:
            return
        if name in self._files:
            self._steps.append(Synced(self._files[name]))
        else:
            assert (self._folder / name).is_dir(), name
            self._steps.append(FolderSynced(name))

    def _moved(self, source: int, target: int) -> None:
        old, new = self._name(self.traced.text(source)), self._name(self.traced.text(target))
        assert old is not None and new is not None
        file = self._files[new] = self._files.pop(old)
        self._steps.append(Named(new, file, was=old))

    def _unlinked(self, call: Call) -> None:
        assert not call.arguments[2] & _AT_REMOVEDIR
        self._removed(call.arguments[1])

    def _removed(self, path: int) -> None:
        name = self._name(self.traced.text(path))
        if name is not None and self._files.pop(name, None) is not None:
            self._steps.append(Named(name, None))
