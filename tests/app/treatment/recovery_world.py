"""A made-up pool that turns from green to blue by physics of its own, to try plan and forecast on whole recoveries.

In: a random generator and the name of a planted trouble. Out: `World`, stepped by the hour, and what a tech would see
of it. It imports nothing of `app.treatment`: no constant, rate or formula is shared with what it tries. All figures are
invented; they are drawn widely, around what the trade reports (sand up to three weeks, finer filters two).

Water: living algae [micrograms/L chlorophyll], a cloud of dead matter [1/m, attenuation], dirt on the floor [1/m if it
were stirred up], organics that burn chlorine [mg/L], free chlorine and cyanuric acid [mg/L]. One step is one hour.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from enum import StrEnum

FILTERS = ("sand", "cartridge", "de")

WIDE = {
    "turnovers_a_day": (1.6, 4.2),
    "caught_sand": (0.030, 0.085),
    "caught_cartridge": (0.05, 0.15),
    "caught_de": (0.06, 0.18),
    "kill_an_hour": (0.04, 0.15),
    "half_kill_hocl_mg_l": (0.02, 0.10),
    "chlorine_per_algae": (0.06, 0.24),
    "organics_per_algae": (0.05, 0.25),
    "cloud_per_algae": (0.08, 0.17),
    "dead_share": (0.5, 0.95),
    "settling_a_day": (0.02, 0.10),
    "floc_settling_an_hour": (0.04, 0.10),
    "stirred": (0.03, 0.14),
    "vacuum_takes": (0.6, 0.9),
    "bleaching": (4e-5, 2e-4),
    "own_attenuation": (0.75, 1.2),
    "growth_a_day": (0.15, 0.6),
    "sun_noon_an_hour": (0.3, 0.7),
    "holds": (5.0, 14.0),
    "photo_noise": (0.06, 0.14),
}
"""From where to where each figure may lie; drawn evenly on a logarithm."""

HELD_OUT_EDGE = 0.15
"""The plan's own figures were looked at on draws from the middle 70 % of each range; the 15 % at each end are held
out."""


class Ranges(StrEnum):
    """Which part of each range a pool's figures are drawn from."""

    MIDDLE = "middle"
    WHOLE = "whole"
    ENDS = "ends"


class Trouble(StrEnum):
    """What can be planted."""

    PUMP_OFF = "pump_off"
    FILTER_PASSES = "filter_passes"
    FILTER_CLOGGED = "filter_clogged"
    UNDER_DOSED = "under_dosed"
    CYANURIC_ACID = "cyanuric_acid"
    DEBRIS = "debris"


@dataclass
class Figures:
    """The drawn figures of one pool."""

    turnovers_a_day: float
    caught: float
    kill_an_hour: float
    half_kill_hocl_mg_l: float
    chlorine_per_algae: float
    organics_per_algae: float
    cloud_per_algae: float
    dead_share: float
    settling_a_day: float
    floc_settling_an_hour: float
    stirred: float
    vacuum_takes: float
    bleaching: float
    own_attenuation: float
    growth_a_day: float
    sun_noon_an_hour: float
    holds: float
    photo_noise: float


def draw_figures(rng: random.Random, filter_kind: str, *, ranges: Ranges = Ranges.MIDDLE) -> Figures:
    """Draw a pool's figures from the middle of each range, from the whole of it, or each from one of the ends.

    With `ENDS` every one of the figures is extreme at once: no pool is like that, and nothing was tuned on it.
    """

    def drawn(name: str) -> float:
        low, high = WIDE[name]
        share = rng.uniform(HELD_OUT_EDGE, 1 - HELD_OUT_EDGE)
        if ranges is Ranges.WHOLE:
            share = rng.random()
        if ranges is Ranges.ENDS:
            share = rng.uniform(0, HELD_OUT_EDGE) + rng.choice([0.0, 1 - HELD_OUT_EDGE])
        return low * (high / low) ** share

    names = [name for name in Figures.__dataclass_fields__ if name != "caught"]
    return Figures(caught=drawn(f"caught_{filter_kind}"), **{name: drawn(name) for name in names})


def hocl_mg_l(chlorine_mg_l: float, cya_mg_l: float, ph: float) -> float:
    """Hypochlorous acid: cyanuric acid binds chlorine like a surface, up to 1.1 mg each, with a half point of 0.65."""
    most = 1.1 * cya_mg_l
    # x + most x / (x + 0.65) = chlorine, solved for x.
    b = 0.65 + most - chlorine_mg_l
    loose = (-b + math.sqrt(b * b + 4 * 0.65 * chlorine_mg_l)) / 2
    return loose / (1 + 10 ** (ph - 7.54))


