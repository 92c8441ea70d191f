"""Measured colours out of a CGATS.17 text file (ISO 28178), as spectrophotometer programs write them.

In: the file's bytes. Out: `MeasuredColours`: names, and CIELAB under D50 for the 2 degree observer. Read are LAB, XYZ
or spectral fields (the first of these that the file has), quoted strings, comments, decimal commas and any line ends;
of several tables the first with colours is taken. A file that cannot be used raises `CalibrationInvalid` with a
sentence.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision import colour
from vision.errors import CalibrationInvalid
from vision.specs import DESIGNS

Array = NDArray[Any]

HINT = "Save the measurement again as CGATS text, with sample names and Lab, XYZ or spectral values (D50, 2 degree)."
"""What to do about a file that cannot be used."""

LARGEST_BYTES = 20_000_000
"""Largest file that is read: a hundred times a card's spectra (the project's own)."""

TOKEN = re.compile(r'"((?:[^"]|"")*)"|(\S+)')
"""A quoted string, in which "" stands for a quote, or a run of anything but spaces (ISO 28178, from memory)."""

BAND = re.compile(r"(?:SPECTRAL_?(?:NM_?)?|NM_?|R_?)?(\d{3})(?:[._,]?0*)(?:_?NM)?")
"""Names of spectral fields in use: SPECTRAL_NM380, SPECTRAL_380, NM380, nm_380, R380, 380 (common practice, no
source)."""

NAMES = ("SAMPLE_NAME", "SAMPLENAME", "NAME", "SAMPLE_ID", "SAMPLEID", "SAMPLE_LOC")
"""Fields that may name a sample, the first that the file has wins."""

FEWEST_BANDS, WIDEST_STEP_NM = 15, 20.5
"""Fewest spectral bands and widest step [nm] that XYZ is computed from: 20 nm is the coarsest that ASTM E308 has
tables for (from memory)."""

WHITES = {"D50": colour.WHITE_D50_XYZ, "D65": colour.WHITE_D65_XYZ}
"""Whites under which files are read; D65 is adapted to D50 (Bradford)."""


@dataclass(frozen=True)
class MeasuredColours:
    """Colours of a measured file: `names`, their CIELAB (D50) `lab_d50`, shape (N, 3), and what they came from."""

    names: tuple[str, ...]
    lab_d50: Array
    kind: str


def read_cgats(content: bytes) -> MeasuredColours:
    """Read the measured colours of a CGATS text file.

    Parameters
    ----------
    content : bytes
        The file.

    Raises
    ------
    CalibrationInvalid
        If it is no such file, its counts do not agree, a value is no number, or it was measured under an illuminant
        or for an observer other than this program's.
    """
    if len(content) > LARGEST_BYTES:
        raise CalibrationInvalid("This file is too large to be a card's measurement.", HINT)
    text = _decoded(content)
    why = "This file has no table of measured colours (no BEGIN_DATA_FORMAT and BEGIN_DATA)."
    for table in _tables(text):
        colours = _colours_of(table)
        if colours is not None:
            return colours
        why = "The table of this file has no Lab, XYZ or spectral values."
    raise CalibrationInvalid(why, HINT)


def _decoded(content: bytes) -> str:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16", errors="replace")
    if b"\0" in content:
        raise CalibrationInvalid("This file is not text.", HINT)
    return content.decode("utf-8-sig", errors="replace")


@dataclass(frozen=True)
class _Table:
    header: dict[str, str]
    fields: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def _tables(text: str) -> Iterator[_Table]:
    """Give the file's tables in turn; header words hold until they are said anew."""
    header: dict[str, str] = {}
    fields: list[str] = []
    values: list[list[str]] = []
    part = "header"
    for line in text.splitlines():
        tokens = _tokens(line)
        if not tokens:
            continue
        word = tokens[0].upper()
        if word == "BEGIN_DATA_FORMAT":
            part, fields, tokens = "fields", [], tokens[1:]
        elif word == "BEGIN_DATA":
            part, values, tokens = "values", [], tokens[1:]
        ended = bool(tokens) and tokens[-1].upper() in ("END_DATA_FORMAT", "END_DATA")
        body = tokens[:-1] if ended else tokens
        if part == "fields":
            fields += [each.upper() for each in body]
        elif part == "values":
            values += [body] if body else []
        else:
            header[word] = " ".join(tokens[1:])
        if ended and part == "values":
            yield _Table(header, tuple(fields), _rows(values, fields, header))
        if ended:
            part = "header"
    if part != "header":
        raise CalibrationInvalid("This file ends in the middle of its table: it was cut short.", HINT)


def _tokens(line: str) -> list[str]:
    """Return a line's tokens without its comment (from a # that is not in quotes)."""
    tokens = []
    for match in TOKEN.finditer(line):
        quoted, plain = match.groups()
        if quoted is not None:
            tokens.append(quoted.replace('""', '"'))
        elif plain.startswith("#"):
            break
        else:
            tokens.append(plain)
    return tokens


def _rows(lines: list[list[str]], fields: list[str], header: dict[str, str]) -> tuple[tuple[str, ...], ...]:
    """Return the table's rows, checked against the counts that the file states."""
    flat = [each for line in lines for each in line]
    width = len(fields)
    if width == 0:
        raise CalibrationInvalid("This file does not say what its columns are (BEGIN_DATA_FORMAT is empty).", HINT)
    stated = header.get("NUMBER_OF_FIELDS", "")
    if stated.isdigit() and int(stated) != width:
        raise CalibrationInvalid(f"This file says it has {stated} columns but names {width}.", HINT)
    # A row may run over several lines (ISO 28178): then only the sum can be checked.
    wrong = next((i for i, line in enumerate(lines, start=1) if len(line) != width), None)
    if wrong is not None and (len(flat) % width or any(len(line) > width for line in lines)):
        raise CalibrationInvalid(f"Row {wrong} of this file has {len(lines[wrong - 1])} values, not {width}.", HINT)
    rows = tuple(tuple(flat[i : i + width]) for i in range(0, len(flat), width))
    sets = header.get("NUMBER_OF_SETS", "")
    if sets.isdigit() and int(sets) != len(rows):
        raise CalibrationInvalid(f"This file says it has {sets} samples but holds {len(rows)}: it was cut short.", HINT)
    return rows


