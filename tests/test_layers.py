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

# Which folder may import which, and why; ``drivers.base`` is what a driver is, ``drivers`` the rest
# of them, ``controller`` is the version, ``controller.clock`` the one clock. Commands and the start
# of the program stand on top: they may import any folder, but commands never each other.
TOP = {"controller.cli", "controller.__main__", "commands"}
ARROWS = {
    ("rulebook", "rules"): "reads files into rule sets",
    ("journal", "rules"): "a row says what was decided",
    ("recovery", "rules"): "keeps the state of the play clock",
    ("recovery", "journal"): "keeps the rows that are not on disk",
    ("recovery", "drivers"): "writes a file whole or not at all",
    ("recovery", "drivers.base"): "keeps the newest answer to a handset",
    ("service", "rules"): "asks the play clock",
    ("service", "status"): "says what is so",
    ("service", "recovery"): "keeps each moment before it is shown",
    ("service", "journal"): "hands rows over",
    ("service", "drivers.base"): "drives boards, hears handsets",
    ("config", "rules"): "a file may change settings",
    ("config", "rulebook"): "a file names a rule set and options",
    ("config", "drivers"): "a device's table holds what its driver can do",
    ("config", "drivers.base"): "a device's table names keys",
    ("assembly", "rules"): "a service runs a play clock",
    ("assembly", "rulebook"): "loads the rule set that is named",
    ("assembly", "config"): "builds what a configuration names",
    ("assembly", "service"): "puts the service together",
    ("assembly", "recovery"): "begins where the last run stopped",
    ("assembly", "journal"): "gives the service its recorder",
    ("assembly", "drivers"): "builds the drivers",
    ("assembly", "drivers.base"): "knows what a driver is",
    ("console", "status"): "draws it",
    ("console", "rules"): "reads an entry as an event",
    ("card", "rules"): "prints rulings",
    ("card", "rulebook"): "prints what was adopted",
    ("card", "drivers"): "prints the cues as the handset has them",
    ("check", "assembly"): "tries what the configuration names",
    ("check", "config"): "says what is configured",
    ("check", "rules"): "the crew's steps are orders",
    ("check", "rulebook"): "names the rule set in the record",
    ("check", "service"): "leads the crew through the service itself",
    ("check", "status"): "waits for what the service says of itself",
    ("check", "journal"): "keeps the outcome",
    ("check", "recovery"): "looks whether a service runs",
    ("check", "drivers"): "what is checked is what the drivers know",
    ("check", "drivers.base"): "the same, of every driver",
    ("check", "controller"): "names the version in the record",
    ("check", "controller.clock"): "says whether the wall clock is kept",
}

# Modules from outside the standard library, and the files that may load them, inside a function.
THIRD_PARTY = {
    "controller/card/typesetting.py": {"reportlab"},
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


def folder_of(module: str) -> str:
    """The folder of a module, or the module itself where it stands in none."""
    first, *rest = module.split(".")
    if first == "drivers":
        return "drivers.base" if rest[:1] == ["base"] else "drivers"
    if not rest:
        return "controller"
    return rest[0] if (ROOT / "controller" / rest[0]).is_dir() else f"controller.{rest[0]}"


def arrows() -> dict[tuple[str, str], list[Import]]:
    """The imports between folders of the controller, and to the drivers."""
    found: dict[tuple[str, str], list[Import]] = {}
    for item in imports_of("controller"):
        if item.module.partition(".")[0] in PACKAGES:
            here = folder_of(".".join(Path(item.file).with_suffix("").parts))
            there = folder_of(item.module)
            if here != there:
                found.setdefault((here, there), []).append(item)
    return found


def test_folders_import_only_what_lies_below_them() -> None:
    strangers = [
        str(item)
        for (here, there), items in arrows().items()
        if here not in TOP and (here, there) not in ARROWS
        for item in items
    ]
    assert not strangers, "\n".join(strangers)


def test_every_arrow_is_still_there() -> None:
    assert not ARROWS.keys() - arrows().keys()


def test_commands_never_import_commands() -> None:
    strangers = [
        str(item)
        for item in imports_of("controller/commands")
        if item.within("controller.commands")
    ]
    assert not strangers, "\n".join(strangers)


def test_every_folder_says_what_is_in_it_and_what_it_may_import() -> None:
    for path in sorted((ROOT / "controller").glob("*/__init__.py")):
        words = ast.get_docstring(ast.parse(path.read_text("utf-8"))) or ""
        assert "May import:" in words, path


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
