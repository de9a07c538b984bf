"""Break a module in one small place at a time and see whether its checks notice.

    tests/run campaign mutation -- controller/core/safety.py [tests/core/test_safety.py …]
    LIMIT_S=9000 tests/run campaign mutation -- --budget 8000     all of controller/core

Without checks named, those of the module's room are run, its own first.
A survivor is either a check that is missing or a change without effect: read each.
"""

import argparse
import ast
import contextlib
import importlib.abc
import importlib.machinery
import importlib.util
import os
import random
import signal
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any, Final

import hypothesis  # noqa: F401  imported once, so that every child has it already
import numpy as np  # noqa: F401  the same
import pytest

ROOT: Final = Path(__file__).resolve().parents[2]
SEED: Final = 20

SWAPS: Final[dict[type[ast.AST], type[ast.AST]]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.And: ast.Or,
    ast.Or: ast.And,
}


@dataclass(frozen=True, kw_only=True)
class Mutant:
    """The module with one place changed."""

    line: int
    was: str
    becomes: str
    code: CodeType


def _parts(node: ast.AST) -> Iterator[ast.AST]:
    """Yield what runs: no annotations, no decorators, no documentation."""
    yield node
    for name, value in ast.iter_fields(node):
        if name in {"annotation", "returns", "decorator_list", "type_params"}:
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test):
                continue
            if isinstance(child, ast.AST):
                yield from _parts(child)


def _other_constant(value: object) -> object | None:
    if isinstance(value, bool):
        return not value
    return value + 1 if isinstance(value, int | float) else None


def _changes(node: ast.AST) -> Iterator[tuple[str, Any]]:
    """Yield which field of the node becomes what."""
    if isinstance(node, ast.Compare):
        for index, was in enumerate(node.ops):
            ops = list(node.ops)
            ops[index] = SWAPS[type(was)]()  # type: ignore[call-overload]
            yield "ops", ops
    elif isinstance(node, ast.BinOp | ast.BoolOp | ast.AugAssign) and type(node.op) in SWAPS:
        yield "op", SWAPS[type(node.op)]()
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        yield "op", ast.UAdd()
    elif isinstance(node, ast.Constant) and _other_constant(node.value) is not None:
        yield "value", _other_constant(node.value)
    elif isinstance(node, ast.If | ast.IfExp | ast.While) and not isinstance(
        node.test, ast.Compare | ast.BoolOp
    ):
        yield "test", ast.UnaryOp(op=ast.Not(), operand=node.test)


def _shown(node: ast.AST) -> str:
    shown = node.test if isinstance(node, ast.If | ast.While) else node
    return " ".join(ast.unparse(shown).split())[:60]


def mutants(source: str, path: str) -> Iterator[Mutant]:
    """Yield the module once for every small change."""
    tree = ast.parse(source)
    for node in list(_parts(tree)):
        for field, value in list(_changes(node)):
            before, was = getattr(node, field), _shown(node)
            setattr(node, field, value)
            code = compile(ast.fix_missing_locations(tree), path, "exec")
            yield Mutant(line=getattr(node, "lineno", 0), was=was, becomes=_shown(node), code=code)
            setattr(node, field, before)


class _Planted(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Give one module other code than its file holds."""

    def __init__(self, module: str, path: Path, code: CodeType) -> None:
        self._module, self._path, self._code = module, path, code

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if fullname != self._module:
            return None
        return importlib.util.spec_from_file_location(fullname, self._path, loader=self)

    def exec_module(self, module: ModuleType) -> None:
        exec(self._code, module.__dict__)


def _run_checks(module: str, path: Path, code: CodeType, checks: list[str]) -> int:
    """Run the checks in this process, which is a child and ends with them."""
    sys.meta_path.insert(0, _Planted(module, path, code))
    quiet = ["-q", "-x", "-p", "no:cacheprovider", "-p", "no:xdist", f"--hypothesis-seed={SEED}"]
    early = ["-W", "ignore:Module already imported"]  # hypothesis, on purpose
    return int(pytest.main([*quiet, *early, *checks]))


def noticed(module: str, path: Path, code: CodeType, checks: list[str], limit_s: float) -> bool:
    """Say whether the checks fail, or never end, on this code."""
    child = os.fork()
    if child == 0:
        status = 1
        with contextlib.suppress(BaseException):
            silence = os.open(os.devnull, os.O_WRONLY)
            os.dup2(silence, 1)
            os.dup2(silence, 2)
            status = _run_checks(module, path, code, checks)
        os._exit(status)
    ends_s = time.monotonic() + limit_s
    while time.monotonic() < ends_s:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return status != 0
        time.sleep(0.005)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return True


def _module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


def _checks_of(path: Path) -> list[str]:
    """Return the checks of its room, its own first: most changes are noticed there."""
    room = ROOT / "tests" / path.relative_to(ROOT / "controller").parent
    own = sorted(room.glob(f"test_{path.stem}*.py"))
    return [str(each) for each in [*own, *sorted(set(room.glob("test_*.py")) - set(own))]]


class Unusable(Exception):
    """Checks that say nothing about a change."""


def examine(path: Path, checks: list[str], budget_s: float) -> tuple[int, list[Mutant], int]:
    """Return how many changes were noticed, the survivors, and how many were left untried."""
    module = _module_of(path)
    source = path.read_text()
    began_s = time.monotonic()
    if noticed(module, path, compile(source, str(path), "exec"), checks, 300.0):
        raise Unusable("its checks fail before anything is broken")
    once_s = time.monotonic() - began_s
    if not noticed(module, path, compile("1 / 0", str(path), "exec"), checks, 300.0):
        raise Unusable("its checks do not run the planted code")
    waiting = list(mutants(source, str(path)))
    random.Random(SEED).shuffle(waiting)
    survivors: list[Mutant] = []
    killed = 0
    while waiting and time.monotonic() - began_s < budget_s:
        mutant = waiting.pop()
        if noticed(module, path, mutant.code, checks, 5 * once_s + 10):
            killed += 1
        else:
            survivors.append(mutant)
    return killed, sorted(survivors, key=lambda mutant: mutant.line), len(waiting)


def report(path: Path, checks: list[str], budget_s: float) -> bool:
    """Print the row of one module and its survivors; say whether its checks were usable."""
    name = path.relative_to(ROOT)
    try:
        killed, survivors, untried = examine(path, checks or _checks_of(path), budget_s)
    except Unusable as reason:
        print(f"{name!s:<34}  {reason}", flush=True)
        return False
    print(f"{name!s:<34}{killed:>8}{len(survivors):>10}{untried:>9}", flush=True)
    for mutant in survivors:
        print(f"    line {mutant.line}: {mutant.was}  ->  {mutant.becomes}", flush=True)
    return True


def main() -> None:
    """Print one row for each module, and every survivor."""
    parser = argparse.ArgumentParser(prog="mutation", description=__doc__)
    parser.add_argument("module", nargs="?", type=Path, help="default: all of controller/core")
    parser.add_argument("checks", nargs="*", help="default: the checks of the module's room")
    parser.add_argument("--budget", type=float, default=900.0, help="seconds in all")
    chosen = parser.parse_args()
    everything = sorted((ROOT / "controller/core").glob("[!_]*.py"))
    paths = [chosen.module.resolve()] if chosen.module else everything
    print(f"{'module':<34}{'killed':>8}{'survived':>10}{'untried':>9}", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        os.environ["HYPOTHESIS_STORAGE_DIRECTORY"] = folder
        usable = [report(path, chosen.checks, chosen.budget / len(paths)) for path in paths]
    sys.exit(not all(usable))


if __name__ == "__main__":
    main()
