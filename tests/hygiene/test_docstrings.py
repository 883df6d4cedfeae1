"""In the models every number has a unit, and every constant says where it is from."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FILES = sorted((ROOT / "models").rglob("*.py"))
UNIT = re.compile(r"\[[^\]]+\]")
PARAMETERS = re.compile(r"Parameters\n-+\n(.*?)(?:\n\n?\w[\w ]*\n-+\n|\Z)", re.DOTALL)

each_file = pytest.mark.parametrize(
    "path", FILES, ids=lambda path: path.relative_to(ROOT).as_posix()
)


def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def _entries(docstring: str) -> Iterator[tuple[str, str]]:
    """Give each name of the Parameters section with its text."""
    section = PARAMETERS.search(docstring)
    if section is None:
        return
    names: str = ""
    text: list[str] = []
    for line in section.group(1).splitlines():
        if line and not line.startswith(" "):
            for name in names.split(", ") if names else []:
                yield name, " ".join(text)
            names, text = line, []
        else:
            text.append(line.strip())
    for name in names.split(", "):
        yield name, " ".join(text)


def _numbers(function: ast.FunctionDef) -> set[str]:
    return {
        argument.arg
        for argument in (*function.args.args, *function.args.kwonlyargs)
        if isinstance(argument.annotation, ast.Name) and argument.annotation.id == "float"
    }


@each_file
def test_every_public_name_is_described(path: Path) -> None:
    tree = _tree(path)
    assert ast.get_docstring(tree)
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            assert ast.get_docstring(node), node.name


@each_file
def test_every_number_that_is_described_has_its_unit(path: Path) -> None:
    for node in _tree(path).body:
        if not isinstance(node, ast.FunctionDef) or node.name.startswith("_"):
            continue
        numbers = _numbers(node)
        for name, text in _entries(ast.get_docstring(node) or ""):
            if name in numbers:
                assert UNIT.search(text), f"{node.name}: {name}"


def test_the_formulas_have_their_parameters_described() -> None:
    functions = {
        node.name: node
        for path in FILES
        for node in _tree(path).body
        if isinstance(node, ast.FunctionDef)
    }
    for name in (
        "relative_rate",
        "logarithmic_mean",
        "kinetic_mean_temperature",
        "gearbox_heat",
        "parameters",
        "settle",
    ):
        described = {entry for entry, _ in _entries(ast.get_docstring(functions[name]) or "")}
        assert _numbers(functions[name]) <= described, name


def _is_number(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, float)


@each_file
def test_every_tuning_number_says_its_unit(path: Path) -> None:
    body = _tree(path).body
    for place, node in enumerate(body):
        if not (isinstance(node, ast.Assign) and _is_number(node.value)):
            continue
        (target,) = node.targets
        assert isinstance(target, ast.Name)
        if target.id.startswith("_"):
            continue
        # Constants of one kind may stand together and share the text below the last of them.
        after = next(
            (one for one in body[place + 1 :] if not isinstance(one, ast.Assign)), None
        )
        text = after.value.value if _is_text(after) else ""  # type: ignore[union-attr] # just checked
        assert UNIT.search(str(text)), target.id


def _is_text(node: ast.stmt | None) -> bool:
    return (
        isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    )
