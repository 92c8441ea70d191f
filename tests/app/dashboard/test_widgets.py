"""What a photo's verdict says on the page: which of the grader's doubts the tech is asked to act on."""

from __future__ import annotations

import pytest

from app.dashboard import widgets
from app.dashboard.units import US
from vision.flags import BY_NAME


def verdict(two_off: float) -> str:
    """Return the verdict of a usable photo whose clarity is two classes off with this probability."""
    clarity = {"crystal": 0.0, "clear": two_off, "hazy": 0.0, "cloudy": 0.3, "opaque": 0.7 - two_off}
    severity = {"none": 0.0, "trace": 0.0, "light": 0.0, "moderate": 0.0, "heavy": 1.0}
    result = {
        "usable": True,
        "problems": [{"code": "clarity_weak", "say": BY_NAME["clarity_weak"].say}],
        "water": {
            "visible_depth_m": {"low": 0.2, "mid": 0.4, "high": 0.8},
            "clarity": {"grade": "opaque", "probabilities": clarity},
            "severity": {"grade": "heavy", "probabilities": severity},
        },
    }
    return widgets.verdict_html("Photo", result, US)


@pytest.mark.parametrize(("two_off", "said"), [(0.02, False), (0.049, False), (0.06, True), (0.2, True)])
def test_a_faint_doubt_is_not_said_each_time(two_off, said):
    assert (BY_NAME["clarity_weak"].short in verdict(two_off)) == said
