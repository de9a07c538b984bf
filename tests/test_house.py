"""Rules of the house that no other tool checks."""

import ast
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from fnmatch import fnmatchcase
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "controller"


LEFTOVERS = re.compile(
    r"/(\.git|\.venv[^/]*|\.hypothesis|build|dist|__pycache__|\.[a-z_]+_cache)/|\.egg-info/"
)


def tracked() -> list[Path]:
    """Return what a clone holds; without git, what there is beside what the tools leave."""
    if shutil.which("git") and (ROOT / ".git").exists():
        listed = subprocess.run(
            ["git", "-c", "safe.directory=*", "ls-files", "-z"],
            cwd=ROOT,
            capture_output=True,
            check=True,
        )
        names = listed.stdout.decode().split("\0")
        return [ROOT / name for name in names if name and (ROOT / name).is_file()]
    return [
        path
        for path in ROOT.rglob("*")
        if path.is_file() and not LEFTOVERS.search(f"/{path.relative_to(ROOT)}")
    ]


TRACKED = tracked()
SOURCES = sorted(PACKAGE.rglob("*.py"))
CHECKS = sorted((ROOT / "tests").rglob("*.py"))


def shown(path: Path) -> str:
    return str(path.relative_to(ROOT))


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def room_of(path: Path) -> str:
    return module_of(path).split(".")[1] if path.parent != PACKAGE else path.stem


