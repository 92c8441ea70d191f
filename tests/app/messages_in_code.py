"""Every message of the program, found in its code: `_("...")`, `_.several("...", "...", n)`, `mark("...")`."""

import ast
from pathlib import Path

import app

ROOT = Path(app.__file__).parent


def messages():
    """Return each message once, (one, many) where it counts, with the file it was first met in.

    Read from the syntax tree: Babel's own reader passes over what stands inside an f-string.
    """
    found = {}
    for path in sorted(ROOT.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if (message := _message(node)) is not None:
                found.setdefault(message, path.relative_to(ROOT.parent).as_posix())
    return found


def _message(node):
    if not isinstance(node, ast.Call):
        return None
    name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
    texts = [each.value for each in node.args if isinstance(each, ast.Constant) and isinstance(each.value, str)]
    if name in ("_", "mark") and len(texts) == 1:
        return texts[0]
    return tuple(texts) if name == "several" and len(texts) == 2 else None