def _colours_of(table: _Table) -> MeasuredColours | None:
    """Return a table's colours, None where it has none."""
    places = {name: i for i, name in enumerate(table.fields)}
    bands = {int(m.group(1)): i for i, n in enumerate(table.fields) if (m := BAND.fullmatch(n))}
    bands = {nm: i for nm, i in bands.items() if 300 <= nm <= 830}
    lab, xyz = (tuple(f"{space}_{axis}" for axis in axes) for space, axes in (("LAB", "LAB"), ("XYZ", "XYZ")))
    if not table.rows:
        raise CalibrationInvalid("The table of this file is empty.", HINT)
    if all(name in places for name in lab):
        kind, values = "lab", _from_white(_numbers(table, [places[n] for n in lab]), table.header)
    elif all(name in places for name in xyz):
        kind, values = "xyz", _from_white(_xyz_lab(_numbers(table, [places[n] for n in xyz])), table.header, xyz=True)
    elif len(bands) >= FEWEST_BANDS:
        kind, values = "spectral", _spectral_lab(table, bands)
    else:
        return None
    named = next((places[name] for name in NAMES if name in places), None)
    if named is None:
        raise CalibrationInvalid("This file does not name its samples (SAMPLE_NAME or SAMPLE_ID).", HINT)
    names = tuple(row[named] for row in table.rows)
    if values[:, 0].max() > 105 or values[:, 0].min() < -1 or np.abs(values[:, 1:]).max() > 180:
        raise CalibrationInvalid("Some colours of this file are none that a print can have.", HINT)
    return MeasuredColours(names, values, kind)


def _numbers(table: _Table, columns: list[int]) -> Array:
    """Return columns as numbers; a decimal comma counts as a point."""
    values = np.empty((len(table.rows), len(columns)))
    for i, row in enumerate(table.rows):
        for j, column in enumerate(columns):
            try:
                values[i, j] = float(row[column].replace(",", "."))
            except ValueError:
                values[i, j] = np.nan
            if not np.isfinite(values[i, j]):
                raise CalibrationInvalid(
                    f"In row {i + 1} of this file, {table.fields[column]} is {row[column]!r}, no number.", HINT
                )
    return values


def _xyz_lab(xyz: Array) -> Array:
    """Return XYZ as written (white at 100, or at 1) with white at 1."""
    return np.asarray(xyz / 100 if xyz[:, 1].max() > 2 else xyz, dtype=np.float64)


def _from_white(values: Array, header: dict[str, str], *, xyz: bool = False) -> Array:
    """Return CIELAB under D50 of CIELAB or XYZ measured under the white that the header names (D50 by default)."""
    said = " ".join(f"{word} {value}" for word, value in header.items()).upper()
    observer = re.search(r"OBSERVER\W*(\d+)|\b(10|2)\s*(?:°|DEG)", said)
    if observer and (observer.group(1) or observer.group(2)) == "10":
        raise CalibrationInvalid("This file was measured for the 10 degree observer, not the 2 degree one.", HINT)
    light = re.search(r"\bILLUMINANT\w*\W+(\w+)", said) or re.search(r"\b(D\d\d)\b", said)
    name = light.group(1) if light else "D50"
    if name not in WHITES:
        raise CalibrationInvalid(f"This file was measured under illuminant {name}, not D50 or D65.", HINT)
    white = WHITES[name]
    absolute = values if xyz else colour.lab_to_xyz(values, white)
    adapted = absolute @ colour.bradford_matrix(white, colour.WHITE_D50_XYZ).T
    return np.asarray(colour.xyz_to_lab(adapted, colour.WHITE_D50_XYZ), dtype=np.float64)


@cache
def observer_table() -> Array:
    """Return nm, the 1931 observer's three functions and D50, every 5 nm, shape (81, 5)."""
    entry = json.loads((DESIGNS / "observer.json").read_text(encoding="utf-8"))
    return np.array(entry["rows"], dtype=np.float64)


def _spectral_lab(table: _Table, bands: dict[int, int]) -> Array:
    """Return CIELAB (D50, 2 degree) of reflectances.

    Between bands the reflectance is taken as straight, beyond the first and the last as level (CIE 015:2018, 7.2.2 and
    7.2.3, from memory).
    """
    wavelengths = np.array(sorted(bands), dtype=np.float64)
    if np.diff(wavelengths).max() > WIDEST_STEP_NM or wavelengths[0] > 420 or wavelengths[-1] < 680:
        raise CalibrationInvalid("The spectra of this file have gaps, or end before 420 to 680 nm.", HINT)
    reflectance = _numbers(table, [bands[int(nm)] for nm in wavelengths])
    if reflectance.max() > 2:
        reflectance = reflectance / 100
    nm, *functions, light = observer_table().T
    fine = np.stack([np.interp(nm, wavelengths, row) for row in reflectance])
    weights = np.stack(functions, axis=1) * light[:, None]
    # The white is the observer's own sum, so that a perfect white is L* 100 whatever the step.
    white = weights.sum(axis=0)
    return colour.xyz_to_lab(fine @ weights / white[1], white / white[1])
