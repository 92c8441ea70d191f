"""What can hurt someone in the work that a page speaks of, shown at its foot.

In: a page's name, and the cautions it shows already. Out: the others, as one frame. Pages that are not named here show
theirs beside what they advise.
"""

from __future__ import annotations

from collections.abc import Collection

from app.dashboard import widgets
from app.treatment.cautions import WORK, Topic

CARE = {
    "board": (Topic.SWIMMING, Topic.LABEL),
    "visit": (Topic.EDGE, Topic.ELECTRICITY, Topic.PRESSURE, Topic.BLIND_WATER, Topic.POURING, Topic.LABEL),
    "pools": (Topic.SWIMMING, Topic.PUBLIC),
    "intake": (Topic.EDGE, Topic.SWIMMING),
    "strips": (Topic.EDGE, Topic.LABEL),
    "prices": (Topic.STORING, Topic.POURING, Topic.LABEL),
}
"""What each page's work can do, by the page's name in the address line."""


def care_html(page: str, *, shown: Collection[str] = ()) -> str:
    """Return a page's cautions that are not shown already; empty where there are none."""
    every = [each.say for topic in CARE.get(page, ()) for each in WORK[topic]]
    return widgets.cautions_html([each for each in every if each not in shown])
