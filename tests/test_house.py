"""The house rules that a machine can check: form, types, directions, and that README tells the truth."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


def tracked(*endings):
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True)
    if listed.returncode:
        pytest.skip("this copy is no git checkout")
    return [ROOT / line for line in listed.stdout.splitlines() if line.endswith(endings) and (ROOT / line).exists()]


@pytest.mark.parametrize(
    "command",
    [["ruff", "format", "--check", "."], ["ruff", "check", "."], ["mypy"], ["lint-imports"]],
    ids=["format", "lint", "types", "directions"],
)
def test_tool_is_content(command):
    program = Path(sys.executable).parent / command[0]
    done = subprocess.run([str(program), *command[1:]], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-2000:]


def test_every_command_is_in_readme():
    from app.cli import main

    listed = set(re.findall(r"^\| `turnblue (\w+)", (ROOT / "README.md").read_text(), re.MULTILINE))
    assert listed == set(main.commands)


def test_readme_opens_with_the_job():
    first = (ROOT / "README.md").read_text().split("\n\n")[1]
    assert first.startswith("A pool-service professional is called to a pool that has gone green")


def test_every_dependency_earns_its_line():
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    wanted = project["dependencies"] + [each for extra in project["optional-dependencies"].values() for each in extra]
    names = {re.split(r"[<>=\[; ]", each)[0] for each in wanted}
    guide = (ROOT / "DEVELOPERS.md").read_text()
    assert [name for name in sorted(names) if f"| {name} |" not in guide] == []


def test_top_level_is_as_planned():
    allowed = {
        "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "vision", "app", "models", "tests", "sample_images",
    }  # fmt: skip
    top = {path.relative_to(ROOT).parts[0] for path in tracked("")}
    assert {name for name in top if not name.startswith(".")} <= allowed


def test_no_packages_under_tests():
    assert [path for path in tracked("__init__.py") if "tests" in path.relative_to(ROOT).parts] == []


def test_package_data_is_in_the_wheel(tmp_path):
    import zipfile

    wheel = [sys.executable, "-m", "pip", "wheel", str(ROOT), "--no-deps", "--no-build-isolation", "-q"]
    done = subprocess.run([*wheel, "-w", str(tmp_path)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-2000:]
    inside = set(zipfile.ZipFile(next(tmp_path.glob("*.whl"))).namelist())
    data = [
        str(path.relative_to(ROOT))
        for path in tracked("")
        if path.relative_to(ROOT).parts[0] in {"vision", "app", "models"} and path.suffix != ".md"
    ]
    assert data
    assert sorted(set(data) - inside) == []
