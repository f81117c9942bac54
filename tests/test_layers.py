"""Who may import whom, read from the source; and that a ruling needs nothing from outside."""

from __future__ import annotations

import ast
import json
import subprocess
import sys

import pytest

from tests.architecture import (
    ARROWS,
    PACKAGES,
    ROOT,
    TOP,
    arrows,
    circles,
    graph,
    imports_in,
    imports_of,
    sources,
)

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

# Modules from outside the standard library, and the files that may load them, inside a function.
THIRD_PARTY = {
    "controller/card/typesetting.py": {"reportlab"},
    "drivers/board/gpio_segments.py": {"gpiozero"},
    "drivers/board/modbus_frames.py": {"pymodbus"},
    "drivers/handset/gpio.py": {"gpiozero"},
    "drivers/port/serial_port.py": {"serial"},
}


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


def test_no_module_imports_itself_by_whatever_way() -> None:
    assert not circles(graph())


def test_a_circle_is_seen() -> None:
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}}) == [{"b", "c"}]


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


def test_a_ruling_needs_the_standard_library_only() -> None:
    """Neither site-packages nor environment variables."""
    code = (
        f"import sys\nsys.path.insert(0, {str(ROOT)!r})\nfrom controller.cli import main\n"
        "sys.exit(main(['ruling', 'runner_down_inbounds', '--rules', 'nfhs', '--json']))"
    )
    ruling = json.loads(subprocess.check_output([sys.executable, "-I", "-S", "-c", code]))
    assert (ruling["seconds"], ruling["starts_on"]) == (40, "dead_ball")
