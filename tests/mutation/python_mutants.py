"""Mutants of Python source, made on its syntax tree.

What cannot show in behaviour is left as it is: docstrings, annotations and aliases of types,
decorators, imports, and ``assert``, which here only tells the type checker what is known.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

from tests.mutation.mutant import ROOT, RULES, Mutant, numbered

COMPARISONS: Final[dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
OPERATORS: Final[dict[type[ast.operator], type[ast.operator]]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.FloorDiv,
    ast.FloorDiv: ast.Mult,
    ast.BitOr: ast.BitAnd,
    ast.BitAnd: ast.BitOr,
}
NAMES: Final = {"min": "max", "max": "min", "any": "all", "all": "any"}
DELETED: Final = (
    ast.Expr,
    ast.Assign,
    ast.AnnAssign,
    ast.AugAssign,
    ast.If,
    ast.For,
    ast.While,
    ast.Raise,
    ast.Continue,
    ast.Match,
)


@dataclass(frozen=True, slots=True)
class Edit:
    """A node with other fields. ``shown`` is the node whose source tells of it, ``told`` words that
    tell it better, and ``path`` the keys of the tables around it."""

    node: ast.AST
    fields: dict[str, Any]
    shown: ast.AST
    told: str = ""
    path: str = ""


@dataclass(frozen=True, slots=True)
class Place:
    """Where the walk is: the names of class and function, and the statement around."""

    scope: tuple[str, ...] = ()
    in_function: bool = False
    first_line: int = 0
    returns_bool: bool = False


def enums(trees: dict[str, ast.Module]) -> dict[str, list[str]]:
    """The members of every enumeration of the rules."""
    return {
        node.name: [
            each.targets[0].id
            for each in node.body
            if isinstance(each, ast.Assign) and isinstance(each.targets[0], ast.Name)
        ]
        for tree in trees.values()
        for node in ast.walk(tree)
        if isinstance(node, ast.ClassDef) and any("Enum" in ast.unparse(b) for b in node.bases)
    }


def python_mutants() -> Iterator[Mutant]:
    """Every mutant of the modules of the rules."""
    trees = {
        path.relative_to(ROOT).as_posix(): ast.parse(path.read_text("utf-8"))
        for path in sorted(RULES.glob("*.py"))
    }
    members = enums(trees)
    for file, tree in trees.items():
        yield from numbered(mutants_of(file, tree, members))


def mutants_of(file: str, tree: ast.Module, members: dict[str, list[str]]) -> Iterator[Mutant]:
    """Every mutant of one module. Each changes the tree and changes it back."""
    for edit, place in Walk(members).statements(tree, "body", Place()):
        changed = Changed(tree, edit)
        scope = ".".join(place.scope) + edit.path
        told = edit.told or f"{unparsed(edit.shown)} -> {changed.shown()}"
        last = getattr(edit.shown, "end_lineno", place.first_line)
        if isinstance(edit.shown, ast.If | ast.For | ast.While | ast.Match):
            last = place.first_line
        lines = range(place.first_line, last + 1) if place.in_function else None
        yield Mutant(file, f"{file} {scope}: {told}", lines, changed.text)


def unparsed(node: ast.AST) -> str:
    """The first line of a node's source, cut where it is long."""
    line, *more = ast.unparse(node).splitlines()
    return line if len(line) <= 90 and not more else f"{line[:90]}..."


@dataclass(frozen=True, slots=True)
class Changed:
    """A tree with one edit, for as long as it is written out."""

    tree: ast.Module
    edit: Edit

    def text(self) -> str:
        """The whole module."""
        return self._while_changed(lambda: ast.unparse(self.tree) + "\n")

    def shown(self) -> str:
        """What tells of the edit, in one line."""
        return self._while_changed(lambda: unparsed(self.edit.shown))

    def _while_changed(self, write: Callable[[], str]) -> str:
        node = self.edit.node
        before = {field: getattr(node, field) for field in self.edit.fields}
        try:
            for field, value in self.edit.fields.items():
                setattr(node, field, value)
            return write()
        finally:
            for field, value in before.items():
                setattr(node, field, value)


