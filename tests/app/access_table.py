"""Everything that can be asked of the app, found by looking, with who may: what the access tests try one by one.

`python -m tests.app.access_table` prints the table that stands in DEVELOPERS.md, and with `--write` puts it there.
"""

import importlib
import inspect
import re
import sys
from collections import defaultdict
from pathlib import Path

from app.access import RIGHTS, Right, Role

ROOT = Path(__file__).parents[2]
ROLES = (Role.OWNER, Role.OFFICE, Role.TECH, Role.LINK, Role.NO_ONE)


def use_case_modules():
    """Return `app.actions` and the modules beside it, as .importlinter places them."""
    layer = next(line for line in (ROOT / ".importlinter").read_text().splitlines() if "(people)" in line)
    beside = re.findall(r"\w+", layer)
    return [
        importlib.import_module(f"app.{name}")
        for name in ("actions", *beside)
        if (ROOT / "app" / f"{name}.py").exists()
    ]


def public_functions(module):
    """Return a module's public functions by name: those of its own, and those it says again by `__all__`."""
    again = set(getattr(module, "__all__", ()))
    return {
        name: found
        for name, found in inspect.getmembers(module, inspect.isfunction)
        if (name in again if again else not name.startswith("_") and found.__module__ == module.__name__)
    }


def use_cases():
    """Return every public function that takes a log first, by its whole name, with its right (None: not declared)."""
    return {
        f"{module.__name__.removeprefix('app.')}.{name}": (found, getattr(found, "right", None))
        for module in use_case_modules()
        for name, found in public_functions(module).items()
        if next(iter(inspect.signature(found).parameters), "") == "log"
    }


def pages():
    """Return every page's name with its right."""
    from app.dashboard.main import PAGES

    return {name: right for name, (_title, _show, right) in PAGES.items()}


def doors():
    """Return every address of ours, with its methods, and its right."""
    from app.dashboard.doors import DOORS

    return {f"{' '.join(door.methods)} {door.path}": door.right for door in DOORS}


STREAMLIT = ("media", "upload", "socket", "metrics", "agent")
"""What Streamlit answers itself, by topic; all of it needs `Right.LOOK`."""


def table():
    """Return the table of what is allowed, as Markdown: a row a right, a column a role, and what the right opens."""
    opened = defaultdict(list)
    for name, (_found, right) in use_cases().items():
        opened[right].append(f"`{name}`")
    for name, right in pages().items():
        opened[right].append(f"page /{name}")
    for name, right in doors().items():
        opened[right].append(name)
    opened[Right.LOOK].append(f"Streamlit's {', '.join(STREAMLIT)}")
    lines = [
        "| right | " + " | ".join(role.value.replace("_", " ") for role in ROLES) + " | what it opens |",
        "| --- |" + " --- |" * (len(ROLES) + 1),
    ]
    for right in Right:
        may = " | ".join("yes" if right in RIGHTS[role] else "" for role in ROLES)
        lines.append(f"| {right.value.replace('_', ' ')} | {may} | {', '.join(opened[right])} |")
    return "\n".join(re.sub(r" +\|", " |", line) for line in lines)


def main():
    """Print the table, or put it into the guide."""
    guide = ROOT / "DEVELOPERS.md"
    if "--write" not in sys.argv:
        print(table())
        return
    before = guide.read_text(encoding="utf-8")
    start = before.index("| right | owner |")
    end = before.index("\n\n", start)
    guide.write_text(before[:start] + table() + before[end:], encoding="utf-8")


if __name__ == "__main__":
    main()
