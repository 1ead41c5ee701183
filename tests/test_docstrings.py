"""Docstrings that can be held to a rule: what is raised is named; arrays of the calibration have a shape and a unit.

The rules are about text: that a shape or a unit is the right one, a reader has to see.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import calib

PACKAGE = Path(calib.__file__).parent
ROOMS_THAT_NAME_ERRORS = ("calibration", "quoting", "serve", "workflow")
UNIT = re.compile(r"\[[^\[\]]+\]")  # such as [min], [log], [-]
Function = ast.FunctionDef | ast.AsyncFunctionDef


def public_functions(source: str) -> Iterator[tuple[str, Function, str]]:
    """Name, function and docstring of each public function, and of each public method of a public class, whose
    docstring counts as its class's too."""
    for node in ast.parse(source).body:
        if isinstance(node, Function) and not node.name.startswith("_"):
            yield node.name, node, ast.get_docstring(node) or ""
        elif isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            for method in node.body:
                if isinstance(method, Function) and not method.name.startswith("_"):
                    own_and_class = f"{ast.get_docstring(node) or ''} {ast.get_docstring(method) or ''}"
                    yield f"{node.name}.{method.name}", method, own_and_class


def takes_or_gives_arrays(function: Function) -> bool:
    arguments = [*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs]
    notes = [argument.annotation for argument in arguments if argument.annotation] + [function.returns]
    return any(note is not None and "ndarray" in ast.unparse(note) for note in notes)


def raised(node: ast.AST) -> Iterator[str]:
    """What leaves a function by its own ``raise`` statements: names of classes; '' for what a call makes, such as
    ``raise type(error)(...)``. Functions inside it, and a ``try`` that has a handler, are not looked into."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, Function | ast.Lambda | ast.ClassDef):
            continue
        if isinstance(child, ast.Try) and child.handlers:
            for part in (*child.handlers, *child.orelse, *child.finalbody):
                yield from raised(part)
            continue
        if isinstance(child, ast.Raise) and child.exc is not None:
            made = child.exc.func if isinstance(child.exc, ast.Call) else child.exc
            yield made.id if isinstance(made, ast.Name) and made.id[0].isupper() else ""
        yield from raised(child)


def faults_of(source: str, arrays: bool) -> Iterator[str]:
    for name, function, text in public_functions(source):
        if arrays and takes_or_gives_arrays(function) and not ("shape" in text and UNIT.search(text)):
            yield f"{name} takes or gives arrays, and its docstring says no shape, or no unit in square brackets"
        for error in sorted(set(raised(function))):
            if error not in text or "aises" not in text:
                yield f"{name} raises {error or 'an error'}, and its docstring does not say so"


def test_docstrings_name_shapes_units_and_errors():
    faults = [
        f"{path.relative_to(PACKAGE)}: {fault}"
        for room in ROOMS_THAT_NAME_ERRORS
        for path in sorted((PACKAGE / room).rglob("*.py"))
        for fault in faults_of(path.read_text(encoding="utf-8"), arrays=room == "calibration")
    ]
    assert not faults, "\n".join(faults)


@pytest.mark.parametrize(
    ("docstring", "number"),
    [
        ("Times. Raises UsageError for none. x : shape (n,) [min]", 0),
        ("Times. x : shape (n,) [min]", 1),
        ("Times. Raises UsageError for none. x : shape (n,)", 1),
        ("Times. Raises UsageError for none. x : in [min]", 1),
        ("Times.", 2),
    ],
)
def test_a_docstring_that_leaves_one_out_is_found(docstring, number):
    source = f'def times(x: np.ndarray) -> float:\n    """{docstring}"""\n    raise UsageError("")\n'
    assert len(list(faults_of(source, arrays=True))) == number


def test_what_does_not_leave_a_function_need_not_be_named():
    caught = "def read():\n    try:\n        raise ValueError\n    except ValueError:\n        return None\n"
    inner = "def read():\n    def one():\n        raise ValueError\n    return one\n"
    assert not list(faults_of(caught, arrays=True)) and not list(faults_of(inner, arrays=True))
