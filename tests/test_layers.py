"""Who may import whom, read from the source; and what a start of the command line loads."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("controller", "drivers")

# Modules that neither read a clock, do I/O, wait nor log: all that the rules may lean on.
PURE = {
    "__future__",
    "bisect",
    "collections.abc",
    "dataclasses",
    "difflib",
    "enum",
    "functools",
    "itertools",
    "math",
    "re",
    "tomllib",
    "typing",
}
# Built-in functions that reach the outside world.
IMPURE_CALLS = {"open", "print", "input", "breakpoint", "exec", "eval", "__import__"}

# The shell: the only modules that know both sides. The service and its parts run the drivers, the
# assembly builds them from the configuration. The console and the command line go through these.
DRIVER_USERS = {
    "controller/assembly.py",
    # The card prints the cues as the handset has them.
    "controller/card_text.py",
    "controller/board_watch.py",
    "controller/builders.py",
    # A device's table may hold what its driver can do; its module loads only for such a table.
    "controller/config_devices.py",
    "controller/config_model.py",
    # What is checked before a game is what the drivers know: answers, lamps, keys, radio.
    "controller/check_boards.py",
    "controller/check_displays.py",
    "controller/check_hands.py",
    "controller/check_handsets.py",
    "controller/check_lamps.py",
    "controller/check_steps.py",
    "controller/check_wires.py",
    "controller/continuity.py",
    "controller/crew.py",
    "controller/display.py",
    "controller/driving.py",
    "controller/going_on.py",
    "controller/keeper.py",
    # Pairing is the drivers' own exchange, led from the command line.
    "controller/pair_command.py",
    "controller/service.py",
    "controller/snapshot_text.py",
    "controller/supervisor.py",
}

# Modules from outside the standard library, and the files that may load them, inside a function.
THIRD_PARTY = {
    "controller/card_type.py": {"reportlab"},
    "drivers/board/gpio_segments.py": {"gpiozero"},
    "drivers/board/modbus_frames.py": {"pymodbus"},
    "drivers/handset/gpio.py": {"gpiozero"},
    "drivers/port/serial_port.py": {"serial"},
}


@dataclass(frozen=True)
class Import:
    """One imported module: where, and whether only when a function is called."""

    file: str
    line: int
    module: str
    lazy: bool

    def __str__(self) -> str:
        return f"{self.file}:{self.line} imports {self.module}"

    def within(self, package: str) -> bool:
        return self.module == package or self.module.startswith(f"{package}.")


def sources(package: str) -> list[Path]:
    found = sorted((ROOT / package).rglob("*.py"))
    assert found, f"no source files in {package}"
    return found


def is_module(name: str) -> bool:
    path = ROOT.joinpath(*name.split("."))
    return path.is_dir() or path.with_suffix(".py").is_file()


def imported_names(node: ast.AST, package: list[str]) -> Iterator[str]:
    """Absolute names of the modules that ``node`` imports; ``package`` resolves relative ones."""
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names)
    elif isinstance(node, ast.ImportFrom):
        base = package[: len(package) - node.level + 1] if node.level else []
        origin = ".".join([*base, *(node.module or "").split(".")]).strip(".")
        members = [f"{origin}.{alias.name}" for alias in node.names]
        submodules = [name for name in members if is_module(name)]
        yield from submodules or [origin]
        if 0 < len(submodules) < len(members):
            yield origin


def imports_in(source: str, file: str) -> list[Import]:
    package = list(Path(file).parent.parts)
    found: list[Import] = []

    def visit(node: ast.AST, lazy: bool) -> None:
        line = getattr(node, "lineno", 0)
        found.extend(Import(file, line, name, lazy) for name in imported_names(node, package))
        inside = lazy or isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        for child in ast.iter_child_nodes(node):
            visit(child, inside)

    visit(ast.parse(source), False)
    return found


def imports_of(package: str) -> list[Import]:
    return [
        found
        for path in sources(package)
        for found in imports_in(path.read_text("utf-8"), path.relative_to(ROOT).as_posix())
    ]


def test_the_reader_sees_every_form_of_import() -> None:
    source = """
import os.path, controller.rules as rules
from . import codes, Thing
from ..clock import now
from drivers import port
def later():
    from serial import Serial
"""
    found = imports_in(source, "controller/rules/example.py")
    assert [(item.line, item.module, item.lazy) for item in found] == [
        (2, "os.path", False),
        (2, "controller.rules", False),
        (3, "controller.rules.codes", False),
        (3, "controller.rules", False),
        (4, "controller.clock", False),
        (5, "drivers.port", False),
        (7, "serial", True),
    ]


def test_drivers_do_not_know_the_controller() -> None:
    strangers = [str(item) for item in imports_of("drivers") if item.within("controller")]
    assert not strangers, "\n".join(strangers)


def test_rules_import_only_themselves_and_pure_modules() -> None:
    strangers = [
        str(item)
        for item in imports_of("controller/rules")
        if not item.within("controller.rules") and item.module not in PURE
    ]
    assert not strangers, "\n".join(strangers)


def test_rules_call_nothing_that_reaches_the_outside() -> None:
    calls = [
        f"{path.relative_to(ROOT)}:{node.lineno} calls {node.func.id}()"
        for path in sources("controller/rules")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in IMPURE_CALLS
    ]
    assert not calls, "\n".join(calls)


def test_only_the_service_and_the_assembly_know_the_drivers() -> None:
    strangers = [
        str(item)
        for item in imports_of("controller")
        if item.within("drivers") and item.file not in DRIVER_USERS
    ]
    assert not strangers, "\n".join(strangers)


@pytest.mark.parametrize("package", PACKAGES)
def test_third_party_modules_load_only_where_and_when_configured(package: str) -> None:
    strangers = [
        str(item)
        for item in imports_of(package)
        if (top := item.module.partition(".")[0]) not in sys.stdlib_module_names
        and top not in PACKAGES
        and not (item.lazy and top in THIRD_PARTY.get(item.file, set()))
    ]
    assert not strangers, "\n".join(strangers)


def bare_python(code: str) -> str:
    """Run ``code`` without site-packages or environment variables; return what it printed."""
    whole = f"import sys\nsys.path.insert(0, {str(ROOT)!r})\n{code}"
    command = [sys.executable, "-I", "-S", "-c", whole]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_a_ruling_needs_the_standard_library_only() -> None:
    printed = bare_python(
        "from controller.cli import main\n"
        "sys.exit(main(['ruling', 'runner_down_inbounds', '--rules', 'nfhs', '--json']))"
    )
    ruling = json.loads(printed)
    assert (ruling["seconds"], ruling["starts_on"]) == (40, "dead_ball")


def test_the_command_line_starts_without_the_event_loop_or_the_database() -> None:
    printed = bare_python("import controller.cli\nprint(*sys.modules)")
    assert "controller.cli" in printed.split()
    heavy = {"asyncio", "sqlite3", "ssl", "serial"}
    assert heavy & set(printed.split()) == set()
