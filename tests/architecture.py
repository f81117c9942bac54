"""Who imports whom, read from the source: ``python3 -m tests.architecture`` prints it.

The arrows between the folders of the controller, each with its reason, and the circles among all
modules, of which there must be none: an import inside a function or for types alone counts too.
"""

from __future__ import annotations

import ast
import functools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("controller", "drivers")

# Which folder may import which, and why; ``drivers.base`` is what a driver is, ``drivers`` the rest
# of them, ``controller`` is the version, ``controller.clock`` the one clock. Commands and the start
# of the program stand on top: they may import any folder, but commands never each other.
TOP = {"controller.cli", "controller.__main__", "commands"}
ARROWS = {
    ("rulebook", "rules"): "reads files into rule sets",
    ("journal", "rules"): "a row says what was decided",
    ("journal", "drivers"): "writes a file whole or not at all",
    ("recovery", "rules"): "keeps the state of the play clock",
    ("recovery", "journal"): "keeps the rows that are not on disk",
    ("recovery", "drivers"): "writes a file whole or not at all",
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
    ("console", "rulebook"): "reads field words",
    ("service", "rulebook"): "says which rules are in force",
    ("rehearsal", "rules"): "plays presses to gestures and play clock",
    ("rehearsal", "rulebook"): "says a ruling in words",
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


@functools.cache
def imports_of(package: str) -> list[Import]:
    return [
        found
        for path in sources(package)
        for found in imports_in(path.read_text("utf-8"), path.relative_to(ROOT).as_posix())
    ]


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


def graph() -> dict[str, set[str]]:
    """Every module of the packages and those of them that it imports."""
    found: dict[str, set[str]] = {}
    for package in PACKAGES:
        found |= {module_name(path): set() for path in sources(package)}
        for item in imports_of(package):
            name = module_name(ROOT / item.file)
            if item.module != name:
                found[name].add(item.module)
    return {name: theirs & found.keys() for name, theirs in found.items()}


def module_name(path: Path) -> str:
    """The dotted name of a source file; a folder's own file has the folder's name."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def circles(imports: Mapping[str, set[str]]) -> list[set[str]]:
    """The sets of modules that reach each other."""
    reach = {name: reached(imports, name) for name in imports}
    found: list[set[str]] = []
    for name, theirs in reach.items():
        if name in theirs:
            circle = {each for each in theirs if name in reach[each]}
            if circle not in found:
                found.append(circle)
    return found


def reached(imports: Mapping[str, set[str]], name: str) -> set[str]:
    """All that ``name`` imports, by whatever way."""
    found: set[str] = set()
    waiting = list(imports[name])
    while waiting:
        each = waiting.pop()
        if each not in found:
            found.add(each)
            waiting += imports[each]
    return found


def main() -> None:
    """Print arrows and circles."""
    for (here, there), items in sorted(arrows().items()):
        reason = "stands on top" if here in TOP else ARROWS.get((here, there), "NOT ALLOWED")
        print(f"{here:20} -> {there:18} {len(items):3}  {reason}")
    imports = graph()
    found = circles(imports)
    print(f"{len(imports)} modules, {len(found)} circles")
    for circle in found:
        print("  " + ", ".join(sorted(circle)))


if __name__ == "__main__":
    main()
