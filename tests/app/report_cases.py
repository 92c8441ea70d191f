"""Made-up recoveries for the report's tests: one going well, one stalled, one done; with things no customer may see."""

from datetime import UTC, datetime, timedelta

from app.records import (
    Assessment,
    Chemical,
    Company,
    FilterKind,
    Pool,
    Progress,
    Recovery,
    Standing,
    Step,
    StepKind,
    Treatment,
    Visit,
    Work,
)
from vision.results import Clarity, Interval, Severity

NOW = datetime(2026, 6, 10, 16, tzinfo=UTC)
COMPANY = Company("Invented & Sons", "555-0142")
SECRETS = ("gate code 4711", "Dog bites", "Mx Owner", "Hidden Town", "Kit the tech")
POOL = Pool(
    "p", "Oak <b>Street</b> 12", 56_781.0, FilterKind.CARTRIDGE, depth_deep_m=2.4, owner=SECRETS[2], town=SECRETS[3],
    note=SECRETS[0],
)  # fmt: skip


def seen(number, depth_m, clarity, severity, *, bound=False, usable=True):
    depth = Interval(depth_m * 0.8, depth_m, None if bound else depth_m * 1.3)
    return Assessment(
        f"m-{number}", f"{number:064x}", usable, (), clarity, 0.9, severity, 0.9, depth, Interval(1.0, 2.0, 3.0)
    )


def visit(number, assessment=None, *, treatments=(), work=()):
    at = NOW - timedelta(days=9 - number)
    return Visit(
        f"v-{number}", "r", at, SECRETS[4], assessment, treatments=treatments, work=work, note=SECRETS[1],
        photo_sha256s=(assessment.photo_sha256,) if assessment else (),
    )  # fmt: skip


CHLORINE = Treatment(Chemical.SODIUM_HYPOCHLORITE, 30.283, "L", 12.5)
GREEN = visit(
    1,
    seen(1, 0.4, Clarity.OPAQUE, Severity.HEAVY),
    treatments=(CHLORINE,),
    work=(Work.BRUSHED, Work.BRUSHED, Work.DEBRIS_REMOVED),
)
MILKY = visit(4, seen(4, 0.9, Clarity.CLOUDY, Severity.NONE), work=(Work.FILTER_CLEANED,))
BLUE = visit(7, seen(7, 3.4, Clarity.CLEAR, Severity.NONE), work=(Work.FILTER_CLEANED,))
CRISP = visit(8, seen(8, 7.8, Clarity.CRYSTAL, Severity.NONE, bound=True), work=(Work.HANDED_OVER,))


def recovery(*visits, closed=False, pool=POOL):
    return Recovery("r", pool, NOW - timedelta(days=9), NOW if closed else None, visits)


def progress(standing, share=0.5, days=None, due=None):
    return Progress(standing, share, days, due, False, "A sentence of the plan's.")


def step(kind):
    return Step(kind, "A title of the plan's", (), (), None, "", (), (), ())


GOING = (
    recovery(GREEN, MILKY),
    progress(Standing.CLEARING, 0.59, Interval(2.5, 5.8, 11.5), NOW + timedelta(days=1)),
    step(StepKind.CLEAN_FILTER),
)
STALLED = (recovery(GREEN, MILKY), progress(Standing.STALLED, 0.4), step(StepKind.CALL_FOR_HELP))
DONE = (
    recovery(GREEN, MILKY, BLUE, CRISP, closed=True),
    progress(Standing.DONE, 1.0, Interval(0.0, 0.0, 0.0)),
    step(StepKind.CLOSED),
)
CASES = {"going": GOING, "stalled": STALLED, "done": DONE}
