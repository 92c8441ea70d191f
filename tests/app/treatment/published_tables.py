"""Reads a table typed from a publication: comment lines on top, then a CSV with a header."""

import csv
from pathlib import Path

PUBLISHED = Path(__file__).parents[2] / "data" / "published"


def rows_of(name: str) -> list[dict[str, str]]:
    lines = (PUBLISHED / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))
