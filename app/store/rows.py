"""Records to rows and back, and results out of their JSON.

In: dataclasses of `app.records` and `vision.results`, or a row of the log. Out: the other. Pure: no SQL, no disk.
A time goes in as ISO 8601 text with its zone, an enum as its value, NaN as null.
"""

from __future__ import annotations

import functools
import json
import math
import types
import typing
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from datetime import datetime
from enum import Enum
from typing import Any, TypeVar

from app.records import Assessment, Sighted
from vision.results import Clarity, Interval, PhotoResult, Severity, to_json

Row = Mapping[str, Any]
"""One row of the log by column."""

T = TypeVar("T")


def time_text(moment: datetime, name: str = "at") -> str:
    """Return an aware time as ISO 8601 text.

    Raises
    ------
    ValueError
        If `moment` has no zone; `name` is the argument named in the message.
    """
    if moment.tzinfo is None:
        raise ValueError(f"{name} must be a time with its zone, got {moment!r}")
    return moment.isoformat()


def clean_text(text: str) -> str:
    """Return `text` as the log can keep it: half characters (lone surrogates) become question marks."""
    return text.encode("utf-8", "replace").decode("utf-8")


def to_row(record: Any, *, leave_out: Sequence[str] = ()) -> dict[str, Any]:
    """Return a flat record as a row: one column a field."""
    return {part.name: _column(getattr(record, part.name)) for part in fields(record) if part.name not in leave_out}


def _column(value: Any) -> Any:
    """Return one field's value as SQLite keeps it."""
    if isinstance(value, bool):
        return int(value)
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, str):
        return clean_text(value)
    if isinstance(value, datetime):
        return time_text(value)
    if isinstance(value, tuple):
        return json.dumps(value)
    return value


def from_json(kind: type[T], value: Any) -> T:
    """Rebuild a record or result from a row or from the JSON that `vision.results.to_json` made.

    Missing fields take their default, unknown ones are passed over (a newer version may have added them). Null
    where a number is demanded becomes NaN, as `to_json` wrote it.

    Parameters
    ----------
    kind : type
        A dataclass, an enum, a scalar, a tuple type, or a union with None.
    value : object
        What `json.loads` or a row gave.
    """
    return typing.cast("T", _build(kind, value))


def _build(kind: Any, value: Any) -> Any:
    """Return `value` as the type `kind`, one level at a time."""
    origin = typing.get_origin(kind)
    if origin in (typing.Union, types.UnionType):
        inner = [each for each in typing.get_args(kind) if each is not type(None)]
        return None if value is None else _build(inner[0], value)
    if origin is tuple:
        return _build_tuple(typing.get_args(kind), json.loads(value) if isinstance(value, str) else value)
    if origin is not None:
        return dict(value)
    if isinstance(kind, type) and is_dataclass(kind):
        return _build_record(kind, value)
    if kind is float:
        return math.nan if value is None else float(value)
    if kind is datetime:
        return datetime.fromisoformat(value)
    return kind(value)


def _build_record(kind: type[Any], value: Mapping[str, Any]) -> Any:
    """Return a dataclass from its fields by name."""
    hints = _hints(kind)  # type: ignore[arg-type]
    return kind(**{name: _build(hint, value[name]) for name, hint in hints.items() if name in value})


@functools.cache
def _hints(kind: Any) -> dict[str, Any]:
    """Return a dataclass's types by field, resolved once."""
    return typing.get_type_hints(kind)


def _build_tuple(inner: tuple[Any, ...], values: Sequence[Any]) -> tuple[Any, ...]:
    """Return `values` as a tuple of one kind (`X, ...`) or of several."""
    kinds = [inner[0]] * len(values) if len(inner) == 2 and inner[1] is Ellipsis else list(inner)
    return tuple(_build(kind, each) for kind, each in zip(kinds, values, strict=True))


