"""A measurer whose "photos" are lines of text that say what it answers; no pixels.

`good hazy light 0.9` is graded, `flagged no_card` is not usable, `unreadable` is refused, `die` ends the process,
`bug` raises what a programmer's mistake would.
"""

import hashlib
import os
from dataclasses import dataclass

from app.workers import Job
from vision.errors import PhotoUnreadable
from vision.results import (
    CLARITY_LOWER_M,
    SEVERITY_LOWER_UG_L,
    CardResult,
    Clarity,
    ErrorSummary,
    Grade,
    Interval,
    PatchResult,
    PhotoResult,
    Severity,
    WaterResult,
    problem,
)


@dataclass(frozen=True)
class FakeMeasurer:
    """Answers as the file's text says; `model` and `instead` let a test pretend a newer model.

    It works in a program of its own: what it was told of the pool it writes into the file `noted_in`.
    """

    model: str = "fake-1"
    instead: str = ""
    noted_in: str = ""

    def __call__(self, job: Job) -> PhotoResult:
        if self.noted_in:
            with open(self.noted_in, "a") as noted:
                print(repr(job.known), file=noted)
        content = job.path.read_bytes()
        words = (self.instead or content.decode()).split()
        if words[0] == "unreadable":
            raise PhotoUnreadable(f"The file {job.path.name} is not a photo that can be read.", "Send a JPEG.")
        if words[0] == "die":
            os._exit(9)
        if words[0] == "bug":
            raise ValueError("planted")
        graded = words[0] == "good"
        return PhotoResult(
            photo=job.name,
            sha256=hashlib.sha256(content).hexdigest(),
            taken_at="2026-06-03T09:14:07-07:00",
            usable=graded,
            problems=tuple(problem(each) for each in ([] if graded else words[1:2])),
            card=fake_card() if graded else None,
            water=fake_water(Clarity(words[1]), Severity(words[2]), float(words[3])) if graded else None,
            disc=None,
            strip=None,
            versions={"turnblue": "0.0-test", "grader": self.model},
        )


@dataclass(frozen=True)
class FakeVersioned(FakeMeasurer):
    """Says which versions its results carry, as the real one does."""

    def versions(self):
        return {"turnblue": "0.0-test", "grader": self.model}


def fake_card() -> CardResult:
    patches = (
        PatchResult("N5", (0.4, 0.4, 0.4), (0.5, 0.5, 0.5), (0.5, 0.5, 0.5), 1.25),
        PatchResult("B1", (0.1, 0.2, 0.3), (0.1, 0.2, 0.4), (0.1, 0.2, 0.4), float("nan"), False, 0.5),
    )
    corners = ((0.0, 0.0), (10.0, 0.0), (10.0, 5.0), (0.0, 5.0))
    return CardResult("turnblue", corners, True, patches, ErrorSummary(1.25, 2.0), 7, "matrix")


def fake_water(clarity: Clarity, severity: Severity, probability: float) -> WaterResult:
    rest = (1 - probability) / 4
    low_m, low_ug_l = CLARITY_LOWER_M[clarity], SEVERITY_LOWER_UG_L[severity]
    return WaterResult(
        region_px=((0.0, 0.0), (4.0, 0.0), (4.0, 4.0)),
        clarity=Grade(clarity, {each.value: probability if each is clarity else rest for each in Clarity}),
        severity=Grade(severity, {each.value: probability if each is severity else rest for each in Severity}),
        visible_depth_m=Interval(low_m, low_m + 0.1, None if clarity is Clarity.CRYSTAL else low_m + 0.2),
        chlorophyll_ug_l=Interval(low_ug_l, low_ug_l + 1, low_ug_l + 2),
    )
