"""Does what the plan says on a crude pool, visit by visit, until it is handed over: no dead end, no loop, no excess.

The pool here is a few lines of arithmetic with invented figures: a dose kills in proportion to what is left of it, the
filter takes out a share each day, a flocculant drops the cloud to the floor, vacuuming stirs some of it up.
"""

import math
from dataclasses import replace
from datetime import timedelta

import pytest

from app.records import Chemical, FilterKind, StepKind, Treatment, Work
from app.treatment.plan import next_step
from app.treatment.products import chlorine_poured_mg_l
from app.treatment.progress import progress
from tests.app.treatment.recovery_logs import START, a_pool, a_reading, a_recovery, at_visit, chlorine, water

CLEARED_A_DAY = {FilterKind.SAND: 0.2, FilterKind.CARTRIDGE: 0.4, FilterKind.DE: 0.5}
DONE_BY_STEP = {
    StepKind.CLEAN_FILTER: (Work.FILTER_CLEANED,),
    StepKind.REMOVE_DEBRIS: (Work.DEBRIS_REMOVED,),
    StepKind.HAND_OVER: (Work.HANDED_OVER,),
}


class CrudePool:
    """Living algae in micrograms/L, a cloud in 1/m, dirt on the floor, free chlorine in mg/L, pH."""

    def __init__(self, pool, algae, cloud, ph=7.9):
        self.pool, self.algae, self.cloud, self.floor, self.chlorine, self.ph = pool, algae, cloud, 1.0, 0.0, ph

    @property
    def visible_depth_m(self):
        return min(8 / (0.6 + self.cloud + 0.08 * self.algae), 9.0)

    def pour(self, treatments):
        for each in treatments:
            self.chlorine += chlorine_poured_mg_l(each, self.pool.volume_l)
            if each.chemical is Chemical.HYDROCHLORIC_ACID:
                self.ph = 7.5

    def wait(self, hours, *, settling):
        # Algae eat about half of their own number in chlorine; what is left over fades by a half a day.
        killed = min(self.algae, 2.5 * self.chlorine)
        self.chlorine = max(self.chlorine - killed / 2.5, 0.0) * 0.5 ** (hours / 24)
        self.algae -= killed
        self.cloud += 0.08 * killed
        if settling:
            self.floor += self.cloud * 0.95
            self.cloud *= 0.05
        else:
            self.cloud *= math.exp(-CLEARED_A_DAY[self.pool.filter_kind] * hours / 24)

    def vacuum(self):
        self.cloud += 0.3 * self.floor
        self.floor *= 0.2


def follow(pool, algae, cloud, *, most_visits=40):
    """Follow the plan to the hand-over; return the steps taken and the recovery."""
    real, visits, steps, hours = CrudePool(pool, algae, cloud), [], [], 0.0
    while len(visits) < most_visits:
        seen = real.visible_depth_m >= 2.44
        visit = at_visit(
            len(visits) + 1,
            hours,
            water(real.visible_depth_m, max(real.algae, 0.5), wide=1.15),
            floor_seen=seen,
            debris_on_floor=real.floor > 0.3 if seen else None,
            readings=(
                chlorine(real.chlorine),
                a_reading("ph", real.ph),
                a_reading("total_alkalinity", 90.0),
                a_reading("cyanuric_acid", 40.0),
            ),
        )
        now = visit.at
        # At one visit the plan may ask for several things after one another, each logged at once.
        for _ in range(6):
            step = next_step(a_recovery(*visits, visit, pool=pool), now)
            steps.append(step.step)
            poured = tuple(
                Treatment(a.dose.chemical, a.dose.amount, a.dose.unit, a.dose.strength_pct) for a in step.do if a.dose
            )
            work = DONE_BY_STEP.get(step.step, ())
            if step.step is StepKind.VACUUM:
                work = (Work.VACUUMED_TO_WASTE if "waste" in step.title else Work.VACUUMED,)
                real.vacuum()
            if step.step is StepKind.FLOCCULATE and "settle" in step.title and poured:
                poured = (*poured, Treatment(Chemical.FLOCCULANT, 1.0, "L"))
            if not poured and not set(work) - set(visit.work):
                break
            real.pour(poured)
            visit = replace(visit, treatments=(*visit.treatments, *poured), work=(*visit.work, *work))
            if step.step is StepKind.HAND_OVER:
                return steps, a_recovery(*visits, visit, pool=pool)
        visits.append(visit)
        wait_h = max(next_step(a_recovery(*visits, pool=pool), now).return_in_hours or 24.0, 20.0)
        flocced = any(each.chemical is Chemical.FLOCCULANT for each in visit.treatments)
        real.wait(wait_h, settling=flocced)
        hours += wait_h
    return steps, a_recovery(*visits, pool=pool)


@pytest.mark.parametrize("algae", [6.0, 25.0, 80.0, 180.0, 300.0])
@pytest.mark.parametrize(
    "pool",
    [
        a_pool(filter_kind=FilterKind.SAND, has_waste_port=True),
        a_pool(filter_kind=FilterKind.SAND, has_waste_port=False),
        a_pool(),
        a_pool(filter_kind=FilterKind.DE, salt_cell=True),
    ],
    ids=["sand with waste port", "sand", "cartridge", "DE"],
)
def test_the_plan_leads_to_the_hand_over(pool, algae):
    steps, recovery = follow(pool, algae, cloud=3.0)
    assert steps[-1] is StepKind.HAND_OVER, steps
    days = (recovery.visits[-1].at - START).total_seconds() / 86_400
    # Common practice: three weeks at the outside; a rough model may take a week more.
    assert days <= 28
    for visit in recovery.visits:
        poured = sum(chlorine_poured_mg_l(each, pool.volume_l) for each in visit.treatments)
        assert poured <= 83.4
        if any(work in (Work.VACUUMED, Work.VACUUMED_TO_WASTE, Work.DEBRIS_REMOVED) for work in visit.work):
            assert visit.floor_seen
    # The share never falls to nothing again and ends at one.
    shares = [
        progress(replace(recovery, visits=recovery.visits[: i + 1]), visit.at).done_share
        for i, visit in enumerate(recovery.visits)
    ]
    assert shares[-1] == 1.0
    # Two days of rounds go by at most before somebody is expected again.
    for visit, after in zip(recovery.visits, recovery.visits[1:], strict=False):
        assert after.at - visit.at <= timedelta(hours=49)
