"""Taste that no linter knows."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
UNIT = re.compile(
    r"(_|^)(c|k|pa|s|h|m|d|p|percent|per_h|kg_m3|g_kg|w_m2k|c100|p100|mm|mm100|dbm|ppm|u_k|u_percent|factor|ratio|"
    r"index|hours?|days?|dose|decline|start|target|score|value|reserve|width|height|size|share|scale|pace|limit)$"
)
PHYSICS = [p for p in sorted((ROOT / "monitor" / "physics").glob("*.py")) if p.stem != "arguments"]


def python_files() -> list[Path]:
    folders = ("monitor", "sensors", "dashboards", "demo", "tests", "deploy")
    return [p for folder in folders for p in (ROOT / folder).rglob("*.py")]


@pytest.mark.parametrize("path", PHYSICS, ids=lambda path: path.name)
def test_every_float_argument_of_the_physics_ends_in_its_unit(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    public = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef) and n.name[0] != "_"]
    names = [
        argument.arg
        for function in public
        for argument in (*function.args.args, *function.args.kwonlyargs)
        if argument.annotation is not None and "ArrayLike" in ast.unparse(argument.annotation)
    ]
    assert [name for name in names if not UNIT.search(name)] == []


def test_every_setting_is_documented() -> None:
    from monitor.config import Settings

    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for table, field in Settings.model_fields.items():
        for key in getattr(field.annotation, "model_fields", {}):
            assert f"`{table}.{key}`" in readme, f"{table}.{key}"


def test_no_file_names_a_machine_or_a_registry() -> None:
    forbidden = re.compile("/wor" + "k/|py" + "pi\\.org|files\\.python" + "hosted")
    listed = [
        p
        for p in ROOT.rglob("*")
        if p.is_file() and p.suffix in {".py", ".md", ".toml", ".txt", ".conf", ""}
    ]
    hidden = (
        ".venv",
        ".git",
        ".hypothesis",
        ".mypy_cache",
        ".ruff_cache",
        "__pycache__",
        "sillkeep.egg-info",
    )
    ours = [p for p in listed if not any(part in hidden for part in p.relative_to(ROOT).parts)]
    assert ours
    for path in ours:
        text = path.read_text(encoding="utf-8", errors="ignore")
        assert not forbidden.search(text), path


def test_readme_and_board_promise_only_commands_that_exist() -> None:
    import typer

    from monitor.cli import app

    group = typer.main.get_command(app)
    known = set(group.commands)  # type: ignore[attr-defined]
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    promised = set(re.findall(r"`?sillkeep ([a-z]+)", readme))
    for path in (ROOT / "dashboards").rglob("*.py"):
        shown = re.findall(r"html\.Code\(f?\"sillkeep ([a-z]+)", path.read_text(encoding="utf-8"))
        promised |= set(shown)
    assert promised
    assert promised <= known