def without(values: list[Any], index: int) -> list[Any]:
    """``values`` less one of them."""
    return [*values[:index], *values[index + 1 :]]


def put(values: list[Any], index: int, value: Any) -> list[Any]:
    """``values`` with one of them replaced."""
    return [*values[:index], value, *values[index + 1 :]]


def is_alias(node: ast.stmt) -> bool:
    """True for a name given to a union or a callable type."""
    if not isinstance(node, ast.Assign):
        return False
    value = node.value
    if isinstance(value, ast.Subscript):
        return ast.unparse(value).startswith("Callable[")
    return isinstance(value, ast.BinOp) and all(
        isinstance(each, ast.BinOp | ast.Name | ast.BitOr | ast.Load) for each in ast.walk(value)
    )


Found = Iterator[tuple[Edit, Place]]


class Walk:
    """Goes through a module and says what can be changed where."""

    def __init__(self, members: dict[str, list[str]]) -> None:
        self._members = members

    def statements(self, owner: ast.AST, field: str, place: Place) -> Found:
        """Each statement of a body, and each one deleted."""
        body: list[ast.stmt] = getattr(owner, field)
        for index, each in enumerate(body):
            doc = isinstance(each, ast.Expr) and isinstance(each.value, ast.Constant)
            if doc or isinstance(each, ast.Import | ast.ImportFrom | ast.Assert | ast.Pass):
                continue
            if not place.in_function and is_alias(each):
                continue
            scope = place.scope
            if not place.in_function and isinstance(each, ast.Assign | ast.AnnAssign):
                target = each.targets[0] if isinstance(each, ast.Assign) else each.target
                scope = (*scope, ast.unparse(target))
            here = Place(scope, place.in_function, each.lineno, place.returns_bool)
            if place.in_function and isinstance(each, DELETED):
                told = f"{unparsed(each)} deleted"
                yield Edit(owner, {field: put(body, index, ast.Pass())}, each, told), here
            yield from self.statement(each, here)

    def statement(self, node: ast.stmt, place: Place) -> Found:
        """What can be changed in one statement."""
        if isinstance(node, ast.FunctionDef):
            yield from self.function(node, place)
        elif isinstance(node, ast.ClassDef):
            yield from self.statements(node, "body", Place((*place.scope, node.name)))
        else:
            for edit in self.whole(node, place.returns_bool):
                yield edit, place
            yield from self.parts(node, place)

    def function(self, node: ast.FunctionDef, place: Place) -> Found:
        """The defaults, which count when it is defined, and the body."""
        scope = (*place.scope, node.name)
        for each in (*node.args.defaults, *node.args.kw_defaults):
            if each is not None:
                for edit in self.expression(each, node):
                    yield edit, Place(scope, False, node.lineno)
        is_bool = node.returns is not None and ast.unparse(node.returns) == "bool"
        yield from self.statements(node, "body", Place(scope, True, 0, is_bool))

    def whole(self, node: ast.stmt, returns_bool: bool) -> Iterator[Edit]:
        """What can be changed in a statement as a whole."""
        if isinstance(node, ast.Return):
            yield from self.returned(node, returns_bool)
        elif isinstance(node, ast.Match) and len(node.cases) > 1:
            for index, case in enumerate(node.cases):
                told = f"case {ast.unparse(case.pattern)} deleted"
                yield Edit(node, {"cases": without(node.cases, index)}, node, told)
        elif isinstance(node, ast.If | ast.While) and plain_test(node.test):
            yield self.negated(node, "test")

    def parts(self, node: ast.stmt, place: Place) -> Found:
        """What can be changed in the expressions and in the bodies of a statement."""
        for name, value in ast.iter_fields(node):
            if isinstance(node, ast.AnnAssign) and name in ("annotation", "target"):
                continue
            if isinstance(value, list) and value and isinstance(value[0], ast.stmt):
                yield from self.statements(node, name, place)
                continue
            for each in value if isinstance(value, list) else [value]:
                if isinstance(each, ast.expr):
                    for edit in self.expression(each, node):
                        yield edit, place
                elif isinstance(each, ast.match_case):
                    yield from self.statements(each, "body", place)

    @staticmethod
    def returned(node: ast.Return, is_bool: bool) -> Iterator[Edit]:
        value = node.value
        if value is None or (isinstance(value, ast.Constant) and value.value in (None, True)):
            return
        if is_bool:
            if plain_test(value):
                yield Edit(node, {"value": ast.UnaryOp(ast.Not(), value)}, node)
        else:
            yield Edit(node, {"value": ast.Constant(None)}, node)

    @staticmethod
    def negated(node: ast.AST, field: str) -> Edit:
        test = getattr(node, field)
        told = f"if {unparsed(test)} -> if not"
        return Edit(node, {field: ast.UnaryOp(ast.Not(), test)}, node, told)

    def expression(self, node: ast.expr, parent: ast.AST) -> Iterator[Edit]:
        """What can be changed in an expression and in those within it."""
        if isinstance(node, ast.JoinedStr):
            yield Edit(node, {"values": []}, node)
            return
        if isinstance(node, ast.BinOp | ast.UnaryOp | ast.BoolOp | ast.Compare):
            yield from self.operation(node, parent)
        else:
            yield from self.value(node, parent)
        yield from self.within(node)

    def value(self, node: ast.expr, parent: ast.AST) -> Iterator[Edit]:
        """What can be changed in a constant, a name, a call or a table."""
        match node:
            case ast.Constant():
                yield from self.constant(node, parent)
            case ast.IfExp() if plain_test(node.test):
                yield self.negated(node, "test")
            case ast.Attribute(value=ast.Name(id=name), attr=attr):
                for other in self.members_beside(name, attr):
                    yield Edit(node, {"attr": other}, node)
            case ast.Name(id=name) if name in NAMES:
                yield Edit(node, {"id": NAMES[name]}, parent)
            case ast.Call():
                for index, keyword in enumerate(node.keywords):
                    told = f"{unparsed(node)} without {keyword.arg}"
                    yield Edit(node, {"keywords": without(node.keywords, index)}, node, told)
            case ast.Dict():
                yield from self.entries(node)
            case ast.Set() | ast.Tuple() | ast.List():
                yield from self.elements(node, parent)

    def members_beside(self, name: str, member: str) -> list[str]:
        """Up to three other members of the enumeration ``name``."""
        known = self._members.get(name, [])
        if member not in known:
            return []
        at = known.index(member)
        return [*known[at + 1 :], *known[:at]][:3]

    def within(self, node: ast.expr) -> Iterator[Edit]:
        if isinstance(node, ast.Dict):
            for key, value in zip(node.keys, node.values, strict=True):
                word = unparsed(key) if key else "**"
                if is_word(value):
                    continue  # swapped for another already
                for edit in self.expression(value, node):
                    yield replace(edit, path=f"[{word}]{edit.path}")
            return
        for name, value in ast.iter_fields(node):
            for each in value if isinstance(value, list) else [value]:
                if name == "elts" and is_word(each):
                    continue  # left out already
                if isinstance(each, ast.keyword):
                    yield from self.expression(each.value, each)
                elif isinstance(each, ast.comprehension):
                    yield from self.comprehension(each, node)
                elif isinstance(each, ast.expr):
                    is_type = isinstance(node, ast.Subscript) and name == "value"
                    if not (is_type and isinstance(each, ast.Name)):
                        yield from self.expression(each, node)

    def comprehension(self, node: ast.comprehension, parent: ast.expr) -> Iterator[Edit]:
        """Its source, and each of its conditions changed and left out."""
        yield from self.expression(node.iter, node)
        for index, test in enumerate(node.ifs):
            told = f"without if {ast.unparse(test)}"
            yield Edit(node, {"ifs": without(node.ifs, index)}, parent, told)
            yield from self.expression(test, node)

    @staticmethod
    def constant(node: ast.Constant, parent: ast.AST) -> Iterator[Edit]:
        value = node.value
        others: list[object] = []
        if isinstance(value, bool):
            others = [not value]
        elif isinstance(value, int | float):
            others = [value + 1, value - 1]
        elif isinstance(value, str):
            others = ["" if is_prose(node) else f"{value}_x"]
        for other in others:
            told = f"{value!r} -> {other!r}"
            if isinstance(parent, ast.expr) and not isinstance(parent, ast.Constant | ast.Dict):
                told += f" in {unparsed(parent)}"
            yield Edit(node, {"value": other}, node, told)

    def operation(
        self, node: ast.BinOp | ast.UnaryOp | ast.BoolOp | ast.Compare, parent: ast.AST
    ) -> Iterator[Edit]:
        """Another operator, and an operand left out."""
        if isinstance(node, ast.Compare):
            for index, op in enumerate(node.ops):
                for other in COMPARISONS[type(op)]:
                    yield Edit(node, {"ops": put(node.ops, index, other())}, node)
        elif isinstance(node, ast.BoolOp):
            turned = ast.Or() if isinstance(node.op, ast.And) else ast.And()
            yield Edit(node, {"op": turned}, node)
            for index in range(len(node.values)):
                yield Edit(node, {"values": without(node.values, index)}, node)
        elif isinstance(node, ast.UnaryOp):
            yield from self.replaced(node, node.operand, parent)
        else:
            of_types = isinstance(parent, ast.Call) and ast.unparse(parent.func) == "isinstance"
            if not of_types and type(node.op) in OPERATORS:
                yield Edit(node, {"op": OPERATORS[type(node.op)]()}, node)
            yield from self.replaced(node, node.left, parent)
            if of_types:
                yield from self.replaced(node, node.right, parent)

    @staticmethod
    def replaced(node: ast.expr, by: ast.expr, parent: ast.AST) -> Iterator[Edit]:
        """``by`` in the place that ``node`` has in ``parent``."""
        for name, value in ast.iter_fields(parent):
            if value is node:
                yield Edit(parent, {name: by}, parent)
            elif isinstance(value, list) and any(each is node for each in value):
                index = [each is node for each in value].index(True)
                yield Edit(parent, {name: put(value, index, by)}, parent)

    @staticmethod
    def entries(node: ast.Dict) -> Iterator[Edit]:
        """Each entry deleted, and each value swapped for the next that differs."""
        written = [ast.unparse(value) for value in node.values]
        for index, key in enumerate(node.keys):
            word = unparsed(key) if key else "**"
            fewer = ast.Dict(without(node.keys, index), without(node.values, index))
            both = {"keys": fewer.keys, "values": fewer.values}
            yield Edit(node, both, node, f"without {word}")
            rest = [*range(index + 1, len(written)), *range(index)]
            other = next((k for k in rest if written[k] != written[index]), None)
            if key is not None and other is not None and not is_prose(node.values[index]):
                values = put(node.values, index, node.values[other])
                yield Edit(node, {"values": values}, node, f"{word}: {written[other][:60]}")

    @staticmethod
    def elements(node: ast.Set | ast.Tuple | ast.List, parent: ast.AST) -> Iterator[Edit]:
        stored = not isinstance(node, ast.Set) and isinstance(node.ctx, ast.Store)
        if stored or isinstance(parent, ast.Return | ast.Subscript):
            return
        for index, each in enumerate(node.elts):
            told = f"without {unparsed(each)}"
            yield Edit(node, {"elts": without(node.elts, index)}, node, told)


def plain_test(node: ast.expr) -> bool:
    """True where no other mutant turns the test round already."""
    if isinstance(node, ast.Compare):
        return len(node.ops) > 1
    return not (isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not))


def is_word(node: object) -> bool:
    """True for text without a space: a name, that the program compares."""
    return isinstance(node, ast.Constant) and isinstance(node.value, str) and " " not in node.value


def is_prose(node: object) -> bool:
    """True for text that only people read; its wording is free, but not that it is there."""
    return isinstance(node, ast.Constant) and isinstance(node.value, str) and " " in node.value
