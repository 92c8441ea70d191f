"""Every message of the program.

Found in its code, `_("...")`, `several("...", "...", n)`, `said("...")`, `mark("...")`, in what errors say, and in the
tables of the plan, the cautions, the causes, the products, the quote and the flags.
"""

import ast
from functools import cache
from pathlib import Path

import app
import app.errors

ROOT = Path(app.__file__).parent


@cache
def messages():
    """Return each message once, (one, many) where it counts, with the file it was first met in.

    Read from the syntax tree: Babel's own reader passes over what stands inside an f-string.
    """
    found = {}
    for path in sorted(ROOT.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if (message := _message(node)) is not None:
                found.setdefault(message, path.relative_to(ROOT.parent).as_posix())
    for message, path in in_errors():
        found.setdefault(message, path)
    for message, path in in_tables():
        found.setdefault(message, path)
    return found


def _message(node):
    if not isinstance(node, ast.Call):
        return None
    name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
    texts = [each.value for each in node.args if isinstance(each, ast.Constant) and isinstance(each.value, str)]
    if name in ("_", "mark", "said") and len(texts) == 1:
        return texts[0]
    return tuple(texts) if name in ("several", "said_several") and len(texts) == 2 else None


SPOKEN = ("access", "actions", "intake", "learning", "measuring", "people", "reports", "store/accounts", "store/log",
          "treatment/dosing", "treatment/quote", "treatment/prices")  # fmt: skip
"""Whose errors a page shows to a tech or the office, by module; those of the command line alone stay English."""


def in_errors():
    """Give what errors say, sentence and hint, where they are written out."""
    kinds = {name for name, each in vars(app.errors).items() if isinstance(each, type)}
    kinds |= {"CannotReport", "CannotDose", "CannotQuote", "NoPrice"}
    for module in SPOKEN:
        path = ROOT / f"{module}.py"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in kinds:
                for each in node.args:
                    if isinstance(each, ast.Constant) and isinstance(each.value, str):
                        yield each.value, path.relative_to(ROOT.parent).as_posix()


def in_tables():
    """Give every message that stands in a table, with the table's file."""
    from app.treatment import causes, cautions, products, quote, rules
    from app.treatment.rule import Only, Pour
    from vision.flags import FLAGS

    for rule in rules.RULES:
        for line in (rule.title, *rule.do, rule.look_for, *rule.would_change):
            text = line.say if isinstance(line, Only | Pour) else line
            # These are filled in from elsewhere.
            if text and text not in ("{checks}", "{granules}"):
                yield text, "app/treatment/rules.py"
    every = [*cautions.WORK.values(), *cautions.CHEMICALS.values()]
    for caution in (each for several in every for each in several):
        yield caution.say, "app/treatment/cautions.py"
    for caution in pool_cautions(cautions.of_pool):
        yield caution.say, "app/treatment/cautions.py"
    for told in causes.TOLD.values():
        yield from ((each, "app/treatment/causes.py") for each in (told.say, told.check, told.mend))
    for product in products.PRODUCTS.values():
        if product.ph:
            yield product.ph, "app/treatment/products.py"
    yield from ((each, "app/treatment/quote.py") for each in (*quote.METHOD_SAY.values(), *quote.EXCLUDES))
    for flag in FLAGS:
        yield from ((each, "vision/flags.py") for each in (flag.short, flag.say))


def pool_cautions(of_pool):
    """Give the cautions that a pool adds, of every kind of pool."""
    from app.records import FilterKind, Pool, Surface

    for surface in Surface:
        pool = Pool("p", "P", 50_000.0, FilterKind.SAND, surface, indoor=True, salt_cell=True)
        yield from of_pool(pool)