def imported(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            yield node.module


def called(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            yield ast.unparse(node.func)


def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


# What a room without clock, thread, file, socket and pin needs of the standard library;
# everything else, known or not, is a door.
PURE = {
    "__future__",
    "abc",
    "bisect",
    "collections",
    "controller",
    "dataclasses",
    "difflib",
    "enum",
    "functools",
    "heapq",
    "itertools",
    "math",
    "numpy",
    "operator",
    "re",
    "types",
    "typing",
}


@pytest.mark.parametrize(
    "path", [path for path in SOURCES if room_of(path) in {"core", "geometry"}], ids=shown
)
def test_decisions_and_mathematics_touch_nothing_outside(path: Path) -> None:
    tree = tree_of(path)
    assert {name.split(".")[0] for name in imported(tree)} <= PURE
    assert not {"open", "print", "input", "exec", "eval"} & set(called(tree))


def test_core_decides_with_plain_numbers() -> None:
    for path in (path for path in SOURCES if room_of(path) == "core"):
        assert "numpy" not in {name.split(".")[0] for name in imported(tree_of(path))}, path


# One outside library, one door, or one family of them.
DOORS = {
    "gpiozero": [
        "controller.bench.pins",
        "controller.edge.chips",
        "controller.edge.current",
        "controller.edge.drives",
        "controller.edge.gpio",
        "controller.edge.inputs",
        "controller.edge.linepin*",
        "controller.edge.outputs",
        "controller.edge.safe",
    ],
    "gpiod": ["controller.edge.chips", "controller.edge.linepin*"],
    "lgpio": [],
    "paho": ["controller.edge.mqttlink", "controller.bench.receiver"],
    "amqtt": ["controller.edge.broker"],
    "sqlite3": ["controller.edge.store*"],
    "starlette": ["controller.edge.panel*"],
    "uvicorn": ["controller.edge.panel*"],
    "yaml": ["controller.config.*"],
    "pydantic": ["controller.config.*"],
    "click": ["controller.cli.*"],
    "rich": ["controller.cli.*"],
    "scipy": [],
}


HEAVY = {"amqtt", "gpiozero", "numpy", "paho", "pydantic", "rich", "scipy", "yaml"}


def test_the_command_line_loads_only_what_a_command_needs() -> None:
    script = "import sys, controller.cli; print(*{name.split('.')[0] for name in sys.modules})"
    loaded = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert "click" in loaded.stdout.split()
    assert HEAVY & set(loaded.stdout.split()) == set()


def passes(module: str, doors: list[str]) -> bool:
    return any(fnmatchcase(module, door) for door in doors)


@pytest.mark.parametrize("library", sorted(DOORS))
def test_an_outside_library_has_one_door(library: str) -> None:
    importers = {
        module_of(path)
        for path in SOURCES
        if library in {name.split(".")[0] for name in imported(tree_of(path))}
    }
    assert {module for module in importers if not passes(module, DOORS[library])} == set()


def test_the_rule_of_doors_sees_an_intruder() -> None:
    assert not passes("controller.core.pilot", DOORS["paho"])
    assert passes("controller.cli.demo", DOORS["rich"])
    assert not passes("controller.client", DOORS["rich"])
    assert not passes("controller.edge.mqtt", DOORS["paho"])


@pytest.mark.parametrize("path", [*SOURCES, *CHECKS], ids=shown)
def test_a_file_has_at_most_400_lines(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 400


@pytest.mark.parametrize("path", [*SOURCES, *CHECKS], ids=shown)
def test_a_function_has_at_most_60_lines(path: Path) -> None:
    long = [
        f"{node.name}: {(node.end_lineno or 0) - node.lineno + 1} lines"
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and (node.end_lineno or 0) - node.lineno + 1 > 60
    ]
    assert long == []


@pytest.mark.parametrize(
    "path", [path for path in SOURCES if room_of(path) in {"edge", "bench"}], ids=shown
)
def test_doors_and_bench_print_nothing(path: Path) -> None:
    assert "print" not in set(called(tree_of(path)))


TRUE_NAMES = {"YardProcess"}  # a process of the operating system
EMPTY_NAMES = re.compile(r"(manager|handler|helper|util|utils|data|info|process)$", re.IGNORECASE)


@pytest.mark.parametrize("path", SOURCES, ids=shown)
def test_a_name_says_what_the_thing_is(path: Path) -> None:
    names = [path.stem] + [
        node.name for node in ast.walk(tree_of(path)) if isinstance(node, ast.ClassDef)
    ]
    assert [name for name in set(names) - TRUE_NAMES if EMPTY_NAMES.search(name)] == []


UNITS = (
    *("deg", "rad", "mm", "m", "n", "a", "v", "s", "db", "ghz", "hz", "utc", "day", "pulses"),
    *("deg_per_s", "mm_per_s", "mm_per_deg", "pulses_per_mm", "pulses_per_s", "pulses_per_deg"),
    *("m_per_s", "db_per_deg"),
)

# The last word of a number that has none.
UNITLESS = {
    *("factor", "part", "ratio", "gain", "turns", "sigmas", "flattening", "progress", "share"),
    *("probability", "chance", "odds"),
    "variance",
    *("load", "voltage"),  # parts of the nominal, on the bench
}

# Numbers that end otherwise, each with the reason.
ARGUED = {
    "value",  # of a taped length or angle: its option's name carries the unit
    "sigma",  # of the same
    "low",  # bounds of the same
    "high",
    "amperes_at_full_scale",  # the unit leads, for a scale
    "signal",  # in the receiver's own unit
    "level",  # of a signal: the same
    "levels",
    "amount",  # of a move, in that move's own unit
    "nothing",  # how probable it is that nothing happened
}


def has_unit(name: str) -> bool:
    return (
        name in ARGUED
        or name.rpartition("_")[2] in UNITLESS
        or any(name == unit or name.endswith(f"_{unit}") for unit in UNITS)
    )


def float_fields(tree: ast.AST) -> Iterator[str]:
    for owner in ast.walk(tree):
        if isinstance(owner, ast.ClassDef):
            for node in owner.body:
                if (
                    isinstance(node, ast.AnnAssign)
                    and isinstance(node.target, ast.Name)
                    and ast.unparse(node.annotation) in {"float", "float | None"}
                ):
                    yield node.target.id


@pytest.mark.parametrize(
    "path",
    [path for path in SOURCES if room_of(path) in {"core", "geometry", "bench", "config"}],
    ids=shown,
)
def test_the_unit_is_the_last_word_of_a_number(path: Path) -> None:
    assert [name for name in float_fields(tree_of(path)) if not has_unit(name)] == []


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("hour_angle_deg", True),
        ("coast_s", True),
        ("rate_pulses_per_s", True),
        ("stalls", False),  # ends in the letter of a unit, not in the unit
        ("angle", False),
        ("deg_angle", False),
    ],
)
def test_the_rule_of_units_knows_a_unit(name: str, expected: bool) -> None:
    assert has_unit(name) is expected


# Written in pieces, so that this file may be searched as well.
UNFINISHED = re.compile(
    "TO" + "DO|FIX" + "ME|X{3}|NotImplemented" + r"Error|mark\.(skip|x" + "fail)"
)
MACHINE = re.compile(r"/(work|root|home/\w+)/|\.\./sha" + "red|seed docu" + "ment")
TEXT = {".py", ".md", ".toml", ".yaml", ".yml", ".sh", ".conf", ".service", ".svg", ".rules", ""}


@pytest.mark.parametrize("path", [p for p in TRACKED if p.suffix in TEXT], ids=shown)
def test_nothing_is_left_undone_or_bound_to_one_machine(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert UNFINISHED.findall(text) == []
    assert MACHINE.findall(text) == []


TOP = {
    ".ci",
    ".gitignore",
    "DEVELOPERS.md",
    "README.md",
    "config",
    "controller",
    "hardware-notes",
    "pyproject.toml",
    "tests",
}


def test_the_top_holds_only_what_an_owner_should_see() -> None:
    assert {path.relative_to(ROOT).parts[0] for path in TRACKED} <= TOP


@pytest.mark.parametrize("path", CHECKS, ids=shown)
def test_a_check_is_a_sentence(path: Path) -> None:
    names = [
        node.name
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    ]
    assert [name for name in names if name.count("_") < 3] == []