class World:
    """One pool by the hour; `hour` counts from 9 in the morning of the first visit."""

    def __init__(
        self,
        rng: random.Random,
        *,
        trouble: Trouble | None,
        ranges: Ranges = Ranges.MIDDLE,
        kind: str | None = None,
    ):
        self.rng, self.trouble = rng, trouble
        self.filter_kind = kind or rng.choice(FILTERS)
        self.f = draw_figures(rng, self.filter_kind, ranges=ranges)
        self.recorded_l = rng.uniform(30_000, 130_000)
        self.volume_l = self.recorded_l * math.exp(rng.gauss(0, 0.06))
        self.stock_share = rng.uniform(0.8, 1.0)
        self.deep_m = rng.uniform(1.7, 3.0)
        self.has_waste_port = self.filter_kind == "sand" and rng.random() < 0.5
        self.hour = 0
        self.algae = math.exp(rng.uniform(math.log(15), math.log(350)))
        self.cloud = rng.uniform(0.3, 2.5)
        self.floor = rng.uniform(1.0, 10.0)
        self.organics = self.f.organics_per_algae * self.algae * rng.uniform(0.7, 1.3) + rng.uniform(1, 8)
        self.chlorine, self.cya = 0.0, max(rng.gauss(45, 25), 0.0)
        self.ph, self.alkalinity = rng.uniform(7.2, 8.2), rng.uniform(60, 140)
        self.leaves_mg_l_a_day = rng.uniform(2, 6) if rng.random() < 0.25 else 0.0
        self.load, self.flocculated, self.pump_on = rng.uniform(0, 0.5) * self.f.holds, False, True
        self.clean_kpa = rng.uniform(55, 110)
        self.off_share, self.passes, self.left_in_filter = 0.0, 0.0, 0.0
        self.power, self.pump_sound = True, True
        self.cut_until, self.off_now = -1, False
        self.trouble_from_hour = 0
        self.starts_broken = None
        if trouble is None and rng.random() < 0.12:
            self.starts_broken = rng.choice(["power", "pump"])
            self.power, self.pump_sound = self.starts_broken != "power", self.starts_broken != "pump"
        self._plant()
        self.clear_hours: list[bool] = []

    def _plant(self) -> None:
        """Put the trouble in; that of pump and filter comes on at some hour of the first days."""
        rng = self.rng
        if self.trouble in (Trouble.PUMP_OFF, Trouble.FILTER_PASSES, Trouble.FILTER_CLOGGED):
            self.trouble_from_hour = rng.randrange(0, 100)
            self.algae = rng.uniform(60, 350)
        if self.trouble is Trouble.UNDER_DOSED:
            if rng.random() < 0.5:
                self.volume_l = self.recorded_l * rng.uniform(2.0, 3.0)
            else:
                self.stock_share = rng.uniform(0.15, 0.35)
            self.algae = rng.uniform(60, 300)
            self.organics = self.f.organics_per_algae * self.algae + rng.uniform(10, 25)
        if self.trouble is Trouble.CYANURIC_ACID:
            self.cya, self.algae = rng.uniform(300, 900), rng.uniform(120, 350)
            self.organics = self.f.organics_per_algae * self.algae + rng.uniform(5, 20)
        if self.trouble is Trouble.DEBRIS:
            self.leaves_mg_l_a_day, self.algae = rng.uniform(60, 160), rng.uniform(60, 300)

    @property
    def trouble_is_on(self) -> bool:
        """Whether the planted trouble is there now."""
        return self.trouble is not None and self.hour >= self.trouble_from_hour

    def mend(self) -> None:
        """Take the planted trouble away."""
        if self.trouble is Trouble.CYANURIC_ACID:
            self.cya *= 0.25
            self.chlorine *= 0.4
            self.cloud *= 0.5
            self.algae *= 0.5
        if self.trouble is Trouble.UNDER_DOSED:
            self.recorded_l, self.stock_share = self.volume_l, 0.95
        if self.trouble is Trouble.DEBRIS:
            self.leaves_mg_l_a_day *= 0.1
        self.trouble = None

    @property
    def visible_depth_m(self) -> float:
        """Depth at which a disc is lost from sight."""
        return 8 / (self.f.own_attenuation + self.f.cloud_per_algae * self.algae + self.cloud)

    @property
    def is_clear(self) -> bool:
        """Whether the water is clear by the grades: 3 m and more, under 3 micrograms/L."""
        return self.visible_depth_m >= 3.0 and self.algae < 3.0

    @property
    def pressure_kpa(self) -> float:
        """What the gauge shows."""
        if not (self.pump_on and self.power and self.pump_sound):
            return 0.0
        return self.clean_kpa + 60 * min((self.load / self.f.holds) ** 1.5, 3.0) + self.rng.gauss(0, 3)

    def pour(self, *, chlorine_mg_l_on_label: float) -> None:
        """Pour chlorine that would raise the recorded volume by so much if the stock were as labelled."""
        self.chlorine += chlorine_mg_l_on_label * self.stock_share * self.recorded_l / self.volume_l

    def clean_filter(self) -> None:
        """Hose or backwash."""
        clogged = self.trouble is Trouble.FILTER_CLOGGED and self.trouble_is_on
        self.load = self.f.holds * (self.rng.uniform(1.5, 2.5) if clogged else self.rng.uniform(0, 0.1))

    def vacuum(self, *, to_waste: bool) -> None:
        """Take dirt off the floor; some of it is stirred up."""
        self.cloud += self.f.stirred * self.floor
        taken = self.f.vacuum_takes if to_waste else 0.9 * self.f.vacuum_takes
        if not to_waste:
            self.load += 0.5 * taken * self.floor
        self.floor *= 1 - taken

    def hours(self, count: int) -> None:
        """Let time go by."""
        for _ in range(count):
            self._hour()
            self.clear_hours.append(self.is_clear)

    def _hour(self) -> None:
        f, rng = self.f, self.rng
        self.hour += 1
        if rng.random() < 0.004:
            self._rain()
        if rng.random() < 0.002:
            self.cut_until = self.hour + rng.randrange(2, 11)
        if self.trouble_is_on and self.trouble is Trouble.FILTER_CLOGGED:
            self.load = max(self.load, 1.6 * f.holds)
        pump_off_by_owner = self.trouble is Trouble.PUMP_OFF and self.trouble_is_on and rng.random() < 0.96
        running = self.power and self.pump_sound and self.pump_on and self.hour >= self.cut_until
        running = running and not pump_off_by_owner
        self.off_now = not running
        # Organics, leaves and algae share the chlorine.
        self.organics += self.leaves_mg_l_a_day / 24
        burned = min(self.organics * (1 - math.exp(-0.05 * self.chlorine)), self.chlorine)
        self.organics -= burned
        self.chlorine -= burned
        acid = hocl_mg_l(self.chlorine, self.cya, self.ph) if self.chlorine > 1e-6 else 0.0
        rate = f.kill_an_hour * acid / (acid + f.half_kill_hocl_mg_l)
        killed = min(self.algae * (1 - math.exp(-rate)), self.chlorine / f.chlorine_per_algae)
        self.algae -= killed
        self.chlorine -= f.chlorine_per_algae * killed
        self.cloud += f.dead_share * f.cloud_per_algae * killed
        if acid < 0.003:
            self.algae += (self.algae + 0.02) * f.growth_a_day / 24 * max(1 - self.algae / 400, 0)
        # Sun, less of it through cyanuric acid.
        height = math.sin(math.pi * ((self.hour + 9) % 24 - 6) / 13)
        if height > 0:
            self.chlorine *= math.exp(-f.sun_noon_an_hour * height / (1 + self.cya / 8))
        self.cloud *= math.exp(-f.bleaching * min(self.chlorine, 20))
        # Filter and floor.
        if running:
            flow = f.turnovers_a_day / 24 / (1 + (self.load / f.holds) ** 2)
            passes = 0.97 if self.trouble is Trouble.FILTER_PASSES and self.trouble_is_on else 0.0
            share = 1 - math.exp(-flow * f.caught * (1 - passes))
            self.load += share * (self.cloud + 0.5 * f.cloud_per_algae * self.algae)
            self.cloud *= 1 - share
            self.algae *= 1 - 0.5 * share
            settling = f.settling_a_day / 24
        else:
            settling = 1.5 * f.settling_a_day / 24
        if self.flocculated:
            settling = f.floc_settling_an_hour * (1.0 if not running else 0.1)
        self.floor += settling * self.cloud
        self.cloud *= 1 - settling
        if self.flocculated:
            self.floor += 0.8 * settling * self.algae * f.cloud_per_algae
            self.algae *= 1 - 0.8 * settling

    def _rain(self) -> None:
        self.organics += self.rng.uniform(1, 8)
        self.chlorine *= self.rng.uniform(0.85, 0.97)
        self.cloud += self.rng.uniform(0, 0.3)
