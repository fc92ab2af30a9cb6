"""The house against its table: `rooms.toml` is the whole permission of who may import whom."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "src" / "yewline"
ROOMS = tomllib.loads((ROOT / "rooms.toml").read_text())
# Modules that resolve names on use, through importlib and a literal table.
ON_USE = {"yewline", "yewline.cli"}


def module_name(path: Path) -> str:
    parts = ("yewline", *path.relative_to(PACKAGE).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def room_of(module: str) -> str:
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else "__init__"


def sources() -> dict[str, Path]:
    return {module_name(path): path for path in sorted(PACKAGE.rglob("*.py"))}


def allowed_rooms(room: str) -> set[str]:
    allowed = {name for name, entry in ROOMS.items() if entry["rank"] == 0} | {room}
    for item in ROOMS[room]["may_import"]:
        if match := re.fullmatch(r"ranks:(\d+)-(\d+)", item):
            low, high = int(match[1]), int(match[2])
            allowed |= {name for name, entry in ROOMS.items() if low <= entry["rank"] <= high}
        else:
            assert item in ROOMS, f"{room} may import {item}, which is no room"
            allowed.add(item)
    return allowed


def named_modules(tree: ast.AST) -> set[str]:
    """House modules that stand in strings, as in the table of commands."""
    return {
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and re.fullmatch(r"yewline(\.\w+)+", node.value)
    }


def imports_of(tree: ast.AST, modules: set[str]) -> set[str]:
    """House modules that a file imports; a name imported from a package counts as its module where it is one."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names if alias.name.split(".")[0] == "yewline"}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"relative import in line {node.lineno}"
            if (node.module or "").split(".")[0] == "yewline":
                inner = {f"{node.module}.{alias.name}" for alias in node.names} & modules
                found |= inner or {str(node.module)}
    return found


def hidden_imports(tree: ast.AST) -> list[int]:
    """Lines on which a function or class imports from the house."""
    lines = []
    for outer in ast.walk(tree):
        if isinstance(outer, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef | ast.Lambda):
            lines += [
                node.lineno
                for node in ast.walk(outer)
                if (isinstance(node, ast.ImportFrom) and (node.module or "").startswith("yewline"))
                or (isinstance(node, ast.Import) and any(a.name.startswith("yewline") for a in node.names))
            ]
    return lines


def faults_of(module: str, text: str, modules: set[str]) -> list[str]:
    """All that the table forbids in one file."""
    tree = ast.parse(text)
    room = room_of(module)
    faults = [f"{module}:{line} imports inside a function" for line in hidden_imports(tree)]
    targets = imports_of(tree, modules)
    if module in ON_USE:
        targets |= named_modules(tree)
    elif "importlib" in {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}:
        faults.append(f"{module} loads modules by name")
    for target in sorted(targets):
        if target == "yewline":
            faults.append(f"{module} imports the package root")
        elif room_of(target) not in allowed_rooms(room):
            faults.append(f"{module} imports {target}: {room} may not import {room_of(target)}")
    return faults


def test_every_room_is_in_the_table():
    rooms = {room_of(module) for module in sources()}
    assert rooms <= set(ROOMS), f"not in rooms.toml: {sorted(rooms - set(ROOMS))}"


def test_table_has_no_way_up():
    for room, entry in ROOMS.items():
        for other in allowed_rooms(room) - {room}:
            rank = ROOMS[other]["rank"]
            assert (
                rank < entry["rank"]
                or (room, other)
                in {
                    ("signal", "statistics"),
                    ("_check", "errors"),
                    ("_check", "units"),
                    ("progress", "errors"),
                    ("_compiled", "errors"),
                }
                or rank == 0
            ), f"{room} (rank {entry['rank']}) may import {other} (rank {rank})"


def test_imports_keep_to_the_table():
    modules = set(sources())
    faults = [fault for module, path in sources().items() for fault in faults_of(module, path.read_text(), modules)]
    assert not faults, "\n".join(faults)


def test_no_cycle():
    modules = set(sources())
    graph = {m: imports_of(ast.parse(p.read_text()), modules) & modules for m, p in sources().items()}
    done: set[str] = set()

    def visit(module: str, trail: tuple[str, ...]) -> None:
        assert module not in trail, " -> ".join((*trail[trail.index(module) :], module))
        if module not in done:
            for target in sorted(graph[module]):
                visit(target, (*trail, module))
            done.add(module)

    for module in sorted(graph):
        visit(module, ())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("from yewline.hotspots import find_hotspots", "accuracy may not import hotspots"),
        ("import yewline", "imports the package root"),
        ("from yewline import model", ""),
        ("def f():\n    from yewline.model import digest", "imports inside a function"),
        ("import importlib", "loads modules by name"),
    ],
)
def test_the_test_sees_each_kind_of_fault(text: str, said: str):
    faults = faults_of("yewline.accuracy.example", text, set(sources()))
    assert any(said in fault for fault in faults) if said else faults == []


@pytest.mark.parametrize("module", [m for m, p in sources().items() if p.name == "__init__.py"])
def test_public_names_are_listed_sorted_and_complete(module: str):
    tree = ast.parse(sources()[module].read_text())
    lists = [
        ast.literal_eval(node.value)
        for node in tree.body
        if isinstance(node, ast.Assign) and [ast.unparse(t) for t in node.targets] == ["__all__"]
    ]
    if module in ON_USE:
        return
    imported = {
        alias.asname or alias.name
        for node in tree.body
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("yewline")
        for alias in node.names
    }
    assert lists, f"{module} has no __all__"
    assert set(lists[0]) == imported
    assert len(lists[0]) == len(set(lists[0]))