def assessment_of(measured: Row) -> Assessment:
    """Return what one measurement says of the water.

    Parameters
    ----------
    measured : mapping
        `id`, `sha256`, `usable`, and as JSON text (null where the photo has no water) `problems`, `clarity`,
        `severity`, `visible_depth_m`, `chlorophyll_ug_l`.
    """
    disc = "disc" in measured.keys() and measured["disc"] is not None  # noqa: SIM118
    part = {
        name: json.loads(measured[name]) if measured[name] else None
        for name in ("problems", "clarity", "severity", "visible_depth_m", "chlorophyll_ug_l")
    }
    flags = tuple(each["code"] for each in part["problems"] or ())
    if part["clarity"] is None or part["severity"] is None:
        return Assessment(measured["id"], measured["sha256"], usable=False, flags=flags)
    clarity, severity = part["clarity"], part["severity"]
    return Assessment(
        measurement_id=measured["id"],
        photo_sha256=measured["sha256"],
        usable=bool(measured["usable"]),
        flags=flags,
        clarity=Clarity(clarity["grade"]),
        clarity_probability=clarity["probabilities"][clarity["grade"]],
        severity=Severity(severity["grade"]),
        severity_probability=severity["probabilities"][severity["grade"]],
        visible_depth_m=_interval(part["visible_depth_m"]),
        chlorophyll_ug_l=_interval(part["chlorophyll_ug_l"]),
        sighted=disc,
    )


def assessment_of_result(measurement_id: str, result: PhotoResult) -> Assessment:
    """Return what a result says of the water, as the log would tell it."""
    # Not the whole result: its outline of the water alone is a thousand numbers.
    names = ("clarity", "severity", "visible_depth_m", "chlorophyll_ug_l")
    water = {} if result.water is None else {name: to_json(getattr(result.water, name)) for name in names}
    return assessment_of(
        {
            "id": measurement_id,
            "sha256": result.sha256,
            "usable": result.usable,
            "problems": json.dumps(to_json(result.problems)),
            **{name: json.dumps(water[name]) if name in water else None for name in names},
        }
    )


def with_sighting(assessment: Assessment | None, sighted: Sighted) -> Assessment | None:
    """Return an assessment with the tech's own sighting weighed in, each by its uncertainty.

    The disc's contrast is weighed in when the photo is measured (`vision.measure`); here it is what was seen and what
    was not. An assessment without a usable visible depth stays as it is.
    """
    from vision.belief import belief_in, clarity_grade, interval_of, sighting_beliefs, together

    if assessment is None or not assessment.usable or assessment.visible_depth_m is None:
        return assessment
    seen = sighting_beliefs(seen_at_m=sighted.seen_at_m, not_seen_at_m=sighted.not_seen_at_m)
    if not seen:
        return assessment
    both = together([belief_in(assessment.visible_depth_m), *seen])
    grade = clarity_grade(both)
    return replace(
        assessment,
        clarity=Clarity(grade.grade),
        clarity_probability=grade.probabilities[grade.grade],
        visible_depth_m=interval_of(both),
        sighted=True,
    )


def _interval(value: Any) -> Interval | None:
    """Return an interval out of its JSON, None where it is absent."""
    return None if value is None else from_json(Interval, value)


def speak_for_water(assessments: Sequence[Assessment]) -> Assessment | None:
    """Return the one assessment that speaks for a visit's water, None where no photo was measured.

    Of several usable photos we take the one whose two grades are surest (the product of their probabilities), and
    at equal sureness the murkier one: photos are never averaged, so the figure shown is always one photo's own.
    Where none is usable we return the one with the fewest doubts, so that the person learns what to retake; it is
    marked unusable and leads to no dose.
    """
    if not assessments:
        return None
    clearness = {grade: place for place, grade in enumerate(reversed(Clarity))}
    usable = [each for each in assessments if each.usable]
    if usable:
        return max(
            usable,
            key=lambda each: (
                round((each.clarity_probability or 0.0) * (each.severity_probability or 0.0), 6),
                -clearness[each.clarity or Clarity.OPAQUE],
                each.photo_sha256,
            ),
        )
    return min(assessments, key=lambda each: (each.clarity is None, len(each.flags), each.photo_sha256))
